"""Amounts per size over clusters, beside what they must be and beside simulated truth."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from scipy import stats

from worker.stats.ratios import (
    NONE_SO_FAR,
    NOTHING_MEASURED,
    ONE_CLUSTER,
    SENSELESS,
    Limits,
    Rate,
    difference_of,
    limits_of,
    quotient_of,
    rate_of,
    weighted_rate,
)

PLATES = [(110.0, 10.0), (95.0, 10.0), (64.0, 6.0), (130.0, 11.0), (70.0, 7.0)]


def test_a_rate_is_the_sum_over_the_sum_with_the_variance_of_a_ratio_estimator() -> None:
    rate = rate_of(PLATES)
    assert rate is not None
    amounts, sizes = np.array(PLATES).T
    residuals = amounts - amounts.sum() / sizes.sum() * sizes
    k = len(PLATES)
    assert rate.rate == pytest.approx(amounts.sum() / sizes.sum(), rel=1e-14)
    # Cochran (1977), section 6.3, without the finite correction: var R = k / (k - 1) sum of e^2 / (sum of sizes)^2.
    assert rate.variance * rate.rate**2 == pytest.approx(k / (k - 1) * (residuals**2).sum() / sizes.sum() ** 2)
    found = limits_of(rate, confidence=0.95)
    spread = stats.t.ppf(0.975, rate.degrees) * math.sqrt(rate.variance or 0)
    assert (found.low, found.high) == pytest.approx((rate.rate * math.exp(-spread), rate.rate * math.exp(spread)))


def test_plates_of_one_size_are_the_mean_of_their_rates() -> None:
    amounts = [12.0, 15.0, 11.0, 14.0, 13.0, 10.5]
    rate = rate_of([(amount, 4.0) for amount in amounts])
    assert rate is not None
    assert rate.rate == pytest.approx(np.mean(amounts) / 4)
    assert math.sqrt(rate.variance or 0) * rate.rate == pytest.approx(stats.sem(amounts) / 4)
    # Flat tails: the degrees of freedom of a mean.
    assert rate.degrees == 5


def test_any_order_gives_the_same_to_the_last_bit() -> None:
    assert {rate_of(Random(seed).sample(PLATES, len(PLATES))) for seed in range(20)} == {rate_of(PLATES)}


def test_what_cannot_be_told_is_none_with_a_reason() -> None:
    assert rate_of([]) is None
    assert limits_of(None, confidence=0.95) == Limits(None, None, None, NOTHING_MEASURED)
    assert limits_of(rate_of([(10, 2)]), confidence=0.95) == Limits(5, None, None, ONE_CLUSTER)
    assert quotient_of(rate_of([(10, 2)]), rate_of(PLATES), confidence=0.95).reason == ONE_CLUSTER
    assert quotient_of(rate_of([(0, 2)]), rate_of(PLATES), confidence=0.95).value is None
    assert weighted_rate([]) is None
    wide = limits_of(rate_of([(1, 1), (900, 1)]), confidence=0.95)
    assert (wide.high, wide.reason) == (None, SENSELESS)


def test_none_so_far_has_an_upper_limit_that_shrinks_with_the_plates() -> None:
    highs = [limits_of(rate_of([(0, 5)] * k), confidence=0.95, usual=2.0).high for k in (2, 10, 100)]
    assert highs == sorted(highs, key=lambda high: -(high or 0))
    # Wilson's limit of 0 of 10 is 27.75 %.
    assert highs[1] == pytest.approx(0.2775 * 2, abs=1e-3)
    alone = limits_of(rate_of([(0, 5)] * 4), confidence=0.95)
    assert (alone.value, alone.low, alone.high, alone.reason) == (0, 0, None, NONE_SO_FAR)


def test_strata_are_weighted_and_one_of_a_single_plate_borrows_the_spread_of_the_others() -> None:
    many, single = rate_of(PLATES), rate_of([(33.0, 3.0)])
    assert many is not None
    assert single is not None
    whole = weighted_rate([(3.0, many), (1.0, single)])
    assert whole is not None
    assert whole.rate == pytest.approx(0.75 * many.rate + 0.25 * 11)
    of_one_plate = 5 * (many.variance or 0)
    expected = (0.75 * many.rate / whole.rate) ** 2 * (many.variance or 0) + (
        0.25 * 11 / whole.rate
    ) ** 2 * of_one_plate
    assert whole.variance == pytest.approx(expected)
    assert whole.degrees <= many.degrees + 4
    assert weighted_rate([(1.0, single)]) == Rate(11.0, 1, None, 0.0)


def test_a_quotient_and_its_inverse_have_inverse_limits() -> None:
    other = rate_of([(50.0, 10.0), (48.0, 9.0), (55.0, 10.0)])
    one, back = (quotient_of(*pair, confidence=0.9) for pair in ((rate_of(PLATES), other), (other, rate_of(PLATES))))
    assert (one.value, one.low, one.high) == pytest.approx((1 / back.value, 1 / back.high, 1 / back.low))  # type: ignore[operator]


def test_a_difference_adds_the_squares_of_the_distances() -> None:
    found = difference_of(Limits(5.0, 4.0, 7.0), Limits(3.0, 1.5, 4.0))
    assert found == Limits(2.0, 2.0 - math.hypot(1, 1), 2.0 + math.hypot(2, 1.5))
    assert found.excludes(0.0)
    assert not found.excludes(2.0)
    half = difference_of(Limits(5.0, 4.0, None), Limits(3.0, 2.0, 4.0))
    assert (half.low is None, half.high) == (False, None)


@pytest.mark.parametrize("confidences", [(0.5, 0.8), (0.8, 0.95), (0.95, 0.999)], ids=str)
def test_more_confidence_never_narrows_an_interval(confidences: tuple[float, float]) -> None:
    rate = rate_of(PLATES)
    narrow, wide = (limits_of(rate, confidence=confidence) for confidence in confidences)
    assert (wide.low or 0) < (narrow.low or 0) < (narrow.high or 0) < (wide.high or 0)


@pytest.mark.parametrize(("plates", "share"), [(12, 0.4), (25, 0.15), (60, 0.4)], ids=str)
def test_intervals_hold_the_truth_of_skewed_rework(plates: int, share: float) -> None:
    chance = np.random.default_rng(7)
    truth, held, told = share * 0.4 * math.exp(1.5 + 0.6**2 / 2), 0, 0
    for _ in range(400):
        parts = chance.integers(3, 13, plates)
        each = chance.binomial(parts, 0.4) * chance.lognormal(1.5, 0.6, plates)
        minutes = np.where(chance.random(plates) < share, each, 0)
        found = limits_of(rate_of(list(zip(minutes.tolist(), parts.tolist(), strict=True))), confidence=0.95)
        if found.low:
            told += 1
            held += found.low <= truth and (found.high is None or truth <= found.high)
    assert 0.91 <= held / told <= 1
