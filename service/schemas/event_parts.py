"""The objects that event data is built from, and the fields that several event types share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.schemas.strict import Errors, Record, Rows, StrictSchema
from service.strict_fields import Choice, Flag, Identifier, Number, Text, ThicknessInch, ThicknessMm, Whole, about
from worker.events import (
    CAUSE_TERMS,
    CERTAINTIES,
    COATINGS,
    COOLINGS,
    DEFECT_LOCATIONS,
    DEFECT_TERMS,
    EDGES,
    GASES,
    MODES,
    PREPARATION_GRADES,
    PURPOSES,
    RUST_GRADES,
    SIZE_FEATURES,
)

MOST_PARTS: Final = 100_000
#: A week: what runs longer is a clock that was not stopped.
MOST_SECONDS: Final = 604_800
MOST_MEASUREMENTS: Final = 1_000

THICKNESS_MM: Final = about("nominal plate thickness, mm", 20)
THICKNESS_IN: Final = about("nominal plate thickness, inches: a number or a fraction", "3/4")


def defects() -> Rows:
    """Field for what was wrong with parts."""
    example = {"term": "slag_lower_edge", "location": "lower_edge", "parts": 1}
    return Rows(Record(Defect, metadata=about("one defect")), 100, metadata=about("what was wrong", [example]))


def causes() -> Rows:
    """Field for why it was wrong."""
    example = {"term": "nozzle_worn", "certainty": "suspected"}
    return Rows(Record(Cause, metadata=about("one cause")), 50, metadata=about("why it was wrong", [example]))


def parts(description: str, example: int = 0, *, low: int = 0, required: bool = False) -> Whole:
    """Field for a number of parts of one attempt."""
    return Whole(low, MOST_PARTS, required=required, metadata=about(description, example))


def needs_one_thickness(data: Mapping[str, Any]) -> Errors:
    """Complaint when data gives neither or both of thickness_mm and thickness_in."""
    if "thickness_mm" not in data and "thickness_in" not in data:
        return {"thickness_mm": ["is missing; give thickness_mm or thickness_in"]}
    return takes_one_thickness(data)


def takes_one_thickness(data: Mapping[str, Any]) -> Errors:
    """Complaint when data gives both of thickness_mm and thickness_in."""
    if "thickness_mm" in data and "thickness_in" in data:
        return {"thickness_in": ["is given besides thickness_mm; keep the one by which the plate was ordered"]}
    return {}


class Defect(StrictSchema):
    """An imperfection, where it is, and on how many parts."""

    term = Choice(tuple(DEFECT_TERMS), required=True, metadata=about("term after ISO 17658", "slag_lower_edge"))
    location = Choice(DEFECT_LOCATIONS, metadata=about("place on the part", "lower_edge"))
    parts = parts("parts that have it; not given: all not yet placed", 1, low=1)


class Cause(StrictSchema):
    """Why parts were not good."""

    term = Choice(CAUSE_TERMS, required=True, metadata=about("cause", "nozzle_worn"))
    certainty = Choice(CERTAINTIES, metadata=about("how sure it is", "suspected"))


class Recipe(StrictSchema):
    """A named, revised set of cutting settings; settings without a name are no recipe."""

    name = Text(128, metadata=about("name of the recipe", "S355 oxygen 20"))
    revision = Text(64, metadata=about("its revision", "B"))
    power_w = Number(1, 100_000, metadata=about("beam power, W", 12000))
    feed_mm_min = Number(1, 200_000, metadata=about("feed, mm/min", 900))
    gas_pressure_bar = Number(0, 100, metadata=about("cutting gas pressure, bar", 0.7))
    focus_mm = Number(-100, 100, metadata=about("focus, mm, positive above the plate's surface", 8.5))
    nozzle_mm = Number(0.1, 20, metadata=about("nozzle bore, mm", 1.4))
    standoff_mm = Number(0, 100, metadata=about("distance from nozzle to plate, mm", 0.8))
    pierce_seconds = Number(0, 600, decimals=3, metadata=about("time of one pierce, s", 1.5))
    frequency_hz = Number(0, 1_000_000, metadata=about("pulse frequency, Hz", 5000))
    duty_percent = Number(0, 100, metadata=about("pulse duty, percent", 100))


class Size(StrictSchema):
    """One dimension measured on a part."""

    feature = Choice(SIZE_FEATURES, required=True, metadata=about("what kind of dimension", "outside"))
    nominal_mm = Number(0.001, 100_000, required=True, metadata=about("size on the drawing, mm", 250))
    measured_mm = Number(0, 100_000, required=True, metadata=about("size found, mm", 250.18))


class Condition(StrictSchema):
    """The state of a plate's surface and edges."""

    rust_grade = Choice(RUST_GRADES, metadata=about("rust grade, ISO 8501-1, the worst evident", "B"))
    preparation_grade = Choice(PREPARATION_GRADES, metadata=about("preparation grade, ISO 8501-1, or laser", "Sa 2.5"))
    coating = Choice(COATINGS, metadata=about("coating", "shop_primer"))
    edges = Choice(EDGES, metadata=about("how the plate's edges were made", "plasma"))
    cooling = Choice(COOLINGS, metadata=about("how thermally cut edges were cooled", "water"))
    hardened = Flag(metadata=about("edges known to be hardened", False))
    hardness_hv = Number(1, 3000, metadata=about("hardness of the edge, HV; give hardness_load too", 310))
    hardness_load = Number(0.001, 100, metadata=about("load of the hardness test, kgf: 10 for HV10", 10))
    temperature_c = Number(-60, 1000, metadata=about("plate temperature, degrees Celsius", 18.5))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        for given, needed in (("hardness_hv", "hardness_load"), ("hardness_load", "hardness_hv")):
            if given in data and needed not in data:
                return {needed: [f"is missing; {given} says nothing without it"]}
        return {}


class Cut(StrictSchema):
    """What is said of an attempt when it starts, and again when it is finished."""

    job = Identifier(metadata=about("id of the job", "J-1042"))
    plate = Identifier(metadata=about("id of the plate", "P-77"))
    machine = Text(128, metadata=about("name of the machine", "laser-2"))
    run = Identifier(metadata=about("program run that it shares with other attempts", "R-2026-0311"))
    piece = Identifier(metadata=about("piece that it tries to make, within its job", "1"))
    retry_of = Identifier(metadata=about("id of the attempt that it repeats", "A-5000"))
    mode = Choice(MODES, metadata=about("new, resume (the same blank goes on) or recut", "new"))
    operator = Text(128, metadata=about("who ran the machine; kept as the site's setting for people says", "K. Varga"))
    recipe = Record(Recipe, metadata=about("settings used", {"name": "S355 oxygen 20", "revision": "B"}))
    gas = Choice(GASES, metadata=about("cutting gas", "oxygen"))
    quantity = parts("parts that the program makes", 4, low=1)
    purpose = Choice(PURPOSES, metadata=about("production, trial or proof", "production"))
    material = Text(128, metadata=about("material, for shops that track no plates", "S355J2+N"))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return takes_one_thickness(data)
