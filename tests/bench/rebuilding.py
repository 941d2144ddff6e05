"""Measure 11: a whole ledger computed again, beside a plain script that computes the same measures of its export."""

from __future__ import annotations

import math
from pathlib import Path
from statistics import median
from typing import Any, Final

import orjson
from rich.console import Console

from tests.bench.by_frames import MEASURES
from tests.bench.children import Ran, run
from tests.bench.figures import A_SECOND, MEGA, MEGABYTES, SECONDS, Figure
from tests.bench.growth import path_of
from tests.bench.loading import load
from tests.bench.places import Place, embedded_in
from tests.bench.progress import bar
from tests.bench.serving import serving
from tests.bench.shop import FEWEST_ATTEMPTS, FIRST_DAY, LAST_DAY, Shop

MEASURE: Final = "11 rebuild"
#: Fewer where a ledger is so large that each takes minutes.
REPEATS: Final = 5
REPEATS_OF_MANY: Final = 3
MANY: Final = 200_000
#: The large ledger has so many times the attempts of the small one.
TIMES: Final = 5
#: Of kilograms, minutes and money of a year.
_MOST_OFF: Final = 0.01


class ScriptDiffers(Exception):
    """The script does not say what the report says."""


def measure(folder: Path, console: Console, *, attempts: int, seed: int) -> list[Figure]:
    """By turns: the small and the large ledger computed again, and the script over the export of the large one."""
    counts = {"few": max(FEWEST_ATTEMPTS, attempts // TIMES), "many": attempts}
    places = {name: embedded_in(folder / name) for name in counts}
    events = {name: load(places[name], Shop(count, seed), console).events for name, count in counts.items()}
    exported = folder / "ledger.ndjson"
    many = places["many"]
    run(many.environment, "service", "export", str(exported))
    found: dict[str, list[Ran]] = {name: [] for name in (*places, "script")}
    repeats = REPEATS if attempts < MANY else REPEATS_OF_MANY
    with bar(console, "ledgers computed again", total=repeats) as advance:
        for _ in range(repeats):
            for name, place in places.items():
                found[name].append(run(place.environment, "service", "rebuild"))
            found["script"].append(run(many.environment, "tests.bench.by_frames", str(exported)))
            advance(1)
    _compare(many, orjson.loads(found["script"][0].output))
    return _figures(found, events, repeats)


def _compare(place: Place, script: dict[str, list[float]]) -> None:
    """Raise ScriptDiffers unless the report after the rebuild says the same."""
    with serving(place) as server, server.connect() as connection:
        rows: list[dict[str, Any]] = connection.get(path_of((FIRST_DAY, LAST_DAY))).json()["rows"]
    report = {f"{float(row['thickness_mm']):g}": row for row in rows}
    if report.keys() != script.keys():
        raise ScriptDiffers(f"thicknesses {sorted(report)} are not {sorted(script)}")
    for mm, values in script.items():
        for name, value in zip(MEASURES, values, strict=True):
            # The script adds up floats, and rounds no attempt's cost.
            if not math.isclose(report[mm][name], value, rel_tol=1e-9, abs_tol=_MOST_OFF):
                raise ScriptDiffers(f"{name} of {mm} mm is {report[mm][name]} in the report, {value} by the script")


def _figures(found: dict[str, list[Ran]], events: dict[str, int], repeats: int) -> list[Figure]:
    seconds = {name: median(one.seconds for one in ran) for name, ran in found.items()}
    processor = {name: median(one.processor_seconds for one in ran) for name, ran in found.items()}
    name, script = f"{events['many']:,} events, median of {repeats}", "a script over the export"
    rates = {size: events[size] / seconds[size] for size in events}
    figures = [
        Figure(MEASURE, name, seconds["many"], SECONDS, script, seconds["script"]),
        Figure(MEASURE, f"{name}, processor", processor["many"], SECONDS, script, processor["script"]),
        Figure(MEASURE, name, rates["many"], A_SECOND, f"{events['few']:,} events", rates["few"]),
    ]
    peaks = {name: [one.peak / MEGA for one in ran if one.peak] for name, ran in found.items()}
    if all(peaks.values()):
        most = {name: max(values) for name, values in peaks.items()}
        beside = ((script, most["script"]), (f"{events['few']:,} events", most["few"]))
        name = f"{events['many']:,} events, peak memory"
        figures += [Figure(MEASURE, name, most["many"], MEGABYTES, *one) for one in beside]
    return figures
