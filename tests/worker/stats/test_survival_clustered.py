"""Kaplan-Meier of subjects that stand or fall together by clusters."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from random import Random

import pytest

from worker.stats.clustering import Clustered, correlation
from worker.stats.survival import Crossed, Survival, clustered_kaplan_meier, kaplan_meier

#: A cluster: for each time (events, at risk).
Cluster = Sequence[tuple[int, int]]


def curve(clusters: Sequence[Cluster], *, crossed: bool = True, confidence: float = 0.95) -> Survival:
    """The curve of clusters; without what the same clusters do at two times when not `crossed`."""
    times = max(len(cluster) for cluster in clusters)
    padded = [[*cluster, *[(0, 0)] * (times - len(cluster))] for cluster in clusters]
    risks = [Clustered.of(cluster[time] for cluster in padded) for time in range(times)]
    products = {
        (one + 1, two + 1): Crossed(
            n_n=sum(cluster[one][1] * cluster[two][1] for cluster in padded),
            x_x=sum(cluster[one][0] * cluster[two][0] for cluster in padded),
            n_x=sum(cluster[one][1] * cluster[two][0] for cluster in padded),
            x_n=sum(cluster[one][0] * cluster[two][1] for cluster in padded),
        )
        for one, two in combinations(range(times), 2)
    }
    return clustered_kaplan_meier(risks, products if crossed else {}, confidence=confidence, pooled=correlation(risks))


def alone(time: int, *, came: bool) -> Cluster:
    """A subject that is a cluster of its own."""
    return [(int(came and at == time), 1) for at in range(1, time + 1)]


def test_single_subjects_have_the_limits_of_independent_ones() -> None:
    # MASS, ?gehan (Freireich et al. 1963): the 6-MP arm, whose limits test_published.py holds to their source.
    times = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    events = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    subjects = [(time, bool(event)) for time, event in zip(times, events, strict=True)]
    plain = {step.time: step for step in kaplan_meier(subjects, confidence=0.95).steps}
    clustered = curve([alone(time, came=came) for time, came in subjects])
    assert [step.time for step in clustered.steps] == list(range(1, 36))
    for step in clustered.steps:
        if step.time in plain:
            like = plain[step.time]
            assert (step.at_risk, step.events, step.censored) == (like.at_risk, like.events, like.censored)
            assert (step.survival, step.lower, step.upper) == pytest.approx((like.survival, like.lower, like.upper))
    assert (clustered.median, clustered.median_lower, clustered.median_upper) == (23, 13, None)


def test_clusters_whose_subjects_are_all_alike_tell_as_much_as_one_subject_each() -> None:
    # Of 80 clusters of 5 a third has its events at time 1, a third at time 2, the rest none.
    clusters = [[(5, 5)] if n % 3 == 0 else [(0, 5), (5, 5)] if n % 3 == 1 else [(0, 5), (0, 5)] for n in range(80)]
    subjects = [(1, True) if n % 3 == 0 else (2, n % 3 == 1) for n in range(80)]
    found, plain = curve(clusters).steps, kaplan_meier(subjects, confidence=0.95).steps
    assert [step.design_effect for step in found] == pytest.approx([5, 5], rel=0.02)
    for step, like in zip(found, plain, strict=True):
        assert step.survival == pytest.approx(like.survival)
        assert step.std_error == pytest.approx(like.std_error, rel=0.02)


def test_what_clusters_do_at_two_times_never_narrows_the_limits() -> None:
    # Clusters that are good at one time are bad at the other.
    clusters = [[(3, 4), (0, 1)] if n % 2 else [(1, 4), (3, 3)] for n in range(30)]
    with_it, without = curve(clusters).steps, curve(clusters, crossed=False).steps
    assert (with_it[1].lower, with_it[1].upper) == (without[1].lower, without[1].upper)


def test_a_time_at_which_all_have_the_event_shares_nothing() -> None:
    assert Crossed(8, 4, 8, 4).covariance(Clustered.of([(2, 4)]), Clustered.of([(2, 2)])) == 0.0
    found = curve([[(2, 4), (2, 2)], [(3, 4), (1, 1)]]).steps[-1]
    assert (found.survival, found.lower, found.upper) == (0.0, None, None)


def test_limits_hold_the_truth_where_plates_differ() -> None:
    """Plates of 12 pieces whose chance of success differs (beta, mean 0.7, correlation 0.2), the same at each time."""
    rng, plates, pieces, times, repeats = Random(20260302), 40, 12, 3, 300
    mean, spread = 0.7, 1 / 0.2 - 1
    # E[(1 - p)^3] of a beta distribution: the rising products of its second parameter over those of both.
    truth = 1.0
    for more in range(times):
        truth *= ((1 - mean) * spread + more) / (spread + more)
    held = {True: 0, False: 0}
    for _ in range(repeats):
        clusters = []
        for _ in range(plates):
            chance, left = rng.betavariate(mean * spread, (1 - mean) * spread), pieces
            steps = []
            for _ in range(times):
                good = sum(rng.random() < chance for _ in range(left))
                steps.append((good, left))
                left -= good
            clusters.append(steps)
        for crossed in held:
            last = curve(clusters, crossed=crossed).steps[-1]
            held[crossed] += last.lower is not None and last.upper is not None and last.lower <= truth <= last.upper
    assert 0.92 <= held[True] / repeats <= 0.98
    # Without it a curve looks more certain with each time.
    assert held[False] / repeats < 0.91
