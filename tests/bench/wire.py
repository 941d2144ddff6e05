"""A connection to a server that costs little itself, so that what is measured is the server."""

from __future__ import annotations

import re
import socket
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final, Self

import orjson

HOST: Final = "127.0.0.1"
LINES: Final = "application/x-ndjson"
ONE_EVENT: Final = "application/cloudevents+json"
ANSWER_SECONDS: Final = 120.0
_LENGTH = re.compile(rb"\r\ncontent-length: *([0-9]+)", re.IGNORECASE)
_CHUNK: Final = 256 * 1024


class Refused(Exception):
    """The server answered otherwise than a measurement can go on with."""


@dataclass(frozen=True)
class Answer:
    """Status and body of an answer."""

    status: int
    body: bytes

    def json(self) -> Any:
        """The body as JSON; raises Refused unless the status is a 2xx."""
        if not 200 <= self.status < 300:
            raise Refused(f"status {self.status}: {self.body[:300].decode(errors='replace')}")
        return orjson.loads(self.body)


class Connection:
    """One kept-alive connection, with a key on every request."""

    def __init__(self, port: int, key: str) -> None:
        self._socket = socket.create_connection((HOST, port), timeout=ANSWER_SECONDS)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._fixed = f" HTTP/1.1\r\nHost: {HOST}:{port}\r\nAuthorization: Bearer {key}\r\n"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _type: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        self._socket.close()

    def get(self, path: str) -> Answer:
        """Answer to a GET."""
        return self._exchange(f"GET {path}{self._fixed}\r\n".encode())

    def post_events(self, body: bytes, media_type: str) -> dict[str, Any]:
        """The door's answer to events, all of which it must take."""
        head = f"POST /v1/events{self._fixed}Content-Type: {media_type}\r\nContent-Length: {len(body)}\r\n\r\n"
        answer = self._exchange(head.encode() + body)
        if answer.status != 202:
            raise Refused(f"status {answer.status}: {answer.body[:300].decode(errors='replace')}")
        told: dict[str, Any] = orjson.loads(answer.body)
        return told

    def _exchange(self, request: bytes) -> Answer:
        self._socket.sendall(request)
        received = b""
        while (end := received.find(b"\r\n\r\n")) < 0:
            received += self._more()
        length = _LENGTH.search(received, 0, end + 2)
        if length is None:
            raise Refused(f"an answer without its length: {received[:end].decode(errors='replace')}")
        parts = [received[end + 4 :]]
        missing = int(length[1]) - len(parts[0])
        while missing > 0:
            parts.append(self._more())
            missing -= len(parts[-1])
        return Answer(int(received[9:12]), b"".join(parts))

    def _more(self) -> bytes:
        if not (more := self._socket.recv(_CHUNK)):
            raise Refused("the server closed the connection")
        return more
