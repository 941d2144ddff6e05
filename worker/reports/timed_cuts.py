"""What attempts took beside what their jobs plan: time, parts, length of cut and pierces, plate by plate.

A whole cut went from start to end: severed, not resumed, with its time known. One that was given up looks fast, so it
counts only in what a good part takes all in all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Final, NamedTuple

import orjson
from sqlalchemy import select

from worker.batches import in_batches
from worker.measures import E3
from worker.reports.by_combination import CLUSTER, divided_by
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, conditions_of

_NM_PER_METRE: Final = 1_000_000_000


class Planned(NamedTuple):
    """What a job states of one part; 0 where it does not."""

    ms: int = 0
    length_nm: int = 0
    pierces: int = 0


@dataclass
class Took:
    """What the attempts on one plate took, summed. Milliseconds of whole cuts beside what these have of it.

    `whole_*`: all whole cuts. `planned_*`, `cut_*`, `pierced_*`: those with a planned time, a length, pierces. `all_*`:
    every attempt, and its good parts; `all_planned_*`: those of jobs with a planned time. `unclear`: attempts without a
    time or with parts that wait for a verdict or rework.
    """

    whole_ms: int = 0
    whole_parts: int = 0
    planned_actual_ms: int = 0
    planned_ms: int = 0
    planned_parts: int = 0
    cut_ms: int = 0
    cut_nm: int = 0
    pierced_ms: int = 0
    pierces: int = 0
    all_ms: int = 0
    all_good: int = 0
    all_planned_actual_ms: int = 0
    all_planned_ms: int = 0
    unclear: int = 0

    def add(self, other: Took) -> None:
        """Add what other attempts on the plate took."""
        for name in _NAMES:
            setattr(self, name, getattr(self, name) + getattr(other, name))


_NAMES: Final = tuple(each.name for each in fields(Took))


@dataclass
class Timed:
    """Attempts of a group: what they took by plate; of each whole cut its seconds a part, and how often the plan's."""

    attempts: int = 0
    without_seconds: int = 0
    plates: dict[Any, Took] = field(default_factory=lambda: defaultdict(Took))
    seconds_a_part: list[float] = field(default_factory=list)
    of_plan: list[float] = field(default_factory=list)

    @classmethod
    def together(cls, groups: Iterable[Timed]) -> Timed:
        """Several groups as one; a plate that is divided among them is one again."""
        whole = cls()
        for group in groups:
            whole.attempts += group.attempts
            whole.without_seconds += group.without_seconds
            whole.seconds_a_part += group.seconds_a_part
            whole.of_plan += group.of_plan
            for plate, took in group.plates.items():
                whole.plates[plate].add(took)
        return whole

    def total(self, name: str) -> int:
        """A sum over all plates."""
        return sum(getattr(took, name) for took in self.plates.values())

    def rated(self, amount: str, size: str, *, scale: float = E3, clear: bool = False) -> list[tuple[float, float]]:
        """(amount / 1000, size / scale) of each plate that has either; `clear`: of those that nothing is unclear of."""
        return [
            (getattr(took, amount) / E3, getattr(took, size) / scale)
            for took in self.plates.values()
            if (getattr(took, amount) or getattr(took, size)) and not (clear and took.unclear)
        ]

    @property
    def per_metre(self) -> list[tuple[float, float]]:
        """(seconds, metres) of each plate."""
        return self.rated("cut_ms", "cut_nm", scale=_NM_PER_METRE)

    @property
    def metres(self) -> float:
        """Length of all whole cuts whose jobs tell it."""
        return self.total("cut_nm") / _NM_PER_METRE

    @property
    def clear_good(self) -> int:
        """Good parts of plates that nothing is unclear of."""
        return sum(took.all_good for took in self.plates.values() if not took.unclear)


def timed_cuts(reader: Reader, question: Question) -> dict[Group, Timed]:
    """Finished attempts of a question by its groups."""
    a = reader.tables.attempts.c
    by = divided_by(question, a)
    columns = (
        a.job, a.outcome, a.mode, a.tried, a.good + a.recovered, a.pending + a.in_rework, a.seconds_ms, a.pierces,
    )  # fmt: skip
    query = select(*(a[name] for name in CLUSTER), *columns, *by).where(
        *conditions_of(reader, question, a), a.state == "finished"
    )
    rows = reader.connection.execute(query).all()
    jobs = _planned(reader, {row[3] for row in rows if row[3] is not None})
    groups: dict[Group, Timed] = defaultdict(Timed)
    for row in rows:
        timed, plan = groups[tuple(row[11:])], jobs.get(row[3], Planned())
        timed.attempts += 1
        _count(timed, timed.plates[tuple(row[:3])], plan, row[4:11])
    return dict(groups)


def _count(timed: Timed, plate: Took, plan: Planned, told: Sequence[Any]) -> None:
    outcome, mode, tried, good, waiting, ms, pierces = told
    if ms is None or waiting:
        plate.unclear += 1
    plate.all_good += good
    if ms is None:
        timed.without_seconds += 1
        return
    plate.all_ms += ms
    if plan.ms:
        plate.all_planned_actual_ms += ms
        plate.all_planned_ms += plan.ms * good
    if outcome != "severed" or mode == "resume" or not tried:
        return
    plate.whole_ms += ms
    plate.whole_parts += tried
    timed.seconds_a_part.append(ms / E3 / tried)
    if plan.ms:
        plate.planned_actual_ms += ms
        plate.planned_ms += plan.ms * tried
        plate.planned_parts += tried
        timed.of_plan.append(ms / (plan.ms * tried))
    if plan.length_nm:
        plate.cut_ms += ms
        plate.cut_nm += plan.length_nm * tried
    if pierces := pierces or plan.pierces * tried:
        plate.pierced_ms += ms
        plate.pierces += pierces


def _planned(reader: Reader, jobs: Iterable[str]) -> dict[str, Planned]:
    """What these jobs state of a part."""
    j = reader.tables.jobs.c
    found: dict[str, Planned] = {}
    for some in in_batches(sorted(jobs)):
        query = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, stated in reader.connection.execute(query):
            told = orjson.loads(stated)
            found[job] = Planned(
                ms=round((told.get("planned_seconds") or 0) * E3),
                length_nm=round((told.get("cut_length_mm") or 0) * 1_000_000),
                pierces=told.get("pierces_per_part") or 0,
            )
    return found
