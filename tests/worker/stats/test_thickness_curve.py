"""The curve of success against thickness: what is fitted, what is refused, and its band."""

from __future__ import annotations

import math

import pytest

from worker.stats.clustering import INDEPENDENCE_ASSUMED, Clustered, Effective, effective
from worker.stats.logistic import FIRTH, MAXIMUM_LIKELIHOOD
from worker.stats.thickness_curve import (
    ALL_FAILED,
    CONFOUNDED,
    NOT_FALLING,
    NOTHING_FAILED,
    NOTHING_TRIED,
    ONE_LEVEL,
    TOO_FEW_PARTS,
    TOO_FEW_THICKNESSES,
    Tried,
    band,
    yield_curve,
)

FALLING = ((10, 40, 40), (15, 38, 40), (20, 30, 40), (25, 12, 40))


def tried(*told: tuple[float, float, float], condition: tuple[int, ...] = ()) -> list[Tried]:
    """(thickness, good, parts), each part a plate of its own."""
    return [Tried(thickness, Effective(x, n, 1.0, int(n)), condition) for thickness, x, n in told]


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ((), NOTHING_TRIED),
        (((10, 6, 6), (15, 5, 6), (20, 1, 6)), TOO_FEW_PARTS),
        (((10, 30, 30), (20, 5, 30)), TOO_FEW_THICKNESSES),
        (((10, 30, 30), (15, 30, 30), (20, 30, 30)), NOTHING_FAILED),
        (((10, 0, 30), (15, 0, 30), (20, 0, 30)), ALL_FAILED),
        (((10, 10, 30), (15, 20, 30), (20, 25, 30)), NOT_FALLING),
        (((10, 0, 30), (15, 30, 30), (20, 30, 30)), NOT_FALLING),
        (((10, 15, 30), (15, 15, 30), (20, 15, 30)), NOT_FALLING),
    ],
)
def test_a_curve_is_refused_with_its_reason(rows: tuple[tuple[float, float, float], ...], reason: str) -> None:
    assert yield_curve(tried(*rows)).reason == reason


def test_a_rising_curve_can_still_be_drawn() -> None:
    curve = yield_curve(tried((10, 10, 30), (15, 20, 30), (20, 25, 30)))
    (point,) = band(curve, [15.0], confidence=0.95)
    assert 0 < point.low < point.share < point.high < 1


def test_the_method_depends_on_the_overlap() -> None:
    assert yield_curve(tried(*FALLING)).method == MAXIMUM_LIKELIHOOD
    assert yield_curve(tried((10, 40, 40), (15, 40, 40), (20, 0, 40))).method == FIRTH
    assert yield_curve(tried((10, 40, 40), (15, 20, 40), (20, 0, 40))).method == FIRTH


def test_exact_shares_give_back_their_line_and_the_shift_of_a_condition() -> None:
    rows = []
    for mm in (10.0, 16.0, 20.0, 25.0):
        for disturbed in (0, 1):
            odds = math.exp(2 - 4 * math.log(mm / 20) - 1.5 * disturbed)
            rows.append(Tried(mm, Effective(40 * odds / (1 + odds), 40.0, 1.0, 40), (disturbed,)))
    curve = yield_curve(rows, names=("disturbed",))
    assert curve.fit is not None
    assert (curve.slope, curve.fit.coefficients[2]) == pytest.approx((-4, -1.5), abs=1e-8)
    (point,) = band(curve, [20.0], confidence=0.95, condition=(1,))
    assert point.share == pytest.approx(1 / (1 + math.exp(-0.5)), abs=1e-8)


def test_conditions_that_cannot_be_told_are_left_out_with_why() -> None:
    rows = [
        Tried(row.thickness_mm, row.counts, (0, int(row.thickness_mm > 15), int(row.thickness_mm > 15)))
        for row in tried(*FALLING)
    ]
    curve = yield_curve(rows, names=("hardened", "disturbed", "primer"))
    assert curve.named == ("disturbed",)
    assert dict(curve.left_out) == {"hardened": ONE_LEVEL, "primer": CONFOUNDED}


def test_the_curve_says_what_its_design_effects_rest_on() -> None:
    counts = [effective(Clustered.of([(x, 12)])) for x in (12, 11, 3)]
    rows = [Tried(mm, each) for mm, each in zip((10.0, 15.0, 20.0), counts, strict=True)]
    assert yield_curve(rows).counts_reason == INDEPENDENCE_ASSUMED


def test_twice_the_parts_at_twice_the_design_effect_give_the_same_curve() -> None:
    plain = yield_curve(tried(*FALLING))
    doubled = yield_curve([Tried(mm, Effective(x, n, 2.0, int(2 * n))) for mm, x, n in FALLING])
    assert plain.fit is not None
    assert doubled.fit is not None
    assert list(plain.fit.coefficients) == list(doubled.fit.coefficients)


def test_a_band_holds_the_curve_and_is_narrowest_where_most_was_tried() -> None:
    points = band(yield_curve(tried(*FALLING)), [5.0, 10.0, 15.0, 20.0, 25.0, 60.0], confidence=0.95)
    assert all(0 <= point.low < point.share < point.high <= 1 for point in points)
    assert [point.share for point in points] == sorted((point.share for point in points), reverse=True)
    assert points[3].high - points[3].low < points[4].high - points[4].low
    assert band(yield_curve([]), [10.0], confidence=0.95) == ()


@pytest.mark.parametrize(
    ("row", "names"),
    [
        (Tried(0.0, Effective(1.0, 2.0)), ()),
        (Tried(math.nan, Effective(1.0, 2.0)), ()),
        (Tried(10.0, Effective(3.0, 2.0)), ()),
        (Tried(10.0, Effective(1.0, 2.0), (2,)), ("disturbed",)),
        (Tried(10.0, Effective(1.0, 2.0)), ("disturbed",)),
    ],
)
def test_impossible_rows_are_errors(row: Tried, names: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="must"):
        yield_curve([row], names=names)
