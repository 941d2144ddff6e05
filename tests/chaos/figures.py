"""What a run has to show: figures for people and for machines, and what was found wrong."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import click
import orjson

from tests.chaos.judging import Judgement

#: Of each kind of what is wrong so much is shown on the screen; the JSON holds more.
SHOWN: Final = 3
WRITTEN: Final = 1_000


@dataclass
class Figures:
    """The figures of one run. `missed` says what was asked of the run and not reached."""

    run: str
    seed: int
    values: dict[str, Any] = field(default_factory=dict)
    judgement: Judgement = field(default_factory=Judgement)
    missed: list[str] = field(default_factory=list)

    @property
    def is_good(self) -> bool:
        """True when nothing is wrong and all that was asked was reached."""
        return not self.judgement.found() and not self.missed

    def plain(self) -> dict[str, Any]:
        """As JSON takes it."""
        lists = {name: list(found)[:WRITTEN] for name, found in vars(self.judgement).items()}
        counts = {name: len(found) for name, found in vars(self.judgement).items()}
        base = {"run": self.run, "seed": self.seed, "good": self.is_good, "missed": self.missed}
        return base | {"figures": self.values, "counts": counts, "found": lists}

    def show(self) -> None:
        """Print them."""
        click.echo(f"\n{self.run}, seed {self.seed}")
        for name, value in self.values.items():
            shown = ", ".join(f"{k} {v}" for k, v in value.items()) if isinstance(value, Mapping) else value
            if isinstance(shown, list):
                shown = "; ".join(str(one) for one in shown[:SHOWN]) or "none"
            click.echo(f"  {name.replace('_', ' '):<28} {shown:,}" if isinstance(shown, int) else
                       f"  {name.replace('_', ' '):<28} {shown}")  # fmt: skip
        for name, found in vars(self.judgement).items():
            click.echo(f"  {name.replace('_', ' '):<28} {len(found):,}")
            for one in found[:SHOWN]:
                click.echo(f"      {one}")
        for one in self.missed:
            click.echo(f"  MISSED: {one}")
        click.echo(f"  {'all as it should be' if self.is_good else 'NOT as it should be'}")


def write(path: Path, runs: Iterable[Figures]) -> None:
    """Write the figures as JSON."""
    path.write_bytes(orjson.dumps([one.plain() for one in runs], option=orjson.OPT_INDENT_2 | orjson.OPT_NON_STR_KEYS))


def percentile_ms(seconds: Iterable[float], share: float) -> float:
    """The smallest value, in ms, that at least this share (0-1) of the values do not exceed; NaN of none."""
    ordered = sorted(seconds)
    if not ordered:
        return math.nan
    return round(ordered[max(0, math.ceil(share * len(ordered)) - 1)] * 1_000, 1)
