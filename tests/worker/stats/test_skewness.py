"""Skewness of plates beside scipy's beta-binomial, and the quantile for it."""

from __future__ import annotations

import pytest
from scipy.stats import betabinom

from worker.stats.clustering import Effective
from worker.stats.skewness import cautious, surplus_skewness


@pytest.mark.parametrize(("size", "share", "alike"), [(12, 0.9, 0.12), (3, 0.3, 0.4), (12, 0.97, 0.3), (2, 0.5, 0.9)])
def test_surplus_is_that_of_beta_binomial_plates_over_the_scaled_binomial(
    size: int, share: float, alike: float
) -> None:
    plates, scale = 5, (1 - alike) / alike
    inflation = 1 + (size - 1) * alike
    counts = Effective(0.0, plates * size / inflation, inflation, plates)
    variance, skewness = (float(v) for v in betabinom(size, share * scale, (1 - share) * scale).stats(moments="vs"))
    # Third cumulants of counts divided by the design effect; a variance of n p q scales them.
    of_plates = plates * skewness * variance**1.5 / inflation**3
    scaled = counts.n * share * (1 - share)
    expected = (of_plates - scaled * (1 - 2 * share)) / scaled**1.5
    assert surplus_skewness([(1.0, share, counts)]) == pytest.approx(expected, abs=1e-12)
    assert surplus_skewness([(-2.0, share, counts)]) == pytest.approx(-expected, abs=1e-12)


def test_independent_parts_have_no_surplus() -> None:
    assert surplus_skewness([(1.0, 0.9, Effective(18.0, 20.0, 1.0, 20)), (2.0, 0.5, Effective(3.0, 6.0))]) == 0.0


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_what_never_varies_has_no_surplus(share: float) -> None:
    assert surplus_skewness([(1.0, share, Effective(5.0, 5.0, 2.0, 2))]) == 0.0
    assert surplus_skewness([]) == 0.0


def test_only_a_tail_to_the_left_widens() -> None:
    assert cautious(1.645, 0.3) == 1.645
    # 2 * 2^2 + 1 = 9; 9 * 0.2 / 6 = 0.3
    assert cautious(2.0, -0.2) == pytest.approx(2.3)
