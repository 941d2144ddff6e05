"""Thousands of small random inputs, zeros and single strata among them, beside scipy, statsmodels, numpy, lifelines."""

from __future__ import annotations

import math
import random
import warnings
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from scipy import stats

from worker.stats.clustering import Clustered, Effective, clustered_wilson, correlation, effective
from worker.stats.conditional import conditional
from worker.stats.differences import newcombe
from worker.stats.lognormal import positive_mean
from worker.stats.lots import funnel, poisson_limits
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.proportions import by_student, clopper_pearson, exact_bound, jeffreys, quantile, wilson
from worker.stats.quantiles import quantile_of
from worker.stats.strata import Stratum, compared, informative, pooled_difference
from worker.stats.survival import kaplan_meier

with warnings.catch_warnings():
    # What the libraries import may warn of its own dependencies.
    warnings.simplefilter("ignore")
    from statsmodels.stats.contingency_tables import StratifiedTable
    from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

CONFIDENCES = (0.8, 0.9, 0.95, 0.998)


def ordered(low: float | None, middle: float | None, high: float | None, *, least: float, most: float) -> None:
    """All three are numbers, in this order and within these bounds."""
    assert low is not None
    assert middle is not None
    assert high is not None
    assert least <= low <= middle + 1e-12
    assert middle - 1e-12 <= high <= most


def tables(seed: int, *, many: int, strata: int, largest: int) -> Iterator[list[tuple[int, int, int, int]]]:
    """x1 of n1, x2 of n2, in up to so many strata; any may be zero."""
    chance = random.Random(seed)
    for _ in range(many):
        found = []
        for _ in range(chance.randint(1, strata)):
            n1, n2 = chance.randint(0, largest), chance.randint(0, largest)
            found.append((chance.randint(0, n1), n1, chance.randint(0, n2), n2))
        yield found


def clusters(chance: random.Random) -> list[tuple[int, int]]:
    """Few plates, x of n parts on each: all good, all bad, or mixed."""
    share = chance.choice((0.0, 0.3, 0.7, 0.95, 1.0))
    sizes = [chance.choice((1, 1, 2, 5, 12)) for _ in range(chance.randint(1, 6))]
    return [(sum(chance.random() < share for _ in range(n)), n) for n in sizes]


# --- shares -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_intervals_of_all_small_shares_are_those_of_statsmodels(confidence: float) -> None:
    pairs = np.array([(x, n) for n in range(1, 41) for x in range(n + 1)])
    x, n = pairs.T
    methods = {"wilson": wilson, "beta": clopper_pearson, "jeffreys": jeffreys}
    for name, method in methods.items():
        lows, highs = proportion_confint(x, n, 1 - confidence, name)
        for (good, parts), low, high in zip(pairs.tolist(), lows, highs, strict=True):
            found = method(good, parts, confidence=confidence)
            assert found is not None
            ordered(found[0], good / parts, found[1], least=0, most=1)
            # The library's Jeffreys lacks the rule that the limit at none is 0 and that at all is 1.
            expected = (
                0.0 if name == "jeffreys" and good == 0 else low, 1.0 if name == "jeffreys" and good == parts else high
            )  # fmt: skip
            assert found == pytest.approx(expected, abs=1e-9), (name, good, parts)
    assert [method(0, 0, confidence=confidence) for method in methods.values()] == [None, None, None]


def test_one_sided_bounds_are_those_of_scipy() -> None:
    for n in range(1, 16):
        for x in range(n + 1):
            for confidence in (0.9, 0.95):
                # The alternative "greater" has all of its confidence in the lower limit.
                lower = stats.binomtest(x, n, alternative="greater").proportion_ci(confidence, "exact").low
                upper = stats.binomtest(x, n, alternative="less").proportion_ci(confidence, "exact").high
                assert exact_bound(x, n, side="lower", confidence=confidence) == pytest.approx(lower, abs=1e-9)
                assert exact_bound(x, n, side="upper", confidence=confidence) == pytest.approx(upper, abs=1e-9)


def test_quantiles_and_p_values_of_student_are_those_of_scipy() -> None:
    for degrees in (1.0, 1.7, 3, 12.5, 48):
        for p in (1e-12, 0.002, 0.05, 0.4, 1.0):
            expected = 2 * stats.t.sf(stats.norm.isf(p / 2), degrees)
            assert by_student(p, degrees) == pytest.approx(expected, rel=1e-9)
            assert by_student(p, degrees) >= p
        assert quantile(0.95, degrees) == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-9)
    assert (by_student(0.03), by_student(0.0, 4.0)) == (0.03, 0.0)


def test_newcombe_of_random_pairs_is_that_of_statsmodels() -> None:
    for ((x1, n1, x2, n2),) in tables(3, many=3_000, strata=1, largest=14):
        found = newcombe(Effective(x1, n1), Effective(x2, n2), confidence=0.95)
        if not n1 or not n2:
            assert (found.difference, found.low, found.high) == (None, None, None)
            assert found.reason
            continue
        ordered(found.low, found.difference, found.high, least=-1, most=1)
        limits = confint_proportions_2indep(x1, n1, x2, n2, method="newcomb", compare="diff", alpha=0.05)
        assert (found.low, found.high) == pytest.approx(limits, abs=1e-9), (x1, n1, x2, n2)


# --- clusters ---------------------------------------------------------------------------------------------------


def test_correlation_of_random_plates_is_that_of_an_analysis_of_variance() -> None:
    chance = random.Random(5)
    compared_ones = 0
    for _ in range(2_000):
        plates = clusters(chance)
        found = correlation([Clustered.of(plates)])
        sizes = [n for _, n in plates]
        parts, many = sum(sizes), len(plates)
        # A library's one-way analysis needs spread within and between.
        groups = [[1.0] * x + [0.0] * (n - x) for x, n in plates]
        if many < 2 or parts == many or len({part for group in groups for part in group}) < 2:
            assert found is None
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            ratio = stats.f_oneway(*groups).statistic
        size = (parts - sum(n * n for n in sizes) / parts) / (many - 1)
        expected = 1.0 if math.isinf(ratio) else max(-1.0, (ratio - 1) / (ratio + size - 1))
        assert found == pytest.approx(expected, abs=1e-9)
        assert found is not None
        assert 0 <= found.degrees <= many - 1 + 1e-12
        compared_ones += 1
    assert compared_ones > 700


def test_clustered_intervals_of_random_plates_hold_their_share_and_are_no_narrower_than_plain_ones() -> None:
    chance = random.Random(7)
    for _ in range(3_000):
        groups = [Clustered.of(clusters(chance)) for _ in range(chance.randint(1, 4))]
        pooled = correlation(groups)
        for counts in groups:
            for known, own in ((None, True), (pooled, pooled is None)):
                found = clustered_wilson(counts, confidence=0.95, pooled=known, own=own)
                ordered(found.low, found.share, found.high, least=0, most=1)
                plain = wilson(counts.x, counts.n, confidence=0.95)
                assert plain is not None
                assert found.low is not None
                assert found.high is not None
                assert found.low <= plain[0] + 1e-12
                assert found.high >= plain[1] - 1e-12
                assert found.degrees is None or 1 <= found.degrees < 49


# --- strata -----------------------------------------------------------------------------------------------------


def test_comparisons_of_random_strata_are_those_of_statsmodels() -> None:
    told = 0
    for strata in tables(11, many=1_500, strata=4, largest=12):
        found = compared([Stratum.of(*one) for one in strata], confidence=0.95)
        kept = informative([Stratum.of(*one) for one in strata])
        assert found.strata + found.dropped == len(strata)
        if found.association is None or found.common.low is None:
            assert found.reason
            continue
        cells = [[[a, b], [c, d]] for a, b, c, d in (one.cells for one in kept)]
        reference = StratifiedTable([np.array(one, dtype=float) for one in cells])
        plain = reference.test_null_odds(correction=False)
        assert (found.association.chi2, found.association.p) == pytest.approx((plain.statistic, plain.pvalue), abs=1e-9)
        # The library corrects beyond no difference, where the gap is below a half; the correction ends at 0.
        corrected = reference.test_null_odds(correction=True)
        if abs(sum(one.first.x - one.expected for one in kept)) >= 0.5:
            assert found.association.chi2_corrected == pytest.approx(corrected.statistic, abs=1e-9)
        assert found.common.odds_ratio == pytest.approx(reference.oddsratio_pooled, rel=1e-9)
        assert (found.common.low, found.common.high) == pytest.approx(
            reference.oddsratio_pooled_confint(0.05), rel=1e-7
        )
        # The library divides by the odds ratio less 1.
        if len(kept) > 1 and abs(reference.oddsratio_pooled - 1) > 1e-6:
            same = reference.test_equal_odds(adjust=True)
            assert (found.sameness.chi2, found.sameness.p) == pytest.approx((same.statistic, same.pvalue), abs=1e-6)
        told += 1
    assert told > 800


def test_exact_tests_of_random_tables_are_those_of_scipy() -> None:
    told = 0
    for ((x1, n1, x2, n2),) in tables(13, many=1_500, strata=1, largest=10):
        found = conditional([(x1, n1 - x1, x2, n2 - x2)], confidence=0.95)
        if not 0 < x1 + x2 < n1 + n2 or not n1 or not n2:
            assert (found.p, found.odds_ratio) == (None, None)
            assert found.reason
            continue
        table = [[x1, n1 - x1], [x2, n2 - x2]]
        p_values = [stats.fisher_exact(table, alternative=side).pvalue for side in ("two-sided", "less", "greater")]
        assert [found.p, found.p_less, found.p_greater] == pytest.approx(p_values, abs=1e-9)
        if told < 100:
            reference = stats.contingency.odds_ratio(table)
            limits = reference.confidence_interval(0.95)
            # What has no bound is None here, infinite there.
            assert (found.low, found.odds_ratio or 0.0) == pytest.approx(
                (limits.low, 0.0 if found.odds_ratio is None else reference.statistic), rel=1e-5, abs=1e-9
            )
            assert math.isinf(limits.high) if found.high is None else found.high == pytest.approx(limits.high, rel=1e-5)
        told += 1
    assert told > 1_000


def test_exact_tests_of_random_strata_are_those_of_all_outcomes_by_scipy() -> None:
    for strata in tables(17, many=600, strata=4, largest=7):
        found = conditional([(x1, n1 - x1, x2, n2 - x2) for x1, n1, x2, n2 in strata], confidence=0.95)
        chances, seen = np.ones(1), 0
        for x1, n1, x2, n2 in strata:
            if not 0 < x1 + x2 < n1 + n2 or not n1 or not n2:
                continue
            least = max(0, x1 + x2 - n2)
            outcomes = np.arange(least, min(n1, x1 + x2) + 1)
            chances = np.convolve(chances, stats.hypergeom.pmf(outcomes, n1 + n2, x1 + x2, n1))
            seen += x1 - least
        if len(chances) == 1:
            assert found.p is None
            continue
        two_sided = chances[chances <= chances[seen] * (1 + 1e-7)].sum()
        assert (found.p, found.p_less, found.p_greater) == pytest.approx(
            (two_sided, chances[: seen + 1].sum(), chances[seen:].sum()), abs=1e-9
        )


def test_pooled_differences_of_random_effective_strata_hold_their_estimate() -> None:
    chance = random.Random(19)
    for _ in range(3_000):
        pairs = [(Clustered.of(clusters(chance)), Clustered.of(clusters(chance))) for _ in range(chance.randint(1, 3))]
        pooled = correlation([one for pair in pairs for one in pair])
        strata = [
            Stratum(effective(one, pooled=pooled, own=False), effective(other, pooled=pooled, own=False))
            for one, other in pairs
        ]
        found = pooled_difference(strata, confidence=0.95)
        ordered(found.low, found.difference, found.high, least=-1, most=1)
        whole = compared(strata, confidence=0.95)
        assert whole.p is None or 0 <= whole.p <= 1
        assert whole.exact is None or whole.exact.p is None or whole.p is None or whole.p >= whole.exact.p - 1e-12


def test_exact_tests_of_effective_counts_keep_the_share_of_each_group() -> None:
    # 12 parts of one plate tell as much as 3.75: 10, 11 and 12 good ones are 3.33, 3.67 and 4 of 4.
    for good, whole in ((12, 4), (11, 4), (10, 3), (1, 0), (0, 0)):
        for n, x in ((30.0, 27.0), (6.0, 3.0)):
            found = conditional([(x, n - x, good / 3.2, (12 - good) / 3.2)], confidence=0.95)
            assert found == conditional([(x, n - x, whole, 4 - whole)], confidence=0.95)


# --- many at once -----------------------------------------------------------------------------------------------


def test_q_values_of_random_p_values_are_those_of_scipy() -> None:
    chance = random.Random(23)
    for _ in range(2_000):
        p = [
            chance.choice((0.0, 0.01, 1.0, chance.random(), chance.random() ** 4)) for _ in range(chance.randint(1, 12))
        ]
        assert benjamini_hochberg(p) == pytest.approx(list(stats.false_discovery_control(p)), abs=1e-12)


def test_poisson_limits_are_those_of_chi_square() -> None:
    for expected in (0.01, 0.5, 1, 7.3, 400):
        for confidence in CONFIDENCES:
            tail = (1 - confidence) / 2
            limits = stats.chi2.ppf(tail, 2 * expected), stats.chi2.isf(tail, 2 * expected + 2)
            found = poisson_limits(expected, confidence=confidence)
            assert found == pytest.approx([limit / 2 / expected for limit in limits], rel=1e-9)
    assert poisson_limits(0, confidence=0.95) is None


def test_funnels_of_independent_parts_are_beta_binomial_by_scipy() -> None:
    for ((x, n, others_x, others_n),) in tables(29, many=1_000, strata=1, largest=20):
        lots = {"one": {0: Clustered.singly(x, n)}, "others": {0: Clustered.singly(others_x, others_n)}}
        found = funnel(lots, least_parts=1)["one"]
        if not n or not others_n:
            assert found.p is None
            assert found.reason
            continue
        # The rate of the others by Jeffreys' prior.
        chance = stats.betabinom(n, others_x + 0.5, others_n - others_x + 0.5)
        assert found.p == pytest.approx(min(1.0, 2 * min(chance.cdf(x), chance.sf(x - 1))), abs=1e-9)


def test_funnels_of_random_lots_hold_their_bounds() -> None:
    chance = random.Random(31)
    for _ in range(400):
        lots = {
            number: {stratum: Clustered.of(clusters(chance)) for stratum in range(chance.randint(0, 2))}
            for number in range(chance.randint(1, 5))
        }
        for one in funnel(lots).values():
            if one.p is None:
                assert one.reason
                continue
            assert one.warning is not None
            assert one.alarm is not None
            ordered(one.alarm.low, one.warning.low, one.warning.high, least=0, most=1)
            ordered(one.warning.low, one.warning.high, one.alarm.high, least=0, most=1)
            assert one.q is not None
            assert 0 <= one.p <= one.q <= 1


# --- attempts, times --------------------------------------------------------------------------------------------


def test_curves_of_random_pieces_are_those_of_lifelines() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        lifelines = pytest.importorskip("lifelines")
    chance = random.Random(37)
    for _ in range(60):
        pieces = [(chance.randint(1, 6), chance.random() < 0.7) for _ in range(chance.randint(1, 25))]
        steps = kaplan_meier(pieces, confidence=0.95).steps
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitted = lifelines.KaplanMeierFitter(alpha=0.05).fit(*zip(*pieces, strict=True))
        for step in steps:
            assert step.survival == pytest.approx(fitted.survival_function_at_times(step.time).item(), abs=1e-9)
            if step.lower is not None:
                limits = fitted.confidence_interval_survival_function_.loc[step.time].tolist()
                assert (step.lower, step.upper) == pytest.approx(limits, abs=1e-6)


def test_percentiles_of_random_values_are_those_of_numpy() -> None:
    chance = random.Random(41)
    for _ in range(3_000):
        values: Sequence[float] = [chance.choice((0.0, 1.0, chance.gauss(3, 2))) for _ in range(chance.randint(1, 9))]
        share = chance.choice((0.0, 0.5, 0.9, 1.0, chance.random()))
        assert quantile_of(values, share) == pytest.approx(float(np.quantile(values, share)), abs=1e-9)


def test_means_of_random_times_hold_their_estimate() -> None:
    chance = random.Random(43)
    for _ in range(3_000):
        values = [chance.choice((0.0, chance.lognormvariate(2, 1))) for _ in range(chance.randint(0, 12))]
        found = positive_mean(values, confidence=0.95, design_effect=chance.choice((1.0, 1.0, 2.5)))
        assert found.n + found.zeros == len(values)
        if found.low is None or found.mean is None:
            assert found.reason
            continue
        assert 0 <= found.low <= found.mean + 1e-12
        assert found.high is None or found.mean <= found.high + 1e-12
