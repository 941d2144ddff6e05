"""Rolled yields beside published examples."""

from __future__ import annotations

import math

import pytest

from worker.stats.yields import rolled_throughput_yield, yields_of_stages


def test_yld_01_and_02_rolled_throughput_yield() -> None:
    # YLD-01 [read in stored copy]: Harry M (2004). Yield of a stage: e^-dpu
    assert rolled_throughput_yield(math.exp(-dpu) for dpu in (0.1, 0.05, 0.008)) == pytest.approx(0.85385, abs=4e-6)
    # YLD-02 [from memory]: Cano EL et al. (2012), Six Sigma with R: defects 3, 5, 12 and rework 1, 2, 4 of 1915
    stages = [yields_of_stages(1915, [lost])[0] for lost in (4, 7, 16)]
    assert rolled_throughput_yield(stages) == pytest.approx(0.9859563, abs=6e-8)
    assert yields_of_stages(1915, [27]) == pytest.approx([0.9859008], abs=6e-8)
    assert yields_of_stages(2, [2, 0]) == [0.0, None]
