"""The shop's cutting settings: one oxygen recipe for each machine and thickness."""

from __future__ import annotations

from typing import Any

from demo.truth import LASER_8


def recipe(machine: str, *, thickness_mm: float) -> dict[str, Any]:
    """Return the settings for a thickness: feed falls with thickness, the stronger laser is faster."""
    small = machine == LASER_8
    label = "8" if small else "15"
    return {
        "name": f"O2 {label} kW {thickness_mm:g} mm",
        "revision": "2",
        "power_w": 8000 if small else 15000,
        "feed_mm_min": round((15_500 if small else 20_500) / thickness_mm / 10) * 10,
        "gas_pressure_bar": round(0.55 + 0.006 * thickness_mm, 2),
        "focus_mm": round(4 + 0.22 * thickness_mm, 1),
        "nozzle_mm": 1.4 if thickness_mm < 20 else 1.8,
        "standoff_mm": 1.0 if thickness_mm < 25 else 1.4,
        "pierce_seconds": round(0.02 * thickness_mm ** (1.6 if small else 1.45), 1),
    }


def seconds_a_part(settings: dict[str, Any], *, cut_length_mm: float, pierces: int) -> float:
    """Return what a part takes by feed and pierce time alone: what is planned, and less than it takes."""
    return float(60 * cut_length_mm / settings["feed_mm_min"] + pierces * settings["pierce_seconds"])
