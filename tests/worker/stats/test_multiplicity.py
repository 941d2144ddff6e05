"""q values beside published ones."""

from __future__ import annotations

import pytest

from worker.stats.multiplicity import benjamini_hochberg


def test_mul_01_benjamini_hochberg() -> None:
    # MUL-01 [read in stored copy]: Benjamini Y, Hochberg Y (1995), section 4; scipy documentation
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.324,
        0.4262,
        0.5719,
        0.6528,
        0.759,
        1.0,
    ]
    q = benjamini_hochberg(p)
    assert q[:9] == pytest.approx(
        [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714, 0.06385714, 0.0645, 0.0765], abs=6e-9
    )
    assert sum(1 for value in q if value is not None and value <= 0.05) == 4
    assert benjamini_hochberg([None, 0.5]) == [None, 0.5]
