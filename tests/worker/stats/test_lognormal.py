"""Zou's interval beside a published example."""

from __future__ import annotations

import math

import pytest

from worker.stats.lognormal import (
    ALL_ALIKE,
    NO_VALUES,
    ONE_VALUE,
    ClusterLogs,
    effect_of_clusters,
    log_correlation,
    positive_mean,
)

#: LGN-01 [read in stored copy]: R package EnvStats (Millard SP), ?elnormAlt, TcCB reference area, ci.method zou.
HUNDREDTHS = (
    22, 23, 26, 27, 28, 28, 29, 33, 34, 35, 38, 39, 39, 42, 42, 43, 45, 46, 48, 50, 50, 51, 52, 54, 56, 56, 57, 57, 60,
    62, 63, 67, 69, 72, 74, 76, 79, 81, 82, 84, 89, 111, 113, 114, 114, 120, 133,
)  # fmt: skip


def test_lgn_01_zou() -> None:
    values = [value / 100 for value in HUNDREDTHS]
    found = positive_mean(values, confidence=0.95)
    assert (found.low, found.high) == pytest.approx((0.5230444, 0.6962071), abs=6e-8)
    assert positive_mean([*reversed(values), 0, 0], confidence=0.95).low == found.low


@pytest.mark.parametrize(
    ("values", "reason"), [([], NO_VALUES), ([0], NO_VALUES), ([3], ONE_VALUE), ([3, 3], ALL_ALIKE)]
)
def test_mean_without_spread_has_no_interval(values: list[float], reason: str) -> None:
    found = positive_mean(values, confidence=0.95)
    assert (found.low, found.high, found.reason) == (None, None, reason)


#: Six targets, each rated by four judges: Shrout PE, Fleiss JL (1979), Psychological Bulletin 86, 420-428, table 2,
#: from memory; their ICC(1,1) is .17.
RATINGS = ((9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7))


def clusters(rows: tuple[tuple[int, ...], ...]) -> list[ClusterLogs]:
    """Clusters whose values have these logarithms."""
    return [ClusterLogs.of([math.exp(value) for value in row]) for row in rows]


def test_correlation_within_clusters_is_that_of_shrout_and_fleiss() -> None:
    found = log_correlation([clusters(RATINGS)])
    assert found == pytest.approx(0.17, abs=0.005)
    assert log_correlation([clusters(tuple(row[::-1] for row in RATINGS[::-1]))]) == found


def test_groups_that_differ_make_no_correlation() -> None:
    # Another group, ten times e as long: within each the same correlation.
    longer = tuple(tuple(value + 10 for value in row) for row in RATINGS)
    together = log_correlation([clusters(RATINGS), clusters(longer)])
    assert together == pytest.approx(log_correlation([clusters(RATINGS)]), abs=1e-9)
    assert log_correlation([clusters(RATINGS + longer)]) == pytest.approx(0.9, abs=0.1)


@pytest.mark.parametrize("rows", [(), ((1, 2),), ((1,), (2,)), ((1, 1), (1, 1))])
def test_correlation_that_is_not_defined_is_none(rows: tuple[tuple[int, ...], ...]) -> None:
    assert log_correlation([clusters(rows)]) is None


@pytest.mark.parametrize(
    ("sizes", "alike", "effect"),
    # 1 + ((4 x 4 + 2 x 2) / 6 - 1) x 0.3
    [([4, 2], 0.3, 1.7), ([1, 1], 0.9, 1), ([4, 2], -0.3, 1), ([4, 2], None, 1), ([], 0.3, 1)],
)
def test_effect_of_clusters(sizes: list[int], alike: float | None, effect: float) -> None:
    assert effect_of_clusters(sizes, alike=alike) == pytest.approx(effect)
