"""Series of trials: the bodies that plan and conclude one, the query that lists them, and what is answered of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.action_data import MOST_TRIAL_RUNS, TrialConcluded, TrialFrame
from service.schemas.answers import Answer, Page, flag, instant, number, record, rows, text, whole, word
from service.schemas.event_parts import THICKNESS_MM
from service.schemas.queries import PageQuery
from service.schemas.strict import Errors
from service.strict_fields import Identifier, Whole, about
from worker.events import GASES, TRIAL_ENDS, TRIAL_FACTORS, TRIAL_RESPONSES
from worker.trials.judging import RUN_STATES
from worker.trials.reading import STATES

MOST_REPLICATES: Final = 100


class TrialNew(TrialFrame):
    """A series of trials to plan: all combinations of its levels, some times over, on some plates.

    The service draws the order of the runs by lot, and tells it.
    """

    id = Identifier(
        metadata=about(
            "id of the trial; sent again with the same plan nothing is planned twice; left out: one is made", "TR-3"
        )
    )
    replicates = Whole(1, MOST_REPLICATES, metadata=about("how often each combination of levels is cut; usually 1", 2))
    blocks = Whole(
        1,
        MOST_TRIAL_RUNS,
        metadata=about("plates that the runs are divided among; left out: one for each replicate", 2),
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = super().disagreements(data)
        if data.get("id") in (".", ".."):
            errors["id"] = ["is a step in a path, by which nobody could read it; choose another, or leave it out"]
        return errors


TRIAL_NEW: Final = TrialNew()
TRIAL_CONCLUDED: Final = TrialConcluded()
#: Bodies that plan a trial.
EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = {
    "two factors on four plates": {
        "id": "TR-3", "question": "does a slower feed save the first pass at 25 mm, and at which pressure?",
        "machine": "laser-2", "material": "S355J2+N", "thickness_mm": 25, "gas": "oxygen", "response": "first_pass",
        "factors": [
            {"name": "feed_mm_min", "levels": [850, 950]}, {"name": "gas_pressure_bar", "levels": [0.7, 0.9]},
        ],
        "replicates": 4, "blocks": 4, "parts_a_run": 4, "stop_failed_runs": 3,
    },
    "three levels of one": {
        "id": "TR-4", "question": "how long to pierce 30 mm?", "machine": "laser-2", "material": "S355J2+N",
        "thickness_mm": 30, "response": "pierces", "factors": [{"name": "pierce_seconds", "levels": [2, 3, 4]}],
        "replicates": 6, "blocks": 2, "seed": 41,
    },
}  # fmt: skip
CONCLUSION_EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = {
    "complete": {"reason": "complete", "conclusion": "the slower feed keeps more parts; pressure made no difference"},
}


class TrialsQuery(PageQuery):
    """Which trials."""

    state = fields.String(
        validate=OneOf(STATES, error="must be one of {choices}, found {input!r}"),
        metadata={"description": "only trials in this state"},
    )


def _signed(description: str, example: float | None, *, null: bool = False) -> fields.Float:
    """Field of a number that may be below 0; always there."""
    return fields.Float(required=True, allow_none=null, metadata={"description": description, "examples": [example]})


def _levels(description: str) -> fields.List[Any]:
    return rows(_signed("a level", 850), description)


class TrialFactorTold(Answer):
    """A setting that is varied."""

    name = word(TRIAL_FACTORS, "the setting, as a recipe names it", "feed_mm_min")
    levels = _levels("its levels as planned; effects are told against the first")


class TrialPlan(Answer):
    """A trial as it was planned; null: not given."""

    question = text("what it is to answer", "does a slower feed save the first pass?")
    machine = text("machine", "laser-2")
    material = text("material", "S355J2+N")
    thickness_mm = number(str(THICKNESS_MM["description"]), 25)
    gas = word(GASES, "cutting gas", null=True)
    response = word(TRIAL_RESPONSES, "what is counted of each run: good parts, or pierces that went through")
    factors = rows(TrialFactorTold, "what is varied")
    parts_a_run = whole("parts of each run", 4, null=True)
    stop_failed_runs = whole("failed runs after which it stops", 3, null=True)
    seed = whole("number that the order was drawn with", 41, null=True)
    note = text("remark", "one plate a block", null=True)


class TrialNext(Answer):
    """The next run of the sheet to cut."""

    run = whole("its number on the sheet", 5)
    block = whole("block that it is cut in: a plate", 2, null=True)
    levels = _levels("its levels, in the order of the factors")


class TrialEnd(Answer):
    """How a trial ended."""

    reason = word(TRIAL_ENDS, "why it ended")
    conclusion = text("what was learned, in the words of who ended it", "the slower feed keeps more parts")
    at = instant("when it was concluded")
    source = text("who concluded it: the key", "/keys/k7m2q9xa")


class Trial(Answer):
    """A series of trials: what was planned, and how it stands."""

    id = text("id of the trial", "TR-3")
    state = word(STATES, "planned while no run is cut; running; stopped by its own rule; concluded")
    detail = text("how it stands and what comes next, in a sentence", "4 of 16 runs cut; next by the sheet: run 5")
    planned_at = instant("when it was planned, as the plan has it: only cuts that start then or later count")
    received_at = instant("when the ledger took the plan; runs that were cut before are told in a note")
    source = text("who planned it: the key", "/keys/k7m2q9xa")
    position = whole("place of the plan in the ledger", 418)
    plan = record(TrialPlan, "as it was planned")
    runs = whole("runs of the sheet", 16)
    runs_cut = whole("runs that were cut", 4)
    runs_counted = whole("of them those whose parts count", 4)
    runs_failed = whole("of these those that failed as a whole: no part good, or no pierce through", 0)
    next_run = record(TrialNext, "next run of the sheet; null: all are cut, or none is to be cut any more", null=True)
    concluded = record(TrialEnd, "how it ended; null: it has not", null=True)


class TrialSheetRun(Answer):
    """A run of the sheet, and what was cut for it."""

    run = whole("its number: the order in which to cut", 1)
    block = whole("block that it is cut in: a plate", 1, null=True)
    levels = _levels("its levels, in the order of the factors")
    state = word(RUN_STATES, "to cut; cut and waiting to be known or judged; counted; cut and left out")
    attempt = text("attempt that was entered for it", "A-5001", null=True)
    plate = text("plate of that attempt", "P-77", null=True)
    good = whole("good parts, or pierces that went through; null unless it counts", 4, null=True)
    of = whole("parts, or pierces, of which that many; null unless it counts", 4, null=True)
    failed = flag("it failed as a whole", False)
    reason = text("why it does not count", None, null=True)


class TrialEffect(Answer):
    """What one level does against the first of its factor; of two factors, how much one changes what the other does."""

    factors = rows(text("setting", "feed_mm_min"), "one: its own effect; two: their interaction")
    against = _levels("level that it is held against, one for each factor")
    levels = _levels("level whose effect it is, one for each factor")
    told = flag("its interval excludes no effect, and so it does when all effects here are allowed for", True)
    detail = text("the effect in a sentence", "feed (mm/min) 950 instead of 850 changes parts good the first time")
    difference = _signed("difference of the shares good; null of an interaction", -0.21, null=True)
    difference_low = _signed("its lower limit", -0.35, null=True)
    difference_high = _signed("its upper limit", -0.06, null=True)
    share_against = number("mean share good at the level that it is held against, all else as cut", 0.91, null=True)
    share = number("mean share good at its own level", 0.7, null=True)
    parts_against = whole("parts, or pierces, behind the one", 32)
    parts = whole("parts, or pierces, behind the other", 32)
    odds_ratio = number("odds of good at its level over those at the other; of two factors the ratio of the two", 0.24)
    odds_ratio_low = number("its lower limit, by profile likelihood at 95 %", 0.08)
    odds_ratio_high = number("its upper limit; null: none", 0.66, null=True)
    p = number("chance of such an effect where there is none", 0.004)
    q = number("the same with all effects of the trial allowed for", 0.012)


class TrialAnalysis(Answer):
    """What the effects rest on."""

    method = text("how the likelihood was made as large as can be; null: no effects", "maximum likelihood", null=True)
    overdispersion = number("so many times runs vary as much as independent parts would; at least 1", 1.2, null=True)
    degrees = number("degrees of freedom of Student's t; null: the normal", 9, null=True)
    within_plates = flag("runs were compared within plates", True)
    interactions = flag("interactions of two factors were told apart", True)
    reason = text("why no effect is told", None, null=True)


class TrialCombination(Answer):
    """A planned combination of levels, and what its runs came to."""

    levels = _levels("levels, in the order of the factors")
    runs = whole("runs that count", 4)
    plates = whole("plates that they were cut from", 4)
    good = whole("good parts, or pierces that went through", 15)
    of = whole("parts, or pierces", 16)
    share = number("share good", 0.9375, null=True)
    low = number("lower limit, Wilson of the effective sample at 95 %", 0.7, null=True)
    high = number("upper limit", 0.99, null=True)


class TrialBest(Answer):
    """Which of the planned combinations has the highest lower limit."""

    levels = _levels("its levels")
    detail = text("that in a sentence, with its interval", "of the planned levels feed (mm/min) 850 looks best")


class TrialWhole(Trial):
    """A trial with its run sheet and what it says."""

    sheet = rows(TrialSheetRun, "runs in the order in which to cut them")
    effects = rows(TrialEffect, "effects of the factors, then of two together")
    analysis = record(TrialAnalysis, "what the effects rest on")
    combinations = rows(TrialCombination, "combinations that were planned")
    best = record(
        TrialBest, "which looks best, once all runs are cut and judged; evidence, not a permission", null=True
    )
    notes = rows(text("note", "the order of the sheet was not kept"), "what to know of it, in sentences")
    cautions = rows(text("caution", "keep oil off oxygen parts"), "what goes with every cut that is advised")


class TrialPage(Page):
    """A page of trials."""

    items = rows(Trial, "trials by id")
