"""What the service answers of a job's confirmations, and what may be asked of them."""

from __future__ import annotations

from marshmallow import fields
from marshmallow.validate import Length, OneOf

from service.schemas.answers import Answer, day, instant, number, record, rows, text, whole, word
from service.schemas.plan import PlanAsOf
from service.schemas.queries import MOST_ITEMS, Query, WholeParameter
from service.strict_fields import about
from worker.confirmations import UNITS

_STATES = ("open", "closed", "unknown")


class ConfirmationsQuery(Query):
    """Which confirmations of a job."""

    after = WholeParameter(
        0, 999_999_999, load_default=0,
        metadata={"description": "last number that was booked; 0 or left out: from the first on", "example": 3},
    )  # fmt: skip
    series = fields.String(
        load_default=None,
        validate=Length(min=1, max=32),
        metadata={"description": "series of that number, as the answer named it: another one is refused with 409"},
    )
    limit = WholeParameter(1, MOST_ITEMS, load_default=100, metadata={"description": "confirmations an answer"})


def _change(description: str, example: int) -> fields.Integer:
    """Field of a whole number that a correction makes negative; always there."""
    return fields.Integer(required=True, metadata=about(description, example))


def _amount(description: str, example: float | None, *, null: bool = False) -> fields.Float:
    """Field of a number that a correction makes negative; always there."""
    metadata = {"description": description, "examples": [example]}
    return fields.Float(required=True, allow_none=null, metadata=metadata)


def _unit(name: str, what: str) -> fields.String:
    metadata = about(f"unit of {what}: common code of UN/ECE Recommendation 20", UNITS[name])
    return fields.String(required=True, validate=OneOf([UNITS[name]]), metadata=metadata)


class ConfirmationUnits(Answer):
    """Units of the amounts."""

    parts = _unit("parts", "quantities")
    minutes = _unit("minutes", "minutes")
    mass = _unit("mass", "masses")


class MaterialProduced(Answer):
    """Parts; produced_quantity = good_quantity + scrap_quantity + in_rework + pending = parts_tried - not_made."""

    produced_quantity = _change("parts that were made, whatever became of them", 4)
    good_quantity = _change("parts that are good: at once, or recovered by rework", 3)
    recovered = _change("of these those that rework recovered", 0)
    rework_quantity = _change("parts that need or needed rework, whatever became of them", 1)
    in_rework = _change("rework parts whose rework has not ended", 1)
    pending = _change("parts without a verdict", 0)
    scrap_quantity = _change("parts scrapped, at once or in rework", 0)
    not_made = _change("parts that were tried and not made; not among the produced", 0)


class LossReason(Answer):
    """Parts scrapped or not made that have one reason."""

    reason = text(
        "what they were lost to: a defect term, the outcome of the cut where no term explains that they were not made, "
        "`several` where the entries name several and do not tell which were scrapped, else `unstated`",
        "slag_lower_edge",
    )
    cause = text("cause that the attempt's entries name, `several` or `unstated`", "unstated")
    parts = _change("parts", 1)


class MaterialConsumed(Answer):
    """What was taken of a plate."""

    plate = text("id of the plate", "P-77")
    heat_number = text("heat number", "H48213", null=True)
    parts_tried = _change("parts tried from it", 4)
    mass_kg = _amount(
        "nominal mass of its steel, less remnants, shared out among the jobs cut from it; posted when it was closed as "
        "used; null where none is posted: before, and where a size is not known",
        None,
        null=True,
    )


class MaterialReturned(Answer):
    """A remnant of a used plate: one piece, posted whole to the job that took most of the plate."""

    plate = text("id of the remnant", "P-77-1")
    parent = text("plate that it is a remnant of", "P-77")
    heat_number = text("heat number", "H48213", null=True)
    length_mm = number("length, mm", 800, null=True)
    width_mm = number("width, mm", 1500, null=True)
    thickness_mm = number("nominal thickness, mm", 20, null=True)
    pieces = _change("1, or -1 where that is taken back", 1)
    mass_kg = number("nominal mass of the piece, kg", 188.4, null=True)


class MachineActual(Answer):
    """Time of one machine."""

    machine = text("machine, as the site's settings name it", "laser-2", null=True)
    minutes = _amount("minutes of the attempts that tell their time; null where none does", 6.875, null=True)
    attempts_without_time = _change("attempts whose time is not known", 0)


class EquipmentActual(Answer):
    """Runs of the machines."""

    attempts = _change("finished attempts", 1)
    machines = rows(MachineActual, "machines by name")


class PersonnelActual(Answer):
    """Person-minutes of an operation; those of the cut itself are not recorded, so they are not here."""

    operation = text("operation", "grinding")
    rework_minutes = _amount("person-minutes of rework", 5)
    finishing_minutes = _amount("person-minutes of finishing that the routing asks for", 0)


class JobActuals(Answer):
    """What was made, what of, on what, by how much work."""

    material_produced = record(MaterialProduced, "parts")
    scrap_reasons = rows(LossReason, "the scrap quantity by reason")
    not_made_reasons = rows(LossReason, "the parts not made, by reason")
    material_consumed = rows(MaterialConsumed, "plates by id")
    material_returned = rows(MaterialReturned, "remnants by plate")
    equipment_actual = record(EquipmentActual, "machines")
    personnel_actual = rows(PersonnelActual, "work by operation")


class Confirmation(JobActuals):
    """One increment of a job, never changed: what came to it on one operation and posting day."""

    number = whole("its number within the job: 1, 2, 3 and so on without a gap", 1)
    operation = text("operation: that of the job (`cutting` where it names none), or one of rework", "cutting")
    posting_day = day("production day that it is posted to")
    made_at = instant("when it was made")
    position = whole("place in the ledger up to which was counted then", 417)
    state = word(_STATES, "state of the job then")
    to_make = whole("parts that the job still had to make then; null without a quantity", 36, null=True)


class JobConfirmations(Answer):
    """A job's increments after a number, and the sum of all of them."""

    job = text("id of the job", "J-1042")
    state = word(_STATES, "unknown while only attempts name it")
    order = text("order that it belongs to", "SO-88120", null=True)
    work_centre = text("work centre", None, null=True)
    part_number = text("part number", "BRK-220", null=True)
    series = text("series of the numbers: keep it with the last one that was booked", "9f86d081884c7d65")
    units = record(ConfirmationUnits, "units of all amounts")
    items = rows(Confirmation, "increments by number; corrections come as negative ones")
    next = whole("number to ask on after; null when these are all", None, null=True)
    total = record(JobActuals, "the sum of all increments, which is always the state of the job")
    as_of = record(PlanAsOf, "up to which event it counts")
