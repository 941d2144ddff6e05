"""Where an expected yield comes from, and the figures of a plan: without a database."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from worker.planning.figures import NONE_YET, Amount, added, amount
from worker.reports import expected_yield as module
from worker.reports.cutting_amounts import took, took_between
from worker.reports.expected_yield import (
    ALIKE_ASSUMED,
    CONFIDENCE,
    ENOUGH,
    History,
    PlannedCut,
    Setup,
    expected_yield,
    history_of,
    telling_as_much,
)
from worker.reports.questions import Question
from worker.stats.clustering import Clustered, Correlation, Effective
from worker.stats.ratios import Rate
from worker.stats.starts import MOST_STARTS, TOO_MANY, UNTOLD_CORRELATION, Plates, prudent_correlation, starts
from worker.stats.thickness_curve import band

SETUP = Setup("laser 2", "oxygen")
QUESTION = Question(date(2026, 1, 5), date(2026, 7, 5), (), {}, {}, 0.9)
CLEAN = ("clean", "as_supplied")
Parts = dict[tuple[float, tuple[str, str]], tuple[int, int]]


def known(parts: Parts, *, setup: Setup = SETUP, recipe: str | None = None) -> History:
    """A history of parts on plates of their own: good of judged, by thickness in mm and condition."""
    cells = [
        (setup, recipe, round(mm * 1_000_000), *condition, Clustered.singly(x, n))
        for (mm, condition), (x, n) in parts.items()
    ]
    return history_of(cells, question=QUESTION)


def cut(mm: float, surface: str | None = None, thermal: str | None = None, recipe: str | None = None) -> PlannedCut:
    return PlannedCut("s355", round(mm * 1_000_000), None, None, recipe, surface, thermal)


FALLING: Parts = {(mm, CLEAN): (x, 30) for mm, x in ((15, 30), (20, 29), (25, 28), (30, 25), (40, 18))}


# --- where it comes from ----------------------------------------------------------------------------------------


def test_a_cell_speaks_for_itself_from_twenty_independent_parts_on() -> None:
    for n, source in ((19, "curve"), (20, "cell")):
        found = expected_yield(known(FALLING | {(28, CLEAN): (n - 2, n)}), cut(28), SETUP)
        assert (found.source, found.parts, found.good) == (source, n, n - 2)
    assert ENOUGH == 20


def test_the_counts_of_a_cell_are_its_own_with_single_parts() -> None:
    found = expected_yield(known({(28, CLEAN): (18, 20)}), cut(28), SETUP)
    assert found.counts is not None
    assert (found.counts.x, found.counts.n, found.share) == (18, 20, 0.9)
    assert (found.below_mm, found.above_mm, found.parts_a_plate) == (None, None, 1)


def test_a_yield_of_the_curve_lies_between_its_neighbours_and_tells_less_than_all_parts() -> None:
    found = expected_yield(known(FALLING), cut(35), SETUP)
    assert found.source == "curve"
    assert found.share is not None
    assert found.counts is not None
    assert 18 / 30 < found.share < 25 / 30
    assert 0 < found.counts.n < 150
    assert (found.below_mm, found.above_mm, found.parts) == (30, 40, 0)
    # Its counts have the lower limit that the curve has.
    low = stats.beta.ppf(0.05, found.counts.x + 0.5, found.counts.n - found.counts.x + 0.5)
    assert low == pytest.approx(found.low, abs=1e-9)


def test_thinner_plate_never_has_the_lower_yield_on_the_curve() -> None:
    history = known(FALLING)
    shares = [expected_yield(history, cut(mm), SETUP).share for mm in (16, 18, 22, 24, 28, 33, 38)]
    assert shares == sorted(shares, key=lambda share: -(share or 0))


def test_two_bad_plates_are_no_evidence_against_the_curve_and_many_parts_are() -> None:
    assert expected_yield(known(FALLING | {(28, CLEAN): (0, 3)}), cut(28), SETUP).source == "curve"
    worse = expected_yield(known(FALLING | {(28, CLEAN): (3, 15)}), cut(28), SETUP)
    assert (worse.source, worse.reason) == ("cell", "worse here than the curve over thickness")


def test_where_nothing_failed_thicker_plate_speaks_and_thinner_does_not() -> None:
    found = expected_yield(known({(mm, CLEAN): (10, 10) for mm in (20, 28, 30)}), cut(28), SETUP)
    assert found.counts is not None
    assert (found.source, found.counts.n, found.reason) == ("thicker", 20, "nothing failed")


def test_a_yield_that_rises_with_thickness_lends_nothing() -> None:
    rising = known({(mm, CLEAN): (x, 30) for mm, x in ((15, 18), (20, 25), (30, 29))})
    assert expected_yield(rising, cut(25), SETUP).counts is None
    assert expected_yield(rising, cut(25), SETUP).reason == "the yield does not fall with thickness"


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        (cut(41), "above the thickest tried, 40 mm"),
        (cut(14.9), "below the thinnest tried, 15 mm"),
        (cut(28, surface="disturbed"), "no first attempts on plate in this condition in the window"),
        (cut(28, recipe="s / b"), "no first attempts with a verdict in the window"),
    ],
    ids=["thicker", "thinner", "condition", "recipe"],
)
def test_what_was_never_tried_has_no_yield(asked: PlannedCut, reason: str) -> None:
    found = expected_yield(known(FALLING), asked, SETUP)
    assert (found.counts, found.share, found.source, found.reason) == (None, None, None, reason)


def test_a_condition_is_planned_no_further_than_it_was_tried() -> None:
    disturbed = ("disturbed", "as_supplied")
    history = known(FALLING | {(mm, disturbed): (27, 30) for mm in (15, 20)})
    found = expected_yield(history, cut(40, "disturbed"), SETUP)
    assert (found.counts, found.reason) == (None, "above the thickest tried in this condition, 20 mm")
    found = expected_yield(history, cut(18, "disturbed"), SETUP)
    assert (found.source, found.below_mm, found.above_mm) == ("curve", 15, 20)
    assert expected_yield(history, cut(35, "clean"), SETUP).above_mm == 40


def test_a_curve_that_says_nothing_is_the_reason_and_not_what_its_counts_rest_on() -> None:
    plates = {15: [(2, 2)], 28: [(2, 2)] * 7 + [(1, 2)] * 2, 40: [(1, 2)]}
    cells = [(SETUP, None, mm * 1_000_000, *CLEAN, Clustered.of(goods)) for mm, goods in plates.items()]
    found = expected_yield(history_of(cells, question=QUESTION), cut(28), SETUP)
    assert found.counts is not None
    assert (found.source, found.reason) == ("cell", "the curve over thickness says nothing here")
    assert found.counts.reason == "correlation of all groups together"


# --- where nothing tells how alike parts of one plate are -------------------------------------------------------


def one_plate_each(goods: dict[float, int], *, size: int = 8) -> History:
    cells = [(SETUP, None, round(mm * 1_000_000), *CLEAN, Clustered.of([(x, size)])) for mm, x in goods.items()]
    return history_of(cells, question=QUESTION)


TEN = dict(zip((10, 12, 15, 18, 20, 22, 25, 30, 35, 40), (8, 8, 8, 7, 8, 8, 7, 7, 5, 4), strict=True))


def test_where_nothing_tells_how_alike_parts_of_one_plate_are_it_is_assumed_and_said() -> None:
    history = one_plate_each(TEN)
    assert (history.pooled, history.is_told, history.alike) == (None, False, UNTOLD_CORRELATION)
    found = expected_yield(history, cut(28), SETUP)
    assert found.counts is not None
    assert (found.source, found.counts.reason, found.reason) == ("curve", ALIKE_ASSUMED, None)
    assert found.counts.design_effect == pytest.approx(1 + 7 * UNTOLD_CORRELATION)
    single = expected_yield(known({(mm, CLEAN): (x, 8) for mm, x in TEN.items()}), cut(28), SETUP)
    assert (single.low or 0) > (found.low or 1)
    # The plate of one cell tells as much as (8 parts) / (1 + 7 x correlation).
    alone = expected_yield(one_plate_each({28: 7}), cut(28), SETUP)
    assert alone.counts is not None
    assert alone.counts.n == pytest.approx(8 / (1 + 7 * UNTOLD_CORRELATION))
    assert alone.counts.reason == ALIKE_ASSUMED


def test_where_nothing_failed_on_several_plates_they_are_taken_for_little_alike() -> None:
    cells = [(SETUP, None, 28_000_000, *CLEAN, Clustered.of([(8, 8)] * 30))]
    history = history_of(cells, question=QUESTION)
    assert (history.pooled, history.is_told) == (None, True)
    assert history.alike == pytest.approx(prudent_correlation(Correlation(0.0, degrees=29), mean_size=8))
    # One bad part, and nothing that ranks below it asks for fewer starts
    one_bad = history_of([(*cells[0][:5], Clustered.of([(7, 8)] + [(8, 8)] * 29))], question=QUESTION)
    asked = []
    for each in (history, one_bad):
        counts = expected_yield(each, cut(28), SETUP).counts
        assert counts is not None
        asked.append(starts(counts, parts=40, assurance=0.95, plates=Plates(8, each.alike)).started or 0)
    assert asked[0] <= asked[1]
    # Of several cells of one plate without a failure nothing is told
    assert one_plate_each(dict.fromkeys(TEN, 8)).is_told is False


def test_parts_that_were_alone_on_their_plates_tell_nothing_of_plates_to_come() -> None:
    history = known({(28, CLEAN): (18, 20)})
    assert (history.is_told, history.alike) == (True, UNTOLD_CORRELATION)


def test_limits_of_a_curve_are_sought_at_all_thicknesses_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    monkeypatch.setattr(module, "band", lambda *args, **more: calls.append(args) or band(*args, **more))
    asked = [18, 22, 28, 33, 38, 60]
    history = replace(known(FALLING), ahead=frozenset(mm * 1_000_000 for mm in asked))
    found = [expected_yield(history, cut(mm), SETUP) for mm in asked]
    assert len(calls) == 1
    alone = [expected_yield(known(FALLING), cut(mm), SETUP) for mm in asked]
    assert [one.low for one in found] == [one and pytest.approx(one, rel=1e-9) for one in (each.low for each in alone)]


def test_conditions_that_are_noted_together_or_not_at_all_are_told_together() -> None:
    unknown = {(mm, ("unknown", "unknown")): (max(0, x - 6), 30) for (mm, _), (x, _) in FALLING.items()}
    history = known(FALLING | unknown)
    found = expected_yield(history, cut(35, "clean", "as_supplied"), SETUP)
    assert found.source == "curve"
    assert found.share == pytest.approx(expected_yield(history, cut(35, "clean"), SETUP).share)
    assert (found.share or 0) > (expected_yield(history, cut(35), SETUP).share or 1)


def test_a_mix_of_conditions_lies_between_them() -> None:
    mixed = FALLING | {(mm, ("disturbed", "as_supplied")): (x - 6, 30) for (mm, _), (x, _) in FALLING.items()}
    history = known(mixed)
    clean, either, disturbed = (
        expected_yield(history, cut(35, surface=surface), SETUP) for surface in ("clean", None, "disturbed")
    )
    assert (clean.share or 0) > (either.share or 0) > (disturbed.share or 0)
    assert (clean.low or 0) > (either.low or 0) > (disturbed.low or 0)


def test_few_plates_tell_less_than_their_design_effect_says() -> None:
    def of(plates: int) -> Effective:
        goods = [8, 8, 3, 8, 8, 7] * (plates // 6)
        counts = Clustered.of((good, 8) for good in goods)
        history = history_of([(SETUP, None, 28_000_000, *CLEAN, counts)], question=QUESTION)
        found = expected_yield(history, cut(28), SETUP).counts
        assert found is not None
        return found

    few, many = of(6), of(600)
    # Six plates of 8 parts: by the correlation alone they would tell a hundredth of 600.
    assert few.n < many.n / 100
    assert few.x / few.n == pytest.approx(many.x / many.n)


def test_any_order_of_cells_gives_the_same() -> None:
    cells = [
        (setup, recipe, mm * 1_000_000, surface, thermal, Clustered.of([(7, 8), (x, 8), (8, 8)]))
        for setup in (SETUP, Setup("laser 1", None), Setup(None, "oxygen"))
        for recipe in (None, "a / 1")
        for mm, x in ((15, 8), (20, 7), (30, 3))
        for surface, thermal in ((None, None), ("clean", "as_supplied"))
    ]
    first = history_of(cells, question=QUESTION)
    for seed in range(5):
        Random(seed).shuffle(cells)
        other = history_of(cells, question=QUESTION)
        assert other.cells == first.cells
        assert other.pooled == first.pooled
        for setup in first.setups(cut(25)):
            assert expected_yield(other, cut(25), setup) == expected_yield(first, cut(25), setup)
    assert first.setups(cut(25)) == [Setup("laser 1", None), SETUP, Setup(None, "oxygen")]


@settings(max_examples=60, deadline=None)
@given(n=st.integers(20, 60), bad=st.integers(0, 20), parts=st.integers(1, 30))
def test_one_more_good_part_never_asks_for_more_starts(n: int, bad: int, parts: int) -> None:
    def started(x: int) -> int:
        counts = expected_yield(known({(28, CLEAN): (x, n)}), cut(28), SETUP).counts
        assert counts is not None
        found = starts(counts, parts=parts, assurance=0.95, plates=Plates())
        return MOST_STARTS + 1 if found.reason == TOO_MANY else found.started or 0

    assert started(n - bad + min(1, bad)) <= started(n - bad)


@settings(max_examples=100, deadline=None)
@given(share=st.floats(0.5, 0.999), n=st.floats(1.0, 500.0))
def test_as_many_parts_have_the_limit_that_they_were_sought_by(share: float, n: float) -> None:
    low = float(stats.beta.ppf((1 - CONFIDENCE) / 2, share * n + 0.5, (1 - share) * n + 0.5))
    assert telling_as_much(share, low, most=1_000.0) == pytest.approx(n, rel=1e-6, abs=1e-6)
    assert telling_as_much(share, low, most=n / 2) == n / 2


# --- amounts ----------------------------------------------------------------------------------------------------


def test_an_amount_is_the_rate_and_varies_by_the_past_and_by_what_is_to_come() -> None:
    rate = Rate(90.0, 20, 0.0004, 19.0)
    few, many = (amount(rate, parts=parts, past_parts=100, unit=60, missing="") for parts in (1, 10_000))
    assert (few.expected, many.expected) == (1.5, 15_000)
    t = float(stats.t.ppf(0.95, 19))
    assert few.high == pytest.approx(1.5 * math.exp(t * math.sqrt(0.0004 * 101)))
    assert many.low == pytest.approx(15_000 * math.exp(-t * math.sqrt(0.0004 * 1.01)))
    assert amount(None, parts=1, past_parts=0, missing="no times") == Amount(reason="no times")
    alone = amount(Rate(90.0, 1, None, 0.0), parts=2, past_parts=4, missing="")
    assert (alone.expected, alone.low, alone.high) == (180, None, None)
    assert alone.reason


def test_distances_to_limits_add_up_by_their_squares() -> None:
    one, two = Amount(10, 7, 14, 50), Amount(20, 16, 23, 30)
    both = added([(one, 1.0), (two, 1.0)])
    assert (both.expected, both.low, both.high, both.n) == (30, 25, 35, 30)
    # What costs nothing adds nothing, whatever is known of it; one without an end leaves none.
    assert added([(one, 2.0), (Amount(5, None, None, 9, "why"), 0.0)]) == Amount(20, 14, 28, 50)
    open_ended = added([(one, 1.0), (Amount(5, 5, None, 9, "why"), 1.0)])
    assert (open_ended.expected, open_ended.low, open_ended.high, open_ended.reason) == (15, 12, None, "why")
    # One of which there is none so far leaves the others their limit, and says that it is not in it.
    assert added([(one, 1.0), (Amount(0, 0, None, 9, NONE_YET), 1.0)]) == Amount(10, 7, 14, 9, NONE_YET)


def test_an_amount_of_which_there_is_none_is_limited_by_how_much_there_is_elsewhere() -> None:
    none = Rate(0.0, 20, None, 0.0)
    assert amount(none, parts=10, past_parts=40, missing="") == Amount(0, 0, None, 40, NONE_YET)
    limited = amount(none, parts=10, past_parts=40, usual=3.0, missing="")
    # Wilson's upper limit of 0 of 20 at 90 %: z^2 / (n + z^2)
    z2 = float(stats.norm.ppf(0.95)) ** 2
    assert limited.high == pytest.approx(10 * 3.0 * z2 / (20 + z2))


SUMS = {
    "attempts_without_seconds": 0, "cutting_ms": 400_000, "parts_tried": 4, "rework_minutes_e3": 6_000, "good": 2,
    "rework": 1, "scrap": 1, "not_made": 0, "recovered": 1, "scrapped": 0, "in_rework": 0,
}  # fmt: skip


def test_what_cutting_took_leaves_days_without_times_out_of_the_time_alone() -> None:
    days = [SUMS, SUMS | {"cutting_ms": 200_000}, SUMS | {"attempts_without_seconds": 1}]
    found = took(days)
    assert found.seconds is not None
    assert found.rework_minutes is not None
    assert (found.seconds.rate, found.timed, found.untimed) == (75, 8, 4)
    assert (found.rework_minutes.rate, found.judged) == (1.5, 12)
    assert (found.not_good, found.recovered, found.lost) == (6, 3, 3)
    assert took(reversed(days)) == found
    nothing = took([])
    assert (nothing.seconds, nothing.rework_minutes, nothing.judged) == (None, None, 0)


def test_between_two_thicknesses_a_rate_is_a_straight_line_over_the_logarithm() -> None:
    thin, thick = took([SUMS] * 5), took([SUMS | {"cutting_ms": 1_200_000, "rework_minutes_e3": 0}] * 5)
    found = took_between(thin, thick, at_mm=20, between=(10, 40))
    assert found.seconds is not None
    assert found.rework_minutes is not None
    assert (found.seconds.rate, found.rework_minutes.rate) == (pytest.approx(200), pytest.approx(0.75))
    assert (found.timed, found.judged, found.lost, found.between) == (40, 40, 10, (10, 40))
    unknown = took_between(thin, took([]), at_mm=20, between=(10, 40))
    assert (unknown.seconds, unknown.rework_minutes) == (None, None)
