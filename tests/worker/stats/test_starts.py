"""Numbers to start beside published figures, exact recounts and simulated plates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from worker.stats.clustering import INDEPENDENCE_ASSUMED, NOTHING_JUDGED, Clustered, Correlation, Effective
from worker.stats.starts import (
    MOST_STARTS,
    TOO_MANY,
    UNTOLD_CORRELATION,
    Plates,
    Posterior,
    good_parts,
    prudent_correlation,
    starts,
    top_up,
)

ALONE = Plates()
#: 18 of 20 good.
PAST = Effective(18, 20)


def test_pln_01_predictive_distribution() -> None:
    # PLN-01 [read in stored copy]: R package LearnBayes, vignette BinomialInference: beta(2.95, 10.82), 20 future
    # trials; 0 to 8 come with 0.9181962
    found = good_parts(Posterior(2.95, 10.82), started=20, plates=ALONE)
    assert float(found[:9].sum()) == pytest.approx(0.9181962, abs=6e-8)


def test_pln_03_chances_at_a_known_yield() -> None:
    # PLN-03 [read in stored copy]: Tompkins et al., Facilities Planning: p 0.9; with five started fewer than four
    # are good with 0.0815
    found = good_parts(0.9, started=5, plates=ALONE)
    assert float(found[:4].sum()) == pytest.approx(0.0815, abs=6e-5)


def test_18_of_20_good_ask_for_15_starts_and_not_13() -> None:
    found = starts(PAST, parts=10, assurance=0.95, plates=ALONE)
    assert (found.started, found.if_known) == (15, 13)
    assert found.share_of_uncertainty == pytest.approx(2 / 15)
    # 15 x 18.5 / 21
    assert found.expected == pytest.approx(15 * 18.5 / 21)
    assert (found.low, found.high) == (10, 15)
    # The two chances by scipy, and those of one start fewer
    assert found.chance == pytest.approx(stats.betabinom.sf(9, 15, 18.5, 2.5), abs=1e-12)
    assert stats.betabinom.sf(9, 14, 18.5, 2.5) < 0.95
    assert stats.binom.sf(9, 12, 0.9) < 0.95 <= stats.binom.sf(9, 13, 0.9)


@pytest.mark.parametrize(("x", "n"), [(0, 3), (20, 20), (18, 20), (7.3, 11.9), (970, 1000), (0.5, 0.9)])
@pytest.mark.parametrize("started", [1, 5, 41, 400])
def test_distribution_is_beta_binomial_where_parts_are_independent(x: float, n: float, started: int) -> None:
    share = Posterior.after(Effective(x, n))
    expected = stats.betabinom.cdf(np.arange(started + 1), started, x + 0.5, n - x + 0.5)
    alone = good_parts(share, started=started, plates=ALONE)
    assert np.cumsum(alone) == pytest.approx(expected, abs=1e-10)
    # ... and the other way that it is made, over plates, runs into it as their parts grow independent
    together = good_parts(share, started=started, plates=Plates(2, 2e-7))
    assert np.cumsum(together) == pytest.approx(expected, abs=3e-5)


def test_distribution_over_plates_at_a_known_yield_is_the_sum_of_beta_binomials() -> None:
    # 7 parts on plates of 3: two whole ones and one part; correlation 0.25 makes a + b = 3
    plate = stats.betabinom.pmf(np.arange(4), 3, 0.8 * 3, 0.2 * 3)
    expected = np.convolve(np.convolve(plate, plate), [0.2, 0.8])
    assert good_parts(0.8, started=7, plates=Plates(3, 0.25)) == pytest.approx(expected, abs=1e-12)
    assert good_parts(0.8, started=0, plates=Plates(3, 0.25)) == pytest.approx([1])
    # Fewer than a plate holds
    assert good_parts(0.8, started=2, plates=Plates(3, 0.25)) == pytest.approx(
        stats.betabinom.pmf(np.arange(3), 2, 2.4, 0.6), abs=1e-12
    )


@pytest.mark.parametrize("correlation", [1.0, 1.5])
def test_plates_that_stand_or_fall_as_a_whole(correlation: float) -> None:
    found = good_parts(0.8, started=8, plates=Plates(4, correlation))
    assert found[[0, 4, 8]] == pytest.approx([0.04, 0.32, 0.64], abs=1e-6)
    assert good_parts(1.0, started=8, plates=Plates(4, correlation))[8] == pytest.approx(1)


def test_starts_on_plates_are_those_of_simulated_plates() -> None:
    # 45 of 50 good, 40 wanted, eight on a plate, correlation 0.3: yields and plates are drawn, 200,000 times
    chance = np.random.default_rng(20260303)
    plates = Plates(8, 0.3)
    found = starts(Effective(45, 50), parts=40, assurance=0.9, plates=plates)
    assert found.started is not None
    draws = 200_000
    yields = chance.beta(45.5, 5.5, draws)
    whole, rest = divmod(found.started, 8)
    good = np.zeros(draws)
    for size in [8] * whole + [rest] * (rest > 0):
        good += chance.binomial(size, chance.beta(yields * 7 / 3, (1 - yields) * 7 / 3))
    # Four standard errors of a share, and of a mean
    assert float((good >= 40).mean()) == pytest.approx(found.chance, abs=4 * math.sqrt(0.09 / draws))
    assert good.mean() == pytest.approx(found.expected, abs=4 * good.std() / math.sqrt(draws))
    assert tuple(np.quantile(good, (0.05, 0.95))) == (found.low, found.high)


def test_parts_that_stand_or_fall_together_ask_for_more() -> None:
    asked = [starts(Effective(90, 100), parts=40, assurance=0.95, plates=Plates(8, c)).started for c in (0, 0.1, 0.4)]
    assert asked == sorted(asked, key=lambda n: n or 0)
    assert len(set(asked)) == 3
    assert starts(PAST, parts=10, assurance=0.95, plates=Plates(8, -0.2)) == starts(
        PAST, parts=10, assurance=0.95, plates=ALONE
    )


def test_more_past_parts_leave_less_to_uncertainty() -> None:
    found = [starts(Effective(0.9 * n, n), parts=40, assurance=0.95, plates=ALONE) for n in (10, 100, 10_000)]
    shares = [one.share_of_uncertainty for one in found]
    assert shares == sorted(shares, key=lambda share: -(share or 0))
    at_90_percent = next(n for n in range(40, 99) if stats.binom.sf(39, n, 0.9) >= 0.95)
    assert (shares[-1], {one.if_known for one in found}) == (0, {at_90_percent})


@pytest.mark.parametrize("way", [starts, top_up])
def test_without_a_past_nothing_is_said(way: object) -> None:
    found = (starts if way is starts else top_up)(Effective(0, 0), parts=10, assurance=0.95, plates=ALONE)
    assert (found.chance, found.expected, found.low, found.high) == (None, None, None, None)
    assert found.reason == NOTHING_JUDGED


def test_what_nobody_will_start_is_none_with_a_reason() -> None:
    never = starts(Effective(0, 20), parts=10, assurance=0.95, plates=ALONE)
    assert (never.started, never.if_known, never.share_of_uncertainty, never.reason) == (None, None, None, TOO_MANY)
    # 300 good ones at 5 % for certain take some 6,600; when the 5 % are 1 of 20 they may be far fewer
    hardly = starts(Effective(1, 20), parts=300, assurance=0.95, plates=ALONE)
    assert (hardly.started, hardly.reason) == (None, TOO_MANY)
    assert hardly.if_known is not None
    assert starts(PAST, parts=MOST_STARTS + 1, assurance=0.95, plates=ALONE).reason == TOO_MANY
    assert top_up(PAST, parts=MOST_STARTS + 1, assurance=0.95, plates=ALONE).reason == TOO_MANY
    assert top_up(Effective(0, 20), parts=10, assurance=0.95, plates=ALONE).reason == TOO_MANY


def test_reason_of_the_past_goes_with_the_figures() -> None:
    past = Effective(18, 20, reason=INDEPENDENCE_ASSUMED)
    assert starts(past, parts=10, assurance=0.95, plates=ALONE).reason == INDEPENDENCE_ASSUMED
    assert top_up(past, parts=10, assurance=0.95, plates=ALONE).reason == INDEPENDENCE_ASSUMED


@pytest.mark.parametrize(("parts", "assurance", "name"), [(0, 0.95, "parts"), (5, 0, "assurance"), (5, 1, "assurance")])
def test_what_cannot_be_asked_is_refused_by_name(parts: int, assurance: float, name: str) -> None:
    for way in (starts, top_up):
        with pytest.raises(ValueError, match=name):
            way(PAST, parts=parts, assurance=assurance, plates=ALONE)
    with pytest.raises(ValueError, match="first"):
        top_up(PAST, parts=5, assurance=0.95, plates=ALONE, first=0)


@given(st.integers(1, 60), st.integers(1, 12), st.floats(0.01, 0.9))
def test_design_effect_is_that_of_such_plates(started: int, parts_a_plate: int, correlation: float) -> None:
    whole, rest = divmod(started, parts_a_plate)
    sizes = [(0, parts_a_plate)] * whole + [(0, rest)]
    expected = 1 + (Clustered.of(sizes).mean_size - 1) * correlation
    assert Plates(parts_a_plate, correlation).design_effect(started) == pytest.approx(expected)


# --- two lots ---------------------------------------------------------------------------------------------------


def test_two_lots_by_hand() -> None:
    # Two good ones wanted, both started at once after 3 of 4 good: Beta(3.5, 1.5), and 0, 1 or 2 are good
    found = top_up(Effective(3, 4), parts=2, assurance=0.9, plates=ALONE)
    first = stats.betabinom.pmf([0, 1, 2], 2, 3.5, 1.5)
    second = [
        next(n for n in range(1, 99) if stats.betabinom.sf(1 - good, n, 3.5 + good, 3.5 - good) >= 0.9)
        for good in (0, 1)
    ]
    assert found.first == 2
    assert found.second_chance == pytest.approx(first[0] + first[1])
    assert found.expected == pytest.approx(2 + first[0] * second[0] + first[1] * second[1])
    enough = [stats.betabinom.sf(1 - good, second[good], 3.5 + good, 3.5 - good) for good in (0, 1)]
    assert found.chance == pytest.approx(first[2] + first[0] * enough[0] + first[1] * enough[1])
    # Above 5 % of the chances lie at the ends
    assert (found.low, found.high) == (2, 2 + second[0])


def test_two_lots_take_fewer_starts_and_are_as_sure() -> None:
    at_once = starts(PAST, parts=10, assurance=0.95, plates=ALONE)
    found = top_up(PAST, parts=10, assurance=0.95, plates=ALONE)
    assert found.expected is not None
    assert at_once.started is not None
    assert found.expected < at_once.started - 2
    assert found.chance is not None
    assert found.chance >= 0.95
    # When the first lot is that of one go, a second is hardly ever needed
    large = top_up(PAST, parts=10, assurance=0.95, plates=ALONE, first=15)
    assert large.second_chance is not None
    assert at_once.chance is not None
    assert large.second_chance == pytest.approx(1 - at_once.chance)


def test_two_lots_of_simulated_plates() -> None:
    # Yields from the posterior; plates of four, correlation 0.3; the second lot as the plan says for each count
    plates, past = Plates(4, 0.3), Effective(27, 30)
    found = top_up(past, parts=8, assurance=0.9, plates=plates)
    chance = np.random.default_rng(20260304)
    draws = 100_000
    yields = chance.beta(27.5, 3.5, draws)

    def cut(count: int, of: np.ndarray) -> np.ndarray:
        good = np.zeros(len(of), dtype=int)
        for size in [4] * (count // 4) + [count % 4] * (count % 4 > 0):
            good += chance.binomial(size, chance.beta(of * 7 / 3, (1 - of) * 7 / 3))
        return good

    # Eight on two plates of four: a design effect of 1.9
    first = cut(8, yields)
    totals, enough = np.full(draws, 8), first >= 8
    for good in range(8):
        here = np.flatnonzero(first == good)
        known = Effective(27 + good / 1.9, 30 + 8 / 1.9)
        more = starts(known, parts=8 - good, assurance=0.9, plates=plates).started
        assert more is not None
        totals[here] += more
        enough[here] = cut(more, yields[here]) >= 8 - good
    assert totals.mean() == pytest.approx(found.expected, abs=4 * totals.std() / math.sqrt(draws))
    # What is left over of a plate's fate is not used for the second lot: within a point
    assert float(enough.mean()) == pytest.approx(found.chance, abs=0.01)
    assert tuple(np.quantile(totals, (0.05, 0.95))) == (found.low, found.high)


def test_many_counts_are_worked_out_in_steps_that_rather_start_more() -> None:
    found = top_up(Effective(90, 100), parts=300, assurance=0.95, plates=ALONE)
    first = stats.betabinom.pmf(np.arange(301), 300, 90.5, 10.5)
    exact = 300 + sum(
        first[good] * (starts(Effective(90 + good, 400), parts=300 - good, assurance=0.95, plates=ALONE).started or 0)
        for good in range(180, 300)
    )
    assert found.expected is not None
    assert exact <= found.expected <= exact * 1.02
    assert found.chance is not None
    assert found.chance >= 0.95


# --- what must hold everywhere ----------------------------------------------------------------------------------

PASTS = st.tuples(st.floats(0.3, 60), st.floats(0.2, 1)).map(lambda pair: Effective(pair[0] * pair[1], pair[0]))
WAYS = st.builds(Plates, st.integers(1, 12), st.floats(-0.1, 0.9))


@settings(max_examples=60)
@given(PASTS, st.integers(1, 30), st.floats(0.5, 0.97), WAYS)
def test_the_number_will_do_and_one_fewer_will_not(past: Effective, parts: int, assurance: float, way: Plates) -> None:
    found = starts(past, parts=parts, assurance=assurance, plates=way)
    assert found == starts(past, parts=parts, assurance=assurance, plates=way)
    if found.started is None:
        assert found.reason == TOO_MANY
        return
    assert found.started >= parts
    assert found.chance is not None
    assert found.chance >= assurance - 1e-9
    fewer = good_parts(Posterior.after(past), started=found.started - 1, plates=way)
    assert float(fewer[parts:].sum()) < assurance + 1e-9
    assert found.low is not None
    assert found.high is not None
    assert found.expected is not None
    assert 0 <= found.low <= found.high <= found.started
    assert 0 <= found.expected <= found.started


@settings(max_examples=25)
@given(PASTS.filter(lambda past: past.x > 0.5 * past.n), st.integers(1, 12), st.floats(0.5, 0.97), WAYS)
def test_two_lots_are_sure_enough(past: Effective, parts: int, assurance: float, way: Plates) -> None:
    found = top_up(past, parts=parts, assurance=assurance, plates=way)
    if found.chance is None:
        assert found.reason == TOO_MANY
        return
    assert found.chance >= assurance - 1e-6
    assert found.low is not None
    assert found.high is not None
    assert found.first <= found.low <= found.high
    assert found.expected is not None
    assert found.expected >= found.first


def test_a_prudent_correlation_is_that_of_the_past_and_one_standard_error() -> None:
    # Equal plates of m parts: sqrt(2 / (m (m - 1) (k - 1))) (1 - r) (1 + (m - 1) r), Fisher 1925 [from memory]
    error = math.sqrt(2 / (8 * 7 * 19)) * 0.8 * 2.4
    assert prudent_correlation(Correlation(0.2, degrees=19), mean_size=8) == pytest.approx(0.2 + error)
    # The more plates the less is added; a correlation below 0 is taken for 0
    assert prudent_correlation(Correlation(0.2, degrees=1e9), mean_size=8) == pytest.approx(0.2, abs=1e-4)
    assert prudent_correlation(Correlation(-0.1, degrees=1e9), mean_size=8) == pytest.approx(0.0, abs=1e-4)
    assert prudent_correlation(Correlation(0.99, degrees=1), mean_size=8) <= 1
    # Where nothing tells it, plates to come are not taken for independent parts
    assert prudent_correlation(None, mean_size=8) == prudent_correlation(None, mean_size=1) == UNTOLD_CORRELATION > 0
    assert prudent_correlation(Correlation(0.5, degrees=9), mean_size=1) == 0


@pytest.mark.parametrize(
    ("started", "share", "good", "tolerance"),
    [
        # PLN-05 [read in stored copy]: Tompkins et al., Facilities Planning, tutorial sheet: d1 0.03 reworked, of which
        # 0.40 are scrap, d3 0.02: 103,280 started for 100,000
        (103_280, (1 - 0.02) * ((1 - 0.03) + 0.03 * (1 - 0.40)), 100_000, 0.6),
        # PLN-07 [from memory]: the same book: scrap of 4, 1 and 3 % in series: 105,219 started for 97,000
        (105_219, 0.96 * 0.99 * 0.97, 97_000, 1.0),
    ],
    ids=["PLN-05", "PLN-07"],
)
def test_published_starts_give_the_published_number_on_average(
    started: int, share: float, good: int, tolerance: float
) -> None:
    found = good_parts(share, started=started, plates=ALONE)
    assert float(np.arange(started + 1) @ found) == pytest.approx(good, abs=tolerance)


def test_a_plate_that_holds_more_than_are_started_is_one_of_those_started() -> None:
    small, large = (starts(PAST, parts=10, assurance=0.95, plates=Plates(size, 0.2)) for size in (1_000, 100_000))
    assert small == large
    assert Plates(100_000, 0.2).design_effect(5) == pytest.approx(1 + 4 * 0.2)
    assert Plates(5, 0.2).design_effect(5) == Plates(100_000, 0.2).design_effect(5)
