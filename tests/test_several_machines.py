"""Several machines: services and workers on addresses of their own, over one PostgreSQL and one Redis."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from redis import Redis

from tests import builders
from tests.grown import BROKER, broker_or_skip, fresh_postgres
from worker import tallies
from worker.database import Database
from worker.keys import new_key

#: Two hosts' worth of addresses: the loopback network has a whole block of them.
HOSTS = ("127.0.0.2", "127.0.0.3")
EVENT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}


def free_port(host: str) -> int:
    with closing(socket.create_server((host, 0))) as probe:
        return int(probe.getsockname()[1])


def wait_until(claim: Callable[[], bool], *, seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not claim():
        assert time.monotonic() < deadline, "it did not come true in time"
        time.sleep(0.05)


@contextmanager
def process(log: Path, environment: dict[str, str], *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """A `cutledger` command, ended with all that it started."""
    with log.open("wb") as out:
        running = subprocess.Popen(
            [sys.executable, "-m", "service", *arguments],
            env=environment,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
        try:
            yield running
        finally:
            if running.poll() is None:
                os.killpg(running.pid, signal.SIGTERM)
            try:
                running.wait(timeout=40)
            except subprocess.TimeoutExpired:
                os.killpg(running.pid, signal.SIGKILL)
                running.wait()


@dataclass
class Plant:
    """Two services, two workers, a schedule; what they share."""

    database: Database
    urls: list[str]
    services: list[subprocess.Popen[bytes]]
    workers: list[subprocess.Popen[bytes]]

    def key(self, role: str) -> str:
        with self.database.write() as connection:
            return new_key(connection, name=role, roles=[role], sites=["main"], now_us=time.time_ns() // 1_000)[0]

    def ask(
        self, which: int, path: str, key: str | None, body: Any = None, method: str | None = None
    ) -> tuple[int, Any]:
        """(status, JSON) of an answer of one of the services."""
        headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {key}"} if key else {})
        data = None if body is None else json.dumps(body).encode()
        asked = urllib.request.Request(self.urls[which] + path, data=data, headers=headers, method=method)
        try:
            with urllib.request.urlopen(asked, timeout=30) as answer:
                return answer.status, json.loads(answer.read() or b"null")
        except urllib.error.HTTPError as refused:
            with refused:
                return refused.code, json.loads(refused.read() or b"null")


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    broker = broker_or_skip()
    with ExitStack() as stack:
        url = stack.enter_context(fresh_postgres("machines"))
        environment = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
        environment |= {"CUTLEDGER_DATABASE_URL": url, "CUTLEDGER_BROKER_URL": broker}
        migrated = [sys.executable, "-m", "service", "migrate"]
        subprocess.run(migrated, env=environment, check=True, capture_output=True, timeout=60)
        bound = [(host, free_port(host)) for host in HOSTS]
        services = [
            stack.enter_context(
                process(tmp_path / f"service-{host}.log", environment, "serve", "--host", host, "--port", str(port))
            )
            for host, port in bound
        ]
        workers = [
            stack.enter_context(process(tmp_path / f"worker-{n}.log", environment, "worker", "--no-schedule"))
            for n in range(2)
        ]
        stack.enter_context(process(tmp_path / "schedule.log", environment, "schedule"))
        database = stack.enter_context(closing(Database(url)))
        plant = Plant(database, [f"http://{host}:{port}" for host, port in bound], services, workers)

        def answers(which: int) -> bool:
            try:
                return plant.ask(which, "/readyz", None)[0] == 200
            except OSError:
                return False

        wait_until(lambda: answers(0) and answers(1))
        yield plant
    with closing(Redis.from_url(BROKER)) as connection:
        for key in connection.scan_iter("cutledger:*"):
            connection.delete(key)


def test_two_services_and_two_workers_are_one_installation_and_outlive_the_death_of_half(plant: Plant) -> None:
    terminal, reader, admin = plant.key("terminal"), plant.key("reader"), plant.key("admin")

    def cut(number: int) -> dict[str, Any]:
        return builders.event("attempt.finished", f"a{number}", id=f"a{number}", **EVENT)

    def counted(which: int) -> int:
        status, body = plant.ask(which, "/v1/reports/yield?month=2026-03", reader)
        assert status == 200
        return int(body["totals"]["attempts"] or 0)

    for number in range(20):
        assert plant.ask(number % 2, "/v1/events", terminal, cut(number))[0] == 202
    wait_until(lambda: counted(0) == counted(1) == 20)
    # What one has taken is a duplicate at the other.
    status, body = plant.ask(1, "/v1/events", terminal, cut(0))
    assert (status, body["duplicate"]) == (202, 1)
    # A key revoked at one is refused by the other within a second.
    doomed = plant.key("reader")
    assert plant.ask(1, "/v1/events", doomed)[0] == 200
    assert plant.ask(0, f"/v1/keys/{doomed.split('_')[1]}", admin, method="DELETE")[0] in (200, 204)
    time.sleep(1.0)
    assert plant.ask(1, "/v1/events", doomed)[0] == 401

    for died in (plant.services[0], plant.workers[0]):
        os.killpg(died.pid, signal.SIGKILL)
        died.wait()
    for number in range(20, 40):
        assert plant.ask(1, "/v1/events", terminal, cut(number))[0] == 202
    wait_until(lambda: counted(1) == 40)
    audit = tallies.audit(plant.database, "main")
    assert (audit.equal, audit.events) == (True, 40)
