"""What must hold whatever the figures: more good parts, more confidence, thicker plate each move answers one way."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.stats.clustering import Effective
from worker.stats.demonstration import more_good, one_sided, trials_needed
from worker.stats.proportions import clopper_pearson, exact_bound, jeffreys, wilson
from worker.stats.starts import Plates, starts
from worker.stats.thickness_curve import CurvePoint, Tried, YieldCurve, band, yield_curve
from worker.stats.thickness_limit import ThicknessLimit, thickness_limit

#: As the door takes them, with six decimals: nearer to one half than that quantiles are rounding.
LEVELS = st.integers(500_000, 999_000).map(lambda millionths: millionths / 1e6)
MM = (8.0, 10.0, 12.5, 16.0, 20.0, 25.0)
#: Rounding of a limit, and of a thickness that is sought.
ROUNDING, SOUGHT = 1e-9, 1e-7


@st.composite
def effective_counts(draw: st.DrawFn) -> tuple[Effective, Effective]:
    """Counts, and the same with some bad parts turned good, at one design effect."""
    n = draw(st.floats(0.5, 300))
    few, many = sorted(draw(st.tuples(st.floats(0, 1), st.floats(0, 1))))
    effect, degrees = draw(st.floats(1, 8)), draw(st.one_of(st.none(), st.floats(1, 48)))
    clusters = draw(st.integers(1, 60))
    return Effective(few * n, n, effect, clusters, degrees), Effective(many * n, n, effect, clusters, degrees)


@st.composite
def curves(draw: st.DrawFn) -> YieldCurve:
    """A curve over what was tried at several thicknesses, clustered or not."""
    tried = []
    for mm in MM:
        n = draw(st.sampled_from((6, 20, 60)))
        tried.append(Tried(mm, Effective(draw(st.integers(0, n)) / 1.5, n / 1.5, 1.5, max(1, n // 6))))
    return yield_curve(tried)


def in_order(*values: float | None, rounding: float = ROUNDING) -> bool:
    """Each is known and no larger than the next."""
    known = [value for value in values if value is not None]
    return len(known) == len(values) and all(
        low <= high + rounding for low, high in zip(known, known[1:], strict=False)
    )


# --- more good parts --------------------------------------------------------------------------------------------


@given(effective_counts(), LEVELS)
def test_more_good_parts_never_lower_a_bound(pair: tuple[Effective, Effective], confidence: float) -> None:
    fewer, more = (one_sided(counts, confidence=confidence) for counts in pair)
    assert in_order(fewer.lower, more.lower)
    assert in_order(fewer.upper, more.upper)
    low, high = pair
    intervals: tuple[Callable[..., tuple[float, float] | None], ...] = (wilson, clopper_pearson, jeffreys)
    for interval in intervals:
        one, other = (interval(counts.x, counts.n, confidence=confidence) for counts in (low, high))
        assert one is not None
        assert other is not None
        assert in_order(one[0], other[0])
        assert in_order(one[1], other[1])


@given(effective_counts(), LEVELS, st.floats(0.1, 30))
def test_good_parts_that_are_added_never_lower_the_lower_bound(
    pair: tuple[Effective, Effective], confidence: float, more: float
) -> None:
    counts, _ = pair
    grown = Effective(counts.x + more, counts.n + more, counts.design_effect, counts.clusters, counts.degrees)
    before, after = (one_sided(each, confidence=confidence).lower for each in (counts, grown))
    assert in_order(before, after)


@settings(max_examples=50)
@given(effective_counts(), st.floats(0.5, 0.95), st.floats(0.5, 0.99))
def test_more_good_parts_never_ask_for_more_of_them(
    pair: tuple[Effective, Effective], reliability: float, confidence: float
) -> None:
    fewer, more = (more_good(counts, reliability=reliability, confidence=confidence).parts for counts in pair)
    assert fewer is None or in_order(more, fewer)


@settings(max_examples=20)
@given(effective_counts(), st.integers(1, 5), st.floats(0.5, 0.97))
def test_more_good_parts_in_the_past_never_ask_for_more_starts(
    pair: tuple[Effective, Effective], parts: int, assurance: float
) -> None:
    fewer, more = (starts(past, parts=parts, assurance=assurance, plates=Plates(4, 0.1)).started for past in pair)
    assert fewer is None or in_order(more, fewer)


@settings(max_examples=60)
@given(curves(), st.floats(0.5, 0.99), st.sampled_from((0.8, 0.95)), st.floats(0.1, 1))
def test_more_good_parts_at_every_thickness_never_lower_the_fitted_yield_of_all_together(
    curve: YieldCurve, target: float, confidence: float, share: float
) -> None:
    # A line may well turn: good parts on thin plate make it steeper. What the parts tried give together never falls.
    better = yield_curve(
        [
            Tried(row.thickness_mm, Effective(row.counts.x + share * (row.counts.n - row.counts.x), row.counts.n, 1.5))
            for row in curve.tried
        ]
    )
    if curve.fit is None or better.fit is None or curve.method != better.method:
        return

    def together(of: YieldCurve) -> float:
        points = band(of, list(MM), confidence=confidence)
        return math.fsum(row.counts.n * point.share for row, point in zip(of.tried, points, strict=True))

    assert together(curve) <= together(better) + 1e-6


@pytest.mark.parametrize("bad", [1e-3, 1e-5])
def test_a_curve_with_hardly_a_bad_part_has_a_band_and_lies_above_one_with_more(bad: float) -> None:
    # So near to separated that the way to a limit leads past places where a step is longer than a number can say
    tried, good = (4, 4, 40 / 3, 40 / 3, 40 / 3, 40), (4, 4, 14 / 3, 40 / 3, 0, 18)

    def points(kept: float) -> list[CurvePoint]:
        counts = zip(MM, tried, good, strict=True)
        curve = yield_curve([Tried(mm, Effective(n - kept * (n - x), n, 1.5)) for mm, n, x in counts])
        return list(band(curve, list(MM), confidence=0.95))

    few, more = points(bad), points(1.0)
    assert all(0 <= point.low <= point.share <= point.high <= 1 for point in few)
    assert all(point.share >= other.share for point, other in zip(few, more, strict=True))


# --- more confidence --------------------------------------------------------------------------------------------


@given(effective_counts(), LEVELS, LEVELS)
def test_more_confidence_never_narrows_an_interval(pair: tuple[Effective, Effective], one: float, other: float) -> None:
    (counts, _), (less, more) = pair, sorted((one, other))
    narrow, wide = (one_sided(counts, confidence=confidence) for confidence in (less, more))
    assert in_order(wide.lower, narrow.lower)
    assert in_order(narrow.upper, wide.upper)
    intervals: tuple[Callable[..., tuple[float, float] | None], ...] = (wilson, clopper_pearson, jeffreys)
    for interval in intervals:
        inner, outer = (interval(counts.x, counts.n, confidence=confidence) for confidence in (less, more))
        assert inner is not None
        assert outer is not None
        assert in_order(outer[0], inner[0], inner[1], outer[1])
    bounds = (exact_bound(counts.x, counts.n, side="lower", confidence=confidence) for confidence in (more, less))
    assert in_order(*bounds)


@given(st.floats(0.5, 0.98), st.floats(0.5, 0.98), st.floats(0.5, 0.98), st.integers(0, 2))
def test_more_reliability_or_confidence_never_takes_fewer_trials(
    one: float, other: float, fixed: float, failures: int
) -> None:
    less, more = sorted((one, other))
    for low, high in (
        ({"reliability": less, "confidence": fixed}, {"reliability": more, "confidence": fixed}),
        ({"reliability": fixed, "confidence": less}, {"reliability": fixed, "confidence": more}),
    ):
        assert in_order(*(trials_needed(**asked, failures_allowed=failures) for asked in (low, high)))


@settings(max_examples=20)
@given(effective_counts(), st.integers(1, 5), st.floats(0.5, 0.97), st.floats(0.5, 0.97))
def test_more_assurance_or_more_parts_never_take_fewer_starts(
    pair: tuple[Effective, Effective], parts: int, one: float, other: float
) -> None:
    (_, past), (less, more) = pair, sorted((one, other))
    asked = ((parts, less), (parts, more), (parts + 1, more))
    found = [starts(past, parts=n, assurance=share, plates=Plates(4, 0.1)).started for n, share in asked]
    known = [started for started in found if started is not None]
    # None is more than anyone starts.
    assert found[: len(known)] == known
    assert in_order(*known)


@settings(max_examples=60)
@given(curves(), st.floats(0.5, 0.99), LEVELS, LEVELS)
def test_more_confidence_never_narrows_the_limits_of_a_thickness(
    curve: YieldCurve, target: float, one: float, other: float
) -> None:
    less, more = sorted((one, other))
    narrow, wide = (thickness_limit(curve, target=target, confidence=confidence) for confidence in (less, more))
    assert narrow.thickness_mm == wide.thickness_mm
    for side, inside_first in (("low", False), ("promised", False), ("high", True)):
        inner, outer = _thickness(narrow, side), _thickness(wide, side)
        # A limit that is lost is wider, unless it only now comes within what was tried.
        if inner is not None and outer is not None:
            assert in_order(*((inner, outer) if inside_first else (outer, inner)), rounding=SOUGHT * 25)


def _thickness(limit: ThicknessLimit, side: str) -> float | None:
    found: float | None = getattr(limit, side).thickness_mm
    return found


# --- thicker plate ----------------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(curves(), LEVELS)
def test_thicker_plate_never_raises_the_fitted_yield(curve: YieldCurve, confidence: float) -> None:
    points = band(curve, [6.0, *MM, 40.0], confidence=confidence)
    shares = [point.share for point in points]
    if curve.reason is None:
        assert in_order(*reversed(shares))
    for point in points:
        assert in_order(0.0, point.low, point.share, point.high, 1.0)


@settings(max_examples=60)
@given(curves(), st.floats(0.5, 0.95), st.floats(0.5, 0.95))
def test_a_higher_target_never_allows_thicker_plate(curve: YieldCurve, one: float, other: float) -> None:
    less, more = sorted((one, other))
    easy, hard = (thickness_limit(curve, target=target, confidence=0.9) for target in (less, more))
    for side in ("estimate", "low", "high"):
        thick, thin = _thickness(easy, side), _thickness(hard, side)
        if thick is not None and thin is not None:
            assert in_order(thin, thick, rounding=SOUGHT * 25)
