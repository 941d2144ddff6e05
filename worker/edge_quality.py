"""Cut quality after ISO 9013: ranges of u and Rz5, designations, scope, limit deviations of sizes.

All figures are computed from published restatements of ISO 9013; none of it says that a cut complies with it. Not
judged are the start and end of a cut, and sharp corners. u is the distance of two parallels that enclose the profile of
the cut face, Rz5 the mean of five peak-to-valley heights (not Ra).
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from worker.sentences import sentence

Edition = Literal[2002, 2017]
Process = Literal["laser", "plasma", "oxyfuel"]

#: What goes with every figure that is made here.
BASIS: Final = sentence("computed from published restatements of ISO 9013")

#: Limit = first + second x cut thickness (mm), of ranges 1 to 5: u in mm; of 1 to 4: Rz5 in micrometre.
_U_LIMITS: Final = ((0.05, 0.003), (0.15, 0.007), (0.4, 0.01), (0.8, 0.02), (1.2, 0.035))
_RZ5_LIMITS: Final = ((10.0, 0.6), (40.0, 0.8), (70.0, 1.2), (110.0, 1.8))
#: Of the limit: so far above it a reading is still at it.
_GUARD: Final = 1e-12


def u_limit_mm(u_range: int, *, thickness_mm: float) -> float:
    """Largest u of a range from 1 to 5 at a cut thickness, both in mm."""
    return _limit(_U_LIMITS, u_range, thickness_mm)


def rz5_limit_um(rz5_range: int, *, thickness_mm: float) -> float:
    """Largest Rz5, in micrometre, of a range from 1 to 4 at a cut thickness in mm."""
    return _limit(_RZ5_LIMITS, rz5_range, thickness_mm)


def u_range(u_mm: float, *, thickness_mm: float) -> int | None:
    """The smallest range, 1 to 5, whose limit u does not exceed; None when it is worse than the last."""
    return _range(_U_LIMITS, u_mm, thickness_mm)


def rz5_range(rz5_um: float, *, thickness_mm: float) -> int | None:
    """The smallest range, 1 to 4, whose limit Rz5 does not exceed; None when it is worse than the last."""
    return _range(_RZ5_LIMITS, rz5_um, thickness_mm)


def range_held(ranges: Iterable[int | None], *, share: float) -> int | None:
    """The smallest range that this share (0-1) of the cuts keep to, or do better.

    None when too many are outside all ranges (None), or there are none.
    """
    found = list(ranges)
    needed = share * len(found) * (1 - _GUARD)
    kept = sorted(one for one in found if one is not None)
    return next((one for place, one in enumerate(kept, start=1) if place >= needed), None)


def _limit(limits: tuple[tuple[float, float], ...], number: int, thickness_mm: float) -> float:
    if not 1 <= number <= len(limits):
        raise ValueError(f"range {number} is not one of 1 to {len(limits)}")
    first, second = limits[number - 1]
    return first + second * thickness_mm


def _range(limits: tuple[tuple[float, float], ...], reading: float, thickness_mm: float) -> int | None:
    for number, (first, second) in enumerate(limits, start=1):
        if reading <= (first + second * thickness_mm) * (1 + _GUARD):
            return number
    return None


@dataclass(frozen=True, slots=True)
class Designation:
    """A cut quality as drawings give it: ranges and tolerance class, each None where it is not specified."""

    u_range: int | None
    rz5_range: int | None
    tolerance_class: int | None
    edition: Edition | None = None

    @classmethod
    def parse(cls, text: str) -> Designation | None:
        """From `ISO 9013-342` or `ISO 9013-342:2017`: u range, Rz5 range, tolerance class; 0 is not specified.

        None when the text is no such designation, or names an edition other than 2002 and 2017.
        """
        found = _DESIGNATION.fullmatch(text)
        if found is None:
            return None
        u, rz5, tolerance = (int(digit) or None for digit in found.group("u", "rz5", "tolerance"))
        return cls(u, rz5, tolerance, _EDITIONS[found["edition"]])

    def __str__(self) -> str:
        digits = "".join(str(one or 0) for one in (self.u_range, self.rz5_range, self.tolerance_class))
        return f"ISO 9013-{digits}" + (f":{self.edition}" if self.edition else "")


_DESIGNATION: Final = re.compile(r"ISO 9013-(?P<u>[0-5])(?P<rz5>[0-4])(?P<tolerance>[0-2])(?::(?P<edition>2002|2017))?")
_EDITIONS: Final[Mapping[str | None, Edition | None]] = {None: None, "2002": 2002, "2017": 2017}

#: From and to which thickness in mm, both included, an edition speaks of a process. 2017 for all three, 2002 for laser:
#: read; plasma and oxyfuel in 2002: not read, so not given.
_SCOPE: Final[Mapping[tuple[Edition, Process], tuple[float, float]]] = {
    (2002, "laser"): (0.5, 40.0),
    (2017, "laser"): (0.5, 32.0),
    (2017, "plasma"): (0.5, 150.0),
    (2017, "oxyfuel"): (3.0, 300.0),
}


def in_scope(thickness_mm: float, *, edition: Edition, process: Process = "laser") -> bool | None:
    """Whether the edition speaks of cuts of this thickness by this process; None where its scope was not read."""
    bounds = _SCOPE.get((edition, process))
    return None if bounds is None else bounds[0] * (1 - _GUARD) <= thickness_mm <= bounds[1] * (1 + _GUARD)


@dataclass(frozen=True, slots=True)
class LimitDeviation:
    """By how many mm, plus and minus, a size may differ; None with the reason. The edition goes with the figure."""

    plus_minus_mm: float | None
    tolerance_class: int
    edition: Edition
    reason: str | None = None


NOT_HELD: Final = sentence("the table of this tolerance class, edition and thickness is not held")
NO_SUCH_SIZE: Final = sentence("the table has no value for this size at this thickness")

#: Nominal sizes in mm: a column is below its bound, and from the one before it on.
_SIZES_BELOW: Final = (3, 10, 35, 125, 315, 1000, 2000, 4000, 6000, 8000)
#: By tolerance class, edition 2017: up to and including which thickness in mm a row goes, and its deviations. The last
#: stands in the last column; a row of fewer begins further right. Read in published restatements, class 2 in one and up
#: to 20 mm only; not in the standard itself.
_DEVIATIONS: Final[Mapping[int, tuple[tuple[float, tuple[float, ...]], ...]]] = {
    1: (
        (1, (0.075, 0.1, 0.1, 0.2, 0.2, 0.3, 0.4, 0.65, 0.9, 1.6)),
        (3.15, (0.1, 0.15, 0.2, 0.25, 0.25, 0.35, 0.4, 0.65, 1.0, 1.75)),
        (6.3, (0.2, 0.2, 0.25, 0.25, 0.3, 0.4, 0.45, 0.7, 1.1, 1.9)),
        (10, (0.25, 0.3, 0.3, 0.35, 0.45, 0.55, 0.75, 1.25, 2.2)),
        (15, (0.3, 0.35, 0.4, 0.45, 0.55, 0.65, 0.85, 1.5, 2.5)),
        (20, (0.4, 0.4, 0.45, 0.55, 0.75, 0.85, 1.2, 1.9, 2.8)),
        (25, (0.45, 0.5, 0.6, 0.7, 0.9, 1.1, 1.6, 2.4, 3.25)),
        (32, (0.7, 0.7, 0.8, 1.0, 1.6, 2.25, 3.0, 4.0)),
        (50, (0.7, 0.7, 0.8, 1.0, 1.6, 2.5, 3.8, 5.0)),
        (100, (1.3, 1.3, 1.4, 1.7, 2.2, 3.1, 4.4, 5.6)),
    ),
    2: (
        # Up to 1 mm two values are missing from what was read, so that their columns are not known
        (1, ()),
        (3.15, (0.6, 0.6, 0.7, 0.7, 0.8, 0.9, 1.0, 1.1, 1.4, 1.4)),
        (6.3, (0.7, 0.8, 0.9, 0.9, 1.1, 1.2, 1.3, 1.3, 1.6, 1.6)),
        (10, (1.0, 1.1, 1.3, 1.4, 1.5, 1.6, 1.7, 1.9, 2.0)),
        (15, (1.8, 1.8, 1.8, 1.9, 2.3, 3.0, 4.2, 4.3, 4.5)),
        (20, (1.8, 1.8, 1.8, 1.9, 2.3, 3.0, 4.2, 4.3, 4.5)),
    ),
}


def limit_deviation(
    nominal_mm: float, *, thickness_mm: float, tolerance_class: int, edition: Edition = 2017
) -> LimitDeviation:
    """By how much a size of this nominal may differ, at a cut thickness, where a drawing asks for a tolerance class.

    Rows go over one thickness and up to the next, columns from one size to below the next. Only what was read is given:
    edition 2017, class 1 up to 100 mm thick, class 2 from over 1 to 20 mm; other editions have other values.
    """
    rows = _DEVIATIONS.get(tolerance_class, ()) if edition == 2017 else ()
    row = bisect_left([upto for upto, _ in rows], thickness_mm * (1 - _GUARD))
    deviations = rows[row][1] if row < len(rows) and thickness_mm > 0 else ()
    if not deviations:
        return LimitDeviation(None, tolerance_class, edition, NOT_HELD)
    column = bisect_right(_SIZES_BELOW, nominal_mm) - (len(_SIZES_BELOW) - len(deviations))
    if nominal_mm <= 0 or not 0 <= column < len(deviations):
        return LimitDeviation(None, tolerance_class, edition, NO_SUCH_SIZE)
    return LimitDeviation(deviations[column], tolerance_class, edition)
