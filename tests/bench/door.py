"""Measure 4: what goes through the door, in batches of 1,000 and as singles from many clients at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count, islice
from pathlib import Path
from typing import Final

import orjson
from rich.console import Console

from tests.bench.crowd import Crowd, Request, at_once
from tests.bench.figures import A_SECOND, MILLISECONDS, Figure, in_ms, percentile, rate
from tests.bench.places import KINDS
from tests.bench.progress import bar
from tests.bench.serving import Server, served
from tests.bench.shop import Event, Shop, singles
from tests.bench.storing import BareStore, bare_store, rows_of
from tests.bench.wire import LINES, ONE_EVENT
from tests.builders import posted

MEASURE: Final = "4 door"
REPEATS: Final = 5
BATCH: Final = 1_000
BATCHES: Final = 10
#: Connections, and the share of the floor that is wanted over so many.
CONNECTIONS: Final = {1: 0.25, 2: 0.33}
CLIENTS: Final = 16
REQUESTS_A_CLIENT: Final = 50
#: Share of the singles in what the same server answers of empty requests.
LEAST_SINGLES: Final = 0.55
#: The slowest single in a hundred, beside the middle one.
MOST_P99_OF_P50: Final = 10
BARE_COMMITS: Final = 200


@dataclass
class Batches:
    """Seconds of each repeat until all was accepted, by connections; and of the bare storing."""

    accepted: dict[int, list[float]] = field(default_factory=lambda: {number: [] for number in CONNECTIONS})
    raw: list[float] = field(default_factory=list)


@dataclass
class Singles:
    """Each repeat of the singles and of the empty requests, and seconds of bare commits."""

    posted: list[Crowd] = field(default_factory=list)
    empty: list[Crowd] = field(default_factory=list)
    raw: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, seed: int) -> list[Figure]:
    """Both at each kind of installation."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, seed)]


def _measure(folder: Path, console: Console, kind: str, seed: int) -> list[Figure]:
    """REPEATS times by turns: batches over each number of connections, bare storing, singles, empty requests."""
    stream = Shop(REPEATS * BATCH * BATCHES * len(CONNECTIONS), seed).events()
    numbers = count(0, CLIENTS * REQUESTS_A_CLIENT)
    batches, alone = Batches(), Singles()
    with (
        served(kind, folder) as (place, server),
        bare_store(place) as raw,
        bar(console, f"repeats at the door, {kind}", total=REPEATS) as advance,
    ):
        for _ in range(REPEATS):
            _post_batches(server, stream, raw, batches)
            _post_singles(server, next(numbers), raw, alone)
            advance(1)
        floor = f"{raw.way}, as many a commit"
    return [*_figures_of_batches(kind, batches, floor), *_figures_of_singles(kind, alone)]


def post(body: bytes, media_type: str) -> Request:
    """The request that posts a body."""
    return lambda connection: connection.post_events(body, media_type)


def bodies_of(events: Sequence[Event], size: int = BATCH) -> list[bytes]:
    """Bodies of so many events each, one a line."""
    lines = [orjson.dumps(event) for event in events]
    return [b"\n".join(lines[at : at + size]) for at in range(0, len(lines), size)]


def _empty(_: int) -> Request:
    return lambda connection: connection.get("/livez").json()


def _post_batches(server: Server, stream: Iterator[Event], raw: BareStore, found: Batches) -> None:
    for connections in CONNECTIONS:
        events = list(islice(stream, BATCH * BATCHES))
        bodies = bodies_of(events)
        shares = [[post(body, LINES) for body in bodies[client::connections]] for client in range(connections)]
        found.accepted[connections].append(at_once(server, shares).seconds)
        server.wait_until_counted()
    found.raw.append(raw.store(rows_of(posted(event) for event in events), at_once=BATCH))


def _post_singles(server: Server, first: int, raw: BareStore, found: Singles) -> None:
    events = singles(first, CLIENTS * REQUESTS_A_CLIENT)
    requests = [post(orjson.dumps(event), ONE_EVENT) for event in events]
    found.posted.append(at_once(server, [requests[client::CLIENTS] for client in range(CLIENTS)]))
    server.wait_until_counted()
    found.empty.append(at_once(server, [[_empty(turn) for turn in range(REQUESTS_A_CLIENT)]] * CLIENTS))
    found.raw.append(raw.store(rows_of(posted(event) for event in events[:BARE_COMMITS]), at_once=1))


def _figures_of_batches(kind: str, found: Batches, beside: str) -> Iterator[Figure]:
    events = BATCH * BATCHES
    floor = rate(events, found.raw)
    for connections, least in CONNECTIONS.items():
        over = "one connection" if connections == 1 else f"{connections} connections"
        name = f"{kind}, batches of {BATCH:,}, {over}, accepted"
        value = rate(events, found.accepted[connections])
        yield Figure(MEASURE, name, value, A_SECOND, beside, floor, ratio_above=least)


def _figures_of_singles(kind: str, found: Singles) -> list[Figure]:
    requests = CLIENTS * REQUESTS_A_CLIENT
    singly = rate(requests, [crowd.seconds for crowd in found.posted])
    empty = rate(requests, [crowd.seconds for crowd in found.empty])
    name, beside = f"{kind}, singles, {CLIENTS} clients", f"GET /livez, {CLIENTS} clients"
    figures = [
        Figure(MEASURE, name, singly, A_SECOND, beside, empty, ratio_above=LEAST_SINGLES),
        Figure(MEASURE, name, singly, A_SECOND, "bare durable commits, one by one", rate(BARE_COMMITS, found.raw)),
    ]
    for label, share in (("p50", 0.5), ("p99", 0.99)):
        value, counterpart = (_pooled(crowds, share) for crowds in (found.posted, found.empty))
        figures.append(Figure(MEASURE, f"{name}, {label}", value, MILLISECONDS, f"{beside}, {label}", counterpart))
    p50, p99 = (_pooled(found.posted, share) for share in (0.5, 0.99))
    figures.append(
        Figure(MEASURE, f"{name}, p99", p99, MILLISECONDS, "its p50", p50, ratio_below=MOST_P99_OF_P50)
    )  # fmt: skip
    return figures


def _pooled(crowds: Sequence[Crowd], share: float) -> float:
    return in_ms(percentile([seconds for crowd in crowds for seconds in crowd.each], share))
