"""What an attempt tells of the run that it was cut for: its counts, or why there are none. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import orjson

from worker.reports.proof_names import Names
from worker.sentences import Sentence, sentence
from worker.trials.planning import FIRST_PASS, SETTINGS, Level, Plan, said_level

#: How a run of the sheet stands: not cut; cut, but not known or not judged to its end; counted; cut and left out.
TO_CUT: Final = "to_cut"
WAITING: Final = "waiting"
COUNTED: Final = "counted"
LEFT_OUT: Final = "left_out"
RUN_STATES: Final = (TO_CUT, WAITING, COUNTED, LEFT_OUT)

NOT_KNOWN: Final = sentence("nothing is known of the attempt yet")
NOT_FINISHED: Final = sentence("the attempt has not ended")
PENDING: Final = sentence("parts wait for their verdict")
FOR_TWO_RUNS: Final = sentence("the attempt was entered for more than one run")
BEFORE_THE_PLAN: Final = sentence("it was cut before the plan")
A_RETRY: Final = sentence("it is no first attempt")
NO_PIERCES: Final = sentence("its pierces are not known")
NOTHING_JUDGED: Final = sentence("no part was judged")


@dataclass(frozen=True)
class TrialRun:
    """A run of the sheet as it stands. x of n: good parts, or pierces that went through, with state COUNTED alone.

    `plate`: that of the attempt, else the block of the plan. `failed`: all parts are bad, or no pierce went through.
    """

    number: int
    levels: tuple[Level, ...]
    block: int | None
    state: str = TO_CUT
    attempt: str | None = None
    plate: str | None = None
    purpose: str | None = None
    started_us: int | None = None
    x: int = 0
    n: int = 0
    lost_otherwise: int = 0
    failed: bool = False
    reason: Sentence | None = None


class Judge:
    """What attempts tell of the runs of one plan."""

    def __init__(self, plan: Plan, names: Names, since_us: int) -> None:
        self.plan = plan
        self.since_us = since_us
        self.machines = names.keys("machine", plan.machine, since_us=since_us)
        self.materials = names.keys("material", plan.material, since_us=since_us)

    def run(self, planned: TrialRun, attempt: str, row: Any, *, twice: bool) -> TrialRun:
        """A run with the attempt that was entered for it; row: what is counted of the attempt, or None."""
        if row is not None:
            planned = replace(planned, plate=row.plate, purpose=row.purpose, started_us=row.started_us)
        run = replace(planned, state=WAITING, attempt=attempt)
        if twice:
            return replace(run, state=LEFT_OUT, reason=FOR_TWO_RUNS)
        if row is None or row.state == "unfinished":
            return replace(run, reason=NOT_KNOWN)
        if (wrong := self._wrong(planned, row)) is not None:
            return replace(run, state=LEFT_OUT, reason=wrong)
        if row.state != "finished":
            return replace(run, reason=NOT_FINISHED)
        return _first_pass(run, row) if self.plan.response == FIRST_PASS else _pierces(run, row)

    def _wrong(self, planned: TrialRun, row: Any) -> Sentence | None:
        """Why the attempt cannot be the run that was planned."""
        if row.started_us is not None and row.started_us < self.since_us:
            return BEFORE_THE_PLAN
        if row.attempt_no is not None and row.attempt_no > 1:
            return A_RETRY
        plan = self.plan
        held = (
            (row.machine, self.machines, sentence("it was cut on another machine")),
            (row.material, self.materials, sentence("it is of another material")),
            (row.thickness_nm, {plan.thickness_nm}, sentence("it is of another thickness")),
            (row.gas, {plan.gas or row.gas}, sentence("it was cut with another gas")),
        )
        for there, planned_one, why in held:
            if there is not None and there not in planned_one:
                return why
        settings = orjson.loads(row.settings) if row.settings else {}
        for factor, level in zip(plan.factors, planned.levels, strict=True):
            there = settings.get(factor.name)
            if there is not None and there != level:
                return sentence(
                    "%(setting)s was %(there)s, planned %(planned)s",
                    setting=SETTINGS[factor.name],
                    there=said_level(there),
                    planned=said_level(level),
                )
        return None


def _first_pass(run: TrialRun, row: Any) -> TrialRun:
    if row.pending:
        return replace(run, reason=PENDING)
    judged = row.good + row.rework + row.scrap + row.not_made - row.lost_otherwise
    run = replace(run, lost_otherwise=row.lost_otherwise)
    if judged <= 0:
        return replace(run, state=LEFT_OUT, reason=NOTHING_JUDGED)
    return replace(run, state=COUNTED, x=row.good, n=judged, failed=row.good == 0)


def _pierces(run: TrialRun, row: Any) -> TrialRun:
    if not row.pierces or row.failed_pierces is None:
        return replace(run, state=LEFT_OUT, reason=NO_PIERCES)
    through = max(0, row.pierces - row.failed_pierces)
    is_failed = through == 0 or row.outcome == "pierce_failed"
    return replace(run, state=COUNTED, x=through, n=row.pierces, failed=is_failed)
