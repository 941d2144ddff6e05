"""Report proof: is this series enough? Each proof that was planned, how it stands, and what its rule really does."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.naming import name_key, recipe_label
from worker.placing import mm
from worker.proof_plans import Plan, Risks, Rule, practice_of
from worker.proof_standing import DECIDED, STATES, Trial, standing
from worker.reports.comparing import described
from worker.reports.proof_cuts import COUNT
from worker.reports.proof_trials import LeftOut, Planned, Proof, ProofReader, plans
from worker.reports.proof_words import RULES, notes_of, risks_of, state_of
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_ROWS, Reader
from worker.reports.report import Column, Report
from worker.sentences import sentence

_ANY: Final = "; null: any"
COLUMNS: Final = (
    Column("proof", "", "id of the proof", "text"),
    Column(
        "planned_day", "", "production day on which the ledger had the plan; cuts count from that moment on", "text"
    ),
    Column("thickness_mm", "mm", "thickness to prove"),
    Column("material", "", "material to prove it in", "text"),
    Column("machine", "", "machine to prove it on", "text"),
    Column("gas", "", f"cutting gas that counts{_ANY}", "text"),
    Column("surface_group", "", f"surface that counts{_ANY}", "text"),
    Column("thermal_history", "", f"thermal history that counts{_ANY}", "text"),
    Column("recipe", "", f"recipe that counts, by name and revision{_ANY}", "text"),
    Column("kind", "", "fixed: so many trials; sequential: may end after any trial (Wald)", "text"),
    Column("reliability", "share (0-1)", "share of good trials to show"),
    Column("confidence", "share (0-1)", "at which it is to be shown, and of lower"),
    Column("unacceptable_reliability", "share (0-1)", "to be ruled out; null for a fixed series"),
    Column("failures_allowed", "trials", "failures that a fixed series may have; null for a sequential one", "integer"),
    Column("needed", "trials", "trials that a fixed series takes; null for a sequential one", "integer"),
    Column("longest", "trials", "trials after which it has ended, if spread as widely as planned by then", "integer"),
    Column("state", "", "planned (no trial has begun), running, passed or failed", "text"),
    Column(
        "trials",
        "trials",
        "first attempts that counted; the plates they stand on, where a plate is one trial (note)",
        "integer",
    ),
    Column("good", "trials", "those among them that were good", "integer"),
    Column("failed", "trials", "those among them that were not", "integer"),
    Column("effective_trials", "trials", "so many on plates of their own would tell as much"),
    Column("plates", "plates", "plates on which it was cut; those not named are none", "integer"),
    Column("heats", "heats", "heats of these plates", "integer"),
    Column("days", "days", "production days on which it was cut", "integer"),
    Column("least_plates", "plates", "plates that it must be spread over; null: no matter", "integer"),
    Column("least_heats", "heats", "heats that it must be spread over; null: no matter", "integer"),
    Column("least_days", "days", "production days that it must be spread over; null: no matter", "integer"),
    Column(
        "remaining",
        "trials",
        "good trials, each on a plate of its own, that are still to come at least; null when none would pass it",
        "integer",
    ),
    Column("decided_day", "", "production day of the trial that decided it", "text"),
    Column(
        "lower",
        "share (0-1)",
        "exact one-sided lower bound of the share of good trials, with the series' own rule of ending counted in; null "
        "while it runs",
    ),
    Column("producer_risk", "share (0-1)", "planned chance to fail a process of the reliability; null: none planned"),
    Column("real_producer_risk", "share (0-1)", "the same as it really is, by recursion over all ways to end"),
    Column(
        "consumer_risk",
        "share (0-1)",
        "planned chance to pass a process of the unacceptable reliability; of a fixed series of just the reliability",
    ),
    Column("real_consumer_risk", "share (0-1)", "the same as it really is, by recursion over all ways to end"),
    Column("reason", "", "how it stands, in a sentence", "text"),
)
DETAILS: Final = tuple(Column(state, "proofs", f"proofs among these that are {state}", "integer") for state in STATES)
#: Filters that are about what is to be proven.
ABOUT: Final = (
    "thickness", "material", "machine", "gas", "surface_group", "thermal_history", "recipe",
)  # fmt: skip
PURPOSES: Final = COUNT


def proof_series(reader: Reader, question: Question) -> Report:
    """Proofs that were planned in the window, or before it and not decided before it, as they stand at its end.

    Raises QuestionUnanswerable for filters that are about cuts, not about what is to be proven.
    """
    _refuse_others(question)
    proofs = ProofReader(reader, last_day=question.last_day)
    first, last = question.first_day.isoformat(), question.last_day.isoformat()
    asked = [planned for planned in plans(reader) if _is_asked(planned, question, proofs)]
    begun = [planned for planned in asked if reader.calendar.place(planned.since_us).day <= question.last_day]
    found = [proofs.proof(planned) for planned in begun]
    shown = [proof for proof in found if max(proof.planned_day, proof.decided_day or last) >= first]
    return _answer(reader, question, shown)


def _refuse_others(question: Question) -> None:
    wrong = [
        Wrong(name, sentence("is nothing that a proof is planned for; ask by %(names)s", names=", ".join(ABOUT)))
        for name in question.filters
        if name not in (*ABOUT, "purpose")
    ]
    if set(question.filters.get("purpose", ())) != set(PURPOSES):
        wrong.append(
            Wrong("purpose", sentence("cannot be chosen: a proof counts cuts for production and proof; leave it out"))
        )
    if wrong:
        raise QuestionUnanswerable(wrong)


def _is_asked(planned: Planned, question: Question, proofs: ProofReader) -> bool:
    return all(
        bool(_values(planned, name, proofs) & set(values))
        for name, values in question.filters.items()
        if name != "purpose"
    )


def _values(planned: Planned, name: str, proofs: ProofReader) -> Set[Any]:
    """What a filter may say to mean this plan."""
    plan = planned.plan
    if name == "thickness":
        return {plan.thickness_nm}
    if name == "recipe" and plan.recipe is not None:
        revision = plan.recipe_revision and name_key(plan.recipe_revision)
        return {recipe_label(key, revision) for key in proofs.keys(planned, name, plan.recipe)}
    told = getattr(plan, name)
    return proofs.keys(planned, name, told) if name in ("material", "machine") else {told}


def _answer(reader: Reader, question: Question, proofs: Iterable[Proof]) -> Report:
    shown = sorted(proofs, key=lambda one: (one.planned.since_us, one.planned.proof))
    if len(shown) > MOST_ROWS:
        told = sentence("gives %(proofs)s proofs; ask for at most %(most)s", proofs=len(shown), most=MOST_ROWS)
        raise QuestionUnanswerable([Wrong("from", told)])
    rows = [row_of(proof) for proof in shown]
    details: dict[str, int] = {state: sum(row["state"] == state for row in rows) for state in STATES}
    return described(
        "proof",
        reader,
        question,
        columns=COLUMNS,
        rows=rows,
        details=details,
        notes=_said(shown),
        cautions=CAUTIONS,
    )


def _said(proofs: Sequence[Proof]) -> list[str]:
    if not proofs:
        return [
            sentence("no proof was planned in the window, and none from before it was open; POST /v1/proofs plans one")
        ]
    of_each = (
        sentence("proof %(proof)s: %(note)s", proof=proof.planned.proof, note=note)
        for proof in proofs
        for note in (*_risks(proof), *notes_of(proof))
    )
    return [*RULES, sentence("each lower bound is at the confidence of its plan"), *of_each]


def _risks(proof: Proof) -> list[str]:
    told = risks_of(proof.planned.plan) if proof.standing.state not in DECIDED else None
    return [] if told is None else [told]


def row_of(proof: Proof) -> dict[str, Any]:
    """A proof as a row."""
    plan, found = proof.planned.plan, proof.standing
    rule, practice = plan.rule, practice_of(plan.rule)
    risks = rule.sequential
    return {
        "proof": proof.planned.proof,
        "planned_day": proof.planned_day,
        "thickness_mm": mm(plan.thickness_nm),
        "material": plan.material,
        "machine": plan.machine,
        "gas": plan.gas,
        "surface_group": plan.surface_group,
        "thermal_history": plan.thermal_history,
        "recipe": plan.recipe and recipe_label(plan.recipe, plan.recipe_revision),
        "kind": rule.kind,
        "reliability": rule.reliability,
        "confidence": rule.confidence,
        "unacceptable_reliability": risks and risks.unacceptable_reliability,
        "failures_allowed": rule.failures_allowed if risks is None else None,
        "needed": practice and practice.needed,
        "longest": practice and practice.longest,
        "state": found.state,
        "trials": found.trials,
        "good": found.trials - found.failures,
        "failed": found.failures,
        "effective_trials": found.effective_trials,
        "plates": found.spread.plates,
        "heats": found.spread.heats,
        "days": found.spread.days,
        "least_plates": plan.least_plates,
        "least_heats": plan.least_heats,
        "least_days": plan.least_days,
        "remaining": found.remaining,
        "decided_day": proof.decided_day,
        "lower": found.lower,
        "producer_risk": risks and risks.producer,
        "real_producer_risk": practice and practice.producer_risk,
        "consumer_risk": rule.consumer_risk,
        "real_consumer_risk": practice and practice.consumer_risk,
        "reason": state_of(proof),
    }


def example(reader: Reader, question: Question) -> Report:
    """A fixed series that passed and a sequential one that runs, invented."""
    fixed = Plan(Rule(0.9, 0.9), 28_000_000, "laser-2", "S355J2+N", "oxygen", surface_group="clean", least_plates=3)
    risks = Risks(producer=0.05, consumer=0.1, unacceptable_reliability=0.7)
    sequential = Plan(Rule(0.9, 0.9, sequential=risks), 32_000_000, "laser-2", "S355J2+N", "oxygen")
    told = (("PR-4", fixed, 22, 0), ("PR-5", sequential, 9, 1))
    return _answer(
        reader,
        question,
        [_invented(number, name, plan, trials=n, failed=bad) for number, (name, plan, n, bad) in enumerate(told)],
    )


def _invented(number: int, name: str, plan: Plan, *, trials: int, failed: int) -> Proof:
    series = [
        Trial(f"A-{n}", f"plate:P-{n}", f"P-{n}", "Nordhelm", f"H{48213 + n % 2}", f"2026-03-{2 + n % 5:02}", n,
              "failed" if n < failed else "good")
        for n in range(trials)
    ]  # fmt: skip
    planned = Planned(name, plan, number, number, "/keys/k7m2q9xa", number)
    return Proof(planned, "2026-03-02", standing(plan, series), LeftOut(), None, ())
