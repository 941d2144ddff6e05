"""The process that counts beside those that answer: it is woken, followed by another when it dies, and ended."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.counter import WakeUp
from service.server import PROCESSES
from tests.builders import SITE, installed
from tests.grown import fresh_postgres
from tests.service.serving import Serving, cut, key_for, serving, wait_until
from tests.service.test_metrics import figure, figures_of
from worker import ledger
from worker.database import Database


@pytest.fixture(params=["embedded", "grown"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """A database that no workers count: an embedded one, or a PostgreSQL without a broker."""
    if request.param == "embedded":
        (tmp_path / "data").mkdir()
        yield installed(f"sqlite:///{tmp_path / 'data' / 'cutledger.sqlite3'}")
        return
    with fresh_postgres("counter") as url:
        yield installed(url)


@pytest.fixture
def server(database: Database, tmp_path: Path) -> Iterator[Serving]:
    grown = {} if database.is_sqlite else {"CUTLEDGER_DATABASE_URL": database.url}
    with serving(tmp_path, environment=grown) as running:
        wait_until(lambda: len(running.counters()) == 1, what="the process that counts")
        yield running
    database.close()


def post(server: Serving, key: str, name: str) -> None:
    assert server.ask("POST", "/v1/events", key=key, body=cut(name)).status == 202


def owed(database: Database) -> int:
    with database.read() as connection:
        return ledger.waiting(connection, SITE)[0]


def is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


def test_one_process_counts_however_many_answer_and_is_followed_by_another(server: Serving, database: Database) -> None:
    key = key_for(database, "admin")
    assert len(server.answering()) == PROCESSES
    (first,) = server.counters()
    post(server, key, "before")
    # Not by what is owed: it tells of a claim once that is committed.
    wait_until(lambda: counted(server, key) == 1, what="the first figure")
    os.kill(first, signal.SIGSTOP)
    for number in range(20):
        post(server, key, f"meanwhile-{number}")
    assert owed(database) == 20
    os.kill(first, signal.SIGKILL)
    wait_until(lambda: owed(database) == 0, what="the count by another")
    (second,) = server.counters()
    assert second != first
    wait_until(lambda: counted(server, key) == 21, what="the figures")
    answering = server.answering()
    assert server.end() == 0
    assert all(is_gone(process) for process in (second, *answering))


def counted(server: Serving, key: str) -> float:
    """Events that were counted, by whichever process."""
    return figure(figures_of(server.ask("GET", "/metrics", key=key).body.decode()), "counted_events_total")


def test_it_ends_with_a_server_that_is_killed(server: Serving) -> None:
    (counter,) = server.counters()
    server.process.kill()
    server.process.wait()
    wait_until(lambda: is_gone(counter), what="its end")


def test_a_wake_up_is_heard_once_however_often_it_is_said_and_waits_for_nobody() -> None:
    wake_up = WakeUp()
    assert not wake_up.wait(0)
    for _ in range(100_000):
        wake_up.nudge()
    assert wake_up.wait(0)
    assert not wake_up.wait(0)
