"""Zou's interval beside a published example."""

from __future__ import annotations

import pytest

from worker.stats.lognormal import ALL_ALIKE, NO_VALUES, ONE_VALUE, positive_mean

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
