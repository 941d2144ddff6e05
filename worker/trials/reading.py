"""Trials as the ledger has them: the plan that was received first, what was cut for each of its runs, how it ended."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select

from worker.acts import Act, acts
from worker.batches import in_batches
from worker.events import TRIAL, TRIAL_CONCLUDED, TRIAL_CUT, TRIAL_PLANNED
from worker.records import Event
from worker.reports.proof_names import Names
from worker.reports.reading import Reader
from worker.trials.judging import COUNTED, LEFT_OUT, TO_CUT, Judge, TrialRun
from worker.trials.planning import Plan, plan_of

PLANNED: Final = "planned"
RUNNING: Final = "running"
STOPPED: Final = "stopped"
CONCLUDED: Final = "concluded"
STATES: Final = (PLANNED, RUNNING, STOPPED, CONCLUDED)


@dataclass(frozen=True)
class Conclusion:
    """How a trial ended, in the words of who ended it."""

    reason: str
    conclusion: str
    at_us: int
    source: str


@dataclass(frozen=True)
class Trial:
    """A trial as it stands. `unplanned`: numbers of runs that were entered as cut and are not on the sheet.

    `others`: plans under its id that were received later, and are none.
    """

    name: str
    plan: Plan
    planned_us: int
    received_us: int
    source: str
    position: int
    others: int
    runs: tuple[TrialRun, ...]
    conclusion: Conclusion | None
    unplanned: tuple[int, ...]

    @property
    def cut(self) -> list[TrialRun]:
        """Runs that were cut."""
        return [run for run in self.runs if run.state != TO_CUT]

    @property
    def counted(self) -> list[TrialRun]:
        """Runs whose parts count."""
        return [run for run in self.runs if run.state == COUNTED]

    @property
    def failed(self) -> int:
        """Runs that failed as a whole."""
        return sum(run.failed for run in self.runs)

    @property
    def state(self) -> str:
        """One of STATES."""
        if self.conclusion is not None:
            return CONCLUDED
        stop = self.plan.stop_failed_runs
        if stop is not None and self.failed >= stop:
            return STOPPED
        return RUNNING if self.cut else PLANNED

    @property
    def next_run(self) -> TrialRun | None:
        """The next run of the sheet to cut; None where all are cut, or none is to be cut any more."""
        if self.state in (STOPPED, CONCLUDED):
            return None
        return next((run for run in self.runs if run.state == TO_CUT), None)

    @property
    def is_complete(self) -> bool:
        """All runs are cut, and nothing about them is waited for."""
        return all(run.state in (COUNTED, LEFT_OUT) for run in self.runs)


def trials(reader: Reader, *, name: str | None = None, with_concluded: bool = True) -> list[Trial]:
    """Trials by id, each under the plan received first of those that are not voided; `name`: this one alone.

    with_concluded: also those that are over.

    Acts count as soon as they are in the ledger, attempts when they are counted.
    """
    told: dict[str, list[Act]] = defaultdict(list)
    for act in acts(reader.connection, reader.site, TRIAL, upto=reader.as_of.position, subject=name, with_owed=True):
        told[act.event.subject].append(act)
    planned = {trial: found for trial, found in told.items() if any(_is(act, TRIAL_PLANNED) for act in found)}
    if not with_concluded:
        planned = {
            trial: found for trial, found in planned.items() if not any(_is(act, TRIAL_CONCLUDED) for act in found)
        }
    cuts = {trial: _cuts(planned[trial]) for trial in planned}
    rows = _attempts(reader, {attempt for runs in cuts.values() for attempt in runs.values()})
    names = Names(reader.calendar)
    return [_trial(trial, planned[trial], cuts[trial], rows, names) for trial in sorted(planned)]


def _is(act: Act, type_: str) -> bool:
    return act.event.type == type_


def _received(act: Act) -> tuple[int, tuple[int, str, str]]:
    return act.received_us, act.event.order


def _cuts(told: Iterable[Act]) -> dict[int, str]:
    """Run -> the attempt that was cut for it: the last that was said of it, in fold order."""
    return {act.event.data["run"]: act.event.data["attempt"] for act in told if _is(act, TRIAL_CUT)}


def _trial(name: str, told: Sequence[Act], cuts: Mapping[int, str], rows: Mapping[str, Any], names: Names) -> Trial:
    plans = sorted((act for act in told if _is(act, TRIAL_PLANNED)), key=_received)
    first, plan = plans[0], plan_of(plans[0].event.data)
    ends = [act.event for act in told if _is(act, TRIAL_CONCLUDED)]
    times = Counter(attempt for run, attempt in cuts.items() if run <= len(plan.runs))
    judge = Judge(plan, names, first.event.time_us)
    runs = []
    for number, run in enumerate(plan.runs, start=1):
        attempt = cuts.get(number)
        block = TrialRun(number, run.levels, run.block)
        if attempt is None:
            runs.append(block)
        else:
            runs.append(judge.run(block, attempt, rows.get(attempt), twice=times[attempt] > 1))
    return Trial(
        name=name,
        plan=plan,
        planned_us=first.event.time_us,
        received_us=first.received_us,
        source=first.event.source,
        position=first.position,
        others=len(plans) - 1,
        runs=tuple(runs),
        conclusion=_conclusion(ends[-1]) if ends else None,
        unplanned=tuple(sorted(run for run in cuts if run > len(plan.runs))),
    )


def _conclusion(event: Event) -> Conclusion:
    return Conclusion(event.data["reason"], event.data["conclusion"], event.time_us, event.source)


# --- attempts that were cut for runs ----------------------------------------------------------------------------


def _attempts(reader: Reader, wanted: Iterable[str]) -> dict[str, Any]:
    a = reader.tables.attempts.c
    columns = (
        a.attempt, a.state, a.plate, a.purpose, a.machine, a.material, a.thickness_nm, a.gas, a.settings, a.started_us,
        a.attempt_no, a.outcome, a.good, a.rework, a.scrap, a.not_made, a.pending, a.lost_otherwise, a.pierces,
        a.failed_pierces,
    )  # fmt: skip
    found: dict[str, Any] = {}
    for some in in_batches(sorted(wanted)):
        query = select(*columns).where(a.site == reader.site, a.attempt.in_(some))
        found |= {row.attempt: row for row in reader.connection.execute(query)}
    return found
