"""Series of trials, appended by doors of their own: the run sheet drawn and planned, the end with what was learned."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection

from service.schemas.action_data import MOST_TRIAL_RUNS
from service.settling import PlannedOtherwise, SettingsWrong, judged_event, stored_data
from worker import ledger
from worker.events import TRIAL_CONCLUDED, TRIAL_PLANNED
from worker.reports.reading import open_site
from worker.trials.planning import SheetImpossible, plan_of, run_sheet
from worker.trials.reading import Trial, trials

#: Random bytes of an id that is made.
_ID_BYTES: Final = 6
#: What the body of a trial says of its run sheet, which the sheet itself takes the place of.
_OF_THE_SHEET: Final = ("replicates", "blocks")


def plan_trial(
    connection: Connection, site: str, trial: str | None, planned: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[str, bool]:
    """Draw the run sheet of a trial and append its plan; returns (its id, whether it is new). None: an id is made.

    planned: a body that its schema takes, as it was sent. The same plan under a known id is there already, with the
    seed that it was drawn with. Raises SettingsWrong for replicates and blocks that make no sheet, and
    PlannedOtherwise.
    """
    # Of two requests with one id the later sees the plan of the earlier.
    ledger.take_turn(connection, site)
    name = trial or f"TR-{secrets.token_hex(_ID_BYTES)}"
    there = next(iter(trials(open_site(connection, site), name=name)), None)
    seed = planned.get("seed")
    if seed is None:
        seed = there.plan.seed if there and there.plan.seed is not None else secrets.randbelow(2**31)
    replicates = int(planned.get("replicates") or 1)
    try:
        sheet = run_sheet(
            [factor["levels"] for factor in planned["factors"]],
            replicates=replicates,
            blocks=int(planned.get("blocks") or replicates),
            seed=int(seed),
            most_runs=MOST_TRIAL_RUNS,
        )
    except SheetImpossible as impossible:
        raise SettingsWrong(f"/{impossible.field}", impossible.detail) from None
    runs = [{"levels": list(run.levels), "block": run.block} for run in sheet]
    data = {field: value for field, value in planned.items() if field not in _OF_THE_SHEET}
    data |= {"seed": seed, "runs": runs}
    judged = judged_event(connection, site, TRIAL_PLANNED, name, data, source=source, now_us=now_us)
    if there is not None:
        if there.plan != plan_of(stored_data(judged)):
            raise PlannedOtherwise(name)
        return name, False
    ledger.append(connection, site, [judged], received_us=now_us)
    return name, True


class TrialUnknown(LookupError):
    """No trial is planned under the id."""


class ConcludedOtherwise(ValueError):
    """A trial has ended already, with another conclusion."""


def conclude_trial(
    connection: Connection, site: str, trial: str, concluded: Mapping[str, Any], *, source: str, now_us: int
) -> bool:
    """Append how a trial ended; False: it had ended so already. Raises TrialUnknown and ConcludedOtherwise."""
    ledger.take_turn(connection, site)
    there: Trial | None = next(iter(trials(open_site(connection, site), name=trial)), None)
    if there is None:
        raise TrialUnknown(trial)
    if (ended := there.conclusion) is not None:
        if (ended.reason, ended.conclusion) != (concluded["reason"], concluded["conclusion"]):
            raise ConcludedOtherwise(trial)
        return False
    judged = judged_event(connection, site, TRIAL_CONCLUDED, trial, concluded, source=source, now_us=now_us)
    ledger.append(connection, site, [judged], received_us=now_us)
    return True
