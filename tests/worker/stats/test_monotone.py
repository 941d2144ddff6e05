"""Falling shares beside scipy's isotonic regression, and the dips in them."""

from __future__ import annotations

import random

import pytest
from scipy.optimize import isotonic_regression

from worker.stats.clustering import Effective
from worker.stats.monotone import falling, merged


def points(*told: tuple[float, float, float]) -> list[tuple[float, Effective]]:
    """(place, x, n) of independent parts."""
    return [(place, Effective(x, n, 1.0, int(n))) for place, x, n in told]


def test_falling_shares_stay_as_they_are() -> None:
    found = falling(points((10, 20, 20), (15, 18, 20), (20, 5, 20)), confidence=0.95)
    assert [level.monotone for level in found.levels] == pytest.approx([1.0, 0.9, 0.25])
    assert found.breaks == ()


def test_a_dip_is_taken_together_with_what_is_beyond_and_named() -> None:
    # 15 mm: 40 of 100, 20 mm: 80 of 100, together 120 of 200.
    found = falling(points((10, 95, 100), (15, 40, 100), (20, 80, 100), (25, 10, 100)), confidence=0.95)
    assert [level.monotone for level in found.levels] == pytest.approx([0.95, 0.6, 0.6, 0.1])
    (dip,) = found.breaks
    assert (dip.place, dip.share, dip.beyond) == (15, 0.4, (20,))
    assert dip.gap.difference == pytest.approx(0.4)
    assert dip.gap.excludes_zero


def test_a_dip_of_few_parts_may_be_chance() -> None:
    (dip,) = falling(points((10, 4, 5), (15, 5, 5)), confidence=0.95).breaks
    assert not dip.gap.excludes_zero


def test_random_shares_are_those_of_isotonic_regression() -> None:
    chance = random.Random(8)
    for _ in range(500):
        sizes = [chance.randint(1, 30) for _ in range(chance.randint(1, 9))]
        told = [(float(place), float(chance.randint(0, n)), float(n)) for place, n in enumerate(sizes)]
        found = falling(points(*told), confidence=0.95)
        shares, weights = [x / n for _, x, n in told], [n for _, _, n in told]
        expected = isotonic_regression(shares, weights=weights, increasing=False).x
        assert [level.monotone for level in found.levels] == pytest.approx(list(expected), abs=1e-12)
        # A dip stands exactly where the falling curve lies above what was seen, and something beyond is better.
        assert all(dip.gap.difference is not None and dip.gap.difference > 0 for dip in found.breaks)
        assert bool(found.breaks) == (shares != sorted(shares, reverse=True))


def test_any_order_and_any_division_of_a_place_give_the_same() -> None:
    told = points((10, 9, 10), (15, 3, 10), (15, 4, 10), (20, 8, 10))
    assert falling(told, confidence=0.9) == falling(told[::-1], confidence=0.9)
    together = falling(points((10, 9, 10), (15, 7, 20), (20, 8, 10)), confidence=0.9)
    assert falling(told, confidence=0.9).levels == together.levels


def test_nothing_judged_gives_nothing() -> None:
    found = falling([(10.0, Effective(0.0, 0.0))], confidence=0.95)
    assert (found.levels, found.breaks) == ((), ())


def test_merged_counts_keep_their_parts() -> None:
    found = merged([Effective(8.0, 10.0, 2.0, 4), Effective(3.0, 5.0, 1.0, 5)])
    assert (found.x, found.n, found.clusters) == (11.0, 15.0, 9)
    assert found.parts == pytest.approx(25.0)
