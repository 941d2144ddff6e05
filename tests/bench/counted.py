"""Measure 7: batches from the first post until the last event is counted, by one worker or the embedded loop."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Final

from rich.console import Console

from tests.bench.crowd import at_once
from tests.bench.door import bodies_of, post
from tests.bench.figures import A_SECOND, Figure, rate
from tests.bench.places import KINDS
from tests.bench.progress import bar
from tests.bench.serving import served
from tests.bench.shop import Shop
from tests.bench.storing import bare_store, rows_of
from tests.bench.wire import LINES
from tests.builders import posted

MEASURE: Final = "7 counted"
REPEATS: Final = 5
EVENTS: Final = 30_000
BATCH: Final = 1_000
CONNECTIONS: Final = 2
LEAST_A_SECOND: Final = 15_000


@dataclass
class Taken:
    """Seconds of each repeat, from the first post."""

    accepted: list[float] = field(default_factory=list)
    counted: list[float] = field(default_factory=list)
    raw: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, seed: int) -> list[Figure]:
    """REPEATS times EVENTS at each kind of installation; in between the same rows by the database's driver alone."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, seed)]


def _measure(folder: Path, console: Console, kind: str, seed: int) -> list[Figure]:
    stream = Shop(REPEATS * EVENTS, seed).events()
    taken = Taken()
    with (
        served(kind, folder) as (place, server),
        bare_store(place) as raw,
        bar(console, f"repeats of {EVENTS:,} events, {kind}", total=REPEATS) as advance,
    ):
        for _ in range(REPEATS):
            events = list(islice(stream, EVENTS))
            bodies = bodies_of(events, BATCH)
            shares = [[post(body, LINES) for body in bodies[client::CONNECTIONS]] for client in range(CONNECTIONS)]
            began = time.perf_counter()
            taken.accepted.append(at_once(server, shares).seconds)
            server.wait_until_counted()
            taken.counted.append(time.perf_counter() - began)
            taken.raw.append(raw.store(rows_of(posted(event) for event in events), at_once=BATCH))
            advance(1)
        beside = f"{raw.way}, {BATCH:,} a commit"
    name = f"{kind}, batches of {BATCH:,}, {CONNECTIONS} connections"
    floor = rate(EVENTS, taken.raw)
    return [
        Figure(MEASURE, f"{name}, accepted", rate(EVENTS, taken.accepted), A_SECOND, beside, floor),
        Figure(
            MEASURE, f"{name}, counted", rate(EVENTS, taken.counted), A_SECOND, beside, floor, above=LEAST_A_SECOND
        ),
    ]  # fmt: skip
