"""Two groups over strata, beside published figures and in every corner."""

from __future__ import annotations

import random
from dataclasses import asdict
from typing import Any

import pytest

from worker.stats.clustering import Clustered, correlation, effective
from worker.stats.proportions import by_student
from worker.stats.strata import EXACT, Stratum, compared, mantel_haenszel

#: CMH-01 [read in stored copy]: R base, ?mantelhaen.test, penicillin and rabbits (Agresti 1990, pp. 231-237).
RABBITS = [
    Stratum.of(0, 6, 0, 5),
    Stratum.of(3, 6, 0, 6),
    Stratum.of(6, 6, 2, 6),
    Stratum.of(5, 6, 6, 6),
    Stratum.of(2, 2, 5, 5),
]
#: CMH-02 [read in stored copy]: R base, ?mantelhaen.test, UCBAdmissions (Bickel, Hammel, O'Connell 1975).
ADMISSIONS = [
    Stratum.of(512, 825, 89, 108), Stratum.of(353, 560, 17, 25), Stratum.of(120, 325, 202, 593),
    Stratum.of(138, 417, 131, 375), Stratum.of(53, 191, 94, 393), Stratum.of(22, 373, 24, 341),
]  # fmt: skip


def test_cmh_01_sparse_strata_are_judged_exactly() -> None:
    found = compared(RABBITS, confidence=0.95)
    assert (found.strata, found.dropped, found.sparse) == (3, 2, True)
    assert (found.common.odds_ratio, found.common.low, found.common.high) == pytest.approx(
        (7, 1.026713, 47.725133), rel=2e-4
    )
    assert found.association is not None
    assert (found.association.chi2_corrected, found.association.p_corrected) == pytest.approx(
        (3.9286, 0.04747), rel=2e-4
    )
    assert found.exact is not None
    assert (found.p, found.exact.p_greater, found.exact.odds_ratio) == pytest.approx(
        (0.03994, 0.01997, 10.36102), rel=2e-4
    )


def test_cmh_02_strata_undo_the_pooled_comparison() -> None:
    found = compared(ADMISSIONS, confidence=0.95)
    common = found.common
    assert (common.odds_ratio, common.low, common.high) == pytest.approx((0.9046968, 0.7719074, 1.0603298), abs=6e-5)
    assert found.association is not None
    assert (found.association.chi2_corrected, found.association.p_corrected) == pytest.approx(
        (1.4269, 0.2323), abs=6e-5
    )
    whole = mantel_haenszel([Stratum.of(1198, 2691, 557, 1835)], confidence=0.95)
    assert whole.odds_ratio == pytest.approx(1.84, abs=0.005)


def test_exact_p_allows_for_a_design_effect_that_few_plates_tell() -> None:
    clean, rusty = Clustered.of([(12, 12), (11, 12), (10, 12)]), Clustered.of([(2, 12), (9, 12)])
    pooled = correlation([clean, rusty])
    whole = compared(
        [Stratum(effective(clean, pooled=pooled, own=False), effective(rusty, pooled=pooled, own=False))],
        confidence=0.95,
    )
    assert whole.method == EXACT
    assert whole.exact is not None
    assert whole.exact.p is not None
    # Five plates in two groups leave 3 degrees of freedom.
    assert whole.p == pytest.approx(by_student(whole.exact.p, 3))
    assert whole.p > whole.exact.p


def test_comparison_has_no_nan_and_no_infinity_over_random_tables() -> None:
    chance = random.Random(4)
    for _ in range(1500):
        strata = []
        for _ in range(chance.randint(0, 4)):
            n1, n2 = chance.randint(0, 9), chance.randint(0, 9)
            strata.append(Stratum.of(chance.randint(0, n1), n1, chance.randint(0, n2), n2))
        found = compared(strata, confidence=0.95)
        _finite(asdict(found))
        chance.shuffle(strata)
        assert compared(strata, confidence=0.95) == found


def _finite(values: Any) -> None:
    for value in values.values():
        if isinstance(value, dict):
            _finite(value)
        elif isinstance(value, float):
            assert abs(value) < 1e300
