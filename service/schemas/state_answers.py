"""What the service answers of jobs, plates, attempts and findings."""

from __future__ import annotations

from typing import Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.administration_answers import EventName
from service.schemas.answers import (
    AT,
    Answer,
    Page,
    day,
    flag,
    instant,
    number,
    record,
    rows,
    states,
    text,
    whole,
    word,
)
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
from worker.kept import CHANGES, STATES
from worker.measures import MEASURES
from worker.noticing.finding import KINDS
from worker.plates import SURFACES
from worker.plausible_limits import DOUBTS
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


class AttemptWarning(Answer):
    """An entry of an attempt that is hardly true, or that asks for a look; it counts all the same."""

    code = word(tuple(DOUBTS), "what is doubted", "standoff")
    detail = text(
        "what is the matter and where to look, in a sentence",
        "recipe S355 oxygen 20 / B has a stand-off of 8 mm, where 0.3 to 4 mm is usual: look whether it was entered "
        "right, then at the height sensing before the nozzle is put at risk",
    )
    figures = fields.Dict(
        required=True, metadata=about("its evidence", {"least_mm": 0.3, "most_mm": 4.0, "standoff_mm": 8})
    )


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
    warnings = rows(AttemptWarning, "what of it is hardly true, by the limits of the site's setting plausibility")


class AttemptPage(Page):
    """A page of attempts."""

    items = rows(Attempt, "attempts by id")


class FindingWindow(Answer):
    """The production days that a finding was read off, both inside."""

    first_day = day("first production day", "2025-09-08")
    last_day = day("last production day", "2026-03-08")


class Noted(Answer):
    """What people noted of a finding: of each field what was noted last."""

    owner = text("who sees to it", "process engineering", null=True)
    due = day("day by which it is to be done", "2026-03-13", null=True)
    action = text("what is or was done", "nozzle changed, centring checked at shift start", null=True)
    worked = flag("whether it worked; null until somebody says", True, null=True)
    note = text("remark", None, null=True)


class Finding(Answer):
    """What was noticed, with its figures, and what became of it."""

    id = text("id of the finding: the same for the same thing, however often it is noticed", "F-7c1d3f0a92be4455")
    kind = word(KINDS, "kind of finding")
    code = text("what exactly", "runs_overlap")
    state = word(STATES, "closed when it no longer holds")
    subject_kind = text("kind of what it is about", "attempt")
    subject = text("id or name of what it is about", "A-5001")
    other = text("what else tells it from others about the same; else empty", "A-4998")
    detail = text("what is the matter, in a sentence", "on machine laser-2 it began 40 s before 'A-4998' ended")
    figures = fields.Dict(
        required=True, metadata=about("its evidence", {"overlap_seconds": 40.0, "earlier": "A-4998", "later": "A-5001"})
    )
    window = record(FindingWindow, "what it was read off; null for what stands in single entries", null=True)
    opened_at = instant("when a look first found it; null before that look", null=True)
    updated_at = instant("when its figures last changed", null=True)
    closed_at = instant("when a look no longer found it", None, null=True)
    times_opened = whole("how often it was opened: more than once when it came back", 1)
    noted = record(Noted, "what people noted of it")


class FindingChange(Answer):
    """That a finding was opened, closed, or opened again, with its figures of then."""

    change = word(CHANGES, "what happened")
    at = instant("when")
    position = whole("place in the ledger up to which was counted", 418)
    detail = text("what was the matter then", "on machine laser-2 it began 40 s before 'A-4998' ended")
    figures = fields.Dict(required=True, metadata=about("its evidence of then", {"overlap_seconds": 40.0}))


class Note(Noted):
    """One note, as it was given."""

    at = instant("when it was noted")
    source = text("who noted it: the key", "/keys/k7m2q9xa")
    id = text("id of the event that is the note", "0c1f5e52-7d0e-4f6a-9a52-6d0e8f3b2a11")


class FindingWhole(Finding):
    """A finding with its history."""

    changes = rows(FindingChange, "when it was opened and closed, oldest first; empty before the first look")
    notes = rows(Note, "what people noted, oldest first")


class Look(Answer):
    """The last look for findings that are not seen at once."""

    position = whole("place in the ledger up to which was counted", 418)
    at = instant("when")


class FindingPage(Page):
    """A page of findings."""

    items = rows(Finding, "findings, in the order of code and subject")
    looked = record(
        Look, "when changes, lots, conditions and entries were last looked for; null before that", null=True
    )


class FindingNotedAnswer(Answer):
    """A note that was appended to the ledger."""

    finding = text("id of the finding", "F-7c1d3f0a92be4455")
    event = record(EventName, "the event that is the note")
    position = whole("its place in the ledger", 418)
