"""The test of a trend over ordered groups beside a published example and statsmodels."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import Table

from worker.stats.clustering import Clustered, Effective, effective
from worker.stats.ordered_trend import NO_TWO_GROUPS, TOO_FEW_TO_TREND, ordered_trend

#: Agresti A, Categorical Data Analysis (Wiley), malformed infants by their mothers' drinks a day (from memory):
#: (score, malformed, others); M^2 = 6.57 on one degree of freedom, P = 0.01.
DRINKS = [(0.0, 48, 17_066), (0.5, 38, 14_464), (1.5, 5, 788), (4.0, 1, 126), (7.0, 1, 37)]


def test_trend_of_a_textbook_example() -> None:
    found = ordered_trend([[(score, Effective(x, x + others)) for score, x, others in DRINKS]])
    assert found.z is not None
    assert found.p is not None
    assert found.z**2 == pytest.approx(6.57, abs=5e-3)
    assert found.p == pytest.approx(0.0104, abs=1e-4)
    assert found.rises


def groups(rng: Random, *, of: int) -> list[tuple[float, int, int]]:
    return [(float(score), rng.randint(3, 20), rng.randint(20, 60)) for score in range(of)]


@pytest.mark.parametrize("seed", range(5))
def test_trend_is_that_of_statsmodels_and_adds_up_over_strata(seed: int) -> None:
    rng = Random(seed)
    strata = [groups(rng, of=4) for _ in range(3)]
    total = variance = 0.0
    for told in strata:
        table = Table(np.array([[others, x] for _, x, others in told]), shift_zeros=False)
        reference = table.test_ordinal_association(np.array([score for score, _, _ in told]), np.array([0.0, 1.0]))
        total += reference.statistic - reference.null_mean
        variance += reference.null_sd**2
    found = ordered_trend([[(score, Effective(x, x + others)) for score, x, others in told] for told in strata])
    assert found.z == pytest.approx(total / math.sqrt(variance), rel=1e-9)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(10, 30)), min_size=3, max_size=6), st.randoms())
def test_trend_knows_no_order_of_rows_and_turns_with_the_scores(told: list[tuple[int, int]], rng: Random) -> None:
    rows = [(float(score), Effective(x, n)) for score, (x, n) in enumerate(told)]
    found = ordered_trend([rows])
    shuffled = ordered_trend([rng.sample(rows, len(rows))])
    turned = ordered_trend([[(-score, counts) for score, counts in rows]])
    if found.z is None or turned.z is None:
        assert (found, shuffled) == (turned, turned)
        return
    assert shuffled.z == pytest.approx(found.z, abs=1e-12)
    assert turned.z == pytest.approx(-found.z, abs=1e-12)
    assert (turned.p, found.p) == (pytest.approx(found.p), pytest.approx(shuffled.p))


def test_trend_of_plates_that_fail_as_a_whole_is_less_sure_than_that_of_as_many_parts() -> None:
    # 10 parts a plate that fail together tell as much as one.
    def rows(size: int) -> list[tuple[float, Effective]]:
        fresh = Clustered.of([(size, size)] * 4 + [(0, size)] * 16)
        worn = Clustered.of([(size, size)] * 12 + [(0, size)] * 8)
        return [(0.0, effective(fresh, pooled=1.0, own=False)), (1.0, effective(worn, pooled=1.0, own=False))]

    single, together = ordered_trend([rows(1)]), ordered_trend([rows(10)])
    assert together.z == pytest.approx(single.z)
    assert ordered_trend([[(0.0, Effective(40, 200)), (1.0, Effective(120, 200))]]).z == pytest.approx(8.14, abs=0.02)
    assert single.z == pytest.approx(2.55, abs=0.02)


@pytest.mark.parametrize(
    ("strata", "reason"),
    [
        ([], NO_TWO_GROUPS),
        ([[(0.0, Effective(3, 10))]], NO_TWO_GROUPS),
        ([[(0.0, Effective(0, 10)), (1.0, Effective(0, 10))]], NO_TWO_GROUPS),
        ([[(0.0, Effective(10, 10)), (1.0, Effective(0, 0))]], NO_TWO_GROUPS),
        ([[(0.0, Effective(1, 10)), (1.0, Effective(3, 10))]], TOO_FEW_TO_TREND),
    ],
    ids=["nothing", "one group", "all alike", "an empty one", "four failures"],
)
def test_no_trend_is_told_where_there_is_none_to_tell(strata: list[list[tuple[float, Effective]]], reason: str) -> None:
    found = ordered_trend(strata)
    assert (found.z, found.p, found.reason, found.rises) == (None, None, reason, False)
