"""Measure 5: every report of the catalogue, and what only attempts tell, on a year of attempts."""

from __future__ import annotations

import sqlite3
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import MILLISECONDS, Figure, in_ms
from tests.bench.loading import load
from tests.bench.places import Place, embedded_in
from tests.bench.progress import bar
from tests.bench.serving import serving
from tests.bench.shop import FIRST_DAY, LAST_DAY, Shop
from tests.bench.visible import seconds_of
from tests.bench.wire import Connection
from tests.builders import SITE
from worker.reports.catalogue import REPORTS

MEASURE: Final = "5 attempts"
REPEATS: Final = 5
#: "Well under a second".
MOST_MS: Final = 500
WINDOWS: Final[Mapping[str, tuple[date, date]]] = {
    "8 weeks": (LAST_DAY - timedelta(weeks=8) + timedelta(days=1), LAST_DAY),
    "52 weeks": (FIRST_DAY, LAST_DAY),
}
#: What tallies carry: beside it stands all that must read attempts.
FROM_TALLIES: Final = "yield"
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
#: The least that a window of attempts costs: each read once by the driver alone, three sums.
_FLOOR: Final = """
    select thickness_nm, count(*), sum(quantity), sum(good) from attempts
    where site = ? and day >= ? and day <= ? group by thickness_nm"""


@dataclass
class Asked:
    """Seconds of each question when it is asked first and again, and of the floor, over one window.

    Asked again, what took long is an answer that was kept.
    """

    first: dict[str, float]
    again: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    floor: list[float] = field(default_factory=list)


def first_asked(connection: Connection, window: tuple[date, date]) -> Iterator[tuple[str, float]]:
    """(each report as it is asked when nothing is said, then what only attempts carry, seconds it takes).

    What cannot be asked without more is left out, and so is what would have too many rows.
    """
    for question in (*REPORTS, *OF_ATTEMPTS, LONG):
        began = time.perf_counter()
        if connection.get(path_of(question, window)).status != UNANSWERABLE:
            yield question, time.perf_counter() - began


def measure(folder: Path, console: Console, *, attempts: int, seed: int) -> list[Figure]:
    """All questions over both windows by turns, at one server on a year of attempts."""
    place = embedded_in(folder)
    load(place, Shop(attempts, seed), console)
    with (
        serving(place) as server,
        server.connect() as connection,
        closing(_driver(place)) as driver,
        bar(console, "reports of both windows", total=REPEATS) as advance,
    ):
        asked = {window: Asked(dict(first_asked(connection, days))) for window, days in WINDOWS.items()}
        for _ in range(REPEATS):
            for window, days in WINDOWS.items():
                _ask(connection, driver, days, asked[window])
            advance(1)
    return [figure for window, found in asked.items() for figure in _figures(window, found, attempts)]


def _ask(connection: Connection, driver: sqlite3.Connection, window: tuple[date, date], asked: Asked) -> None:
    asked.floor.append(_seconds_of_floor(driver, window))
    for question in asked.first:
        asked.again[question].append(seconds_of(connection, path_of(question, window)))


def path_of(question: str, window: tuple[date, date]) -> str:
    """A question over a window."""
    return f"/v1/reports/{question}{'&' if '?' in question else '?'}from={window[0]}&to={window[1]}"


def _driver(place: Place) -> sqlite3.Connection:
    return sqlite3.connect(f"file:{place.file.absolute()}?mode=ro", uri=True)


def _seconds_of_floor(driver: sqlite3.Connection, window: tuple[date, date]) -> float:
    began = time.perf_counter()
    driver.execute(_FLOOR, (SITE, *(day.isoformat() for day in window))).fetchall()
    return time.perf_counter() - began


def _figures(window: str, asked: Asked, attempts: int) -> Iterator[Figure]:
    tallies, floor = in_ms(median(asked.again[FROM_TALLIES])), in_ms(median(asked.floor))
    for question, first in asked.first.items():
        name = f"{question}, {window} of {attempts:,} attempts, first asked"
        yield Figure(MEASURE, name, in_ms(first), MILLISECONDS, "three sums over its attempts, driver", floor)
    for question, seconds in asked.again.items():
        name, value = f"{question}, {window} of {attempts:,} attempts, p50", in_ms(median(seconds))
        wanted = None if question == LONG else MOST_MS
        if question != FROM_TALLIES:
            yield Figure(MEASURE, name, value, MILLISECONDS, f"{FROM_TALLIES}, from the tallies", tallies)
        yield Figure(MEASURE, name, value, MILLISECONDS, "three sums over its attempts, driver", floor, below=wanted)
