"""Measure 2: a posted batch of 10,000 events, until it is accepted and until it is counted, and the memory it takes."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Final

import orjson
from rich.console import Console

from tests.bench.figures import MEGA, MEGABYTES, SECONDS, Figure
from tests.bench.places import embedded_in
from tests.bench.progress import bar
from tests.bench.serving import Memory, Server, prepared, serving
from tests.bench.shop import Event, Shop
from tests.bench.storing import RawStore, rows_of
from tests.bench.wire import LINES, Connection
from tests.builders import posted

MEASURE: Final = "2 batch of 10,000"
EVENTS: Final = 10_000
BATCHES: Final = 10
#: In these the threads' heaps and the database's page caches fill; from then on memory must stay flat.
FIRST: Final = 5
MOST_SECONDS: Final = 10
#: The later batches may take so much more memory than the first ones before it is no longer flat.
MOST_GROWTH: Final = 1.1


@dataclass(frozen=True)
class Taken:
    """One batch: seconds until it was accepted and counted, and of its bare storing; memory of the server then."""

    accepted: float
    counted: float
    raw: float
    memory: Memory | None


def measure(folder: Path, console: Console, *, seed: int) -> list[Figure]:
    """BATCHES batches one after the other, in between the same rows by the database's driver alone."""
    place = embedded_in(folder / "data")
    prepared(place).close()
    events = Shop(EVENTS * BATCHES, seed).events()
    with (
        serving(place) as server,
        server.connect() as connection,
        RawStore(folder / "raw.sqlite3") as raw,
        bar(console, "batches of 10,000 events", total=BATCHES) as advance,
    ):
        at_rest = server.memory()
        taken: list[Taken] = []
        for _ in range(BATCHES):
            taken.append(_take(server, connection, raw, list(islice(events, EVENTS))))
            advance(1)
    return [*_times(taken), *_memory(at_rest, [one.memory for one in taken])]


def _take(server: Server, connection: Connection, raw: RawStore, events: Sequence[Event]) -> Taken:
    body = b"\n".join(orjson.dumps(event) for event in events)
    rows = rows_of(posted(event) for event in events)
    server.forget_peak()
    began = time.perf_counter()
    connection.post_events(body, LINES)
    accepted = time.perf_counter() - began
    server.wait_until_counted()
    counted = time.perf_counter() - began
    return Taken(accepted, counted, raw.store(rows, at_once=len(rows)), server.memory())


def _times(taken: Sequence[Taken]) -> list[Figure]:
    raw = median(one.raw for one in taken)
    beside = "executemany, one commit"
    counted = [one.counted for one in taken]
    return [
        Figure(MEASURE, "accepted, median", median(one.accepted for one in taken), SECONDS, beside, raw),
        Figure(MEASURE, "accepted and counted, median", median(counted), SECONDS, beside, raw),
        Figure(MEASURE, "accepted and counted, slowest", max(counted), SECONDS, beside, raw, below=MOST_SECONDS),
    ]


def _memory(at_rest: Memory | None, after: Sequence[Memory | None]) -> list[Figure]:
    known = [memory for memory in after if memory is not None]
    if at_rest is None or len(known) < len(after):
        return []
    peaks = [memory.peak / MEGA for memory in known]
    first, later = max(peaks[:FIRST]), max(peaks[FIRST:])
    return [
        Figure(MEASURE, "server's peak memory, batch 1", peaks[0], MEGABYTES, "before any", at_rest.now / MEGA),
        Figure(MEASURE, f"server's peak memory, batch {FIRST}", peaks[FIRST - 1], MEGABYTES, "batch 1", peaks[0]),
        Figure(
            MEASURE, f"server's peak memory, batches {FIRST + 1} to {BATCHES}", later, MEGABYTES,
            f"batches 1 to {FIRST}", first, ratio_below=MOST_GROWTH,
        ),
    ]  # fmt: skip
