"""`python -m tests.chaos`: kill what can be killed, and recount."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import click

from tests.chaos import broken_broker, embedded, full_disk, grown, sensitivity, throughput
from tests.chaos.figures import Figures, write


def _grown(seconds: float, seed: int, pace: float) -> list[Figures]:
    figures = grown.run(grown.Plan(seconds=seconds, seed=seed, events_a_second=pace))
    if seconds >= grown.LONG_SECONDS:
        grown.ask_of_the_long_run(figures)
    return [figures]


def _embedded(_seconds: float, seed: int, _pace: float) -> list[Figures]:
    return [embedded.run(embedded.Plan(seed=seed))]


def _full_disk(_seconds: float, seed: int, _pace: float) -> list[Figures]:
    return [full_disk.run(seed)]


PARTS: Final[dict[str, Callable[[float, int, float], list[Figures]]]] = {
    "grown": _grown,
    "embedded": _embedded,
    "full-disk": _full_disk,
    "faults": lambda _seconds, seed, _pace: sensitivity.run(seed),
    "throughput": lambda _seconds, seed, _pace: throughput.run(seed),
    "broker": lambda _seconds, seed, _pace: broken_broker.run(seed),
}
ALL: Final = "all"
#: These print a table of their own.
TABLES: Final = ("faults", "throughput", "broker")


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("parts", nargs=-1, type=click.Choice((*PARTS, ALL)))
@click.option(
    "--seconds", default=float(grown.LONG_SECONDS), show_default=True, help="Seconds of load on the grown one."
)
@click.option("--seed", default=1, show_default=True, help="Stories and kills are those of this seed.")
@click.option("--pace", default=900.0, show_default=True, help="Events a second that the clients post at most.")
@click.option("--json", "path", type=click.Path(dir_okay=False, path_type=Path), help="Write the figures here too.")
def main(parts: Sequence[str], seconds: float, seed: int, pace: float, path: Path | None) -> None:
    """Kill services, workers, Redis and PostgreSQL under load, and recount what is left.

    PARTS: the grown installation (by default), the embedded one, a full disk, planted faults, throughput of workers, a
    broken broker, or all of these.

    Exits 1 when an acknowledged event is lost or counted otherwise than once, or a planted fault is not seen.
    """
    # So that all processes are ended with it, however it is ended.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    runs: list[Figures] = []
    for part in PARTS if ALL in parts else parts or ("grown",):
        done = PARTS[part](seconds, seed, pace)
        for figures in done:
            if part not in TABLES:
                figures.show()
        runs += done
    if path is not None:
        write(path, runs)
    if not all(figures.is_good for figures in runs):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
