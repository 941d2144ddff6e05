"""What the inspector measures on a part: edge roughness, squareness, dross and sizes.

Rz5 scatters log-normally (sigma 0.18) around 25 + 1.9 a micrometres and u around 0.1 + 0.009 a mm, where a is the
thickness in mm; sizes normally (0.1 mm) around nominal and the machine's offset.
"""

from __future__ import annotations

import random
from typing import Any

from demo.cuts import Cut
from demo.orders import Part


def measured(rng: random.Random, cut: Cut, *, size_offset_mm: float) -> dict[str, Any]:
    """Return the measurements that an inspection of the cut gives; often none."""
    data: dict[str, Any] = {}
    thickness_mm = cut.plate.thickness.mm
    if rng.random() < 0.35:
        places = range(rng.randint(1, 3))
        data["rz5_um"] = [round((25 + 1.9 * thickness_mm) * rng.lognormvariate(0, 0.18), 1) for _ in places]
        data["u_mm"] = [round((0.1 + 0.009 * thickness_mm) * rng.lognormvariate(0, 0.18), 3) for _ in places]
    if rng.random() < 0.2:
        dross = 1.4 if "slag_lower_edge" in cut.terms("rework") else 0.25
        data["dross_mm"] = round(dross * rng.lognormvariate(0, 0.3), 2)
    if rng.random() < 0.25:
        data["sizes"] = _sizes(rng, cut.piece.job.part, size_offset_mm=size_offset_mm)
    return data


def _sizes(rng: random.Random, part: Part, *, size_offset_mm: float) -> list[dict[str, Any]]:
    features = [("outside", part.long_mm, size_offset_mm), ("outside", part.wide_mm, size_offset_mm)]
    if part.holes:
        features.append(("inside", part.hole_mm, -size_offset_mm))
    if part.holes > 1:
        features.append(("distance", part.pitch_mm, 0.0))
    return [
        {"feature": feature, "nominal_mm": nominal, "measured_mm": round(nominal + offset + rng.gauss(0, 0.1), 2)}
        for feature, nominal, offset in features
    ]
