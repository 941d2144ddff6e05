"""Attempts as the trials of planned proofs, read once for all proofs that ask for the same cut.

Which days hold cuts of a plan's thickness, material and machine is told by the tallies; attempts are read by days.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Final

from sqlalchemy import and_, case, func, or_, select

from worker.batches import in_batches
from worker.events import PURPOSES
from worker.naming import name_key, recipe_label
from worker.plates import UNKNOWN, surface_group
from worker.proof_plans import Plan
from worker.proof_standing import Trial, outcome_of
from worker.reports.proof_names import Names
from worker.reports.reading import Reader
from worker.stats.clustering import Clustered, correlation

#: Purposes of the attempts that count; a trial explores, and proves nothing.
COUNT: Final = tuple(purpose for purpose in PURPOSES if purpose != "trial")
#: How far before a plan cuts tell how alike those of one plate are.
PAST: Final = timedelta(weeks=26)
#: Why a cut of a plan's thickness, material and machine is none of its trials.
FOR_TRIAL: Final = "for trial"
BEVELLED: Final = "bevelled"
OTHERWISE: Final = "cut otherwise"
#: Attempts that are kept at a time for the proofs that come next.
_MOST_KEPT: Final = 50_000


class Cuts:
    """Cuts of a site. last_day: those of later days are not there."""

    def __init__(self, reader: Reader, last_day: date | None = None) -> None:
        self.reader = reader
        self.last_day = last_day
        self.names = Names(reader.calendar)
        self._kept: dict[tuple[tuple[int, ...], str], list[tuple[int, Trial]]] = {}
        self._pasts: dict[tuple[frozenset[str], frozenset[str]], _Past] = {}

    def day(self, instant_us: int) -> str:
        """Production day of an instant, ISO."""
        return self.reader.calendar.place(instant_us).day.isoformat()

    # --- which combinations -------------------------------------------------------------------------------------

    @cached_property
    def _by_cut(self) -> Mapping[tuple[int, str, str], Sequence[Any]]:
        """Combinations of the site by thickness, material and machine."""
        c = self.reader.tables.combinations.c
        query = select(
            c.combination, c.thickness_nm, c.material, c.machine, c.gas, c.recipe, c.surface, c.thermal_history,
            c.bevel_mdeg, c.purpose,
        ).where(c.site == self.reader.site, c.thickness_nm.is_not(None))  # fmt: skip
        found: dict[tuple[int, str, str], list[Any]] = defaultdict(list)
        for row in self.reader.connection.execute(query):
            found[row.thickness_nm, row.material, row.machine].append(row)
        return found

    def combinations(self, plan: Plan, *, since_us: int) -> dict[int, str | None]:
        """Combinations of a plan's thickness, material and machine -> why they are none of its; None: they are."""
        recipes = None if plan.recipe is None else self.names.keys("recipe", plan.recipe, since_us=since_us)
        rows = (
            row
            for material in self.names.keys("material", plan.material, since_us=since_us)
            for machine in self.names.keys("machine", plan.machine, since_us=since_us)
            for row in self._by_cut.get((plan.thickness_nm, material, machine), ())
        )
        return {row.combination: _why_not(plan, row, recipes) for row in rows}

    # --- attempts -----------------------------------------------------------------------------------------------

    def days(self, combinations: Iterable[int], *, since_us: int) -> dict[str, dict[int, int]]:
        """Production days since a moment on which these were cut -> finished first attempts by combination."""
        t = self.reader.tables.tallies.c
        mine = [t.site == self.reader.site, t.day >= self.day(since_us), t.first_attempts + t.open_attempts > 0]
        if self.last_day is not None:
            mine.append(t.day <= self.last_day.isoformat())
        found: dict[str, dict[int, int]] = defaultdict(dict)
        for some in in_batches(sorted(combinations)):
            query = select(t.day, t.combination, t.first_attempts).where(*mine, t.combination.in_(some))
            for day, combination, first in self.reader.connection.execute(query):
                found[day][combination] = int(first)
        return {day: found[day] for day in sorted(found)}

    def trials(self, combinations: Iterable[int], days: Sequence[str], *, since_us: int) -> list[tuple[int, Trial]]:
        """(combination, trial) of the first attempts of some days that started at a moment or later, in order."""
        mine = tuple(sorted(combinations))
        unread = [day for day in days if (mine, day) not in self._kept]
        if unread:
            self._read(mine, unread)
        found = [each for day in days for each in self._kept[mine, day] if each[1].started_us >= since_us]
        if sum(len(each) for each in self._kept.values()) > _MOST_KEPT:
            self._kept.clear()
        return sorted(found, key=lambda each: each[1].order)

    def _read(self, combinations: tuple[int, ...], days: Sequence[str]) -> None:
        a = self.reader.tables.attempts.c
        first = or_(and_(a.state == "finished", a.is_first == 1), and_(a.state == "open", a.attempt_no == 1))
        self._kept |= {(combinations, day): [] for day in days}
        for some_days in in_batches(days):
            for some in in_batches(combinations):
                query = select(
                    a.attempt, a.cluster, a.plate, a.mill, a.heat_number, a.day, a.started_us, a.state, a.tried,
                    a.good, a.pending, a.lost_otherwise, a.combination,
                ).where(a.site == self.reader.site, a.day.in_(some_days), a.combination.in_(some), first)  # fmt: skip
                for row in self.reader.connection.execute(query):
                    self._kept[combinations, row.day].append((row.combination, _trial(row)))

    def between(self, combinations: Sequence[int], from_us: int, until_us: int) -> int:
        """First attempts that started from a moment until before another."""
        a = self.reader.tables.attempts.c
        mine = (
            a.site == self.reader.site, a.day >= self.day(from_us), a.day <= self.day(until_us),
            a.started_us >= from_us, a.started_us < until_us, a.state == "finished", a.is_first == 1,
        )  # fmt: skip
        counts = (select(func.count()).where(*mine, a.combination.in_(some)) for some in in_batches(combinations))
        return sum(self.reader.connection.execute(query).scalar_one() for query in counts)

    # --- how alike cuts of one plate are ------------------------------------------------------------------------

    def alike(self, plan: Plan, *, since_us: int) -> float | None:
        """How alike first attempts on one plate came out before the day of a plan: correlation within thicknesses.

        Of the plan's material on its machine, square, for production or proof. A series whose trials are all good could
        not tell it, however few plates they stand on.
        """
        machines = self.names.keys("machine", plan.machine, since_us=since_us)
        materials = self.names.keys("material", plan.material, since_us=since_us)
        if (machines, materials) not in self._pasts:
            self._pasts[machines, materials] = _Past(self.reader, machines, materials)
        return self._pasts[machines, materials].alike(self.reader.calendar.place(since_us).day)


class _Past:
    """How cuts on one plate came out, of some materials on some machines: read once for the days of several plans."""

    def __init__(self, reader: Reader, machines: Iterable[str], materials: Iterable[str]) -> None:
        self.reader = reader
        self.machines, self.materials = sorted(machines), sorted(materials)
        #: Days that are read, the last outside.
        self.read: tuple[date, date] | None = None
        #: (day, thickness, cluster, good, cuts)
        self.rows: list[tuple[str, int, str, int, int]] = []
        self._found: dict[date, float | None] = {}

    def alike(self, before: date) -> float | None:
        """Correlation in the weeks before a day."""
        if before not in self._found:
            first = before - PAST
            self._cover(first, before)
            plates: dict[tuple[int, str], list[int]] = defaultdict(lambda: [0, 0])
            for day, thickness, cluster, good, cuts in self.rows:
                if first.isoformat() <= day < before.isoformat():
                    counts = plates[thickness, cluster]
                    counts[0] += good
                    counts[1] += cuts
            by_thickness: dict[int, list[tuple[int, int]]] = defaultdict(list)
            for (thickness, _), (good, cuts) in plates.items():
                by_thickness[thickness].append((good, cuts))
            self._found[before] = correlation([Clustered.of(by_thickness[each]) for each in sorted(by_thickness)])
        return self._found[before]

    def _cover(self, first: date, last: date) -> None:
        if self.read is None:
            self.rows, self.read = self._of_days(first, last), (first, last)
        known_first, known_last = self.read
        if first < known_first:
            self.rows += self._of_days(first, known_first)
        if last > known_last:
            self.rows += self._of_days(known_last, last)
        self.read = min(first, known_first), max(last, known_last)

    def _of_days(self, first: date, last: date) -> list[tuple[str, int, str, int, int]]:
        a = self.reader.tables.attempts.c
        lost = a.tried - a.good - a.pending
        is_good = and_(a.good > 0, a.pending == 0, lost <= a.lost_otherwise)
        is_judged = or_(lost > a.lost_otherwise, is_good)
        query = (
            select(a.day, a.thickness_nm, a.cluster, func.sum(case((is_good, 1), else_=0)), func.count())
            .where(
                a.site == self.reader.site,
                a.machine.in_(self.machines),
                a.material.in_(self.materials),
                a.day >= first.isoformat(),
                a.day < last.isoformat(),
                a.thickness_nm.is_not(None),
                a.state == "finished",
                a.is_first == 1,
                a.tried > 0,
                a.bevel_mdeg.is_(None),
                a.purpose.in_(COUNT),
                is_judged,
            )
            .group_by(a.day, a.thickness_nm, a.cluster)
        )
        return [
            (day, nm, cluster, int(good), int(cuts))
            for day, nm, cluster, good, cuts in self.reader.connection.execute(query)
        ]


def _why_not(plan: Plan, row: Any, recipes: frozenset[str] | None) -> str | None:
    wanted = (
        (plan.gas, row.gas),
        (plan.surface_group, surface_group(row.surface or UNKNOWN)),
        (plan.thermal_history, row.thermal_history or UNKNOWN),
    )
    if any(asked is not None and asked != there for asked, there in wanted) or not _is_recipe(
        plan, row.recipe, recipes
    ):
        return OTHERWISE
    if row.bevel_mdeg:
        return BEVELLED
    return None if row.purpose in COUNT else FOR_TRIAL


def _is_recipe(plan: Plan, there: str | None, recipes: frozenset[str] | None) -> bool:
    if recipes is None:
        return True
    if plan.recipe_revision is not None:
        return there in {recipe_label(name, name_key(plan.recipe_revision)) for name in recipes}
    return there is not None and any(there == name or there.startswith(f"{name} / ") for name in recipes)


def _trial(row: Any) -> Trial:
    return Trial(
        attempt=row.attempt,
        cluster=row.cluster,
        plate=row.plate,
        mill=row.mill,
        heat_number=row.heat_number,
        day=row.day,
        started_us=row.started_us,
        outcome=outcome_of(
            state=row.state,
            tried=row.tried,
            good=row.good,
            pending=row.pending,
            lost_otherwise=row.lost_otherwise,
        ),
        parts=row.tried,
        good=row.good,
        pending=row.pending,
        lost_otherwise=row.lost_otherwise,
    )
