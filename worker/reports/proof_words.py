"""What is said of a proof in sentences: what it is to show, how it stands, and what it does not count. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from worker.events import NOT_THE_PROCESS
from worker.placing import mm
from worker.proof_plans import FIXED, SEQUENTIAL, Plan, impossibility, percent, practice_of
from worker.proof_standing import DECIDED, FAILED, GOOD, OPEN, PASSED, PLANNED, Spread, Standing
from worker.reports.proof_trials import Proof
from worker.reports.reading import instant
from worker.reports.standing import GASES
from worker.sentences import Sentence, counted, figure, joined, sentence

#: Causes that are not the process, as the ledger names them.
_CAUSES: Final[Mapping[str, str]] = {
    "handling": sentence("handling"),
    "drawing_or_order": sentence("drawing_or_order"),
    "wrong_plate": sentence("wrong_plate"),
}
_NOT_THE_PROCESS: Final = joined(", ", (_CAUSES.get(cause, cause) for cause in NOT_THE_PROCESS))
#: What goes with every proof.
RULES: Final = (
    sentence(
        "a trial is a first attempt that started when the proof was planned or later, for production or proof, with a "
        "square cut; it is good when all parts that it tried were good at the first verdict, those left out that were "
        "lost to a confirmed cause that is not the process (%(causes)s)",
        causes=_NOT_THE_PROCESS,
    ),
)
#: Trials: less than this is no loss.
_HARDLY: Final = 0.05
#: How several cuts on a plate are taken, said while a proof goes on: by the kind of its rule.
_CUT_SINGLY: Final = {
    SEQUENTIAL: sentence(
        "cut one trial a plate: a plate is one trial, bad when one cut on it is, so with several cuts a plate a good "
        "process fails more often than planned"
    ),
    FIXED: sentence(
        "cut one trial a plate: several on one tell more than one does only if cuts in the 26 weeks before the plan "
        "show how alike those of one plate come out"
    ),
}
#: Surfaces and thermal histories that a plan may ask for.
_SURFACES: Final[Mapping[str, str]] = {
    "clean": sentence("clean surface"),
    "disturbed": sentence("disturbed surface"),
    "unknown": sentence("unknown surface"),
}
_EDGES: Final[Mapping[str, str]] = {
    "as_supplied": sentence("edges as_supplied"),
    "thermal_edge": sentence("edges thermal_edge"),
    "hardened": sentence("edges hardened"),
    "unknown": sentence("edges unknown"),
}


def cut_of(plan: Plan) -> Sentence:
    """What is to be cut: thickness, material, machine, and the conditions that count."""
    return joined(", ", _cut_of(plan))


def _cut_of(plan: Plan) -> Iterator[str]:
    yield sentence(
        "%(thickness)s mm %(material)s on %(machine)s",
        thickness=figure(mm(plan.thickness_nm), ""),
        material=plan.material,
        machine=plan.machine,
    )
    if plan.gas:
        yield GASES.get(plan.gas, plan.gas)
    if plan.surface_group:
        yield _SURFACES.get(plan.surface_group, f"{plan.surface_group} surface")
    if plan.thermal_history:
        yield _EDGES.get(plan.thermal_history, f"edges {plan.thermal_history}")
    if plan.recipe:
        revision = f" / {plan.recipe_revision}" if plan.recipe_revision else ""
        yield sentence("recipe %(recipe)s", recipe=plan.recipe + revision)


def spread_of(spread: Spread) -> Sentence:
    """Plates, heats and days of which there are any still to come: "2 more plates and 1 more production day"."""
    told = [
        said
        for number, said in (
            (spread.plates, counted(spread.plates, "%(count)s more plate", "%(count)s more plates")),
            (spread.heats, counted(spread.heats, "%(count)s more heat", "%(count)s more heats")),
            (spread.days, counted(spread.days, "%(count)s more production day", "%(count)s more production days")),
        )
        if number
    ]
    return _listed(told)


def _listed(told: Sequence[Sentence]) -> Sentence:
    """At most three things in a row."""
    if len(told) == 3:
        return sentence("%(first)s, %(second)s and %(third)s", first=told[0], second=told[1], third=told[2])
    if len(told) == 2:
        return sentence("%(first)s and %(second)s", first=told[0], second=told[1])
    return joined("", told)


def state_of(proof: Proof) -> Sentence:
    """How it stands, in a sentence."""
    state = _state_of(proof)
    return joined("; ", (state, _too_early(proof))) if proof.early else state


def _state_of(proof: Proof) -> Sentence:
    plan, found = proof.planned.plan, proof.standing
    if found.state in DECIDED:
        said = _said_of_end(plan, found)
        return (
            sentence("failed on %(day)s: %(said)s", day=proof.decided_day, said=said)
            if found.state == FAILED
            else sentence("passed on %(day)s: %(said)s", day=proof.decided_day, said=said)
        )
    if (why := impossibility(plan.rule)) is not None:
        return sentence("cannot be decided: %(field)s %(why)s", field=why.field, why=why.detail)
    if found.given_up:
        return sentence(
            "open for good: %(said)s, and after %(cuts)s cuts no more is counted; plan another proof",
            said=_good_of(found),
            cuts=found.cuts,
        )
    would_pass = _would_pass(found)
    if found.state == PLANNED:
        return sentence("no trial yet; %(needed)s", needed=would_pass)
    if not found.trials:
        return sentence("open: no trial judged yet; %(needed)s", needed=would_pass)
    return sentence("open: %(said)s; %(needed)s", said=_good_of(found), needed=would_pass)


def _good_of(found: Standing) -> Sentence:
    """How many were good, of plates where several cuts make one trial."""
    good = found.trials - found.failures
    if found.by_plate and found.cuts > found.trials:
        return counted(found.trials, "%(good)s of %(count)s plate good", "%(good)s of %(count)s plates good", good=good)
    return counted(found.trials, "%(good)s of %(count)s trial good", "%(good)s of %(count)s trials good", good=good)


def _would_pass(found: Standing) -> Sentence:
    missing = replace(found.missing, plates=0)
    told = counted(
        found.remaining or 0,
        "%(count)s more good trial on a plate of its own would pass it",
        "%(count)s more good trials on plates of their own would pass it",
    )
    if missing.is_none:
        return told
    return sentence("%(needed)s, over at least %(spread)s", needed=told, spread=spread_of(missing))


def _too_early(proof: Proof) -> Sentence:
    """That a plan says it is older than it is in the ledger."""
    planned, received = (
        instant(us).isoformat(timespec="seconds") for us in (proof.planned.planned_us, proof.planned.received_us)
    )
    return counted(
        proof.early,
        "by its own word it was planned at %(planned)s, but the ledger received it at %(received)s: %(count)s cut in "
        "between is none of its trials",
        "by its own word it was planned at %(planned)s, but the ledger received it at %(received)s: %(count)s cuts in "
        "between are none of its trials",
        planned=planned,
        received=received,
    )


def _said_of_end(plan: Plan, found: Standing) -> Sentence:
    """How it came out, and what it shows now that it has ended."""
    shown = [each for each in (_ruled_out(plan, found), _bound(plan, found)) if each is not None]
    said = _good_of(found)
    return sentence("%(said)s, which %(shown)s", said=said, shown=_listed(shown)) if shown else said


def _bound(plan: Plan, found: Standing) -> Sentence | None:
    if found.lower is None:
        return None
    lower, confidence = percent(_floor(found.lower)), percent(plan.rule.confidence)
    if found.state == PASSED:
        return sentence(
            "shows a reliability of at least %(lower)s at a confidence of %(confidence)s",
            lower=lower,
            confidence=confidence,
        )
    return sentence(
        "shows only a reliability of %(lower)s at a confidence of %(confidence)s", lower=lower, confidence=confidence
    )


def _ruled_out(plan: Plan, found: Standing) -> Sentence | None:
    risks, practice = plan.rule.sequential, practice_of(plan.rule)
    if risks is None or practice is None or practice.producer_risk is None:
        return None
    out, risk = (
        (risks.unacceptable_reliability, practice.consumer_risk)
        if found.state == PASSED
        else (plan.rule.reliability, practice.producer_risk)
    )
    return sentence(
        "rules out %(reliability)s (real risk %(risk)s)", reliability=percent(out), risk=percent(round(risk, 4))
    )


def _floor(share: float) -> float:
    """A lower bound with few digits: never rounded up."""
    return int(share * 10_000) / 10_000


def notes_of(proof: Proof) -> list[str]:
    """What it counts and what not, and why it does not go on."""
    return list(_notes(proof))


def _notes(proof: Proof) -> Iterator[str]:
    plan, found = proof.planned.plan, proof.standing
    if "material" in proof.unknown:
        yield sentence(
            "no cut with material %(name)s is known here yet; see that it is written as the cuts have it",
            name=repr(plan.material),
        )
    if "machine" in proof.unknown:
        yield sentence(
            "no cut with machine %(name)s is known here yet; see that it is written as the cuts have it",
            name=repr(plan.machine),
        )
    if found.state not in DECIDED:
        yield from _of_waiting(found)
    yield from _of_plates(proof)
    yield from _not_counted(proof)
    if found.left_over:
        yield _left_over(found)
    if proof.planned.others:
        yield counted(
            proof.planned.others,
            "%(count)s other plan under this id came to the ledger later, and is none: the first one counts until it "
            "is voided",
            "%(count)s other plans under this id came to the ledger later, and are none: the first one counts until it "
            "is voided",
        )


def _of_waiting(found: Standing) -> Iterator[str]:
    """What it waits for, besides good trials."""
    if (by := found.blocked_by) is not None:
        held_up = (
            sentence(
                "attempt %(attempt)s has no end yet, and nothing after it counts until it is", attempt=repr(by.attempt)
            )
            if by.outcome == OPEN
            else sentence(
                "attempt %(attempt)s is not judged yet, and nothing after it counts until it is",
                attempt=repr(by.attempt),
            )
        )
        waiting = counted(found.waiting, "%(count)s attempt after it waits", "%(count)s attempts after it wait")
        yield joined("; ", (held_up, waiting)) if found.waiting else held_up
    if not found.missing.is_none and found.steps:
        yield sentence("it passes only with %(spread)s, whatever else is good", spread=spread_of(found.missing))


def _left_over(found: Standing) -> Sentence:
    if found.given_up:
        return counted(
            found.left_over,
            "%(count)s cut after the end proves nothing here, good or bad; report standing counts all",
            "%(count)s cuts after the end prove nothing here, good or bad; report standing counts all",
        )
    return counted(
        found.left_over,
        "%(count)s cut after the decision proves nothing here, good or bad; report standing counts all",
        "%(count)s cuts after the decision prove nothing here, good or bad; report standing counts all",
    )


def _of_plates(proof: Proof) -> Iterator[str]:
    plan, found = proof.planned.plan, proof.standing
    if found.by_plate and found.cuts > found.trials:
        yield _plate_as_one(plan, found)
    elif found.cuts - found.effective_trials > _HARDLY:
        yield sentence(
            "trials of one plate stand or fall together, as cuts in the 26 weeks before the plan did: %(trials)s tell "
            "as much as %(effective)s on plates of their own",
            trials=found.trials,
            effective=figure(found.effective_trials, ".1f"),
        )
    if found.state not in DECIDED:
        yield _CUT_SINGLY[plan.rule.kind]
    if plateless := sum(step.trial.plate is None for step in found.steps):
        yield counted(
            plateless,
            "%(count)s trial names no plate, and adds to no spread; each of their runs is taken for a plate of its own",
            "%(count)s trials name no plate, and add to no spread; each of their runs is taken for a plate of its own",
        )


def _plate_as_one(plan: Plan, found: Standing) -> Sentence:
    if plan.rule.kind == SEQUENTIAL:
        return counted(
            found.trials,
            "a plate is one trial, good when all cuts on it are: %(cuts)s cuts make %(count)s trial",
            "a plate is one trial, good when all cuts on it are: %(cuts)s cuts make %(count)s trials",
            cuts=found.cuts,
        )
    return counted(
        found.trials,
        "a plate is one trial, good when all cuts on it are, since no cuts before the plan tell how alike those of one "
        "plate are: %(cuts)s cuts make %(count)s trial",
        "a plate is one trial, good when all cuts on it are, since no cuts before the plan tell how alike those of one "
        "plate are: %(cuts)s cuts make %(count)s trials",
        cuts=found.cuts,
    )


def _not_counted(proof: Proof) -> Iterator[str]:
    found, out = proof.standing, proof.left_out
    if found.void:
        yield counted(
            found.void,
            "%(count)s attempt is no trial: all parts were lost to a confirmed cause that is not the process "
            "(%(causes)s)",
            "%(count)s attempts are no trial: all parts were lost to a confirmed cause that is not the process "
            "(%(causes)s)",
            causes=_NOT_THE_PROCESS,
        )
    if partly := sum(step.trial.outcome == GOOD and step.trial.lost_otherwise > 0 for step in found.steps):
        yield counted(
            partly,
            "%(count)s trial is good though parts were lost: to a confirmed cause that is not the process, and all "
            "others were good",
            "%(count)s trials are good though parts were lost: to a confirmed cause that is not the process, and all "
            "others were good",
        )
    if found.untried:
        yield counted(
            found.untried,
            "%(count)s attempt reaches no part and is no trial",
            "%(count)s attempts reach no part and are no trial",
        )
    if out.for_trial:
        yield counted(
            out.for_trial,
            "%(count)s cut for trial is left out: a trial explores",
            "%(count)s cuts for trial are left out: a trial explores",
        )
    if out.bevelled:
        yield counted(
            out.bevelled, "%(count)s cut with a bevel is left out", "%(count)s cuts with a bevel are left out"
        )
    if out.otherwise:
        yield counted(
            out.otherwise,
            "%(count)s cut of this thickness, material and machine is left out: another gas, surface, thermal history "
            "or recipe than planned, or one that is not known",
            "%(count)s cuts of this thickness, material and machine are left out: another gas, surface, thermal "
            "history or recipe than planned, or one that is not known",
        )


def risks_of(plan: Plan) -> Sentence | None:
    """What the rule really does, in a sentence; None when it cannot be carried out."""
    practice, rule = practice_of(plan.rule), plan.rule
    if practice is None:
        return None
    if rule.sequential is None or practice.producer_risk is None:
        return sentence(
            "a process of just %(reliability)s passes with a chance of %(chance)s (at most %(most)s was asked)",
            reliability=percent(rule.reliability),
            chance=percent(round(practice.consumer_risk, 4)),
            most=percent(round(1 - rule.confidence, 6)),
        )
    return sentence(
        "real risks: %(producer)s to fail a process of %(reliability)s (%(planned_producer)s planned), %(consumer)s to "
        "pass one of %(unacceptable)s (%(planned_consumer)s planned)",
        producer=percent(round(practice.producer_risk, 4)),
        reliability=percent(rule.reliability),
        planned_producer=percent(rule.sequential.producer),
        consumer=percent(round(practice.consumer_risk, 4)),
        unacceptable=percent(rule.sequential.unacceptable_reliability),
        planned_consumer=percent(rule.sequential.consumer),
    )
