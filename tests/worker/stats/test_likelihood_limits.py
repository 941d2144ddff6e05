"""Limits of many places at once beside those that are sought step by step, one by one."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.stats import logistic
from worker.stats.likelihood_limits import limits_at
from worker.stats.logistic import FIRTH, MAXIMUM_LIKELIHOOD, Binomial, Fit, drop, fitted, lower_limit, upper_limit

PLACES = np.array([[1.0, math.log(mm / 15)] for mm in (8, 10, 12, 15, 18, 20, 22, 25, 30)])
OVERLAPPING = ((10, 40, 40), (15, 38, 40), (20, 30, 40), (25, 12, 40))
SEPARATED = ((10, 9, 9), (15, 9, 9), (20, 9, 9), (25, 0, 9))
#: Good up to 20 mm and bad from 25 mm on, so many parts that between the two the likelihood has two summits.
FAR_APART = ((10, 900, 900), (15, 900, 900), (20, 900, 900), (25, 0, 900), (30, 0, 900))


def fit_of(*told: tuple[float, float, float]) -> Fit:
    fit = fitted(Binomial.of([((1.0, math.log(mm / 15)), x, n) for mm, x, n in told]))
    assert fit is not None
    return fit


def one_by_one(fit: Fit, quantile: float) -> list[float | None]:
    seek = lower_limit if quantile < 0 else upper_limit
    return [seek(fit, place.tolist(), quantile=abs(quantile)) for place in PLACES]


@pytest.mark.parametrize("sign", [-1, 1], ids=["lower", "upper"])
@pytest.mark.parametrize(
    ("told", "method"),
    [
        pytest.param(OVERLAPPING, MAXIMUM_LIKELIHOOD, id="overlapping"),
        pytest.param(SEPARATED, FIRTH, id="separated"),
        pytest.param(FAR_APART, FIRTH, id="far-apart"),
    ],
)
def test_limits_are_those_sought_one_by_one(
    told: tuple[tuple[float, float, float], ...], method: str, sign: int
) -> None:
    fit = fit_of(*told)
    assert fit.method == method
    found = limits_at(fit, PLACES, np.full(len(PLACES), sign * 1.96))
    assert found.values.tolist() == pytest.approx(one_by_one(fit, sign * 1.96), abs=1e-7)


@pytest.mark.parametrize("told", [OVERLAPPING, SEPARATED], ids=["overlapping", "separated"])
def test_coefficients_reach_the_limit_and_the_likelihood_has_dropped_there(
    told: tuple[tuple[float, float, float], ...],
) -> None:
    fit, quantiles = fit_of(*told), np.linspace(0.5, 2.5, len(PLACES))
    for sign in (-1, 1):
        found = limits_at(fit, PLACES, sign * quantiles)
        assert np.einsum("ij,ij->i", PLACES, found.coefficients) == pytest.approx(found.values, abs=1e-9)
        for place, value, quantile in zip(PLACES, found.values, quantiles, strict=True):
            assert math.sqrt(2 * drop(fit, place.tolist(), float(value))) == pytest.approx(quantile, abs=1e-6)


def test_with_several_peaks_the_limits_are_the_outermost() -> None:
    """The other peak is hardly likely enough: between the two no line is."""
    rows = ((-4, 2.4, 2.4), (-3, 0.0, 0.6), (2, 0.0, 0.8), (4, 0.0, 0.6), (8, 0.0, 6.0))
    fit = fitted(Binomial.of([((1.0, place / 7), x, n) for place, x, n in rows]))
    assert fit is not None
    (other,) = fit.others
    places = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, -0.5]])
    for sign, seek in ((-1, lower_limit), (1, upper_limit)):
        limits = limits_at(fit, places, np.full(len(places), sign * 2.0)).values
        assert (sign * limits > sign * (places @ other.coefficients)).all()
        assert limits.tolist() == pytest.approx([seek(fit, p, quantile=2.0) for p in places.tolist()], abs=1e-6)
    (low,) = limits_at(fit, places[[1]], np.array([-1.6])).values
    assert other.value((0.0, 1.0)) < low


def test_where_one_begins_and_who_else_is_asked_does_not_matter() -> None:
    fit, quantiles = fit_of(*OVERLAPPING), np.full(len(PLACES), -1.645)
    plain = limits_at(fit, PLACES, quantiles)
    start = limits_at(fit, PLACES[::-1], -quantiles).coefficients
    assert limits_at(fit, PLACES, quantiles, start=start).values == pytest.approx(plain.values, abs=1e-9)
    # A start that is no number is none.
    start[0] = math.nan
    assert limits_at(fit, PLACES, quantiles, start=start).values == pytest.approx(plain.values, abs=1e-9)
    alone = [limits_at(fit, PLACES[[place]], quantiles[[place]]).values[0] for place in range(len(PLACES))]
    assert alone == pytest.approx(plain.values, abs=1e-9)
    both = limits_at(fit, np.concatenate([PLACES, PLACES]), np.concatenate([-quantiles, quantiles])).values
    assert both[len(PLACES) :] == pytest.approx(plain.values, abs=1e-9)


def test_a_quantile_of_none_leaves_the_estimate() -> None:
    fit = fit_of(*OVERLAPPING)
    found = limits_at(fit, PLACES, np.zeros(len(PLACES)))
    assert found.values == pytest.approx(PLACES @ fit.coefficients, abs=1e-9)


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.sampled_from((0.67, 1.645, 1.96, 2.58)))
def test_random_data_with_a_condition_have_the_limits_sought_one_by_one(seed: int, quantile: float) -> None:
    chance = random.Random(seed)
    rows = []
    for mm in (8.0, 10.0, 15.0, 20.0, 30.0):
        for worse in (0.0, 1.0):
            n = chance.choice((3, 8, 30))
            share = 1 / (1 + math.exp(-(2 - chance.uniform(2, 6) * math.log(mm / 15) - worse)))
            rows.append(
                ((1.0, math.log(mm / 15), worse), sum(chance.random() < share for _ in range(n)) / 1.3, n / 1.3)
            )
    fit = fitted(Binomial.of(rows))
    assert fit is not None
    places = np.array([[1.0, z, worse] for z in (-0.6, 0.0, 0.7) for worse in (0.0, 1.0)])
    lows = limits_at(fit, places, np.full(len(places), -quantile)).values
    highs = limits_at(fit, places, np.full(len(places), quantile)).values
    for place, low, high in zip(places.tolist(), lows.tolist(), highs.tolist(), strict=True):
        assert low < fit.value(place) < high
        if fit.method == MAXIMUM_LIKELIHOOD:
            # It bends down everywhere: there is one limit. Under the penalty another may lie further out.
            assert low == pytest.approx(lower_limit(fit, place, quantile=quantile), abs=1e-6)
            assert high == pytest.approx(upper_limit(fit, place, quantile=quantile), abs=1e-6)


def test_a_saddle_between_two_summits_is_left_in_few_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clean plate is good up to 35 mm and disturbed up to 30 mm, all else is bad: thousands of steps would lead out."""
    tried = 0

    def counted(*told: object) -> object:
        nonlocal tried
        tried += 1
        return place(*told)

    place = logistic._place  # type: ignore[attr-defined]  # noqa: SLF001
    monkeypatch.setattr(logistic, "_place", counted)
    thicknesses = (3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 35, 40)
    rows = [
        ((1.0, math.log(mm / 11), float(worse)), 1379.0 * (mm <= last), 1379.0)
        for mm in thicknesses
        for worse, last in ((0, 35), (1, 30))
    ]
    fit = fitted(Binomial.of(rows))
    assert fit is not None
    assert fit.method == FIRTH
    places = np.array([[1.0, math.log(mm / 11), worse] for worse in (0.0, 1.0) for mm in thicknesses])
    sides = np.repeat([-1.96, 1.96], len(places))
    limits = limits_at(fit, np.concatenate([places, places]), sides).values
    estimates = places @ fit.coefficients
    assert (limits[: len(places)] < estimates).all()
    assert (limits[len(places) :] > estimates).all()
    assert tried < 3_000
