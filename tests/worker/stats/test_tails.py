"""Exact tails beside another library, and what must hold of the normal scores."""

from __future__ import annotations

import math
import random

import pytest
from scipy.stats import betabinom, binom, norm

from worker.stats.tails import at_least, at_least_like, at_most, normal_score

SHARES = (0.001, 0.02, 0.3, 0.5, 0.9)


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("n", [1, 2, 7, 50, 400])
def test_tails_of_whole_counts_are_those_of_the_binomial(n: int, share: float) -> None:
    for x in {0, 1, n // 3, n // 2, n}:
        assert at_least(x, n, share) == pytest.approx(binom.sf(x - 1, n, share), rel=1e-9, abs=1e-300)
        assert at_most(x, n, share) == pytest.approx(binom.cdf(x, n, share), rel=1e-9, abs=1e-300)


@pytest.mark.parametrize("share", SHARES)
def test_normal_score_is_the_quantile_of_the_mid_p_tail(share: float) -> None:
    for x in range(21):
        below = binom.cdf(x - 1, 20, share) + binom.pmf(x, 20, share) / 2
        if 1e-9 < below < 1 - 1e-9:
            assert normal_score(x, 20, share) == pytest.approx(norm.ppf(below), abs=1e-6)


def test_normal_scores_are_finite_grow_with_x_and_mirror() -> None:
    rng = random.Random(2)
    for _ in range(3000):
        n, share = rng.choice((0.3, 1.0, 7.5, 100.0, 1e6)) * (0.1 + rng.random()), rng.choice((1e-9, *SHARES))
        x = n * rng.choice((0.0, 1.0, rng.random()))
        score = normal_score(x, n, share)
        assert math.isfinite(score)
        assert score == pytest.approx(-normal_score(n - x, n, 1 - share), rel=1e-5, abs=1e-6)
        assert normal_score(min(n, x + 0.1 * n), n, share) >= score - 1e-9


def test_normal_score_of_large_counts_is_their_z() -> None:
    n, share = 1e6, 0.1
    for z in (-3, -1, 0, 1, 3):
        assert normal_score(n * share + z * math.sqrt(n * share * 0.9), n, share) == pytest.approx(z, abs=0.01)


def test_chances_after_a_past_are_those_of_the_beta_binomial() -> None:
    rng = random.Random(3)
    for _ in range(300):
        n = rng.randint(1, 200)
        k, bad, good = rng.randint(0, n), rng.uniform(0.5, 300), rng.uniform(0.5, 300)
        expected = float(betabinom.sf(k - 1, n, bad, good))
        assert at_least_like(k, n, bad, good) == pytest.approx(expected, rel=1e-9, abs=1e-10)
