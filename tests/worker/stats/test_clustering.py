"""Clusters beside a published example."""

from __future__ import annotations

import pytest

from worker.stats.clustering import INDEPENDENCE_ASSUMED, Clustered, clustered_wilson, correlation
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


@pytest.mark.parametrize(("x", "n"), [(0, 20), (15, 148), (13, 16), (1, 1)])
def test_one_part_clusters_are_independent_parts(x: int, n: int) -> None:
    found = clustered_wilson(Clustered.singly(x, n), confidence=0.95)
    assert (found.low, found.high) == wilson(x, n, confidence=0.95)
    assert (found.design_effect, found.reason) == (1.0, None)


def test_one_cluster_says_that_independence_is_assumed() -> None:
    assert clustered_wilson(Clustered.of([(10, 12)]), confidence=0.95).reason == INDEPENDENCE_ASSUMED
