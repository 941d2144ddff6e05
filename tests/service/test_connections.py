"""The hall where connections wait: what is slow, too much, or gone, is ended there, and holds no thread or memory."""

from __future__ import annotations

import gc
import gzip
import os
import re
import select
import selectors
import socket
import struct
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import pytest
from gunicorn.glogging import Logger

from service import connections
from service.app import create_app
from service.connections import Connection, PatientWorker, State
from service.desks import SMALL_POST_BYTES, Desk, Ways, desks_of
from service.intake import Refusal
from service.paths import EVENTS_PATH
from tests.builders import embedded
from tests.service.test_intake import config
from worker.grouping import Together

GET: Final = b"GET /livez HTTP/1.1\r\nHost: x\r\n\r\n"
#: Longer than anything here takes.
DEADLINE_SECONDS: Final = 20.0
MIB: Final = 1024 * 1024


def post(body: bytes, *fields: str, length: int | None = None, path: str = "/") -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: x", *fields]
    if not any("chunked" in field for field in fields):
        lines.append(f"Content-Length: {len(body) if length is None else length}")
    return "\r\n".join([*lines, "", ""]).encode() + body


class Hall:
    """A worker that takes connections, turned by hand, and an application that says what it was given."""

    def __init__(self, most: int, *, desks: frozenset[Desk] = desks_of(0, 1), ways: Ways | None = None) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.setblocking(False)
        cfg = config()
        for name, value in (("worker_connections", most), ("threads", 2), ("sendfile", False), ("keepalive", 5)):
            cfg.set(name, value)
        self.worker = PatientWorker(0, os.getppid(), [self.listener], None, 0, cfg, Logger(cfg))
        self.worker.bounds_addresses = False
        self.worker.desks, self.worker.ways = desks, ways
        self.worker.tpool = self.worker.get_thread_pool()
        self.worker.poller = selectors.DefaultSelector()
        self.worker.method_queue.init()
        self.worker.wsgi = self._application()
        self.asked: list[tuple[str, int, bool]] = []
        self.requests: list[Any] = []
        self.threads: list[str] = []
        self._hook(cfg)
        self.worker._open()
        self._clients: list[socket.socket] = []

    def _hook(self, cfg: Any) -> None:
        cfg.set("pre_request", lambda _worker, request: self.requests.append(weakref.ref(request)))

    def _application(self) -> Any:
        def answer(environ: Any, start: Any) -> list[bytes]:
            path = environ["PATH_INFO"]
            size = 0 if path == "/unread" else len(environ["wsgi.input"].read())
            self.threads.append(threading.current_thread().name)
            is_large = self.threads[-1].startswith("large")
            self.asked.append((path, size, is_large))
            said = b"x" * (4 * MIB if path == "/much" else 2)
            start("200 OK", [("Content-Length", str(len(said)))])
            return [said]

        answer.extensions = {  # type: ignore[attr-defined]
            "cutledger": SimpleNamespace(metrics=SimpleNamespace(note_request=lambda **_: None))
        }
        return answer

    def client(self, sent: bytes = b"", *, small: bool = False) -> socket.socket:
        client = socket.socket()
        if small:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        client.settimeout(DEADLINE_SECONDS)
        client.connect(self.listener.getsockname())
        self._clients.append(client)
        known = set(self.worker._connections)
        self.until(lambda: self.worker._connections - known or self.ended(client))
        self.send(client, sent)
        return client

    def send(self, client: socket.socket, sent: bytes) -> None:
        """Send all, and let it arrive as far as it is read."""
        client.setblocking(False)
        while sent:
            try:
                sent = sent[client.send(sent) :]
            except BlockingIOError:
                pass
            except ConnectionError:
                return
            self.turn()

    def turn(self) -> None:
        for _ in range(3):
            self.worker._turn()

    def until(self, claim: Callable[[], object]) -> None:
        end = time.monotonic() + DEADLINE_SECONDS
        while not claim():
            assert time.monotonic() < end, "it did not come true in time"
            self.worker._turn()

    def ended(self, client: socket.socket) -> bool:
        return bool(select.select([client], [], [], 0)[0])

    def answers(self, client: socket.socket, count: int | None = None) -> list[int]:
        """The statuses of so many answers; of all until the connection ends where no number is given."""
        client.setblocking(False)
        got, over = bytearray(), False
        while not over and (count is None or len(re.findall(rb"HTTP/1\.1 (\d+) ", got)) < count):
            self.until(lambda: self.ended(client))
            try:
                part = client.recv(MIB)
            except ConnectionError:
                part = b""
            over = not part
            got += part
        return [int(each) for each in re.findall(rb"HTTP/1\.1 (\d+) ", got)]

    def of(self, client: socket.socket) -> Connection:
        """The server's end of it."""
        port = client.getsockname()[1]
        return next(each for each in self.worker._connections if each.client[1] == port)

    def states(self) -> list[State]:
        return sorted((each.state for each in self.worker._connections), key=lambda each: each.name)

    def close(self) -> None:
        for client in self._clients:
            client.close()
        self.worker.tpool.shutdown()
        self.worker._large.shutdown()
        for each in list(self.worker._connections):
            self.worker._close(each)
        self.worker.poller.close()
        self.worker.method_queue.close()
        self.worker.tmp.close()
        self.listener.close()


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Sets bounds of the hall for one test."""
    monkeypatch.setattr(connections, "_ENFORCE_EVERY_SECONDS", 0.01)
    monkeypatch.setattr(connections, "LINGER_SECONDS", 0.05)

    def to(**bounds: float) -> None:
        for name, value in bounds.items():
            monkeypatch.setattr(connections, name, value)

    return to


@pytest.fixture
def hall(short: object) -> Iterator[Hall]:
    made = Hall(most=8)
    yield made
    made.close()


def test_a_header_that_does_not_end_is_answered_408(hall: Hall, short: Any) -> None:
    short(HEAD_SECONDS=0.05)
    assert hall.answers(hall.client(b"GET / HT")) == [408]


def test_a_body_that_does_not_end_is_answered_408(hall: Hall, short: Any) -> None:
    short(GRACE_SECONDS=0.05)
    assert hall.answers(hall.client(post(b"[", length=2))) == [408]


def test_who_sends_nothing_is_closed_without_a_word(hall: Hall, short: Any) -> None:
    short(HEAD_SECONDS=0.05, IDLE_SECONDS=0.05)
    assert hall.answers(hall.client()) == []
    assert hall.answers(hall.client(GET)) == [200]


def test_an_empty_line_after_a_body_begins_no_request(hall: Hall, short: Any) -> None:
    client = hall.client(post(b"[]") + b"\r\n")
    assert hall.answers(client, 1) == [200]
    hall.until(lambda: hall.of(client).state is State.IDLE)
    short(HEAD_SECONDS=0.0)
    hall.turn()
    hall.send(client, GET)
    assert hall.answers(client, 1) == [200]


def test_connections_stay_within_their_bound_when_all_are_at_work(hall: Hall) -> None:
    bodies = [hall.client(post(b"[", length=2)) for _ in range(8)]
    refused = [hall.client(GET) for _ in range(20)]
    # The one that was refused last may still be reading that.
    assert len(hall.worker._connections) <= 9
    assert hall.states().count(State.BODY) == 8
    assert set(hall.answers(refused[-1])) == {503}
    for body in bodies:
        hall.send(body, b"]")
        assert hall.answers(body, 1) == [200]


def test_the_slowest_body_makes_room_for_another(hall: Hall, short: Any) -> None:
    slow = hall.client(post(b"[", length=9_000))
    others = [hall.client(post(b" " * 5_000, length=9_000)) for _ in range(7)]
    short(SHED_SECONDS=0.0)
    assert hall.answers(hall.client(GET), 1) == [200]
    assert hall.answers(slow) in ([503], [])
    assert all(hall.of(other).state is State.BODY for other in others)


def test_who_waits_makes_room_before_who_sends(hall: Hall, short: Any) -> None:
    short(SHED_SECONDS=0.0)
    idle = hall.client()
    bodies = [hall.client(post(b"[", length=2)) for _ in range(7)]
    assert hall.answers(hall.client(GET), 1) == [200]
    assert hall.answers(idle) == []
    assert all(hall.of(body).state is State.BODY for body in bodies)


@pytest.mark.parametrize("bounded", [True, False])
def test_one_address_has_a_part_of_the_connections(hall: Hall, bounded: bool) -> None:
    hall.worker.bounds_addresses = bounded
    bodies = [hall.client(post(b"[", length=2)) for _ in range(4)]
    last = hall.client(GET)
    assert hall.answers(last, 1) == [503 if bounded else 200]
    for body in bodies:
        hall.send(body, b"]")
        hall.answers(body, 1)
    assert hall.answers(hall.client(GET), 1) == [200]


def test_who_holds_much_and_makes_no_progress_is_sent_away_first(hall: Hall, short: Any) -> None:
    stalled = hall.client(post(b" " * 100_000, length=MIB))
    hall.until(lambda: hall.of(stalled).held > 100_000)
    hall.of(stalled).moved -= 60
    short(MOST_HELD_BYTES=350_000)
    going = hall.client(post(b" " * 200_000, length=MIB))
    hall.send(going, b" " * 100_000)
    assert hall.answers(stalled) == [503]
    assert hall.of(going).state is State.BODY
    assert hall.worker._held == hall.of(going).held


def test_what_was_refused_for_another_does_not_come_back(hall: Hall) -> None:
    client = hall.client(post(b"[", length=3))
    connection = hall.of(client)
    told = hall.worker.poller.get_key(connection.accepted).data
    client.send(b"]")
    hall.worker._refuse(connection, Refusal(503, "busy", "of another"))
    # The poller told of its bytes before that, in the same round.
    told(connection.accepted)
    assert connection.state is State.LINGER
    assert not connection.intake.buffer
    assert hall.answers(client) == [503]
    assert hall.worker._held == 0


def test_answers_that_nobody_reads_are_bounded(hall: Hall, short: Any) -> None:
    ask = b"GET /much HTTP/1.1\r\nHost: x\r\n\r\n"
    first = hall.client(ask, small=True)
    hall.until(lambda: State.UNREAD in hall.states())
    short(MOST_UNREAD_BYTES=hall.of(first).sock.unread)
    second = hall.client(ask, small=True)
    hall.until(lambda: len(hall.worker._connections) == 1)
    assert hall.of(second).state is State.UNREAD
    assert len(hall.asked) == 2


ZEROS: Final = gzip.compress(b"[" + b"0," * MIB)


@pytest.mark.parametrize(
    ("sent", "is_large"),
    [
        (post(b"[]"), False),
        (post(b" " * (MIB + 1)), True),
        (post(gzip.compress(b"[]"), "Content-Encoding: gzip"), False),
        (post(b"no gzip", "Content-Encoding: gzip"), False),
        (post(ZEROS, "Content-Encoding: gzip"), True),
        (post(ZEROS, "Content-Encoding: identity", "Content-Encoding: x-gzip"), True),
        (post(b"2\r\n[]\r\n0\r\n\r\n", "Content-Encoding: gzip", "Transfer-Encoding: chunked"), True),
    ],
    ids=["small", "large", "packed", "not packed", "packed small that is large", "twice said", "packed in chunks"],
)
def test_what_becomes_large_has_threads_of_its_own(hall: Hall, sent: bytes, is_large: bool) -> None:
    assert len(ZEROS) < connections.LARGE_PACKED_BYTES
    client = hall.client(sent)
    assert hall.answers(client, 1) == [200]
    assert [large for _, _, large in hall.asked] == [is_large]


@pytest.mark.parametrize(
    ("sent", "thread"),
    [
        (post(b"{}", path=EVENTS_PATH), "posts"),
        (post(b"{}", path=f"{EVENTS_PATH}?site=main"), "posts"),
        (post(b" " * SMALL_POST_BYTES, path=EVENTS_PATH), "posts"),
        (post(b" " * (SMALL_POST_BYTES + 1), path=EVENTS_PATH), "answering"),
        (post(gzip.compress(b"{}"), "Content-Encoding: gzip", path=EVENTS_PATH), "answering"),
        (post(b"{}", path="/v1/sites"), "answering"),
        (f"GET {EVENTS_PATH} HTTP/1.1\r\nHost: x\r\n\r\n".encode(), "answering"),
    ],
    ids=["an event", "of a site", "the largest", "larger", "packed", "another door", "the feed"],
)
def test_posts_of_few_events_have_a_thread_of_their_own(hall: Hall, sent: bytes, thread: str) -> None:
    client = hall.client(sent)
    assert hall.answers(client, 1) == [200]
    assert [name.partition("_")[0] for name in hall.threads] == [thread]


def test_posts_that_come_while_others_are_written_are_written_together(hall: Hall) -> None:
    writes: list[int] = []
    free = threading.Event()

    @contextmanager
    def begin() -> Iterator[Any]:
        assert free.wait(DEADLINE_SECONDS)
        done: list[str] = []
        yield done
        writes.append(len(done))

    together = Together(begin, hopeless=OSError)

    def answer(environ: Any, start: Any) -> list[bytes]:
        said = environ["wsgi.input"].read()
        together.write(lambda done: done.append(said))
        start("200 OK", [("Content-Length", str(len(said)))])
        return [said]

    hall.worker.wsgi = answer
    clients = [hall.client(post(f"{number}".encode(), path=EVENTS_PATH)) for number in range(6)]
    free.set()
    assert [hall.answers(client, 1) for client in clients] == [[200]] * 6
    assert writes == [1, 5]
    # Each connection goes on.
    for client in clients:
        hall.send(client, post(b"again", path=EVENTS_PATH))
        assert hall.answers(client, 1) == [200]


def test_the_door_is_where_the_hall_looks_for_it(tmp_path: Path) -> None:
    with closing(embedded(tmp_path)) as database:
        rules = create_app(database, lambda: None).url_map.iter_rules()
    assert {rule.rule for rule in rules if rule.endpoint == "events.post_events"} == {EVENTS_PATH}


@pytest.mark.parametrize(
    "end", ["0\r\n\r\n", "0\r\nX\r\n\r\n", "1 \r\nx\r\n0\r\n\r\n"], ids=["good", "trailer", "size"]
)
def test_a_connection_is_kept_after_a_body_whose_end_is_sure(hall: Hall, end: str) -> None:
    body = f"2\r\n[]\r\n{end}".encode()
    client = hall.client(post(body, "Transfer-Encoding: chunked", path="/unread") + GET)
    is_good = end == "0\r\n\r\n"
    assert hall.answers(client, 2) == ([200, 200] if is_good else [400])


@pytest.mark.parametrize("fields", [[], ["Transfer-Encoding: chunked"]], ids=["length", "chunked"])
def test_a_body_is_let_go_of_with_its_answer(hall: Hall, fields: list[str]) -> None:
    gc.collect()
    gc.disable()
    try:
        client = hall.client(post(b"2\r\n[]\r\n0\r\n\r\n", *fields))
        assert hall.answers(client, 1) == [200]
        hall.until(lambda: hall.of(client).state is State.IDLE)
        request = hall.requests[0]()
        # gunicorn's reader of chunks and its request hold each other; an empty view would still hold all that it is of.
        assert request is None if not fields else isinstance(request.unreader.data, bytes)
    finally:
        gc.enable()


def test_clients_that_are_gone_leave_nothing_open(hall: Hall) -> None:
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    for at in range(12):
        client = hall.client((b"GET /much HTTP/1.1\r\nHost: x\r\n\r\n" * 2, b"GET /", post(b"[", length=2))[at % 3])
        if at % 2:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        client.close()
    hall.until(lambda: not hall.worker._connections)
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208
    assert (hall.worker._held, dict(hall.worker._by_address)) == (0, {})


def test_a_worker_whose_parent_is_gone_ends(hall: Hall) -> None:
    client = hall.client(GET)
    assert hall.answers(client, 1) == [200]
    hall.until(lambda: hall.of(client).state is State.IDLE)
    hall.worker.ppid = -1
    hall.worker.poller.unregister(hall.worker.method_queue.fileno())
    hall.worker.run()
    assert hall.worker.alive is False
    assert not hall.worker._connections
    assert hall.listener.fileno() == -1
    hall.worker.poller = selectors.DefaultSelector()
