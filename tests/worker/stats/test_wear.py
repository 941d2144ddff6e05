"""Bands of use since a service, and the change that failures along them support."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.stats.clustering import Clustered
from worker.stats.wear import (
    LEAST_PLATES,
    MANY_PLATES,
    NOT_BY_SO_MUCH,
    NOT_RISING,
    ONE_BAND,
    Band,
    Change,
    Course,
    change_of,
    course_of,
    doubling_edges,
    joined_edges,
)

EDGES = (0, 100, 200, 400, 800)


def course(*failures: int, n: int = 1_000, stretches: int = 5) -> Course:
    """Bands with so many failures of n each, between EDGES."""
    bands = [
        Band(start, end, {20: Clustered.singly(x, n)}, stretches)
        for start, end, x in zip(EDGES, EDGES[1:], failures, strict=False)
    ]
    return course_of(bands, pooled=None, confidence=0.95)


def change(of: Course, *, q: float | None = 0.001, tolerance: float = 0.02, target: float | None = None) -> Change:
    return change_of(of, q=q, tolerance=tolerance, target=target, most_false=0.05)


@pytest.mark.parametrize(
    ("longest", "unit", "edges"),
    [
        # Nine in ten of 0..longest are at 0.9 of it; an eighth of that, rounded down to 1, 2, 5, ... units.
        (1_000, 10, [0, 100, 200, 400, 800]),
        (2_000, 10, [0, 200, 400, 800, 1_600]),
        (90, 10, [0, 10, 20, 40, 80]),
        (5, 10, [0, 10]),
        (7_200_000, 360_000, [0, 720_000, 1_440_000, 2_880_000, 5_760_000]),
    ],
)
def test_bands_double_from_a_round_number(longest: int, unit: int, edges: list[int]) -> None:
    assert doubling_edges(range(longest + 1), unit=unit, plates=MANY_PLATES - 1) == edges


def test_one_long_stretch_does_not_coarsen_the_bands_of_the_others() -> None:
    assert doubling_edges([*range(1_000), 9_000], unit=10, plates=50)[:3] == [0, 100, 200]


def test_bands_of_many_plates_are_halved_but_the_freshest() -> None:
    assert doubling_edges(range(1_001), unit=10, plates=MANY_PLATES) == [0, 100, 150, 200, 300, 400, 600, 800]


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 30))))
def test_bands_are_joined_until_each_has_plates_enough(met: list[tuple[int, int]]) -> None:
    kept = joined_edges(EDGES, met)
    assert kept[0] == EDGES[0]
    assert kept == sorted(set(kept))
    assert set(kept) <= set(EDGES)
    if len(kept) > 1:
        ends = [*kept[1:], 10**9]
        for start, end in zip(kept, ends, strict=True):
            assert len({plate for band, plate in met if start <= EDGES[band] < end}) >= LEAST_PLATES


def test_a_change_is_supported_where_the_lower_limit_passes_the_tolerance() -> None:
    # 2 % when fresh; 60 of 1,000 less 20 of 1,000 is 4 % within 2.2 to 5.8 %; 35 of them may be 0.1 to 3.0 % more.
    found = change(course(20, 21, 35, 60))
    assert (found.after, found.low, found.high) == (400, 100, 800)
    # 21 of 1,000 is at most 1.4 % more: failures do not pass the tolerance before 100; 35 leave it open.
    assert change(course(20, 35, 35, 60)).low == 0


def test_a_target_supports_a_change_where_the_freshest_band_keeps_it() -> None:
    worn = course(20, 21, 35, 60)
    found = change(worn, tolerance=0.2, target=0.03)
    assert (found.after, found.high, found.over_target) == (400, 800, True)
    assert change(worn, target=0.015, tolerance=0.2).reason == NOT_BY_SO_MUCH
    # The sooner of the two counts.
    assert not change(worn, target=0.03).over_target


def test_no_change_is_supported_without_a_trend_or_by_one_service() -> None:
    worn = course(20, 21, 35, 60)
    assert change(worn, q=0.05) == Change(reason=NOT_RISING)
    assert change(worn, q=None) == Change(reason=NOT_RISING)
    assert change(course(60, 35, 21, 20)) == Change(reason=NOT_RISING)
    assert change(course(20)) == Change(reason=ONE_BAND)
    assert change(course(0, 0)).reason == course(0, 0).trend.reason
    assert change(course(20, 21, 35, 60, stretches=1)) == Change(reason=NOT_BY_SO_MUCH)
    assert change(course(20, 22, 24, 30)) == Change(reason=NOT_BY_SO_MUCH)


def test_a_band_is_held_against_the_freshest_at_its_own_mix() -> None:
    # Thin fails in 2 %, thick in 10 %, whatever the use; late bands have mostly thick.
    mixes = [(900, 100), (500, 500), (100, 900)]
    bands = [
        Band(start, start + 100, {10: Clustered.singly(thin // 50, thin), 30: Clustered.singly(thick // 10, thick)}, 5)
        for start, (thin, thick) in zip((0, 100, 200), mixes, strict=True)
    ]
    found = course_of(bands, pooled=None, confidence=0.95)
    assert found.trend.z == pytest.approx(0, abs=1e-9)
    last = found.shown[-1]
    assert last.share.share == pytest.approx(0.092)
    assert last.beside is not None
    assert last.beside.expected.share == pytest.approx(0.092)
    # What the freshest band did not cut is not compared.
    other = replace(bands[2], failures={50: Clustered.singly(10, 100)})
    beside = course_of([bands[0], other], pooled=None, confidence=0.95).shown[1].beside
    assert beside is not None
    assert beside.difference.difference is None
