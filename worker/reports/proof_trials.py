"""Proofs as the ledger has them: plans that are not voided, and how the series that was cut under each stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from sqlalchemy import literal_column, select

from worker.acts import standing as standing_events
from worker.events import PROOF
from worker.proof_plans import FIXED, Plan, plan_of
from worker.proof_standing import OPEN, Series, Standing, Trial
from worker.records import stored_data
from worker.reports.proof_cuts import BEVELLED, FOR_TRIAL, OTHERWISE, Cuts
from worker.reports.reading import Reader, spellings
from worker.tables import events

#: Cuts that are read at first: as many as decide most proofs. Each time after that twice as many.
CUTS_AT_FIRST: Final = 200


@dataclass(frozen=True)
class Planned:
    """A plan in the ledger: when it was made, by whom, and where it stands there.

    `others`: plans under its id that were received later, and are none.
    """

    proof: str
    plan: Plan
    planned_us: int
    received_us: int
    source: str
    position: int
    others: int = 0

    @property
    def since_us(self) -> int:
        """Cuts that started then or later count: no plan is one before it is in the ledger, whatever it says."""
        return max(self.planned_us, self.received_us)


def plans(
    reader: Reader,
    *,
    proof: str | None = None,
    after: str | None = None,
    limit: int | None = None,
    with_owed: bool = False,
) -> list[Planned]:
    """Plans by the id of their proof: of each the one that was received first, of those that are not voided.

    Those that are counted, as far as the reader counts; `with_owed`: all that are in the ledger, so that a plan is
    there as soon as it was taken. after: proofs beyond this id; limit: so many.
    """
    e = events.c
    # The kind is written out, else its index could not be taken.
    mine = [
        e.kind == literal_column(f"'{PROOF}'"),
        *standing_events(reader.site, upto=reader.as_of.position, with_owed=with_owed),
    ]
    if proof is not None:
        mine.append(e.subject == proof)
    if after is not None:
        mine.append(e.subject > after)
    if limit is not None:
        some = select(e.subject).where(*mine).distinct().order_by(e.subject).limit(limit)
        mine.append(e.subject.in_(some))
    query = select(e.subject, e.time_us, e.received_us, e.source, e.position, e.payload).where(*mine)
    found: dict[str, Planned] = {}
    for row in reader.connection.execute(query.order_by(e.subject, e.received_us, e.time_us, e.source, e.id)):
        if (first := found.get(row.subject)) is not None:
            found[row.subject] = replace(first, others=first.others + 1)
        else:
            plan = plan_of(stored_data(row.payload))
            found[row.subject] = Planned(row.subject, plan, row.time_us, row.received_us, row.source, row.position)
    return list(found.values())


# --- what was cut under a plan ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class LeftOut:
    """First attempts of a plan's thickness, material and machine, up to its decision, that are no trials: by why."""

    for_trial: int = 0
    bevelled: int = 0
    otherwise: int = 0


@dataclass(frozen=True)
class Proof:
    """A proof and how its series stands. `planned_day`: production day from which on its cuts count.

    `alike`: correlation of cuts on one plate before the plan; None where it made no difference, or none is known.
    `unknown`: kinds of the plan's names that no cut has. `early`: cuts of what is to be proven between the time that
    the plan states and its receipt, which do not count.
    """

    planned: Planned
    planned_day: str
    standing: Standing
    left_out: LeftOut
    alike: float | None
    unknown: tuple[str, ...]
    early: int = 0

    @property
    def decided_day(self) -> str | None:
        """Production day on which the trial that decided it was cut."""
        decided = self.standing.decided
        return None if decided is None else decided.day


class ProofReader:
    """Reads the proofs of one snapshot, and once what they share. last_day: cuts of later days are not there."""

    def __init__(self, reader: Reader, last_day: date | None = None) -> None:
        self.reader = reader
        self.cuts = Cuts(reader, last_day)
        self._names_by_kind: dict[str, set[str]] = {}

    def keys(self, planned: Planned, kind: str, name: str) -> frozenset[str]:
        """Keys under which cuts since the plan may have a name of it."""
        return self.cuts.names.keys(kind, name, since_us=planned.since_us)

    def proof(self, planned: Planned) -> Proof:
        """A proof as it stands."""
        plan, since_us = planned.plan, planned.since_us
        why = self.cuts.combinations(plan, since_us=since_us)
        days = self.cuts.days(why, since_us=since_us)
        series, trials, others = Series(plan), list[Trial](), list[tuple[str, Trial]]()
        alike, unread, at_a_time = None, list(days), CUTS_AT_FIRST
        while unread and not series.has_ended and series.blocked_by is None:
            some, unread = _as_many(unread, {day: sum(days[day].values()) for day in unread}, at_a_time)
            at_a_time *= 2
            for combination, trial in self.cuts.trials(why, some, since_us=since_us):
                if (reason := why[combination]) is not None:
                    others.append((reason, trial))
                else:
                    trials.append(trial)
                    series.take(trial)
            if alike is None and plan.rule.kind == FIXED and series.shares_plates:
                alike = self.cuts.alike(plan, since_us=since_us)
                series = series if alike is None else _taken(Series(plan, alike), trials)
        found = series.standing()
        later = sum(cuts for day in unread for combination, cuts in days[day].items() if why[combination] is None)
        return Proof(
            planned=planned,
            planned_day=self.cuts.day(since_us),
            standing=replace(found, left_over=found.left_over + later)
            if series.has_ended
            else replace(found, waiting=found.waiting + later),
            left_out=_counted(others, found.decided),
            alike=alike,
            unknown=self._unknown(planned),
            early=self._early(planned, why),
        )

    def _early(self, planned: Planned, why: dict[int, str | None]) -> int:
        if planned.planned_us == planned.since_us:
            return 0
        mine = [combination for combination in why if why[combination] is None]
        return self.cuts.between(mine, planned.planned_us, planned.since_us)

    def _unknown(self, planned: Planned) -> tuple[str, ...]:
        named = (("material", planned.plan.material), ("machine", planned.plan.machine))
        return tuple(kind for kind, name in named if not self._names(kind) & self.keys(planned, kind, name))

    def _names(self, kind: str) -> set[str]:
        if kind not in self._names_by_kind:
            self._names_by_kind[kind] = set(spellings(self.reader, kind))
        return self._names_by_kind[kind]


def _as_many(unread: list[str], cuts_by_day: dict[str, int], many: int) -> tuple[list[str], list[str]]:
    """(days that hold so many cuts, or all that there are; the days after them)."""
    cuts = 0
    for read, day in enumerate(unread, start=1):
        cuts += cuts_by_day[day]
        if cuts >= many:
            return unread[:read], unread[read:]
    return unread, []


def _taken(series: Series, trials: Iterable[Trial]) -> Series:
    for trial in trials:
        series.take(trial)
    return series


def _counted(others: Iterable[tuple[str, Trial]], decided: Trial | None) -> LeftOut:
    """How many were left out until the decision."""
    counted = dict.fromkeys((FOR_TRIAL, BEVELLED, OTHERWISE), 0)
    for why, trial in others:
        if trial.outcome != OPEN and (decided is None or trial.order <= decided.order):
            counted[why] += 1
    return LeftOut(counted[FOR_TRIAL], counted[BEVELLED], counted[OTHERWISE])
