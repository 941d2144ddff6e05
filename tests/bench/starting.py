"""Measure 12: from the start of the command to the first answer of /readyz, on a large ledger and an empty one."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console

from tests.bench.figures import SECONDS, Figure
from tests.bench.loading import load
from tests.bench.places import Place, embedded_in
from tests.bench.progress import bar
from tests.bench.serving import bare_ready_after, prepared, serving
from tests.bench.shop import Shop

MEASURE: Final = "12 start"
REPEATS: Final = 5
#: Whoever starts a server waits no longer.
READY_SECONDS: Final = 2.0
HELP_SECONDS: Final = 0.5
_HELP: Final = ("-m", "service", "--help")
_BARE_HELP: Final = ("-c", "import click; click.Command('bare').main(['--help'])")


def measure(folder: Path, console: Console, *, attempts: int, seed: int) -> list[Figure]:
    """REPEATS times by turns on both, beside a bare application, and the help of the command beside a bare one."""
    places: dict[str, Place] = {name: embedded_in(folder / name) for name in ("empty", "many")}
    prepared(places["empty"]).close()
    events = load(places["many"], Shop(attempts, seed), console).events
    seconds: dict[str, list[float]] = {name: [] for name in (*places, "bare", "help", "bare help")}
    with bar(console, "starts of the server", total=REPEATS) as advance:
        for _ in range(REPEATS):
            for name, place in places.items():
                with serving(place) as server:
                    seconds[name].append(server.ready_after)
            seconds["bare"].append(bare_ready_after(places["empty"]))
            seconds["help"].append(_took(*_HELP))
            seconds["bare help"].append(_took(*_BARE_HELP))
            advance(1)
    took = {name: median(each) for name, each in seconds.items()}
    ready, bare = f"serve to ready, {events:,} events", "a bare application of Flask and SQLAlchemy"
    helps, bare_help = took["help"], took["bare help"]
    return [
        Figure(MEASURE, ready, took["many"], SECONDS, bare, took["bare"], below=READY_SECONDS),
        Figure(MEASURE, ready, took["many"], SECONDS, "an empty ledger", took["empty"], ratio_below=1.5),
        Figure(MEASURE, "cutledger --help", helps, SECONDS, "a bare command", bare_help, below=HELP_SECONDS),
    ]


def _took(*arguments: str) -> float:
    """Seconds that a Python process takes."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began
