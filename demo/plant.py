"""The settings of the invented plant's site: clock, rates, targets, and the names that it knows."""

from __future__ import annotations

from datetime import date
from typing import Any

from demo import hours
from demo.orders import CARDS, GRADES
from demo.recipes import recipe
from demo.trial import NEW_STEEL
from demo.truth import LASER_8, LASER_15, MACHINES


def plant_settings(valid_from: date) -> dict[str, Any]:
    """Return what the plant sets for its site from a production day on; money in EUR."""
    return {
        "valid_from": valid_from.isoformat(),
        "zone": hours.ZONE_NAME,
        "day_start": f"{hours.DAY_START:%H:%M}",
        "shifts": [{"name": name, "start": f"{begins:%H:%M}"} for name, begins in hours.SHIFTS.items()],
        "rates": {
            "currency": "EUR",
            "labour_per_hour": 48.5,
            "machine_per_hour": 120,
            "machines": [{"name": LASER_8, "per_hour": 95}, {"name": LASER_15, "per_hour": 145}],
            "material_per_kg": 1.05,
            "materials": [{"name": "S460N", "per_kg": 1.32}],
        },
        "targets": {"first_pass_yield": 0.9, "confidence": 0.9, "failed_pierce_rate": 0.03},
        "aliases": _names(),
    }


def _names() -> list[dict[str, Any]]:
    """Name all materials, machines and recipes, so that none comes as a surprise."""
    grades = (*GRADES, NEW_STEEL)
    names: list[dict[str, Any]] = [{"kind": "material", "name": grade, "group": grade[:4]} for grade in grades]
    names += [{"kind": "machine", "name": machine} for machine in MACHINES]
    for machine in MACHINES:
        for thickness_mm in sorted({thickness.mm for thickness in CARDS[machine]}):
            names.append({"kind": "recipe", "name": recipe(machine, thickness_mm=thickness_mm)["name"]})
    return names
