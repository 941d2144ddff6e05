"""Is it alive, is it ready; how it is served: several processes, addresses, proxies."""

from __future__ import annotations

import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask, request

from service.app import create_app
from service.broker import Broker
from service.drain import Drain
from tests.builders import embedded
from tests.grown import broker_or_skip
from tests.service.conftest import Door, cut
from tests.service.serving import DEADLINE_SECONDS, REPOSITORY, command, free_port, key_for, serving, surroundings
from worker.backlog import Backlog, backlogs, oldest_owed_seconds
from worker.database import Database
from worker.ledger import set_aside

READY = {"database": "ready", "migration": "ready", "server": "ready"}


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Database]:
    database = embedded(tmp_path)
    yield database
    database.close()


def readiness(app: Flask) -> tuple[int, Any]:
    answer = app.test_client().get("/readyz")
    assert answer.headers["Cache-Control"] == "no-store"
    return answer.status_code, answer.get_json()


# --- is it ready ------------------------------------------------------------------------------------------------


def test_livez_asks_nothing_of_the_database(tmp_path: Path) -> None:
    app = create_app(Database(f"sqlite:///{tmp_path}"), nudge=lambda: None)
    answer = app.test_client().get("/livez")
    assert (answer.status_code, answer.get_json()) == (200, {"status": "alive"})


def test_readyz_names_each_part(small: Database) -> None:
    found = readiness(create_app(small, nudge=lambda: None))
    assert found == (200, {"status": "ready", "parts": READY, "oldest_owed_seconds": 0.0})


def test_readyz_tells_how_long_the_oldest_event_is_owed(door: Door) -> None:
    door.count()
    before = door.get("/readyz").get_json()["oldest_owed_seconds"]
    door.post(cut())
    door.clock.now_us += 90_500_000
    assert door.get("/readyz").get_json()["oldest_owed_seconds"] == before + 90.5
    door.count()


def test_without_tables_it_is_not_ready(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    status, body = readiness(create_app(database, nudge=lambda: None))
    database.close()
    assert (status, body) == (503, {"status": "not ready", "parts": READY | {"migration": "needed"}})


def test_without_its_database_it_is_not_ready(tmp_path: Path) -> None:
    status, body = readiness(create_app(Database(f"sqlite:///{tmp_path}"), nudge=lambda: None))
    assert status == 503
    assert body["parts"] == READY | {"database": "unavailable", "migration": "unknown"}


def test_without_its_broker_it_is_degraded_and_ready(small: Database) -> None:
    failed = []
    broker = Broker(f"redis://127.0.0.1:{free_port()}/0", failed=lambda: failed.append(1))
    status, body = readiness(create_app(small, nudge=lambda: None, broker=broker))
    assert (status, body["status"], body["parts"]) == (200, "ready", READY | {"broker": "degraded"})
    assert failed == [1]


def test_with_its_broker_it_is_ready(small: Database) -> None:
    broker = Broker(broker_or_skip())
    status, body = readiness(create_app(small, nudge=lambda: None, broker=broker))
    broker.close()
    assert (status, body["parts"]) == (200, READY | {"broker": "ready"})


def test_about_to_end_it_is_not_ready(small: Database) -> None:
    drain = Drain()
    app = create_app(small, nudge=lambda: None, drain=drain)
    assert readiness(app)[0] == 200
    drain.begin()
    assert readiness(app) == (503, {"status": "not ready", "parts": READY | {"server": "draining"}})


# --- what is owed -----------------------------------------------------------------------------------------------


def test_backlog_of_each_site_tells_what_is_owed_and_set_aside(door: Door) -> None:
    for number in range(3):
        door.post(cut(f"A{number}"))
        door.clock.now_us += 1_000_000
    with door.database.write() as connection:
        set_aside(connection, door.site, reason="for a test", now_us=door.clock.now_us)
        assert backlogs(connection, now_us=door.clock.now_us)[door.site] == Backlog(2, 1, 2.0)
        assert oldest_owed_seconds(connection, now_us=door.clock.now_us) >= 2.0
    door.count()
    with door.database.read() as connection:
        assert backlogs(connection, now_us=door.clock.now_us)[door.site] == Backlog(0, 1, 0.0)


def test_age_of_what_is_owed_is_never_below_nothing(door: Door) -> None:
    door.post(cut())
    with door.database.read() as connection:
        assert backlogs(connection, now_us=door.clock.now_us - 1)[door.site] == Backlog(1, 0, 0.0)
    door.count()


# --- how it is served -------------------------------------------------------------------------------------------


def refused(folder: Path, *arguments: str) -> str:
    """What a command that ends with 1 says."""
    ran = subprocess.run(
        command(*arguments),
        cwd=REPOSITORY,
        env=surroundings(CUTLEDGER_DATA=str(folder / "data")),
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (1, "")
    return ran.stderr


def test_it_serves_an_address_of_ipv6(tmp_path: Path) -> None:
    with serving(tmp_path, "--quiet", host="::1") as server:
        assert server.ask("GET", "/readyz").status == 200
        assert server.end() == 0
    assert server.log == ""


@pytest.mark.parametrize(("hops", "address"), [(0, "127.0.0.1"), (1, "198.51.100.2"), (2, "203.0.113.9")])
def test_so_many_proxies_are_believed_as_were_named(small: Database, hops: int, address: str) -> None:
    app = create_app(small, nudge=lambda: None, proxy_hops=hops)
    found = []
    app.before_request(lambda: found.append(request.remote_addr))
    app.test_client().get("/livez", headers={"X-Forwarded-For": "192.0.2.7, 203.0.113.9, 198.51.100.2"})
    assert found == [address]


def test_a_body_that_cannot_be_read_is_answered_once(tmp_path: Path) -> None:
    with serving(tmp_path, "--quiet") as server:
        database = Database(f"sqlite:///{tmp_path / 'data' / 'cutledger.sqlite3'}")
        head = f"POST /v1/events HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key_for(database, 'erp')}\r\n"
        body = "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\nno length\r\nGET / HTTP/1.1\r\n\r\n"
        database.close()
        with socket.create_connection((server.host, server.port), timeout=DEADLINE_SECONDS) as sock:
            sock.sendall((head + body).encode())
            answer = b"".join(iter(lambda: sock.recv(65_536), b""))
        assert answer.count(b"HTTP/1.1 ") == 1
        assert server.end() == 0
