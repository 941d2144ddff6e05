"""Proofs as the doors show them: what is planned, what the rule really does, how the series stands, trial by trial."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.placing import mm
from worker.proof_plans import Practice, Rule, practice_of
from worker.proof_standing import Spread, Step
from worker.reports.proof_trials import Planned, Proof, ProofReader, plans
from worker.reports.proof_words import RULES, notes_of, risks_of, state_of
from worker.reports.reading import Reader, instant
from worker.state import Page, last_of, page_of

Value = dict[str, Any]
#: Trials that are told at a time.
MOST_TRIALS: Final = 500
#: Plans that are read at a time.
_AT_A_TIME: Final = 100
#: How cursors of pages of proofs begin.
_PLANS: Final = "r1:"


def proofs(reader: Reader, *, state: str | None = None, after: str | None = None, limit: int = 100) -> Page:
    """A page of proofs by id, those in a state when one is given; plans that are not counted yet are among them.

    Raises PageCursorUnreadable.
    """
    last = None if after is None else last_of(after, form=_PLANS)
    standing_in = ProofReader(reader)
    told = (standing_in.proof(planned) for planned in _after(reader, last))
    wanted = (each for each in told if state in (None, each.standing.state))
    return page_of(wanted, lambda each: each.planned.proof, shown, form=_PLANS, after=after, limit=limit)


def _after(reader: Reader, last: str | None) -> Iterator[Planned]:
    """All plans beyond an id, by id."""
    while some := plans(reader, after=last, limit=_AT_A_TIME, with_owed=True):
        yield from some
        last = some[-1].proof


def proof(reader: Reader, name: str, *, after: int = 0, limit: int = MOST_TRIALS) -> Value | None:
    """One proof with its trials, or None. after: those beyond this number; limit: so many."""
    found = next(iter(plans(reader, proof=name, with_owed=True)), None)
    if found is None:
        return None
    told = ProofReader(reader).proof(found)
    notes = [*RULES, *([risks] if (risks := risks_of(found.plan)) else []), *notes_of(told)]
    steps = told.standing.steps
    some = steps[after : after + limit]
    trials = [trial_shown(number, step) for number, step in enumerate(some, start=after + 1)]
    last = after + len(some)
    more = {"trials": trials, "next_after": last if last < len(steps) else None}
    return shown(told) | more | {"notes": notes, "cautions": CAUTIONS}


def shown(told: Proof) -> Value:
    """A proof as it stands, without its trials."""
    planned, found = told.planned, told.standing
    return {
        "id": planned.proof,
        "state": found.state,
        "detail": state_of(told),
        "planned_at": instant(planned.planned_us),
        "received_at": instant(planned.received_us),
        "source": planned.source,
        "position": planned.position,
        "plan": _plan(planned),
        "rule": _rule(planned.plan.rule),
        "cuts": found.cuts,
        "trials_made": found.trials,
        "good": found.trials - found.failures,
        "failed": found.failures,
        "effective_trials": found.effective_trials,
        "spread": _spread(found.spread),
        "missing": _spread(found.missing),
        "remaining": found.remaining,
        "given_up": found.given_up,
        "waiting_for": found.blocked_by and found.blocked_by.attempt,
        "waiting": found.waiting,
        "left_over": found.left_over,
        "decided_by": found.decided and found.decided.attempt,
        "decided_day": told.decided_day,
        "lower": found.lower,
        "reason": found.reason,
    }


def _spread(spread: Spread) -> Value:
    return {"plates": spread.plates, "heats": spread.heats, "days": spread.days}


def _plan(planned: Planned) -> Value:
    plan, risks = planned.plan, planned.plan.rule.sequential
    plain = ("machine", "material", "gas", "surface_group", "thermal_history")
    spread = ("least_plates", "least_heats", "least_days", "note")
    return {
        "reliability": plan.rule.reliability,
        "confidence": plan.rule.confidence,
        "failures_allowed": plan.rule.failures_allowed if risks is None else None,
        "sequential": risks
        and {
            "producer_risk": risks.producer,
            "consumer_risk": risks.consumer,
            "unacceptable_reliability": risks.unacceptable_reliability,
        },
        "thickness_mm": mm(plan.thickness_nm),
        **{name: getattr(plan, name) for name in plain},
        "recipe": plan.recipe and {"name": plan.recipe, "revision": plan.recipe_revision},
        **{name: getattr(plan, name) for name in spread},
    }


def _rule(rule: Rule) -> Value | None:
    practice = practice_of(rule)
    if practice is None:
        return None
    risks, lines = rule.sequential, practice.lines
    return {
        "kind": rule.kind,
        "needed": practice.needed,
        "longest": practice.longest,
        "lines": lines and {"to_pass": lines.to_pass, "to_fail": lines.to_fail, "slope": lines.slope},
        "ends": _ends(practice),
        "producer_risk": None if risks is None else {"planned": risks.producer, "real": practice.producer_risk},
        "consumer_risk": {
            "planned": rule.consumer_risk,
            "real": practice.consumer_risk,
        },
        "operating": [
            {
                "reliability": at.reliability,
                "passes": at.passes,
                "expected_trials": at.expected_trials,
                "trials_90": at.trials_90,
            }
            for at in practice.operating
        ],
    }


def _ends(practice: Practice) -> list[Value]:
    """For each number of failures from which trial on it passes, and up to which it fails; None: never."""
    passes, fails = practice.boundary.passes, practice.boundary.fails
    found = []
    for failures in range(fails[-1] + 1):
        passes_from, fails_until = bisect_left(passes, failures) + 1, bisect_right(fails, failures)
        found.append(
            {
                "failures": failures,
                "passes_from": passes_from if passes_from <= practice.longest else None,
                # So many failures take as many trials
                "fails_until": fails_until if fails_until >= max(1, failures) else None,
            }
        )
    return found


def trial_shown(number: int, step: Step) -> Value:
    """A trial of a series, and how the series stood after it; number: its place among those that counted."""
    trial = step.trial
    return {
        "number": number,
        "attempt": trial.attempt,
        "plate": trial.plate,
        "heat_number": trial.heat_number,
        "day": trial.day,
        "started_at": instant(trial.started_us),
        "good": trial.outcome == "good",
        "parts": trial.parts,
        "parts_good": trial.good,
        "parts_lost_otherwise": trial.lost_otherwise,
        "state": step.state,
        "remaining": step.remaining,
    }
