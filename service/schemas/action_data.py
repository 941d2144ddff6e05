"""The data of the events by which people act on what the figures say: releases, holds, checks of a machine, trials."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from service.schemas.event_parts import (
    MOST_PARTS,
    THICKNESS_IN,
    THICKNESS_MM,
    Recipe,
    needs_one_thickness,
)
from service.schemas.settings_data import SURFACE_GROUPS
from service.schemas.strict import WHOLE, Errors, Record, Rows, StrictSchema
from service.strict_fields import Choice, Identifier, Lines, Number, Text, ThicknessInch, ThicknessMm, Whole, about
from worker.events import (
    CHECK_RESULTS,
    CHECKS,
    DISPOSITIONS,
    GASES,
    HOLD_FIELDS,
    LIFTERS,
    TRIAL_ENDS,
    TRIAL_FACTORS,
    TRIAL_RESPONSES,
)

MOST_HELD_ATTEMPTS = 1_000
MOST_TRIAL_RUNS = 1_000
MOST_LEVELS = 9
MOST_FACTORS = 8


class ReleasedRecipe(Recipe):
    """The settings that are known to work, whole: what is left out is not part of the release."""

    name = Text(128, required=True, metadata=about("name of the recipe", "S355 oxygen 20"))
    revision = Text(64, required=True, metadata=about("its revision", "B"))


class Evidence(StrictSchema):
    """What the figures said when the settings were released: a record of then, not computed again."""

    standing = Choice(("proven", "open", "ruled_out"), metadata=about("standing of the thickness", "proven"))
    parts = Whole(0, 1_000_000_000, metadata=about("first-attempt parts behind it", 64))
    good = Whole(0, 1_000_000_000, metadata=about("of them good without rework", 63))
    plates = Whole(0, 1_000_000_000, metadata=about("plates that they came from", 5))
    lower_bound = Number(0, 1, decimals=6, metadata=about("lower bound of the first-pass yield", 0.93))
    target = Number(0, 1, decimals=6, metadata=about("yield that was asked for", 0.9))
    proof = Identifier(metadata=about("proof that decided it", "PR-4"))
    proof_state = Text(32, metadata=about("how that proof stood", "passed"))


class Cell(StrictSchema):
    """Where settings hold: machine, material or its group, thickness, gas, and the surface where it is for one."""

    machine = Text(128, required=True, metadata=about("machine", "laser-2"))
    material = Text(128, required=True, metadata=about("material, which stands for its group", "S355J2+N"))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    gas = Choice(GASES, required=True, metadata=about("cutting gas", "oxygen"))
    surface_group = Choice(
        SURFACE_GROUPS, metadata=about("surface of the plates that it is for; not given: any", "clean")
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return needs_one_thickness(data)


class RecipeReleased(Cell):
    """Settings that are known to work are for production from now on; they take the place of those before."""

    recipe = Record(
        ReleasedRecipe, required=True,
        metadata=about("the settings", {"name": "S355 oxygen 20", "revision": "B", "power_w": 12000}),
    )  # fmt: skip
    reason = Text(2000, required=True, metadata=about("why it is released", "cleaner lower edge at the same yield"))
    evidence = Record(
        Evidence, metadata=about("what the figures said", {"standing": "proven", "parts": 64, "good": 63})
    )


class RecipeWithdrawn(Cell):
    """What was released there is not for production any more."""

    reason = Text(2000, required=True, metadata=about("why it is withdrawn", "pierces fail since Tuesday"))


class HeldRecipe(StrictSchema):
    """A recipe that is held; without a revision all of them."""

    name = Text(128, required=True, metadata=about("name of the recipe", "S355 oxygen 20"))
    revision = Text(64, metadata=about("its revision", "B"))


class HoldPlaced(StrictSchema):
    """Nothing more is to be cut from, on, by or for it until somebody lifts the hold."""

    mill = Text(128, metadata=about("steel mill of the heat", "Nordhelm"))
    heat_number = Text(128, metadata=about("heat that is held", "H48213"))
    plate = Identifier(metadata=about("plate that is held", "P-77"))
    recipe = Record(HeldRecipe, metadata=about("recipe that is held", {"name": "S355 oxygen 20", "revision": "B"}))
    machine = Text(128, metadata=about("machine that is held", "laser-2"))
    job = Identifier(metadata=about("job that is held", "J-1042"))
    attempts = Rows(
        Identifier(metadata=about("an attempt", "A-5001")), MOST_HELD_ATTEMPTS,
        metadata=about("attempts whose parts are held", ["A-5001", "A-5002"]),
    )  # fmt: skip
    reason = Text(2000, required=True, metadata=about("why it is held", "six of eight parts with a rough face"))
    may_lift = Choice(LIFTERS, metadata=about("role that may lift it; engineer when not given", "engineer"))
    finding = Identifier(metadata=about("finding that caused it", "F-7c1d3f0a92be4455"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        held = [name for name in HOLD_FIELDS if data.get(name) not in (None, [])]
        if len(held) == 1 and (held == ["heat_number"] or "mill" not in data):
            return {}
        if not held:
            return {WHOLE: [f"holds nothing; give one of {', '.join(HOLD_FIELDS)}"]}
        if len(held) > 1:
            return {held[1]: [f"is given besides {held[0]}; place a hold for each"]}
        return {"mill": [f"is given besides {held[0]}; it goes with heat_number alone"]}


class HoldLifted(StrictSchema):
    """What was held may be used again, or is gone."""

    reason = Text(2000, required=True, metadata=about("what was found", "blasted, twelve good parts since"))
    disposition = Choice(DISPOSITIONS, metadata=about("what becomes of what was held", "conforms"))


class Check(StrictSchema):
    """One thing that was looked at on a machine."""

    what = Choice(CHECKS, required=True, metadata=about("what was looked at", "nozzle"))
    found = Choice(CHECK_RESULTS, required=True, metadata=about("what was found", "in_order"))


class MachineChecked(StrictSchema):
    """Somebody looked at what makes pierces and cuts fail, in the order of what it mostly is."""

    checks = Rows(
        Record(Check, metadata=about("one check")), len(CHECKS), required=True,
        metadata=about("what was looked at and found", [{"what": "nozzle", "found": "replaced"}]),
    )  # fmt: skip
    notice = Identifier(metadata=about("notice that it answers", "N-1f0c77d2a4b85e90"))
    note = Text(2000, metadata=about("what else is worth knowing", "crater at the rim"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if not data["checks"]:
            return {"checks": ["is empty; say at least of one thing what was found"]}
        times = Counter(check["what"] for check in data["checks"])
        twice = [what for what, count in times.items() if count > 1]
        return {"checks": [f"names {twice[0]} twice; say once what was found"]} if twice else {}


class TrialFactor(StrictSchema):
    """A setting that a trial varies, and its levels."""

    name = Choice(TRIAL_FACTORS, required=True, metadata=about("setting", "feed_mm_min"))
    levels = Rows(
        Number(-1_000_000, 1_000_000, metadata=about("a level", 900)), MOST_LEVELS, required=True,
        metadata=about("its levels", [850, 950]),
    )  # fmt: skip


class TrialRun(StrictSchema):
    """One line of the run sheet: the levels of all factors, in their order, and the block that it is cut in."""

    levels = Rows(
        Number(-1_000_000, 1_000_000, metadata=about("a level", 900)), MOST_FACTORS, required=True,
        metadata=about("levels, in the order of the factors", [850, 0.7]),
    )  # fmt: skip
    block = Whole(1, MOST_TRIAL_RUNS, metadata=about("plate that it is cut from, by number", 1))


class TrialFrame(StrictSchema):
    """What a series of trials is about: question, factors, what is counted, when it stops."""

    question = Text(2000, required=True, metadata=about("what it is to answer", "does a slower feed save the pierce?"))
    machine = Text(128, required=True, metadata=about("machine", "laser-2"))
    material = Text(128, required=True, metadata=about("material", "S355J2+N"))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    gas = Choice(GASES, metadata=about("cutting gas", "oxygen"))
    response = Choice(TRIAL_RESPONSES, required=True, metadata=about("what is counted of each run", "first_pass"))
    factors = Rows(
        Record(TrialFactor, metadata=about("one factor")), MOST_FACTORS, required=True,
        metadata=about("what is varied", [{"name": "feed_mm_min", "levels": [850, 950]}]),
    )  # fmt: skip
    parts_a_run = Whole(1, MOST_PARTS, metadata=about("parts of each run", 4))
    stop_failed_runs = Whole(1, MOST_TRIAL_RUNS, metadata=about("failed runs after which it stops", 6))
    seed = Whole(0, 2**31 - 1, metadata=about("number that the order was drawn with", 41))
    note = Text(2000, metadata=about("remark", "one plate a block"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = needs_one_thickness(data)
        factors = data["factors"]
        times = Counter(factor["name"] for factor in factors)
        twice = [name for name, count in times.items() if count > 1]
        if not factors or twice:
            errors["factors"] = [f"names {twice[0]} twice" if twice else "is empty; a trial varies something"]
            return errors
        for factor in factors:
            if len(factor["levels"]) < 2 or len(set(factor["levels"])) < len(factor["levels"]):
                errors["factors"] = [f"{factor['name']} needs two levels or more, each once"]
        return errors


class TrialPlanned(TrialFrame):
    """A series of trials as a whole, before its first cut: question, factors, the order of its runs, when it stops."""

    runs = Rows(
        Record(TrialRun, metadata=about("one run")), MOST_TRIAL_RUNS, required=True,
        metadata=about("runs, in the order in which they are cut", [{"levels": [950], "block": 1}]),
    )  # fmt: skip

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors, factors = super().disagreements(data), data["factors"]
        if not data["runs"]:
            errors["runs"] = ["is empty; plan at least one"]
        for number, run in enumerate(data["runs"], 1):
            if len(run["levels"]) != len(factors):
                errors["runs"] = [f"run {number} has {len(run['levels'])} levels for {len(factors)} factors"]
                break
            for factor, level in zip(factors, run["levels"], strict=True):
                if level not in factor["levels"]:
                    errors["runs"] = [f"run {number} sets {factor['name']} to {level}, which is none of its levels"]
        return errors


class TrialCut(StrictSchema):
    """A run of a trial was cut: which attempt it is."""

    run = Whole(1, MOST_TRIAL_RUNS, required=True, metadata=about("number of the run on the sheet", 3))
    attempt = Identifier(required=True, metadata=about("attempt that it is", "A-5001"))


class TrialConcluded(StrictSchema):
    """A trial is over."""

    reason = Choice(TRIAL_ENDS, required=True, metadata=about("why it ended", "complete"))
    conclusion = Lines(4000, required=True, metadata=about("what was learned", "feed matters, pressure does not"))
