"""Rules of runs: published vectors and run lengths, how patterns are joined, how rarely a pair is confirmed."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.stats import binom

from worker.stats.charts import auto_chart, p_chart
from worker.stats.runs import NELSON, Signal, chart_signals, confirmed, ends, one_side, signals

#: Western Electric's four: those of beyond are Nelson's rules 1, 5 and 6, the run is of 8 points.
WESTERN = {1: NELSON[1], 2: NELSON[5], 3: NELSON[6], 4: (8, one_side)}


# Test suite of R package qcc (luca-scr/qcc, tests/testthat/test-rules.R), read there: RUN-01. Points count from 1.
@pytest.mark.parametrize(
    ("rule", "z", "fires"),
    [
        (1, [0, 3.2, -3.5, 2.9], [2, 3]),
        (2, [0, 2.5, 1.0, 2.6, 0], [4]),
        (3, [0, 1.2, 1.3, 0.2, 1.4, 1.5], [6]),
        (4, [-1] * 8 + [1], [8]),
    ],
)
def test_western_electric_rules_fire_where_published(rule: int, z: list[float], fires: list[int]) -> None:
    window, shows = WESTERN[rule]
    assert [last + 1 for last in ends(z, window=window, shows=shows)] == fires


def test_eight_points_beyond_1_sigma_on_one_side_do_not_fire_rule_8() -> None:
    assert signals([1.2] * 8, rules=(8,)) == ()  # RUN-03, note


def first_signal(rng: np.random.Generator, rules: tuple[int, ...]) -> int:
    """Points until the first of Western Electric's rules fires on standard normal values."""
    z: list[float] = []
    while True:
        begin = len(z)
        z.extend(rng.standard_normal(128).tolist())
        fired = []
        for rule in rules:
            window, shows = WESTERN[rule]
            start = max(0, begin - window + 1)
            fired.extend(start + last for last in ends(z[start:], window=window, shows=shows))
        if fired:
            return min(fired) + 1


# Champ CW, Woodall WH (1987), Technometrics 29, 393-399, Table 1, shift 0 (from memory; an exact chain agrees to
# 0.0045): RUN-04. A mean of 1,500 runs lies within 3 standard errors, about 8 %.
@pytest.mark.parametrize(
    ("rules", "run_length"),
    [((1,), 370.4), ((1, 2), 225.44), ((1, 3), 166.05), ((1, 4), 152.73), ((1, 2, 3, 4), 91.75)],
)
def test_run_lengths_in_control_are_the_published_ones(rules: tuple[int, ...], run_length: float) -> None:
    rng = np.random.default_rng(1987)
    runs = [first_signal(rng, rules) for _ in range(1500)]
    assert np.mean(runs) == pytest.approx(run_length, abs=3 * float(np.std(runs)) / math.sqrt(1500))


def test_signals_name_the_first_and_last_point_and_join_windows_that_overlap() -> None:
    z = [0.5] * 10 + [-0.5] * 9 + [3.5, 3.2, -3.4]
    assert signals(z) == (Signal(1, 19, 20), Signal(1, 21, 21), Signal(2, 0, 9), Signal(2, 10, 18))


def test_rules_3_and_4_keep_silent_where_a_point_is_sparse() -> None:
    z = [float(step) / 10 for step in range(8)]
    assert signals(z, sparse=[False] * 8) == (Signal(3, 0, 7),)
    assert signals(z, sparse=[True] + [False] * 7) == (Signal(3, 1, 7),)
    assert signals(z, sparse=[False] * 4 + [True] + [False] * 3) == ()


def test_chart_signals_have_the_places_of_the_chart() -> None:
    counts = [(0.0, 0.0)] + [(10.0 + step % 2, 50.0) for step in range(12)] + [(0.0, 0.0), (40.0, 50.0)]
    assert chart_signals(p_chart(counts, set_aside=(14,)), rules=(1,)) == (Signal(1, 14, 14),)
    assert chart_signals(p_chart([])) == ()


def test_signals_of_thousands_of_random_series_lie_within_them() -> None:
    rng = random.Random(3)
    for _ in range(2000):
        z = [rng.choice((0.0, 1.0, -1.0, 3.0, rng.gauss(0, 2))) for _ in range(rng.randint(0, 18))]
        for found in signals(z, rules=range(1, 9)):
            assert 0 <= found.first <= found.last < len(z)
            assert found.last - found.first + 1 >= NELSON[found.rule][0]
    assert signals([0.0] * 40) == signals([]) == ()


def test_a_point_beyond_3_sigma_is_confirmed_only_by_the_next_on_its_side() -> None:
    steady = [(20.0, 200.0)] * 40
    found = confirmed(auto_chart([*steady, (45.0, 200.0), (36.0, 200.0), *steady, (45.0, 200.0), (20.0, 200.0)]))
    assert [(pair.index, pair.confirmed_by, pair.side) for pair in found] == [(40, 41, 1)]
    assert 0 < found[0].p_value < 1e-5
    assert confirmed(auto_chart([*steady, (45.0, 200.0), (4.0, 200.0)])) == ()


def test_nothing_is_confirmed_without_limits() -> None:
    assert confirmed(p_chart([])) == confirmed(p_chart([(0.0, 9.0)] * 9)) == ()


def test_pairs_of_independent_parts_are_confirmed_at_the_rate_of_their_exact_tails() -> None:
    # At 2 and 1 sigma, so that there is something to count: x of 100 at 0.1 is out from 17 and from 14 on, or down to 3
    # and to 6: the first counts whose exact tails are below those of the normal, 0.0228 and 0.1587
    upper, next_upper = binom.sf([16, 13], 100, 0.1)
    lower, next_lower = binom.cdf([3, 6], 100, 0.1)
    rate, pairs, found, rng = upper * next_upper + lower * next_lower, 0, 0, np.random.default_rng(11)
    for _ in range(30):
        chart = p_chart([(float(x), 100.0) for x in rng.binomial(100, 0.1, size=2000)])
        found += len(confirmed(chart, first=2, confirming=1))
        pairs += len(chart.points) - 1
    assert found == pytest.approx(rate * pairs, abs=3 * math.sqrt(rate * pairs))


@pytest.mark.parametrize(("plates", "share"), [(8, 0.05), (8, 0.2), (30, 0.1)])
def test_clustered_points_in_control_are_confirmed_about_as_rarely_as_normal_ones(plates: int, share: float) -> None:
    # Plates of 12 parts with correlation 0.2: deff 3.2. In theory at most 2 x 0.00135 x 0.02275 = 6.1e-5 a pair, 1.8 in
    # the 30,000 here, where tails are exact; more than 7 would come by chance once in 600
    rng, found = np.random.default_rng(12), 0
    for _ in range(300):
        chances = rng.beta(share * 4, (1 - share) * 4, size=(100, plates))
        failed = rng.binomial(12, chances).sum(axis=1)
        found += len(confirmed(auto_chart([(float(x) / 3.2, plates * 12 / 3.2) for x in failed])))
    assert found <= 7
