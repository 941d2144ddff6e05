"""The plan of a series of trials: all combinations of its levels, some times over, in an order drawn by lot. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod
from random import Random
from typing import Any, Final

from worker.events import thickness_nm
from worker.sentences import Figure, Sentence, figure, sentence

FIRST_PASS: Final = "first_pass"
Level = int | float
#: What can be varied, with its unit.
SETTINGS: Final[Mapping[str, Sentence]] = {
    "power_w": sentence("power (W)"),
    "feed_mm_min": sentence("feed (mm/min)"),
    "gas_pressure_bar": sentence("gas pressure (bar)"),
    "focus_mm": sentence("focus (mm)"),
    "nozzle_mm": sentence("nozzle (mm)"),
    "standoff_mm": sentence("stand-off (mm)"),
    "pierce_seconds": sentence("time of one pierce (s)"),
    "frequency_hz": sentence("frequency (Hz)"),
    "duty_percent": sentence("duty (per cent)"),
}


def said_level(level: Level) -> Figure:
    """A level as it is written."""
    return figure(level, ".12g")


@dataclass(frozen=True)
class Factor:
    """A setting that is varied, with its levels as planned; the others are held against the first."""

    name: str
    levels: tuple[Level, ...]


@dataclass(frozen=True)
class Run:
    """A line of the run sheet: its levels, in the order of the factors, and the block (plate) that it is cut from."""

    levels: tuple[Level, ...]
    block: int | None


@dataclass(frozen=True)
class Plan:
    """A series of trials as it was planned."""

    question: str
    machine: str
    material: str
    thickness_nm: int
    gas: str | None
    response: str
    factors: tuple[Factor, ...]
    runs: tuple[Run, ...]
    parts_a_run: int | None
    stop_failed_runs: int | None
    seed: int | None
    note: str | None

    @property
    def combinations(self) -> list[tuple[Level, ...]]:
        """The planned combinations of levels, each once, in the order of the factors' levels."""
        places = [{level: place for place, level in enumerate(factor.levels)} for factor in self.factors]
        planned = {run.levels for run in self.runs}
        return sorted(planned, key=lambda run: [place[level] for place, level in zip(places, run, strict=True)])


def plan_of(data: Mapping[str, Any]) -> Plan:
    """The plan that the data of an event of type cutledger.trial.planned states."""
    named = ("gas", "parts_a_run", "stop_failed_runs", "seed", "note")
    return Plan(
        question=data["question"],
        machine=data["machine"],
        material=data["material"],
        # Its schema asks for one
        thickness_nm=thickness_nm(dict(data)) or 0,
        response=data["response"],
        factors=tuple(Factor(factor["name"], tuple(factor["levels"])) for factor in data["factors"]),
        runs=tuple(Run(tuple(run["levels"]), run.get("block")) for run in data["runs"]),
        **{name: data.get(name) for name in named},
    )


class SheetImpossible(ValueError):
    """No run sheet has so many replicates in so many blocks. `field`: which of the two is wrong."""

    def __init__(self, field: str, detail: Sentence) -> None:
        super().__init__(f"{field} {detail}")
        self.field = field
        self.detail = detail


def run_sheet(
    factors: Sequence[Sequence[Level]], *, replicates: int, blocks: int, seed: int, most_runs: int
) -> list[Run]:
    """All combinations of the levels, `replicates` times, divided among the blocks, in the order in which to cut them.

    Which part falls to which block, and the order within each, are drawn by lot from the seed, so that nothing that
    drifts is taken for an effect. Where blocks are fewer than replicates each holds whole ones. Where they are more,
    each replicate is divided by the sum of its levels' places modulo the blocks that it takes, which mixes up with the
    blocks no main effect but a part of the highest interaction alone. Raises SheetImpossible.
    """
    places = [range(len(levels)) for levels in factors]
    runs = prod(len(levels) for levels in factors) * replicates
    if runs > most_runs:
        detail = sentence(
            "makes %(runs)s runs, more than %(most)s; leave out a level, or replicate less", runs=runs, most=most_runs
        )
        raise SheetImpossible("replicates", detail)
    each = _parts_of_a_replicate(factors, replicates=replicates, blocks=blocks)
    cells = list(product(*places))
    parts = [[cell for cell in cells if sum(cell) % each == part] for _ in range(replicates) for part in range(each)]
    random = Random(seed)
    random.shuffle(parts)
    together = len(parts) // blocks
    sheet = []
    for block in range(blocks):
        mine = [cell for part in parts[block * together : (block + 1) * together] for cell in part]
        random.shuffle(mine)
        for cell in mine:
            levels = tuple(levels[place] for levels, place in zip(factors, cell, strict=True))
            sheet.append(Run(levels, block + 1))
    return sheet


def _parts_of_a_replicate(factors: Sequence[Sequence[Level]], *, replicates: int, blocks: int) -> int:
    if replicates % blocks == 0:
        return 1
    parts, rest = divmod(blocks, replicates)
    if rest == 0 and len(factors) > 1 and all(len(levels) % parts == 0 for levels in factors):
        return parts
    detail = sentence(
        "must be a number that %(replicates)s replicates divide among evenly, such as %(replicates)s; or "
        "%(replicates)s times a number that divides the levels of each of two factors or more",
        replicates=replicates,
    )
    raise SheetImpossible("blocks", detail)
