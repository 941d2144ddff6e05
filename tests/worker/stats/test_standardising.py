"""This mix against a baseline's yields: what thicker plate explains is no change."""

from __future__ import annotations

from random import Random

from scipy.stats import binom

from worker.stats.clustering import Effective
from worker.stats.standardising import standardised


def counts(x: float, n: float) -> Effective:
    return Effective(x, n)


def test_more_of_a_bad_stratum_alone_is_no_change() -> None:
    # 95 % of thin and 60 % of thick parts are good, before and now; now most are thick.
    pairs = [(counts(19, 20), counts(950, 1000)), (counts(48, 80), counts(120, 200))]
    found = standardised(pairs, confidence=0.95)
    assert found.observed is not None
    assert found.expected is not None
    # 67 of 100 now; 20 x 0.95 + 80 x 0.6 = 67 due.
    assert abs(found.observed.share - 0.67) < 1e-12
    assert abs(found.expected.share - 0.67) < 1e-12
    assert found.verdict == "same"


def test_the_same_mix_done_worse_is_lower_and_done_better_is_higher() -> None:
    worse = standardised([(counts(60, 100), counts(900, 1000))], confidence=0.95)
    better = standardised([(counts(99, 100), counts(800, 1000))], confidence=0.95)
    assert (worse.verdict, better.verdict) == ("lower", "higher")


def test_a_stratum_without_a_baseline_is_left_out_and_counted() -> None:
    found = standardised([(counts(9, 10), counts(90, 100)), (counts(0, 10), counts(0, 0))], confidence=0.95)
    assert found.strata_without_baseline == 1
    assert found.parts_without_baseline == 10


def test_nothing_gives_no_verdict_and_no_number() -> None:
    assert standardised([], confidence=0.95).verdict is None


def test_random_strata_in_any_order_give_the_same_and_intervals_hold_their_estimate() -> None:
    rng = Random(3)
    for _ in range(500):
        pairs = []
        for _ in range(rng.randint(0, 5)):
            n, m = rng.randint(0, 20), rng.randint(0, 50)
            pairs.append((counts(rng.randint(0, n), n), counts(rng.randint(0, m), m)))
        found = standardised(pairs, confidence=0.95)
        shuffled = rng.sample(pairs, k=len(pairs))
        assert standardised(shuffled, confidence=0.95) == found
        for estimate in (found.observed, found.expected):
            if estimate is not None and estimate.share is not None:
                assert 0 <= estimate.low <= estimate.share <= estimate.high <= 1
        if found.difference.difference is not None:
            assert found.difference.low <= found.difference.difference <= found.difference.high


def test_few_parts_are_not_called_lower_more_often_than_chance_has_it() -> None:
    """At an expected share of 95 or 90 %, well known: how often in control is a small window called lower?"""
    for share, parts in ((0.95, 3), (0.95, 10), (0.95, 20), (0.9, 1), (0.9, 5), (0.9, 10)):
        false = sum(
            float(binom.pmf(good, parts, share))
            for good in range(parts + 1)
            if standardised([(counts(good, parts), counts(share * 1e6, 1e6))], confidence=0.95).verdict == "lower"
        )
        assert false <= 0.025, (share, parts)
