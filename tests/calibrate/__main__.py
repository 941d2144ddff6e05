"""`python -m tests.calibrate`: are the statistics as certain as they say?"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Final

import click
from rich.console import Console

from tests.calibrate import (
    causes,
    comparisons,
    coverage,
    factorials,
    limits,
    lot_alarms,
    plans,
    reactions,
    series,
    standings,
    trends,
    wear,
)
from tests.calibrate.figures import Figure, by_question
from tests.calibrate.showing import show

#: Where no terminal says how wide it is.
WIDTH: Final = 200
PARTS: Final[dict[str, Callable[[int], Iterable[Figure]]]] = {
    "coverage": lambda seed: coverage.figures(seed, trials=10_000),
    "comparisons": lambda seed: comparisons.figures(seed, trials=3_000),
    "lots": lambda seed: lot_alarms.figures(seed, trials=500, large_trials=100),
    "trend": lambda seed: trends.figures(seed, weeks=8_000, trials=300),
    "plans": lambda seed: plans.figures(seed, trials=300),
    "causes": lambda seed: causes.figures(seed, shops=20),
    "limits": lambda seed: limits.figures(seed, shops=500, long_shops=25),
    "series": lambda seed: series.figures(seed, trials=2_000),
    "reactions": lambda seed: reactions.figures(seed, trials=1_000),
    "standing": lambda seed: standings.figures(seed, shops=250),
    "trials": lambda seed: factorials.figures(seed, trials=500),
    "wear": lambda seed: wear.figures(seed, trials=150),
}


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--only", multiple=True, type=click.Choice(tuple(PARTS)), help="Run only this.")
@click.option("--seed", default=1, show_default=True, help="The shops that are simulated.")
def main(only: Sequence[str], seed: int) -> None:
    """Simulate shops whose truth is known, and hold the reports' intervals and verdicts against it.

    Prints a table, exits 1 when a demanded figure is missed. The same seed gives the same figures.
    """
    console = Console()
    if not console.is_terminal:
        console = Console(width=WIDTH)
    began = time.monotonic()
    figures: list[Figure] = []
    for name in PARTS:
        if name in only or not only:
            found = by_question(PARTS[name](seed))
            show(console, found, title=f"calibrate: {name}")
            figures += found
    console.print(f"{time.monotonic() - began:,.0f} s; parts of a plate are alike by 0.2 where nothing else is said")
    sys.exit(any(figure.met is False for figure in figures))


if __name__ == "__main__":
    main()
