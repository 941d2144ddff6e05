"""Mean deviation and performance indices beside published figures."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from worker.stats.capability import (
    ALL_ALIKE,
    NO_TOLERANCE,
    NO_VALUES,
    ONE_VALUE,
    TOO_FEW,
    Deviations,
    mean_deviation,
    performance,
)

#: CAP-04 [read in stored copy]: test suite of R package qcc, test-capability.R; limits 9.9 and 10.1.
GROUPS = (10.0, 10.02, 9.98, 10.01, 10.03, 9.99, 10.01, 10.0, 9.97, 10.04, 10.02, 9.99)
#: MEAN-01 [read in stored copy]: R package EnvStats, ?elnormAlt, chromium data (USEPA 1992d, Highlight 8).
CHROMIUM = (10, 13, 20, 36, 41, 59, 67, 110, 110, 136, 140, 160, 200, 230, 1300)


def test_mean_01_upper_limit_by_student() -> None:
    values = Deviations.of(CHROMIUM)
    assert (values.mean, values.deviation) == pytest.approx((175.4667, 318.544), abs=6e-4)
    # One-sided 95 % is the upper limit of two-sided 90 %
    assert mean_deviation(values, confidence=0.9).high == pytest.approx(320.3304, abs=6e-5)


def test_cap_01_indices_of_a_mean_off_centre() -> None:
    # CAP-01 [read in stored copy]: NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2; n is ours
    found = performance(Deviations(50, 16 - 14, 2, 50.0), tolerance=6, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.0, 0.6667), abs=6e-5)


def test_cap_02_intervals_of_the_indices() -> None:
    # CAP-02 [read in stored copy]: Scrucca L (2004), R News 4/1, 11-17, piston rings; with the spread within groups,
    # which the formulas do not ask about
    rings = Deviations(125, 74.00118 - 74, 0.009887547, 125.0)
    found = performance(rings, tolerance=0.05, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.low, found.pp.value, found.pp.high) == pytest.approx((1.476, 1.686, 1.895), abs=1.1e-3)
    assert (found.ppk.low, found.ppk.value, found.ppk.high) == pytest.approx((1.433, 1.646, 1.859), abs=1.1e-3)
    # Those of one side only are 90 % limits there
    one_sided = performance(rings, tolerance=0.05, confidence=0.9).ppk
    assert one_sided is not None
    assert (one_sided.low, one_sided.high) == pytest.approx((1.467, 1.825), abs=1.1e-3)


def test_cap_04_pp_and_ppk() -> None:
    found = performance(Deviations.of(value - 10 for value in GROUPS), tolerance=0.1, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.low, found.pp.value, found.pp.high) == pytest.approx((0.949773, 1.612598, 2.27641), abs=5e-5)
    assert (found.ppk.low, found.ppk.value, found.ppk.high) == pytest.approx((0.864608, 1.531968, 2.199329), abs=5e-5)
    assert found.reason is None


@pytest.mark.parametrize(
    ("values", "reason"), [((), NO_VALUES), ((0.2,), ONE_VALUE), ((0.2, 0.2, 0.2), ALL_ALIKE), ((0.1,) * 3, ALL_ALIKE)]
)
def test_without_spread_there_is_a_mean_and_no_more(values: tuple[float, ...], reason: str) -> None:
    deviations = Deviations.of(values)
    mean, fit = mean_deviation(deviations, confidence=0.95), performance(deviations, tolerance=1, confidence=0.95)
    assert (mean.mean, mean.low, mean.high, mean.reason) == (values[0] if values else None, None, None, reason)
    assert (fit.pp, fit.ppk, fit.reason) == (None, None, reason)
    assert not mean.excludes_zero


@pytest.mark.parametrize("tolerance", [None, 0, -0.1])
def test_without_tolerance_there_is_no_index(tolerance: float | None) -> None:
    found = performance(Deviations.of(CHROMIUM), tolerance=tolerance, confidence=0.95)
    assert (found.pp, found.ppk, found.reason) == (None, None, NO_TOLERANCE)


def test_values_of_one_plate_count_for_fewer() -> None:
    alone, together = (Deviations.of([*CHROMIUM, *CHROMIUM], design_effect=effect) for effect in (1, 2))
    # Each value twice, for half: sqrt(29/28) is left, as the spread is over n - 1
    widened = mean_deviation(together, confidence=0.95)
    single = mean_deviation(Deviations.of(CHROMIUM), confidence=0.95)
    assert single.high is not None
    assert widened.high is not None
    assert widened.mean is not None
    assert single.mean is not None
    assert (widened.high - widened.mean) * math.sqrt(29 / 28) == pytest.approx(single.high - single.mean)
    assert mean_deviation(alone, confidence=0.95).high < widened.high  # type: ignore[operator]
    assert Deviations.of([0.1, 0.3], design_effect=1.5).reason == TOO_FEW
    assert Deviations.of([0.1, 0.3], design_effect=0.5).effective_n == 2


def test_sizes_equal_but_for_rounding_are_alike() -> None:
    # 0.18 and 0.18000000000000682
    assert Deviations.of([0.18, 250.18 - 250]).reason == ALL_ALIKE


def test_mean_that_lies_outside_the_tolerance_has_an_index_below_zero() -> None:
    found = performance(Deviations.of([1.1, 1.2, 1.3]), tolerance=1, confidence=0.95)
    assert found.ppk is not None
    assert found.ppk.high > found.ppk.value
    # (1 - 1.2) / (3 x 0.1)
    assert found.ppk.value == pytest.approx(-2 / 3)


VALUES = st.lists(st.floats(-100, 100), min_size=2, max_size=30)


@given(VALUES)
def test_mean_interval_is_that_of_scipy(values: list[float]) -> None:
    deviations = Deviations.of(values)
    found = mean_deviation(deviations, confidence=0.95)
    assert deviations.deviation is not None
    if found.low is None or found.high is None or deviations.deviation < 1e-6:
        return
    error = deviations.deviation / math.sqrt(len(values))
    low, high = stats.t.interval(0.95, len(values) - 1, loc=found.mean, scale=error)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9, abs=1e-9)
    assert found.excludes_zero == (low > 0 or high < 0)


@given(VALUES, st.floats(0.01, 50), st.floats(0.5, 0.999))
def test_indices_lie_within_their_limits_and_the_order_does_not_matter(
    values: list[float], tolerance: float, confidence: float
) -> None:
    found = performance(Deviations.of(values), tolerance=tolerance, confidence=confidence)
    assert found == performance(Deviations.of(reversed(values)), tolerance=tolerance, confidence=confidence)
    for index in (found.pp, found.ppk):
        assert (index is None) == (found.reason is not None)
        assert index is None or index.low <= index.value <= index.high
    if found.pp and found.ppk:
        assert found.ppk.value <= found.pp.value + 1e-12
        assert 0 <= found.pp.low < found.pp.high


def test_bissell_interval_covers_the_truth() -> None:
    # Normal, mean 0.2, sigma 0.1, tolerance 0.5: Ppk is 1; 2,000 series of 30
    chance = random.Random(20260301)
    covered = 0
    for _ in range(2000):
        found = performance(
            Deviations.of(chance.gauss(0.2, 0.1) for _ in range(30)), tolerance=0.5, confidence=0.95
        ).ppk
        assert found is not None
        covered += found.low <= 1 <= found.high
    assert 0.93 <= covered / 2000 <= 0.97
