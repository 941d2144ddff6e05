"""What the service answers of a dossier: the record of a thickness that is proven."""

from __future__ import annotations

from typing import Final

from marshmallow import fields

from service.schemas.answers import Answer, day, instant, number, record, rows, text, whole, word
from service.schemas.holds import HoldShown
from service.schemas.proofs import Proof, ProofTrial
from service.schemas.releases import ReleaseShown
from service.strict_fields import about
from worker.dossier.cuts import AGAINST
from worker.dossier.validity import ENDS, STATES
from worker.events import SERVICES
from worker.measures import MEASURES
from worker.reports.edge_ranges import FIGURES

_FIGURES: Final = (*(figure.sort for figure in FIGURES), "dross")


def _value(description: str, *, null: bool = False) -> fields.Float:
    """Field of a setting's value, which may be below 0."""
    return fields.Float(required=True, allow_none=null, metadata=about(description, 900))


class DossierEnd(Answer):
    """Something that ends what is proven."""

    what = word(ENDS, "what ends it", "age")
    rule = text("when it does, in a sentence", "age: 26 weeks after the production day of the trial that decided it")
    day = day("production day on which it did; null: it has not", None, null=True)
    detail = text("what happened, or is so: the open holds", None, null=True)


class DossierTrial(ProofTrial):
    """A trial with its steel and what it was cut with."""

    mill = text("steel mill of its plate", "Nordhelm", null=True)
    certificate = text(
        "inspection certificate of its plate; a remnant's is its nearest ancestor's", "EN 10204 3.1", null=True
    )
    recipe = text("recipe and revision that it was cut with", "S355 oxygen 28 / A", null=True)
    settings = word(
        AGAINST, "its settings beside those released for its recipe; null: nothing is released", "as_released",
        null=True,
    )  # fmt: skip


class DossierParts(Answer):
    """What became of the parts of all trials so far."""

    tried = whole(MEASURES["parts_tried"].definition, 22)
    good = whole(MEASURES["good"].definition, 22)
    rework = whole(MEASURES["rework"].definition, 0)
    scrap = whole(MEASURES["scrap"].definition, 0)
    not_made = whole(MEASURES["not_made"].definition, 0)
    pending = whole(MEASURES["pending"].definition, 0)
    recovered = whole(MEASURES["recovered"].definition, 0)
    scrapped = whole(MEASURES["scrapped"].definition, 0)
    in_rework = whole(MEASURES["in_rework"].definition, 0)
    lost_otherwise = whole("lost to a confirmed cause that is not the process", 0)


class DossierSetting(Answer):
    """A setting over the trials."""

    setting = text("setting, with its unit in its name", "feed_mm_min")
    lowest = _value("lowest value; a focus may be below 0")
    highest = _value("highest value")
    trials = whole("trials that tell it", 22)
    released = _value("value that is released; null: none is, or several", null=True)
    otherwise = whole("trials with another value than is released for them; null: nothing is released", 0, null=True)


class DossierRange(Answer):
    """Cuts in a range of the standard."""

    range = whole("range; null: worse than the last", 2, null=True)
    cuts = whole("cuts in it", 22)


class DossierEdge(Answer):
    """What was measured of the edges of the trials: each cut once, by the mean of its readings."""

    figure = word(_FIGURES, "u: squareness; rz5: roughness; dross: slag")
    unit = word(("mm", "um"), "unit of its values")
    cuts = whole("cuts that were measured", 22)
    readings = whole("readings", 66)
    mean = number("mean over the cuts", 0.31)
    worst_cut = number("of the worst cut", 0.36)
    largest_reading = number("largest reading", 0.4)
    ranges = rows(
        DossierRange,
        "cuts by range, computed from published restatements of ISO 9013:2017; empty for slag, of which it says none",
    )
    kept_by_all = whole("range that all of them are in, or better; null: some are worse than the last", 2, null=True)
    limit = number("limit of that range at this thickness", 0.346, null=True)


class DossierLeftOut(Answer):
    """Cuts that are no trials."""

    for_trial = whole("cut for trial", 0)
    bevelled = whole("cut with a bevel", 0)
    otherwise = whole("cut with other gas, recipe or plate than the plan asks for", 0)
    no_trials = whole("that reached no part, or lost all to what is not the process", 0)
    early = whole("before the ledger had the plan", 0)
    left_over = whole("after the decision", 3)


class DossierService(Answer):
    """What was done on the machine since."""

    what = word(SERVICES, "kind of service")
    times = whole("how often", 2)
    last_at = instant("when last")


class Dossier(Answer):
    """What is proven, by which plan and cuts, and whether it holds today; the record to print and to keep."""

    site = text("site", "main")
    as_of_day = day("production day for which it says whether what is proven holds")
    state = word(STATES, "valid; held while a hold is open on the machine or the recipe; ended")
    detail = text("that in a sentence", "valid: it holds until 2026-08-30, unless something ends it sooner")
    until = day("last production day on which it holds, if nothing ends it sooner", "2026-08-30")
    ended_by = word(ENDS, "what ended it first; null while nothing has", None, null=True)
    ended_day = day("production day on which it ended", None, null=True)
    ends = rows(DossierEnd, "all that ends it, and whether it did")
    holds = rows(HoldShown, "open holds on the machine, or on a recipe of its trials")
    proven = text("what is proven, in a sentence", "28 mm S355J2+N on laser-2: passed on 2026-03-02: 22 of 22 good")
    proof = record(Proof, "the plan as the ledger had it before the cuts, by which rule, and how its series came out")
    recipes = rows(text("recipe", "S355 oxygen 28 / A"), "recipes that its trials were cut with")
    trials = rows(DossierTrial, "its trials, at most the first 1000")
    parts = record(DossierParts, "what became of their parts")
    settings = rows(DossierSetting, "settings that they were cut with")
    releases = rows(ReleaseShown, "what is released of these recipes where they were cut, or was")
    edges = rows(DossierEdge, "edge quality over the trials")
    left_out = record(DossierLeftOut, "what it does not count")
    services = rows(DossierService, "services of the machine since the trial that decided it")
    notes = rows(text("note", "figures are evidence of past cuts, not permission"), "what it rests on, in sentences")
    cautions = rows(text("caution", "keep oil off oxygen parts"), "what goes with every cut that is advised")
