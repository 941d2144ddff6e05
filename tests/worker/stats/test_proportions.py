"""Wilson's interval beside two other libraries, and what must hold of it everywhere."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm

from worker.stats.proportions import normal_quantile, wilson

with warnings.catch_warnings():
    # What the library imports may warn of its own dependencies.
    warnings.simplefilter("ignore")
    from statsmodels.stats.proportion import proportion_confint

SIZES = (1, 2, 3, 7, 20, 50, 263, 1_000, 100_000)
GRID = sorted({(x, n) for n in SIZES for x in (0, 1, n // 3, n // 2, n - 1, n)})
CONFIDENCES = (0.5, 0.8, 0.9, 0.95, 0.99, 0.998, 0.9999)


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_wilson_agrees_with_scipy_over_a_grid(confidence: float) -> None:
    for x, n in GRID:
        found = wilson(x, n, confidence=confidence)
        expected = binomtest(x, n).proportion_ci(confidence, method="wilson")
        assert found == pytest.approx((expected.low, expected.high), abs=1e-12), (x, n)


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_wilson_agrees_with_statsmodels_over_a_grid(confidence: float) -> None:
    for x, n in GRID:
        found = wilson(x, n, confidence=confidence)
        assert found == pytest.approx(proportion_confint(x, n, 1 - confidence, "wilson"), abs=1e-12), (x, n)


def test_wilson_of_nothing_is_none() -> None:
    assert wilson(0, 0, confidence=0.95) is None


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize("n", SIZES)
def test_wilson_limits_are_exactly_0_at_none_and_exactly_1_at_all(n: int, confidence: float) -> None:
    # Their formula: z2 / (n + z2), with z2 the square of the normal quantile
    z2 = norm.ppf((1 + confidence) / 2) ** 2
    assert wilson(0, n, confidence=confidence) == (0.0, pytest.approx(z2 / (n + z2), abs=1e-12))
    assert wilson(n, n, confidence=confidence) == (pytest.approx(n / (n + z2), abs=1e-12), 1.0)


COUNTS = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
LEVELS = st.floats(0.5, 0.9999)


@given(COUNTS, LEVELS)
def test_wilson_limits_lie_in_0_to_1_and_hold_the_share(counts: tuple[int, int], confidence: float) -> None:
    x, n = counts
    limits = wilson(x, n, confidence=confidence)
    assert limits is not None
    assert 0 <= limits[0] <= x / n <= limits[1] <= 1


@given(COUNTS, LEVELS)
def test_wilson_of_failures_mirrors_that_of_successes(counts: tuple[int, int], confidence: float) -> None:
    x, n = counts
    good, bad = wilson(x, n, confidence=confidence), wilson(n - x, n, confidence=confidence)
    assert good is not None
    assert bad is not None
    assert good == pytest.approx((1 - bad[1], 1 - bad[0]), abs=1e-12)


@given(COUNTS, LEVELS, LEVELS)
def test_wilson_widens_with_confidence(counts: tuple[int, int], one: float, other: float) -> None:
    x, n = counts
    narrow = wilson(x, n, confidence=min(one, other))
    wide = wilson(x, n, confidence=max(one, other))
    assert narrow is not None
    assert wide is not None
    assert wide[0] <= narrow[0] + 1e-12
    assert narrow[1] <= wide[1] + 1e-12


@given(st.floats(0.01, 1000), st.floats(0, 1))
def test_wilson_takes_effective_counts_that_are_no_whole_numbers(n: float, share: float) -> None:
    limits = wilson(min(n, n * share), n, confidence=0.95)
    assert limits is not None
    assert all(math.isfinite(limit) and 0 <= limit <= 1 for limit in limits)


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_normal_quantile_is_two_sided(confidence: float) -> None:
    assert normal_quantile(confidence) == pytest.approx(norm.ppf((1 + confidence) / 2), abs=1e-12)
