"""Events counted a second by one, two and four workers over four sites, and by four workers on one site."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import click
import orjson
from sqlalchemy import select

from tests.builders import posted
from tests.chaos.figures import Figures
from tests.chaos.grown import Plan, Plant, owed, plant
from tests.chaos.posting import Teller
from worker import ledger
from worker.database import Database
from worker.tables import sites as sites_table
from worker.tasks import COUNT_OWED, make_celery

SITES: Final = ("main", "south", "east", "west")
EVENTS: Final = 16_000
#: (workers, sites)
CASES: Final = ((1, 4), (2, 4), (4, 4), (1, 1), (4, 1))
WORKERS_START_SECONDS: Final = 60.0
COUNTING_SECONDS: Final = 240.0


@dataclass(frozen=True)
class Measured:
    """What one case came to."""

    workers: int
    sites: int
    events: int
    seconds: float

    @property
    def a_second(self) -> float:
        return self.events / self.seconds


def run(seed: int, *, events: int = EVENTS, cases: Sequence[tuple[int, int]] = CASES) -> list[Figures]:
    """Measure each case on a database of its own, and print the table."""
    measured = [_measure(workers, sites, events, seed) for workers, sites in cases]
    click.echo(f"\n{'workers':>8}{'sites':>8}{'events':>10}{'seconds':>10}{'events/s':>10}{'beside 1 worker':>18}")
    alone = {one.sites: one.a_second for one in measured if one.workers == 1}
    for one in measured:
        ratio = f"{one.a_second / alone[one.sites]:.2f}" if one.sites in alone else ""
        click.echo(
            f"{one.workers:>8}{one.sites:>8}{one.events:>10,}{one.seconds:>10.1f}{one.a_second:>10,.0f}{ratio:>18}"
        )
    return [
        Figures(
            f"throughput, {one.workers} workers on {one.sites} sites",
            seed,
            {"events": one.events, "seconds": round(one.seconds, 2), "events_a_second": round(one.a_second)},
        )
        for one in measured
    ]


def _measure(workers: int, sites: int, events: int, seed: int) -> Measured:
    plan = Plan(seconds=0, seed=seed, services=0, workers=workers)
    with plant(plan, SITES[:sites]) as running:
        _wait_for_workers(running, workers)
        # The sites are held while they are filled, so that all begin at once.
        with running.database.write() as holding:
            holding.execute(select(sites_table.c.site).with_for_update()).all()
            _fill(Database(running.database.url), SITES[:sites], events, seed)
        before = owed(running.database, SITES[:sites])
        began = time.monotonic()
        app = make_celery(running.broker.url)
        for _ in range(workers):
            app.send_task(COUNT_OWED)
        while owed(running.database, SITES[:sites]):
            if time.monotonic() - began > COUNTING_SECONDS:
                raise TimeoutError(f"events were still owed after {COUNTING_SECONDS:g} s")
            time.sleep(0.05)
        return Measured(workers, sites, before, time.monotonic() - began)


def _fill(database: Database, sites: Sequence[str], events: int, seed: int) -> None:
    """Append as many events to each of the sites, without a door."""
    teller = Teller(0, 1, sites, seed, batch=400)
    missing = dict.fromkeys(sites, events // len(sites))
    try:
        while any(left > 0 for left in missing.values()):
            sent = teller.request()
            if missing[sent.site] <= 0:
                continue
            batch = [posted(event) for event in orjson.loads(sent.body)]
            with database.write() as connection:
                ledger.append(connection, sent.site, batch, received_us=time.time_ns() // 1_000)
            missing[sent.site] -= len(batch)
    finally:
        database.close()


def _wait_for_workers(running: Plant, workers: int) -> None:
    deadline = time.monotonic() + WORKERS_START_SECONDS
    logs = [running.folder / f"worker_{number + 1}.log" for number in range(workers)]
    while not all(log.exists() and " ready." in log.read_text(errors="replace") for log in logs):
        if time.monotonic() > deadline:
            raise TimeoutError("the workers did not start")
        time.sleep(0.1)
