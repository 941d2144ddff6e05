"""What planning asks, of one part or of a list, and what it is answered."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields

from service.schemas.answers import Answer, day, instant, number, record, rows, text, whole, word
from service.schemas.event_parts import THICKNESS_IN, THICKNESS_MM
from service.schemas.strict import Errors, Record, Rows, StrictSchema
from service.strict_fields import Choice, Identifier, Number, Text, ThicknessInch, ThicknessMm, Whole, about
from worker.events import GASES
from worker.planning.figures import MOST_ALTERNATIVES
from worker.planning.orders import MOST_ITEMS, MOST_PARTS, MOST_PARTS_IN_TABLE
from worker.planning.plans import DEFAULT_ASSURANCE, MIXED, MOST_TOPPED_UP
from worker.reports.holding import STANDINGS
from worker.stats.starts import UNTOLD_CORRELATION

SURFACE_GROUPS: Final = ("clean", "disturbed")
THERMAL_HISTORIES: Final = ("as_supplied", "thermal_edge", "hardened")
LEAST_ASSURANCE: Final = 0.5
MOST_ASSURANCE: Final = 0.9999


def _assurance() -> Number:
    described = f"chance of enough good parts; left out: {DEFAULT_ASSURANCE:g}"
    return Number(LEAST_ASSURANCE, MOST_ASSURANCE, decimals=6, metadata=about(described, 0.95))


class PlanPart(StrictSchema):
    """Parts to make: how many, of what, and how, as far as that is known."""

    parts = Whole(1, MOST_PARTS, metadata=about("good parts wanted; left out: the job's quantity", 40))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    material = Text(128, metadata=about("material; left out: the job's", "S355J2+N"))
    machine = Text(128, metadata=about("machine; left out: the one that promises most", "laser-2"))
    gas = Choice(GASES, metadata=about("cutting gas; left out: the one that promises most", "oxygen"))
    recipe = Text(160, metadata=about("recipe, by name and revision; left out: those of the past", "S355-20 / B"))
    surface_group = Choice(SURFACE_GROUPS, metadata=about("surface; left out: the mix of the past", "clean"))
    thermal_history = Choice(
        THERMAL_HISTORIES, metadata=about("state of the steel at the cut; left out: the mix of the past", "as_supplied")
    )
    part_mass_kg = Number(
        0.000001, 100_000, decimals=6, metadata=about("mass of a part, kg; left out: the job's", 7.85)
    )
    parts_a_plate = Whole(1, MOST_PARTS, metadata=about("parts on a plate; left out: by plate size and mass", 12))
    plate_length_mm = Number(1, 100_000, metadata=about("length of a plate, mm", 3000))
    plate_width_mm = Number(1, 100_000, metadata=about("width of a plate, mm", 1500))
    seconds_a_part = Number(
        0.001, 31_536_000, decimals=3,
        metadata=about("cutting time of a part, s; left out: planned by the job, else that of the past", 95),
    )  # fmt: skip
    job = Identifier(metadata=about("job that tells what is left out", "J-1042"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors: Errors = {}
        if "thickness_mm" in data and "thickness_in" in data:
            errors["thickness_in"] = ["stands beside thickness_mm; give one of the two"]
        if ("plate_length_mm" in data) != ("plate_width_mm" in data):
            lone, other = "plate_length_mm", "plate_width_mm"
            if other in data:
                lone, other = other, lone
            errors[lone] = [f"goes with {other}; give both or none"]
        return errors


class PlanListed(PlanPart):
    """One of a list of parts to make."""

    ref = Text(128, metadata=about("what the asker calls it; comes back as it is", "line 10"))


class OnePlan(PlanPart):
    """What one plan is asked."""

    assurance = _assurance()


class PlanList(StrictSchema):
    """Parts to make, each planned for itself."""

    parts = Rows(
        Record(PlanListed, metadata=about("parts to make")), MOST_ITEMS, required=True,
        metadata=about(f"what is to be made, at most {MOST_PARTS_IN_TABLE} parts together",
                       [{"parts": 40, "thickness_mm": 28, "material": "S355J2+N", "ref": "line 10"}]),
    )  # fmt: skip
    assurance = _assurance()

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if not data.get("parts"):
            return {"parts": ["is empty; give at least one part to make"]}
        return {}


ONE_PLAN: Final = OnePlan()
PLAN_LIST: Final = PlanList()


# --- answers ----------------------------------------------------------------------------------------------------


def _any_number(description: str, example: float | None) -> fields.Float:
    return fields.Float(required=True, allow_none=True, metadata={"description": description, "examples": [example]})


class ExpectedAmount(Answer):
    """An amount expected, with the range that holds 90 %."""

    expected = number("expected", 96.4, null=True)
    low = number("lower end of the range that holds 90 %", 71.2, null=True)
    high = number("upper end of the range that holds 90 %", 131.0, null=True)
    n = number("past parts that it rests on; of scrap and cost so many independent ones", 214, null=True)
    reason = text("what is missing, or why an end is null", None, null=True)


class PlannedTopUp(Answer):
    """Two lots: a first, and after its inspection a second for what is missing."""

    first = whole("parts to start at once", 40)
    second_chance = number("chance of a second lot", 0.97, null=True)
    expected = number("starts of both lots, on average", 45.1, null=True)
    low = whole("lower end of the range of the starts that holds 90 %", 42, null=True)
    high = whole("upper end of the range of the starts that holds 90 %", 52, null=True)
    chance = number("chance of enough in the end", 0.97, null=True)
    reason = text("what it lacks, or rests on", None, null=True)


class PlannedPlates(Answer):
    """How many plates it takes."""

    parts_a_plate = whole("parts on a plate", 12, null=True)
    source = text("where that comes from: asked, or estimated and how", "asked", null=True)
    needed = whole("plates for all starts", 4, null=True)
    reason = text("what is missing", None, null=True)


class PlannedYield(Answer):
    """The first-pass yield that a plan rests on."""

    share = number("yield expected, 0-1", 0.91, null=True)
    low = number("lower limit of its interval of 90 % confidence", 0.84, null=True)
    high = number("upper limit of its interval of 90 % confidence", 0.95, null=True)
    effective_n = number("independent parts that would tell as much", 48.2, null=True)
    design_effect = number("so many times fewer than the parts of the past", 1.9, null=True)
    correlation = _any_number("how alike parts of one plate were, over all cuts of the material", 0.12)
    correlation_ahead = number(
        f"how alike those ahead are taken to be: the same and one standard error, {UNTOLD_CORRELATION:g} where nothing "
        "tells it; null with one part a plate",
        0.16, null=True,
    )  # fmt: skip
    source = word(
        ("cell", "curve", "thicker"),
        "cell: parts at this thickness and condition; curve: that over thickness; thicker: this and all thicker plate",
        null=True,
    )
    parts = whole("first-attempt parts judged at this thickness and condition", 92)
    good = whole("of these good at once", 84)
    plates = whole("plates (else runs, else attempts) among them", 11)
    below_mm = number("the next thinner plate tried, mm", 25, null=True)
    above_mm = number("the next thicker plate tried, mm", 30, null=True)
    method = text("how the curve was fitted", None, null=True)
    counts_reason = text("what the number of independent parts rests on, if not on these parts alone", None, null=True)
    reason = text("why it is not that of the cell, or null", None, null=True)


class PlanAlternative(Answer):
    """A machine and gas that cut the material, and the yield to expect with them."""

    machine = text("machine; null: not noted", "laser-2", null=True)
    gas = text("gas; null: not noted", "oxygen", null=True)
    share = number("yield expected, 0-1", 0.91, null=True)
    low = number("lower limit of its interval of 90 % confidence", 0.84, null=True)
    high = number("upper limit of its interval of 90 % confidence", 0.95, null=True)
    effective_n = number("independent parts that would tell as much", 48.2, null=True)
    source = word(("cell", "curve", "thicker"), "as in yield", null=True)
    reason = text("why it is not that of the cell, or null", None, null=True)


class Planned(Answer):
    """How parts may be cut: how many to start, with what, and what that takes."""

    ref = text("what the asker calls it", None, null=True)
    job = text("job that was named", None, null=True)
    parts = whole("good parts wanted", 40)
    material = text("material", "S355J2+N")
    thickness_mm = number("nominal plate thickness, mm", 28)
    bevel_deg = number(
        "bevel of the past cuts that count: as asked, else that of the job; null: square", None, null=True
    )
    machine = text("machine, asked or chosen; null: none cut this, or nobody noted it", "laser-2", null=True)
    gas = text("gas, asked or chosen; null: none cut this, or nobody noted it", "oxygen", null=True)
    recipe = text("recipe asked for", None, null=True)
    surface_group = word(SURFACE_GROUPS, "surface asked for; null: the mix of the past", null=True)
    thermal_history = word(THERMAL_HISTORIES, "state of the steel asked for; null: the mix of the past", null=True)
    starts = whole("parts to start at once", 47, null=True)
    chance = number("chance that at least so many are good as are wanted", 0.957, null=True)
    good_expected = number("good parts to expect of these", 42.8, null=True)
    good_low = whole("lower end of the range of good parts that holds 90 %", 40, null=True)
    good_high = whole("upper end of the range of good parts that holds 90 %", 46, null=True)
    starts_if_known = whole("parts to start if the yield were just that of the past", 46, null=True)
    share_of_uncertainty = number("share of the starts that is due to not knowing the yield better", 0.02, null=True)
    blanks = whole("blanks: one for each start", 47, null=True)
    top_up = record(
        PlannedTopUp,
        f"the other way: start fewer, inspect, cut the rest; null in a list, and above {MOST_TOPPED_UP} parts",
        null=True,
    )
    plates = record(PlannedPlates, "plates needed")
    machine_minutes = record(ExpectedAmount, "machine time of all starts, min")
    rework_minutes = record(ExpectedAmount, "person-minutes of unplanned rework on them")
    scrap_mass_kg = record(ExpectedAmount, "mass of the parts that come to nothing, kg")
    cost = record(ExpectedAmount, "machine time, rework and scrap at the site's rates, in its currency")
    currency = text("currency of the cost", "EUR", null=True)
    standing = word(
        (*STANDINGS, MIXED), "what report standing says today of this cut; mixed: its cells stand apart", null=True
    )
    expected_yield = record(PlannedYield, "the first-pass yield that it rests on")
    alternatives = rows(
        PlanAlternative,
        f"machines and gases that cut the material as asked, those that promise most: at most {MOST_ALTERNATIVES}, the "
        "best first",
    )
    more_alternatives = whole("machines and gases that are not listed", 0)
    reason = text("why there are no starts", None, null=True)
    notes = rows(text("note", "start 47 for 40 good ones"), "what it rests on, and what it leaves open")


class PlanWindow(Answer):
    """The past that counts, both days included."""

    first_day = day("first production day", "2026-01-05")
    last_day = day("last production day", "2026-07-05")


class PlanAsOf(Answer):
    """Up to which event it counts."""

    position = whole("place in the ledger of the last event counted", 417)
    at = instant("when that was counted; null before the first", null=True)
    waiting = whole("events not counted yet", 0)
    set_aside = whole("events that were set aside", 0)


class _Head(Answer):
    site = text("id of the site", "main")
    window = record(PlanWindow, "the past that counts")
    assurance = number("chance of enough good parts that was asked for", 0.95)
    confidence = number("confidence of all ranges and intervals", 0.9)
    as_of = record(PlanAsOf, "up to which event it counts")
    cautions = rows(text("caution", "Figures are evidence from past cuts, not permission."), "what goes with it")


class OnePlanned(_Head):
    """The plan of one order."""

    plan = record(Planned, "the plan")


class ListPlanned(_Head):
    """The plans of a list."""

    plans = rows(Planned, "a plan for each, in the order of the list")
