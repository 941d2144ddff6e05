"""Measure 8: a report while batches come in, beside the same report of the idle server."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from service.clock import now_us
from tests.bench.door import bodies_of
from tests.bench.figures import A_SECOND, MILLISECONDS, Figure, in_ms, percentile
from tests.bench.open_loop import Plan, answered_a_second, post_in, sender
from tests.bench.places import KINDS, place_of
from tests.bench.progress import bar
from tests.bench.serving import Server, prepared, serving
from tests.bench.shop import FIRST_DAY, Event, Shop
from tests.bench.visible import seconds_of
from tests.bench.wire import LINES
from tests.builders import SITE, posted
from worker import ledger, tallies
from worker.batches import in_batches
from worker.database import Database

MEASURE: Final = "8 mixed"
REPEATS: Final = 5
EVENTS_A_SECOND: Final = 4_000
BATCH: Final = 1_000
SECONDS: Final = 6
CONNECTIONS: Final = 2
#: Events that are there and counted before any comes in, and the window that they fill.
BEFORE: Final = 20_000
WINDOW: Final = (FIRST_DAY, FIRST_DAY + timedelta(weeks=4))
REPORT: Final = f"/v1/reports/yield?from={WINDOW[0]}&to={WINDOW[1]}&by=thickness"
MOST_GROWTH: Final = 1.3
#: Of what is posted so much must be answered a second, lest the server is idle for having refused.
KEPT_UP: Final = 0.9
_PAUSE_SECONDS: Final = 0.005


@dataclass
class Asked:
    """Of each repeat the seconds of the reports, idle and loaded, and events answered a second."""

    idle: list[list[float]] = field(default_factory=list)
    loaded: list[list[float]] = field(default_factory=list)
    rates: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, seed: int) -> list[Figure]:
    """REPEATS times by turns at each kind of installation: SECONDS of nothing else, SECONDS of batches."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, seed)]


def _measure(folder: Path, console: Console, kind: str, seed: int) -> list[Figure]:
    # Later days come in than the window has, as in a shop: what is asked for stays as large as it is.
    count = EVENTS_A_SECOND * SECONDS
    stream = Shop(BEFORE + REPEATS * count, seed).events()
    asked = Asked()
    with place_of(kind, folder) as place:
        database = prepared(place)
        _put_in(database, islice(stream, BEFORE))
        database.close()
        with (
            serving(place) as server,
            bar(console, f"repeats, idle and loaded, {kind}", total=REPEATS) as advance,
        ):
            for _ in range(REPEATS):
                asked.idle.append(_ask_until(server, _time_over(SECONDS)))
                _load(server, list(islice(stream, count)), asked)
                server.wait_until_counted()
                advance(1)
    return _figures(kind, asked)


def _put_in(database: Database, events: Iterator[Event]) -> None:
    for batch in in_batches(map(posted, events), BATCH):
        with database.write() as connection:
            ledger.append(connection, SITE, batch, received_us=now_us())
            tallies.bring_up_to_date(connection, SITE, now_us=now_us(), limit=BATCH)


def _time_over(seconds: float) -> Callable[[], bool]:
    until = time.monotonic() + seconds
    return lambda: time.monotonic() > until


def _ask_until(server: Server, over: Callable[[], bool]) -> list[float]:
    times = []
    with server.connect() as connection:
        while not over():
            times.append(seconds_of(connection, REPORT))
            time.sleep(_PAUSE_SECONDS)
    return times


def _load(server: Server, events: list[Event], asked: Asked) -> None:
    bodies = bodies_of(events, BATCH)
    shares = [bodies[own::CONNECTIONS] for own in range(CONNECTIONS)]
    with sender() as process:
        begin, running = post_in(process, server, Plan(shares, LINES, BATCH / EVENTS_A_SECOND))
        time.sleep(max(0.0, begin - time.perf_counter()))
        asked.loaded.append(_ask_until(server, running.done))
        asked.rates.append(BATCH * answered_a_second(running.result(), begin))


def _figures(kind: str, asked: Asked) -> list[Figure]:
    name = f"{kind}, {EVENTS_A_SECOND:,} events/s by batches"
    rate = median(asked.rates)
    figures = [
        Figure(MEASURE, f"{name}, answered", rate, A_SECOND, "posted", EVENTS_A_SECOND, ratio_above=KEPT_UP)
    ]  # fmt: skip
    for label, share in (("p50", 0.5), ("p99", 0.99)):
        idle, loaded = (
            in_ms(median(percentile(times, share) for times in repeats)) for repeats in (asked.idle, asked.loaded)
        )
        wanted = MOST_GROWTH if label == "p99" else None
        figures.append(
            Figure(
                MEASURE, f"{name}, the report, {label}", loaded, MILLISECONDS, f"of the idle server, {label}", idle,
                ratio_below=wanted,
            )
        )  # fmt: skip
    return figures
