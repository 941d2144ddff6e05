"""Many counts against a target at once beside the bounds of each."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from worker.stats.against_target import (
    TAKEN_TOGETHER,
    TOGETHER,
    Against,
    Counts,
    against,
    bounds,
    independent,
    more_to_prove,
)
from worker.stats.clustering import Clustered, Correlation, effective
from worker.stats.demonstration import one_sided

MARGIN = 0.02
clusters = st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), max_size=25).map(
    lambda some: Clustered.of((min(x, n), n) for x, n in some)
)
correlations = st.one_of(
    st.none(), st.builds(lambda value, degrees: Correlation(value, degrees=degrees), st.floats(-1, 1), st.floats(0, 80))
)


def arrays(counts: list[Clustered]) -> Counts:
    return Counts(*(np.array([getattr(one, name) for one in counts], float) for name in ("x", "n", "clusters", "n2")))


def asked(counts: list[Clustered], **how: float | Correlation | None) -> Against:
    told: dict[str, Any] = {"pooled": None, "target": 0.9, "margin": MARGIN, "confidence": 0.95} | how
    return against(arrays(counts), **told)


@given(st.lists(clusters, min_size=1, max_size=4), correlations, st.floats(0.05, 0.999))
def test_they_are_the_independent_parts_of_each(
    counts: list[Clustered], pooled: Correlation | None, confidence: float
) -> None:
    x, n = independent(arrays(counts), pooled=pooled, confidence=confidence)
    for place, one in enumerate(counts):
        known = TOGETHER if pooled is None else pooled
        found = one_sided(effective(one, pooled=known, own=False), confidence=confidence)
        assert n[place] == pytest.approx(found.n, rel=1e-9)
        assert x[place] == pytest.approx(found.n * one.x / one.n if one.n else 0, rel=1e-9)


@given(st.lists(clusters, min_size=1, max_size=4), correlations, st.floats(0.05, 0.99), st.floats(0.55, 0.999))
def test_it_is_what_the_bounds_of_each_say(
    counts: list[Clustered], pooled: Correlation | None, target: float, confidence: float
) -> None:
    found = asked(counts, pooled=pooled, target=target, confidence=confidence)
    for place, one in enumerate(counts):
        told = bounds(one, pooled=pooled, confidence=confidence)
        if told.lower is None or told.upper is None:
            assert not any(yes[place] for yes in (found.proven, found.nearly, found.below))
            continue
        # At the bound itself the two may round apart
        assume(all(abs(told.lower - at) > 1e-7 for at in (target, max(0.0, target - MARGIN))))
        assume(abs(told.upper - target) > 1e-7)
        assert found.proven[place] == (told.lower > target)
        assert found.nearly[place] == (told.lower > target - MARGIN)
        assert found.below[place] == (told.upper < target)


# --- the better of two lower bounds -----------------------------------------------------------------------------


def test_whole_plates_are_proof_whatever_their_parts_have_in_common() -> None:
    plates = Clustered.of([(5, 5)] * 29)
    for pooled in (None, Correlation(1.0, degrees=2), Correlation(0.4, degrees=1)):
        told = bounds(plates, pooled=pooled, confidence=0.95)
        assert told.lower == pytest.approx(0.05 ** (1 / 29))
        assert asked([plates], pooled=pooled).proven.tolist() == [True]
        assert told.reason == (TAKEN_TOGETHER if pooled is None else "correlation of all groups together")
    # Parts that are known to be no more alike than any prove more
    assert (bounds(plates, pooled=Correlation(0.0, degrees=99), confidence=0.95).lower or 0) > 0.97


def test_where_nothing_is_known_a_plate_is_no_more_than_one_part() -> None:
    assert asked([Clustered.of([(30, 30), (30, 30)])]).proven.tolist() == [False]
    assert asked([Clustered.of([(5, 20)])]).below.tolist() == [False]
    assert asked([Clustered.of([(5, 20)])], pooled=Correlation(0.0, degrees=99)).below.tolist() == [True]
    # One big plate among small ones: no more than 30 plates, one of which may be bad
    told = bounds(Clustered.of([(100, 100), *[(1, 1)] * 28, (0, 1)]), pooled=None, confidence=0.95)
    assert told.lower == pytest.approx(one_sided(effective(Clustered.singly(29, 30)), confidence=0.95).lower)


@given(st.lists(st.tuples(st.integers(1, 9), st.sampled_from([0, 0, 0, 1, 3])), max_size=25), correlations)
def test_the_advice_is_right_when_it_is_followed(plates: list[tuple[int, int]], pooled: Correlation | None) -> None:
    before = Clustered.of((n - min(n, bad), n) for n, bad in plates)
    how: dict[str, Any] = {"target": 0.8, "confidence": 0.9, "least_plates": 2}
    found = more_to_prove(before, pooled=pooled, **how, parts_a_plate=before.mean_size)
    assume(found.parts is not None and found.plates is not None and found.parts < 2000)
    assert found.parts is not None
    if found.parts == found.plates:
        after = Clustered.total([before, Clustered.singly(found.parts, found.parts)])
        fewer = Clustered.total([before, Clustered.singly(max(0, found.parts - 1), max(0, found.parts - 1))])
        told = {"pooled": pooled, "target": 0.8, "confidence": 0.9}
        assert asked([after], **told).proven.tolist() == [after.n > 0]
        if pooled is None and before.of_single_parts and found.parts and found.parts + before.clusters > 2:
            assert asked([fewer], **told).proven.tolist() == [False]


@pytest.mark.parametrize(
    ("target", "confidence", "n"),
    [
        # QUA-01 [from memory]: success-run sample sizes of standard reliability tables; ceil(ln(1 - C) / ln(R))
        (0.95, 0.95, 59), (0.9, 0.9, 22), (0.9, 0.95, 29), (0.99, 0.95, 299),
        # 0.8^3 is 0.512, in floats a trifle more: at the bound, which is inside
        (0.8, 0.488, 3),
    ],
)  # fmt: skip
def test_qua_01_so_many_good_parts_of_plates_of_their_own_are_proof(target: float, confidence: float, n: int) -> None:
    found = asked([Clustered.singly(n - 1, n - 1), Clustered.singly(n, n)], target=target, confidence=confidence)
    assert found.proven.tolist() == [False, True]
    assert found.below.tolist() == [False, False]


def test_qua_03_with_failures_allowed_and_below() -> None:
    # QUA-03 [from memory]: Wilks SS (1941), Annals of Mathematical Statistics 12, 91-96; one-sided 95/95
    for failures, n in ((1, 93), (2, 124), (3, 153)):
        counts = [Clustered.singly(n - 1 - failures, n - 1), Clustered.singly(n - failures, n)]
        assert asked(counts, target=0.95).proven.tolist() == [False, True]
        # The same from the other side: so few good ones are hardly 5 % of the parts
        mirrored = [Clustered.singly(failures, n - 1), Clustered.singly(failures, n)]
        assert asked(mirrored, target=0.05).below.tolist() == [False, True]
