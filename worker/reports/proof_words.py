"""What is said of a proof in sentences: what it is to show, how it stands, and what it does not count. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from worker.placing import mm
from worker.proof_plans import SEQUENTIAL, Plan, impossibility, percent, practice_of
from worker.proof_standing import DECIDED, OPEN, PASSED, PLANNED, Spread, Standing
from worker.reports.process_parts import NOT_THE_PROCESS
from worker.reports.proof_trials import Proof
from worker.stats.clustering import INDEPENDENCE_ASSUMED

#: What goes with every proof.
RULES: Final = (
    "a trial is a first attempt that started when the proof was planned or later, for production or proof, with a "
    "square cut; it is good when all parts that it tried were good at the first verdict",
)


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
    plan, found = proof.planned.plan, proof.standing
    unit = "plates" if plan.rule.kind == SEQUENTIAL else "trials"
    said = f"{found.trials - found.failures} of {counted(found.trials, unit[:-1])} good"
    if found.state in DECIDED:
        return f"{found.state} on {proof.decided_day}: {said}{_at_least(plan, found)}"
    if (why := impossibility(plan.rule)) is not None:
        return f"cannot be decided: {why}"
    if found.remaining is None:
        return f"open: {said}"
    missing = "" if found.missing.is_none else f", on at least {spread_of(found.missing, more='more ')}"
    begun = "no trial yet" if found.state == PLANNED else f"open: {said}"
    return f"{begun}; {counted(found.remaining, f'more good {unit[:-1]}', f'more good {unit}')} would pass it{missing}"


def _at_least(plan: Plan, found: Standing) -> str:
    if found.lower is None:
        return ""
    shown = "shows" if found.state == PASSED else "shows no more than"
    return f", which {shown} a reliability of {percent(_floor(found.lower))} at a confidence of " + percent(
        plan.rule.confidence
    )


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
            f"{counted(found.left_over, 'cut')} after the decision {_do('prove', found.left_over)} nothing here, good "
            "or bad; report standing counts all"
        )


def _of_plates(proof: Proof) -> Iterator[str]:
    plan, found = proof.planned.plan, proof.standing
    if plan.rule.kind == SEQUENTIAL and found.cuts > found.trials:
        yield (
            f"a plate is one trial, good when all cuts on it are: {found.cuts} cuts make "
            f"{counted(found.trials, 'trial')}; cut one a plate, else more of them fail than the plan reckons with"
        )
    elif found.design_effect > 1:
        from_where = "in the 26 weeks before the plan" if proof.alike is not None else "in the series"
        yield (
            f"trials of one plate stand or fall together, as cuts {from_where} did: {found.trials} tell as much as "
            f"{found.effective_trials:.1f} on plates of their own"
        )
    elif found.assumed == INDEPENDENCE_ASSUMED:
        yield (
            "several trials stand on one plate and are taken as independent, since no cuts before the plan tell "
            "otherwise; ask for least_plates, or cut one a plate"
        )
    plateless = sum(step.trial.plate is None for step in found.steps)
    if plateless and (plan.least_plates or plan.least_heats):
        names, adds = _do("name", plateless), _do("add", plateless)
        yield f"{counted(plateless, 'trial')} {names} no plate, and {adds} to no spread"


def _not_counted(proof: Proof) -> Iterator[str]:
    found, out = proof.standing, proof.left_out
    if found.void:
        causes = ", ".join(NOT_THE_PROCESS)
        yield (
            f"{counted(found.void, 'attempt')} {_do('be', found.void)} no trial: all that it lost was lost to a "
            f"confirmed cause that is not the process ({causes})"
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
