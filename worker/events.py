"""What can happen: the event types and the words of the trade that their fields take.

Pure vocabulary. The service builds its schemas from it, the fold reads events by it, so that a word is written once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

NM_PER_MM: Final = 1_000_000
NM_PER_INCH: Final = 25_400_000

THICKNESS_MIN_NM: Final = 100_000
THICKNESS_MAX_NM: Final = 500 * NM_PER_MM

JOB: Final = "job"
PLATE: Final = "plate"
ATTEMPT: Final = "attempt"
MACHINE: Final = "machine"
SITE: Final = "site"
FINDING: Final = "finding"
PROOF: Final = "proof"
RECIPE: Final = "recipe"
HOLD: Final = "hold"
TRIAL: Final = "trial"
EVENT: Final = "event"

SERVICED: Final = "cutledger.machine.serviced"
HANDED_OVER: Final = "cutledger.shift.handed_over"
RELEASED: Final = "cutledger.recipe.released"
WITHDRAWN: Final = "cutledger.recipe.withdrawn"
PLACED: Final = "cutledger.hold.placed"
LIFTED: Final = "cutledger.hold.lifted"
CHECKED: Final = "cutledger.machine.checked"
TRIAL_PLANNED: Final = "cutledger.trial.planned"
TRIAL_CUT: Final = "cutledger.trial.cut"
TRIAL_CONCLUDED: Final = "cutledger.trial.concluded"
#: Event type -> the kind of its subject. The subject of a void is that of the event it voids: any kind.
EVENT_TYPES: Final[dict[str, str]] = {
    "cutledger.job.opened": JOB,
    "cutledger.job.closed": JOB,
    "cutledger.plate.received": PLATE,
    "cutledger.plate.assessed": PLATE,
    "cutledger.plate.closed": PLATE,
    "cutledger.attempt.started": ATTEMPT,
    "cutledger.attempt.finished": ATTEMPT,
    "cutledger.attempt.inspected": ATTEMPT,
    "cutledger.attempt.reworked": ATTEMPT,
    SERVICED: MACHINE,
    CHECKED: MACHINE,
    HANDED_OVER: MACHINE,
    RELEASED: RECIPE,
    WITHDRAWN: RECIPE,
    PLACED: HOLD,
    LIFTED: HOLD,
    TRIAL_PLANNED: TRIAL,
    TRIAL_CUT: TRIAL,
    TRIAL_CONCLUDED: TRIAL,
    "cutledger.site.set": SITE,
    "cutledger.finding.noted": FINDING,
    "cutledger.proof.planned": PROOF,
    "cutledger.event.voided": EVENT,
}
VOIDED: Final = "cutledger.event.voided"

PURPOSES: Final = ("production", "trial", "proof")
GASES: Final = ("oxygen", "nitrogen", "air", "argon", "mixture")
MODES: Final = ("new", "resume", "recut")
OUTCOMES: Final = ("severed", "not_severed", "pierce_failed", "aborted")
#: Stop reasons that the process itself caused: the part being cut was reached and lost.
PROCESS_STOP_REASONS: Final = ("lost_cut", "pierce", "collision")
STOP_REASONS: Final = (
    *PROCESS_STOP_REASONS, "gas_supply", "machine_fault", "power", "shift_end", "priority", "wrong_program", "other",
)  # fmt: skip
INSPECTION_STAGES: Final = ("first", "after_rework", "downstream")
REWORK_OPERATIONS: Final = (
    "deburring", "dross_removal", "grinding", "straightening", "reaming", "drilling", "weld_repair", "edge_rounding",
    "other",
)  # fmt: skip
SERVICES: Final = (
    "nozzle", "nozzle_centring", "protective_window", "lens", "focus_check", "height_sensor", "slats", "gas_change",
    "filter", "calibration", "repair", "other",
)  # fmt: skip
#: What is looked at when pierces or cuts fail one after the other, in the order of what it mostly is: common practice,
#: no source.
CHECKS: Final = ("nozzle", "nozzle_centring", "protective_window", "gas")
CHECK_RESULTS: Final = ("in_order", "set_right", "replaced", "not_looked_at")
#: What a hold may be on: exactly one of these; a mill goes with a heat number.
HOLD_FIELDS: Final = ("heat_number", "plate", "recipe", "machine", "job", "attempts")
LIFTERS: Final = ("engineer", "admin")
#: What becomes of what was held, in the words of ISO 9000.
DISPOSITIONS: Final = ("conforms", "concession", "rework", "scrap", "returned")
TRIAL_FACTORS: Final = (
    "power_w", "feed_mm_min", "gas_pressure_bar", "focus_mm", "nozzle_mm", "standoff_mm", "pierce_seconds",
    "frequency_hz", "duty_percent",
)  # fmt: skip
#: What is counted of each run: parts good at the first attempt, or pierces that went through at the first try.
TRIAL_RESPONSES: Final = ("first_pass", "pierces")
TRIAL_ENDS: Final = ("complete", "stopped", "abandoned")
JOB_CLOSE_REASONS: Final = ("complete", "cancelled")
PLATE_CLOSE_REASONS: Final = ("used", "scrapped", "returned")
SIZE_FEATURES: Final = ("outside", "inside", "distance")
DEFECT_LOCATIONS: Final = ("entry", "exit", "contour", "corner", "hole", "upper_edge", "lower_edge", "face")
CERTAINTIES: Final = ("suspected", "confirmed")
PEOPLE_SETTINGS: Final = ("keep", "pseudonym", "drop")

RUST_GRADES: Final = ("A", "B", "C", "D")
PREPARATION_GRADES: Final = ("Sa 1", "Sa 2", "Sa 2.5", "Sa 3", "St 2", "St 3", "laser")
COATINGS: Final = ("none", "shop_primer", "oil", "paint", "zinc")
EDGES: Final = ("mill", "sheared", "sawn", "waterjet", "oxyfuel", "plasma", "laser")
COOLINGS: Final = ("air", "water")
CONDITION_FIELDS: Final = (
    "rust_grade", "preparation_grade", "coating", "edges", "cooling", "hardened", "hardness_hv", "hardness_load",
    "temperature_c",
)  # fmt: skip
#: What a remnant takes from the nearest ancestor that has it.
INHERITED_PLATE_FIELDS: Final = ("mill", "heat_number", "supplier", "certificate", "delivery_condition")

#: The stages of a cut in the order in which a part can fail them.
STAGES: Final = ("pierce", "sever", "surface", "size")


@dataclass(frozen=True, slots=True)
class DefectTerm:
    """A term for an imperfection after ISO 17658: its group, clause where verified, and the stage that it fails."""

    group: str
    clause: str | None
    stage: str


DEFECT_TERMS: Final[dict[str, DefectTerm]] = {
    "edge_melt_off": DefectTerm("edge", None, "surface"),
    "droplet_chain": DefectTerm("edge", None, "surface"),
    "edge_overhang": DefectTerm("edge", None, "surface"),
    "edge_break_away": DefectTerm("edge", None, "surface"),
    "hollow_face": DefectTerm("face", None, "surface"),
    "wavy_face": DefectTerm("face", None, "surface"),
    "face_step": DefectTerm("face", None, "surface"),
    "angular_deviation": DefectTerm("face", None, "surface"),
    "excessive_groove_depth": DefectTerm("face", None, "surface"),
    "excessive_drag": DefectTerm("face", None, "surface"),
    "gouging": DefectTerm("face", None, "surface"),
    "slag_lower_edge": DefectTerm("slag", None, "surface"),
    "slag_cut_face": DefectTerm("slag", None, "surface"),
    "crack": DefectTerm("crack", "4.4", "surface"),
    "start_deviation": DefectTerm("other", "4.5.1", "surface"),
    "pierce_deviation": DefectTerm("other", "4.5.2", "pierce"),
    "wide_kerf": DefectTerm("other", "4.5.3", "size"),
    "lost_cut": DefectTerm("other", "4.5.4", "sever"),
    "surface_burning": DefectTerm("other", "4.5.5", "surface"),
    "dimensional_deviation": DefectTerm("other", "4.5.6", "size"),
    "heat_distortion": DefectTerm("other", None, "size"),
    "kerf_at_exit": DefectTerm("other", None, "surface"),
    "part_tipped": DefectTerm("other", None, "surface"),
    "slat_flashback": DefectTerm("other", None, "surface"),
}
CAUSE_TERMS: Final = (
    "nozzle_worn", "nozzle_off_centre", "protective_window", "focus_shift", "gas_pressure", "gas_purity",
    "plate_surface", "plate_chemistry", "plate_not_flat", "plate_hot", "near_old_cut_edge", "wrong_settings",
    "wrong_plate", "program_or_lead_in", "sequence", "slats", "height_sensing", "machine_fault", "handling",
    "drawing_or_order", "other",
)  # fmt: skip
#: Causes by which a part is lost to something else than the cut.
NOT_THE_PROCESS: Final = ("handling", "drawing_or_order", "wrong_plate")

_INCH = re.compile(
    r"(?:(?P<whole>[0-9]{1,3})(?: (?=[0-9]+/)|$))?(?:(?P<over>[0-9]{1,4})/(?P<under>[0-9]{1,4}))?", re.ASCII
)


class ThicknessUnreadable(ValueError):
    """A thickness that is no number of millimetres or inches; says what would do."""


def mm_to_nm(mm: Decimal) -> int:
    """Thickness in whole nanometres from millimetres; a finer value raises ThicknessUnreadable."""
    scaled = mm * NM_PER_MM
    nm = int(scaled)
    if nm != scaled:
        raise ThicknessUnreadable("is finer than a nanometre (6 decimals of a millimetre)")
    return nm


def inch_to_nm(inch: Decimal | str) -> int:
    """Thickness in whole nanometres from inches: a number, or a fraction such as "3/4" or "1 1/4".

    1 in = 25.4 mm exactly. Raises ThicknessUnreadable for anything else, a zero denominator or a value finer than
    a nanometre.
    """
    if isinstance(inch, Decimal):
        exact = Fraction(inch) * NM_PER_INCH
    else:
        match = _INCH.fullmatch(inch)
        if not inch or match is None:
            raise ThicknessUnreadable('is no inch size; write a number or a fraction such as "3/4" or "1 1/4"')
        over, under = int(match["over"] or 0), int(match["under"] or 1)
        if under == 0:
            raise ThicknessUnreadable('has a zero under the bar; write a fraction such as "1/2"')
        exact = (int(match["whole"] or 0) + Fraction(over, under)) * NM_PER_INCH
    if exact.denominator != 1:
        raise ThicknessUnreadable("is finer than a nanometre")
    return int(exact)


def thickness_nm(data: dict[str, Any]) -> int | None:
    """Thickness in nanometres that event data states as thickness_mm or thickness_in; None when it states none.

    Reads stored data, where numbers are floats of at most 9 significant digits: rounding is exact.
    """
    if (mm := data.get("thickness_mm")) is not None:
        return int(round(mm * NM_PER_MM))
    if (inch := data.get("thickness_in")) is not None:
        return inch_to_nm(inch) if isinstance(inch, str) else int(round(inch * NM_PER_INCH))
    return None
