"""What each recipe was cut with under which conditions: parts, pierces, machine time, rework, and its settings."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import orjson
from sqlalchemy import and_, case, func, select

from worker.batches import in_batches
from worker.measures import E3, FAILED_PIERCES, FIRST_PASS
from worker.reports.by_combination import told_apart_by
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.process_parts import ProcessParts, process_parts
from worker.reports.questions import Question
from worker.reports.reading import Reader, Sums, attempt_groups, conditions_of
from worker.stats.clustering import Clustered
from worker.sums import total

#: What is cut: recipes are for the same of it, or for none.
TASK: Final = ("thickness", "material", "machine", "gas")
#: What the plate was like.
CONDITION: Final = ("surface_group", "thermal_history")
STRATUM: Final = (*TASK, *CONDITION)
#: What is summed beside the first-pass parts.
SUMMED: Final = (
    *FAILED_PIERCES.names, "attempts", "attempts_without_seconds", "cutting_ms", "rework_minutes_e3", "scrap_mass_mg",
    "good", "recovered", "in_rework",
)  # fmt: skip
_NAMING: Final = ("name", "revision")

#: (thickness in nanometres, material, machine, gas), as stored.
Task = tuple[Any, ...]
#: A task and (surface group, thermal history).
Stratum = tuple[Any, ...]


@dataclass
class Worked:
    """What the attempts on one plate took, summed: milliseconds of whole cuts, their length, parts; rework of all."""

    cut_ms: int = 0
    cut_nm: int = 0
    whole_ms: int = 0
    whole_parts: int = 0
    rework_e3: int = 0
    parts: int = 0


@dataclass
class Cell:
    """A recipe in one stratum: counts of its first-pass parts and of its pierces, its sums, what each plate took."""

    good: Clustered
    failed_pierces: Clustered
    sums: Mapping[str, int]
    plates: dict[str, Worked] = field(default_factory=lambda: defaultdict(Worked))

    @property
    def seconds_per_metre(self) -> list[tuple[float, float]]:
        """(seconds, metres) of each plate with whole cuts whose length is known."""
        return [(one.cut_ms / E3, one.cut_nm / 1e9) for one in self.plates.values() if one.cut_nm]

    @property
    def seconds_per_part(self) -> list[tuple[float, float]]:
        """(seconds, parts) of each plate with whole cuts."""
        return [(one.whole_ms / E3, one.whole_parts) for one in self.plates.values() if one.whole_parts]

    @property
    def rework_per_part(self) -> list[tuple[float, float]]:
        """(person-minutes, parts) of each plate."""
        return [(one.rework_e3 / E3, one.parts) for one in self.plates.values() if one.parts]


@dataclass(frozen=True)
class Used:
    """How a recipe was used: on which days first and last, and of each setting its value on most attempts.

    `values`: setting -> (value, share of the attempts that had it).
    """

    first_day: str
    last_day: str
    values: Mapping[str, tuple[float, float]]

    def value(self, setting: str) -> float | None:
        """The usual value of a setting; None where it is not told."""
        return self.values[setting][0] if setting in self.values else None


@dataclass(frozen=True)
class Read:
    """Cells by recipe and stratum, how each recipe was used, keys of all that were cut, and what was left out."""

    cells: dict[str, dict[Stratum, Cell]]
    used: Mapping[str, Used]
    seen: frozenset[str]
    without_recipe: int
    without_thickness: int
    notes: list[str]


def read_cells(reader: Reader, question: Question, wanted: Collection[str] | None) -> Read:
    """Cells of these recipes, by key, else of all, with what their plates took."""
    parts = process_parts(reader, question, ("recipe", *STRATUM))
    sums = attempt_groups(reader, parts.question, SUMMED)
    cells: dict[str, dict[Stratum, Cell]] = {}
    without_recipe = without_thickness = 0
    for group in sorted(parts.groups, key=repr):
        recipe, stratum, counts = group[0], group[1:], parts.groups[group]
        if recipe is None:
            without_recipe += counts["parts_judged_first"]
        elif stratum[0] is None:
            without_thickness += counts["parts_judged_first"]
        elif wanted is None or recipe in wanted:
            cells.setdefault(recipe, {})[stratum] = cell_of(counts, sums.get(group, dict.fromkeys(SUMMED, 0)))
    _fill(reader, parts, cells)
    seen = frozenset(group[0] for group in parts.groups if group[0] is not None)
    return Read(cells, _used(reader, parts, sorted(cells)), seen, without_recipe, without_thickness, parts.notes)


def read_used(reader: Reader, question: Question, recipes: Collection[str]) -> Mapping[str, Used]:
    """How these recipes, by key, were used: the same as in `read_cells`, without the cells."""
    return _used(reader, process_parts(reader, question, ("recipe",)), sorted(recipes))


def cell_of(counts: Sums, sums: Mapping[str, int]) -> Cell:
    """A cell without what its plates took."""
    return Cell(FIRST_PASS.counts(counts), FAILED_PIERCES.counts(sums), sums)


def _fill(reader: Reader, parts: ProcessParts, cells: Mapping[str, Mapping[Stratum, Cell]]) -> None:
    """What the attempts on each plate took. Only cuts from start to end tell a time, not those given up or resumed."""
    a, c = reader.tables.attempts.c, reader.tables.combinations.c
    by = [stored_expression(DIMENSIONS[name], c) for name in ("recipe", *STRATUM)]
    known = reader.connection.execute(select(c.combination, *by).where(c.site == reader.site))
    of_combination = {
        combination: cell
        for combination, recipe, *stratum in known
        if (cell := cells.get(recipe, {}).get(tuple(stratum))) is not None
    }
    whole = and_(a.outcome == "severed", a.mode != "resume", a.seconds_ms.is_not(None), a.tried > 0)
    sums = (
        total(case((whole, a.seconds_ms), else_=0)),
        total(case((whole, a.tried), else_=0)),
        total(a.rework_minutes_e3),
        total(a.tried),
    )
    found: list[Any] = []
    within = (*told_apart_by(parts.question, a), a.job)
    for some in in_batches(sorted(of_combination)):
        query = select(a.combination, a.cluster, a.job, *sums).where(
            *conditions_of(reader, parts.question, a), a.state == "finished", a.combination.in_(some)
        )
        found += reader.connection.execute(query.group_by(*within)).all()
    lengths = _lengths_nm(reader, {job for _, _, job, *_ in found if job is not None})
    for combination, cluster, job, whole_ms, whole_parts, rework_e3, tried in found:
        plate = of_combination[combination].plates[cluster]
        plate.whole_ms += whole_ms
        plate.whole_parts += whole_parts
        plate.rework_e3 += rework_e3
        plate.parts += tried
        if whole_parts and (length_nm := lengths.get(job)):
            plate.cut_ms += whole_ms
            plate.cut_nm += length_nm * whole_parts


def _lengths_nm(reader: Reader, jobs: Iterable[str]) -> dict[str, int]:
    """Length of cut of one part, of the jobs that state it."""
    j = reader.tables.jobs.c
    lengths: dict[str, int] = {}
    for some in in_batches(sorted(jobs)):
        query = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, stated in reader.connection.execute(query):
            if length_mm := orjson.loads(stated).get("cut_length_mm"):
                lengths[job] = round(length_mm * 1_000_000)
    return lengths


def _used(reader: Reader, parts: ProcessParts, recipes: Iterable[str]) -> dict[str, Used]:
    a = reader.tables.attempts.c
    days: dict[str, list[str]] = defaultdict(list)
    values: dict[str, dict[str, Counter[float]]] = defaultdict(lambda: defaultdict(Counter))
    attempts: Counter[str] = Counter()
    for some in in_batches(recipes):
        query = select(a.recipe, a.settings, func.count(), func.min(a.day), func.max(a.day)).where(
            *conditions_of(reader, parts.question, a), a.state == "finished", a.recipe.in_(some)
        )
        for recipe, settings, count, first_day, last_day in reader.connection.execute(
            query.group_by(a.recipe, a.settings)
        ):
            days[recipe] += (first_day, last_day)
            attempts[recipe] += count
            for name, value in orjson.loads(settings or "{}").items():
                if name not in _NAMING and value is not None:
                    values[recipe][name][value] += count
    return {
        recipe: Used(
            min(days[recipe]),
            max(days[recipe]),
            {name: _usual(counts, attempts[recipe]) for name, counts in sorted(values[recipe].items())},
        )
        for recipe in sorted(days)
    }


def _usual(counts: Counter[float], attempts: int) -> tuple[float, float]:
    """(the value of most attempts, of equal ones the least; share of all attempts that had it)."""
    value, count = min(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    return value, count / attempts
