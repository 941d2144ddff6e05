"""First-pass yield against thickness on one machine: the counts of a report as the curve that `stats` fits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from worker.plates import UNKNOWN
from worker.sentences import sentence
from worker.stats.clustering import Clustered, promising
from worker.stats.thickness_curve import Tried, YieldCurve, yield_curve

#: What a curve holds equal, by the names of the dimensions: within one material, cut on one machine with one gas.
WITHIN: Final = ("material", "machine", "gas")
#: What moves a curve up or down.
CONDITION: Final = ("surface_group", "thermal_history")
#: The states of the plate that shift the curve, each 0 or 1; without any of them it is clean and as supplied.
SHIFTS: Final[Mapping[str, tuple[str, str]]] = {
    sentence("disturbed surface"): ("surface_group", "disturbed"),
    sentence("surface not noted"): ("surface_group", UNKNOWN),
    sentence("thermal edge"): ("thermal_history", "thermal_edge"),
    sentence("hardened"): ("thermal_history", "hardened"),
    sentence("thermal history not noted"): ("thermal_history", UNKNOWN),
}
#: (thickness in nanometres, surface group, thermal history), as stored.
Cell = tuple[int, str, str]


def shifted(surface_group: str | None, thermal_history: str | None) -> tuple[int, ...]:
    """The 0 or 1 of each of SHIFTS for a plate in this condition; None is not noted."""
    state = {"surface_group": surface_group or UNKNOWN, "thermal_history": thermal_history or UNKNOWN}
    return tuple(int(state[dimension] == word) for dimension, word in SHIFTS.values())


def curve_of(cells: Iterable[tuple[Cell, Clustered]], *, pooled: float | None) -> YieldCurve:
    """The curve of the first-attempt parts of one material on one machine with one gas.

    cells: counts by thickness and condition, in any order; equal cells are taken together. pooled: the correlation of
    parts of one plate over the whole report, which every cell's counts are divided by: what few plates of one cell say
    of it is poor, and an interval made with that too narrow. None: nothing tells it, and a plate counts as one part.
    """
    together: dict[Cell, list[Clustered]] = {}
    for cell, counts in cells:
        together.setdefault(cell, []).append(counts)
    tried = [
        Tried(nm / 1_000_000, promising(Clustered.total(counts), pooled=pooled), shifted(*condition))
        for (nm, *condition), counts in sorted(together.items())
    ]
    return yield_curve(tried, names=tuple(SHIFTS))
