"""Does the thickness at a yield of 90 % lie within its 90 % interval as often as it should, in shops of the demo?

The truth is the demo generator's: a logistic curve in ln(thickness) for each machine, which disturbed surfaces and old
cuts move down. What is asked is the code of report `limit`: the counts of the last weeks, their one correlation within
plates, one curve for each material on each machine, its profile limits.

An interval has two ends. One that lies beyond what was tried has no number: the interval is open there ("above the
thickest tried, 40 mm"), and holds the truth when that lies anywhere on that side of the other end. Where chance alone
may make the yield fall, there is no interval: such answers are refused, and counted apart.

Runs that end at a lost part leave the rest of the blank untried, on bad plates more often than on good ones. So parts
that were tried are a little better than plates are, in the demo as in a shop: by up to half a point on thick plate,
0.6 % of the thickness asked for. Of a long history that is seen in the lower limits.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Final

from demo.truth import MACHINES, Truth
from tests.calibrate.figures import Figure
from tests.calibrate.shop_parts import Group, Sums, parts_of
from tests.demo.shop_floor import shop_of
from worker.measures import FIRST_PASS
from worker.reports.thickness_yield import curve_of, shifted
from worker.stats.clustering import correlation
from worker.stats.thickness_limit import ThicknessLimit, thickness_limits

COVERS: Final = "limit: the 90 % interval of the 90 % thickness covers the truth"
FINITE_COVERS: Final = "limit: the same, of intervals with two ends"
FINITE: Final = "limit: intervals with two ends"
WRONG: Final = "limit: promised thicker than is true, of all answers"
REFUSED: Final = "limit: answers without an interval"
TARGET: Final = 0.9
CONFIDENCE: Final = 0.9
LEAST, MOST = 0.87, 0.93
#: What the confidence leaves on one side, and as many points more as are left to the intervals.
MOST_WRONG: Final = 0.13
CLEAN: Final = ("clean", "as_supplied")
DISTURBED: Final = ("disturbed", "as_supplied")
#: A condition with fewer plates says little of itself: its interval is open nearly always.
ENOUGH: Final = 10
WEEKS: Final = 8
#: Weeks of the long histories, and the windows that are asked of them.
LONG: Final = 26
WINDOWS: Final = (4, 13, 26)

#: (material, machine, surface group, thermal history).
Row = tuple[str, str, str, str]


@dataclass(frozen=True)
class Answer:
    """One row of a report, held against the truth.

    covers: None where it is refused, with the reason. is_finite: the interval has two ends. is_wrong: it promises more
    than is true.
    """

    row: Row
    weeks: int
    covers: bool | None
    is_finite: bool
    is_wrong: bool
    reason: str | None

    @property
    def machine(self) -> str:
        """The machine of the row."""
        return self.row[1]

    @property
    def condition(self) -> tuple[str, str]:
        """(surface group, thermal history)."""
        return self.row[2:]


def figures(seed: int, *, shops: int, long_shops: int) -> Iterator[Figure]:
    """Over so many shops of eight weeks, whose seeds follow each other, and some that have worked for half a year."""
    with ProcessPoolExecutor(2) as pool:
        short = pool.map(partial(_answers, weeks=WEEKS, windows=(WEEKS,)), range(seed, seed + shops), chunksize=4)
        long = pool.map(partial(_answers, weeks=LONG, windows=WINDOWS), range(seed, seed + long_shops))
        answers = [answer for of_shop in short for answer in of_shop]
        of_long = [answer for of_shop in long for answer in of_shop]
    for machine in MACHINES:
        mine = [answer for answer in answers if answer.machine == machine]
        clean = [answer for answer in mine if answer.condition == CLEAN]
        yield from _judged(clean, f"{machine}, clean plate as supplied, {WEEKS} weeks", (LEAST, MOST, MOST_WRONG))
        for material in sorted({answer.row[0] for answer in clean}):
            some = [answer for answer in clean if answer.row[0] == material]
            yield from _judged(some, f"{machine}, clean plate as supplied, {WEEKS} weeks, {material} alone")
        disturbed = [answer for answer in mine if answer.condition == DISTURBED]
        yield from _judged(disturbed, f"{machine}, disturbed surface, {WEEKS} weeks", (LEAST, None, MOST_WRONG))
        for weeks in WINDOWS:
            some = [a for a in of_long if (a.machine, a.condition, a.weeks) == (machine, CLEAN, weeks)]
            yield from _judged(some, f"{machine}, clean plate as supplied, {weeks} weeks")


def _judged(
    answers: Sequence[Answer], case: str, demanded: tuple[float | None, float | None, float | None] = (None,) * 3
) -> Iterator[Figure]:
    """demanded: least and most that cover, most that are wrong; None: nothing."""
    least, most, most_wrong = demanded
    told = [answer for answer in answers if answer.covers is not None]
    finite = [answer for answer in told if answer.is_finite]
    yield Figure(COVERS, case, (_share(answer.covers is True for answer in told),), len(told), least, most)
    yield Figure(FINITE_COVERS, case, (_share(answer.covers is True for answer in finite),), len(finite))
    yield Figure(FINITE, case, (_share(answer.is_finite for answer in told),), len(told))
    wrong = _share(answer.is_wrong for answer in answers)
    yield Figure(WRONG, case, (wrong,), len(answers), most=most_wrong)
    reasons = Counter(answer.reason for answer in answers if answer.covers is None)
    for reason, many in sorted(reasons.items(), key=lambda each: (-each[1], each[0] or "")):
        yield Figure(REFUSED, f"{case}: {reason}", (many / len(answers),), len(answers))


def _share(held: Iterable[bool]) -> float:
    known = list(held)
    return sum(known) / max(1, len(known))


def _answers(seed: int, *, weeks: int, windows: Sequence[int]) -> list[Answer]:
    """Every answer on clean plate, and on disturbed plate where there is enough, over the last so many weeks each."""
    shop = shop_of(seed, weeks=weeks)
    return [
        _held_against(shop.truth, row, limit, tried, window)
        for window in windows
        for row, (limit, tried) in limits_of(parts_of(shop, weeks=window), conditions=(CLEAN, DISTURBED)).items()
        if row[2:] == CLEAN or tried.clusters >= ENOUGH
    ]


@dataclass(frozen=True)
class TriedPlates:
    """What was tried of a row: thinnest and thickest plate, and how many plates."""

    thinnest_mm: float
    thickest_mm: float
    clusters: int


def limits_of(
    parts: Mapping[Group, Sums], *, conditions: Iterable[tuple[str, str]] | None = None
) -> dict[Row, tuple[ThicknessLimit, TriedPlates]]:
    """The limits of report `limit`, by row. conditions: those asked for; None: all that were tried."""
    pooled = correlation(FIRST_PASS.counts(sums) for sums in parts.values())
    curves: dict[tuple[str, str, str], dict[tuple[int, str, str], Sums]] = defaultdict(dict)
    for (material, machine, gas, nm, surface, history), sums in parts.items():
        curves[material, machine, gas][nm, surface, history] = sums
    found: dict[Row, tuple[ThicknessLimit, TriedPlates]] = {}
    for (material, machine, _), cells in sorted(curves.items()):
        curve = curve_of([(cell, FIRST_PASS.counts(sums)) for cell, sums in cells.items()], pooled=pooled)
        states = sorted({(surface, history) for _, surface, history in cells})
        asked = [state for state in states if conditions is None or state in conditions]
        limits = thickness_limits(
            curve, target=TARGET, confidence=CONFIDENCE, conditions=[shifted(*state) for state in asked]
        )
        for (surface, history), limit in zip(asked, limits, strict=True):
            some = {cell[0]: sums for cell, sums in cells.items() if cell[1:] == (surface, history)}
            clusters = sum(sums[FIRST_PASS.clusters] for sums in some.values())
            tried = TriedPlates(min(some) / 1e6, max(some) / 1e6, clusters)
            found[material, machine, surface, history] = limit, tried
    return found


def _held_against(truth: Truth, row: Row, limit: ThicknessLimit, tried: TriedPlates, weeks: int) -> Answer:
    _, machine, surface, history = row
    true_mm = truth.thickness_at(limit.target, machine=machine, surface_group=surface, thermal_history=history)
    span = span_of(limit, tried)
    promised = limit.promised.thickness_mm
    return Answer(
        row=row,
        weeks=weeks,
        covers=None if span is None else span[0] <= true_mm <= span[1],
        is_finite=limit.low.thickness_mm is not None and limit.high.thickness_mm is not None,
        is_wrong=promised is not None and promised > true_mm,
        reason=limit.low.reason if span is None else None,
    )


def span_of(limit: ThicknessLimit, tried: TriedPlates) -> tuple[float, float] | None:
    """From where to where the truth may lie by the interval, in mm; None where it is refused."""
    ends = []
    for bound, beyond in ((limit.low, (0.0, tried.thickest_mm)), (limit.high, (tried.thinnest_mm, math.inf))):
        if bound.thickness_mm is not None:
            ends.append(bound.thickness_mm)
        elif bound.reason is not None and bound.reason.startswith(("below the thinnest", "above the thickest")):
            ends.append(beyond[bound.reason.startswith("above")])
        else:
            return None
    return ends[0], ends[1]
