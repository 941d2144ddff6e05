"""First attempts of one material by setup, thickness, condition and heat: read once, told with and without a heat."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final, NamedTuple

from worker.measures import FIRST_PASS
from worker.naming import name_key
from worker.plates import UNKNOWN
from worker.reports.expected_yield import ExpectedYield, History, PlannedCut, Setup, history_of
from worker.reports.process_parts import CELL_NAMES, process_parts
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums
from worker.stats.clustering import Clustered, correlation

_DIVIDED: Final = (*CELL_NAMES, "mill", "heat_number")


class Heat(NamedTuple):
    """A heat of a mill; the mill by its key, None where nobody noted it."""

    mill: str | None
    number: str


def heat_of(mill: str | None, number: str | None) -> Heat | None:
    """The heat of these names; None where no heat number is known."""
    return None if number is None else Heat(None if mill is None else name_key(mill), number)


class _Cell(NamedTuple):
    setup: Setup
    thickness_nm: int
    surface_group: str
    thermal_history: str


@dataclass(frozen=True, slots=True)
class Behind:
    """The parts that an expected yield is made of, and the heats that they were cut of, as far as these are known."""

    parts: Clustered
    heats: frozenset[Heat]


class Past:
    """The past of a material: first attempts that speak of the process, of all purposes and recipes."""

    def __init__(self, reader: Reader, question: Question, material: str) -> None:
        asked = replace(question, filters={**question.filters, "material": (material,)})
        found = process_parts(reader, asked, _DIVIDED)
        self._notes, self._question = found.notes, found.question
        self._heats: dict[_Cell, dict[Heat | None, Sums]] = defaultdict(dict)
        alike: dict[Group, Sums] = {}
        for group, sums in found.groups.items():
            if sums[FIRST_PASS.n]:
                _add(alike, group[: len(CELL_NAMES)], sums)
                self._keep(group, sums)
        # Within cells of equal recipe, so that differences between recipes are none between plates.
        self._pooled = correlation(FIRST_PASS.counts(sums) for sums in alike.values())

    def _keep(self, group: Group, sums: Sums) -> None:
        thickness_nm, _, machine, gas, surface, thermal, _, mill, number = group
        if thickness_nm is not None:
            cell = _Cell(Setup(machine, gas), thickness_nm, surface or UNKNOWN, thermal or UNKNOWN)
            _add(self._heats[cell], heat_of(mill, number), sums)

    @cached_property
    def whole(self) -> History:
        """All of it."""
        return self.without(None)

    def without(self, heat: Heat | None) -> History:
        """All of it but the parts of one heat. Parts of a plate stay as alike as they are over all."""
        cells = [
            (cell.setup, None, cell.thickness_nm, cell.surface_group, cell.thermal_history, counts)
            for cell, heats in self._heats.items()
            if (counts := _counts(sums for one, sums in heats.items() if heat is None or one != heat)).n
        ]
        return replace(history_of(cells, question=self._question, notes=self._notes), pooled=self._pooled)

    def behind(self, cut: PlannedCut, expected: ExpectedYield, *, without: Heat | None = None) -> Behind:
        """What a yield rests on: its cell, thicker plate too, or all that the curve took; without the parts of a heat.

        The heats are those of plate in the condition asked for alone: the rest of a curve is common to all conditions.
        """
        parts: list[Sums] = []
        heats: set[Heat | None] = set()
        for cell, every in self._heats.items():
            sums = {heat: one for heat, one in every.items() if without is None or heat != without}
            alike = cut.surface_group in (None, cell.surface_group)
            alike = alike and cut.thermal_history in (None, cell.thermal_history)
            if cell.setup != expected.setup or not _within(expected.source, cell.thickness_nm, cut.thickness_nm):
                continue
            if alike:
                heats |= sums.keys()
            if alike or expected.source == "curve":
                parts += sums.values()
        return Behind(_counts(parts), frozenset(heat for heat in heats if heat is not None))


def _within(source: str | None, thickness_nm: int, asked_nm: int) -> bool:
    if source == "curve":
        return True
    return thickness_nm >= asked_nm if source == "thicker" else thickness_nm == asked_nm


def _add(groups: dict[Any, Sums], key: Any, sums: Mapping[str, int]) -> None:
    """Whole numbers, so that no order shows."""
    before = groups.get(key)
    groups[key] = {name: sums[name] + (before[name] if before else 0) for name in FIRST_PASS.names}


def _counts(several: Iterable[Mapping[str, int]]) -> Clustered:
    """Counts of sums together."""
    added: dict[None, Sums] = {None: dict.fromkeys(FIRST_PASS.names, 0)}
    for sums in several:
        _add(added, None, sums)
    return FIRST_PASS.counts(added[None])
