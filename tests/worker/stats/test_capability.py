"""Mean deviation and performance indices beside published figures."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from worker.stats.capability import (
    ALL_ALIKE,
    GAUGE_STEP,
    NO_TOLERANCE,
    NO_VALUES,
    ONE_LENGTH,
    ONE_PLATE,
    ONE_VALUE,
    TOO_FEW,
    Deviations,
    MeanDeviation,
    Offset,
    Size,
    difference_of,
    mean_deviation,
    offset_of,
    performance,
    scale_of,
    value_correlation,
)
from worker.stats.lognormal import effect_of_clusters

#: CAP-04 [read in stored copy]: test suite of R package qcc, test-capability.R; limits 9.9 and 10.1.
GROUPS = (10.0, 10.02, 9.98, 10.01, 10.03, 9.99, 10.01, 10.0, 9.97, 10.04, 10.02, 9.99)
#: MEAN-01 [read in stored copy]: R package EnvStats, ?elnormAlt, chromium data (USEPA 1992d, Highlight 8).
CHROMIUM = (10, 13, 20, 36, 41, 59, 67, 110, 110, 136, 140, 160, 200, 230, 1300)


def test_mean_01_upper_limit_by_student() -> None:
    values = Deviations.of(CHROMIUM)
    assert (values.mean, values.deviation) == pytest.approx((175.4667, 318.544), abs=6e-4)
    # One-sided 95 % is the upper limit of two-sided 90 %
    assert mean_deviation(values, confidence=0.9).high == pytest.approx(320.3304, abs=6e-5)


def test_cap_01_indices_of_a_mean_off_centre() -> None:
    # CAP-01 [read in stored copy]: NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2; n is ours
    found = performance(Deviations(50, 16 - 14, 2, 50.0), tolerance=6, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.0, 0.6667), abs=6e-5)


def test_cap_02_intervals_of_the_indices() -> None:
    # CAP-02 [read in stored copy]: Scrucca L (2004), R News 4/1, 11-17, piston rings; with the spread within groups,
    # which the formulas do not ask about
    rings = Deviations(125, 74.00118 - 74, 0.009887547, 125.0)
    found = performance(rings, tolerance=0.05, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.low, found.pp.value, found.pp.high) == pytest.approx((1.476, 1.686, 1.895), abs=1.1e-3)
    assert (found.ppk.low, found.ppk.value, found.ppk.high) == pytest.approx((1.433, 1.646, 1.859), abs=1.1e-3)
    # Those of one side only are 90 % limits there
    one_sided = performance(rings, tolerance=0.05, confidence=0.9).ppk
    assert one_sided is not None
    assert (one_sided.low, one_sided.high) == pytest.approx((1.467, 1.825), abs=1.1e-3)


def test_cap_04_pp_and_ppk() -> None:
    found = performance(Deviations.of(value - 10 for value in GROUPS), tolerance=0.1, confidence=0.95)
    assert found.pp is not None
    assert found.ppk is not None
    assert (found.pp.low, found.pp.value, found.pp.high) == pytest.approx((0.949773, 1.612598, 2.27641), abs=5e-5)
    assert (found.ppk.low, found.ppk.value, found.ppk.high) == pytest.approx((0.864608, 1.531968, 2.199329), abs=5e-5)
    assert found.reason is None


@pytest.mark.parametrize(
    ("values", "reason"), [((), NO_VALUES), ((0.2,), ONE_VALUE), ((0.2, 0.2, 0.2), ALL_ALIKE), ((0.1,) * 3, ALL_ALIKE)]
)
def test_without_spread_there_is_a_mean_and_no_more(values: tuple[float, ...], reason: str) -> None:
    deviations = Deviations.of(values)
    mean, fit = mean_deviation(deviations, confidence=0.95), performance(deviations, tolerance=1, confidence=0.95)
    assert (mean.mean, mean.low, mean.high, mean.reason) == (values[0] if values else None, None, None, reason)
    assert (fit.pp, fit.ppk, fit.reason) == (None, None, reason)
    assert not mean.excludes_zero


@pytest.mark.parametrize("tolerance", [None, 0, -0.1])
def test_without_tolerance_there_is_no_index(tolerance: float | None) -> None:
    found = performance(Deviations.of(CHROMIUM), tolerance=tolerance, confidence=0.95)
    assert (found.pp, found.ppk, found.reason) == (None, None, NO_TOLERANCE)


def test_values_of_one_plate_count_for_fewer() -> None:
    alone, together = (Deviations.of([*CHROMIUM, *CHROMIUM], design_effect=effect) for effect in (1, 2))
    # Each value twice, for half: sqrt(29/28) is left, as the spread is over n - 1
    widened = mean_deviation(together, confidence=0.95)
    single = mean_deviation(Deviations.of(CHROMIUM), confidence=0.95)
    assert single.high is not None
    assert widened.high is not None
    assert widened.mean is not None
    assert single.mean is not None
    assert (widened.high - widened.mean) * math.sqrt(29 / 28) == pytest.approx(single.high - single.mean)
    assert mean_deviation(alone, confidence=0.95).high < widened.high  # type: ignore[operator]
    assert Deviations.of([0.1, 0.3], design_effect=1.5).reason == TOO_FEW
    assert Deviations.of([0.1, 0.3], design_effect=0.5).effective_n == 2


def test_sizes_equal_but_for_rounding_are_alike() -> None:
    # 0.18 and 0.18000000000000682
    assert Deviations.of([0.18, 250.18 - 250]).reason == ALL_ALIKE


def test_mean_that_lies_outside_the_tolerance_has_an_index_below_zero() -> None:
    found = performance(Deviations.of([1.1, 1.2, 1.3]), tolerance=1, confidence=0.95)
    assert found.ppk is not None
    assert found.ppk.high > found.ppk.value
    # (1 - 1.2) / (3 x 0.1)
    assert found.ppk.value == pytest.approx(-2 / 3)


def test_values_that_are_all_alike_are_known_to_half_a_step_of_the_gauge() -> None:
    found = mean_deviation(Deviations.of([0.2] * 20, least_spread=0.025), confidence=0.95)
    half = stats.t.ppf(0.975, 19) * 0.025 / math.sqrt(20)
    assert found.reason == GAUGE_STEP
    assert (found.low, found.high) == pytest.approx((0.2 - half, 0.2 + half))
    # One value is one value, by whatever gauge
    assert mean_deviation(Deviations.of([0.2], least_spread=0.025), confidence=0.95).reason == ONE_VALUE
    some = mean_deviation(Deviations.of([0.2, 0.3, 0.3], least_spread=0.5), confidence=0.95)
    assert some == mean_deviation(Deviations.of([0.2, 0.3, 0.3]), confidence=0.95)
    assert performance(Deviations.of([0.2] * 20, least_spread=0.025), tolerance=1, confidence=0.95).reason == ALL_ALIKE


def test_p_value_is_that_of_scipy() -> None:
    found = mean_deviation(Deviations.of(CHROMIUM), confidence=0.95)
    assert found.p_value == pytest.approx(float(stats.ttest_1samp(CHROMIUM, 0).pvalue))
    assert mean_deviation(Deviations.of([1.0]), confidence=0.95).p_value is None


VALUES = st.lists(st.floats(-100, 100), min_size=2, max_size=30)


@given(VALUES)
def test_mean_interval_is_that_of_scipy(values: list[float]) -> None:
    deviations = Deviations.of(values)
    found = mean_deviation(deviations, confidence=0.95)
    assert deviations.deviation is not None
    if found.low is None or found.high is None or deviations.deviation < 1e-6:
        return
    error = deviations.deviation / math.sqrt(len(values))
    low, high = stats.t.interval(0.95, len(values) - 1, loc=found.mean, scale=error)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9, abs=1e-9)
    assert found.excludes_zero == (low > 0 or high < 0)


@given(VALUES, st.floats(0.01, 50), st.floats(0.5, 0.999))
def test_indices_lie_within_their_limits_and_the_order_does_not_matter(
    values: list[float], tolerance: float, confidence: float
) -> None:
    found = performance(Deviations.of(values), tolerance=tolerance, confidence=confidence)
    assert found == performance(Deviations.of(reversed(values)), tolerance=tolerance, confidence=confidence)
    for index in (found.pp, found.ppk):
        assert (index is None) == (found.reason is not None)
        assert index is None or index.low <= index.value <= index.high
    if found.pp and found.ppk:
        assert found.ppk.value <= found.pp.value + 1e-12
        assert 0 <= found.pp.low < found.pp.high


def test_bissell_interval_covers_the_truth() -> None:
    # Normal, mean 0.2, sigma 0.1, tolerance 0.5: Ppk is 1; 2,000 series of 30
    chance = random.Random(20260301)
    covered = 0
    for _ in range(2000):
        found = performance(
            Deviations.of(chance.gauss(0.2, 0.1) for _ in range(30)), tolerance=0.5, confidence=0.95
        ).ppk
        assert found is not None
        covered += found.low <= 1 <= found.high
    assert 0.93 <= covered / 2000 <= 0.97


# --- values of one plate ----------------------------------------------------------------------------------------


def test_degrees_of_freedom_are_at_most_those_between_the_plates() -> None:
    values = [0.1, 0.2, 0.15, 0.3, 0.25, 0.12]
    # 6 / 1.5 independent values of 3 plates: 2 degrees, not 3
    few = Deviations.of(values, design_effect=1.5, clusters=3)
    assert (few.effective_n, few.degrees) == (4, 2)
    assert Deviations.of(values, design_effect=1, clusters=3).degrees == 5
    assert Deviations.of(values, design_effect=1.5).degrees == 3
    assert Deviations.of(values, design_effect=1.5, clusters=1).reason == TOO_FEW


def test_correlation_of_values_is_that_of_the_analysis_of_variance() -> None:
    # Plates (1, 3) and (5, 7): between 16, within 2, of size 2: (16 - 2) / (16 + 2)
    assert value_correlation([[[1, 3], [5, 7]]]) == pytest.approx(14 / 18)
    assert value_correlation([[[7, 5], [3, 1]], [[2.0]], []]) == pytest.approx(14 / 18)
    assert value_correlation([[[1], [2], [3]]]) is None
    assert value_correlation([[[1, 2, 3]]]) is None


# --- offset and scale -------------------------------------------------------------------------------------------


def limits(found: MeanDeviation) -> tuple[float, float]:
    assert found.low is not None
    assert found.high is not None
    return found.low, found.high


def drawn(*, offset: float, scale: float, seed: int, n: int = 40, spread: float = 0.05) -> list[Size]:
    rng = random.Random(seed)
    sizes = []
    for _ in range(n):
        side, length = rng.choice((1, 1, -1, 0)), rng.uniform(0.02, 1.5)
        sizes.append(Size(side, length, side * offset + scale * length + rng.gauss(0, spread)))
    return sizes


def of_side(side: int, sizes: list[Size]) -> list[Size]:
    return [one for one in sizes if one.side == side]


def test_with_one_side_the_scale_is_the_line_of_scipy() -> None:
    sizes = of_side(1, drawn(offset=0.2, scale=-0.3, seed=1, n=80))
    found = scale_of(sizes, confidence=0.95)
    line = stats.linregress([one.length for one in sizes], [one.deviation for one in sizes])
    wide = stats.t.ppf(0.975, len(sizes) - 2)
    assert found.mean == pytest.approx(line.slope)
    assert limits(found) == pytest.approx((line.slope - wide * line.stderr, line.slope + wide * line.stderr))
    assert found.p_value == pytest.approx(line.pvalue)
    offset = offset_of(sizes, scale=found, confidence=0.95).found
    # Two degrees of freedom are not told apart: the mean's spread is over n - 1 there, over n - 2 in the line
    assert offset.mean == pytest.approx(line.intercept)
    assert offset.error == pytest.approx(line.intercept_stderr, rel=0.02)


def test_with_all_sides_the_scale_is_the_least_squares_of_statsmodels() -> None:
    sm = pytest.importorskip("statsmodels.api")
    sizes = drawn(offset=0.2, scale=-0.3, seed=2)
    design = [[one.side == 1, one.side == -1, one.length] for one in sizes]
    fit = sm.OLS([one.deviation for one in sizes], [[float(one) for one in row] for row in design]).fit()
    found = scale_of(sizes, confidence=0.9)
    outside, inside = (offset_of(of_side(side, sizes), scale=found, confidence=0.9) for side in (1, -1))
    assert (outside.found.mean, inside.found.mean, found.mean) == pytest.approx(
        (fit.params[0], -fit.params[1], fit.params[2])
    )
    assert limits(found) == pytest.approx(tuple(fit.conf_int(0.1)[2]))
    apart = difference_of(outside, inside, confidence=0.9)
    tested = fit.t_test([1, 1, 0])
    assert apart.mean == pytest.approx(tested.effect[0])
    # Each side with its own spread there, with one for both in the fit
    assert apart.error == pytest.approx(float(tested.sd[0, 0]), rel=0.25)


def test_sides_that_differ_are_no_scale() -> None:
    # Long outside sizes 0.39 too large and short holes on size: through one line that is a scale of 1.3 per metre
    rng = random.Random(5)
    sizes = [
        Size(side, length + rng.uniform(-0.1, 0.1) * length, (0.39 if side == 1 else 0.0) + rng.gauss(0, 0.03), plate)
        for plate in range(12)
        for side, length in ((1, 0.3), (-1, 0.025))
    ]
    scale = scale_of(sizes, confidence=0.95)
    assert not scale.excludes_zero
    outside, inside = (offset_of(of_side(side, sizes), scale=None, confidence=0.95) for side in (1, -1))
    low, high = limits(difference_of(outside, inside, confidence=0.95))
    assert low < 0.39 < high
    assert low > 0.3


def test_sides_that_were_not_both_measured_have_no_difference() -> None:
    some = offset_of([Size(1, 0.1, 0.2), Size(1, 0.1, 0.3)], scale=None, confidence=0.95)
    none = offset_of([], scale=None, confidence=0.95)
    assert (none.found.mean, none.found.reason) == (None, NO_VALUES)
    assert difference_of(some, none, confidence=0.95) == MeanDeviation(None, None, None, NO_VALUES)
    one = offset_of([Size(-1, 0.1, 0.2)], scale=None, confidence=0.95)
    found = difference_of(some, one, confidence=0.95)
    assert (found.mean, found.low, found.reason) == (pytest.approx(0.45), None, ONE_VALUE)


def test_distances_alone_have_a_scale() -> None:
    sizes = [Size(0, 1.0, 0.11), Size(0, 2.0, 0.19), Size(0, 3.0, 0.31)]
    found = scale_of(sizes, confidence=0.95)
    # (0.11 + 2 x 0.19 + 3 x 0.31) / (1 + 4 + 9); what is left over two degrees of freedom
    scale = 1.42 / 14
    left = [0.11 - scale, 0.19 - 2 * scale, 0.31 - 3 * scale]
    half = stats.t.ppf(0.975, 2) * math.sqrt(sum(one * one for one in left) / 2 / 14)
    assert (found.mean, *limits(found)) == pytest.approx((scale, scale - half, scale + half))


def test_one_plate_tells_of_no_scale() -> None:
    rng = random.Random(3)
    sizes = [Size(1, length, 0.1 + rng.gauss(0, 0.02), plate) for plate in range(6) for length in (0.1, 0.101)]
    found = scale_of([*sizes, Size(0, 6.0, -0.5, "long")], confidence=0.95)
    assert (found.low, found.reason) == (None, ONE_PLATE)
    alone = scale_of([Size(1, length, 0.1 * length, "one") for length in (0.1, 0.5, 0.9, 1.0)], confidence=0.95)
    assert alone.low is None
    noisy = [Size(1, length, 0.1 * length + rng.gauss(0, 0.01), "one") for length in (0.1, 0.5, 0.9, 1.0)]
    assert scale_of(noisy, confidence=0.95).reason == ONE_PLATE


def test_plates_that_differ_in_their_scale_make_it_less_certain() -> None:
    # Two plates shrink, two grow: by readings alone the scale is well known
    sizes = [
        Size(1, length, slope * length + wobble, plate)
        for plate, slope in enumerate((0.3, 0.28, -0.1, -0.12))
        for length, wobble in ((0.1, 0.001), (0.4, -0.001), (0.7, 0.001), (1.0, -0.001))
    ]
    found = scale_of(sizes, confidence=0.95)
    apart = scale_of([one._replace(cluster=None) for one in sizes], confidence=0.95)
    assert found.mean == apart.mean == pytest.approx(0.09, abs=2e-3)
    assert limits(found)[0] < -0.1
    assert limits(found)[1] > 0.28
    assert limits(apart)[1] - limits(apart)[0] < 0.75 * (limits(found)[1] - limits(found)[0])


def test_sizes_of_one_length_have_no_scale_and_what_is_too_little_no_interval() -> None:
    assert scale_of([Size(1, 0.25, off) for off in (0.2, 0.15, 0.18)], confidence=0.95).reason == ONE_LENGTH
    exactly = scale_of([Size(side, length, side * 0.2) for side in (1, -1) for length in (0.1, 0.2)], confidence=0.95)
    assert (exactly.mean, exactly.low, exactly.reason) == (pytest.approx(0), None, ALL_ALIKE)
    assert scale_of([Size(1, 0.1, 0.2), Size(1, 0.3, 0.1)], confidence=0.95).reason == TOO_FEW
    assert scale_of([], confidence=0.95).reason == NO_VALUES


def both_and_scale(sizes: list[Size], **how: float) -> tuple[Offset, MeanDeviation]:
    scale = scale_of(sizes, confidence=0.95)
    return offset_of(sizes, scale=scale, confidence=0.95, **how), scale  # type: ignore[arg-type]


@given(st.integers(0, 1000), st.floats(-0.3, 0.3), st.floats(-0.5, 0.5), st.randoms(use_true_random=False))
def test_offset_and_scale_do_not_depend_on_the_order(
    seed: int, offset: float, scale: float, rng: random.Random
) -> None:
    sizes = [
        one._replace(cluster=number // 3)
        for number, one in enumerate(drawn(offset=offset, scale=scale, seed=seed, n=12))
    ]
    found = both_and_scale(sizes)
    assert found == both_and_scale(rng.sample(sizes, len(sizes)))
    for one in (found[0].found, found[1]):
        assert one.low is None or one.high is None or one.mean is None or one.low <= one.mean <= one.high
    assert not sizes or found[0].found.p_value is None or 0 <= found[0].found.p_value <= 1


def test_turned_about_the_sides_turn_the_sign_of_the_offset_alone() -> None:
    sizes = drawn(offset=0.2, scale=-0.3, seed=4)
    offset, scale = both_and_scale(sizes)
    turned, same = both_and_scale([one._replace(side=-one.side) for one in sizes])
    assert turned.found.mean == pytest.approx(-(offset.found.mean or 0))
    assert same.mean == pytest.approx(scale.mean)


def shop_of_plates(rng: random.Random, plates: int, each: int, alike: float) -> list[list[Size]]:
    """Sizes off by 0.15 on each side, by chance and by what a plate shares; sigma is 0.1 altogether."""
    made = []
    for _ in range(plates):
        shared = rng.gauss(0, math.sqrt(alike) * 0.1)
        made.append(
            [
                Size(side, length, side * (0.15 + shared) + rng.gauss(0, math.sqrt(1 - alike) * 0.1))
                for side, length in ((rng.choice((1, 1, -1)), rng.uniform(0.02, 0.8)) for _ in range(each))
            ]
        )
    return made


@pytest.mark.parametrize(("plates", "each", "alike"), [(5, 6, 0.3), (12, 4, 0.3), (20, 3, 0.0)])
def test_intervals_of_offset_and_mean_cover_the_truth_where_plates_are_alike(
    plates: int, each: int, alike: float
) -> None:
    # 600 shops of three machines that share one correlation; the scale is 0
    rng = random.Random(20260301)
    covered = [0, 0, 0]
    for _ in range(200):
        machines = [shop_of_plates(rng, plates, each, alike) for _ in range(3)]
        found = value_correlation(
            [[one.deviation for one in plate if one.side == side] for plate in machine]
            for machine in machines
            for side in (1, -1)
        )
        for machine in machines:
            outside = [[one.deviation for one in plate if one.side == 1] for plate in machine]
            outside = [plate for plate in outside if plate]
            effect = effect_of_clusters([len(plate) for plate in outside], alike=found)
            values = Deviations.of(sum(outside, []), design_effect=effect, clusters=len(outside))
            sizes = [one._replace(cluster=number) for number, plate in enumerate(machine) for one in plate]
            offset = offset_of(
                sizes,
                scale=None,
                confidence=0.95,
                design_effect=effect_of_clusters([len(plate) for plate in machine], alike=found),
                clusters=len(machine),
            )
            scale = scale_of(sizes, confidence=0.95)
            for number, (one, truth) in enumerate(
                ((mean_deviation(values, confidence=0.95), 0.15), (offset.found, 0.15), (scale, 0.0))
            ):
                low, high = limits(one)
                covered[number] += low <= truth <= high
    assert 0.92 <= covered[0] / 600 <= 0.985
    assert 0.92 <= covered[1] / 600 <= 0.995
    assert covered[2] / 600 >= 0.93
