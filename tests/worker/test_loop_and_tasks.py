"""Who counts: the embedded loop, the Celery task in a real worker process; and what happens without Redis."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from fakeredis import TcpFakeServer
from redis import Redis
from sqlalchemy import Connection, text

from service.app import create_app
from tests import builders
from tests.conftest import ENGINES, THOROUGH
from tests.grown import BROKER, broker_or_skip
from worker import ledger, recount, tallies, tasks
from worker.database import BUSY_TIMEOUT_MS, Database
from worker.findings import findings
from worker.folding import Cut
from worker.installing import add_site
from worker.keys import new_key
from worker.loop import Loop, Pacing, Turn, count_owed
from worker.noticing.finding import Finding
from worker.records import Event
from worker.reports.reading import open_site
from worker.tasks import Nudger

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


def test_claims_that_do_not_get_cheaper_by_being_smaller_do_not_fall_behind() -> None:
    """A simulation: 300 events a second come in, and a claim costs 80 ms however few events it holds."""
    pacing, at, counted, most = Pacing(), 0.0, 0, 0.0
    while at < 60:
        owed = 300 * at - counted
        most = max(most, owed if at > 5 else 0)
        claimed = min(int(owed), pacing.limit)
        seconds = 0.08 + 0.000_2 * claimed
        counted += claimed
        at += seconds
        at += pacing.rest_after(Turn(seconds, claimed, True, claimed >= pacing.limit), is_busy=True)
    assert most < 300, "what waits is what came in within a second"


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
    return [one.finding for one in findings(open_site(connection, site), now_us=builders.NOW_US)[0]]


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
        # Waiting for the reader would take all of it; a checkpoint that waits for no one takes moments.
        assert time.monotonic() - began < BUSY_TIMEOUT_MS / 1_000
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


class Listener:
    """An address that takes connections and never answers them: a broker that hangs, or one that hangs up at once."""

    def __init__(self, *, hangs_up: bool) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"redis://127.0.0.1:{self._socket.getsockname()[1]}/0"
        self._hangs_up = hangs_up
        self.connections: list[socket.socket] = []
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            self.connections.append(connection)
            if self._hangs_up:
                connection.close()

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()
        for connection in self.connections:
            connection.close()


@pytest.fixture(params=[False, True], ids=["hangs", "hangs up"])
def bad_broker(request: pytest.FixtureRequest) -> Iterator[Listener]:
    listener = Listener(hangs_up=request.param)
    yield listener
    listener.close()


def test_the_door_answers_while_the_broker_does_not_and_leaves_it_alone_for_a_while(
    database: Database, bad_broker: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks, "BROKER_REST_SECONDS", 3_600.0)
    nudger = Nudger(bad_broker.url)
    nudger.start()
    try:
        builders.append(database, [builders.event("attempt.finished", "a", **EVENT)])
        nudger.nudge()
        wait_until(lambda: bool(bad_broker.connections))
        # The thread that sends is busy with the broker; a nudge is a word to it, and no wait.
        for _ in range(10_000):
            nudger.nudge()
        wait_until(lambda: nudger.rests)
        asked = len(bad_broker.connections)
        for _ in range(100):
            nudger.nudge()
            time.sleep(0.001)
        assert len(bad_broker.connections) == asked
    finally:
        nudger.stop()


def test_wake_ups_that_nobody_takes_do_not_pile_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tasks, "ENOUGH_WAKE_UPS", 5)
    with stand_in_for_redis() as url:
        nudger = Nudger(url)
        nudger.start()
        held = Redis.from_url(url)
        try:
            for _ in range(60):
                nudger.nudge()
                time.sleep(0.005)
            wait_until(lambda: held.llen("cutledger:cutledger") == 5)
            assert not nudger.rests
        finally:
            nudger.stop()
            held.close()


@contextmanager
def stand_in_for_redis() -> Iterator[str]:
    """A broker for machines without Redis: it speaks the protocol, and is gone afterwards."""
    server = TcpFakeServer(("127.0.0.1", 0), server_type="redis")
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"redis://127.0.0.1:{server.server_address[1]}/0"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.fixture
def broker() -> Iterator[str]:
    """A Redis that is really there."""
    yield broker_or_skip()
    with closing(Redis.from_url(BROKER)) as connection:
        for key in connection.scan_iter("cutledger:*"):
            connection.delete(key)


@contextmanager
def celery_worker(folder: Path, url: str, broker: str, *options: str) -> Iterator[Path]:
    """A real worker process, stopped with what it started; gives its log."""
    environment = os.environ | {"CUTLEDGER_DATABASE_URL": url, "CUTLEDGER_BROKER_URL": broker}
    command = [sys.executable, "-m", "service", "worker", *options]
    path = folder / f"worker-{len(list(folder.glob('worker-*')))}.log"
    with path.open("w") as log:
        worker = subprocess.Popen(command, env=environment, stdout=log, stderr=log, start_new_session=True)
        try:
            yield path
        finally:
            os.killpg(worker.pid, signal.SIGTERM)
            try:
                worker.wait(timeout=20)
            except subprocess.TimeoutExpired:
                os.killpg(worker.pid, signal.SIGKILL)
                worker.wait()


# Workers count where there is a PostgreSQL
@pytest.mark.parametrize("database", ENGINES if THOROUGH else ENGINES[1:], indirect=True)
def test_real_celery_workers_count_what_they_are_woken_for(database: Database, tmp_path: Path, broker: str) -> None:
    with database.write() as connection:
        add_site(connection, "other", now_us=builders.NOW_US)
    sites = (builders.SITE, "other")
    nudger = Nudger(broker)
    nudger.start()
    with (
        celery_worker(tmp_path, database.url, broker) as scheduled,
        celery_worker(tmp_path, database.url, broker, "--no-schedule", "--concurrency", "2") as woken,
    ):
        for log in (scheduled, woken):
            wait_until(lambda log=log: "ready" in log.read_text(), seconds=180)
        for number in range(40):
            name = f"a{number}"
            builders.append(database, [builders.event("attempt.finished", name, **EVENT)], site=sites[number % 2])
            nudger.nudge()
        wait_until(lambda: not any(waiting(database, site) for site in sites), seconds=180)
        nudger.stop()
        # The schedule finds what no wake-up reported.
        builders.append(database, [builders.event("attempt.finished", "swept", **EVENT)])
        wait_until(lambda: waiting(database) == 0)
    for site, attempts in zip(sites, (21, 20), strict=True):
        audit = tallies.audit(database, site)
        assert (audit.equal, audit.events) == (True, attempts)
