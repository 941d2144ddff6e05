"""The words of the trade as people read them: what the ledger calls `nozzle_worn` is a worn nozzle on a page.

Each is a text of the catalogue like all others. A word of the ledger that stands in no list here is a fault that a test
finds.
"""

from __future__ import annotations

from typing import Final

from service.pages.languages import gettext, marked

OUTCOMES: Final = {
    "severed": marked("cut through"),
    "not_severed": marked("not cut through"),
    "pierce_failed": marked("pierce failed"),
    "aborted": marked("given up"),
}
STOP_REASONS: Final = {
    "lost_cut": marked("lost cut"),
    "pierce": marked("pierce"),
    "collision": marked("collision"),
    "gas_supply": marked("gas supply"),
    "machine_fault": marked("machine fault"),
    "power": marked("power"),
    "shift_end": marked("end of shift"),
    "priority": marked("another job came first"),
    "wrong_program": marked("wrong program"),
    "other": marked("other"),
}
VERDICTS: Final = {
    "good": marked("good"),
    "rework": marked("rework"),
    "scrap": marked("scrap"),
    "not_made": marked("not made"),
    "pending": marked("not judged yet"),
    "recovered": marked("recovered"),
    "scrapped": marked("scrapped after rework"),
    "in_rework": marked("in rework"),
}
REWORK_OPERATIONS: Final = {
    "deburring": marked("deburring"),
    "dross_removal": marked("dross removal"),
    "grinding": marked("grinding"),
    "straightening": marked("straightening"),
    "reaming": marked("reaming"),
    "drilling": marked("drilling"),
    "weld_repair": marked("weld repair"),
    "edge_rounding": marked("edge rounding"),
    "other": marked("other"),
}
SERVICES: Final = {
    "nozzle": marked("nozzle"),
    "nozzle_centring": marked("centring of the nozzle"),
    "protective_window": marked("protective window"),
    "lens": marked("lens"),
    "focus_check": marked("check of the focus"),
    "height_sensor": marked("height sensor"),
    "slats": marked("slats"),
    "gas_change": marked("change of gas"),
    "filter": marked("filter"),
    "calibration": marked("calibration"),
    "repair": marked("repair"),
    "other": marked("other"),
}
STAGES: Final = {
    "pierce": marked("pierce"),
    "sever": marked("cutting through"),
    "surface": marked("cut face"),
    "size": marked("size"),
    "unstated": marked("not said"),
}
DEFECTS: Final = {
    "edge_melt_off": marked("melted upper edge"),
    "droplet_chain": marked("chain of droplets"),
    "edge_overhang": marked("overhanging edge"),
    "edge_break_away": marked("edge broken away"),
    "hollow_face": marked("hollow cut face"),
    "wavy_face": marked("wavy cut face"),
    "face_step": marked("step in the cut face"),
    "angular_deviation": marked("angular deviation"),
    "excessive_groove_depth": marked("grooves too deep"),
    "excessive_drag": marked("too much drag"),
    "gouging": marked("gouging"),
    "slag_lower_edge": marked("slag at the lower edge"),
    "slag_cut_face": marked("slag on the cut face"),
    "crack": marked("crack"),
    "start_deviation": marked("fault at the start of the cut"),
    "pierce_deviation": marked("fault of the pierce"),
    "wide_kerf": marked("kerf too wide"),
    "lost_cut": marked("lost cut"),
    "surface_burning": marked("burning of the surface"),
    "dimensional_deviation": marked("not to size"),
    "heat_distortion": marked("distorted by heat"),
    "kerf_at_exit": marked("mark where the cut ends"),
    "part_tipped": marked("part tipped up"),
    "slat_flashback": marked("spatter from the slats"),
}
LOCATIONS: Final = {
    "entry": marked("start of the cut"),
    "exit": marked("end of the cut"),
    "contour": marked("contour"),
    "corner": marked("corner"),
    "hole": marked("hole"),
    "upper_edge": marked("upper edge"),
    "lower_edge": marked("lower edge"),
    "face": marked("cut face"),
}
CAUSES: Final = {
    "nozzle_worn": marked("worn nozzle"),
    "nozzle_off_centre": marked("nozzle off centre"),
    "protective_window": marked("protective window"),
    "focus_shift": marked("shifted focus"),
    "gas_pressure": marked("gas pressure"),
    "gas_purity": marked("gas purity"),
    "plate_surface": marked("surface of the plate"),
    "plate_chemistry": marked("chemistry of the plate"),
    "plate_not_flat": marked("plate not flat"),
    "plate_hot": marked("hot plate"),
    "near_old_cut_edge": marked("near an old cut edge"),
    "wrong_settings": marked("wrong settings"),
    "wrong_plate": marked("wrong plate"),
    "program_or_lead_in": marked("program or lead-in"),
    "sequence": marked("cutting sequence"),
    "slats": marked("slats"),
    "height_sensing": marked("height sensing"),
    "machine_fault": marked("machine fault"),
    "handling": marked("handling"),
    "drawing_or_order": marked("drawing or order"),
    "other": marked("other"),
}
SURFACES: Final = {
    "tight_scale": marked("tight mill scale"),
    "loose_scale": marked("loose mill scale"),
    "rusted": marked("rusted"),
    "pitted": marked("pitted"),
    "cleaned": marked("cleaned"),
    "primed": marked("primed"),
    "clean": marked("clean"),
    "disturbed": marked("disturbed"),
    "unknown": marked("not known"),
}
THERMAL_HISTORIES: Final = {
    "as_supplied": marked("as supplied"),
    "thermal_edge": marked("edges cut thermally"),
    "hardened": marked("hardened edges"),
    "unknown": marked("not known"),
}
GASES: Final = {
    "oxygen": marked("oxygen"),
    "nitrogen": marked("nitrogen"),
    "air": marked("air"),
    "argon": marked("argon"),
    "mixture": marked("mixture"),
}
PURPOSES: Final = {
    "production": marked("production"),
    "trial": marked("trial"),
    "proof": marked("proof"),
}
TRIAL_STATES: Final = {
    "planned": marked("planned"),
    "running": marked("running"),
    "stopped": marked("stopped by its rule"),
    "concluded": marked("concluded"),
}
TRIAL_RUN_STATES: Final = {
    "to_cut": marked("to cut"),
    "waiting": marked("cut, waits"),
    "counted": marked("counts"),
    "left_out": marked("left out"),
}
TRIAL_RESPONSES: Final = {
    "first_pass": marked("parts good the first time"),
    "pierces": marked("pierces that went through at the first try"),
}
TRIAL_ENDS: Final = {
    "complete": marked("all was cut"),
    "stopped": marked("stopped by its rule"),
    "abandoned": marked("given up"),
}
MODES: Final = {
    "new": marked("new"),
    "resume": marked("same blank goes on"),
    "recut": marked("cut again"),
}
FINDINGS: Final = {
    "contradiction": marked("contradiction"),
    "new_name": marked("new name"),
    "left_open": marked("left open"),
    "set_aside": marked("set aside"),
    "audit": marked("audit"),
    "drift": marked("drift"),
    "bad_lot": marked("bad lot"),
    "condition": marked("condition of plate"),
    "implausible": marked("hardly plausible"),
    "standing": marked("standing changed"),
    "proof": marked("proof decided"),
    "held": marked("cut while held"),
}
STANDINGS: Final = {
    "proven": marked("proven"),
    "open": marked("open"),
    "ruled_out": marked("ruled out"),
}

JOB_STATES: Final = {
    "open": marked("open"),
    "closed": marked("closed"),
    "unknown": marked("not known"),
}
JOB_CLOSE_REASONS: Final = {
    "complete": marked("complete"),
    "cancelled": marked("cancelled"),
}
PLATE_CLOSE_REASONS: Final = {
    "used": marked("used"),
    "scrapped": marked("scrapped"),
    "returned": marked("returned"),
}
ATTEMPT_STATES: Final = {
    "open": marked("running"),
    "finished": marked("finished"),
    "unfinished": marked("begin and end not known"),
}
INSPECTION_STAGES: Final = {
    "first": marked("first judgement"),
    "after_rework": marked("after rework"),
    "downstream": marked("at a later operation"),
}
CERTAINTIES: Final = {
    "suspected": marked("suspected"),
    "confirmed": marked("confirmed"),
}
COATINGS: Final = {
    "none": marked("none"),
    "shop_primer": marked("shop primer"),
    "oil": marked("oil"),
    "paint": marked("paint"),
    "zinc": marked("zinc"),
}
EDGES: Final = {
    "mill": marked("mill edge"),
    "sheared": marked("sheared"),
    "sawn": marked("sawn"),
    "waterjet": marked("cut by water jet"),
    "oxyfuel": marked("cut by oxyfuel"),
    "plasma": marked("cut by plasma"),
    "laser": marked("cut by laser"),
}
COOLINGS: Final = {
    "air": marked("air"),
    "water": marked("water"),
}
SURFACE_GROUPS: Final = {
    "clean": marked("clean"),
    "disturbed": marked("disturbed"),
    "unknown": marked("not known"),
}
SIZE_FEATURES: Final = {
    "outside": marked("outside dimension"),
    "inside": marked("inside dimension"),
    "distance": marked("distance"),
}
FINDING_STATES: Final = {
    "open": marked("open"),
    "closed": marked("closed"),
}
FINDING_CHANGES: Final = {
    "opened": marked("opened"),
    "again": marked("opened again"),
    "closed": marked("closed"),
}
SUBJECTS: Final = {
    "attempt": marked("attempt"),
    "job": marked("job"),
    "plate": marked("plate"),
    "machine": marked("machine"),
    "material": marked("material"),
    "recipe": marked("recipe"),
    "heat": marked("heat"),
    "run": marked("run"),
    "piece": marked("piece"),
    "site": marked("site"),
    "proof": marked("proof"),
    "shift": marked("shift"),
    "finding": marked("finding"),
    "hold": marked("hold"),
    "trial": marked("trial"),
    "event": marked("entry"),
}
LIFTERS: Final = {
    "engineer": marked("an engineer"),
    "admin": marked("an administrator"),
}
CHECK_RESULTS: Final = {
    "in_order": marked("in order"),
    "set_right": marked("set right"),
    "replaced": marked("replaced"),
    "not_looked_at": marked("not looked at"),
}
CHECKS: Final = {
    "nozzle": SERVICES["nozzle"],
    "nozzle_centring": SERVICES["nozzle_centring"],
    "protective_window": SERVICES["protective_window"],
    "gas": marked("gas"),
}
HOLD_STATES: Final = {
    "open": marked("on hold"),
    "lifted": marked("lifted"),
}
DISPOSITIONS: Final = {
    "conforms": marked("it conforms"),
    "concession": marked("used by concession"),
    "rework": marked("reworked"),
    "scrap": marked("scrapped"),
    "returned": marked("returned"),
}
PROOF_STATES: Final = {
    "planned": marked("planned"),
    "running": marked("under way"),
    "passed": marked("passed"),
    "failed": marked("failed"),
}
DOSSIER_STATES: Final = {
    "valid": marked("valid"),
    "held": marked("suspended by a hold"),
    "ended": marked("ended"),
}
DOSSIER_ENDS: Final = {
    "new_revision": marked("newer revision"),
    "fell_back": marked("fallen standing"),
    "withdrawn": marked("withdrawn release"),
    "age": marked("age"),
    "held": marked("hold"),
    "reopened": marked("late event"),
}
DOSSIER_SETTINGS: Final = {
    "as_released": marked("as released"),
    "otherwise": marked("not as released"),
    "untold": marked("not told"),
}
RELEASE_STATES: Final = {
    "released": marked("released"),
    "withdrawn": marked("withdrawn"),
}
ROLES: Final = {
    "terminal": marked("terminal: writes entries, reads open jobs, plates and its own attempts"),
    "reader": marked("reader: reads"),
    "engineer": marked("engineer: reads, notes on findings, plans proofs"),
    "erp": marked("ERP: writes entries, reads, receives pushes"),
    "admin": marked("admin: everything, settings and keys too"),
}
ALIAS_KINDS: Final = {
    "material": marked("material"),
    "machine": marked("machine"),
    "recipe": marked("recipe"),
}
PEOPLE: Final = {
    "keep": marked("kept as sent"),
    "pseudonym": marked("replaced by a pseudonym"),
    "drop": marked("not kept"),
}


def said(words: dict[str, str], word: str | None) -> str:
    """A word of the ledger in the language of the page; one that is not known here as it is, nothing as a dash."""
    if word is None:
        return "–"
    return gettext(words[word]) if word in words else word
