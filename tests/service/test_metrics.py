"""GET /metrics: what is measured, for whom, and by several processes as one."""

from __future__ import annotations

import fcntl
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service import RELEASE
from service.app import create_app
from service.broker import Broker
from service.metrics import SHARED_FOLDER, Metrics, remove_left
from tests.builders import embedded, installed
from tests.grown import fresh_postgres
from tests.service.conftest import Clock, Door, Service, cut
from tests.service.serving import REPOSITORY, ask, free_port, key_for, serving, surroundings, wait_until
from tests.service.serving import cut as cut_over_the_wire
from worker.ledger import set_aside
from worker.loop import count_owed

Figures = dict[tuple[str, frozenset[tuple[str, str]]], float]


def figures_of(text: str) -> Figures:
    """(name, labels) -> value of each sample."""
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def figure(found: Figures, name: str, **labels: str) -> float:
    return found.get((f"cutledger_{name}", frozenset(labels.items())), 0.0)


def figures(door: Door) -> Figures:
    answer = door.get("/metrics")
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
    return figures_of(answer.text)


@pytest.fixture
def alone(tmp_path: Path, clock: Clock) -> Any:
    """A door whose application counts for this test alone."""
    database = embedded(tmp_path)
    yield Service(create_app(database, nudge=lambda: None), database).door(clock)
    database.close()


def test_requests_are_measured_by_route_method_and_class_of_status(alone: Door) -> None:
    alone.get("/v1/jobs/J-1")
    alone.get("/v1/jobs/J-2")
    alone.get("/v1/jobs", key=None)
    alone.ask("BREW", "/nowhere")
    found = figures(alone)
    counts = {labels: value for (name, labels), value in found.items() if name == "cutledger_request_seconds_count"}
    told = [
        ({"route": "/v1/jobs/{job}", "method": "GET", "status_class": "4xx"}, 2),
        ({"route": "/v1/jobs", "method": "GET", "status_class": "4xx"}, 1),
        ({"route": "other", "method": "other", "status_class": "4xx"}, 1),
    ]
    assert counts == {frozenset(labels.items()): value for labels, value in told}


def test_events_are_counted_by_type_and_verdict(alone: Door) -> None:
    same = cut(id="n-1")
    alone.post(same)
    alone.post([same, cut(id="n-1", quantity=9), cut(outcome="torn"), {"type": "made.up"}, {"type": []}, 7])
    found = figures(alone)
    counts = {labels: value for (name, labels), value in found.items() if name == "cutledger_events_total"}
    finished = "cutledger.attempt.finished"
    told = {
        (finished, "accepted"): 1,
        (finished, "duplicate"): 1,
        (finished, "conflict"): 1,
        (finished, "invalid"): 1,
        ("other", "invalid"): 3,
    }
    assert counts == {
        frozenset({"type": kind, "verdict": verdict}.items()): count for (kind, verdict), count in told.items()
    }


def test_what_is_owed_is_asked_for_when_it_is_read(door: Door) -> None:
    for number in range(3):
        door.post(cut(f"A{number}"))
    door.clock.now_us += 7_250_000
    with door.database.write() as connection:
        set_aside(connection, door.site, reason="for a test", now_us=door.clock.now_us)
    found = figures(door)
    assert figure(found, "owed_events", site=door.site) == 2
    assert figure(found, "set_aside_events", site=door.site) == 1
    assert figure(found, "oldest_owed_seconds", site=door.site) == 7.25
    door.count()
    assert figure(figures(door), "owed_events", site=door.site) == 0


def test_a_key_reads_of_its_own_sites_alone(service: Service, door: Door) -> None:
    other = service.door(door.clock)
    sites = {dict(labels).get("site") for _, labels in figures(door)}
    assert door.site in sites
    assert other.site not in sites


@pytest.mark.parametrize("role", ["terminal", "reader", "engineer", "erp"])
def test_only_admin_reads_figures(door: Door, role: str) -> None:
    assert door.get("/metrics", key=role).status_code == 403


def test_counting_is_measured(tmp_path: Path) -> None:
    database = embedded(tmp_path)
    metrics = Metrics()
    door = Service(create_app(database, nudge=lambda: None, metrics=metrics), database).door()
    with database.read() as connection:
        assert connection is not None
    door.clock.now_us = time.time_ns() // 1_000
    assert door.post([cut("A1"), cut("A2")]).status_code == 202
    assert count_owed(database, observe=metrics.counting.observe) == 2
    assert count_owed(database, observe=metrics.counting.observe) == 0
    found = figures(door)
    assert figure(found, "count_batch_seconds_count") == 1
    assert figure(found, "counted_events_total") == 2
    database.close()


def test_build_and_database_are_told(alone: Door) -> None:
    found = figures(alone)
    (labels,) = [dict(labels) for name, labels in found if name == "cutledger_build_info"]
    assert labels["release"] == RELEASE
    assert figure(found, "database_up") == 1
    assert not [name for name, _ in found if "broker" in name]


def test_a_broker_that_is_away_is_told(tmp_path: Path) -> None:
    database = embedded(tmp_path)
    metrics = Metrics(broker_too=True)
    broker = Broker(f"redis://127.0.0.1:{free_port()}/0", failed=metrics.note_broker_error)
    door = Service(create_app(database, nudge=lambda: None, metrics=metrics, broker=broker), database).door()
    before = time.time()
    first, second = figures(door), figures(door)
    database.close()
    assert figure(first, "broker_up") == 0
    assert figure(second, "broker_last_error_timestamp_seconds") >= before


# --- several processes ------------------------------------------------------------------------------------------


def shared_folders() -> set[Path]:
    return {path for place in (Path("/dev/shm"), Path("/tmp")) for path in place.glob("cutledger-metrics-*")}


def answered_by(lines: list[Mapping[str, Any]], route: str) -> set[int]:
    """Processes that answered at a route."""
    return {line["pid"] for line in lines if line.get("route") == route}


def test_processes_of_a_service_are_counted_as_one_also_when_one_dies(tmp_path: Path) -> None:
    assert SHARED_FOLDER not in os.environ
    with fresh_postgres("metrics", with_tables=True) as url:
        database = installed(url)
        key = key_for(database, "admin")
        with serving(tmp_path, "--processes", "2", environment={"CUTLEDGER_DATABASE_URL": url}) as server:
            posted = 0

            def both_answered() -> bool:
                nonlocal posted
                # One event at the door, many beside it.
                for count in (1, 40):
                    events = [cut_over_the_wire(posted + number) for number in range(count)]
                    answer = server.ask("POST", "/v1/events", key=key, body=events)
                    assert answer.status == 202, answer.body
                    posted += count
                return len(answered_by(server.lines(), "/v1/events")) == 2

            wait_until(both_answered, what="an answer of each process")
            (folder,) = folders_of(server.answering())
            assert accepted(server.ask("GET", "/metrics", key=key).body) == posted
            victim = server.answering()[0]
            os.kill(victim, signal.SIGKILL)
            wait_until(lambda: len(set(server.answering()) - {victim}) == 2, what="its successor")
            wait_until(server.alive, what="the server")
            with closing(server.connect()) as connection:
                assert accepted(ask(connection, "GET", "/metrics", key=key).body) == posted
            assert server.end() == 0
        database.close()
    assert folder not in shared_folders()


def folders_of(processes: Iterable[int]) -> set[Path]:
    """The folders in which these processes count; other servers of other tests have theirs."""
    wanted = {str(process) for process in processes}
    return {
        folder
        for folder in shared_folders()
        if any(wanted & set(re.findall(r"[0-9]+", file.name)) for file in folder.glob("*"))
    }


def accepted(text: bytes) -> float:
    labels = {"type": "cutledger.attempt.finished", "verdict": "accepted"}
    return figure(figures_of(text.decode()), "events_total", **labels)


#: What `cutledger worker` does: the figures of the processes that it becomes are read at a port of the first.
WORKER = """
import os, sys, urllib.request
from service.metrics import serve_counting
port = int(sys.argv[1])
observe = serve_counting("127.0.0.1", port)
children = []
for number in range(3):
    if (child := os.fork()) == 0:
        observe(0.5, 10 + number)
        os._exit(0)
    children.append(child)
assert [os.waitpid(child, 0)[1] for child in children] == [0, 0, 0]
sys.stdout.write(urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics").read().decode())
"""


def test_processes_of_a_worker_are_read_at_one_port() -> None:
    before = shared_folders()
    ran = subprocess.run(
        [sys.executable, "-c", WORKER, str(free_port())],
        cwd=REPOSITORY,
        env=surroundings(no_proxy="*"),
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    found = figures_of(ran.stdout)
    assert figure(found, "count_batch_seconds_count") == 3
    assert figure(found, "counted_events_total") == 33
    assert shared_folders() <= before


def test_figures_that_a_killed_service_left_are_removed(tmp_path: Path) -> None:
    left, held = tmp_path / "cutledger-metrics-left", tmp_path / "cutledger-metrics-held"
    for folder in (left, held):
        folder.mkdir()
        (folder / "held").touch()
    with (held / "held").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        remove_left(tmp_path)
    assert not left.exists()
    assert held.exists()
