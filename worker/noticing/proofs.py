"""Proofs that were decided lately: each is one finding, closed when a late event opens its series again."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from worker.noticing.finding import PROOF, Finding
from worker.placing import mm
from worker.proof_plans import practice_of
from worker.proof_standing import DECIDED
from worker.reports.proof_trials import Proof, ProofReader, plans
from worker.reports.proof_words import cut_of, state_of
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.sentences import joined

CODE: Final = "proof_decided"
#: Days for which a decided proof is spoken of, its last day inside.
DAYS: Final = 8 * 7


def decided_proofs(reader: Reader, question: Question) -> list[Finding]:
    """Proofs that were decided within the newest days of a question's window."""
    return list(_decided(reader, question.last_day))


def _decided(reader: Reader, today: date) -> Iterator[Finding]:
    since = (today - timedelta(days=DAYS - 1)).isoformat()
    proofs = ProofReader(reader, last_day=today)
    for planned in plans(reader):
        proof = proofs.proof(planned)
        if proof.standing.state in DECIDED and (proof.decided_day or "") >= since:
            yield _finding(proof)


def _finding(proof: Proof) -> Finding:
    plan, found, day = proof.planned.plan, proof.standing, proof.decided_day or proof.planned_day
    risks, practice = plan.rule.sequential, practice_of(plan.rule)
    return Finding(
        kind=PROOF,
        code=CODE,
        subject_kind=PROOF,
        subject=proof.planned.proof,
        other="",
        detail=joined(": ", (cut_of(plan), state_of(proof))),
        figures={
            "state": found.state,
            "thickness_mm": mm(plan.thickness_nm),
            "material": plan.material,
            "machine": plan.machine,
            "reliability": plan.rule.reliability,
            "confidence": plan.rule.confidence,
            "kind": plan.rule.kind,
            "unacceptable_reliability": risks and risks.unacceptable_reliability,
            "producer_risk": risks and risks.producer,
            "real_producer_risk": practice and practice.producer_risk,
            "consumer_risk": plan.rule.consumer_risk,
            "real_consumer_risk": practice and practice.consumer_risk,
            "trials": found.trials,
            "good": found.trials - found.failures,
            "plates": found.spread.plates,
            "heats": found.spread.heats,
            "days": found.spread.days,
            "lower": found.lower,
            "decided_by": found.decided and found.decided.attempt,
            "decided_day": day,
        },
        first_day=date.fromisoformat(proof.planned_day),
        last_day=date.fromisoformat(day),
    )
