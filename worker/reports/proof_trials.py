"""Proofs as the ledger has them: plans that are not voided, and the attempts that were cut under each.

Plans are read off the ledger, through an index of their own. Which days hold cuts of a plan's thickness, material and
machine is told by the tallies; attempts are read day after day until the series is decided.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any, Final

import orjson
from sqlalchemy import BigInteger, ColumnElement, and_, case, cast, exists, func, literal_column, or_, select

from worker.batches import in_batches
from worker.events import PROOF, PURPOSES
from worker.folding import CONFIRMED
from worker.ledger import VOIDS
from worker.naming import name_key, recipe_label
from worker.plates import UNKNOWN, surface_group
from worker.proof_plans import FIXED, Plan, plan_of
from worker.proof_standing import OPEN, Standing, Trial, outcome_of, standing
from worker.records import by_value
from worker.reports.process_parts import NOT_THE_PROCESS
from worker.reports.reading import Reader, spellings
from worker.shopcalendar import MICROSECONDS
from worker.stats.clustering import Clustered, correlation
from worker.sums import E6, total
from worker.tables import COUNTED, OWED, events

#: Purposes of the attempts that count; a trial explores, and proves nothing.
COUNT: Final = tuple(purpose for purpose in PURPOSES if purpose != "trial")
#: Cuts that are read at a time: as many as decide most proofs.
CUTS_AT_A_TIME: Final = 200
#: How far before a plan cuts tell how alike those of one plate are: 26 weeks.
PAST_US: Final = 26 * 7 * 24 * 3600 * MICROSECONDS
#: Why a cut of a plan's thickness, material and machine is none of its trials.
FOR_TRIAL: Final = "for trial"
BEVELLED: Final = "bevelled"
OTHERWISE: Final = "cut otherwise"


@dataclass(frozen=True)
class Planned:
    """A plan in the ledger: when it was made, by whom, and where it stands there."""

    proof: str
    plan: Plan
    planned_us: int
    received_us: int
    source: str
    position: int


def plans(
    reader: Reader,
    *,
    proof: str | None = None,
    after: str | None = None,
    limit: int | None = None,
    with_owed: bool = False,
) -> list[Planned]:
    """Plans by the id of their proof: of each the earliest that is not voided.

    Those that are counted, as far as the reader counts; `with_owed`: all that are in the ledger, so that a plan is
    there as soon as it was taken. after: proofs beyond this id; limit: so many.
    """
    e = events.c
    voided = exists().where(
        _is_read(reader, VOIDS.c, with_owed=with_owed), VOIDS.c.void_source == e.source, VOIDS.c.void_id == e.id
    )
    # The kind is written out, else its index could not be taken.
    mine = [_is_read(reader, e, with_owed=with_owed), e.kind == literal_column(f"'{PROOF}'"), ~voided]
    if proof is not None:
        mine.append(e.subject == proof)
    if after is not None:
        mine.append(e.subject > after)
    if limit is not None:
        some = select(e.subject).where(*mine).distinct().order_by(e.subject).limit(limit)
        mine.append(e.subject.in_(some))
    query = select(e.subject, e.time_us, e.received_us, e.source, e.position, e.payload).where(*mine)
    found: dict[str, Planned] = {}
    for row in reader.connection.execute(query.order_by(e.subject, e.time_us, e.source, e.id)):
        if row.subject not in found:
            plan = plan_of(by_value(orjson.loads(row.payload)["data"]))
            found[row.subject] = Planned(row.subject, plan, row.time_us, row.received_us, row.source, row.position)
    return list(found.values())


def _is_read(reader: Reader, columns: Any, *, with_owed: bool) -> ColumnElement[bool]:
    mine = columns.site == reader.site
    if with_owed:
        return and_(mine, columns.state.in_((COUNTED, OWED)))
    return and_(mine, columns.state == COUNTED, columns.position <= reader.as_of.position)


# --- what was cut under a plan ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class LeftOut:
    """First attempts of a plan's thickness, material and machine, up to its decision, that are no trials: by why."""

    for_trial: int = 0
    bevelled: int = 0
    otherwise: int = 0


@dataclass(frozen=True)
class Proof:
    """A proof and how its series stands. `planned_day`: production day of the plan.

    `alike`: correlation of trials on one plate that cuts before the plan showed; None where it made no difference, or
    none is known. `unknown`: kinds of the plan's names that no cut has.
    """

    planned: Planned
    planned_day: str
    standing: Standing
    left_out: LeftOut
    alike: float | None
    unknown: tuple[str, ...]

    @property
    def decided_day(self) -> str | None:
        """Production day on which the trial that decided it was cut."""
        decided = self.standing.decided
        return None if decided is None else decided.day


@dataclass
class ProofReader:
    """Reads the proofs of one snapshot, and once what they share. last_day: cuts of later days are not there."""

    reader: Reader
    last_day: date | None = None
    _names_by_kind: dict[str, set[str]] = field(default_factory=dict)

    def proof(self, planned: Planned) -> Proof:
        """A proof as it stands."""
        plan = planned.plan
        why = self._combinations(plan)
        days = self._days(planned, sorted(why))
        trials: list[Trial] = []
        others: list[tuple[str, Trial]] = []
        found, alike = standing(plan, trials), None
        unread = list(days)
        while unread and found.decided is None:
            some, unread = _as_many(unread, days)
            for combination, trial in self._attempts(planned, sorted(why), some):
                if why[combination] is None:
                    trials.append(trial)
                else:
                    others.append((why[combination] or "", trial))
            if alike is None and plan.rule.kind == FIXED and _share_plates(trials):
                alike = self._alike(planned)
            found = standing(plan, trials, alike=alike)
        later = sum(cuts for day in unread for combination, cuts in days[day] if why[combination] is None)
        return Proof(
            planned=planned,
            planned_day=self._since(planned),
            standing=replace(found, left_over=found.left_over + later),
            left_out=_counted(others, found.decided),
            alike=alike,
            unknown=self._unknown(plan),
        )

    def _unknown(self, plan: Plan) -> tuple[str, ...]:
        named = (("material", plan.material), ("machine", plan.machine))
        return tuple(kind for kind, name in named if not self._names(kind) & self._keys(kind, name))

    def _names(self, kind: str) -> set[str]:
        if kind not in self._names_by_kind:
            self._names_by_kind[kind] = set(spellings(self.reader, kind))
        return self._names_by_kind[kind]

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

    def _combinations(self, plan: Plan) -> dict[int, str | None]:
        """Combinations of a plan's thickness, material and machine -> why they are none of its; None: they are."""
        rows = (
            row
            for material in self._keys("material", plan.material)
            for machine in self._keys("machine", plan.machine)
            for row in self._by_cut.get((plan.thickness_nm, material, machine), ())
        )
        return {row.combination: self._why_not(plan, row) for row in rows}

    def _why_not(self, plan: Plan, row: Any) -> str | None:
        wanted = (
            (plan.gas, row.gas),
            (plan.surface_group, surface_group(row.surface or UNKNOWN)),
            (plan.thermal_history, row.thermal_history or UNKNOWN),
        )
        if any(asked is not None and asked != there for asked, there in wanted) or not self._is_recipe(plan, row):
            return OTHERWISE
        if row.bevel_mdeg:
            return BEVELLED
        return None if row.purpose in COUNT else FOR_TRIAL

    def _is_recipe(self, plan: Plan, row: Any) -> bool:
        if plan.recipe is None:
            return True
        names = self._keys("recipe", plan.recipe)
        if plan.recipe_revision is not None:
            return row.recipe in {recipe_label(name, name_key(plan.recipe_revision)) for name in names}
        return row.recipe is not None and any(
            row.recipe == name or row.recipe.startswith(f"{name} / ") for name in names
        )

    def _keys(self, kind: str, name: str) -> set[str]:
        """Keys of a name: as attempts may have it, and through the site's aliases."""
        return {name_key(name), self.reader.calendar.latest.name_and_key(kind, name)[1] or ""}

    def _days(self, planned: Planned, combinations: Sequence[int]) -> dict[str, list[tuple[int, int]]]:
        """Production days since the plan on which these were cut: (combination, first attempts that are finished)."""
        t = self.reader.tables.tallies.c
        mine = [t.site == self.reader.site, t.day >= self._since(planned), t.first_attempts + t.open_attempts > 0]
        if self.last_day is not None:
            mine.append(t.day <= self.last_day.isoformat())
        found: dict[str, list[tuple[int, int]]] = defaultdict(list)
        for some in in_batches(combinations):
            query = select(t.day, t.combination, t.first_attempts).where(*mine, t.combination.in_(some))
            for day, combination, first in self.reader.connection.execute(query):
                found[day].append((combination, int(first)))
        return {day: found[day] for day in sorted(found)}

    def _since(self, planned: Planned) -> str:
        return self.reader.calendar.place(planned.planned_us).day.isoformat()

    def _attempts(
        self, planned: Planned, combinations: Sequence[int], days: Sequence[str]
    ) -> Iterator[tuple[int, Trial]]:
        """(combination, trial) of the first attempts of some days that started when it was planned or later."""
        a = self.reader.tables.attempts.c
        first = or_(and_(a.state == "finished", a.is_first == 1), and_(a.state == "open", a.attempt_no == 1))
        rows: list[Any] = []
        for some in in_batches(combinations):
            query = select(
                a.attempt, a.cluster, a.plate, a.mill, a.heat_number, a.day, a.started_us, a.state, a.tried, a.good,
                a.pending, a.combination,
            ).where(
                a.site == self.reader.site, a.day.in_(days), a.combination.in_(some), first,
                a.started_us >= planned.planned_us,
            )  # fmt: skip
            rows += self.reader.connection.execute(query)
        lost = self._lost_otherwise([row.attempt for row in rows if row.tried > row.good + row.pending])
        for row in rows:
            yield row.combination, _trial(row, lost.get(row.attempt, 0))

    def _alike(self, planned: Planned) -> float | None:
        """How alike first attempts on one plate came out before the plan: correlation within thicknesses.

        Of the plan's material on its machine, square, for production or proof. A series whose trials are all good could
        not tell it, however few plates they stand on.
        """
        a, plan = self.reader.tables.attempts.c, planned.plan
        is_good = case((and_(a.good == a.tried, a.pending == 0), 1), else_=0)
        is_judged = or_(a.pending == 0, a.good + a.pending < a.tried)
        plates = (
            select(a.thickness_nm, func.sum(is_good).label("good"), func.count().label("cuts"))
            .where(
                a.site == self.reader.site,
                a.machine.in_(sorted(self._keys("machine", plan.machine))),
                a.material.in_(sorted(self._keys("material", plan.material))),
                a.started_us >= planned.planned_us - PAST_US,
                a.started_us < planned.planned_us,
                a.state == "finished",
                a.is_first == 1,
                a.tried > 0,
                a.bevel_mdeg.is_(None),
                a.purpose.in_(COUNT),
                is_judged,
            )
            .group_by(a.thickness_nm, a.cluster)
            .subquery()
        )
        good, cuts = (cast(column, BigInteger) for column in (plates.c.good, plates.c.cuts))
        sums = (good, cuts, cuts * cuts, good * good * E6 // cuts)
        query = (
            select(func.count(), *(total(each) for each in sums))
            .group_by(plates.c.thickness_nm)
            .order_by(plates.c.thickness_nm)
        )
        return correlation(
            [
                Clustered(int(x), int(n), int(clusters), int(n2), int(x2_over_n_e6) / E6)
                for clusters, x, n, n2, x2_over_n_e6 in self.reader.connection.execute(query)
            ]
        )

    def _lost_otherwise(self, attempts: Sequence[str]) -> dict[str, int]:
        """Parts of these attempts that were lost to a confirmed cause that is not the process."""
        lost = self.reader.tables.lost_parts.c
        of_causes = (lost.sort == "cause", lost.certainty == CONFIRMED, lost.word.in_(NOT_THE_PROCESS))
        found: dict[str, int] = defaultdict(int)
        for some in in_batches(attempts):
            query = select(lost.attempt, lost.parts_lost).where(
                lost.site == self.reader.site, *of_causes, lost.attempt.in_(some)
            )
            for attempt, parts in self.reader.connection.execute(query):
                found[attempt] += int(parts)
        return found


def _as_many(unread: list[str], days: Mapping[str, Sequence[tuple[int, int]]]) -> tuple[list[str], list[str]]:
    """(days that hold CUTS_AT_A_TIME, or all that there are; the days after them)."""
    cuts = 0
    for read, day in enumerate(unread, start=1):
        cuts += sum(first for _, first in days[day])
        if cuts >= CUTS_AT_A_TIME:
            return unread[:read], unread[read:]
    return unread, []


def _share_plates(trials: Sequence[Trial]) -> bool:
    """Some stand on one plate."""
    return len({trial.cluster for trial in trials}) < len(trials)


def _trial(row: Any, lost_otherwise: int) -> Trial:
    return Trial(
        attempt=row.attempt,
        cluster=row.cluster,
        plate=row.plate,
        mill=row.mill,
        heat_number=row.heat_number,
        day=row.day,
        started_us=row.started_us,
        outcome=outcome_of(
            state=row.state, tried=row.tried, good=row.good, pending=row.pending, lost_otherwise=lost_otherwise
        ),
        parts=row.tried,
        good=row.good,
        pending=row.pending,
    )


def _counted(others: Iterable[tuple[str, Trial]], decided: Trial | None) -> LeftOut:
    """How many were left out until the decision."""
    counted = dict.fromkeys((FOR_TRIAL, BEVELLED, OTHERWISE), 0)
    for why, trial in others:
        if trial.outcome != OPEN and (decided is None or trial.order <= decided.order):
            counted[why] += 1
    return LeftOut(counted[FOR_TRIAL], counted[BEVELLED], counted[OTHERWISE])
