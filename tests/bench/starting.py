"""Measure 12: from the start of the command to the first answer of /readyz, on a large ledger and on an empty one."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import SECONDS, Figure
from tests.bench.loading import load
from tests.bench.places import Place, embedded_in
from tests.bench.progress import bar
from tests.bench.serving import prepared, serving
from tests.bench.shop import Shop

MEASURE: Final = "12 start"
REPEATS: Final = 5


def measure(folder: Path, console: Console, *, attempts: int, seed: int) -> list[Figure]:
    """REPEATS times by turns on both."""
    places: dict[str, Place] = {name: embedded_in(folder / name) for name in ("empty", "many")}
    prepared(places["empty"]).close()
    events = load(places["many"], Shop(attempts, seed), console).events
    seconds: dict[str, list[float]] = {name: [] for name in places}
    with bar(console, "starts of the server", total=REPEATS) as advance:
        for _ in range(REPEATS):
            for name, place in places.items():
                with serving(place) as server:
                    seconds[name].append(server.ready_after)
            advance(1)
    name = f"serve to ready, {events:,} events"
    return [Figure(MEASURE, name, median(seconds["many"]), SECONDS, "an empty ledger", median(seconds["empty"]))]
