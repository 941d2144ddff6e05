"""Percentiles beside a published example."""

from __future__ import annotations

from worker.stats.quantiles import quantile_of


def test_qtl_01_type_7() -> None:
    # QTL-01 [read in stored copy]: Hyndman RJ, Fan Y (1996), American Statistician 50; numpy test_function_base.py
    assert quantile_of([50, 15, 40, 20, 35], 0.4) == 29
    assert quantile_of([], 0.5) is None
