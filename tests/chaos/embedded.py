"""The embedded installation under SIGKILL: one server on one folder, commands that write beside it."""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Final

from service.preparing import prepare
from tests.chaos.faults import CHOSEN
from tests.chaos.figures import Figures
from tests.chaos.grown import BATCH, SITES, Load, begin_load, figures_of, furnish, wait_until_counted, wait_until_ready
from tests.chaos.judging import judge
from tests.chaos.processes import Process, Supervisor
from tests.chaos.servers import free_port
from worker.database import BUSY_TIMEOUT_MS, Database, DatabaseUnavailable
from worker.keys import new_key, revoke
from worker.settings import Installation

#: The server lives so long between being ready and being killed.
LIFE_SECONDS: Final = (0.1, 1.2)
KILLS: Final = 50
COUNTING_SECONDS: Final = 120.0
COMMAND_PAUSE_SECONDS: Final = 0.03


@dataclass(frozen=True)
class Plan:
    """What a run does: so many kills, or with none so many seconds of load."""

    seed: int
    kills: int = KILLS
    seconds: float = 0.0
    events_a_second: float = 600.0
    fault: str = ""
    batch: int = BATCH


@dataclass
class Served:
    """A served data folder."""

    folder: Path
    port: int
    key: str
    process: Process
    supervisor: Supervisor
    database: Database


@contextmanager
def served(data: Path, logs: Path, *, sites: Sequence[str] = SITES, fault: str = "") -> Iterator[Served]:
    """A new embedded installation in a folder with its server, ended at the end of the block."""
    installation = Installation.from_environment({}, data=str(data))
    prepare(installation)
    database = Database(installation.database_url)
    port = free_port()
    arguments = ["serve", "--data", str(data), "--port", str(port), "--quiet"]
    process = Process("serve", arguments, {CHOSEN: fault}, logs)
    supervisor = Supervisor([process])
    try:
        key = furnish(database, sites)
        supervisor.start()
        wait_until_ready(port)
        yield Served(data, port, key, process, supervisor, database)
    finally:
        supervisor.close()
        database.close()


class Commands(threading.Thread):
    """What commands do beside a running server: short transactions of another process on the same file."""

    def __init__(self, database: Database) -> None:
        super().__init__(name="commands", daemon=True)
        self.done = 0
        #: Refused at once, as by a transaction that began wrongly.
        self.unavailable = 0
        #: Given up after all the waiting that there is: a machine may be so busy.
        self.waited_in_vain = 0
        self.over = threading.Event()
        self._database = database

    def run(self) -> None:
        while not self.over.wait(COMMAND_PAUSE_SECONDS):
            now_us, began = time.time_ns() // 1_000, time.monotonic()
            try:
                with self._database.write() as connection:
                    _, key = new_key(connection, name="beside", roles=["reader"], sites=["main"], now_us=now_us)
                    revoke(connection, key.key_id, now_us=now_us)
                self.done += 1
            except DatabaseUnavailable:
                at_once = time.monotonic() - began < BUSY_TIMEOUT_MS / 1_000
                self.unavailable += at_once
                self.waited_in_vain += not at_once


def run(plan: Plan) -> Figures:
    """Load and kills, and the judgement."""
    with tempfile.TemporaryDirectory(prefix="cutledger-chaos-") as folder:
        data = Path(folder) / "data"
        with served(data, Path(folder), fault=plan.fault) as running:
            commands = Commands(running.database)
            commands.start()
            load = begin_load(
                [running.port],
                running.key,
                SITES,
                seed=plan.seed,
                events_a_second=plan.events_a_second,
                batch=plan.batch,
            )
            began = time.monotonic()
            killed = _killed(running, plan, load)
            seconds = time.monotonic() - began
            commands.over.set()
            commands.join()
            counted = wait_until_counted(running.database, SITES, COUNTING_SECONDS)
            load.end_reading(60)
            figures = Figures(f"embedded{' with ' + plan.fault if plan.fault else ''}", plan.seed)
            figures.values |= figures_of(load, seconds)
            figures.values |= {"kills": killed, "commands_beside": commands.done, "seconds_until_counted": counted}
            figures.values["commands_that_waited_in_vain"] = commands.waited_in_vain
            figures.values["ended_by_themselves"] = [one.last_line for one in running.supervisor.endings]
            figures.missed += [f"a client ended: {one.broke}" for one in load.journals if one.broke]
            figures.judgement = judge(running.database, load.journals, load.readers, SITES)
            refused = sum(journal.failures["503"] for journal in load.journals)
            if refused or commands.unavailable:
                figures.judgement.needless_503 += ["an answer"] * refused + ["a command"] * commands.unavailable
            return figures


def _killed(running: Served, plan: Plan, load: Load) -> int:
    """Kill the server again and again, the last times without load; returns how often."""
    if not plan.kills:
        time.sleep(plan.seconds)
        load.end_posting(60)
        return 0
    rng = Random(f"{plan.seed}/embedded")
    last = max(1, plan.kills // 10)
    for kill in range(plan.kills):
        if kill == plan.kills - last:
            load.end_posting(60)
        wait_until_ready(running.port)
        time.sleep(rng.uniform(*LIFE_SECONDS))
        with running.supervisor.lock:
            running.process.kill(down_seconds=rng.uniform(0, 0.3))
    wait_until_ready(running.port)
    return plan.kills
