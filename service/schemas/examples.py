"""A full example of each event type: the OpenAPI document shows them, and the tests post them. The shop is invented."""

from __future__ import annotations

from typing import Any, Final

_TERMINAL: Final = "/terminals/bay-2"
_PLANNING: Final = "/erp/orders"
_ADMIN: Final = "/admin"


def _event(
    kind: str, number: int, subject: str, time: str, data: dict[str, Any], source: str = _TERMINAL
) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "id": f"0197c1f2-5b7e-7c10-9a52-{number:012x}",
        "source": source,
        "type": kind,
        "subject": subject,
        "time": time,
        "datacontenttype": "application/json",
        "data": data,
    }


_RECIPE: Final[dict[str, Any]] = {
    "name": "S355 oxygen 20",
    "revision": "B",
    "power_w": 12000,
    "feed_mm_min": 900,
    "gas_pressure_bar": 0.7,
    "focus_mm": 8.5,
    "nozzle_mm": 1.4,
    "standoff_mm": 0.8,
    "pierce_seconds": 1.5,
    "frequency_hz": 5000,
    "duty_percent": 100,
}
_STARTED: Final[dict[str, Any]] = {
    "job": "J-1042",
    "plate": "P-77",
    "machine": "laser-2",
    "run": "R-0311",
    "piece": "1",
    "retry_of": "A-5000",
    "mode": "recut",
    "operator": "K. Varga",
    "recipe": _RECIPE,
    "gas": "oxygen",
    "quantity": 4,
    "purpose": "production",
    "material": "S355J2+N",
    "thickness_mm": 20,
}
_CONDITION: Final[dict[str, Any]] = {
    "rust_grade": "B",
    "preparation_grade": "Sa 2.5",
    "coating": "none",
    "edges": "plasma",
    "cooling": "water",
    "hardened": True,
    "hardness_hv": 410,
    "hardness_load": 10,
    "temperature_c": 18.5,
}
_DEFECTS: Final = [{"term": "slag_lower_edge", "location": "lower_edge", "parts": 1}]
_CAUSES: Final = [{"term": "nozzle_worn", "certainty": "suspected"}]

_JOB: Final[dict[str, Any]] = {
    "part_number": "BRK-220",
    "quantity": 40,
    "material": "S355J2+N",
    "thickness_mm": 20,
    "purpose": "production",
    "order": "SO-88120",
    "operation": "0020",
    "work_centre": "CUT-1",
    "priority": 50,
    "revision": "C",
    "due": "2026-03-20",
    "recut_of": "J-1001",
    "planned_seconds": 95,
    "cut_length_mm": 1840,
    "pierces_per_part": 5,
    "min_corner_angle_deg": 60,
    "min_corner_radius_mm": 3,
    "min_web_mm": 18,
    "min_hole_mm": 22,
    "part_mass_kg": 7.85,
    "size_tolerance_mm": 0.5,
    "cut_quality": "ISO 9013-342",
    "bevel_deg": 30,
}
_PLATE: Final[dict[str, Any]] = {
    "material": "S355J2+N",
    "thickness_in": "3/4",
    "measured_thickness_mm": 19.3,
    "length_mm": 3000,
    "width_mm": 1500,
    "mill": "Nordhelm",
    "heat_number": "H48213",
    "supplier": "Platten Ost",
    "certificate": "EN 10204 3.1",
    "delivery_condition": "normalized",
    "parent": "P-12",
    **_CONDITION,
}
_FINISHED: Final[dict[str, Any]] = {
    **_STARTED,
    "outcome": "aborted",
    "started_at": "2026-03-02T06:08:00+01:00",
    "seconds": 412.5,
    "tried": 4,
    "stop_reason": "lost_cut",
    "interruptions": 1,
    "pierces": 20,
    "failed_pierces": 1,
    "good": 2,
    "rework": 1,
    "scrap": 1,
    "blank_lost": False,
    "defects": _DEFECTS,
    "causes": _CAUSES,
}
_INSPECTED: Final[dict[str, Any]] = {
    "good": 2,
    "rework": 1,
    "scrap": 0,
    "stage": "first",
    "rest_released": False,
    "defects": _DEFECTS,
    "causes": _CAUSES,
    "rz5_um": [48, 52.5],
    "u_mm": [0.31],
    "dross_mm": 0.4,
    "sizes": [{"feature": "outside", "nominal_mm": 250, "measured_mm": 250.18}],
    "inspector": "M. Okoro",
}
_REWORKED: Final[dict[str, Any]] = {
    "operation": "grinding",
    "minutes": 12.5,
    "parts": 1,
    "planned": False,
    "recovered": 1,
    "scrapped": 0,
    "causes": _CAUSES,
}
_SITE: Final[dict[str, Any]] = {
    "valid_from": "2026-03-02",
    "zone": "Europe/Berlin",
    "day_start": "06:00",
    "shifts": [
        {"name": "early", "start": "06:00"},
        {"name": "late", "start": "14:00"},
        {"name": "night", "start": "22:00"},
    ],
    "rates": {
        "currency": "EUR",
        "labour_per_hour": 46,
        "machine_per_hour": 120,
        "machines": [{"name": "laser-2", "per_hour": 140}],
        "material_per_kg": 1.1,
        "materials": [{"name": "S355J2+N", "per_kg": 1.15}],
    },
    "targets": {"first_pass_yield": 0.95, "confidence": 0.95, "failed_pierce_rate": 0.02},
    "aliases": [{"kind": "material", "name": "S355J2+N", "also": ["S355", "s355 j2"], "group": "S355"}],
    "pierces_by_exception": False,
    "people": "pseudonym",
    "least_people": 3,
    "plausibility": {"feed_thickness_most": 45, "kerf_mm": 0.8, "off": ["sharp_corner"]},
    "webhook_hosts": ["erp.plant.example", "10.20.0.0/16"],
}
_FINDING: Final[dict[str, Any]] = {
    "owner": "process engineering",
    "due": "2026-03-13",
    "action": "nozzle centring added to the shift start",
    "worked": True,
    "note": "seen on one machine only",
}
_PROOF: Final[dict[str, Any]] = {
    "reliability": 0.9,
    "confidence": 0.9,
    "failures_allowed": 0,
    "sequential": {"producer_risk": 0.05, "consumer_risk": 0.1, "unacceptable_reliability": 0.7},
    "thickness_mm": 28,
    "machine": "laser-2",
    "material": "S355J2+N",
    "gas": "oxygen",
    "surface_group": "clean",
    "thermal_history": "as_supplied",
    "recipe": {"name": "S355 oxygen 28", "revision": "A"},
    "least_plates": 3,
    "least_heats": 2,
    "least_days": 2,
    "note": "for the quotation of the crane arm",
}
_CELL: Final[dict[str, Any]] = {
    "machine": "laser-2", "material": "S355J2+N", "thickness_mm": 20, "gas": "oxygen", "surface_group": "clean",
}  # fmt: skip
_RELEASED: Final[dict[str, Any]] = {
    **_CELL,
    "recipe": _STARTED["recipe"],
    "reason": "cleaner lower edge at the same yield",
    "evidence": {
        "standing": "proven", "parts": 64, "good": 63, "plates": 5, "lower_bound": 0.93, "target": 0.9,
        "proof": "PR-4", "proof_state": "passed",
    },
}  # fmt: skip
_HELD: Final[dict[str, Any]] = {
    "mill": "Nordhelm",
    "heat_number": "H48213",
    "reason": "six of eight parts with a rough face",
    "may_lift": "engineer",
    "finding": "F-7c1d3f0a92be4455",
}
_CHECKED: Final[dict[str, Any]] = {
    "checks": [
        {"what": "nozzle", "found": "replaced"},
        {"what": "nozzle_centring", "found": "set_right"},
        {"what": "protective_window", "found": "in_order"},
        {"what": "gas", "found": "in_order"},
    ],
    "notice": "N-1f0c77d2a4b85e90",
    "note": "crater at the rim",
}
_TRIAL: Final[dict[str, Any]] = {
    "question": "does a slower feed, or more pressure, save the pierce?",
    "machine": "laser-2",
    "material": "S355J2+N",
    "thickness_mm": 28,
    "gas": "oxygen",
    "response": "pierces",
    "factors": [
        {"name": "feed_mm_min", "levels": [600, 700]},
        {"name": "gas_pressure_bar", "levels": [0.6, 0.8]},
    ],
    "runs": [
        {"levels": [700, 0.6], "block": 1},
        {"levels": [600, 0.8], "block": 1},
        {"levels": [600, 0.6], "block": 1},
        {"levels": [700, 0.8], "block": 1},
    ],
    "parts_a_run": 4,
    "stop_failed_runs": 3,
    "seed": 41,
    "note": "one plate a block",
}

#: Event type -> an event of it with every field that may stand in one event.
EXAMPLES: Final[dict[str, dict[str, Any]]] = {
    event["type"]: event
    for event in (
        _event("cutledger.job.opened", 1, "J-1042", "2026-03-02T05:10:00+01:00", _JOB, _PLANNING),
        _event("cutledger.job.closed", 2, "J-1042", "2026-03-06T15:30:00+01:00", {"reason": "complete"}, _PLANNING),
        _event("cutledger.plate.received", 3, "P-77", "2026-02-26T09:00:00+01:00", _PLATE),
        _event(
            "cutledger.plate.assessed",
            4,
            "P-77",
            "2026-03-02T06:02:00+01:00",
            {**_CONDITION, "observed_at": "2026-03-02T05:40:00+01:00"},
        ),
        _event("cutledger.plate.closed", 5, "P-77", "2026-03-04T13:45:00+01:00", {"reason": "used"}),
        _event("cutledger.attempt.started", 6, "A-5001", "2026-03-02T06:08:00+01:00", _STARTED),
        _event("cutledger.attempt.finished", 7, "A-5001", "2026-03-02T06:15:00+01:00", _FINISHED),
        _event("cutledger.attempt.inspected", 8, "A-5001", "2026-03-02T07:20:00+01:00", _INSPECTED),
        _event("cutledger.attempt.reworked", 9, "A-5001", "2026-03-03T10:05:00+01:00", _REWORKED),
        _event(
            "cutledger.machine.serviced",
            10,
            "laser-2",
            "2026-03-02T06:20:00+01:00",
            {"what": "nozzle", "note": "crater at the rim"},
        ),
        _event(
            "cutledger.shift.handed_over",
            15,
            "laser-2",
            "2026-03-02T13:55:00+01:00",
            {"note": "P-77 lies on the table, two parts of J-1042 to go.\nNozzle changed at 06:20."},
        ),
        _event("cutledger.site.set", 11, "main", "2026-03-01T12:00:00+01:00", _SITE, _ADMIN),
        _event("cutledger.finding.noted", 12, "F-31", "2026-03-05T09:15:00+01:00", _FINDING, _ADMIN),
        _event("cutledger.proof.planned", 13, "PR-4", "2026-03-05T11:00:00+01:00", _PROOF, _ADMIN),
        _event("cutledger.machine.checked", 16, "laser-2", "2026-03-02T06:18:00+01:00", _CHECKED),
        _event("cutledger.recipe.released", 17, "S355 oxygen 20", "2026-03-05T12:00:00+01:00", _RELEASED, _ADMIN),
        _event(
            "cutledger.recipe.withdrawn",
            18,
            "S355 oxygen 20",
            "2026-03-06T08:00:00+01:00",
            {**_CELL, "reason": "pierces fail since Tuesday"},
            _ADMIN,
        ),
        _event("cutledger.hold.placed", 19, "HD-3", "2026-03-02T09:30:00+01:00", _HELD),
        _event(
            "cutledger.hold.lifted",
            20,
            "HD-3",
            "2026-03-04T10:00:00+01:00",
            {"reason": "blasted, twelve good parts since", "disposition": "conforms"},
            _ADMIN,
        ),
        _event("cutledger.trial.planned", 21, "TR-2", "2026-03-05T13:00:00+01:00", _TRIAL, _ADMIN),
        _event("cutledger.trial.cut", 22, "TR-2", "2026-03-06T09:00:00+01:00", {"run": 3, "attempt": "A-5001"}),
        _event(
            "cutledger.trial.concluded",
            23,
            "TR-2",
            "2026-03-06T15:00:00+01:00",
            {"reason": "complete", "conclusion": "feed matters, pressure does not"},
            _ADMIN,
        ),
        _event(
            "cutledger.event.voided",
            14,
            "A-5001",
            "2026-03-02T08:00:00+01:00",
            {
                "source": _TERMINAL,
                "id": "0197c1f2-5b7e-7c10-9a52-000000000007",
                "reason": "posted to the wrong job",
            },
        ),
    )
}
