"""Rules that tell a signal from noise in a series of z scores in time order.

Nelson LS (1984), The Shewhart control chart - tests for special causes, J. Quality Technology 16, 237-239. A point
fires a rule when the window that ends with it is complete and shows the pattern; a limit is passed, never met.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Final

from worker.stats.charts import Chart, ChartPoint
from worker.stats.tails import at_least, at_most

GUARD: Final = 1e-12

Window = Sequence[float]


@dataclass(frozen=True, slots=True)
class Signal:
    """A pattern from its first to its last point: indices into the series; windows that overlap are one signal."""

    rule: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A point beyond 3 sigma whose next point lies far out on the same side.

    side: 1 above the centre, -1 below. p_value: that of the pair by chance, over both sides and all pairs of its chart.
    """

    index: int
    confirmed_by: int
    side: int
    p_value: float


def beyond(z: Window, *, sigmas: float, needed: int = 1) -> bool:
    """Do at least `needed` points, the last among them, lie more than so many sigmas out on one side?"""
    side = math.copysign(1.0, z[-1])
    return z[-1] * side > sigmas + GUARD and sum(value * side > sigmas + GUARD for value in z) >= needed


def one_side(z: Window) -> bool:
    """Do all points lie on one side of the centre, none on it?"""
    return all(value > GUARD for value in z) or all(value < -GUARD for value in z)


def steady(z: Window) -> bool:
    """Does each point lie higher than the one before it, or each lower?"""
    steps = _steps(z)
    return all(step > GUARD for step in steps) or all(step < -GUARD for step in steps)


def alternating(z: Window) -> bool:
    """Do the points go up and down in turn?"""
    steps = _steps(z)
    return abs(steps[0]) > GUARD and all(
        abs(after) > GUARD and (before > 0) != (after > 0) for before, after in zip(steps, steps[1:], strict=False)
    )


def hugging(z: Window) -> bool:
    """Do all points lie within 1 sigma?"""
    return all(abs(value) < 1 - GUARD for value in z)


def avoiding(z: Window) -> bool:
    """Do all points lie beyond 1 sigma, some on each side?"""
    return all(abs(value) > 1 + GUARD for value in z) and not one_side(z)


#: Nelson's tests: points in a window, and the pattern that it must show.
NELSON: Final[dict[int, tuple[int, Callable[[Window], bool]]]] = {
    1: (1, lambda z: beyond(z, sigmas=3)),
    2: (9, one_side),
    3: (6, steady),
    4: (14, alternating),
    5: (3, lambda z: beyond(z, sigmas=2, needed=2)),
    6: (5, lambda z: beyond(z, sigmas=1, needed=4)),
    7: (15, hugging),
    8: (8, avoiding),
}
#: The rules that also hold for skewed points, of which fewer than 5 are expected to fail.
FOR_SPARSE: Final = frozenset({1, 2})


def ends(z: Sequence[float], *, window: int, shows: Callable[[Window], bool]) -> list[int]:
    """Indices of the points that end a complete window which shows the pattern."""
    return [last for last in range(window - 1, len(z)) if shows(z[last - window + 1 : last + 1])]


def signals(
    z: Sequence[float], *, rules: Collection[int] = (1, 2, 3, 4), sparse: Sequence[bool] | None = None
) -> tuple[Signal, ...]:
    """Signals of Nelson's rules in a series, in the order of their rules, then of time.

    sparse: which points are too skewed for rules other than 1 and 2; no window with such a point fires those.
    """
    found: list[Signal] = []
    for rule in sorted(rules):
        window, shows = NELSON[rule]
        lasts = ends(z, window=window, shows=shows)
        if sparse is not None and rule not in FOR_SPARSE:
            lasts = [last for last in lasts if not any(sparse[last - window + 1 : last + 1])]
        found.extend(_joined(rule, window, lasts, z))
    return tuple(found)


def chart_signals(chart: Chart, *, rules: Collection[int] = (1, 2, 3, 4)) -> tuple[Signal, ...]:
    """Signals of Nelson's rules on a chart, with the indices of its points; none where it has no limits."""
    points = [point for point in chart.points if point.z is not None]
    series = [point.z for point in points if point.z is not None]
    found = signals(series, rules=rules, sparse=[point.sparse for point in points])
    return tuple(Signal(signal.rule, points[signal.first].index, points[signal.last].index) for signal in found)


def confirmed(chart: Chart, *, first: float = 3.0, confirming: float = 2.0) -> tuple[Confirmation, ...]:
    """Points beyond `first` sigma whose next point lies beyond `confirming` sigma on the same side, in time order.

    Both must be as unlikely by the exact binomial tail as a normal value so far out, since small counts are skewed. So
    a pair in control is confirmed with a probability of at most twice the product of the two normal tails: 6.1e-5 for
    3 and 2. p_value combines the two tails as Fisher did, R. A. (1925), Statistical Methods for Research Workers.
    """
    if chart.centre is None or not chart.sigma_z:
        return ()
    pairs = list(zip(chart.points, chart.points[1:], strict=False))
    found = []
    for point, following in pairs:
        side = 1 if (point.z or 0.0) > 0 else -1
        tail = _tail(point, chart.centre, chart.sigma_z, side)
        next_tail = _tail(following, chart.centre, chart.sigma_z, side)
        if _far(point, tail, first, side) and _far(following, next_tail, confirming, side):
            p_value = min(1.0, 2 * len(pairs) * _product_tail(tail * next_tail))
            found.append(Confirmation(point.index, following.index, side, p_value))
    return tuple(found)


def _steps(z: Window) -> list[float]:
    return [after - before for before, after in zip(z, z[1:], strict=False)]


def _joined(rule: int, window: int, lasts: Sequence[int], z: Sequence[float]) -> list[Signal]:
    """Windows that end point after point as one signal; a change of side begins another."""
    joined: list[Signal] = []
    for last in lasts:
        before = joined[-1] if joined else None
        goes_on = before is not None and before.last == last - 1
        if before is not None and goes_on and (window > 1 or (z[last] > 0) == (z[last - 1] > 0)):
            joined[-1] = Signal(rule, before.first, last)
        else:
            joined.append(Signal(rule, last - window + 1, last))
    return joined


def _far(point: ChartPoint, tail: float, sigmas: float, side: int) -> bool:
    from scipy.special import ndtr

    return point.z is not None and point.z * side > sigmas + GUARD and tail <= float(ndtr(-sigmas)) + GUARD


def _tail(point: ChartPoint, centre: float, sigma_z: float, side: int) -> float:
    """Probability of so many failures or more (side 1), or so few or fewer (side -1), of effective counts."""
    x, n = point.x / sigma_z**2, point.n / sigma_z**2
    return at_least(x, n, centre) if side > 0 else at_most(x, n, centre)


def _product_tail(product: float) -> float:
    """Probability that the product of two independent uniform values is no larger."""
    return 0.0 if product <= 0 else product * (1 - math.log(product))
