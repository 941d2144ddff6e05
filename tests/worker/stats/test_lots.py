"""Funnels beside published figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from worker.stats.clustering import Clustered
from worker.stats.lots import LEAST_P, MOST_TERMS, NO_OTHERS, TOO_FEW, _convolved, funnel, poisson_limits


def test_fun_01_exact_poisson_limits() -> None:
    # FUN-01 [read in stored copy]: Spiegelhalter DJ (2005), Statistics in Medicine 24; R package FunnelPlotR
    assert poisson_limits(15, confidence=0.95) == pytest.approx((0.5596924, 1.649348), abs=6e-7)
    assert poisson_limits(30, confidence=0.998) == pytest.approx((0.5289724, 1.702771), abs=6e-7)


def test_bad_lot_is_alarming_and_small_or_lonely_ones_are_not_judged() -> None:
    lots = {f"h{i}": {20: Clustered.of([(1, 10)] * 4)} for i in range(8)}
    lots |= {
        "bad": {20: Clustered.of([(7, 10)] * 4)},
        "few": {20: Clustered.singly(1, 3)},
        "lone": {99: Clustered.singly(1, 9)},
    }
    found = funnel(lots)
    assert [key for key, one in found.items() if one.alarming] == ["bad"]
    assert (found["few"].reason, found["lone"].reason) == (TOO_FEW, NO_OTHERS)
    assert funnel(dict(reversed(lots.items()))) == found


def test_few_plates_tell_a_poor_correlation_and_p_allows_for_it() -> None:
    def lots(copies: int) -> dict[str, dict[int, Clustered]]:
        like = {f"h{i}": {20: Clustered.of([(1, 10), (5, 10)])} for i in range(3 * copies)}
        return like | {"bad": {20: Clustered.of([(6, 10), (10, 10)])}}

    few, many = funnel(lots(1))["bad"], funnel(lots(40))["bad"]
    assert few.p is not None
    assert many.p is not None
    assert many.p < 0.03 < 0.06 < few.p


def test_lots_of_one_part_plates_have_exact_tails_however_few() -> None:
    found = funnel({"one": {20: Clustered.singly(3, 5)}, "other": {20: Clustered.singly(1, 9)}})["one"]
    # 3, 4 or 5 of 5 by a beta-binomial of Beta(1.5, 8.5), doubled.
    chance = betabinom(5, 1.5, 8.5)
    assert found.p == pytest.approx(2 * chance.sf(2), abs=1e-12)


def test_large_lots_are_placed_as_exactly_and_in_no_time() -> None:
    """Three lots of 300,000 parts, far beyond what is added up term by term; the worse one stands out."""
    lots = {name: {0: Clustered.of([(bad, 100)] * 3_000)} for name, bad in (("A", 5), ("B", 5), ("C", 9))}
    placed = funnel(lots)
    assert [placed[name].side for name in "ABC"] == ["better", "better", "worse"]
    assert placed["C"].p is not None
    assert placed["C"].p >= LEAST_P
    assert placed["C"].expected == pytest.approx(0.05)


def test_transforms_give_the_chances_that_adding_up_gives() -> None:
    one, other = binom.pmf(np.arange(2_501), 2_500, 0.04), binom.pmf(np.arange(2_501), 2_500, 0.05)
    assert len(one) * len(other) > MOST_TERMS
    assert _convolved(one, other) == pytest.approx(np.convolve(one, other), abs=1e-15)
