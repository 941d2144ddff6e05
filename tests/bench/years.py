"""Measure 9: a week, a quarter and a year of a large ledger, beside a small one and beside a GROUP BY."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import MILLISECONDS, Figure, in_ms
from tests.bench.grouping import compare, group_attempts
from tests.bench.growth import path_of
from tests.bench.loading import load
from tests.bench.places import KINDS, Place, place_of
from tests.bench.progress import bar
from tests.bench.serving import serving
from tests.bench.shop import FEWEST_ATTEMPTS, FIRST_DAY, LAST_DAY, Shop
from tests.bench.visible import seconds_of
from tests.bench.wire import Connection

MEASURE: Final = "9 years"
#: Attempts of the small ledger, or a tenth of the large one's where that is fewer.
FEW: Final = 100_000
REPEATS: Final = 40
GROUPINGS: Final = 5
MOST_YEAR_MS: Final = 60
MOST_GROWTH: Final = 1.2
#: So many times quicker than the GROUP BY over the year.
QUICKER: Final = 40
YEAR: Final = "the year"
_MONDAY: Final = FIRST_DAY + timedelta(weeks=20)
WINDOWS: Final[Mapping[str, tuple[date, date]]] = {
    "a week": (_MONDAY, _MONDAY + timedelta(days=6)),
    "a quarter": (date(2024, 4, 1), date(2024, 6, 30)),
    YEAR: (FIRST_DAY, LAST_DAY),
}


@dataclass
class Asked:
    """Seconds of each window, by the report of both ledgers and by the GROUP BY."""

    many: list[float] = field(default_factory=list)
    few: list[float] = field(default_factory=list)
    grouped: list[float] = field(default_factory=list)


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, attempts: int, seed: int) -> list[Figure]:
    """All windows by turns at two servers, on each kind of installation."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, attempts, seed)]


def _measure(folder: Path, console: Console, kind: str, attempts: int, seed: int) -> list[Figure]:
    counts = {"few": max(FEWEST_ATTEMPTS, min(FEW, attempts // 10)), "many": attempts}
    with ExitStack() as stack:
        places = {name: stack.enter_context(place_of(kind, folder / name)) for name in counts}
        for name, count in counts.items():
            load(places[name], Shop(count, seed), console)
        connections = {
            name: stack.enter_context(stack.enter_context(serving(place, workers=0)).connect())
            for name, place in places.items()
        }
        asked = _asked(places["many"], connections, console)
    return list(_figures(kind, asked, counts))


def _asked(many: Place, connections: Mapping[str, Connection], console: Console) -> dict[str, Asked]:
    asked = {window: Asked() for window in WINDOWS}
    with bar(console, f"windows by report and by GROUP BY, {many.kind}", total=REPEATS) as advance:
        for repeat in range(REPEATS):
            for window, days in WINDOWS.items():
                found, path = asked[window], path_of(days)
                if repeat < GROUPINGS:
                    took, answer = group_attempts(many, *days)
                    compare(connections["many"].get(path).json(), answer)
                    found.grouped.append(took)
                found.few.append(seconds_of(connections["few"], path))
                found.many.append(seconds_of(connections["many"], path))
            advance(1)
    return asked


def _figures(kind: str, asked: Mapping[str, Asked], counts: Mapping[str, int]) -> Iterator[Figure]:
    for window, found in asked.items():
        is_year = window == YEAR
        name = f"{kind}, report of {window}, {counts['many']:,} attempts, p50"
        many, few, grouped = (in_ms(median(times)) for times in (found.many, found.few, found.grouped))
        yield Figure(
            MEASURE, name, many, MILLISECONDS, f"with {counts['few']:,}, p50", few,
            below=MOST_YEAR_MS if is_year else None, ratio_below=MOST_GROWTH,
        )  # fmt: skip
        yield Figure(
            MEASURE, name, many, MILLISECONDS, "GROUP BY over the attempts", grouped,
            ratio_below=1 / QUICKER if is_year else None,
        )  # fmt: skip
