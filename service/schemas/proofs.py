"""Proofs: the body that plans one, the query that lists them, and what is answered of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.answers import AT, Answer, Page, day, flag, instant, number, record, rows, text, whole, word
from service.schemas.event_parts import THICKNESS_MM
from service.schemas.queries import PageQuery, Query, WholeParameter
from service.schemas.settings_data import SURFACE_GROUPS, THERMAL_HISTORIES, ProofPlanned
from service.schemas.strict import Errors
from service.strict_fields import Identifier, about
from worker.events import GASES
from worker.proof_plans import KINDS
from worker.proof_standing import STATES
from worker.proofs import MOST_TRIALS


class ProofNew(ProofPlanned):
    """A proof to plan: what it is to prove, by which rule it ends, and how widely it must be spread."""

    id = Identifier(
        metadata=about(
            "id of the proof; sent again with the same plan nothing is planned twice; left out: one is made", "PR-4"
        )
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = super().disagreements(data)
        if data.get("id") in (".", ".."):
            errors["id"] = ["is a step in a path, by which nobody could read it; choose another, or leave it out"]
        if data.get("sequential") and data.get("failures_allowed"):
            message = "goes with a fixed number of trials, not with sequential; leave one of them out"
            errors["failures_allowed"] = [message]
        return errors


PROOF_NEW: Final = ProofNew()
_CUT: Final = {"thickness_mm": 28, "machine": "laser-2", "material": "S355J2+N"}
#: Bodies that plan a proof.
EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = {
    "so many trials": {
        "id": "PR-4", "reliability": 0.95, "confidence": 0.95, **_CUT, "gas": "oxygen", "surface_group": "clean",
        "least_plates": 3, "least_heats": 2, "least_days": 2, "note": "for the quotation of the crane arm",
    },
    "may end early": {
        "id": "PR-5", "reliability": 0.9, "confidence": 0.9, **_CUT,
        "sequential": {"producer_risk": 0.05, "consumer_risk": 0.1, "unacceptable_reliability": 0.7},
    },
}  # fmt: skip


class ProofsQuery(PageQuery):
    """Which proofs."""

    state = fields.String(
        validate=OneOf(STATES, error="must be one of {choices}, found {input!r}"),
        metadata={"description": "only proofs in this state"},
    )


class ProofQuery(Query):
    """Which of its trials."""

    after = WholeParameter(
        0,
        1_000_000,
        load_default=0,
        metadata={"description": "trials beyond this number: next_after of the answer before"},
    )
    limit = WholeParameter(1, MOST_TRIALS, load_default=MOST_TRIALS, metadata={"description": "trials at a time"})


class ProofRisksPlanned(Answer):
    """What a sequential series is planned with."""

    producer_risk = number("chance to fail a process that is as reliable as planned", 0.05)
    consumer_risk = number("chance to pass one of the unacceptable reliability", 0.1)
    unacceptable_reliability = number("reliability to rule out", 0.7)


class ProofRecipeTold(Answer):
    """The recipe that is to be proven."""

    name = text("name of the recipe", "S355 oxygen 28")
    revision = text("its revision; null: any", "A", null=True)


class ProofPlan(Answer):
    """A proof as it was planned; null: any will do, or nothing is asked."""

    reliability = number("share of trials that must be good", 0.9)
    confidence = number("confidence at which it is to be shown", 0.9)
    failures_allowed = whole("failures that a fixed series may have; null for a sequential one", 0, null=True)
    sequential = record(ProofRisksPlanned, "risks of a series that may end early; null for a fixed one", null=True)
    thickness_mm = number(str(THICKNESS_MM["description"]), 28)
    machine = text("machine", "laser-2")
    material = text("material", "S355J2+N")
    gas = word(GASES, "cutting gas that counts", null=True)
    surface_group = word(SURFACE_GROUPS, "surface that counts", null=True)
    thermal_history = word(THERMAL_HISTORIES, "thermal history that counts", null=True)
    recipe = record(ProofRecipeTold, "recipe that counts", null=True)
    least_plates = whole("plates over which it must be spread", 3, null=True)
    least_heats = whole("heats over which it must be spread", 2, null=True)
    least_days = whole("production days over which it must be spread", 2, null=True)
    note = text("remark", "for the quotation of the crane arm", null=True)


class ProofLines(Answer):
    """Wald's parallel lines, in failures over trials n."""

    to_pass = number("passes with slope n - to_pass failures or fewer", 1.66)
    to_fail = number("fails with slope n + to_fail failures or more", 2.13)
    slope = number("failures a trial", 0.186)


class ProofEnd(Answer):
    """When a series with so many failures ends."""

    failures = whole("so many failures", 0)
    passes_from = whole("trial from which on it passes with them; null: never", 10, null=True)
    fails_until = whole("trial up to which it fails with them; null: never", None, null=True)


class ProofRisk(Answer):
    """A risk as planned, and as it really is."""

    planned = number("as planned", 0.05)
    real = number("as it really is, by recursion over all ways in which a series can end", 0.043)


class ProofConduct(Answer):
    """What the rule does at one true share of good trials."""

    reliability = number("true share of good trials", 0.95)
    passes = number("chance to pass", 0.998)
    expected_trials = number("mean number of trials", 11.6)
    trials_90 = whole("number of trials that 90 % of series do not exceed", 16)


class ProofRule(Answer):
    """By what a series ends, and what that really does. Trials are taken as independent."""

    kind = word(KINDS, "fixed: so many trials; sequential: may end after any trial")
    needed = whole("trials that a fixed series takes; null for a sequential one", 22, null=True)
    longest = whole("trials after which it has ended, if spread as widely as planned by then", 22)
    lines = record(ProofLines, "lines of a sequential series; null for a fixed one", null=True)
    ends = rows(ProofEnd, "when it ends, by failures")
    producer_risk = record(ProofRisk, "of failing a process of the reliability; null: none is planned", null=True)
    consumer_risk = record(
        ProofRisk, "of passing a process of the unacceptable reliability; fixed: just the reliability"
    )
    operating = rows(ProofConduct, "its conduct at some true shares of good trials")


class ProofSpread(Answer):
    """Over what a series is spread."""

    plates = whole("plates; those not named are none", 2)
    heats = whole("heats", 1)
    days = whole("production days", 1)


class Proof(Answer):
    """A proof: what was planned, what its rule really does, and how it stands."""

    id = text("id of the proof", "PR-4")
    state = word(STATES, "planned while no trial has begun; running; passed; failed")
    detail = text(
        "how it stands, in a sentence",
        "open: 9 of 9 trials good; 13 more good trials on plates of their own would pass it",
    )
    planned_at = instant("when it was planned, as the plan has it")
    received_at = instant(
        "when the ledger took the plan: only cuts that start then or later, and not before planned_at, count"
    )
    source = text("who planned it: the key", "/keys/k7m2q9xa")
    position = whole("place of the plan in the ledger", 418)
    plan = record(ProofPlan, "as it was planned")
    rule = record(ProofRule, "by what it ends; null: no series can carry the plan out", null=True)
    cuts = whole("first attempts that counted", 9)
    trials_made = whole("trials that they make: the plates they stand on, where a plate is one trial", 9)
    good = whole("good ones among the trials", 9)
    failed = whole("failed ones among the trials", 0)
    effective_trials = number("so many trials on plates of their own would tell as much", 9.0)
    spread = record(ProofSpread, "over what it is spread so far")
    missing = record(ProofSpread, "what is missing to the spread that was planned")
    remaining = whole(
        "good trials, each on a plate of its own, that are still to come at least; null when none would pass it",
        13,
        null=True,
    )
    given_up = flag("it is not decided, and goes on for too long: no more is counted", False)
    waiting_for = text("attempt that must be judged before it goes on", None, null=True)
    waiting = whole("attempts after that one, which do not count yet", 0)
    left_over = whole("cuts after the end, which prove nothing here", 0)
    decided_by = text("attempt that decided it", None, null=True)
    decided_day = day("production day of that attempt", None, null=True)
    lower = number("exact one-sided lower bound of the reliability, early ending counted in", None, null=True)
    reason = text("why there is no lower bound, or what it assumes", "the series has not ended", null=True)


class ProofTrial(Answer):
    """A first attempt that counted, and how the series stood after it."""

    number = whole("its number among those that counted", 1)
    attempt = text("id of the attempt", "A-5001")
    plate = text("its plate", "P-77", null=True)
    heat_number = text("heat of its plate", "H48213", null=True)
    day = day("its production day")
    started_at = instant("when it started", AT)
    good = flag("all parts that it tried were good at the first verdict", True)
    parts = whole("parts that it tried", 1)
    parts_good = whole("good ones among them", 1)
    parts_lost_otherwise = whole("lost to a confirmed cause that is not the process: left out of the trial", 0)
    state = word(("running", "passed", "failed"), "the series after it")
    remaining = whole("good trials that were still to come then at least; null when decided", 21, null=True)


class ProofWhole(Proof):
    """A proof with its trials."""

    trials = rows(ProofTrial, "first attempts that counted, by when they started")
    next_after = whole("send it as after for the trials beyond these; null: these are the last", None, null=True)
    notes = rows(text("note", "an attempt waits for its verdict"), "what counts and what does not, in sentences")
    cautions = rows(text("caution", "keep oil off oxygen parts"), "what goes with every cut that is advised")


class ProofPage(Page):
    """A page of proofs."""

    items = rows(Proof, "proofs by id")
