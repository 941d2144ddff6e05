"""`python -m tests.bench`: run the measures, print the table, write the JSON."""

from __future__ import annotations

import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console

from tests.bench import (
    counted,
    door,
    growth,
    large_batches,
    mixed,
    reading_attempts,
    rebuilding,
    soaking,
    starting,
    streaming,
    visible,
    week_page,
    workers,
    years,
)
from tests.bench.figures import Figure
from tests.bench.places import GROWN, KINDS
from tests.bench.shop import FEWEST_ATTEMPTS
from tests.bench.showing import show, write
from tests.bench.surroundings import in_words, load_average, machine, postgres, versions

RESULTS: Final = Path("bench-results")
MEASURES: Final = (
    "visible", "batch", "growth", "door", "attempts", "week",
    "counted", "mixed", "years", "workers", "rebuild", "start",
)  # fmt: skip
#: Takes so long that it is run only when asked for.
SOAK: Final = "soak"
MANY: Final = 1_000_000
MANY_QUICKLY: Final = 100_000
#: Where no terminal says how wide it is.
WIDTH: Final = 160
Measure = Callable[[Path, Console], list[Figure]]


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--attempts",
    envvar="BENCH_ATTEMPTS",
    type=click.IntRange(min=FEWEST_ATTEMPTS),
    help=f"Attempts of the large ledger (BENCH_ATTEMPTS); {MANY:,} by default.",
)
@click.option("--quick", is_flag=True, help=f"{MANY_QUICKLY:,} attempts unless --attempts says otherwise.")
@click.option("--only", multiple=True, type=click.Choice((*MEASURES, SOAK)), help="Run only this.")
@click.option(
    "--on",
    "kinds",
    multiple=True,
    default=KINDS,
    type=click.Choice(KINDS),
    help="Only on this kind of installation, where both are measured.",
)
@click.option(
    "--soak-minutes",
    default=soaking.MINUTES,
    show_default=True,
    type=click.IntRange(min=1),
    help=f"Minutes of --only {SOAK} on each kind of installation; it is run only when asked for.",
)
@click.option("--seed", default=1, show_default=True, help="The shop that is measured.")
def main(
    attempts: int | None, only: Sequence[str], kinds: Sequence[str], soak_minutes: int, seed: int, *, quick: bool
) -> None:
    """Measure the service on a real server, each figure beside a floor in the same run.

    Prints a table, writes JSON into bench-results/, exits 1 when a wanted figure is missed. Machines are noisy: believe
    the ratios.
    """
    many = attempts or (MANY_QUICKLY if quick else MANY)
    measures: dict[str, Measure] = {
        "visible": lambda folder, console: [
            *visible.measure(folder / "alone", console, kinds=kinds),
            *streaming.measure(folder / "stream", console, kinds=kinds),
        ],
        "batch": lambda folder, console: large_batches.measure(folder, console, seed=seed),
        "growth": lambda folder, console: growth.measure(folder, console, attempts=many, seed=seed),
        "door": lambda folder, console: door.measure(folder, console, kinds=kinds, seed=seed),
        "attempts": lambda folder, console: reading_attempts.measure(
            folder, console, kinds=kinds, attempts=many, seed=seed
        ),
        "week": lambda folder, console: week_page.measure(folder, console, seed=seed),
        "counted": lambda folder, console: counted.measure(folder, console, kinds=kinds, seed=seed),
        "mixed": lambda folder, console: mixed.measure(folder, console, kinds=kinds, seed=seed),
        "years": lambda folder, console: years.measure(folder, console, kinds=kinds, attempts=many, seed=seed),
        "workers": lambda folder, console: workers.measure(folder, console, seed=seed),
        "rebuild": lambda folder, console: rebuilding.measure(folder, console, attempts=many, seed=seed),
        "start": lambda folder, console: starting.measure(folder, console, attempts=many, seed=seed),
        SOAK: lambda folder, console: soaking.measure(
            folder, console, kinds=kinds, seed=seed, minutes=soak_minutes
        ),
    }  # fmt: skip
    console = Console()
    if not console.is_terminal:
        console = Console(width=WIDTH)
    # So that blocks are left, and with them servers, workers and databases end.
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    if GROWN not in kinds:
        del measures["workers"]
    chosen = {name: measures[name] for name in measures if name in (only or MEASURES)}
    sys.exit(_run(chosen, console, many, seed))


def _run(measures: dict[str, Measure], console: Console, attempts: int, seed: int) -> int:
    at, began, load = datetime.now(UTC), time.monotonic(), load_average()
    facts: dict[str, Any] = {
        "versions": versions(), "postgresql": postgres(), "machine": machine(), "seed": seed, "attempts": attempts
    }  # fmt: skip
    console.print(in_words(facts["machine"], facts["versions"]), highlight=False)
    figures: list[Figure] = []
    for name, measure in measures.items():
        with tempfile.TemporaryDirectory(prefix=f"cutledger-bench-{name}-") as folder:
            figures += measure(Path(folder), console)
    seconds = round(time.monotonic() - began, 1)
    loads = {"load_average_before": load, "load_average_after": load_average()}
    path = write(RESULTS, at, facts | loads | {"seconds": seconds}, figures)
    show(console, figures)
    console.print(
        f"{seconds:,} s; load average {load} before, {load_average()} after. Written: {path}", highlight=False
    )
    return int(any(figure.met is False for figure in figures))


if __name__ == "__main__":
    main()
