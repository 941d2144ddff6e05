"""Receivers of pushes on loopback, that behave as a test says: well, badly, or not at all."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import repeat

#: By this name the tests' resolver knows the receivers, and a site allows them.
HOST = "receiver.test"


@dataclass(frozen=True)
class Pushed:
    """A request that a receiver was sent."""

    line: str
    headers: dict[str, str]
    body: bytes


#: What a receiver does with a connection whose request it has read.
Behaviour = Callable[[socket.socket], None]


def answering(data: bytes) -> Behaviour:
    """Sends these bytes and closes."""
    return lambda connection: connection.sendall(data)


def status(code: int, *headers: str) -> Behaviour:
    head = "".join(f"{each}\r\n" for each in headers)
    return answering(f"HTTP/1.1 {code} Said\r\n{head}Content-Length: 0\r\n\r\n".encode())


OK = status(204)


def closing(_connection: socket.socket) -> None:
    """Closes without a word."""


@dataclass
class Receiver:
    """A receiver that listens; `plan` says what it does with each request, one after the other."""

    plan: Iterator[Behaviour]
    pushed: list[Pushed] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)
    #: What becomes of a connection before anything is read from it.
    prepare: Callable[[socket.socket], socket.socket] = lambda connection: connection

    def __post_init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}/pushes"

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            self._threads.append(threading.Thread(target=self._serve, args=(connection,), daemon=True))
            self._threads[-1].start()

    def _serve(self, connection: socket.socket) -> None:
        connection.settimeout(10)
        with connection, suppress(OSError), self.prepare(connection) as prepared:
            self.pushed.append(_read(prepared))
            next(self.plan)(prepared)

    def hanging(self, _connection: socket.socket) -> None:
        """Says nothing until the test ends."""
        self.ended.wait(20)

    def trickling(self, connection: socket.socket) -> None:
        """Sends a header without an end, byte by byte."""
        connection.sendall(b"HTTP/1.1 200 OK\r\nX: ")
        while not self.ended.wait(0.02):
            connection.sendall(b"x")

    def close(self) -> None:
        self.ended.set()
        # It wakes the accept, which close alone would leave waiting.
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for thread in self._threads:
            thread.join(5)


def _read(connection: socket.socket) -> Pushed:
    data = b""
    while b"\r\n\r\n" not in data:
        data += connection.recv(65_536)
    head, _, body = data.partition(b"\r\n\r\n")
    line, *fields = head.decode("ascii").split("\r\n")
    headers = {name.lower(): value for name, _, value in (each.partition(": ") for each in fields)}
    while len(body) < int(headers["content-length"]):
        body += connection.recv(65_536)
    return Pushed(line, headers, body)


@contextmanager
def receiving(*plan: Behaviour | str, then: Behaviour | str = OK) -> Iterator[Receiver]:
    """A receiver that does these things, one a request, and from then on `then`. A word names a method of its own."""
    made = Receiver(iter(()))

    def every() -> Iterator[Behaviour]:
        for each in _chained(plan, then):
            yield getattr(made, each) if isinstance(each, str) else each

    made.plan = every()
    try:
        yield made
    finally:
        made.close()


def _chained(plan: Sequence[Behaviour | str], then: Behaviour | str) -> Iterable[Behaviour | str]:
    yield from plan
    yield from repeat(then)


def on_loopback(_host: str, _port: int) -> list[str]:
    """A resolver by which every name is this machine."""
    return ["127.0.0.1"]
