"""What is said of a proof in sentences: what it is to show, how it stands, and what it does not count. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from worker.events import NOT_THE_PROCESS
from worker.placing import mm
from worker.proof_plans import FIXED, SEQUENTIAL, Plan, impossibility, percent, practice_of
from worker.proof_standing import DECIDED, GOOD, OPEN, PASSED, PLANNED, Spread, Standing
from worker.reports.proof_trials import Proof
from worker.reports.reading import instant

#: What goes with every proof.
RULES: Final = (
    "a trial is a first attempt that started when the proof was planned or later, for production or proof, with a "
    "square cut; it is good when all parts that it tried were good at the first verdict, those left out that were lost "
    f"to a confirmed cause that is not the process ({', '.join(NOT_THE_PROCESS)})",
)
#: Trials: less than this is no loss.
_HARDLY: Final = 0.05
#: How several cuts on a plate are taken, said while a proof goes on: by the kind of its rule.
_CUT_SINGLY: Final = {
    SEQUENTIAL: "cut one trial a plate: a plate is one trial, bad when one cut on it is, so with several cuts a "
    "plate a good process fails more often than planned",
    FIXED: "cut one trial a plate: several on one tell more than one does only if cuts in the 26 weeks before the plan "
    "show how alike those of one plate come out",
}


def cut_of(plan: Plan) -> str:
    """What is to be cut: thickness, material, machine, and the conditions that count."""
    recipe = plan.recipe and f"recipe {plan.recipe}" + (f" / {plan.recipe_revision}" if plan.recipe_revision else "")
    conditions = (
        plan.gas,
        plan.surface_group and f"{plan.surface_group} surface",
        plan.thermal_history and f"edges {plan.thermal_history}",
        recipe,
    )
    told = [f"{mm(plan.thickness_nm)} mm {plan.material} on {plan.machine}", *(one for one in conditions if one)]
    return ", ".join(told)


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def spread_of(spread: Spread, *, more: str = "") -> str:
    """Plates, heats and days of which there are any: "2 more plates and 1 more day"."""
    told = [
        counted(number, f"{more}{noun}")
        for number, noun in ((spread.plates, "plate"), (spread.heats, "heat"), (spread.days, "production day"))
        if number
    ]
    return " and ".join(told) if len(told) < 3 else f"{told[0]}, {told[1]} and {told[2]}"


def state_of(proof: Proof) -> str:
    """How it stands, in a sentence."""
    return f"{_state_of(proof)}{_too_early(proof)}"


def _state_of(proof: Proof) -> str:
    plan, found = proof.planned.plan, proof.standing
    unit = _unit(found)
    said = f"{found.trials - found.failures} of {counted(found.trials, unit)} good"
    if found.state in DECIDED:
        return f"{found.state} on {proof.decided_day}: {said}{_shown(plan, found)}"
    if (why := impossibility(plan.rule)) is not None:
        return f"cannot be decided: {why}"
    if found.given_up:
        return f"open for good: {said}, and after {found.cuts} cuts no more is counted; plan another proof"
    begun = (
        "no trial yet" if found.state == PLANNED else f"open: {said}" if found.trials else "open: no trial judged yet"
    )
    return f"{begun}; {_would_pass(found)}"


def _unit(found: Standing) -> str:
    return "plate" if found.by_plate and found.cuts > found.trials else "trial"


def _would_pass(found: Standing) -> str:
    remaining, missing = found.remaining or 0, replace(found.missing, plates=0)
    own = "a plate of its own" if remaining == 1 else "plates of their own"
    over = "" if missing.is_none else f", over at least {spread_of(missing, more='more ')}"
    return f"{counted(remaining, 'more good trial')} on {own} would pass it{over}"


def _too_early(proof: Proof) -> str:
    """That a plan says it is older than it is in the ledger."""
    if not proof.early:
        return ""
    planned, received = (
        instant(us).isoformat(timespec="seconds") for us in (proof.planned.planned_us, proof.planned.received_us)
    )
    return (
        f"; by its own word it was planned at {planned}, but the ledger received it at {received}: "
        f"{counted(proof.early, 'cut')} in between {_do('be', proof.early)} none of its trials"
    )


def _shown(plan: Plan, found: Standing) -> str:
    """What it shows, now that it has ended."""
    has_passed, risks, practice = found.state == PASSED, plan.rule.sequential, practice_of(plan.rule)
    bound = ""
    if found.lower is not None:
        only, at_least = "" if has_passed else "only ", "at least " if has_passed else ""
        bound = (
            f"shows {only}a reliability of {at_least}{percent(_floor(found.lower))} at a confidence of "
            f"{percent(plan.rule.confidence)}"
        )
    ruled_out = ""
    if risks is not None and practice is not None and practice.producer_risk is not None:
        out, risk = (
            (risks.unacceptable_reliability, practice.consumer_risk)
            if has_passed
            else (plan.rule.reliability, practice.producer_risk)
        )
        ruled_out = f"rules out {percent(out)} (real risk {percent(round(risk, 4))})"
    told = " and ".join(each for each in (ruled_out, bound) if each)
    return f", which {told}" if told else ""


def _floor(share: float) -> float:
    """A lower bound with few digits: never rounded up."""
    return int(share * 10_000) / 10_000


def notes_of(proof: Proof) -> list[str]:
    """What it counts and what not, and why it does not go on."""
    return list(_notes(proof))


def _notes(proof: Proof) -> Iterator[str]:
    plan, found = proof.planned.plan, proof.standing
    for kind, name in (("material", plan.material), ("machine", plan.machine)):
        if kind in proof.unknown:
            yield f"no cut with {kind} {name!r} is known here yet; see that it is written as the cuts have it"
    if found.blocked_by is not None and found.state not in DECIDED:
        waits = f"; {counted(found.waiting, 'attempt')} after it {_do('wait', found.waiting)}" if found.waiting else ""
        why = "has no end yet" if found.blocked_by.outcome == OPEN else "is not judged yet"
        yield f"attempt {found.blocked_by.attempt!r} {why}, and nothing after it counts until it is{waits}"
    if not found.missing.is_none and found.steps and found.state not in DECIDED:
        yield f"it passes only with {spread_of(found.missing, more='more ')}, whatever else is good"
    yield from _of_plates(proof)
    yield from _not_counted(proof)
    if found.left_over:
        yield (
            f"{counted(found.left_over, 'cut')} after the {'end' if found.given_up else 'decision'} "
            f"{_do('prove', found.left_over)} nothing here, good or bad; report standing counts all"
        )
    if proof.planned.others:
        yield (
            f"{counted(proof.planned.others, 'other plan')} under this id came to the ledger later, and "
            f"{_do('be', proof.planned.others)} none: the first one counts until it is voided"
        )


def _of_plates(proof: Proof) -> Iterator[str]:
    plan, found = proof.planned.plan, proof.standing
    if found.by_plate and found.cuts > found.trials:
        why = (
            ""
            if plan.rule.kind == SEQUENTIAL
            else ", since no cuts before the plan tell how alike those of one plate are"
        )
        yield (
            f"a plate is one trial, good when all cuts on it are{why}: {found.cuts} cuts make "
            f"{counted(found.trials, 'trial')}"
        )
    elif found.cuts - found.effective_trials > _HARDLY:
        yield (
            f"trials of one plate stand or fall together, as cuts in the 26 weeks before the plan did: {found.trials} "
            f"tell as much as {found.effective_trials:.1f} on plates of their own"
        )
    if found.state not in DECIDED:
        yield _CUT_SINGLY[plan.rule.kind]
    if plateless := sum(step.trial.plate is None for step in found.steps):
        names, adds = _do("name", plateless), _do("add", plateless)
        yield (
            f"{counted(plateless, 'trial')} {names} no plate, and {adds} to no spread; each of their runs is taken for "
            "a plate of its own"
        )


def _not_counted(proof: Proof) -> Iterator[str]:
    found, out = proof.standing, proof.left_out
    if found.void:
        causes = ", ".join(NOT_THE_PROCESS)
        yield (
            f"{counted(found.void, 'attempt')} {_do('be', found.void)} no trial: all parts were lost to a confirmed "
            f"cause that is not the process ({causes})"
        )
    if partly := sum(step.trial.outcome == GOOD and step.trial.lost_otherwise > 0 for step in found.steps):
        yield (
            f"{counted(partly, 'trial')} {_do('be', partly)} good though parts were lost: to a confirmed cause that is "
            "not the process, and all others were good"
        )
    if found.untried:
        reached, is_none = _do("reach", found.untried), _do("be", found.untried)
        yield f"{counted(found.untried, 'attempt')} {reached} no part and {is_none} no trial"
    if out.for_trial:
        yield f"{counted(out.for_trial, 'cut')} for trial {_do('be', out.for_trial)} left out: a trial explores"
    if out.bevelled:
        yield f"{counted(out.bevelled, 'cut')} with a bevel {_do('be', out.bevelled)} left out"
    if out.otherwise:
        yield (
            f"{counted(out.otherwise, 'cut')} of this thickness, material and machine {_do('be', out.otherwise)} left "
            "out: another gas, surface, thermal history or recipe than planned, or one that is not known"
        )


def _do(verb: str, number: int) -> str:
    """A verb with its subject's number."""
    if verb == "be":
        return "is" if number == 1 else "are"
    return verb + ("es" if verb.endswith("ch") else "s") if number == 1 else verb


def risks_of(plan: Plan) -> str | None:
    """What the rule really does, in a sentence; None when it cannot be carried out."""
    practice, rule = practice_of(plan.rule), plan.rule
    if practice is None:
        return None
    if rule.sequential is None or practice.producer_risk is None:
        return (
            f"a process of just {percent(rule.reliability)} passes with a chance of "
            f"{percent(round(practice.consumer_risk, 4))} (at most {percent(round(1 - rule.confidence, 6))} was asked)"
        )
    return (
        f"real risks: {percent(round(practice.producer_risk, 4))} to fail a process of {percent(rule.reliability)} "
        f"({percent(rule.sequential.producer)} planned), {percent(round(practice.consumer_risk, 4))} to pass one of "
        f"{percent(rule.sequential.unacceptable_reliability)} ({percent(rule.sequential.consumer)} planned)"
    )
