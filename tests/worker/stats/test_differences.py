"""Newcombe's interval of a difference beside published ones."""

from __future__ import annotations

import pytest

from worker.stats.clustering import NOTHING_JUDGED, Effective
from worker.stats.differences import newcombe


@pytest.mark.parametrize(
    ("x1", "n1", "x2", "n2", "limits"),
    [
        # DIF-01 [from memory]: Newcombe RG (1998), Statistics in Medicine 17, 873-890, Table II, method 10
        (56, 70, 48, 80, (0.0524, 0.3339)),
        (9, 10, 3, 10, (0.1705, 0.809)),
        (6, 7, 2, 7, (0.0582, 0.8062)),
        # DIF-02 [read in stored copy]: the same, as asserted in the test suite of R package ratesci
        (5, 56, 0, 29, (-0.0381, 0.1926)),
        # DIF-04 [read in stored copy]: Fagerland MW et al. (2017), R package contingencytables, test-ch4.R
        (7, 34, 1, 34, (0.0189, 0.3404)),
    ],
)
def test_newcombe_gives_the_published_limits(x1: int, n1: int, x2: int, n2: int, limits: tuple[float, float]) -> None:
    found = newcombe(Effective(x1, n1), Effective(x2, n2), confidence=0.95)
    assert (found.low, found.high) == pytest.approx(limits, abs=6e-5)


def test_newcombe_of_nothing_says_so() -> None:
    found = newcombe(Effective(0, 0), Effective(1, 2), confidence=0.95)
    assert (found.difference, found.low, found.high, found.reason) == (None, None, None, NOTHING_JUDGED)
