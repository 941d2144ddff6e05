"""Measure 1: from the post of a single event to the report that shows it, one event after the other."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final

import orjson
from rich.console import Console

from tests.bench.figures import MILLISECONDS, Figure, in_ms, percentile, spread
from tests.bench.places import KINDS
from tests.bench.progress import bar
from tests.bench.serving import ServerSilent, served
from tests.bench.shop import SINGLES_WEEK, Event, singles
from tests.bench.storing import bare_store, rows_of
from tests.bench.wire import ONE_EVENT, Connection
from tests.builders import posted

MEASURE: Final = "1 visible"
EVENTS: Final = 1_000
MOST_P99_MS: Final = 250
REPORT: Final = f"/v1/reports/yield?week={SINGLES_WEEK}"
#: Between two looks at the report: the server counts meanwhile.
_LOOK_AGAIN_SECONDS: Final = 0.001
_SIGHT_SECONDS: Final = 10.0


@dataclass(frozen=True)
class Sight:
    """Seconds from before the post of one event: until it was answered, until the report showed it."""

    answered: float
    shown: float


def attempts_shown(connection: Connection) -> int:
    """Attempts in the totals of the report."""
    return int(connection.get(REPORT).json()["totals"]["attempts"] or 0)


def post_and_see(connection: Connection, event: Event) -> Sight:
    """Post one attempt and look until the report shows one more; raises ServerSilent when it does not in time."""
    before = attempts_shown(connection)
    body = orjson.dumps(event)
    began = time.perf_counter()
    connection.post_events(body, ONE_EVENT)
    answered = time.perf_counter() - began
    while attempts_shown(connection) <= before:
        if time.perf_counter() - began > _SIGHT_SECONDS:
            raise ServerSilent(f"no report showed event {event['id']} within {_SIGHT_SECONDS:g} s")
        time.sleep(_LOOK_AGAIN_SECONDS)
    return Sight(answered, time.perf_counter() - began)


def seconds_of(connection: Connection, path: str) -> float:
    """Seconds of one GET that must be answered with a 2xx."""
    began = time.perf_counter()
    answer = connection.get(path)
    seconds = time.perf_counter() - began
    answer.json()
    return seconds


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS) -> list[Figure]:
    """EVENTS single events on each kind of installation, in between an empty request, a report and a bare commit."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind)]


def _measure(folder: Path, console: Console, kind: str) -> list[Figure]:
    sights: list[Sight] = []
    empty: list[float] = []
    reports: list[float] = []
    commits: list[float] = []
    with (
        served(kind, folder) as (place, server),
        server.connect() as connection,
        bare_store(place) as raw,
        bar(console, f"single events seen in the report, {kind}", total=EVENTS) as advance,
    ):
        for event in singles(0, EVENTS):
            sights.append(post_and_see(connection, event))
            empty.append(seconds_of(connection, "/livez"))
            reports.append(seconds_of(connection, REPORT))
            commits.append(raw.store(rows_of([posted(event)]), at_once=1))
            advance(1)
    shown = [sight.shown for sight in sights]
    answered = [sight.answered for sight in sights]
    name = f"{kind}, posted to visible"
    return [
        *spread(MEASURE, name, shown, beside="GET /livez", counterparts=empty, below=MOST_P99_MS),
        _middle(f"{name}, p50", shown, "the report alone, p50", reports),
        _middle(f"{kind}, posted to answered, p50", answered, "a bare durable commit, p50", commits),
        Figure(
            MEASURE, f"{kind}, posted to answered, p99", in_ms(percentile(answered, 0.99)), MILLISECONDS,
            "a bare durable commit, p99", in_ms(percentile(commits, 0.99)),
        ),
    ]  # fmt: skip


def _middle(name: str, seconds: Sequence[float], beside: str, counterparts: Sequence[float]) -> Figure:
    return Figure(MEASURE, name, in_ms(median(seconds)), MILLISECONDS, beside, in_ms(median(counterparts)))
