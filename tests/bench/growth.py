"""Measure 3: the report with 10,000 attempts and with a million, and what counting and keeping them costs."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import A_SECOND, BYTES, MILLISECONDS, Figure, in_ms
from tests.bench.grouping import compare, group_attempts
from tests.bench.loading import Loaded, load
from tests.bench.places import Place, embedded_in
from tests.bench.progress import bar
from tests.bench.serving import serving
from tests.bench.shop import DAYS, FIRST_DAY, LAST_DAY, Shop, singles
from tests.bench.visible import MOST_P99_MS, post_and_see, seconds_of
from tests.bench.wire import Connection
from worker.tables import TALLY_SUMS

MEASURE: Final = "3 growth"
FEW: Final = 10_000
REPEATS: Final = 40
GROUPINGS: Final = 5
SINGLES: Final = 100
#: "Does not grow": what the noise of a machine may make of equal times.
MOST_GROWTH: Final = 1.5
_MONDAY: Final = FIRST_DAY + timedelta(weeks=20)
WINDOWS: Final[Mapping[str, tuple[date, date]]] = {
    "a week": (_MONDAY, _MONDAY + timedelta(days=6)),
    "52 weeks": (FIRST_DAY, LAST_DAY),
}


@dataclass
class Asked:
    """Seconds of each request at one of the two servers."""

    empty: list[float] = field(default_factory=list)
    reports: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in WINDOWS})
    shown: list[float] = field(default_factory=list)


def path_of(window: tuple[date, date]) -> str:
    """The report of a window, by thickness."""
    return f"/v1/reports/yield?from={window[0]}&to={window[1]}&by=thickness"


def measure(folder: Path, console: Console, *, attempts: int, seed: int) -> list[Figure]:
    """Two years with equally many tallies, asked by turns by two servers."""
    counts = {"few": FEW, "many": attempts}
    places = {name: embedded_in(folder / name) for name in counts}
    loaded = {name: load(places[name], Shop(count, seed), console) for name, count in counts.items()}
    with ExitStack() as stack:
        servers = {name: stack.enter_context(serving(places[name])) for name in counts}
        connections = {name: stack.enter_context(server.connect()) for name, server in servers.items()}
        grouped = _grouped(places["many"], connections["many"], console)
        asked = _asked(connections, console)
    return [*_of_loading(loaded["many"], attempts), *_of_reports(loaded, asked, grouped, attempts)]


def _grouped(place: Place, connection: Connection, console: Console) -> dict[str, float]:
    """Median seconds of the GROUP BY of each window, whose answer must be the report's."""
    seconds: dict[str, list[float]] = {name: [] for name in WINDOWS}
    with bar(console, "GROUP BY over the attempts", total=GROUPINGS) as advance:
        for _ in range(GROUPINGS):
            for name, window in WINDOWS.items():
                took, answer = group_attempts(place, *window)
                compare(connection.get(path_of(window)).json(), answer)
                seconds[name].append(took)
            advance(1)
    return {name: median(times) for name, times in seconds.items()}


def _asked(connections: Mapping[str, Connection], console: Console) -> dict[str, Asked]:
    """Reports and empty requests by turns at the two servers; then single events until they are seen."""
    asked = {name: Asked() for name in connections}
    with bar(console, "reports and singles at both", total=REPEATS + SINGLES) as advance:
        for _ in range(REPEATS):
            for name, connection in connections.items():
                asked[name].empty.append(seconds_of(connection, "/livez"))
                for window, days in WINDOWS.items():
                    asked[name].reports[window].append(seconds_of(connection, path_of(days)))
            advance(1)
        for event in singles(0, SINGLES):
            for name, connection in connections.items():
                asked[name].shown.append(post_and_see(connection, event).shown)
            advance(1)
    return asked


def _of_loading(many: Loaded, attempts: int) -> list[Figure]:
    payload = many.payload_bytes / many.events
    rates = [
        ("appended", many.appended_a_second, "executemany, as many a commit", many.stored_a_second),
        ("counted", many.counted_a_second(), "executemany", many.stored_a_second),
        ("counted, last fifth", many.counted_a_second(first=0.8), "first fifth", many.counted_a_second(last=0.2)),
    ]
    figures = [
        Figure(MEASURE, f"events {name}", value, A_SECOND, beside, floor) for name, value, beside, floor in rates
    ]
    if taken := many.table_bytes:
        sizes = [
            ("ledger, an event", taken["events"] / many.events, "its payload", payload),
            ("attempts, an attempt", taken["attempts"] / attempts, "payload of an event", payload),
            ("tallies, a tally", taken["tallies"] / many.tallies, "its sums, 8 B each", 8 * len(TALLY_SUMS)),
        ]
        figures += [
            Figure(MEASURE, f"kept of {name}", value, BYTES, beside, floor) for name, value, beside, floor in sizes
        ]
    return figures


def _of_reports(
    loaded: Mapping[str, Loaded], asked: Mapping[str, Asked], grouped: Mapping[str, float], attempts: int
) -> list[Figure]:
    few, many = asked["few"], asked["many"]
    beside = f"with {FEW:,}, p50"
    figures = [
        Figure(
            MEASURE, f"tallies of {DAYS} days, {attempts:,} attempts", loaded["many"].tallies, "", f"with {FEW:,}",
            loaded["few"].tallies,
        )
    ]  # fmt: skip
    for window in WINDOWS:
        value = in_ms(median(many.reports[window]))
        before = in_ms(median(few.reports[window]))
        empty, group = in_ms(median(many.empty)), in_ms(grouped[window])
        name = f"report of {window}, {attempts:,} attempts, p50"
        figures += [
            Figure(MEASURE, name, value, MILLISECONDS, beside, before, ratio_below=MOST_GROWTH),
            Figure(MEASURE, name, value, MILLISECONDS, "GROUP BY over the attempts", group),
            Figure(MEASURE, name, value, MILLISECONDS, "GET /livez, p50", empty),
        ]
    shown, before = in_ms(median(many.shown)), in_ms(median(few.shown))
    name = f"posted to visible, {attempts:,} attempts"
    figures.append(Figure(MEASURE, f"{name}, p50", shown, MILLISECONDS, beside, before, below=MOST_P99_MS))
    return figures
