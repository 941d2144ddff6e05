"""The statistics beside published figures. Each with its source; `from memory` where it was not read.

Ids are those of the project's list of published checks.
"""

from __future__ import annotations

from random import Random

import pytest
from scipy.stats import CensoredData, ecdf

from worker.stats.charts import auto_chart, laney_chart, overdispersion, p_chart
from worker.stats.clustering import Clustered, clustered_wilson, effective
from worker.stats.conditional import conditional
from worker.stats.ewma import EwmaDesign, average_run_length, ewma, tuned_to
from worker.stats.lots import poisson_limits
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.proportions import clopper_pearson, exact_bound, jeffreys
from worker.stats.runs import NELSON, ends
from worker.stats.strata import Stratum, cochran_mantel_haenszel, compared
from worker.stats.survival import kaplan_meier
from worker.stats.thickness_curve import Tried, yield_curve
from worker.stats.thickness_limit import thickness_limit

# --- shares -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x", "n", "limits", "within"),
    [
        # BIN-01 [from memory], BIN-02, BIN-03 [read in stored copy]: Newcombe RG (1998), Statistics in Medicine 17,
        # 857-872, Table I.
        (81, 263, (0.2527, 0.3676), 6e-5),
        (15, 148, (0.0578, 0.1617), 6e-5),
        (0, 20, (0, 0.1684), 6e-5),
        # BIN-05 [read in stored copy]: Fagerland, Lydersen, Laake (2017), Statistical Analysis of Contingency Tables.
        (13, 16, (0.5435, 0.9595), 6e-5),
        # BIN-06 [read in stored copy]: R package binom, output in the statsmodels test suite.
        (18, 20, (0.6830172859809176, 0.9876514728297052), 1e-7),
        (4, 20, (0.05733399705003284, 0.436614002996668), 1e-7),
        (4, 200, (0.005475565879556443, 0.05041360908989634), 1e-7),
        (1, 30, (0.0008435709, 0.17216946), 1e-7),
        # BIN-08 [read in stored copy]: R base, ?binom.test (Conover 1971, p. 97).
        (682, 925, (0.7076683, 0.7654066), 1e-7),
        # BIN-11 [read in stored copy]: scipy documentation, BinomTestResult.proportion_ci.
        (7, 50, (0.05819170033997342, 0.26739600249700846), 1e-10),
        # BIN-14 [read in stored copy]: Fagerland et al. (2017); R package contingencytables, test-ch2.R, boundaries.
        (0, 1, (0, 0.975), 6e-5),
        (1, 1, (0.025, 1), 6e-5),
    ],
)
def test_bin_clopper_pearson(x: int, n: int, limits: tuple[float, float], within: float) -> None:
    assert clopper_pearson(x, n, confidence=0.95) == pytest.approx(limits, abs=within)


@pytest.mark.parametrize(
    ("x", "n", "limits", "within"),
    [
        # BIN-03b [read in stored copy]: Brown, Cai, DasGupta (2001), Statistical Science 16, 101-133.
        (0, 20, (0, 0.117), 6e-4),
        (1, 29, (0.004, 0.15), 6e-4),
        # BIN-05
        (13, 16, (0.5792, 0.9442), 6e-5),
    ],
)
def test_bin_jeffreys(x: int, n: int, limits: tuple[float, float], within: float) -> None:
    assert jeffreys(x, n, confidence=0.95) == pytest.approx(limits, abs=within)


def test_the_one_sided_bound_after_no_failure_is_in_closed_form() -> None:
    # 1 - 0.05^(1/n): 59 good parts of 59 show 95 % reliability with 95 % confidence, 58 do not.
    for n in (1, 22, 58, 59, 300):
        assert exact_bound(0, n, side="upper", confidence=0.95) == pytest.approx(1 - 0.05 ** (1 / n), abs=1e-12)
    assert (
        exact_bound(59, 59, side="lower", confidence=0.95) > 0.95 > exact_bound(58, 58, side="lower", confidence=0.95)
    )


# --- two shares -------------------------------------------------------------------------------------------------


def test_dif_05_tea_drinker() -> None:
    # [read in stored copy]: R base, ?fisher.test (Agresti 1990, p. 61), output in R tests/Examples/stats-Ex.Rout.save.
    found = conditional([(3, 1, 1, 3)], confidence=0.9)
    assert (found.p_greater, found.odds_ratio) == pytest.approx((0.2429, 6.408309), abs=5e-5)
    # A limit of a two-sided 90 % interval is a one-sided 95 % one.
    assert found.low == pytest.approx(0.3135693, abs=5e-5)


def test_dif_06_convictions_of_twins() -> None:
    # [read in stored copy]: R base, ?fisher.test (Fisher 1962), output in R tests/Examples/stats-Ex.Rout.save.
    found = {confidence: conditional([(2, 15, 10, 3)], confidence=confidence) for confidence in (0.9, 0.95, 0.99)}
    one = found[0.95]
    assert (one.p_less, one.p, one.odds_ratio) == pytest.approx((0.0004652, 0.0005367, 0.04693661), abs=2e-5)
    assert (one.low, one.high) == pytest.approx((0.003325764, 0.363182271), abs=2e-5)
    assert (found[0.99].low, found[0.99].high) == pytest.approx((0.001386333, 0.578851645), abs=2e-5)
    assert found[0.9].high == pytest.approx(0.2849601, abs=2e-5)


@pytest.mark.parametrize(
    ("table", "chi2", "chi2_corrected", "within"),
    [
        # DIF-08 [read in stored copy]: Fagerland et al. (2017); R package contingencytables, test-ch4.R, tea tasting.
        ((3, 4, 1, 4), 2.0, 0.5, 6e-5),
        # DIF-10 [read in stored copy]: scipy documentation, barnard_exact, vaccine: the square of its Wald statistic.
        ((7, 15, 12, 15), 1.894**2, None, 2 * 1.894 * 6e-4),
    ],
)
def test_dif_08_and_10_cmh_of_one_table_is_pearsons_less_one_part(
    table: tuple[int, int, int, int], chi2: float, chi2_corrected: float | None, within: float
) -> None:
    # Mantel and Haenszel divide by n - 1 where Pearson, and Yates, divide by n.
    n = table[1] + table[3]
    found = cochran_mantel_haenszel([Stratum.of(*table)])
    assert found is not None
    assert found.chi2 * n / (n - 1) == pytest.approx(chi2, abs=within)
    if chi2_corrected is not None:
        assert found.chi2_corrected * n / (n - 1) == pytest.approx(chi2_corrected, abs=within)


# --- clusters ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("place", "mean"), [(1, 0.786885), (2, 0.076503), (3, 0.136612)])
def test_clu_03_share_over_clusters_is_the_ratio_estimate(place: int, mean: float) -> None:
    # [from memory]: Lumley T (2010), Complex Surveys; R package survey, svymean(~stype) over apiclus1. Schools of a
    # district: all, elementary, high, middle. The printed standard errors are those of another estimate of variance.
    districts = (
        (13, 10, 0, 3), (34, 34, 0, 0), (4, 2, 1, 1), (13, 10, 0, 3), (16, 13, 0, 3), (2, 2, 0, 0), (1, 1, 0, 0),
        (4, 2, 1, 1), (12, 9, 1, 2), (21, 16, 2, 3), (9, 4, 4, 1), (11, 8, 1, 2), (37, 30, 3, 4), (2, 1, 0, 1),
        (4, 2, 1, 1),
    )  # fmt: skip
    found = clustered_wilson(Clustered.of((one[place], one[0]) for one in districts), confidence=0.95)
    assert found.share == pytest.approx(mean, abs=6e-7)


# --- many at once -----------------------------------------------------------------------------------------------


def test_mul_03_benjamini_hochberg() -> None:
    # [read in stored copy]: output of R package multtest, in statsmodels test_multi.py; the four smallest, in order.
    p = [
        0.838541367553, 0.642193923795, 0.680845947633, 0.967833824309, 0.71626938238, 0.177096952723,
        5.23656777208e-05, 0.0202732688798, 0.00028140506198, 0.0149877310796,
    ]  # fmt: skip
    q = sorted(value for value in benjamini_hochberg(p) if value is not None)
    expected = [0.000523656777208, 0.0014070253098999999, 0.04995910359866667, 0.0506831721995]
    assert q[:4] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("expected", "limits_95", "limits_998"),
    [
        (15, (0.5596924, 1.649348), (0.386265, 2.082907)),
        (20, (0.610826, 1.544419), (0.4479107, 1.902094)),
        (30, (0.6746958, 1.427562), (0.5289724, 1.702771)),
    ],
)
def test_fun_01_exact_poisson_limits(
    expected: int, limits_95: tuple[float, float], limits_998: tuple[float, float]
) -> None:
    # [read in stored copy]: Spiegelhalter DJ (2005), Statistics in Medicine 24, 1185-1202 (method); values asserted in
    # R package FunnelPlotR, test-poisson_limits.R.
    assert poisson_limits(expected, confidence=0.95) == pytest.approx(limits_95, abs=6e-7)
    assert poisson_limits(expected, confidence=0.998) == pytest.approx(limits_998, abs=6e-7)


# --- strata -----------------------------------------------------------------------------------------------------


def test_cmh_04_admissions() -> None:
    # [read in stored copy]: R mantelhaen.test and DescTools BreslowDayTest, in statsmodels test_contingency_tables.py.
    tables = [
        ((313, 512), (19, 89)), ((207, 353), (8, 17)), ((205, 120), (391, 202)), ((278, 139), (244, 131)),
        ((138, 53), (299, 94)), ((351, 22), (317, 24)),
    ]  # fmt: skip
    found = compared([Stratum.of(a, a + b, c, c + d) for (a, b), (c, d) in tables], confidence=0.95)
    assert found.common.odds_ratio == pytest.approx(1.101879, abs=6e-5)
    assert (found.common.low, found.common.high) == pytest.approx((0.9402012, 1.2913602), abs=6e-5)
    assert found.association is not None
    assert found.association.chi2_corrected == pytest.approx(1.3368, abs=6e-5)
    assert found.association.p_corrected == pytest.approx(0.2476, abs=6e-5)
    # The published value is without Tarone's correction, which takes off less than 0.01 here.
    assert found.sameness.chi2 == pytest.approx(18.83297, abs=0.01)
    assert found.sameness.p == pytest.approx(0.002064786, abs=2e-5)


def test_cmh_06_eight_cities() -> None:
    # [from memory]: Agresti A (1996), An Introduction to Categorical Data Analysis, Table 3.3.
    tables = [
        ((126, 100), (35, 61)), ((908, 688), (497, 807)), ((913, 747), (336, 598)), ((235, 172), (58, 121)),
        ((402, 308), (121, 215)), ((182, 156), (72, 98)), ((60, 99), (11, 43)), ((104, 89), (21, 36)),
    ]  # fmt: skip
    found = compared([Stratum.of(a, a + b, c, c + d) for (a, b), (c, d) in tables], confidence=0.95)
    assert found.common.odds_ratio == pytest.approx(2.174, abs=6e-4)
    assert (found.common.low, found.common.high) == pytest.approx((1.984, 2.383), abs=6e-4)
    assert found.association is not None
    assert found.association.chi2 == pytest.approx(280.1, abs=0.06)
    assert found.sameness.p == pytest.approx(0.636, abs=6e-4)


# --- charts -----------------------------------------------------------------------------------------------------

#: SPC-01 [read in stored copy]: Montgomery DC, Introduction to Statistical Quality Control, orange juice cans, Example
#: 7.1; output of R package qcc. Nonconforming cans in samples of 50.
CANS = (12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6)
#: SPC-05 [read in stored copy]: Montgomery, Table 7.4 (purchase orders); R package qicharts2.
ORDERS = (
    (12, 100), (8, 80), (6, 80), (9, 100), (10, 110), (12, 110), (11, 100), (16, 100), (10, 90), (6, 90), (20, 110),
    (15, 120), (9, 120), (8, 120), (6, 110), (8, 80), (10, 80), (7, 80), (5, 90), (8, 100), (5, 100), (8, 100),
    (10, 100), (6, 90), (9, 90),
)  # fmt: skip


def test_spc_01_p_chart() -> None:
    chart = p_chart([(x, 50) for x in CANS])
    assert chart.centre == pytest.approx(0.2313333, abs=6e-8)
    assert (chart.points[0].lower, chart.points[0].upper) == pytest.approx((0.05242755, 0.4102391), abs=6e-8)
    assert [index + 1 for index in chart.beyond] == [15, 23]


def test_spc_02_p_chart_without_two_samples() -> None:
    # [read in stored copy]: the same, samples 15 and 23 set aside.
    chart = p_chart([(x, 50) for x in CANS], set_aside=(14, 22))
    assert chart.centre == pytest.approx(0.215, abs=6e-8)
    assert (chart.points[0].lower, chart.points[0].upper) == pytest.approx((0.04070284, 0.3892972), abs=6e-8)
    assert [index + 1 for index in chart.beyond] == [15, 21, 23]


def test_the_cans_vary_more_than_chance_gives_and_auto_says_so() -> None:
    # The ratio is about 2.9 before, and above 1 after the two are set aside: the page of methods says so of this set.
    found = overdispersion([(x, 50) for x in CANS])
    assert found is not None
    assert found.ratio == pytest.approx(2.9, abs=0.05)
    assert auto_chart([(x, 50) for x in CANS]).method == "laney"


def test_spc_05_p_chart_of_samples_of_many_sizes() -> None:
    chart = p_chart(ORDERS)
    assert chart.centre == pytest.approx(0.09551, abs=1e-6)
    upper = {80: 0.194093, 90: 0.188455, 100: 0.183686, 110: 0.179582, 120: 0.176003}
    lower = {80: None, 90: 0.002565, 100: 0.007335, 110: 0.011438, 120: 0.015017}
    for point in chart.points:
        assert point.upper == pytest.approx(upper[round(point.n)], abs=1e-6)
        below = lower[round(point.n)]
        assert point.lower is None if below is None else point.lower == pytest.approx(below, abs=1e-6)
    assert [index + 1 for index in chart.beyond] == [11]


def test_spc_15_variation_by_chance_alone() -> None:
    # [read in stored copy]: Wetherill GB, Brown DW (1991), Statistical Process Control, pp. 212-213; R package qcc.
    counts = (
        12, 11, 18, 11, 10, 16, 9, 11, 14, 15, 11, 9, 10, 13, 12, 8, 12, 13, 10, 12, 13, 16, 12, 18, 16, 10, 16, 10, 12,
        14,
    )  # fmt: skip
    found = overdispersion([(x, 50) for x in counts])
    assert found is not None
    assert (found.ratio, found.statistic) == pytest.approx((0.7644566, 22.16924), abs=6e-6)
    assert found.p_value == pytest.approx(0.81311, abs=6e-6)


def test_spc_17_weighted_average() -> None:
    # [read in stored copy]: test suite of R package qcc, test-ewma.R: values 11, 13, 12; centre 10, sigma 2.
    found = ewma([0.5, 1.5, 1.0], design=EwmaDesign(weight=0.5, limit_sigmas=2.0, run_length=0.0))
    assert [10 + 2 * point.average for point in found.points] == pytest.approx([10.5, 11.75, 11.875], abs=1e-12)
    limits = [10 + 2 * point.limit for point in found.points]
    assert limits == pytest.approx([12.0, 12.23606797749979, 12.29128784747792], abs=1e-12)


def test_the_weighted_average_is_tuned_to_its_run_length_by_simulation() -> None:
    design = tuned_to(200.0, 0.2)
    assert average_run_length(design.limit_sigmas, 0.2) >= 200
    rng = Random(7)
    lengths: list[int] = []
    for _ in range(600):
        average, points = 0.0, 0
        while True:
            points += 1
            average = 0.2 * rng.gauss(0, 1) + 0.8 * average
            sigma = (0.2 / 1.8 * (1 - 0.8 ** (2 * points))) ** 0.5
            if abs(average) > design.limit_sigmas * sigma:
                break
        lengths.append(points)
    # The standard deviation of a run length is about its mean: three standard errors of 600.
    assert sum(lengths) / len(lengths) == pytest.approx(200, abs=3 * 200 / 600**0.5)


def test_limits_of_any_small_series_are_ordered_and_no_number_is_lost() -> None:
    rng = Random(11)
    for _ in range(1_500):
        counts = []
        for _ in range(rng.randint(0, 12)):
            n = rng.randint(0, 12)
            counts.append((rng.randint(0, n), n))
        for draw in (p_chart, laney_chart, auto_chart):
            chart = draw(counts)
            if chart.centre is None:
                assert chart.reason
                continue
            assert 0 <= chart.centre <= 1
            for point in chart.points:
                low = 0.0 if point.lower is None else point.lower
                high = 1.0 if point.upper is None else point.upper
                assert 0 <= low <= chart.centre + 1e-12
                assert chart.centre - 1e-12 <= high <= 1
                assert point.z is None or point.z == point.z


# --- runs -------------------------------------------------------------------------------------------------------

#: RUN-03 [read in stored copy]: Nelson LS (1984), J. Quality Technology 16, 237-239; vectors of R package qcc's tests.
#: Rule -> (z scores, points that end a pattern, counted from 1).
RUNS = {
    1: ([0, 3.2, -3.4, 3], [2, 3]),
    2: ([0.5] * 10 + [-0.5] * 10, [9, 10, 19, 20]),
    3: ([1, 2, 3, 4, 5, 6, 7, 7, 6, 5, 4, 3, 2, 1], [6, 7, 13, 14]),
    4: ([1, 3, 2, 4, 3, 5, 4, 6, 5, 7, 6, 8, 7, 9, 8], [14, 15]),
    5: ([0, 2.3, 0.4, 2.2, -2.4, -0.2, -2.5], [4, 7]),
    6: ([1.2, 1.3, 0.2, 1.4, 1.5, -1.2, -1.3, -0.1, -1.4, -1.5], [5, 10]),
    7: ([0.3] * 16 + [1.2], [15, 16]),
    8: ([1.2, -1.3, 1.1, -1.4, 1.5, -1.2, 1.3, -1.1, 0.2], [8]),
}


@pytest.mark.parametrize("rule", RUNS)
def test_run_03_nelsons_rules(rule: int) -> None:
    z, expected = RUNS[rule]
    window, shows = NELSON[rule]
    assert [index + 1 for index in ends(z, window=window, shows=shows)] == expected


# --- survival ---------------------------------------------------------------------------------------------------


def test_km_01_with_log_log_limits() -> None:
    # [read in stored copy]: R package MASS, ?gehan (Freireich et al. 1963), survfit with log-log interval, 6-MP arm.
    times = (6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35)
    happened = (1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0)
    found = kaplan_meier(zip(times, map(bool, happened), strict=True), confidence=0.95)
    steps = [step for step in found.steps if step.events]
    assert [step.time for step in steps] == [6, 7, 10, 13, 16, 22, 23]
    assert [step.at_risk for step in steps] == [21, 17, 15, 12, 11, 7, 6]
    assert [step.events for step in steps] == [3, 1, 1, 1, 1, 1, 1]
    within = pytest.approx
    assert [s.survival for s in steps] == within([0.857, 0.807, 0.753, 0.69, 0.627, 0.538, 0.448], abs=6e-4)
    assert [s.std_error for s in steps] == within([0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], abs=6e-4)
    assert [s.lower for s in steps] == within([0.62, 0.563, 0.503, 0.432, 0.368, 0.268, 0.188], abs=6e-4)
    assert [s.upper for s in steps] == within([0.952, 0.923, 0.889, 0.849, 0.805, 0.747, 0.68], abs=6e-4)
    assert found.median == 23


def test_km_03_share_at_each_time() -> None:
    # [read in stored copy]: scipy test suite, stats/tests/test_survival.py.
    times = (37, 43, 47, 56, 60, 62, 71, 77, 80, 81)
    happened = (0, 0, 1, 1, 0, 0, 0, 1, 1, 1)
    found = kaplan_meier(zip(times, map(bool, happened), strict=True), confidence=0.95)
    expected = [1, 1, 0.875, 0.75, 0.75, 0.75, 0.75, 0.5, 0.25, 0]
    assert [step.survival for step in found.steps] == pytest.approx(expected, abs=6e-4)


def test_km_is_that_of_scipy_for_any_pieces_and_begins_with_the_share_of_first_attempts_that_failed() -> None:
    rng = Random(5)
    for _ in range(300):
        pieces = [(rng.randint(1, 6), rng.random() < 0.7) for _ in range(rng.randint(1, 40))]
        found = kaplan_meier(pieces, confidence=0.95)
        done = [time for time, event in pieces if event]
        data = CensoredData(uncensored=done, right=[time for time, event in pieces if not event])
        reference = ecdf(data).sf
        for time, survival in zip(reference.quantiles, reference.probabilities, strict=True):
            assert found.at(int(time)) == pytest.approx(survival, abs=1e-12)
        first_good = sum(time == 1 and event for time, event in pieces)
        assert found.at(1) == pytest.approx(1 - first_good / len(pieces), abs=1e-12)
        for step in found.steps:
            if step.lower is not None and step.upper is not None:
                assert 0 <= step.lower <= step.survival <= step.upper <= 1
        assert kaplan_meier(rng.sample(pieces, k=len(pieces)), confidence=0.95) == found


# --- up and down ------------------------------------------------------------------------------------------------

#: UPD-01 [read in stored copy]: Dixon WJ, Mood AM (1948), A method for obtaining and analyzing sensitivity data, JASA
#: 43, 109-126 (formula); data Gorla C et al. (2017), Int. J. Applied Engineering Research 12, Table 9; estimate printed
#: in the vignette of R package upndown. The authors report 36.63 with a standard error of 0.62.
LOADS = (36, 35, 36, 37, 38, 39, 38, 37, 38, 37, 36, 35, 36, 37, 36)
FAILED = (1, 0, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0, 1, 1)
DIXON_MOOD, AUTHORS, STANDARD_ERROR = 36.78571, 36.63, 0.62


def test_upd_01_the_curve_puts_half_of_an_up_and_down_series_where_its_own_mean_does() -> None:
    """Nobody cuts by that rule here, so the mean itself has no use; the curve of the same trials must agree with it."""
    tried = [
        Tried(load, effective(Clustered.singly(sum(1 - bad for bad in bads), len(bads))))
        for load in sorted(set(LOADS))
        for bads in [[bad for at, bad in zip(LOADS, FAILED, strict=True) if at == load]]
    ]
    limit = thickness_limit(yield_curve(tried, least_parts=len(LOADS)), target=0.5, confidence=0.68)
    assert limit.thickness_mm == pytest.approx(DIXON_MOOD, abs=STANDARD_ERROR)
    assert limit.thickness_mm == pytest.approx(AUTHORS, abs=STANDARD_ERROR / 2)
    low, high = limit.low.thickness_mm, limit.high.thickness_mm
    assert low is not None
    assert high is not None
    assert low < DIXON_MOOD < high
