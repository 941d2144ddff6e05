"""Demonstrations beside published sample sizes and an exact recount."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from worker.stats.clustering import INDEPENDENCE_ASSUMED, NOTHING_JUDGED, Clustered, Correlation, Effective, effective
from worker.stats.demonstration import TOO_MANY, demonstrated, more_good, one_sided, trials_needed


def singly(x: float, n: float) -> Effective:
    """Parts on plates of their own."""
    return Effective(x, n, 1.0, int(n))


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    [
        # QUA-01 [from memory]: success-run sample sizes of standard reliability tables; ceil(ln(1 - C) / ln(R))
        (0.95, 0.95, 59), (0.9, 0.9, 22), (0.9, 0.95, 29), (0.95, 0.9, 45), (0.99, 0.95, 299), (0.99, 0.9, 230),
        (0.99, 0.99, 459), (0.8, 0.9, 11), (0.8, 0.95, 14),
        # 0.8^3 is 0.512 and 0.8^4 is 0.4096, in floats a trifle more: at the bound, which is inside
        (0.8, 0.488, 3), (0.8, 0.5904, 4), (0.9, 0.19, 2), (0.5, 0.5, 1),
    ],
)  # fmt: skip
def test_qua_01_trials_without_failure(reliability: float, confidence: float, n: int) -> None:
    assert trials_needed(reliability=reliability, confidence=confidence) == n
    assert math.ceil(math.log(1 - confidence) / math.log(reliability) - 1e-9) == n


def test_qua_03_trials_with_failures_allowed() -> None:
    # QUA-03 [from memory]: Wilks SS (1941), Annals of Mathematical Statistics 12, 91-96; one-sided 95/95, orders 1-5
    found = [trials_needed(reliability=0.95, confidence=0.95, failures_allowed=allowed) for allowed in range(5)]
    assert found == [59, 93, 124, 153, 181]


def test_qua_05_acceptance_number() -> None:
    # QUA-05 [read in stored copy]: R package AcceptanceSampling, manual, section 3.1: producer 0.05 at 0.95, consumer
    # 0.15 at 0.075; n 80, c 7. With 7 allowed the consumer's point asks for 80 and no fewer.
    assert trials_needed(reliability=0.85, confidence=0.925, failures_allowed=7) == 80
    assert trials_needed(reliability=0.85, confidence=0.925, failures_allowed=6) < 80  # type: ignore[operator]
    assert stats.binom.cdf(6, 72, 0.05) < 0.95 < stats.binom.cdf(7, 80, 0.05)


def exactly(failures: int, n: int, share: Fraction) -> Fraction:
    """Chance of so many failures or fewer, in whole fractions."""
    return sum((comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(failures + 1)), Fraction(0))


@pytest.mark.parametrize("allowed", [0, 1, 2, 5])
@pytest.mark.parametrize("reliability", [Fraction(1, 2), Fraction(4, 5), Fraction(9, 10)])
@pytest.mark.parametrize("confidence", [Fraction(1, 2), Fraction(9, 10), Fraction(19, 20)])
def test_trials_needed_are_the_least_by_exact_fractions(
    allowed: int, reliability: Fraction, confidence: Fraction
) -> None:
    found = trials_needed(reliability=float(reliability), confidence=float(confidence), failures_allowed=allowed)
    assert found is not None
    assert exactly(allowed, found, 1 - reliability) <= 1 - confidence
    assert exactly(allowed, found - 1, 1 - reliability) > 1 - confidence


def test_trials_beyond_the_most_are_none() -> None:
    assert trials_needed(reliability=0.95, confidence=0.95, most=59) == 59
    assert trials_needed(reliability=0.95, confidence=0.95, most=58) is None
    assert trials_needed(reliability=0.95, confidence=0.95, failures_allowed=60, most=60) is None


@pytest.mark.parametrize(
    ("reliability", "confidence", "allowed", "name"),
    [(1, 0.9, 0, "reliability"), (0, 0.9, 0, "reliability"), (0.9, 1, 0, "confidence"), (0.9, 0.9, -1, "failures")],
)
def test_what_cannot_be_planned_is_refused_by_name(
    reliability: float, confidence: float, allowed: int, name: str
) -> None:
    with pytest.raises(ValueError, match=name):
        trials_needed(reliability=reliability, confidence=confidence, failures_allowed=allowed)


# --- bounds -----------------------------------------------------------------------------------------------------


def test_bounds_are_one_sided_clopper_pearson() -> None:
    for x, n in ((0, 20), (15, 148), (13, 16), (59, 59)):
        found = one_sided(singly(x, n), confidence=0.95)
        # Each one-sided 95 % bound is a limit of the two-sided 90 % interval
        interval = stats.binomtest(x, n).proportion_ci(0.9, method="exact")
        assert (found.lower, found.upper) == pytest.approx((interval.low, interval.high), abs=1e-9)
        assert found.n == n


def test_bounds_of_nothing_are_none() -> None:
    found = one_sided(Effective(0, 0), confidence=0.95)
    assert (found.lower, found.upper, found.reason) == (None, None, NOTHING_JUDGED)


def test_bounds_widen_where_few_clusters_tell_the_design_effect() -> None:
    # Korn and Graubard: n x (z / t)^2; at 95 % and 4 degrees of freedom (1.6449 / 2.1318)^2 = 0.5953
    known = Effective(54, 60, 1.5, 5)
    estimated = replace(known, degrees=4.0)
    wide, narrow = one_sided(estimated, confidence=0.95), one_sided(known, confidence=0.95)
    assert wide.n == pytest.approx(60 * (1.644854 / 2.131847) ** 2, abs=1e-4)
    assert wide.lower < narrow.lower  # type: ignore[operator]
    assert wide.upper > narrow.upper  # type: ignore[operator]
    # Where independence is assumed nothing was estimated; the reason says so
    assumed = one_sided(replace(estimated, reason=INDEPENDENCE_ASSUMED), confidence=0.95)
    assert (assumed.lower, assumed.upper) == (narrow.lower, narrow.upper)
    assert assumed.reason == INDEPENDENCE_ASSUMED


@given(st.floats(0, 1), st.floats(0.01, 2000), st.floats(0.5, 0.9999))
def test_bounds_hold_the_share_for_effective_counts(share: float, n: float, confidence: float) -> None:
    found = one_sided(Effective(min(n, share * n), n), confidence=confidence)
    assert found.lower is not None
    assert found.upper is not None
    assert 0 <= found.lower <= min(n, share * n) / n <= found.upper <= 1


# --- a series ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("good", "failures", "allowed", "verdict", "remaining"),
    [
        (0, 0, 0, "open", 22),
        (21, 0, 0, "open", 1),
        (22, 0, 0, "passed", None),
        (30, 0, 0, "passed", None),
        (21, 1, 0, "failed", None),
        # One failure allowed: 38 trials, the 37 others good
        (20, 1, 1, "open", 17),
        (37, 1, 1, "passed", None),
        (40, 2, 1, "failed", None),
    ],
)
def test_series_passes_fails_or_goes_on(
    good: int, failures: int, allowed: int, verdict: str, remaining: int | None
) -> None:
    found = demonstrated(
        singly(good, good + failures), failures=failures, reliability=0.9, confidence=0.9, failures_allowed=allowed
    )
    assert (found.verdict, found.remaining) == (verdict, remaining)
    assert found.needed == (22 if allowed == 0 else 38)
    # The bound says the same as the verdict
    assert (found.lower is not None and found.lower >= 0.9 - 1e-12) == (verdict == "passed")


def test_trials_on_one_plate_count_for_what_they_are() -> None:
    # 30 good ones that count as 20: 2 of 22 are missing, which takes 3 more
    found = demonstrated(Effective(20, 20, 1.5, 5), failures=0, reliability=0.9, confidence=0.9)
    assert (found.verdict, found.remaining) == ("open", 3)


def test_series_that_would_never_end_says_so() -> None:
    found = demonstrated(singly(5, 5), failures=0, reliability=0.9999999, confidence=0.9999)
    assert (found.verdict, found.needed, found.remaining, found.reason) == ("open", None, None, TOO_MANY)


# --- how many more ----------------------------------------------------------------------------------------------


def test_more_good_parts_make_up_what_is_missing_of_a_demonstration() -> None:
    for failures in range(5):
        needed = trials_needed(reliability=0.9, confidence=0.95, failures_allowed=failures)
        assert needed is not None
        for tried in range(failures, needed + 1):
            found = more_good(singly(tried - failures, tried), reliability=0.9, confidence=0.95, least_plates=0)
            assert found.parts == needed - tried


def test_example_of_22_more_good_parts_on_three_plates() -> None:
    found = more_good(Effective(0, 0), reliability=0.9, confidence=0.9, least_plates=2, parts_a_plate=8)
    assert (found.parts, found.plates, found.reason) == (22, 3, None)


@pytest.mark.parametrize(
    ("good", "clusters", "least_plates", "parts_a_plate", "parts", "plates"),
    [
        (22, 2, 2, None, 0, 0),
        # All are good, but on one plate: a second one is missing, with a part on it
        (30, 1, 2, None, 1, 1),
        (30, 1, 4, None, 3, 3),
        (12, 1, 2, None, 10, 1),
        (12, 1, 2, 4.0, 10, 3),
        (12, 1, 5, 4.0, 10, 4),
    ],
)
def test_more_good_parts_are_spread_over_plates(
    good: int, clusters: int, least_plates: int, parts_a_plate: float | None, parts: int, plates: int
) -> None:
    found = more_good(
        Effective(good, good, 1.0, clusters),
        reliability=0.9,
        confidence=0.9,
        least_plates=least_plates,
        parts_a_plate=parts_a_plate,
    )
    assert (found.parts, found.plates) == (parts, plates)


def test_more_good_than_anyone_will_cut_is_none() -> None:
    found = more_good(singly(0, 100), reliability=0.99, confidence=0.95, most=9_000)
    assert (found.parts, found.plates, found.reason) == (None, None, TOO_MANY)


@given(
    st.lists(st.tuples(st.integers(0, 6), st.integers(1, 6)).map(lambda p: (min(p), p[1])), max_size=12),
    st.sampled_from((0.5, 0.8, 0.95)),
    st.sampled_from((0.8, 0.95)),
    st.none() | st.floats(0, 0.5),
)
def test_more_good_parts_lift_the_bound_to_the_reliability_and_one_less_does_not(
    plates: list[tuple[int, int]], reliability: float, confidence: float, pooled: float | None
) -> None:
    known = None if pooled is None else Correlation(pooled, degrees=7.0)
    counts = effective(Clustered.of(plates), pooled=known)
    found = more_good(counts, reliability=reliability, confidence=confidence, least_plates=0)
    assert found.parts is not None

    def bound(more: int) -> float:
        added = more / counts.design_effect
        lower = one_sided(replace(counts, x=counts.x + added, n=counts.n + added), confidence=confidence).lower
        return 0.0 if lower is None else lower

    assert bound(found.parts) >= reliability - 1e-9
    assert found.parts == 0 or bound(found.parts - 1) < reliability + 1e-9


def test_all_good_series_on_plates_of_their_own_keeps_its_confidence() -> None:
    # The chance to prove 90 % with 22 of 22 although it is 90 %: at most 10 %, and hardly less
    for allowed, n in ((0, 22), (1, 38), (2, 52)):
        assert trials_needed(reliability=0.9, confidence=0.9, failures_allowed=allowed) == n
        assert 0.09 < stats.binom.cdf(allowed, n, 0.1) <= 0.1
