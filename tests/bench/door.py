"""Measure 4: what goes through the door, in batches of 1,000 and as singles from many clients at once."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count, islice
from pathlib import Path
from typing import Final

import orjson
from rich.console import Console

from tests.bench.crowd import Crowd, Request, at_once
from tests.bench.figures import A_SECOND, MILLISECONDS, Figure, in_ms, percentile, rate
from tests.bench.progress import bar
from tests.bench.serving import Server, prepared, serving
from tests.bench.shop import Event, Shop, singles
from tests.bench.storing import RawStore, rows_of
from tests.bench.wire import LINES, ONE_EVENT
from tests.builders import posted

MEASURE: Final = "4 door"
REPEATS: Final = 5
BATCH: Final = 1_000
BATCHES: Final = 10
CONNECTIONS: Final = (1, 2)
CLIENTS: Final = 16
REQUESTS_A_CLIENT: Final = 50
BARE_COMMITS: Final = 200


@dataclass
class Batches:
    """Seconds of each repeat: by connections until all was accepted, and counted; and of the bare storing."""

    accepted: dict[int, list[float]] = field(default_factory=lambda: {number: [] for number in CONNECTIONS})
    counted: dict[int, list[float]] = field(default_factory=lambda: {number: [] for number in CONNECTIONS})
    raw: list[float] = field(default_factory=list)


@dataclass
class Singles:
    """Each repeat of the singles and of the empty requests, and seconds of bare commits."""

    posted: list[Crowd] = field(default_factory=list)
    empty: list[Crowd] = field(default_factory=list)
    raw: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, seed: int) -> list[Figure]:
    """REPEATS times by turns: batches over each number of connections, bare storing, singles, empty requests."""
    prepared(folder / "data").close()
    stream = Shop(REPEATS * BATCH * BATCHES * len(CONNECTIONS), seed).events()
    numbers = count(0, CLIENTS * REQUESTS_A_CLIENT)
    batches, alone = Batches(), Singles()
    with (
        serving(folder / "data") as server,
        RawStore(folder / "raw.sqlite3") as raw,
        bar(console, "repeats at the door", total=REPEATS) as advance,
    ):
        for _ in range(REPEATS):
            _post_batches(server, stream, raw, batches)
            _post_singles(server, next(numbers), raw, alone)
            advance(1)
    return [*_figures_of_batches(batches), *_figures_of_singles(alone)]


def _post(body: bytes, media_type: str) -> Request:
    return lambda connection: connection.post_events(body, media_type)


def _empty(_: int) -> Request:
    return lambda connection: connection.get("/livez").json()


def _post_batches(server: Server, stream: Iterator[Event], raw: RawStore, found: Batches) -> None:
    for connections in CONNECTIONS:
        events = list(islice(stream, BATCH * BATCHES))
        bodies = [
            b"\n".join(orjson.dumps(event) for event in events[at : at + BATCH]) for at in range(0, len(events), BATCH)
        ]
        shares = [[_post(body, LINES) for body in bodies[client::connections]] for client in range(connections)]
        began = time.perf_counter()
        found.accepted[connections].append(at_once(server, shares).seconds)
        with server.connect() as connection:
            server.wait_until_counted(connection)
        found.counted[connections].append(time.perf_counter() - began)
    found.raw.append(raw.store(rows_of(posted(event) for event in events), at_once=BATCH))


def _post_singles(server: Server, first: int, raw: RawStore, found: Singles) -> None:
    events = singles(first, CLIENTS * REQUESTS_A_CLIENT)
    requests = [_post(orjson.dumps(event), ONE_EVENT) for event in events]
    found.posted.append(at_once(server, [requests[client::CLIENTS] for client in range(CLIENTS)]))
    with server.connect() as connection:
        server.wait_until_counted(connection)
    found.empty.append(at_once(server, [[_empty(turn) for turn in range(REQUESTS_A_CLIENT)]] * CLIENTS))
    found.raw.append(raw.store(rows_of(posted(event) for event in events[:BARE_COMMITS]), at_once=1))


def _figures_of_batches(found: Batches) -> list[Figure]:
    events = BATCH * BATCHES
    floor = rate(events, found.raw)
    figures = []
    for connections in CONNECTIONS:
        over = "one connection" if connections == 1 else f"{connections} connections"
        for what, seconds in (("accepted", found.accepted), ("accepted and counted", found.counted)):
            name = f"batches of {BATCH:,}, {over}, {what}"
            value = rate(events, seconds[connections])
            figures.append(Figure(MEASURE, name, value, A_SECOND, "executemany, as many a commit", floor))
    return figures


def _figures_of_singles(found: Singles) -> list[Figure]:
    requests = CLIENTS * REQUESTS_A_CLIENT
    singly = rate(requests, [crowd.seconds for crowd in found.posted])
    empty = rate(requests, [crowd.seconds for crowd in found.empty])
    name, beside = f"singles, {CLIENTS} clients", f"GET /livez, {CLIENTS} clients"
    figures = [
        Figure(MEASURE, name, singly, A_SECOND, beside, empty),
        Figure(MEASURE, name, singly, A_SECOND, "bare durable commits, one by one", rate(BARE_COMMITS, found.raw)),
    ]
    for label, share in (("p50", 0.5), ("p99", 0.99)):
        value, counterpart = (_pooled(crowds, share) for crowds in (found.posted, found.empty))
        figures.append(Figure(MEASURE, f"{name}, {label}", value, MILLISECONDS, f"{beside}, {label}", counterpart))
    return figures


def _pooled(crowds: Sequence[Crowd], share: float) -> float:
    return in_ms(percentile([seconds for crowd in crowds for seconds in crowd.each], share))
