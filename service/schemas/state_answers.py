"""What the service answers of jobs, plates, attempts and findings."""

from __future__ import annotations

from typing import Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.answers import AT, Answer, Page, day, instant, number, record, rows, states, text, whole, word
from service.schemas.event_data import JobOpened, PlateReceived
from service.schemas.event_parts import Recipe
from service.strict_fields import about
from worker.events import (
    CONDITION_FIELDS,
    GASES,
    INHERITED_PLATE_FIELDS,
    JOB_CLOSE_REASONS,
    MODES,
    OUTCOMES,
    PLATE_CLOSE_REASONS,
    PURPOSES,
    STOP_REASONS,
)
from worker.findings import KINDS
from worker.measures import MEASURES
from worker.plates import SURFACES
from worker.reports.dimensions import HISTORIES

SURFACE_GROUPS: Final = ("clean", "disturbed", "unknown")


def _parts(measure: str, example: int) -> fields.Integer:
    return whole(MEASURES[measure].definition, example)


@states(JobOpened, without=("thickness_mm", "thickness_in"))
class Job(Answer):
    """A job as it stands: what was last stated of it, and what its attempts made so far."""

    job = text("id of the job", "J-1042")
    state = word(("open", "closed", "unknown"), "unknown while only attempts name it")
    opened_at = instant("when it was opened", null=True)
    closed_at = instant("when it was closed", None, null=True)
    close_reason = word(JOB_CLOSE_REASONS, "why it was closed", None, null=True)
    thickness_mm = number("nominal thickness, mm; inch sizes too are shown so", 20, null=True)
    attempts = whole(MEASURES["attempts"].definition, 9)
    parts_tried = _parts("parts_tried", 36)
    good = _parts("good", 30)
    recovered = _parts("recovered", 2)
    in_rework = _parts("in_rework", 1)
    pending = _parts("pending", 1)
    to_make = whole("quantity - good - recovered - in_rework - pending, not below 0", 6, null=True)


class JobPage(Page):
    """A page of jobs."""

    items = rows(Job, "jobs by id")


class Observed(Answer):
    """A condition that was observed."""

    value = fields.Raw(required=True, metadata={"type": ["string", "number", "boolean"], **about("what it was", "B")})
    since = instant("from when it held")


@states(PlateReceived, without=("thickness_mm", "thickness_in", *CONDITION_FIELDS, *INHERITED_PLATE_FIELDS))
class Plate(Answer):
    """A plate as it stands: what was last stated of it, and what was last observed on it."""

    plate = text("id of the plate", "P-77")
    state = word(("open", "closed", "unknown"), "unknown while only observations of it are known")
    received_at = instant("when it was received", null=True)
    closed_at = instant("when it was closed", None, null=True)
    close_reason = word(PLATE_CLOSE_REASONS, "why it was closed", None, null=True)
    thickness_mm = number("nominal thickness, mm; inch sizes too are shown so", 20, null=True)
    mill = text("steel mill; a remnant's origin is its nearest ancestor's that states one", "Nordhelm", null=True)
    heat_number = text("heat number", "H48213", null=True)
    supplier = text("supplier", "Platten Ost", null=True)
    certificate = text("inspection certificate", "EN 10204 3.1", null=True)
    delivery_condition = text("delivery condition", "normalized", null=True)
    condition = fields.Dict(
        keys=fields.String(validate=OneOf(CONDITION_FIELDS)),
        values=fields.Nested(Observed),
        required=True,
        metadata=about("last observation of each condition field", {"rust_grade": {"value": "B", "since": AT}}),
    )
    surface = word(SURFACES, "state of its surface by that condition", "loose_scale")
    surface_group = word(SURFACE_GROUPS, "clean or disturbed surface", "disturbed")
    thermal_history = word(HISTORIES, "what its edges went through", "thermal_edge")
    remnants = rows(text("id of a plate", "P-77-1"), "plates that name it as their parent")


class PlatePage(Page):
    """A page of plates."""

    items = rows(Plate, "plates by id")


class AttemptParts(Answer):
    """What became of an attempt's parts; each of those tried is in one of good, rework, scrap, not_made, pending."""

    quantity = whole("parts that the program makes", 4)
    tried = _parts("parts_tried", 4)
    good = _parts("good", 3)
    rework = _parts("rework", 1)
    scrap = _parts("scrap", 0)
    not_made = _parts("not_made", 0)
    pending = _parts("pending", 0)
    recovered = _parts("recovered", 1)
    scrapped = _parts("scrapped", 0)
    in_rework = _parts("in_rework", 0)
    released = _parts("released_by_sample", 0)
    hidden = _parts("hidden_rework", 0)


class AttemptLosses(Answer):
    """The parts that were not good at once, by the first stage that they failed."""

    pierce = _parts("lost_pierce", 0)
    sever = _parts("lost_sever", 0)
    surface = _parts("lost_surface", 1)
    size = _parts("lost_size", 0)
    unstated = _parts("lost_unstated", 0)


class Attempt(Answer):
    """An attempt as it stands."""

    attempt = text("id of the attempt", "A-5001")
    state = word(("open", "finished", "unfinished"), "unfinished while only what followed it is known", "finished")
    attempt_no = whole("its number on its piece, 1 for the first", 1, null=True)
    job = text("id of the job", "J-1042", null=True)
    plate = text("id of the plate", "P-77", null=True)
    machine = text("machine, as the site's settings name it", "laser-2", null=True)
    run = text("program run that it shares with other attempts", "R-0311", null=True)
    piece = text("piece that it tries to make", "1", null=True)
    retry_of = text("attempt that it repeats", None, null=True)
    mode = word(MODES, "new, resume or recut", null=True)
    gas = word(GASES, "cutting gas", null=True)
    purpose = word(PURPOSES, "what it was for")
    day = day("production day on which it started", null=True)
    week = text("ISO 8601 week of that day", "2026-W10", null=True)
    shift = text("shift in which it started", "early", null=True)
    outcome = word(OUTCOMES, "how the cut ended", null=True)
    stop_reason = word(STOP_REASONS, "why it was given up", None, null=True)
    material = text("material, as the site's settings name it", "S355J2+N", null=True)
    thickness_mm = number("nominal thickness of the plate, mm", 20, null=True)
    bevel_deg = number("bevel, degrees from the square cut", None, null=True)
    cut_thickness_mm = number("length of the cut through the plate, mm: thickness / cos(bevel)", 20, null=True)
    recipe = record(Recipe, "settings used", null=True)
    heat_number = text("heat number of the plate or its ancestor", "H48213", null=True)
    surface = word(SURFACES, "state of the plate's surface when it started", "loose_scale", null=True)
    surface_group = word(SURFACE_GROUPS, "clean or disturbed surface", "disturbed")
    thermal_history = word(
        HISTORIES, "what the plate's edges had gone through when it started", "thermal_edge", null=True
    )
    started_at = instant("when it started", null=True)
    seconds = number("machine time, s", 412.5, null=True)
    lost_seconds = number("of that time the share of its scrap and not made parts, s", 0, null=True)
    interruptions = whole("stops within the run", 0)
    pierces = whole("starting points pierced, where it tells them and the failed ones", 20, null=True)
    failed_pierces = whole("of them not through at the first try, or blown out", 1, null=True)
    rework_minutes = number("unplanned rework on it so far, person-minutes", 12.5)
    scrap_mass_kg = number("mass of its scrap, where the part's mass is known, kg", 0)
    cost = number("its cost of poor quality, site's currency; null where a rate is not set", 9.58, null=True)
    parts = record(AttemptParts, "what became of its parts")
    lost_at = record(AttemptLosses, "where its parts were lost")


class AttemptPage(Page):
    """A page of attempts."""

    items = rows(Attempt, "attempts by id")


class Finding(Answer):
    """What the worker noticed, with its figures."""

    id = text("id of the finding", "WyJydW5zX292ZXJsYXAiXQ")
    kind = word(KINDS, "kind of finding")
    code = text("what exactly", "runs_overlap")
    subject_kind = text("kind of what it is about", "attempt")
    subject = text("id of what it is about", "A-5001")
    other = text("the other of the two, where two are at odds; else empty", "A-4998")
    detail = text("what is the matter, in a sentence", "on machine laser-2 it began 40 s before 'A-4998' ended")
    figures = fields.Dict(
        required=True, metadata=about("its evidence", {"overlap_seconds": 40.0, "earlier": "A-4998", "later": "A-5001"})
    )


class FindingPage(Page):
    """A page of findings."""

    items = rows(Finding, "open findings, in the order of code and subject")
