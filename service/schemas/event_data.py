"""The data of each event type on jobs, plates, attempts and machines; its table is in the design of the events."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.schemas.event_parts import (
    MOST_MEASUREMENTS,
    MOST_PARTS,
    MOST_SECONDS,
    THICKNESS_IN,
    THICKNESS_MM,
    Condition,
    Cut,
    Size,
    causes,
    defects,
    needs_one_thickness,
    parts,
)
from service.schemas.strict import WHOLE, Errors, Record, Rows, StrictSchema
from service.strict_fields import (
    Choice,
    Flag,
    Identifier,
    Lines,
    Matching,
    Number,
    Text,
    ThicknessInch,
    ThicknessMm,
    UriReference,
    Whole,
    about,
)
from service.strict_times import Day, Instant
from worker.events import (
    CONDITION_FIELDS,
    INSPECTION_STAGES,
    JOB_CLOSE_REASONS,
    OUTCOMES,
    PLATE_CLOSE_REASONS,
    PURPOSES,
    REWORK_OPERATIONS,
    SERVICES,
    STOP_REASONS,
)

VERDICTS = ("good", "rework", "scrap")


class JobOpened(StrictSchema):
    """A job as a whole: what it leaves out is unset."""

    part_number = Text(128, required=True, metadata=about("part to cut", "BRK-220"))
    quantity = Whole(1, MOST_PARTS, required=True, metadata=about("parts ordered", 40))
    material = Text(128, required=True, metadata=about("material", "S355J2+N"))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    purpose = Choice(PURPOSES, metadata=about("production, trial or proof", "production"))
    order = Text(128, metadata=about("order that it belongs to", "SO-88120"))
    operation = Text(128, metadata=about("operation of the routing", "0020"))
    work_centre = Text(128, metadata=about("work centre of the routing", "CUT-1"))
    priority = Whole(0, 9999, metadata=about("priority as the planner numbers it", 50))
    revision = Text(64, metadata=about("revision of the drawing", "C"))
    due = Day(metadata=about("day on which the parts are due", "2026-03-20"))
    recut_of = Identifier(metadata=about("job whose parts it cuts again: all its attempts are retries", "J-1001"))
    planned_seconds = Number(0, 31_536_000, decimals=3, metadata=about("planned cutting time of a part, s", 95))
    cut_length_mm = Number(0, 10_000_000, metadata=about("length of cut of a part, mm", 1840))
    pierces_per_part = Whole(0, 100_000, metadata=about("pierces of a part", 5))
    min_corner_angle_deg = Number(0, 180, metadata=about("sharpest corner, degrees", 60))
    min_corner_radius_mm = Number(0, 10_000, metadata=about("smallest corner radius, mm", 3))
    min_web_mm = Number(0, 10_000, metadata=about("thinnest web, mm", 18))
    min_hole_mm = Number(0, 10_000, metadata=about("smallest hole, mm", 22))
    part_mass_kg = Number(0, 100_000, decimals=6, metadata=about("mass of a part, kg", 7.85))
    size_tolerance_mm = Number(0, 100, metadata=about("tolerance of sizes, plus and minus, mm", 0.5))
    cut_quality = Matching(
        r"ISO 9013-[0-5][0-4][0-2](:(2002|2017))?",
        'a designation such as "ISO 9013-342" or "ISO 9013-342:2017": u range 0-5, Rz5 range 0-4, tolerance class 0-2, '
        "edition 2002 or 2017 where the drawing gives it",
        metadata=about("cut quality asked for", "ISO 9013-342"),
    )
    bevel_deg = Number(0, 75, metadata=about("bevel, degrees from the square cut", 30))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return needs_one_thickness(data)


class JobClosed(StrictSchema):
    """No more attempts are expected; a later job.opened opens it again."""

    reason = Choice(JOB_CLOSE_REASONS, required=True, metadata=about("why it is closed", "complete"))


class PlateReceived(Condition):
    """A plate or remnant as a whole: what it leaves out is unset, condition fields aside."""

    material = Text(128, required=True, metadata=about("material", "S355J2+N"))
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    measured_thickness_mm = Number(0.1, 500, metadata=about("thickness measured away from the edges, mm", 20.3))
    length_mm = Number(1, 100_000, metadata=about("length, mm", 3000))
    width_mm = Number(1, 100_000, metadata=about("width, mm", 1500))
    mill = Text(128, metadata=about("steel mill", "Nordhelm"))
    heat_number = Text(128, metadata=about("heat (melt) number, unique within its mill", "H48213"))
    supplier = Text(128, metadata=about("supplier", "Platten Ost"))
    certificate = Text(128, metadata=about("inspection certificate", "EN 10204 3.1"))
    delivery_condition = Text(128, metadata=about("delivery condition", "normalized"))
    parent = Identifier(metadata=about("plate of which it is a remnant", "P-12"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return super().disagreements(data) | needs_one_thickness(data)


class PlateAssessed(Condition):
    """What was seen of a plate's condition."""

    observed_at = Instant(metadata=about("from when it held, at most the event's time", "2026-03-02T05:40:00+01:00"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if not any(name in data for name in CONDITION_FIELDS):
            return {WHOLE: [f"assesses nothing; give at least one of {', '.join(CONDITION_FIELDS)}"]}
        return super().disagreements(data)


class PlateClosed(StrictSchema):
    """The plate is gone."""

    reason = Choice(PLATE_CLOSE_REASONS, required=True, metadata=about("why it is closed", "used"))


class AttemptStarted(Cut):
    """The machine began on a piece."""


class AttemptFinished(Cut):
    """The parts are free, or the run was given up."""

    outcome = Choice(OUTCOMES, required=True, metadata=about("how the cut ended", "severed"))
    started_at = Instant(metadata=about("when it began, at most the event's time", "2026-03-02T06:08:00+01:00"))
    seconds = Number(0, MOST_SECONDS, decimals=3, metadata=about("machine time, s", 412.5))
    tried = parts("parts reached", 4)
    stop_reason = Choice(STOP_REASONS, metadata=about("why it was given up", "lost_cut"))
    interruptions = Whole(0, 10_000, metadata=about("stops within the run", 1))
    pierces = Whole(0, 1_000_000, metadata=about("starting points pierced", 20))
    failed_pierces = Whole(0, 1_000_000, metadata=about("of them not through at the first try, or blown out", 1))
    good = parts("parts that the operator found good", 3)
    rework = parts("parts that the operator found to need rework", 1)
    scrap = parts("parts that the operator found scrap")
    blank_lost = Flag(metadata=about("material of parts not made is lost", False))
    defects = defects()
    causes = causes()

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = super().disagreements(data)
        pierces, failed = data.get("pierces"), data.get("failed_pierces", 0)
        if pierces is not None and failed > pierces:
            errors["failed_pierces"] = [f"is {failed}, but only {pierces} pierces are given; correct one of them"]
        return errors | _counts_beyond(data)


class AttemptInspected(StrictSchema):
    """Parts of an attempt were judged."""

    good = parts("parts found good", 3)
    rework = parts("parts found to need rework", 1)
    scrap = parts("parts found scrap")
    stage = Choice(INSPECTION_STAGES, metadata=about("which judgement it is; not given: first", "first"))
    rest_released = Flag(metadata=about("the sample released the parts not yet judged", False))
    defects = defects()
    causes = causes()
    rz5_um = Rows(
        Number(0, 10_000, metadata=about("one reading", 48)),
        MOST_MEASUREMENTS,
        metadata=about("mean heights of the profile, Rz5, micrometre", [48, 52.5]),
    )
    u_mm = Rows(
        Number(0, 100, metadata=about("one reading", 0.31)),
        MOST_MEASUREMENTS,
        metadata=about("squareness or inclination, u, mm", [0.31]),
    )
    dross_mm = Number(0, 100, metadata=about("height of slag at the lower edge, mm", 0.4))
    sizes = Rows(
        Record(Size, metadata=about("one dimension")),
        MOST_MEASUREMENTS,
        metadata=about("dimensions measured", [{"feature": "outside", "nominal_mm": 250, "measured_mm": 250.18}]),
    )
    inspector = Text(128, metadata=about("who judged; kept as the site's setting for people says", "M. Okoro"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if not any(name in data for name in VERDICTS):
            return {WHOLE: ["judges no part; give at least one of good, rework, scrap"]}
        return {}


class AttemptReworked(StrictSchema):
    """People worked on parts after the cut."""

    operation = Choice(REWORK_OPERATIONS, required=True, metadata=about("what was done", "grinding"))
    minutes = Number(0.001, 100_000, decimals=3, required=True, metadata=about("person-minutes, over 0", 12.5))
    parts = parts("parts worked on", 1, low=1, required=True)
    planned = Flag(metadata=about("finishing that the routing asks for, no rework", False))
    recovered = Whole(0, MOST_PARTS, metadata=about("of these parts, found good at the end of the rework", 1))
    scrapped = Whole(0, MOST_PARTS, metadata=about("of these parts, given up at the end of the rework", 0))
    causes = causes()

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        ended, worked = data.get("recovered", 0) + data.get("scrapped", 0), data["parts"]
        if ended <= worked:
            return {}
        field = "recovered" if "recovered" in data else "scrapped"
        return {field: [f"makes recovered + scrapped {ended}, but only {worked} parts were worked on; correct them"]}


class MachineServiced(StrictSchema):
    """Something on the machine was changed, cleaned or set."""

    what = Choice(SERVICES, required=True, metadata=about("what was serviced", "nozzle"))
    note = Text(2000, metadata=about("what else is worth knowing", "crater at the rim"))


class ShiftHandedOver(StrictSchema):
    """What the next shift at a machine should know."""

    note = Lines(2000, required=True, metadata=about("what it should know", "P-77 lies on the table, two parts to go"))


class EventVoided(StrictSchema):
    """An event never should have been; it counts as if it were not."""

    source = UriReference(required=True, metadata=about("source of that event", "/terminals/bay-2"))
    id = Identifier(required=True, metadata=about("id of that event", "0197c1f2-5b7e-7c10-9a52-6d0e8f3b2a11"))
    reason = Text(500, required=True, metadata=about("why it never should have been", "posted to the wrong job"))


def _counts_beyond(data: Mapping[str, Any]) -> Errors:
    good, rework, scrap = VERDICTS
    counted = data.get(good, 0) + data.get(rework, 0) + data.get(scrap, 0)
    tried, quantity = data.get("tried"), data.get("quantity")
    if tried is not None and counted > tried:
        return {"tried": [f"is {tried}, but good + rework + scrap make {counted}; correct one of them"]}
    if quantity is not None and (beyond := max(counted, tried or 0)) > quantity:
        field, what = ("tried", "tried is") if tried is not None else ("quantity", "good + rework + scrap make")
        return {field: [f"does not fit: {what} {beyond}, but quantity is {quantity}; correct one of them"]}
    return {}
