"""Clusters beside a published example."""

from __future__ import annotations

import pytest
from scipy.stats import beta

from worker.stats.clustering import (
    INDEPENDENCE_ASSUMED,
    Clustered,
    Correlation,
    clustered_wilson,
    correlation,
    degrees_at,
    effective,
    told_by,
)
from worker.stats.proportions import wilson

#: CLU-01 [read in stored copy]: Saha KK et al. (2016), Int. J. Biostatistics 12; Short MI et al. (2020), Statistical
#: Methods in Medical Research 29, 111-121; R package ratesci clusterpci. 60 of 203 in 100 clusters: sum of n^2 585, sum
#: of x^2/n 42 5/12, from the cluster sizes and successes listed there.
FAMILIES = Clustered(x=60, n=203, clusters=100, n2=585, x2_over_n=42 + 5 / 12)


def test_clu_01_wilson_widens_by_the_design_effect() -> None:
    found = clustered_wilson(FAMILIES, confidence=0.95)
    assert correlation([FAMILIES]) == pytest.approx(0.1855, abs=6e-4)
    assert found.design_effect == pytest.approx(1.349133, abs=6e-7)
    assert (found.low, found.share, found.high) == pytest.approx((0.2285, 0.2956, 0.3728), abs=6e-4)
    assert found.degrees is None


@pytest.mark.parametrize(("x", "n"), [(0, 20), (15, 148), (13, 16), (1, 1)])
def test_one_part_clusters_are_independent_parts(x: int, n: int) -> None:
    found = clustered_wilson(Clustered.singly(x, n), confidence=0.95)
    assert (found.low, found.high) == wilson(x, n, confidence=0.95)
    assert (found.design_effect, found.reason) == (1.0, None)


def test_one_cluster_says_that_independence_is_assumed() -> None:
    assert clustered_wilson(Clustered.of([(10, 12)]), confidence=0.95).reason == INDEPENDENCE_ASSUMED


def plates(*good: int) -> Clustered:
    """Plates of 12 parts each."""
    return Clustered.of((x, 12) for x in good)


def test_degrees_of_a_correlation_are_its_plates_less_one_for_each_group() -> None:
    found = correlation([plates(12, 3, 9, 6), plates(11, 4, 12)])
    assert found is not None
    assert found.degrees == pytest.approx(3 + 2)


def test_plates_of_unequal_size_tell_less_of_a_correlation() -> None:
    # (30 + 2 + 2)^2 / (900 + 4 + 4) = 1.273 plates of equal size.
    found = correlation([Clustered.of([(20, 30), (2, 2), (0, 2)])])
    assert found is not None
    assert found.degrees == pytest.approx(34**2 / 908 - 1)


def test_even_plates_around_a_half_have_the_degrees_of_their_number_and_rare_failures_fewer() -> None:
    assert effective(plates(*[9, 3] * 8)).degrees == pytest.approx(15)
    rare = effective(plates(*[12] * 14, 4, 11))
    assert rare.degrees is not None
    # Box (1953): divided by 1 + kurtosis/2, here of the beta distribution by scipy.
    alike = correlation([plates(*[12] * 14, 4, 11)])
    assert alike is not None
    mean, for_one = (rare.x + 2) / (rare.n + 4), (1 - alike) / alike
    kurtosis = float(beta(mean * for_one, (1 - mean) * for_one).stats("k"))
    assert kurtosis > 1
    assert rare.degrees == pytest.approx(15 / (1 + kurtosis / 2))


def test_a_group_has_the_degrees_of_the_correlation_that_it_was_given() -> None:
    groups = [plates(9, 3), plates(*[9, 3] * 4), plates(*[3, 9] * 6)]
    pooled = correlation(groups)
    assert effective(groups[0], pooled=pooled, own=False).degrees == pytest.approx(1 + 7 + 11)
    # A bare number does not say from how many plates it is: then the group's own count.
    assert effective(groups[0], pooled=0.3, own=False).degrees == pytest.approx(1)


def test_degrees_are_never_below_one_and_many_are_none() -> None:
    assert effective(Clustered.of([(20, 30), (1, 2)])).degrees == 1.0
    assert effective(plates(*[9, 3] * 25)).degrees is None


def test_plates_that_are_all_good_have_the_degrees_of_their_number() -> None:
    found = effective(plates(12, 12, 12, 12))
    assert (found.degrees, found.reason) == (3.0, INDEPENDENCE_ASSUMED)


def test_what_a_cluster_tells_is_what_equal_clusters_would_by_their_design_effect() -> None:
    counts = Clustered.of([(3, 4)] * 10)
    assert effective(counts, pooled=0.3, own=False).n == pytest.approx(10 * told_by(4, alike=0.3))
    assert [told_by(6, alike=alike) for alike in (-0.2, 0.0, 1.0)] == [6, 6, 1]
    assert told_by(1, alike=0.7) == 1


def test_one_more_part_never_takes_away_what_a_cluster_tells() -> None:
    for alike in (0.0, 0.05, 0.5, 1.0):
        told = [told_by(parts, alike=alike) for parts in range(1, 200)]
        assert told == sorted(told), alike


def test_degrees_at_a_share_fall_with_its_distance_from_a_half_and_are_none_where_all_is_known() -> None:
    known = Correlation(0.2, degrees=40)
    told = [degrees_at(mean, alike=known) or 99 for mean in (0.5, 0.9, 0.99, 0.9999)]
    assert told == sorted(told, reverse=True)
    assert (told[0], told[-1]) == (pytest.approx(40), 1)
    assert degrees_at(0.9, alike=0.2) is None
