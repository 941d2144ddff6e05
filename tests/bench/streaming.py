"""Measure 1, under load: single events come in on a schedule, and the report is looked at now and then.

What is looked at shows an event from the moment at which it was asked for. To look costs the server a report, many
times what it takes to bring the event in: whoever looked without a pause would measure themselves.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Final

import orjson
from rich.console import Console

from tests.bench.figures import A_SECOND, MILLISECONDS, Figure, in_ms, percentile
from tests.bench.open_loop import Plan, Sent, answered_a_second, post_in, sender
from tests.bench.places import KINDS
from tests.bench.progress import bar
from tests.bench.serving import Server, ServerSilent, served
from tests.bench.shop import MACHINES, SINGLES_A_DAY, SINGLES_BEGIN, singles
from tests.bench.storing import bare_store, rows_of
from tests.bench.visible import MEASURE, seconds_of
from tests.bench.wire import ONE_EVENT, Connection
from tests.builders import posted

REPEATS: Final = 5
EVENTS_A_SECOND: Final = 500
SECONDS: Final = 6
#: The last answer comes a little after the last post was due.
KEPT_UP: Final = 0.95
MOST_P50_MS: Final = 20
MOST_P99_MS: Final = 100
COMMITS: Final = 200
REPORTS: Final = 20
#: A machine posts over one connection, in the order of its attempts: so its number tells which are shown.
_DAYS: Final = -(-REPEATS * SECONDS * EVENTS_A_SECOND // (SINGLES_A_DAY * len(MACHINES)))
WINDOW: Final = (SINGLES_BEGIN.date(), SINGLES_BEGIN.date() + timedelta(days=_DAYS - 1))
REPORT: Final = f"/v1/reports/yield?from={WINDOW[0]}&to={WINDOW[1]}&by=machine"
_LOOK_AGAIN_SECONDS: Final = 0.01
_SIGHT_SECONDS: Final = 30.0


@dataclass
class Seen:
    """Of each repeat the seconds from answered to shown, from due to answered, and events answered a second."""

    shown: list[list[float]] = field(default_factory=list)
    answered: list[list[float]] = field(default_factory=list)
    rates: list[float] = field(default_factory=list)
    reports: list[float] = field(default_factory=list)
    commits: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS) -> list[Figure]:
    """REPEATS times SECONDS of EVENTS_A_SECOND on each kind of installation."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind)]


def _measure(folder: Path, console: Console, kind: str) -> list[Figure]:
    count = EVENTS_A_SECOND * SECONDS
    seen = Seen()
    with (
        served(kind, folder) as (place, server),
        bare_store(place) as raw,
        bar(console, f"repeats at {EVENTS_A_SECOND} events/s, {kind}", total=REPEATS) as advance,
    ):
        for repeat in range(REPEATS):
            events = singles(repeat * count, count)
            seen.commits += [raw.store(rows_of([posted(event)]), at_once=1) for event in events[:COMMITS]]
            with server.connect() as connection:
                seen.reports += [seconds_of(connection, REPORT) for _ in range(REPORTS)]
            shares = [[orjson.dumps(event) for event in events[own :: len(MACHINES)]] for own in range(len(MACHINES))]
            _see(server, Plan(shares, ONE_EVENT, 1 / EVENTS_A_SECOND), seen)
            server.wait_until_counted()
            advance(1)
    return _figures(kind, seen)


def _see(server: Server, plan: Plan, seen: Seen) -> None:
    """Post what is planned, and note when the report showed each of it."""
    shown_at: list[list[float]] = [[] for _ in MACHINES]
    with sender() as process, server.connect() as connection:
        before = _shown(connection)
        begin, running = post_in(process, server, plan)
        _look(connection, before, shown_at, begin + plan.seconds, running)
        sent = running.result()
    times = [(one, at) for share, seen_at in zip(sent, shown_at, strict=True)
             for one, at in zip(share, seen_at, strict=True)]  # fmt: skip
    seen.shown.append([max(0.0, at - one.answered) for one, at in times])
    seen.answered.append([one.seconds for one, _ in times])
    seen.rates.append(answered_a_second(sent, begin))


def _look(
    connection: Connection, before: list[int], shown_at: list[list[float]], end: float,
    running: Future[list[list[Sent]]],
) -> None:  # fmt: skip
    """Look again and again, until the sender is done and all that it sent is shown."""
    while not running.done() or [len(share) for share in running.result()] != [len(found) for found in shown_at]:
        now, shown = time.perf_counter(), _shown(connection)
        for machine, found in enumerate(shown_at):
            found += [now] * (shown[machine] - before[machine] - len(found))
        if now > end + _SIGHT_SECONDS:
            raise ServerSilent(f"not all events were shown within {_SIGHT_SECONDS:g} s")
        time.sleep(_LOOK_AGAIN_SECONDS)


def _shown(connection: Connection) -> list[int]:
    """Attempts that the report shows of each machine."""
    rows = {row["machine"]: row["attempts"] for row in connection.get(REPORT).json()["rows"]}
    return [rows.get(machine, 0) for machine in MACHINES]


def _figures(kind: str, seen: Seen) -> list[Figure]:
    name = f"{kind}, {EVENTS_A_SECOND} events/s"

    def of(repeats: list[list[float]], share: float) -> float:
        return in_ms(median(percentile(times, share) for times in repeats if times))

    report, commit = in_ms(median(seen.reports)), in_ms(median(seen.commits))
    alone, bare = "the report of an idle server, p50", "a bare durable commit, p50"
    return [
        Figure(MEASURE, f"{name}, answered", median(seen.rates), A_SECOND, "posted", EVENTS_A_SECOND,
               ratio_above=KEPT_UP),
        Figure(MEASURE, f"{name}, due to answered, p50", of(seen.answered, 0.5), MILLISECONDS, bare, commit),
        Figure(MEASURE, f"{name}, due to answered, p99", of(seen.answered, 0.99), MILLISECONDS, bare, commit),
        Figure(MEASURE, f"{name}, answered to visible, p50", of(seen.shown, 0.5), MILLISECONDS, alone, report,
               below=MOST_P50_MS),
        Figure(MEASURE, f"{name}, answered to visible, p99", of(seen.shown, 0.99), MILLISECONDS, alone, report,
               below=MOST_P99_MS),
    ]  # fmt: skip
