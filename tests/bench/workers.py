"""Measure 10: what one, two and four workers count of several sites on one PostgreSQL."""

from __future__ import annotations

import time
from collections.abc import Mapping
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Final

from celery import Celery
from rich.console import Console

from service.clock import now_us
from service.settling import settle
from tests.bench.figures import A_SECOND, Figure, rate
from tests.bench.places import GROWN, place_of
from tests.bench.progress import bar
from tests.bench.serving import COUNTING_SECONDS, ServerSilent, prepared, working
from tests.bench.shop import SETTINGS, Shop
from tests.builders import Posted, posted
from worker import ledger
from worker.batches import in_batches
from worker.database import Database
from worker.installing import add_site
from worker.tasks import COUNT_OWED, make_celery

MEASURE: Final = "10 workers"
WORKERS: Final = (1, 2, 4)
SITES: Final = 8
#: Fewer than elsewhere: each needs workers of its own and all its events anew.
REPEATS: Final = 3
EVENTS_A_SITE: Final = 5_000
BATCH: Final = 1_000
#: As often as a door that takes batches wakes the workers.
_WAKE_SECONDS: Final = 0.05


def measure(folder: Path, console: Console, *, seed: int) -> list[Figure]:
    """REPEATS times by turns so many workers, woken when all is owed: without a schedule, lest one begins before."""
    seconds: dict[int, list[float]] = {workers: [] for workers in WORKERS}
    names = [f"site-{number}" for number in range(SITES)]
    rounds = REPEATS * len(WORKERS)
    stream = map(posted, Shop(max(10_000, rounds * EVENTS_A_SITE), seed).events())
    with (
        place_of(GROWN, folder) as place,
        closing(prepared(place)) as database,
        bar(console, "rounds of workers", total=rounds) as advance,
    ):
        _open(database, names)
        celery = make_celery(str(place.broker_url))
        for _ in range(REPEATS):
            for workers in WORKERS:
                _owe(database, names, list(islice(stream, EVENTS_A_SITE)))
                with working(place, workers, schedule=False):
                    seconds[workers].append(_seconds_until_counted(database, celery))
                advance(1)
    return _figures(seconds)


def _open(database: Database, names: list[str]) -> None:
    for name in names:
        with database.write() as connection:
            add_site(connection, name, now_us=now_us())
            settle(connection, name, SETTINGS, source="/keys/bench", now_us=now_us())


def _owe(database: Database, names: list[str], events: list[Posted]) -> None:
    for batch in in_batches(events, BATCH):
        for name in names:
            with database.write() as connection:
                ledger.append(connection, name, batch, received_us=now_us())


def _seconds_until_counted(database: Database, celery: Celery) -> float:
    began = time.perf_counter()
    while True:
        celery.send_task(COUNT_OWED)
        time.sleep(_WAKE_SECONDS)
        with database.read() as connection:
            owing = ledger.sites_owed(connection)
        seconds = time.perf_counter() - began
        if not owing:
            return seconds
        if seconds > COUNTING_SECONDS:
            raise ServerSilent(f"sites {', '.join(owing)} still owe after {COUNTING_SECONDS:g} s")


def _figures(seconds: Mapping[int, list[float]]) -> list[Figure]:
    events = SITES * EVENTS_A_SITE
    alone = rate(events, seconds[1])
    figures = []
    for workers, times in seconds.items():
        name = f"{workers} worker{'s' if workers > 1 else ''}, {SITES} sites, counted, median of {REPEATS}"
        figures.append(Figure(MEASURE, name, rate(events, times), A_SECOND, "one worker", alone))
    return figures
