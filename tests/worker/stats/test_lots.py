"""Funnels beside published figures."""

from __future__ import annotations

import pytest

from worker.stats.clustering import Clustered
from worker.stats.lots import NO_OTHERS, TOO_FEW, funnel, poisson_limits


def test_fun_01_exact_poisson_limits() -> None:
    # FUN-01 [read in stored copy]: Spiegelhalter DJ (2005), Statistics in Medicine 24; R package FunnelPlotR
    assert poisson_limits(15, confidence=0.95) == pytest.approx((0.5596924, 1.649348), abs=6e-7)
    assert poisson_limits(30, confidence=0.998) == pytest.approx((0.5289724, 1.702771), abs=6e-7)


def test_bad_lot_is_alarming_and_small_or_lonely_ones_are_not_judged() -> None:
    lots = {f"h{i}": {20: Clustered.of([(1, 10)] * 4)} for i in range(8)}
    lots |= {
        "bad": {20: Clustered.of([(7, 10)] * 4)},
        "few": {20: Clustered.singly(1, 3)},
        "lone": {99: Clustered.singly(1, 9)},
    }
    found = funnel(lots)
    assert [key for key, one in found.items() if one.alarming] == ["bad"]
    assert (found["few"].reason, found["lone"].reason) == (TOO_FEW, NO_OTHERS)
    assert funnel(dict(reversed(lots.items()))) == found
