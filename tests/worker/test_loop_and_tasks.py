"""Who counts: the embedded loop, the Celery task in a real worker process; and what happens without Redis."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest
from redis import Redis
from redis.exceptions import RedisError
from sqlalchemy import Connection, text

from service.app import create_app
from tests import builders
from worker import ledger, recount, tallies
from worker.database import Database
from worker.findings import Finding, findings
from worker.folding import Cut
from worker.installing import add_site
from worker.keys import new_key
from worker.loop import Loop, count_owed
from worker.records import Event
from worker.reports.reading import open_site
from worker.tasks import Nudger

#: A Redis database of the tests' own; its keys carry the application's prefix.
BROKER = os.environ.get("CUTLEDGER_TEST_BROKER_URL", "redis://127.0.0.1:6379/9")
EVENT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}


def wait_until(claim: Callable[[], bool], *, seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not claim():
        assert time.monotonic() < deadline, "it did not come true in time"
        time.sleep(0.01)


def waiting(database: Database, site: str = builders.SITE) -> int:
    with database.read() as connection:
        return ledger.waiting(connection, site)[0]


@pytest.fixture
def loop(database: Database) -> Iterator[Loop]:
    running = Loop(database)
    running.start()
    yield running
    running.stop()


def test_the_loop_counts_when_it_is_nudged(database: Database, loop: Loop) -> None:
    builders.append(database, [builders.event("attempt.finished", "a", **EVENT)])
    loop.nudge()
    wait_until(lambda: waiting(database) == 0)


def test_the_loop_finds_by_itself_what_no_nudge_reported(database: Database, loop: Loop) -> None:
    builders.append(database, [builders.event("attempt.finished", "a", **EVENT)])
    wait_until(lambda: waiting(database) == 0)


def spoil(monkeypatch: pytest.MonkeyPatch, *, attempt: str) -> None:
    """Make the fold fail on one attempt."""
    real = recount.fold_attempt

    def failing(name: str, events: Iterable[Event]) -> Cut:
        if name == attempt:
            raise ArithmeticError("no such sum")
        return real(name, events)

    monkeypatch.setattr(recount, "fold_attempt", failing)


def test_an_event_that_the_fold_cannot_bear_is_set_aside_and_the_rest_goes_on(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    with database.write() as connection:
        add_site(connection, "bad", now_us=builders.NOW_US)
    for site in ("bad", "main"):
        attempts = [builders.event("attempt.finished", f"a{number}", **EVENT) for number in range(50)]
        builders.append(database, attempts, site=site)
    spoil(monkeypatch, attempt="a17")
    assert count_owed(database) == 100
    for site in ("bad", "main"):
        with database.read() as connection:
            assert ledger.waiting(connection, site) == (0, 1)
            (finding,) = [one for one in findings_of(connection, site) if one.kind == "set_aside"]
            assert (finding.subject_kind, finding.subject) == ("attempt", "a17")
            assert "no such sum" in finding.detail
        assert tallies.audit(database, site).equal
    monkeypatch.undo()
    with database.write() as connection:
        assert ledger.owe_again(connection, "bad") == 1
    assert count_owed(database) == 1
    with database.read() as connection:
        assert ledger.waiting(connection, "bad") == (0, 0)
        assert not [one for one in findings_of(connection, "bad") if one.kind == "set_aside"]
        assert open_site(connection, "bad").as_of.position == 50
    assert tallies.audit(database, "bad").events == 50


def findings_of(connection: Connection, site: str) -> list[Finding]:
    return findings(open_site(connection, site), now_us=builders.NOW_US)[0]


def test_a_reader_delays_no_writer_and_no_checkpoint(database: Database) -> None:
    with database.read() as reading:
        reading.execute(text("SELECT count(*) FROM events")).scalar_one()
        for batch in range(40):
            finished = [
                builders.event("attempt.finished", f"a{batch}-{index}", **EVENT, recipe={"name": "x" * 100})
                for index in range(100)
            ]
            builders.append(database, finished)
        began = time.monotonic()
        database.checkpoint()
        # The bound is far below the writers' patience and far above a checkpoint that waits for no one.
        assert time.monotonic() - began < 2
        assert reading.execute(text("SELECT count(*) FROM events")).scalar_one() == 0


def test_a_nudge_of_an_absent_broker_returns_at_once_and_the_door_answers(database: Database) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    nudger = Nudger(f"redis://127.0.0.1:{port}/0")
    nudger.start()
    with database.write() as connection:
        key, _ = new_key(connection, name="t", roles=["terminal"], sites=["main"], now_us=builders.NOW_US)
    client = create_app(database, nudger.nudge).test_client()
    for _ in range(3):
        event = builders.event("attempt.finished", "a", **EVENT)
        answer = client.post("/v1/events", json=event, headers={"Authorization": f"Bearer {key}"})
        assert (answer.status_code, answer.get_json()["accepted"]) == (202, 1)
    nudger.stop()


@pytest.fixture
def broker() -> Iterator[str]:
    """A Redis that is really there."""
    connection = Redis.from_url(BROKER)
    try:
        connection.ping()
    except RedisError as error:
        pytest.skip(f"no Redis answers at the test's address: {error}")
    yield BROKER
    for key in connection.scan_iter("cutledger:*"):
        connection.delete(key)
    connection.close()


def test_a_real_celery_worker_counts_what_it_is_woken_for(tmp_path: Path, broker: str) -> None:
    database = builders.installed(f"sqlite:///{tmp_path / 'cutledger.sqlite3'}")
    environment = os.environ | {"CUTLEDGER_DATA": str(tmp_path), "CUTLEDGER_BROKER_URL": broker}
    command = [sys.executable, "-m", "service", "worker"]
    log = (tmp_path / "worker.log").open("w")
    worker = subprocess.Popen(command, env=environment, stdout=log, stderr=log, start_new_session=True)
    nudger = Nudger(broker)
    nudger.start()
    try:
        for number in range(20):
            builders.append(database, [builders.event("attempt.finished", f"a{number}", **EVENT)])
            nudger.nudge()
        wait_until(lambda: waiting(database) == 0, seconds=60)
        # The schedule finds what no wake-up reported.
        builders.append(database, [builders.event("attempt.finished", "swept", **EVENT)])
        wait_until(lambda: waiting(database) == 0)
        assert tallies.audit(database, builders.SITE).equal
    finally:
        nudger.stop()
        os.killpg(worker.pid, signal.SIGTERM)
        try:
            worker.wait(timeout=20)
        except subprocess.TimeoutExpired:
            os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
        log.close()
        database.close()
    assert (tmp_path / "worker.log").read_text().count("succeeded") >= 1
