"""What the service answers of a trace: nodes by kind, links between them, what was made."""

from __future__ import annotations

from typing import Final

from service.schemas.answers import Answer, day, flag, instant, number, record, rows, text, whole, word
from service.schemas.plan import PlanAsOf
from worker.events import CHECK_RESULTS, CHECKS, GASES, MACHINE, OUTCOMES, PURPOSES, STOP_REASONS
from worker.measures import MEASURES
from worker.plates import SURFACES
from worker.reports.dimensions import HISTORIES
from worker.tracing.checks import BOUNDS
from worker.tracing.walk import DIRECTIONS, KINDS, MOST_NODES, SIDES

_STATES: Final = ("open", "closed", "unknown")
_LINKS: Final = ("heat_plate", "plate_plate", "plate_attempt", "run_attempt", "attempt_job", "job_order")
_SIDE: Final = "the way by which it was reached first"


class TracedParts(Answer):
    """What became of parts so far."""

    quantity = whole("parts that the programs make", 4)
    tried = whole(MEASURES["parts_tried"].definition, 4)
    good = whole(MEASURES["good"].definition, 3)
    rework = whole(MEASURES["rework"].definition, 1)
    scrap = whole(MEASURES["scrap"].definition, 0)
    not_made = whole(MEASURES["not_made"].definition, 0)
    pending = whole(MEASURES["pending"].definition, 0)
    recovered = whole(MEASURES["recovered"].definition, 1)
    scrapped = whole(MEASURES["scrapped"].definition, 0)
    in_rework = whole(MEASURES["in_rework"].definition, 0)


class TracedMade(TracedParts):
    """What the attempts made that are both its own and in the trace."""

    attempts = whole("attempts", 1)


class TraceStart(Answer):
    """From what it was traced."""

    kind = word((*KINDS, MACHINE), "what it is", "plate")
    id = text("its id, heat number or name", "P-77")
    mill = text("mill that was asked for", None, null=True)
    first_day = day("first production day that was asked for", None, null=True)
    last_day = day("last production day that was asked for", None, null=True)


class TracedHeat(Answer):
    """A heat."""

    heat_number = text("heat number", "H48213")
    mill = text("steel mill", "Nordhelm", null=True)
    side = word(SIDES, _SIDE, "back")
    suppliers = rows(text("supplier", "Platten Ost"), "suppliers of its plates in the trace")
    certificates = rows(text("certificate", "EN 10204 3.1"), "certificates of these")
    plates = whole("plates of it in the trace, remnants too", 1)


class TracedPlate(Answer):
    """A plate."""

    plate = text("id of the plate", "P-77")
    side = word(SIDES, _SIDE, "start")
    state = word(_STATES, "unknown while only others name it")
    parent = text("plate that it is a remnant of", None, null=True)
    material = text("material as it was stated", "S355J2+N", null=True)
    thickness_mm = number("nominal thickness, mm", 20, null=True)
    mill = text("steel mill; a remnant's origin is its nearest ancestor's that states one", "Nordhelm", null=True)
    heat_number = text("heat number", "H48213", null=True)
    supplier = text("supplier", "Platten Ost", null=True)
    certificate = text("inspection certificate", "EN 10204 3.1", null=True)
    delivery_condition = text("delivery condition", "normalized", null=True)
    surface = word(SURFACES, "state of its surface as last observed", "loose_scale", null=True)
    thermal_history = word(HISTORIES, "what its edges went through", "thermal_edge", null=True)
    received_at = instant("when it was received", null=True)
    made = record(TracedMade, "what was made of it")


class TracedRun(Answer):
    """A program run."""

    run = text("id of the run", "R-0311")
    side = word(SIDES, _SIDE, "forward")
    made = record(TracedMade, "what it made")


class TracedAttempt(Answer):
    """An attempt."""

    attempt = text("id of the attempt", "A-5001")
    side = word(SIDES, _SIDE, "forward")
    state = word(("open", "finished", "unfinished"), "unfinished while only what followed it is known", "finished")
    attempt_no = whole("its number on its piece, 1 for the first", 1, null=True)
    job = text("its job", "J-1042", null=True)
    part_number = text("part of that job", "BR-120", null=True)
    plate = text("its plate", "P-77", null=True)
    run = text("its run", "R-0311", null=True)
    piece = text("its piece", "1", null=True)
    retry_of = text("attempt that it repeats", None, null=True)
    machine = text("machine, as the site's settings name it", "laser-2", null=True)
    recipe = text("recipe, as name / revision", "S355 oxygen 20 / B", null=True)
    gas = word(GASES, "cutting gas", null=True)
    material = text("material, as the site's settings name it", "S355J2+N", null=True)
    thickness_mm = number("nominal thickness, mm", 20, null=True)
    mill = text("mill of its plate", "Nordhelm", null=True)
    heat_number = text("heat number of its plate", "H48213", null=True)
    day = day("production day on which it started", null=True)
    started_at = instant("when it started", null=True)
    ended_at = instant("when it ended, by its machine time; null where that is not known", null=True)
    outcome = word(OUTCOMES, "how the cut ended", null=True)
    stop_reason = word(STOP_REASONS, "why it was given up", None, null=True)
    parts = record(TracedParts, "what became of its parts")


class TracedJob(Answer):
    """A job."""

    job = text("id of the job", "J-1042")
    side = word(SIDES, _SIDE, "forward")
    state = word(_STATES, "unknown while only attempts name it")
    part_number = text("part", "BR-120", null=True)
    order = text("order", "4711", null=True)
    quantity = whole("parts ordered", 40, null=True)
    material = text("material ordered", "S355J2+N", null=True)
    thickness_mm = number("thickness ordered, mm", 20, null=True)
    purpose = word(PURPOSES, "what it is for; null: nothing is stated", null=True)
    due = day("due date", "2026-03-20", null=True)
    made = record(TracedMade, "what was made for it")


class TracedOrder(Answer):
    """An order."""

    order = text("id of the order", "4711")
    side = word(SIDES, _SIDE, "forward")
    made = record(TracedMade, "what was made for it")


class TraceLink(Answer):
    """One step, the way that steel flows."""

    kind = word(_LINKS, "kinds of parent and child")
    parent = text("id of what it leads from", "H48213")
    child = text("id of what it leads to", "P-77")
    mill = text("mill of a heat that it leads from", "Nordhelm", null=True)


class TraceCounts(TracedMade):
    """What is in the trace."""

    heats = whole("heats", 1)
    plates = whole("plates", 1)
    runs = whole("runs", 1)
    jobs = whole("jobs", 1)
    orders = whole("orders", 1)


class TraceWhole(Answer):
    """All that lies back and forward of a start, and how it hangs together."""

    site = text("id of the site", "main")
    as_of = record(PlanAsOf, "up to which event it counts")
    start = record(TraceStart, "from what it was traced")
    direction = word(DIRECTIONS, "which way")
    heats = rows(TracedHeat, "heats by number")
    plates = rows(TracedPlate, "plates by id, remnants too")
    runs = rows(TracedRun, "runs by id")
    attempts = rows(TracedAttempt, "attempts by id")
    jobs = rows(TracedJob, "jobs by id")
    orders = rows(TracedOrder, "orders by id")
    links = rows(TraceLink, "steps between what is in it")
    counts = record(TraceCounts, "how many of each, and what became of the parts")
    most = whole("heats, plates, runs, attempts, jobs and orders that are told at most", MOST_NODES)
    cut_off = flag("there is more than that: see notes", False)
    notes = rows(text("note", "of 1 plate no heat is known"), "what it does not reach, in sentences")


class ThingChecked(Answer):
    """One thing that a check looked at."""

    what = word(CHECKS, "what was looked at")
    found = word(CHECK_RESULTS, "what was found")


class LastCheck(Answer):
    """The last check that looked at everything."""

    at = instant("when it was made: from then on the machine was in order")
    source = text("source of its event", "/terminals/bay-2")
    id = text("id of its event", "0197c1f2-5b7e-7c10-9a52-000000000031")
    position = whole("its place in the ledger", 418)
    checks = rows(ThingChecked, "what was looked at")


class LastInspected(Answer):
    """The last attempt of which all parts were inspected, and good."""

    at = instant("when it ended: until then the machine was in order; its start where the end is not known")
    attempt = text("id of the attempt", "A-4998")
    job = text("its job", "J-1042", null=True)
    plate = text("its plate", "P-76", null=True)
    good = whole("its parts", 4)


class TraceBound(Answer):
    """Until when the machine is known to have been in order. Neither speaks of a fault that came and went."""

    machine = text("machine that was asked for", "laser-2")
    by = word(BOUNDS, "which of the two counts; either: the later one")
    until = instant("only what happened before; null: now", None, null=True)
    since_at = instant("what was cut from then on is told; null: nothing is known, so all is", null=True)
    last_check = record(LastCheck, "the last check before that; null: there is none", null=True)
    last_inspected = record(LastInspected, "the last such attempt before that; null: there is none", null=True)


class TraceSince(TraceWhole):
    """All that was cut on a machine since it was last known to be in order."""

    since = record(TraceBound, "since when, and by what that is known")
