"""One attack on a server, for so many seconds, in a process of its own: it prints what it was answered, as JSON.

`python -m tests.siege.attacking NAME PORT KEY SECONDS`
"""

from __future__ import annotations

import json
import re
import selectors
import socket
import sys
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Final

HOST: Final = "127.0.0.1"
MIB: Final = 1024 * 1024
READY: Final = "ready"
GIGABYTES: Final = 10
DEPTH: Final = 100_000
MEMBERS: Final = 5_000_000
SLOW: Final = 1_000
#: A page of a megabyte and more.
LARGE: Final = "/docs/swagger-ui-bundle.js"
#: A slow client moves a byte so often.
TRICKLE_SECONDS: Final = 0.5
#: So many who send, and who read, slowly are made anew each time: slow clients, no flood of requests.
ANEW: Final = (200, 10)
#: So many of ten read slowly; of the others every second one sends a header, and every second one a body.
READERS_OF_TEN: Final = 1
#: So many post a bomb at once.
BOMBERS: Final = 4
#: So long the last of them may wait for its first byte.
SETTLE_SECONDS: Final = 30.0
NOTHING: Final = "closed without an answer"
#: The only thing that can be done to who does not read.
CUT: Final = "cut off"
OPEN: Final = "open at the end"
_STATUS = re.compile(rb"HTTP/1\.1 (\d{3}) ")
#: Members that one piece of a body holds.
_PIECE: Final = 100_000


def head(key: str, length: int, *, packed: bool = False) -> bytes:
    """The header of a post of so many bytes."""
    lines = [
        "POST /v1/events HTTP/1.1",
        f"Host: {HOST}",
        f"Authorization: Bearer {key}",
        "Content-Type: application/json",
        f"Content-Length: {length}",
        *(["Content-Encoding: gzip"] if packed else []),
    ]
    return "\r\n".join([*lines, "", ""]).encode()


def zeros() -> bytes:
    """10 GiB of zeros, gzipped: some 10 MB."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    first = packer.compress(b"\0" * MIB) + packer.flush(zlib.Z_FULL_FLUSH)
    # After a full flush the same megabyte of zeros packs into the same bytes again.
    again = packer.compress(b"\0" * MIB) + packer.flush(zlib.Z_FULL_FLUSH)
    return first + again * (GIGABYTES * 1024 - 1)


def deep() -> bytes:
    """An array in an array, and so on."""
    return b"[" * DEPTH + b"]" * DEPTH


def members(count: int = MEMBERS) -> bytes:
    """One object with so many keys, gzipped."""
    packer = zlib.compressobj(1, zlib.DEFLATED, 31)
    return b"".join([*(packer.compress(piece) for piece in _pieces(count)), packer.flush()])


def _pieces(count: int) -> Iterator[bytes]:
    yield b'{"specversion":"1.0"'
    for start in range(0, count, _PIECE):
        yield "".join(f',"k{number}":0' for number in range(start, min(start + _PIECE, count))).encode()
    yield b"}"


def plain_members() -> bytes:
    """As many keys as fit into the largest body, plain: only their number is too large."""
    body = b"".join(_pieces(1_100_000))
    return body[: body.rindex(b",", 0, 16 * MIB - 1)] + b"}"


def doubled() -> bytes:
    """10 MB of objects that give a name twice, gzipped into 20 kB: more than a million values."""
    several = b"[" + b",".join([b'{"a":0,"a":0}'] * 49_000) + b"]"
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    return packer.compress(b"[" + b",".join([several] * 15) + b"]") + packer.flush()


def bombard(port: int, request: bytes, seconds: float) -> Counter[str]:
    """Post one request again and again, some at once; returns the answers by status."""
    with ThreadPoolExecutor(BOMBERS) as bombers:
        each = [bombers.submit(post_again_and_again, port, request, seconds) for _ in range(BOMBERS)]
    return sum((one.result() for one in each), Counter[str]())


def post_again_and_again(port: int, request: bytes, seconds: float) -> Counter[str]:
    """Post one request for so long, each on a connection of its own; returns the answers by status."""
    answers: Counter[str] = Counter()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        answers[answer_to(port, request)] += 1
    return answers


def answer_to(port: int, request: bytes) -> str:
    """The status of the answer to a request that the server may refuse before it has all of it."""
    with socket.create_connection((HOST, port), timeout=60) as sock:
        # It may be refused on the way; the answer may still be there.
        with suppress(BrokenPipeError, ConnectionResetError):
            sock.sendall(request)
        try:
            found = _STATUS.match(sock.recv(1024))
        except (ConnectionResetError, TimeoutError):
            found = None
    return found[1].decode() if found else NOTHING


class Slow:
    """So many connections at once, each slow in its way, and made anew after it was closed."""

    def __init__(self, port: int, key: str, count: int) -> None:
        self._port = port
        self._selector = selectors.DefaultSelector()
        self.answers: Counter[str] = Counter()
        self._closed: tuple[list[tuple[bytes, bytes]], list[tuple[bytes, bytes]]] = ([], [])
        body = b" " * 2_000
        ways = (
            (b"GET /livez HTTP/1.1\r\nX-Slow: ", b"x"),
            (head(key, len(body)), b" "),
            # Asks for much and reads nothing of it.
            (f"GET {LARGE} HTTP/1.1\r\nHost: {HOST}\r\n\r\n".encode() * 4, b""),
        )
        for number in range(count):
            self._open(*ways[2 if number % 10 < READERS_OF_TEN else number % 2])

    @property
    def open(self) -> int:
        """How many are open."""
        return len(self._selector.get_map())

    def _open(self, begin: bytes, more: bytes) -> None:
        sock = socket.socket()
        if not more:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.settimeout(30)
        sock.connect((HOST, self._port))
        sock.sendall(begin)
        sock.setblocking(False)
        # Who reads nothing is not told that there is something to read.
        self._selector.register(sock, selectors.EVENT_READ if more else selectors.EVENT_WRITE, (begin, more))

    def settle(self) -> None:
        """Wait until all who ask for much are being answered."""
        until = time.monotonic() + SETTLE_SECONDS
        for entry in list(self._selector.get_map().values()):
            sock: socket.socket = entry.fileobj  # type: ignore[assignment]
            if not entry.data[1]:
                sock.settimeout(max(0.1, until - time.monotonic()))
                with suppress(OSError):
                    sock.recv(1, socket.MSG_PEEK)
                sock.setblocking(False)

    def hold(self, seconds: float) -> Counter[str]:
        """Keep all open for so long, moving a byte now and then; returns the answers by status."""
        until = time.monotonic() + seconds
        while (now := time.monotonic()) < until:
            self._answered()
            for entry in list(self._selector.get_map().values()):
                self._move(entry)
            for closed, most in zip(self._closed, ANEW, strict=True):
                for each in closed[:most]:
                    self._open(*each)
                del closed[:most]
            time.sleep(max(0.0, now + TRICKLE_SECONDS - time.monotonic()))
        return self.answers

    def _move(self, entry: selectors.SelectorKey) -> None:
        begin, more = entry.data
        sock: socket.socket = entry.fileobj  # type: ignore[assignment]
        try:
            if more:
                sock.send(more)
            elif not sock.recv(1, socket.MSG_PEEK):
                self._again(entry, CUT)
        except BlockingIOError:
            return
        except OSError:
            self._again(entry, NOTHING if more else CUT)

    def _answered(self) -> None:
        for entry, events in self._selector.select(0):
            if not events & selectors.EVENT_READ:
                continue
            try:
                found = _STATUS.match(entry.fileobj.recv(4096))  # type: ignore[union-attr]
            except OSError:
                found = None
            self._again(entry, found[1].decode() if found else NOTHING)

    def _again(self, entry: selectors.SelectorKey, answer: str) -> None:
        self.answers[answer] += 1
        self._selector.unregister(entry.fileobj)
        entry.fileobj.close()  # type: ignore[union-attr]
        self._closed[0 if entry.data[1] else 1].append(entry.data)

    def close(self) -> None:
        """Close all of them."""
        for entry in list(self._selector.get_map().values()):
            entry.fileobj.close()  # type: ignore[union-attr]
        self._selector.close()


#: Attack -> (body, whether it is packed).
BODIES: Final[dict[str, tuple[Callable[[], bytes], bool]]] = {
    "zeros": (zeros, True),
    "deep": (deep, False),
    "members": (members, True),
    "plain-members": (plain_members, False),
    "doubled": (doubled, True),
}
SLOWLY: Final = "slow"


def main(name: str, port: int, key: str, seconds: float) -> None:
    """Attack, and print the answers."""
    if name == SLOWLY:
        slow = Slow(port, key, SLOW)
        slow.settle()
        print(READY, flush=True)  # noqa: T201
        answers = slow.hold(seconds)
        answers[OPEN] = slow.open
        slow.close()
    else:
        make, packed = BODIES[name]
        body = make()
        request = head(key, len(body), packed=packed) + body
        print(READY, flush=True)  # noqa: T201
        answers = bombard(port, request, seconds)
    print(json.dumps(answers))  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3], float(sys.argv[4]))
