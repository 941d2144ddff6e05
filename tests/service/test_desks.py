"""From desk to desk: where a request is answered, and that its connection loses nothing on the way there."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from service.desks import SEATS, SMALL_POST_BYTES, Desk, Ways, desk_for, desks_of, have_fellows
from service.intake import Intake
from service.paths import EVENTS_PATH
from tests.builders import installed
from tests.service.serving import Serving, ask, cut, key_for, serving, wait_until
from tests.service.test_connections import GET, Hall, post
from tests.service.test_intake import config
from worker.settings import DATABASE_FILE

READ = b"GET /v1/jobs HTTP/1.1\r\nHost: x\r\n\r\n"
FEW = post(b"{}", path=EVENTS_PATH)
MANY = post(b" " * (SMALL_POST_BYTES + 1), path=EVENTS_PATH)


def in_chunks(body: bytes) -> bytes:
    chunked = b"%x\r\n%b\r\n0\r\n\r\n" % (len(body), body)
    return post(chunked, "Transfer-Encoding: chunked", path=EVENTS_PATH)


@pytest.mark.parametrize(
    ("sent", "desk"),
    [
        (FEW, Desk.DOOR),
        (post(b" " * SMALL_POST_BYTES, path=f"{EVENTS_PATH}?site=main"), Desk.DOOR),
        (MANY, Desk.BULK),
        (in_chunks(b"{}"), Desk.BULK),
        (post(b"{}", "Content-Encoding: gzip", path=EVENTS_PATH), Desk.BULK),
        (post(b"", path=EVENTS_PATH), Desk.DOOR),
        (f"POST {EVENTS_PATH} HTTP/1.1\r\nHost: x\r\n\r\n".encode(), Desk.DOOR),
        (f"GET {EVENTS_PATH} HTTP/1.1\r\nHost: x\r\n\r\n".encode(), Desk.LOOKS),
        (READ, Desk.LOOKS),
        (post(b"{}", path="/v1/trials"), Desk.LOOKS),
        (GET, Desk.DOOR),
        (b"GET /readyz HTTP/1.1\r\nHost: x\r\n\r\n", Desk.DOOR),
    ],
)
def test_each_request_has_a_desk(sent: bytes, desk: Desk) -> None:
    intake = Intake(config(), ("127.0.0.1", 1))
    intake.buffer += sent
    assert intake.is_whole()
    assert desk_for(intake.request) is desk


@pytest.mark.parametrize("processes", range(1, 8))
def test_somebody_sits_at_each_desk_and_the_first_at_the_door(processes: int) -> None:
    seated = [desks_of(place, processes) for place in range(processes)]
    assert frozenset().union(*seated) == set(Desk)
    assert Desk.DOOR in seated[0]
    assert desks_of(processes, processes) == desks_of(processes % len(SEATS) if processes > 2 else 0, processes)


@pytest.mark.parametrize("processes", range(1, 8))
def test_one_has_fellows_where_two_sit(processes: int) -> None:
    for desk in Desk:
        seated = [place for place in range(processes) if desk in desks_of(place, processes)]
        assert have_fellows(desk, processes) == (len(seated) > 1)
    assert have_fellows(Desk.BULK, processes) == (processes > 3)


# --- the way ----------------------------------------------------------------------------------------------------


@pytest.fixture
def ways() -> Iterator[Ways]:
    made = Ways()
    yield made
    for desk in Desk:
        for connection, _ in made.take(desk):
            connection.close()
        made.close(desk)


def test_a_connection_comes_with_what_was_received_of_it(ways: Ways) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        assert ways.hand(Desk.BULK, theirs, b"x" * 70_000)
        theirs.close()
        assert list(ways.take(Desk.LOOKS)) == []
        ((arrived, received),) = ways.take(Desk.BULK)
        with arrived:
            assert received == b"x" * 70_000
            arrived.sendall(b"known")
            assert ours.recv(10) == b"known"


def test_what_cannot_be_carried_stays(ways: Ways) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        assert not ways.hand(Desk.BULK, theirs, bytes(1024 * 1024))
        handed = 0
        while handed < 10_000 and ways.hand(Desk.BULK, theirs, b"x"):
            handed += 1
        assert 0 < handed < 10_000
        arrived = list(ways.take(Desk.BULK))
        assert [received for _, received in arrived] == [b"x"] * handed
        for connection, _ in arrived:
            connection.close()
        assert ways.hand(Desk.BULK, theirs, b"x")


# --- between two that answer ------------------------------------------------------------------------------------


class Two:
    """A hall at the door and one at both other desks, turned by hand by turns."""

    def __init__(self, ways: Ways) -> None:
        self.door = Hall(most=8, desks=frozenset([Desk.DOOR]), ways=ways)
        self.beside = Hall(most=8, desks=frozenset([Desk.BULK, Desk.LOOKS]), ways=ways)
        own = self.door.worker._turn

        def turn() -> None:
            own()
            self.beside.worker._turn()

        self.door.worker._turn = turn  # type: ignore[method-assign]

    def answered(self) -> tuple[list[str], list[str]]:
        """The paths that each has answered."""
        door, beside = ([path for path, _, _ in hall.asked] for hall in (self.door, self.beside))
        return door, beside


@pytest.fixture
def two(ways: Ways, short: object) -> Iterator[Two]:
    made = Two(ways)
    yield made
    made.door.close()
    made.beside.close()


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    # Each turn waits so long for what comes, in vain where it comes to the other.
    monkeypatch.setattr("service.connections._ENFORCE_EVERY_SECONDS", 0.001)
    monkeypatch.setattr("service.connections._NOTIFY_EVERY_SECONDS", 0.001)
    monkeypatch.setattr("service.connections.LINGER_SECONDS", 0.05)


def test_a_connection_goes_to_and_fro_as_its_requests_ask(two: Two) -> None:
    client = two.door.client(READ)
    assert two.door.answers(client, 1) == [200]
    assert two.answered() == ([], ["/v1/jobs"])
    assert len(two.beside.worker._connections) == 1 + len(two.door.worker._connections)
    # What was handed to the door comes to who sits there, whoever has the connection.
    for sent in (FEW, MANY, GET):
        two.door.send(client, sent)
        assert two.door.answers(client, 1) == [200]
    assert two.answered() == ([EVENTS_PATH, "/livez"], ["/v1/jobs", EVENTS_PATH])
    assert [size for _, size, _ in two.beside.asked] == [0, SMALL_POST_BYTES + 1]


def test_requests_that_come_together_are_answered_in_their_order(two: Two) -> None:
    client = two.door.client(READ + FEW + MANY + GET + READ)
    assert two.door.answers(client, 5) == [200] * 5
    assert two.answered() == ([EVENTS_PATH, "/livez"], ["/v1/jobs", EVENTS_PATH, "/v1/jobs"])


def test_a_body_is_waited_for_where_it_is_taken(two: Two) -> None:
    client = two.door.client(MANY[:5_000])
    two.door.until(lambda: two.beside.worker._connections)
    assert not two.door.worker._connections
    two.door.send(client, MANY[5_000:])
    assert two.door.answers(client, 1) == [200]
    assert [size for _, size, _ in two.beside.asked] == [SMALL_POST_BYTES + 1]


def test_who_waits_to_be_told_to_send_is_told(two: Two) -> None:
    head = post(b"", "Expect: 100-continue", length=SMALL_POST_BYTES + 1, path=EVENTS_PATH)
    client = two.door.client(head)
    assert two.door.answers(client, 1) == [100]
    two.door.send(client, b" " * (SMALL_POST_BYTES + 1))
    assert two.door.answers(client, 1) == [200]
    assert two.answered() == ([], [EVENTS_PATH])


def test_where_nobody_takes_it_a_request_is_answered_here(two: Two, ways: Ways) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        while ways.hand(Desk.LOOKS, theirs, READ):
            pass
        # Only the door turns: nobody makes room.
        del two.door.worker._turn
        client = two.door.client(READ)
        assert two.door.answers(client, 1) == [200]
    assert two.answered() == (["/v1/jobs"], [])


def test_who_is_about_to_end_hands_nothing_on(two: Two) -> None:
    two.door.worker.is_draining = lambda: True
    client = two.door.client(READ)
    assert two.door.answers(client, 1) == [200]
    assert two.answered() == (["/v1/jobs"], [])


def test_a_client_that_is_gone_on_the_way_is_forgotten(two: Two, ways: Ways) -> None:
    client = socket.create_connection(two.door.listener.getsockname())
    accepted, _ = two.door.listener.accept()
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    client.close()
    with accepted:
        assert ways.hand(Desk.LOOKS, accepted, READ)
    two.door.turn()
    assert not two.beside.worker._connections


def test_those_beside_take_no_more_connections_than_they_may(two: Two) -> None:
    two.beside.worker.worker_connections = 1
    first = two.door.client(MANY[:5_000])
    two.door.until(lambda: two.beside.worker._connections)
    second = two.door.client(READ)
    assert two.door.answers(second) == [503]
    two.door.send(first, MANY[5_000:])
    assert two.door.answers(first, 1) == [200]


# --- between two at one desk ------------------------------------------------------------------------------------


class Fellows:
    """A hall at the door and two that take bodies of many events; the first of these has its turn before the second."""

    def __init__(self, ways: Ways, monkeypatch: pytest.MonkeyPatch) -> None:
        self.door = Hall(most=8, desks=frozenset([Desk.DOOR]), ways=ways)
        self.first, self.second = (Hall(most=8, desks=frozenset([Desk.BULK]), ways=ways) for _ in range(2))
        for hall in (self.first, self.second):
            hall.worker.has_fellows = True
        own, self.second_rests = self.door.worker._turn, False

        def turn() -> None:
            own()
            self.first.worker._turn()
            if not self.second_rests:
                self.second.worker._turn()

        def sleep(_seconds: float) -> None:
            if not self.second_rests:
                self.second.worker._turn()

        self.door.worker._turn = turn  # type: ignore[method-assign]
        monkeypatch.setattr(
            "service.connections.time", SimpleNamespace(monotonic=time.monotonic, sleep=sleep, time=time.time)
        )

    def taken(self) -> tuple[int, int]:
        """How many bodies each has answered."""
        return len(self.first.asked), len(self.second.asked)


@pytest.fixture
def fellows(ways: Ways, short: object, monkeypatch: pytest.MonkeyPatch) -> Iterator[Fellows]:
    made = Fellows(ways, monkeypatch)
    yield made
    for hall in (made.door, made.first, made.second):
        hall.close()


def test_who_is_at_work_leaves_a_body_to_one_who_is_not(fellows: Fellows) -> None:
    client = fellows.door.client(MANY)
    assert fellows.door.answers(client, 1) == [200]
    assert fellows.taken() == (1, 0)
    # On the same connection, which is at the first one's.
    fellows.first.worker._answering = 1
    for number in (1, 2):
        fellows.door.send(client, MANY)
        assert fellows.door.answers(client, 1) == [200]
        assert fellows.taken() == (1, number)
    other = fellows.door.client(MANY)
    assert fellows.door.answers(other, 1) == [200]
    assert fellows.taken() == (1, 3)


def test_who_is_at_work_takes_a_body_that_nobody_else_takes(fellows: Fellows) -> None:
    fellows.second_rests, fellows.first.worker._answering = True, 1
    client = fellows.door.client(MANY)
    assert fellows.door.answers(client, 1) == [200]
    fellows.door.send(client, MANY)
    assert fellows.door.answers(client, 1) == [200]
    assert fellows.taken() == (2, 0)
    assert fellows.first.worker._answering == 1


# --- of a server ------------------------------------------------------------------------------------------------


def answered_by(server: Serving, route: str) -> list[int]:
    return [line["pid"] for line in server.lines() if line.get("route") == route]


@pytest.mark.parametrize("processes", [1, 2, 3, 4])
def test_a_server_answers_each_kind_of_request_where_it_belongs(tmp_path: Path, processes: int) -> None:
    with serving(tmp_path, "--processes", str(processes)) as server:
        wait_until(lambda: len(server.answering()) == processes, what="all processes")
        key = key_for(installed(f"sqlite:///{tmp_path / 'data' / DATABASE_FILE}"), "erp")
        asked: list[tuple[str, str, Any, int]] = [
            ("POST", "/v1/events", cut("few"), 202),
            ("POST", "/v1/events", [cut(number) for number in range(60)], 202),
            ("GET", "/v1/jobs", None, 200),
        ]

        def all_are_seated() -> bool:
            with closing(server.connect()) as connection:
                for method, path, body, status in asked:
                    assert ask(connection, method, path, key=key, body=body).status == status
            posts, (*_, looked) = answered_by(server, "/v1/events"), answered_by(server, "/v1/jobs")
            # One that was just started may not be at its desk yet: then the door answers for it.
            return len({*posts[-2:], looked}) == min(processes, 3)

        wait_until(all_are_seated, what="an answer by each")
        assert server.end() == 0


def test_what_was_handed_to_a_process_that_dies_is_answered_by_the_next(tmp_path: Path) -> None:
    with serving(tmp_path) as server:
        key = key_for(installed(f"sqlite:///{tmp_path / 'data' / DATABASE_FILE}"), "erp")
        wait_until(lambda: server.ask("GET", "/v1/jobs", key=key).status == 200, what="an answer")
        victim = answered_by(server, "/v1/jobs")[-1]
        os.kill(victim, signal.SIGSTOP)
        with closing(server.connect()) as connection:
            connection.request("GET", "/v1/jobs", headers={"Authorization": f"Bearer {key}"})
            # The door goes on meanwhile.
            for number in range(5):
                assert server.ask("POST", "/v1/events", key=key, body=cut(number)).status == 202
            os.kill(victim, signal.SIGKILL)
            assert connection.getresponse().status == 200
        assert victim not in server.answering()
        assert server.end() == 0


def test_only_who_answers_reports_loads_what_they_need(tmp_path: Path) -> None:
    with serving(tmp_path) as server:
        key = key_for(installed(f"sqlite:///{tmp_path / 'data' / DATABASE_FILE}"), "erp")

        def is_warm() -> bool:
            assert server.ask("GET", "/v1/jobs", key=key).status == 200
            looks = answered_by(server, "/v1/jobs")[-1]
            return has_scipy(looks)

        wait_until(is_warm, what="what reports need")
        assert sum(map(has_scipy, server.answering())) == 1
        assert server.end() == 0


def has_scipy(process: int) -> bool:
    return "scipy/special" in Path(f"/proc/{process}/maps").read_text()


def test_posts_that_come_while_the_file_is_another_s_are_taken_in_at_once(tmp_path: Path) -> None:
    file, count = tmp_path / "data" / DATABASE_FILE, 30
    with serving(tmp_path) as server:
        key = key_for(installed(f"sqlite:///{file}"), "erp")
        assert server.ask("POST", "/v1/events", key=key, body=cut("first")).status == 202
        with (
            closing(sqlite3.connect(file, isolation_level=None, timeout=30)) as other,
            ThreadPoolExecutor(count) as pool,
        ):
            other.execute("BEGIN IMMEDIATE")
            posts = [
                pool.submit(server.ask, "POST", "/v1/events", key=key, body=cut(number)) for number in range(count)
            ]
            # Within the time that a writer waits for its turn.
            time.sleep(1.5)
            assert not any(post.done() for post in posts)
            other.execute("ROLLBACK")
            answers = [post.result() for post in posts]
            assert [answer.status for answer in answers] == [202] * count
            assert len({answer.json()["items"][0]["position"] for answer in answers}) == count
            (receipts,) = other.execute(
                "SELECT count(DISTINCT received_us) FROM events WHERE type LIKE '%finished'"
            ).fetchone()
        # The first one that was posted, and all that waited.
        assert receipts == 2
        assert server.end() == 0
