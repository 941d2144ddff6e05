"""One request to a receiver: to an address that was checked, within a time, reading no more than a little."""

from __future__ import annotations

import http.client
import io
import socket
import ssl
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from worker.pushes.addresses import Address, Target

#: From the first packet to the last byte that is read; the specification recommends 15 to 30 s.
MOST_SECONDS: Final = 15.0
#: Of an answer no more is read, its header included.
MOST_BYTES: Final = 16 * 1024
#: So long the rest of an answer is read, which nobody needs: so the receiver is not cut off in the middle.
_REST_SECONDS: Final = 0.5
#: Addresses of one host that are tried.
_MOST_ADDRESSES: Final = 3
#: Answers that announce another one (RFC 9110, 15.2), which are passed over.
_MOST_ANNOUNCED: Final = 8
#: A receiver that wants to be left alone for longer is asked again after it.
MOST_RETRY_AFTER: Final = 24 * 3600
GONE: Final = 410
_SWITCHING: Final = 101


@dataclass(frozen=True)
class Outcome:
    """What a try came to. reason: why it is not delivered, None when it is; retry_after: seconds, 0 unless asked."""

    status: int | None
    reason: str | None
    retry_after: int = 0


class _TooMuch(Exception):
    """More was sent than is read."""


class _Bounded(io.RawIOBase):
    """What a receiver sends, up to a number of bytes and a moment, however slowly it comes."""

    def __init__(self, connection: socket.socket, until: float) -> None:
        self._connection = connection
        self.until = until
        self._left = MOST_BYTES

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self._left <= 0:
            raise _TooMuch
        self._connection.settimeout(_left(self.until))
        room = memoryview(buffer)[: self._left]
        count = self._connection.recv_into(room)
        self._left -= count
        return count


class _Answering:
    """As much of a socket as http.client reads an answer from."""

    def __init__(self, bounded: _Bounded) -> None:
        self._reader = io.BufferedReader(bounded, 2048)

    def makefile(self, _mode: str) -> Any:
        return self._reader


def post(
    target: Target,
    addresses: Sequence[Address],
    headers: Mapping[str, str],
    body: bytes,
    *,
    seconds: float = MOST_SECONDS,
    began: float | None = None,
) -> Outcome:
    """Post a body to a host at one of its addresses; never raises for what a receiver does.

    began: `time.monotonic()` from which the seconds count, this moment unless given.
    """
    until = (time.monotonic() if began is None else began) + seconds
    try:
        with _connected(target, addresses, until) as connection:
            connection.settimeout(_left(until))
            connection.sendall(_request(target, headers, body))
            return _answer(connection, until)
    except TimeoutError:
        return Outcome(None, f"no answer within {seconds:g} s")
    except ssl.SSLCertVerificationError as error:
        return Outcome(None, f"the certificate is not accepted: {error.verify_message}"[:200])
    except ssl.SSLError as error:
        return Outcome(None, f"no TLS connection: {error.reason or 'it failed'}"[:200])
    except _TooMuch:
        return Outcome(None, f"the header of the answer is longer than {MOST_BYTES} bytes")
    except ConnectionRefusedError:
        return Outcome(None, "the connection was refused")
    except (ConnectionError, http.client.RemoteDisconnected):
        return Outcome(None, "the connection was closed before the answer")
    except (http.client.HTTPException, ValueError):
        return Outcome(None, "the answer is no HTTP")
    except OSError as error:
        return Outcome(None, f"no connection: {error.strerror or 'it failed'}"[:200])


def _left(until: float) -> float:
    left = until - time.monotonic()
    if left <= 0:
        raise TimeoutError
    return left


def _connected(target: Target, addresses: Sequence[Address], until: float) -> socket.socket:
    """A connection to one of these addresses, and no other; over TLS the certificate must be that of the name."""
    last: OSError = ConnectionRefusedError()
    tried = addresses[:_MOST_ADDRESSES]
    for number, address in enumerate(tried):
        try:
            # One that hangs leaves time to the others.
            timeout = _left(until) / (len(tried) - number)
            connection = socket.create_connection((str(address), target.port), timeout=timeout)
            break
        except OSError as error:
            last = error
    else:
        raise last
    if target.scheme != "https":
        return connection
    try:
        connection.settimeout(_left(until))
        return _tls().wrap_socket(connection, server_hostname=target.host)
    except BaseException:
        connection.close()
        raise


@cache
def _tls() -> ssl.SSLContext:
    return ssl.create_default_context()


def _request(target: Target, headers: Mapping[str, str], body: bytes) -> bytes:
    lines = {
        "Host": target.host_header,
        "User-Agent": "Cutledger",
        "Content-Type": "application/json",
        "Content-Length": str(len(body)),
        "Accept-Encoding": "identity",
        "Connection": "close",
        **headers,
    }
    head = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
    return f"POST {target.path} HTTP/1.1\r\n{head}\r\n".encode("ascii") + body


def _answer(connection: socket.socket, until: float) -> Outcome:
    bounded = _Bounded(connection, until)
    answering: Any = _Answering(bounded)
    answer = http.client.HTTPResponse(answering, method="POST")
    answer.begin()
    # Each is kept: one that is let go closes what the next one is read from.
    announced = [answer]
    while 100 <= answer.status < 200 and answer.status != _SWITCHING and len(announced) <= _MOST_ANNOUNCED:
        answer = http.client.HTTPResponse(answering, method="POST")
        answer.begin()
        announced.append(answer)
    outcome = _outcome(answer)
    bounded.until = min(until, time.monotonic() + _REST_SECONDS)
    # Whatever the rest is, and however long it says it is: the status has been read.
    with suppress(_TooMuch, OSError, http.client.HTTPException, ValueError):
        answer.read(MOST_BYTES)
    return outcome


def _outcome(answer: http.client.HTTPResponse) -> Outcome:
    status = answer.status
    if 200 <= status < 300:
        return Outcome(status, None)
    asked = answer.getheader("Retry-After", "")
    retry_after = min(int(asked), MOST_RETRY_AFTER) if asked.isascii() and asked.isdigit() and len(asked) < 10 else 0
    if 300 <= status < 400:
        return Outcome(status, f"answered {status}: redirects are not followed", retry_after)
    return Outcome(status, f"answered {status}", retry_after)
