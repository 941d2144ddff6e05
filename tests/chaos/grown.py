"""The grown installation under fire: PostgreSQL, Redis, services, workers, posting clients, feed readers."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import psycopg

from service.settling import settle
from tests.chaos.faults import CHOSEN
from tests.chaos.feeding import Reader
from tests.chaos.figures import Figures, percentile_ms
from tests.chaos.judging import judge, touches
from tests.chaos.killing import ALL, PAUSE_SECONDS, Nemesis
from tests.chaos.posting import Client, Journal, Teller
from tests.chaos.processes import ROOT, Process, Supervisor
from tests.chaos.servers import Broker, Postgres, free_port
from tests.chaos.stories import SETTINGS
from worker import ledger, tallies
from worker.database import Database, DatabaseUnavailable
from worker.installing import add_site, install
from worker.keys import new_key

SITES: Final = ("main", "south")
CLIENTS: Final = 4
BATCH: Final = 100
START_SECONDS: Final = 60.0
#: So long all that is owed may take to be counted once the kills are over.
COUNTING_SECONDS: Final = 180.0
#: Kills after the load has ended.
LAST_KILLS: Final = 4
#: What is asked of the long run.
LONG_SECONDS: Final = 300
WANTED_ACKS: Final = 200_000
WANTED_KILLS: Final = 100
WANTED_COLD: Final = 0.9


@dataclass(frozen=True)
class Plan:
    """What a run does. `fault` is put into services and workers; without `schedule` nothing sweeps."""

    seconds: float
    seed: int
    events_a_second: float = 900.0
    weights: Mapping[str, int] | None = None
    pause_seconds: tuple[float, float] = PAUSE_SECONDS
    services: int = 3
    workers: int = 3
    schedule: bool = True
    fault: str = ""
    batch: int = BATCH
    last_kills: int = LAST_KILLS
    counting_seconds: float = COUNTING_SECONDS


@dataclass
class Plant:
    """A running grown installation."""

    folder: Path
    postgres: Postgres
    broker: Broker
    supervisor: Supervisor
    ports: Sequence[int]
    key: str
    database: Database


@contextmanager
def plant(plan: Plan, sites: Sequence[str] = SITES, *, start: bool = True) -> Iterator[Plant]:
    """A new grown installation with its processes, all ended at the end of the block."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="cutledger-chaos-")))
        broker = Broker(folder)
        stack.callback(broker.close)
        broker.start()
        postgres = Postgres(folder)
        stack.callback(postgres.close)
        postgres.start()
        ports = [free_port() for _ in range(plan.services)]
        users = [f"service_{n + 1}" for n in range(plan.services)] + [f"worker_{n + 1}" for n in range(plan.workers)]
        _roles(postgres, [*users, "schedule"])
        environment = {"CUTLEDGER_BROKER_URL": broker.url, CHOSEN: plan.fault}
        command(["migrate"], environment | {"CUTLEDGER_DATABASE_URL": postgres.url()}, folder)
        database = Database(postgres.url())
        stack.callback(database.close)
        key = furnish(database, sites)
        processes = [
            *_services(plan, ports, folder, postgres, environment),
            *_workers(plan, folder, postgres, environment),
        ]
        supervisor = Supervisor(processes)
        stack.callback(supervisor.close)
        if start:
            supervisor.start()
            for port in ports:
                wait_until_ready(port)
        yield Plant(folder, postgres, broker, supervisor, ports, key, database)


def _roles(postgres: Postgres, names: Sequence[str]) -> None:
    with psycopg.connect(postgres.url(database="postgres"), autocommit=True) as connection:
        connection.execute("CREATE DATABASE cutledger")
        for name in names:
            connection.execute(f"CREATE ROLE {name} LOGIN SUPERUSER")  # names are the harness's own


def command(arguments: Sequence[str], environment: Mapping[str, str], folder: Path) -> None:
    """Run a `cutledger` command to its end."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    given = clean | dict(environment) | {CHOSEN: ""}
    with (folder / "commands.log").open("ab") as log:
        subprocess.run(
            [sys.executable, "-m", "service", *arguments], cwd=ROOT, env=given, stdout=log, stderr=log, check=True
        )


def furnish(database: Database, sites: Sequence[str]) -> str:
    """Give a migrated installation its sites with rates, and return a key for all of them."""
    now_us = time.time_ns() // 1_000
    with database.write() as connection:
        install(connection, now_us=now_us)
        for site in sites:
            if site != "main":
                add_site(connection, site, now_us=now_us)
            settle(connection, site, SETTINGS | {"people": "keep"}, source="/keys/chaos", now_us=now_us)
            # From here on the settings hold: what names are kept as depends on them.
            tallies.bring_up_to_date(connection, site, now_us=now_us)
        key, _ = new_key(connection, name="chaos", roles=["erp"], sites=sites, now_us=now_us)
    return key


def _services(
    plan: Plan, ports: Sequence[int], folder: Path, postgres: Postgres, environment: Mapping[str, str]
) -> Iterator[Process]:
    for number, port in enumerate(ports, 1):
        name = f"service_{number}"
        given = {**environment, "CUTLEDGER_DATABASE_URL": postgres.url(name)}
        yield Process(name, ["serve", "--port", str(port), "--quiet", *_one_process()], given, folder, user=name)


def _one_process() -> list[str]:
    from service.commands.serving import serve

    known = {option for parameter in serve.params for option in parameter.opts}
    return ["--processes", "1"] if "--processes" in known else []


def _workers(plan: Plan, folder: Path, postgres: Postgres, environment: Mapping[str, str]) -> Iterator[Process]:
    for number in range(1, plan.workers + 1):
        name = f"worker_{number}"
        given = {**environment, "CUTLEDGER_DATABASE_URL": postgres.url(name)}
        yield Process(name, ["worker", "--no-schedule"], given, folder, user=name)
    if plan.schedule:
        given = {**environment, "CUTLEDGER_DATABASE_URL": postgres.url("schedule")}
        yield Process("schedule", ["schedule"], given, folder)


def wait_until_ready(port: int, seconds: float = START_SECONDS) -> None:
    """Return once a service says that it is ready; raises TimeoutError."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.05)
    raise TimeoutError(f"the service on port {port} was not ready within {seconds:g} s")


def owed(database: Database, sites: Sequence[str]) -> int:
    """Events that are owed at the moment."""
    with database.read() as connection:
        return sum(ledger.waiting(connection, site)[0] for site in sites)


def wait_until_counted(database: Database, sites: Sequence[str], seconds: float) -> float:
    """Seconds until no event was owed, at most `seconds`."""
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        try:
            if not owed(database, sites):
                break
        except DatabaseUnavailable:
            pass
        time.sleep(0.1)
    return round(time.monotonic() - began, 1)


@dataclass
class Load:
    """Posting clients and feed readers at work."""

    clients: list[Client]
    readers: list[Reader]
    over: threading.Event
    abandoned: threading.Event

    @property
    def journals(self) -> list[Journal]:
        return [client.journal for client in self.clients]

    def end_posting(self, seconds: float) -> None:
        """Let each client get its last answer, within so many seconds."""
        self.over.set()
        deadline = time.monotonic() + seconds
        for client in self.clients:
            client.join(max(0.1, deadline - time.monotonic()))
        self.abandoned.set()
        for client in self.clients:
            client.join()

    def end_reading(self, seconds: float) -> None:
        """Let the readers read to the end, within so many seconds."""
        for reader in self.readers:
            reader.complete.set()
        deadline = time.monotonic() + seconds
        for reader in self.readers:
            reader.join(max(0.1, deadline - time.monotonic()))
            reader.abandoned.set()
            reader.join()


def begin_load(
    ports: Sequence[int], key: str, sites: Sequence[str], *, seed: int, events_a_second: float, batch: int = BATCH
) -> Load:
    """Start the clients, and a reader for each site."""
    over, abandoned = threading.Event(), threading.Event()
    clients = [
        Client(
            Teller(number, CLIENTS, sites, seed, batch),
            ports,
            key,
            events_a_second=events_a_second / CLIENTS,
            over=over,
            abandoned=abandoned,
            first_port=number,
        )
        for number in range(CLIENTS)
    ]
    readers = [Reader(site, ports, key) for site in sites]
    for thread in (*clients, *readers):
        thread.start()
    return Load(clients, readers, over, abandoned)


def run(plan: Plan) -> Figures:
    """Load, kills, the last kills without load, and the judgement."""
    with plant(plan) as running:
        weights = ALL if plan.weights is None else plan.weights
        load = begin_load(
            running.ports, running.key, SITES, seed=plan.seed, events_a_second=plan.events_a_second, batch=plan.batch
        )
        nemesis = Nemesis(
            running.supervisor,
            running.postgres,
            running.broker,
            seed=plan.seed,
            weights=weights,
            pause_seconds=plan.pause_seconds,
        )
        began = time.monotonic()
        if weights:
            nemesis.start()
        time.sleep(plan.seconds)
        load.end_posting(60)
        seconds = time.monotonic() - began
        behind = _quietly_owed(running.database)
        if weights:
            nemesis.end(more=plan.last_kills)
        counted = wait_until_counted(running.database, SITES, plan.counting_seconds)
        load.end_reading(60)
        figures = Figures(f"grown{' with ' + plan.fault if plan.fault else ''}", plan.seed)
        figures.values |= figures_of(load, seconds)
        figures.values |= {"owed_when_load_ended": behind, "seconds_until_counted": counted}
        figures.values |= _of_the_kills(nemesis, running.supervisor)
        if nemesis.failed:
            figures.missed.append(f"the harness could not go on: {nemesis.failed}")
        figures.missed += [f"a client ended: {one.broke}" for one in load.journals if one.broke]
        judged_at = time.monotonic()
        figures.judgement = judge(running.database, load.journals, load.readers, SITES)
        figures.values["seconds_to_judge"] = round(time.monotonic() - judged_at, 1)
        return figures


def _quietly_owed(database: Database) -> int | None:
    try:
        return owed(database, SITES)
    except DatabaseUnavailable:
        return None


def figures_of(load: Load, seconds: float) -> dict[str, Any]:
    """Figures of clients and readers."""
    answers: Counter[str] = Counter()
    failures: Counter[str] = Counter()
    for journal in load.journals:
        answers.update(journal.answers)
        failures.update(journal.failures)
    sent = [one for journal in load.journals for one in journal.sent]
    acks = sum(len(one.keys) for one in sent if one.answered)
    answered = [one for journal in load.journals for one in journal.answer_seconds]
    acked = [one for journal in load.journals for one in journal.ack_seconds]
    return {
        "seconds_of_load": round(seconds, 1),
        "requests": len(sent),
        "acknowledged_events": acks,
        "acknowledged_a_second": round(acks / seconds),
        "answers": dict(answers),
        "retries": dict(failures),
        "duplicates": answers["duplicate"],
        "answer_p50_ms": percentile_ms(answered, 0.5),
        "answer_p99_ms": percentile_ms(answered, 0.99),
        "ack_with_retries_p50_ms": percentile_ms(acked, 0.5),
        "ack_with_retries_p99_ms": percentile_ms(acked, 0.99),
        "read_by_feed": sum(len(reader.seen) for reader in load.readers),
        **touches(sent),
    }


def _of_the_kills(nemesis: Nemesis, supervisor: Supervisor) -> dict[str, Any]:
    kills = {name: count for name, count in nemesis.done.items() if not name.endswith("held")}
    return {
        "kills": sum(kills.values()),
        "kills_by_kind": kills,
        "holds_by_kind": {name: count for name, count in nemesis.done.items() if name.endswith("held")},
        "workers_in_mid_transaction": nemesis.in_mid_transaction,
        "ended_by_themselves": [
            f"{one.name} after {one.age_seconds:.1f} s with {one.status}: {one.last_line}" for one in supervisor.endings
        ],
    }


def ask_of_the_long_run(figures: Figures) -> None:
    """Note what the long run must reach and did not."""
    for name, wanted in (
        ("acknowledged_events", WANTED_ACKS),
        ("kills", WANTED_KILLS),
        ("cold_share_of_events", WANTED_COLD),
    ):
        if figures.values[name] < wanted:
            figures.missed.append(f"{name.replace('_', ' ')}: {figures.values[name]:,}, wanted {wanted:,}")
