"""Measure 13: half of what a server can take, for long: whether its memory grows, what it opened stays, it slows."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from statistics import linear_regression, median
from typing import Final

import psycopg
from rich.console import Console

from tests.bench.crowd import at_once
from tests.bench.door import bodies_of, post
from tests.bench.figures import A_SECOND, MEGA, MEGABYTES, MILLISECONDS, Figure, in_ms, percentile
from tests.bench.open_loop import Plan, post_in, sender
from tests.bench.places import EMBEDDED, KINDS, Place
from tests.bench.progress import bar
from tests.bench.serving import Server, memory_of, served
from tests.bench.shop import FEWEST_ATTEMPTS, FIRST_DAY, Event, Shop, singles
from tests.bench.visible import seconds_of
from tests.bench.wire import LINES

MEASURE: Final = "13 soak"
MINUTES: Final = 30
#: Singles that are posted to learn what the server can take.
PROBE: Final = 20_000
BATCH: Final = 200
CONNECTIONS: Final = 2
HALF: Final = 0.5
#: In these heaps and caches fill; the slope is that of the minutes after them.
FIRST_MINUTES: Final = 5
REPORT: Final = f"/v1/reports/yield?from={FIRST_DAY}&to={FIRST_DAY}&by=thickness"
_MINUTE: Final = 60.0
#: Of the process that makes what is posted: what happens next in its shop.
_STREAM: Final[list[Iterator[Event]]] = []
_ASK_EVERY_SECONDS: Final = 0.1


@dataclass(frozen=True)
class Minute:
    """p99 of the posts from when they were due and of the reports, in seconds; then what all processes hold."""

    posts_p99: float
    reports_p99: float
    answered: int
    memory: int
    descriptors: int
    connections: int


def measure(
    folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, seed: int, minutes: int = MINUTES
) -> list[Figure]:
    """So many minutes at each kind of installation."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, seed, minutes)]


def _measure(folder: Path, console: Console, kind: str, seed: int, minutes: int) -> list[Figure]:
    with served(kind, folder) as (place, server):
        most = _most(server, bodies_of(singles(0, PROBE), BATCH))
        a_minute = int(HALF * most * _MINUTE)
        found: list[Minute] = []
        with (
            _maker(Shop(max(FEWEST_ATTEMPTS, a_minute * (minutes + 1)), seed)) as maker,
            sender() as process,
            bar(console, f"minutes at half load, {kind}", total=minutes) as advance,
        ):
            made = maker.submit(_next_bodies, a_minute)
            for _ in range(minutes):
                bodies, made = made.result(), maker.submit(_next_bodies, a_minute)
                plan = Plan([bodies[own::CONNECTIONS] for own in range(CONNECTIONS)], LINES, _MINUTE / len(bodies))
                _, running = post_in(process, server, plan)
                reports = []
                with server.connect() as connection:
                    while not running.done():
                        reports.append(seconds_of(connection, REPORT))
                        time.sleep(_ASK_EVERY_SECONDS)
                posts = [one.seconds for share in running.result() for one in share]
                p99s = percentile(posts, 0.99), percentile(reports, 0.99)
                found.append(Minute(*p99s, BATCH * len(posts), *_held(place, server)))
                advance(1)
        server.wait_until_counted()
    return list(_figures(kind, found, most))


def _maker(shop: Shop) -> ProcessPoolExecutor:
    """A process that makes what is posted next, lest the clock of the reports stands still meanwhile."""
    spawned = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, mp_context=spawned, initializer=_begin_shop, initargs=(shop,))


def _begin_shop(shop: Shop) -> None:
    _STREAM.append(shop.events())


def _next_bodies(count: int) -> list[bytes]:
    return bodies_of(list(islice(_STREAM[0], count)), BATCH)


def _most(server: Server, bodies: list[bytes]) -> float:
    """Events counted a second when they come as fast as they are taken."""
    began = time.perf_counter()
    at_once(server, [[post(body, LINES) for body in bodies[own::CONNECTIONS]] for own in range(CONNECTIONS)])
    server.wait_until_counted()
    return BATCH * len(bodies) / (time.perf_counter() - began)


def _held(place: Place, server: Server) -> tuple[int, int, int]:
    """(memory in bytes, open descriptors, connections to the database) of all processes."""
    processes = server.processes()
    memory = sum(found.now for process in processes if (found := memory_of(process)))
    return memory, sum(_descriptors(process) for process in processes), _connections(place)


def _descriptors(process: int) -> int:
    try:
        return sum(1 for _ in Path(f"/proc/{process}/fd").iterdir())
    except OSError:
        return 0


def _connections(place: Place) -> int:
    """Connections that the database of a grown installation has, this one aside."""
    if place.kind == EMBEDDED:
        return 0
    query = "select count(*) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()"
    with closing(psycopg.connect(place.database_url)) as connection:
        row = connection.execute(query).fetchone()
    return int(row[0]) if row else 0


def _figures(kind: str, found: Sequence[Minute], most: float) -> Iterator[Figure]:
    name = f"{kind}, {len(found)} minutes"
    yield Figure(MEASURE, f"{name}, events answered", sum(minute.answered for minute in found) / len(found) / _MINUTE,
                 A_SECOND, "counted at full load", most)  # fmt: skip
    for number, minute in enumerate(found, 1):
        yield Figure(MEASURE, f"{kind}, minute {number}, posts, p99", in_ms(minute.posts_p99), MILLISECONDS,
                     "the report, p99", in_ms(minute.reports_p99))  # fmt: skip
    first, last = found[0], found[-1]
    memory = [minute.memory / MEGA for minute in found]
    yield Figure(MEASURE, f"{name}, memory, last minute", memory[-1], MEGABYTES, "first minute", memory[0])
    later = memory[FIRST_MINUTES:]
    if len(later) > 1:
        slope = 60 * linear_regression(range(len(later)), later).slope
        yield Figure(MEASURE, f"{name}, memory an hour after minute {FIRST_MINUTES}", slope, MEGABYTES,
                     "at its begin", later[0])  # fmt: skip
    for what, now, before in (
        ("open descriptors", last.descriptors, first.descriptors),
        ("connections to the database", last.connections, first.connections),
    ):
        yield Figure(MEASURE, f"{name}, {what}, last minute", now, "", "first minute", before)
    for what, times in (
        ("posts, p99", [minute.posts_p99 for minute in found]),
        ("the report, p99", [minute.reports_p99 for minute in found]),
    ):
        yield Figure(MEASURE, f"{name}, {what}, last minute", in_ms(times[-1]), MILLISECONDS, "first minute",
                     in_ms(times[0]))  # fmt: skip
        yield Figure(MEASURE, f"{name}, {what}, slowest minute", in_ms(max(times)), MILLISECONDS, "median minute",
                     in_ms(median(times)))  # fmt: skip
