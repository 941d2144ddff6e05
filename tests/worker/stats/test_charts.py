"""Charts of shares: counts and hospital data as published, the choice between charts, bounds over random series."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from worker.stats.charts import (
    Chart,
    auto_chart,
    laney_chart,
    mix_adjusted,
    moving_range_sigma,
    overdispersion,
    p_chart,
)

Make = Callable[[Sequence[tuple[float, float]]], Chart]
MAKERS: list[Make] = [p_chart, laney_chart, auto_chart]

# Wetherill GB, Brown DW (1991), Statistical Process Control, pp. 212-213, of 50 each; output of R package qcc
# (repository luca-scr/qcc, docs), read there: SPC-15
WETHERILL = [
    (float(x), 50.0)
    for x in (
        12, 11, 18, 11, 10, 16, 9, 11, 14, 15, 11, 9, 10, 13, 12,
        8, 12, 13, 10, 12, 13, 16, 12, 18, 16, 10, 16, 10, 12, 14,
    )
]  # fmt: skip
# Data nhs_accidents of R package qicharts2, after Mohammed MA et al. (2013), BMJ Quality and Safety 22, read there;
# formula of Laney DB (2002), Quality Engineering 14, 531-537. The figures follow from both, none is printed: LAN-01
ACCIDENTS = [
    (266501, 280443), (264225, 276823), (276532, 291681), (281461, 296155), (269071, 282343), (261215, 275888),
    (270409, 283867), (279778, 295251), (270483, 284468), (270320, 282529), (267923, 279618), (271478, 283932),
    (255353, 266629), (256820, 268091), (261835, 276803), (259144, 271578), (255910, 266005), (260863, 273520),
    (264465, 278574), (260989, 273772),
]  # fmt: skip


def test_overdispersion_has_the_published_p_value() -> None:
    found = overdispersion(WETHERILL)
    assert found is not None
    assert (found.ratio, found.statistic, found.p_value) == pytest.approx((0.7644566, 22.16924, 0.81311), abs=6e-6)


@pytest.mark.parametrize(("n", "share"), [(10, 0.03), (20, 0.1), (100, 0.1)])
def test_overdispersion_of_counts_in_control_is_found_in_one_series_of_20(n: int, share: float) -> None:
    rng, found = np.random.default_rng(20261125), 0
    for _ in range(1000):
        dispersion = overdispersion([(float(x), float(n)) for x in rng.binomial(n, share, size=30)])
        found += dispersion is not None and dispersion.p_value < 0.05
    assert 0.03 <= found / 1000 <= 0.07


# A p chart of counts that are rare among very many is the chart of those counts, and of counts per unit.
@pytest.mark.parametrize(
    ("counts", "units", "limits", "within"),
    [
        # NIST/SEMATECH e-Handbook 6.3.3.1; data MONITOR-6_3_3_1.DAT in usnistgov/dataplot, read there; centre and
        # limits partly from memory: SPC-07
        ([16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13],
         1, (4, 16, 28), 1e-9),
        # Montgomery, Example 7.3, circuit boards; output of R package qcc, read there: SPC-09
        ([21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15],
         1, (6.481447, 19.84615, 33.21086), 6e-6),
        # Montgomery, personal computers, 20 samples of 5; output of R package qcc, read there: SPC-11
        ([10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5],
         5, (0.06613305, 1.93, 3.793867), 6e-7),
    ],
)  # fmt: skip
def test_p_chart_of_rare_counts_has_the_published_limits_of_c_and_u_charts(
    counts: list[int], units: int, limits: tuple[float, float, float], within: float
) -> None:
    many = 1e15
    chart = p_chart([(float(x), many * units) for x in counts])
    point = chart.points[0]
    assert chart.centre is not None
    assert point.lower is not None
    assert point.upper is not None
    assert [point.lower * many, chart.centre * many, point.upper * many] == pytest.approx(limits, abs=within)


def test_a_point_at_its_limit_is_not_beyond() -> None:
    # SPC-07: wafer 3 has 28, the limit itself; only wafer 24 is above
    wafers = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    assert [index + 1 for index in p_chart([(float(x), 1e15) for x in wafers]).beyond] == [24]


def test_moving_range_sigma_is_the_published_one() -> None:
    # Montgomery, viscosity of aircraft primer; output of R package qcc, which rounds d2 to 1.128, read there: SPC-13
    viscosity = [
        34.05, 34.4, 33.59, 35.96, 34.7, 33.51, 33.79, 34.04, 34.52, 33.75,
        33.27, 33.71, 34.03, 34.58, 34.02, 33.97, 34.05, 34.04, 33.73, 34.05,
    ]  # fmt: skip
    sigma, centre = moving_range_sigma(viscosity), math.fsum(viscosity) / 20
    assert sigma is not None
    found = (sigma, centre - 3 * sigma, centre, centre + 3 * sigma)
    assert found == pytest.approx((0.5076521, 32.56504, 34.088, 35.61096), abs=6e-6)
    assert moving_range_sigma([1.0]) is None


def test_laney_chart_of_hospital_accidents_has_the_figures_of_its_formula() -> None:
    chart = laney_chart(ACCIDENTS)
    assert chart.centre == pytest.approx(0.9529, abs=5e-5)
    assert chart.sigma_z == pytest.approx(10.640422, abs=2e-6)
    assert (chart.points[0].lower, chart.points[0].upper) == pytest.approx((0.94013, 0.96567), abs=6e-6)
    assert (len(p_chart(ACCIDENTS).beyond), len(chart.beyond)) == (16, 0)


def test_auto_takes_laney_for_hospital_accidents_and_the_p_chart_for_chance_and_says_why() -> None:
    laney, plain = auto_chart(ACCIDENTS), auto_chart(WETHERILL)
    assert (laney.method, laney.set_aside, plain.method) == ("laney", (), "p")
    assert laney.choice is not None
    assert laney.choice.startswith("p' chart (Laney): the points vary more than chance gives (ratio ")
    assert plain.choice == "p chart: the points vary as chance gives (ratio 0.76, p = 0.813)"


def test_auto_takes_laney_when_days_differ_and_p_when_they_do_not() -> None:
    rng, taken = np.random.default_rng(3), {"alike": 0, "differing": 0}
    for _ in range(200):
        # A share of 0.1 of 100 with a correlation of 0.03 within a day: a variance 4 times that of chance
        shares = {"alike": np.full(30, 0.1), "differing": rng.beta(0.1 * 0.97 / 0.03, 0.9 * 0.97 / 0.03, size=30)}
        for days, share in shares.items():
            taken[days] += auto_chart([(float(x), 100.0) for x in rng.binomial(100, share)]).method == "laney"
    assert taken["alike"] <= 10
    assert taken["differing"] >= 190


def test_auto_sets_points_beyond_3_sigma_aside_and_still_shows_them() -> None:
    chart = auto_chart([*WETHERILL[:9], (40.0, 50.0), *WETHERILL[10:]])
    assert chart.method == "p"
    assert chart.set_aside == chart.beyond == (9,)
    assert len(chart.points) == 30
    assert chart.centre == pytest.approx((sum(x for x, _ in WETHERILL) - WETHERILL[9][0]) / (29 * 50))
    assert chart.choice is not None
    assert chart.choice.endswith("; 1 point beyond 3 sigma set aside")


def test_auto_leaves_a_drift_to_the_p_chart() -> None:
    chart = auto_chart([(5.0 + 0.6 * step, 50.0) for step in range(30)])
    assert chart.method == "p"
    assert chart.overdispersion is not None
    assert chart.overdispersion.p_value < 0.05
    assert "neighbours do not" in (chart.choice or "")


def test_one_bad_point_among_none_is_beyond_and_not_set_aside_to_leave_nothing() -> None:
    chart = auto_chart([(0.0, 50.0)] * 20 + [(30.0, 50.0)])
    assert (chart.beyond, chart.set_aside) == ((20,), ())


def test_laney_does_not_floor_sigma_z_and_says_when_it_is_below_1() -> None:
    chart = laney_chart([(10.0 + step % 2, 50.0) for step in range(30)])
    assert chart.sigma_z is not None
    assert 0 < chart.sigma_z < 1
    assert any("sigma_z is 0." in note for note in chart.notes)


def test_points_without_parts_are_skipped_and_counted_and_the_others_keep_their_places() -> None:
    chart = p_chart([(0.0, 0.0), *WETHERILL, (0.0, 0.0)])
    assert chart.skipped == 2
    assert [point.index for point in chart.points] == list(range(1, 31))


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("counts", [[], [(1.0, 5.0)], [(0.0, 0.0)] * 9, [(1.0, 5.0)] * 4])
def test_too_few_points_make_no_chart_but_a_reason(make: Make, counts: list[tuple[float, float]]) -> None:
    chart = make(counts)
    assert (chart.centre, chart.points) == (None, ())
    assert chart.reason == f"{sum(n > 0 for _, n in counts)} points: a chart needs at least 5"


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("failed", [0.0, 7.0])
def test_a_series_without_variation_has_a_centre_and_no_limits(make: Make, failed: float) -> None:
    chart = make([(failed, 7.0)] * 8)
    assert chart.centre == failed / 7
    assert {(point.lower, point.upper, point.z) for point in chart.points} == {(None, None, 0.0)}
    assert any("without variation" in note for note in chart.notes)


@pytest.mark.parametrize("counts", [(-1.0, 5.0), (6.0, 5.0), (0.0, -1.0), (math.nan, 5.0), (0.0, math.inf)])
def test_counts_that_cannot_be_are_refused(counts: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="x must be from 0 to n"):
        p_chart([counts])


def test_centre_and_overdispersion_do_not_depend_on_the_order_of_the_rows() -> None:
    shuffled = random.Random(4).sample(ACCIDENTS, len(ACCIDENTS))
    one, other = p_chart(ACCIDENTS), p_chart(shuffled)
    assert (one.centre, one.overdispersion) == (other.centre, other.overdispersion)


def random_counts(rng: random.Random) -> list[tuple[float, float]]:
    """Effective counts, no whole numbers among them, with zeros, ones and equal points."""
    scale, level, counts = rng.choice((1, 3, 50, 1e6)), rng.choice((0.0, 0.02, 0.3, 0.97, 1.0)), []
    for _ in range(rng.choice((0, 1, 2, 5, 6, 9, 20))):
        n = rng.choice((0.0, float(rng.randint(1, 9)), rng.random())) * scale
        counts.append((rng.choice((0.0, n, n * level, n * rng.random(), min(n, float(rng.randint(0, 3))))), n))
    return counts


@pytest.mark.parametrize("make", MAKERS)
def test_charts_of_thousands_of_random_effective_counts_hold_their_bounds(make: Make) -> None:
    rng = random.Random(7)
    for _ in range(2000):
        chart = make(random_counts(rng))
        assert (chart.centre is None) == (chart.reason is not None)
        assert chart.overdispersion is None or 0 <= chart.overdispersion.p_value <= 1
        for point in chart.points:
            assert chart.centre is not None
            assert point.lower is None or 0 <= point.lower <= chart.centre + 1e-12
            assert point.upper is None or chart.centre - 1e-12 <= point.upper <= 1
            assert point.z is None or (type(point.z) is float and math.isfinite(point.z))
            if point.z is not None and point.upper is not None and abs(point.share - point.upper) > 1e-9:
                assert (point.z > 3) == (point.share > point.upper)


def test_mix_adjusted_counts_keep_the_z_scores_of_observed_against_expected() -> None:
    counts = [(3.0, 40.0), (9.0, 30.0), (1.0, 60.0), (0.0, 0.0), (5.0, 50.0), (4.0, 40.0)]
    expected = [0.05, 0.2, 0.03, 0.1, 0.1, 0.08]
    overall = sum(x for x, _ in counts) / sum(n for _, n in counts)
    level = sum(x for x, _ in counts) / sum(n * share for (_, n), share in zip(counts, expected, strict=True))
    for (x, n), share, (new_x, new_n) in zip(counts, expected, mix_adjusted(counts, expected), strict=True):
        if n == 0:
            assert (new_x, new_n) == (0.0, 0.0)
            continue
        centre = level * share
        assert new_x / new_n == pytest.approx(overall * x / n / centre)
        z = (x - n * centre) / math.sqrt(n * centre * (1 - centre))
        assert (new_x - new_n * overall) / math.sqrt(new_n * overall * (1 - overall)) == pytest.approx(z)


def test_mix_adjusted_shows_no_change_where_only_the_mix_changed() -> None:
    adjusted = mix_adjusted([(1.0, 50.0)] * 10 + [(20.0, 50.0)] * 10, [0.02] * 10 + [0.4] * 10)
    assert {round(x / n, 12) for x, n in adjusted} == {0.21}
    assert auto_chart(adjusted).beyond == ()


def test_mix_adjusted_of_nothing_failed_and_of_hopeless_strata_is_within_its_counts() -> None:
    assert mix_adjusted([(0.0, 5.0), (0.0, 0.0)], [0.0, 0.0]) == [(0.0, 0.0), (0.0, 0.0)]
    assert mix_adjusted([(0.0, 5.0), (0.0, 9.0)], [0.2, 0.1]) == [(0.0, 0.0), (0.0, 0.0)]
    assert all(0 <= x <= n for x, n in mix_adjusted([(5.0, 5.0), (1.0, 9.0)], [1.0, 0.1]))
