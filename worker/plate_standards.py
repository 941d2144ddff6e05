"""Between which limits the thickness of a plate may lie by the standard that it is ordered to: EN 10029. Pure.

A tolerance class shifts one and the same width: A a part of it below nominal that grows with thickness, B 0.3 mm below,
C all of it above, D half of it to each side. So one class gives the others.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from typing import Final, Literal

Edition = Literal[1991, 2010]
Class = Literal["A", "B", "C", "D"]

#: By edition: from which nominal thickness in mm (inside) to the next, and how far class A reaches below and above
#: nominal, mm. 1991: read in a restatement for 4, 6, 8, 12 and 30 mm; the width at 20 and 40 mm too, its division from
#: memory. 2010: from memory, with widths that fit those of the other classes, as far as these are remembered.
_CLASS_A: Final[Mapping[Edition, tuple[tuple[float, float, float], ...]]] = {
    1991: ((3, 0.4, 0.8), (5, 0.4, 1.1), (8, 0.5, 1.2), (15, 0.6, 1.3), (25, 0.8, 1.4), (40, 1.0, 1.8)),
    2010: ((3, 0.3, 0.7), (5, 0.4, 0.8), (8, 0.5, 0.9), (15, 0.6, 1.0), (25, 0.7, 1.3), (40, 0.9, 1.7)),
}
#: Thicker plate has limits too; they are not held here.
_END_MM: Final = 80
#: How far class B reaches below nominal at any thickness, mm. From memory.
_CLASS_B_BELOW_MM: Final = 0.3
_CLASSES: Final[tuple[Class, ...]] = ("A", "B", "C", "D")


def thickness_deviations_mm(
    nominal_mm: float, *, tolerance_class: Class, edition: Edition = 2010
) -> tuple[float, float] | None:
    """(how far a plate may be thinner, as a number below 0; how far thicker), mm; None outside of 3 to 80 mm."""
    rows = _CLASS_A[edition]
    row = bisect_right([since for since, _, _ in rows], nominal_mm) - 1
    if row < 0 or nominal_mm >= _END_MM:
        return None
    _, below, above = rows[row]
    width = below + above
    lower = {"A": below, "B": _CLASS_B_BELOW_MM, "C": 0.0, "D": width / 2}[tolerance_class]
    return -lower, width - lower


def thickness_bounds_mm(nominal_mm: float) -> tuple[float, float] | None:
    """Least and most thickness that any class of either edition allows, mm; None outside of 3 to 80 mm."""
    found = [
        deviations
        for edition in _CLASS_A
        for tolerance_class in _CLASSES
        if (deviations := thickness_deviations_mm(nominal_mm, tolerance_class=tolerance_class, edition=edition))
    ]
    if not found:
        return None
    return nominal_mm + min(lower for lower, _ in found), nominal_mm + max(upper for _, upper in found)
