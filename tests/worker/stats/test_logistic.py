"""Logistic regression beside published fits and statsmodels, separation beside sorting, limits beside refits."""

from __future__ import annotations

import math
import random
import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from worker.stats.logistic import (
    FIRTH,
    MAXIMUM_LIKELIHOOD,
    Binomial,
    Fit,
    _inverse,
    drop,
    firth,
    fitted,
    full_rank,
    maximum_likelihood,
    profile_limits,
    root_drop,
    separated,
)
from worker.stats.proportions import quantile

with warnings.catch_warnings():
    # What the library imports may warn of its own dependencies.
    warnings.simplefilter("ignore")
    from statsmodels.api import GLM, families

#: DOS-01 [read in stored copy]: Bliss CI (1935), Annals of Applied Biology 22, 134-167, as analysed in Dobson AJ, An
#: Introduction to Generalized Linear Models; output of the glmlab documentation. (log10 dose, n, killed).
BEETLES = (
    (1.6907, 59, 6), (1.7242, 60, 13), (1.7552, 62, 18), (1.7842, 56, 28),
    (1.8113, 63, 52), (1.8369, 59, 53), (1.861, 62, 61), (1.8839, 60, 60),
)  # fmt: skip

#: DOS-10 [from memory]: Dalal SR, Fowlkes EB, Hoadley B (1989), JASA 84, 945-957: any O-ring distress at a temperature.
DISTRESS_F = (53, 57, 58, 63, 70, 70, 75)
NONE_F = (66, 69, 68, 67, 72, 73, 70, 78, 67, 67, 75, 70, 81, 76, 79, 76)

#: FIR-01 [read in stored copy]: data set sex2 of R package logistf; "age oc vic vicl vis dia", case, count.
SEX2 = (
    "000010 0 1", "000010 1 1", "001000 0 2", "001000 1 14", "001010 0 1", "001010 1 3", "001100 0 8", "001100 1 10",
    "001110 0 18", "001110 1 12", "001111 1 1", "010000 0 42", "010000 1 44", "010001 1 3", "010010 0 1",
    "011000 0 1", "011000 1 15", "011001 1 1", "011010 1 2", "011100 0 5", "011100 1 7", "011110 0 6", "011110 1 3",
    "101000 1 2", "101010 1 1", "101011 1 1", "101100 0 2", "101100 1 1", "101110 0 4", "101111 1 1", "110000 0 14",
    "110000 1 5", "110010 0 1", "111000 0 1", "111000 1 3", "111110 0 2",
)  # fmt: skip
#: Its output in the snapshot tests of R package parameters (easystats): coefficient, profile limits, chi square.
SEX2_FIT = {
    "intercept": (0.12, -0.82, 1.07, 0.06),
    "age": (-1.11, -1.97, -0.31, 7.51),
    "oc": (-0.07, -0.94, 0.79, 0.02),
    "vic": (2.27, 1.27, 3.44, 22.93),
    "vicl": (-2.11, -3.26, -1.12, 19.1),
    "vis": (-0.79, -1.61, 0.02, 3.7),
    "dia": (3.1, 0.77, 8.03, 7.9),
}

#: FIR-03 [read in stored copy]: Heinze G, Schemper M (2002), Statistics in Medicine 21, 2409-2419, endometrial cancer:
#: NV, PI, EH, HG; coefficients printed in repository tommasorigon/logistic-bias-reduction, Table 1, row Firth 1993.
ENDOMETRIAL = (
    (0, 13, 1.64, 0), (0, 16, 2.26, 0), (0, 8, 3.14, 0), (0, 34, 2.68, 0), (0, 20, 1.28, 0), (0, 5, 2.31, 0),
    (0, 17, 1.8, 0), (0, 10, 1.68, 0), (0, 26, 1.56, 0), (0, 17, 2.31, 0), (0, 8, 2.01, 0), (0, 7, 1.89, 0),
    (0, 20, 3.15, 0), (0, 10, 1.23, 0), (0, 18, 1.27, 0), (0, 16, 1.76, 0), (0, 18, 2.0, 0), (0, 8, 2.64, 1),
    (0, 29, 0.88, 1), (0, 12, 1.27, 1), (0, 20, 1.37, 1), (1, 38, 0.97, 1), (1, 22, 1.14, 1), (1, 7, 0.88, 1),
    (1, 25, 0.91, 1), (1, 15, 0.58, 1), (0, 7, 0.97, 1), (0, 28, 1.5, 0), (0, 11, 1.33, 0), (0, 19, 2.37, 0),
    (0, 10, 1.82, 0), (0, 10, 3.13, 0), (0, 18, 1.31, 0), (0, 14, 1.92, 0), (0, 21, 1.64, 0), (0, 11, 2.01, 0),
    (0, 17, 1.88, 0), (0, 25, 1.93, 0), (0, 16, 2.11, 0), (0, 19, 1.29, 0), (0, 15, 1.72, 0), (0, 33, 0.75, 0),
    (0, 24, 1.92, 0), (0, 48, 1.84, 1), (0, 12, 1.11, 1), (0, 19, 1.61, 1), (0, 2, 1.18, 1), (1, 22, 1.44, 1),
    (1, 40, 1.18, 1), (1, 5, 0.93, 1), (1, 0, 1.17, 1), (0, 21, 1.19, 1), (0, 15, 1.06, 1), (0, 29, 2.02, 0),
    (0, 15, 2.29, 0), (0, 12, 2.33, 0), (0, 3, 2.9, 0), (0, 20, 1.7, 0), (0, 23, 1.41, 0), (0, 12, 2.25, 0),
    (0, 22, 1.54, 0), (0, 42, 1.97, 0), (0, 15, 1.75, 0), (0, 13, 2.16, 0), (0, 14, 2.57, 0), (0, 19, 1.37, 0),
    (0, 12, 3.61, 0), (0, 13, 2.04, 0), (0, 10, 2.17, 0), (0, 12, 1.69, 1), (1, 49, 0.27, 1), (0, 6, 1.84, 1),
    (0, 5, 1.3, 1), (0, 17, 0.96, 1), (1, 11, 1.01, 1), (1, 21, 0.98, 1), (0, 5, 0.35, 1), (1, 19, 1.02, 1),
    (0, 33, 0.85, 1),
)  # fmt: skip


#: (place, x, deff) of `rows_of`: two rows tell less than one part would, and the penalised likelihood has two peaks.
TWO_PEAKS = ((1, 0, 7.0), (2, 0, 7.0), (6, 6, 1.0), (-7, 0, 1.0))
#: (place, x, n), whose other peak has a slope seven times as steep, hardly likely enough for limits at 95 %.
STEEP_OR_NOT = ((-4, 2.4, 2.4), (-3, 0.0, 0.6), (2, 0.0, 0.8), (4, 0.0, 0.6), (8, 0.0, 6.0))


def line(*points: tuple[float, float, float]) -> Binomial:
    """Points of (place, x, n) on one axis, with an intercept."""
    return Binomial.of([((1.0, place), x, n) for place, x, n in points])


def found(fit: Fit | None) -> Fit:
    assert fit is not None
    return fit


def errors(fit: Fit) -> list[float]:
    return [math.sqrt(variance) for variance in fit.covariance.diagonal()]


def sex2() -> Binomial:
    rows = []
    for told in SEX2:
        levels, case, count = told.split()
        rows.append(((1.0, *map(float, levels)), float(case) * float(count), float(count)))
    return Binomial.of(rows)


# --- published fits ---------------------------------------------------------------------------------------------


def test_dos_01_beetles() -> None:
    fit = found(fitted(line(*((dose, killed, n) for dose, n, killed in BEETLES))))
    assert fit.method == MAXIMUM_LIKELIHOOD
    assert list(fit.coefficients) == pytest.approx([-60.717455, 34.270326], abs=2e-5)
    assert errors(fit) == pytest.approx([5.180701, 2.912134], abs=2e-5)
    assert fit.deviance == pytest.approx(11.232231, abs=2e-5)


def test_dos_10_o_rings() -> None:
    fit = found(fitted(line(*((f, 1, 1) for f in DISTRESS_F), *((f, 0, 1) for f in NONE_F))))
    assert list(fit.coefficients) == pytest.approx([15.0429, -0.2322], abs=6e-4)
    assert errors(fit) == pytest.approx([7.3786, 0.1082], abs=6e-4)
    assert fit.deviance == pytest.approx(20.315, abs=6e-4)


@pytest.mark.parametrize("column", list(SEX2_FIT))
def test_fir_01_penalised_fit_with_profile_limits(column: str) -> None:
    fit, place = found(firth(sex2())), list(SEX2_FIT).index(column)
    along = [float(place == other) for other in range(len(SEX2_FIT))]
    low, high = profile_limits(fit, along, quantile=quantile(0.95))
    assert low is not None
    assert high is not None
    assert (fit.coefficients[place], low, high, 2 * drop(fit, along, 0.0)) == pytest.approx(SEX2_FIT[column], abs=6e-3)


def test_fir_03_a_separated_covariate_is_seen_and_has_a_finite_effect() -> None:
    data = Binomial.of([((1.0, nv, pi, eh), hg, 1.0) for nv, pi, eh, hg in ENDOMETRIAL])
    assert separated(data)
    fit = found(fitted(data))
    assert fit.method == FIRTH
    assert list(fit.coefficients) == pytest.approx([3.775, 2.929, -0.035, -2.604], abs=6e-4)


@pytest.mark.parametrize("cells", [(10, 0, 7, 3), (0, 12, 4, 8), (5, 5, 5, 5)])
def test_fir_05_a_saturated_table_has_one_half_added_to_each_cell(cells: tuple[int, int, int, int]) -> None:
    # FIR-05 [from memory]: Firth D (1993), Biometrika 80, 27-38.
    a, b, c, d = cells
    fit = found(firth(Binomial.of([((1.0, 1.0), a, a + b), ((1.0, 0.0), c, c + d)])))
    assert fit.coefficients[1] == pytest.approx(math.log((a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5))), abs=1e-8)


# --- beside statsmodels, sorting and refits ---------------------------------------------------------------------


def random_rows(chance: random.Random, *, covariates: int) -> list[tuple[tuple[float, ...], float, float]]:
    slope, deff = chance.uniform(-6, 1), chance.choice((1.0, 1.7, 3.2))
    rows = []
    for place in sorted(chance.uniform(-1, 1) for _ in range(chance.randint(6, 9))):
        levels = [float(chance.random() < 0.5) for _ in range(covariates)]
        share = 1 / (1 + math.exp(-(1 + slope * place - sum(levels))))
        n = chance.randint(5, 60)
        rows.append(((1.0, place, *levels), sum(chance.random() < share for _ in range(n)) / deff, n / deff))
    return rows


def test_fits_of_random_overlapping_data_are_those_of_statsmodels() -> None:
    chance, compared = random.Random(6), 0
    for case in range(200):
        rows = random_rows(chance, covariates=case % 3)
        data = Binomial.of(rows)
        if not full_rank([row[0] for row in rows]) or separated(data):
            continue
        compared += 1
        fit = found(maximum_likelihood(data))
        # x of n that are no whole numbers: shares, weighted
        reference = GLM(data.x / data.n, data.design, family=families.Binomial(), var_weights=data.n).fit(tol=1e-14)
        assert list(fit.coefficients) == pytest.approx(list(reference.params), rel=1e-6, abs=1e-6)
        assert errors(fit) == pytest.approx(list(reference.bse), rel=1e-5)
        assert fit.deviance == pytest.approx(reference.deviance, rel=1e-8, abs=1e-8)
    assert compared > 100


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 3), st.integers(1, 3)), min_size=2, max_size=9))
def test_separation_on_one_axis_is_what_sorting_says(rows: list[tuple[int, int, int]]) -> None:
    points = [(float(place), float(min(x, n)), float(n)) for place, x, n in rows]
    good = [place for place, x, _ in points if x > 0]
    bad = [place for place, x, n in points if x < n]
    if len({place for place, _, _ in points}) < 2:
        return
    expected = not good or not bad or max(good) <= min(bad) or max(bad) <= min(good)
    assert separated(line(*points)) is expected


def test_a_covariate_that_always_fails_separates() -> None:
    mixed = [((1.0, place, 0.0), x, 10.0) for place, x in ((1.0, 9.0), (2.0, 6.0), (3.0, 7.0))]
    assert not separated(Binomial.of([*mixed, ((1.0, 2.0, 1.0), 1.0, 5.0)]))
    assert separated(Binomial.of([*mixed, ((1.0, 2.0, 1.0), 0.0, 5.0)]))


def test_a_column_that_follows_from_others_lowers_the_rank() -> None:
    assert full_rank([(1.0, 2.0, 0.0), (1.0, 3.0, 1.0), (1.0, 4.0, 1.0)])
    assert not full_rank([(1.0, 2.0, 0.0), (1.0, 2.0, 0.0), (1.0, 4.0, 1.0)])
    assert not full_rank([(1.0, 0.0), (1.0, 0.0)])
    assert not full_rank([])


def test_the_drop_is_that_of_a_refit_without_the_column() -> None:
    rows = [((1.0, place), x, 20.0) for place, x in ((-1.0, 19.0), (-0.3, 15.0), (0.2, 16.0), (1.0, 6.0))]
    full = found(maximum_likelihood(Binomial.of(rows)))
    alone = found(maximum_likelihood(Binomial.of([((1.0,), x, n) for _, x, n in rows])))
    # Twice the drop is the difference of the deviances.
    assert 2 * drop(full, (0.0, 1.0), 0.0) == pytest.approx(alone.deviance - full.deviance, abs=1e-9)


def test_limits_hold_where_the_likelihood_has_dropped_enough() -> None:
    for fit in (found(maximum_likelihood(line((1, 18, 20), (2, 12, 20), (3, 3, 20)))), found(firth(sex2()))):
        along = (1.0, 2.0, *(0.0 for _ in fit.coefficients[2:]))
        low, high = profile_limits(fit, along, quantile=2.0)
        assert low is not None
        assert high is not None
        assert low < fit.value(along) < high
        assert root_drop(fit, along, low) == pytest.approx(2.0, abs=1e-6)
        assert root_drop(fit, along, high) == pytest.approx(2.0, abs=1e-6)


# --- several peaks ----------------------------------------------------------------------------------------------


def heights(data: Binomial, coefficients: np.ndarray) -> np.ndarray:
    """The penalised log-likelihood of coefficients in the last axis, from its definition."""
    odds = coefficients @ data.design.T
    weights = data.n / (1 + np.exp(-odds)) / (1 + np.exp(odds))
    told = -(data.x * np.logaddexp(0, -odds) + (data.n - data.x) * np.logaddexp(0, odds)).sum(axis=-1)
    information = np.einsum("...i,ia,ib->...ab", weights, data.design, data.design)
    return np.asarray(told + 0.5 * np.linalg.slogdet(information)[1])


def everywhere(levels: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    return np.stack(np.meshgrid(levels, slopes, indexing="ij"), axis=-1)


def test_nowhere_is_the_penalised_likelihood_higher_than_at_the_fit() -> None:
    data = Binomial.of(rows_of(TWO_PEAKS))
    fit = found(firth(data))
    assert heights(data, fit.coefficients) == pytest.approx(fit.height, abs=1e-9)
    grid = everywhere(np.linspace(-12, 12, 481), np.linspace(-12, 24, 721))
    assert heights(data, grid).max() <= fit.height
    (other,) = fit.others
    assert heights(data, other.coefficients) == pytest.approx(other.height, abs=1e-9)
    around = other.coefficients + 1e-3 * everywhere(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
    assert heights(data, around).max() - 1e-12 <= other.height < fit.height - 0.03


def test_held_anywhere_it_drops_to_the_highest_of_what_is_left() -> None:
    data = Binomial.of(rows_of(TWO_PEAKS))
    fit, levels = found(firth(data)), np.linspace(-14, 6, 8001)
    for slope in np.linspace(0.5, 16, 32):
        left = heights(data, everywhere(levels, np.array([slope]))).max()
        assert left <= fit.height
        assert drop(fit, (0.0, 1.0), float(slope)) == pytest.approx(fit.height - left, abs=1e-5)


@pytest.mark.parametrize("rows", [TWO_PEAKS, (*TWO_PEAKS, (6, 6, 1.0))])
def test_the_order_of_rows_chooses_no_peak(rows: tuple[tuple[int, int, float], ...]) -> None:
    fit, turned = (found(firth(Binomial.of(told))) for told in (rows_of(rows), rows_of(rows[::-1])))
    assert list(fit.coefficients) == list(turned.coefficients)
    assert [list(other.coefficients) for other in fit.others] == [list(other.coefficients) for other in turned.others]


def test_a_climb_that_rests_on_a_saddle_is_no_fit() -> None:
    """From 0 it leads between two peaks: it bends down on one side only."""
    rows = (((2, 0), 12, 12), ((1, 0), 12, 12), ((5, 0), 0, 12), ((8, 0), 0, 5), ((-5, 1), 12, 12), ((8, 1), 0, 12))
    data = Binomial.of([((1.0, place / 7, worse), x, n) for (place, worse), x, n in rows])
    fit = found(firth(data))
    near = np.random.default_rng(1).normal(size=(20_000, 3)) * (10, 20, 10)
    assert heights(data, near).max() <= fit.height
    assert np.linalg.eigvalsh(fit.covariance).min() > 0
    assert fit.height == pytest.approx(heights(data, fit.coefficients), abs=1e-9)
    assert fit.height > -3.5


def test_ordinary_rows_have_no_other_peak() -> None:
    chance = random.Random(9)
    for case in range(60):
        rows = random_rows(chance, covariates=case % 3)
        data = Binomial.of(rows)
        if full_rank([row[0] for row in rows]) and not separated(data):
            assert found(maximum_likelihood(data)).others == ()
            assert found(firth(data)).others == ()
    assert found(firth(sex2())).others == ()
    assert found(firth(line((10, 12, 12), (15, 12, 12), (20, 0, 12), (25, 0, 12)))).others == ()


def test_limits_are_the_outermost() -> None:
    data = line(*((place / 7, x, n) for place, x, n in STEEP_OR_NOT))
    fit = found(firth(data))
    (other,) = fit.others
    grid = everywhere(np.linspace(-12, 6, 721), np.linspace(-40, 10, 2001))
    for least, is_within in ((1.6, False), (2.0, True)):
        assert (2 * (fit.height - other.height) < least**2) is is_within
        likely = grid[heights(data, grid) >= fit.height - least**2 / 2]
        for along in ((1.0, 0.0), (0.0, 1.0), (1.0, 1.0)):
            low, high = profile_limits(fit, along, quantile=least)
            assert low is not None
            assert high is not None
            values = likely @ np.array(along)
            assert (low, high) == pytest.approx((values.min(), values.max()), abs=0.1)
            assert low <= values.min()
            assert values.max() <= high
            assert (low < other.value(along)) is is_within


# --- what must not matter ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("fit_by", [maximum_likelihood, firth])
def test_rows_in_any_order_give_the_same_bytes_and_single_parts_the_same_fit(fit_by: object) -> None:
    assert callable(fit_by)
    points = [(1.0, 9.0, 10.0), (2.0, 7.0, 10.0), (3.0, 6.0, 10.0), (4.0, 2.0, 10.0)]
    whole, turned = found(fit_by(line(*points))), found(fit_by(line(*reversed(points))))
    assert list(whole.coefficients) == list(turned.coefficients)
    one_by_one = [(place, float(part < x), 1.0) for place, x, n in points for part in range(int(n))]
    assert list(found(fit_by(line(*one_by_one))).coefficients) == pytest.approx(list(whole.coefficients), abs=1e-9)


def test_firth_is_finite_and_falls_where_all_is_good_below_and_bad_above() -> None:
    fit = found(fitted(line((10, 12, 12), (15, 12, 12), (20, 0, 12), (25, 0, 12))))
    assert fit.method == FIRTH
    low, high = profile_limits(fit, (0.0, 1.0), quantile=quantile(0.95))
    assert low is not None
    assert high is not None
    assert low < fit.coefficients[1] < high < 0


def rows_of(draw: Sequence[tuple[int, int, float]]) -> list[tuple[tuple[float, ...], float, float]]:
    return [((1.0, place / 7), min(x, 6) / deff, 6 / deff) for place, x, deff in draw]


@given(
    st.lists(st.tuples(st.integers(-9, 9), st.integers(0, 6), st.sampled_from((1.0, 2.5, 7.0))), min_size=2, max_size=8)
)
@example(list(TWO_PEAKS))
def test_any_rows_have_a_fit_whose_score_is_naught(draw: list[tuple[int, int, float]]) -> None:
    rows = rows_of(draw)
    if not full_rank([row[0] for row in rows]):
        return
    data = Binomial.of(rows)
    fit = found(fitted(data))
    assert np.isfinite(fit.coefficients).all()
    assert np.isfinite(fit.covariance).all()
    # No step to any side gains.
    for along in ((1.0, 0.0), (0.0, 1.0), (1.0, 1.0)):
        for side in (-1e-3, 1e-3):
            assert drop(fit, along, fit.value(along) + side) >= 0
            moved = fit.value(along) + 0.5 * math.copysign(math.sqrt(fit.covary(along, along)), side)
            assert drop(fit, along, moved) > 0


def test_information_too_small_to_be_inverted_is_singular() -> None:
    assert _inverse(np.diag([1e-320, 1.0])) is None
    assert _inverse(np.diag([1e-300, 1.0])) == pytest.approx(np.diag([1e300, 1.0]))
