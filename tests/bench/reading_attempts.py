"""Measure 5: every report of the catalogue, and what only attempts tell, on a year of attempts."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import MILLISECONDS, Figure, in_ms
from tests.bench.loading import load
from tests.bench.places import KINDS, place_of
from tests.bench.progress import bar
from tests.bench.serving import serving
from tests.bench.shop import FIRST_DAY, LAST_DAY, Shop
from tests.bench.visible import seconds_of
from tests.bench.wire import Connection
from worker.reports.catalogue import REPORTS

MEASURE: Final = "5 attempts"
REPEATS: Final = 5
MOST_MS: Final = 500
WINDOWS: Final[Mapping[str, tuple[date, date]]] = {
    "8 weeks": (LAST_DAY - timedelta(weeks=8) + timedelta(days=1), LAST_DAY),
    "52 weeks": (FIRST_DAY, LAST_DAY),
}
#: Divisions and filters that only attempts carry, as they are asked.
OF_ATTEMPTS: Final = (
    "yield?by=part_number",
    "yield?by=mill,heat_number",
    "yield?by=job",
    "yield?by=thickness&heat_number=H012-20",
    "yield?by=thickness&job=J-30-20",
    "losses?by=part_number",
    "pierces?by=heat_number",
    "rework?by=part_number",
)
#: Its answer is as long as the window has plates: shown, and nothing wanted of it.
LONG: Final = "yield?by=plate"
UNANSWERABLE: Final = 422


@dataclass
class Asked:
    """Seconds of each question over one window, when it is asked first and again: what took long was kept by then."""

    first: dict[str, float]
    again: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))


def first_asked(connection: Connection, window: tuple[date, date]) -> Iterator[tuple[str, float]]:
    """(each report as it is asked when nothing is said, then what only attempts carry, seconds it takes).

    What cannot be asked without more is left out, and so is what would have too many rows.
    """
    for question in (*REPORTS, *OF_ATTEMPTS, LONG):
        began = time.perf_counter()
        if connection.get(path_of(question, window)).status != UNANSWERABLE:
            yield question, time.perf_counter() - began


def measure(folder: Path, console: Console, *, kinds: Sequence[str] = KINDS, attempts: int, seed: int) -> list[Figure]:
    """All questions over both windows by turns, at one server of each kind on a year of attempts."""
    return [figure for kind in kinds for figure in _measure(folder / kind, console, kind, attempts, seed)]


def _measure(folder: Path, console: Console, kind: str, attempts: int, seed: int) -> list[Figure]:
    with place_of(kind, folder) as place:
        load(place, Shop(attempts, seed), console)
        with (
            serving(place) as server,
            server.connect() as connection,
            bar(console, f"reports of both windows, {kind}", total=REPEATS) as advance,
        ):
            asked = {window: Asked(dict(first_asked(connection, days))) for window, days in WINDOWS.items()}
            for _ in range(REPEATS):
                for window, days in WINDOWS.items():
                    for question in asked[window].first:
                        asked[window].again[question].append(seconds_of(connection, path_of(question, days)))
                advance(1)
    return [
        Figure(
            MEASURE, f"{kind}, {question}, {window} of {attempts:,} attempts, p50", in_ms(median(seconds)),
            MILLISECONDS, "first asked", in_ms(found.first[question]), below=None if question == LONG else MOST_MS,
        )
        for window, found in asked.items()
        for question, seconds in found.again.items()
    ]  # fmt: skip


def path_of(question: str, window: tuple[date, date]) -> str:
    """A question over a window."""
    return f"/v1/reports/{question}{'&' if '?' in question else '?'}from={window[0]}&to={window[1]}"
