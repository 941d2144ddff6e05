"""The calibration (tests/calibrate), shortened: all that is demanded holds, as far as few trials can tell."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from demo.trial import TRIAL
from tests import builders
from tests.calibrate import (
    comparisons,
    coverage,
    factorials,
    limits,
    lot_alarms,
    plans,
    reactions,
    series,
    standings,
    trends,
    wear,
)
from tests.calibrate.__main__ import PARTS, main
from tests.calibrate.figures import SLACK, Figure, by_question
from tests.calibrate.shop_parts import NAMES, parts_of
from tests.calibrate.showing import show
from tests.demo.shop_floor import opened, shop_of
from worker.measures import FIRST_PASS
from worker.reports.process_parts import process_parts
from worker.reports.questions import Question
from worker.reports.reading import open_site
from worker.reports.thickness_promise import TARGET, thickness_promise
from worker.stats.thickness_limit import NO_FINITE_LIMIT, Bound, ThicknessLimit


def assert_met(figures: Iterable[Figure]) -> list[Figure]:
    """All that is demanded is met but for the noise of a short run; the figures."""
    found = list(figures)
    assert any(figure.met is not None for figure in found)
    assert [figure for figure in found if figure.meets(slack=SLACK) is False] == []
    return found


def test_intervals_of_yield_cover_the_truth_where_plain_ones_do_not() -> None:
    found = assert_met(coverage.figures(2, trials=400, plates=(4, 20)))
    plain = [share for figure in found if figure.plain_below is not None for share in figure.plain]
    assert max(plain) < 0.85


def test_conditions_and_recipes_seldom_reject_a_true_null() -> None:
    assert_met(comparisons.figures(3, trials=150, cases=comparisons.CASES[2:5]))


def test_lots_like_the_others_are_seldom_blamed_and_bad_ones_found() -> None:
    found = assert_met(
        lot_alarms.figures(
            4, trials=60, large_trials=4,
            nulls=(lot_alarms.Case(5, 4, 0.9), lot_alarms.Case(50, 4, 0.9)),
            many=(lot_alarms.Case(150, 4, 0.9), lot_alarms.Case(150, 8, 0.95, 10, 0.4)),
        )
    )  # fmt: skip
    (false_alarms, *_) = [figure for figure in found if figure.question == lot_alarms.FALSE_ALARMS]
    # 50 equal lots of 4 plates give a funnel of independent parts about 2 in each report.
    assert false_alarms.plain[0] > 1
    assert min(share for figure in found if figure.question == lot_alarms.FOUND for share in figure.found) > 0.5


def test_weeks_in_control_seldom_signal_and_twice_the_failed_pierces_do() -> None:
    found = assert_met(trends.figures(5, weeks=400, trials=25, cases=trends.CASES[1:2]))
    seen = {figure.case: figure.found[0] for figure in found if figure.question == trends.SEEN}
    assert max(share for case, share in seen.items() if case.startswith("within 20 days")) > 0.4


def test_plans_start_enough_and_not_many_more_than_who_knows_the_yield() -> None:
    found = assert_met(plans.figures(6, trials=60, cases=(plans.CASES[4], plans.CASES[9], plans.CASES[11])))
    wasted = [figure.found[0] for figure in found if figure.question == plans.WASTE]
    # Who does not know the yield starts more: else the clairvoyant plan would be none.
    assert min(wasted) > 0


def test_limits_of_demo_shops_cover_the_truth_and_few_promises_are_wrong() -> None:
    found = assert_met(limits.figures(8, shops=6, long_shops=1))
    # Four curves a shop, and each of them on clean plate.
    assert sum(f.trials for f in found if f.question == limits.WRONG and f.case.endswith("supplied, 8 weeks")) == 24


def test_parts_of_a_demo_shop_and_their_limits_are_those_of_the_report_on_its_events(tmp_path: Path) -> None:
    shop = shop_of(9, weeks=3)
    parts = parts_of(shop, weeks=3)
    question = Question(shop.first_day, shop.last_day, (), {}, {}, limits.CONFIDENCE, {TARGET.name: limits.TARGET})
    # What the engineer's trial cut is none of the cuts that the generator draws.
    events = [event for event in shop.events if TRIAL not in event["subject"]]
    with opened(shop, tmp_path) as database:
        builders.told(database, *events)
        with database.read() as connection:
            reader = open_site(connection, builders.SITE)
            counted = process_parts(reader, question, NAMES).groups
            rows = thickness_promise(reader, question).rows
    judged = {group: sums for group, sums in counted.items() if sums[FIRST_PASS.n]}
    assert {(material.casefold(), *rest): sums for (material, *rest), sums in parts.items()} == {
        group: {name: sums[name] for name in FIRST_PASS.names} for group, sums in judged.items()
    }
    told = {
        tuple(row[name] or "unknown" for name in ("material", "machine", "surface_group", "thermal_history")): (
            row["thickness_low_mm"], row["thickness_high_mm"], row["promised_mm"],
        )
        for row in rows
    }  # fmt: skip
    assert told == {
        row: (limit.low.thickness_mm, limit.high.thickness_mm, limit.promised.thickness_mm)
        for row, (limit, _) in limits.limits_of(parts).items()
    }
    assert any(low is not None and high is not None for low, high, _ in told.values())


ABOVE = Bound(None, "above the thickest tried, 30 mm")
BELOW = Bound(None, "below the thinnest tried, 12 mm")
REFUSED = Bound(None, NO_FINITE_LIMIT)


@pytest.mark.parametrize(
    ("low", "high", "span"),
    [
        (Bound(18.0), Bound(22.0), (18.0, 22.0)),
        (Bound(18.0), ABOVE, (18.0, math.inf)),
        (BELOW, Bound(22.0), (0.0, 22.0)),
        (ABOVE, ABOVE, (30.0, math.inf)),
        (BELOW, BELOW, (0.0, 12.0)),
        (REFUSED, REFUSED, None),
    ],
    ids=["two ends", "open above", "open below", "all above", "all below", "refused"],
)
def test_an_end_beyond_what_was_tried_is_open(low: Bound, high: Bound, span: tuple[float, float] | None) -> None:
    limit = ThicknessLimit(0.9, 0.9, (), Bound(None), low, high, Bound(None), None, None)
    assert limits.span_of(limit, limits.TriedPlates(12.0, 30.0, 20)) == span


def test_proofs_err_as_seldom_as_they_say_and_their_bounds_count_the_looks() -> None:
    found = assert_met(series.figures(10, trials=120, rules=(series.RULES[1], series.RULES[4])))
    (fixed, sequential) = [figure for figure in found if figure.question == series.BOUND]
    # A bound that forgets that a sequential series was looked at after each trial does not hold.
    assert sequential.plain[0] < sequential.found[0] - 0.05
    assert fixed.plain[0] == pytest.approx(fixed.found[0], abs=1e-6)


def test_what_just_misses_its_target_is_seldom_proven_by_one_window_and_more_often_within_a_year() -> None:
    found = assert_met(standings.figures(11, shops=20, cases=standings.CASES[:1]))
    once, ever = (
        [figure.found[0] for figure in found if figure.question == question]
        for question in (standings.AT_ONE_LOOK, standings.WITHIN_A_YEAR)
    )
    assert all(more > some for some, more in zip(once, ever, strict=True))


def test_trials_tell_effects_where_there_are_any_and_hardly_ever_where_there_are_none() -> None:
    found = assert_met(factorials.figures(5, trials=60, nulls=factorials.NULLS[1:5], effects=factorials.EFFECTS[1:]))
    told = [figure.found[0] for figure in found if figure.question == factorials.FOUND]
    assert max(told) > 0.5


def test_wear_is_found_where_it_was_planted_and_hardly_ever_where_there_is_none() -> None:
    found = assert_met(wear.figures(12, trials=25, nulls=(wear.NULLS[0], wear.NULLS[-1]), worn=wear.WORN[1:3]))
    planted = [figure.found[0] for figure in found if figure.question in (wear.FOUND, wear.SUPPORTED)]
    assert min(planted) > 0.9


def test_the_rule_for_failed_pierces_errs_as_often_as_follows_exactly() -> None:
    found = assert_met(reactions.figures(3, trials=150))
    tripled = [figure.found for figure in found if figure.question == reactions.IN_TIME]
    assert all(list(shares) == sorted(shares) for shares in tripled)
    # All failing: three pierces; and the more fail, the sooner.
    assert reactions.expected_length(1.0) == pytest.approx(3.0)
    assert reactions.expected_length(0.02) > reactions.expected_length(0.06) > 3


def test_a_case_gives_the_same_each_time_and_another_with_another_seed() -> None:
    def run(seed: int) -> list[Figure]:
        return list(coverage.figures(seed, trials=20, plates=(5,)))

    assert run(1) == run(1)
    assert run(1) != run(2)


MISSED = Figure("q", "c", (0.92,), 10_000, least=0.93, most=0.97)


@pytest.mark.parametrize(
    ("figure", "met", "nearly"),
    [
        (MISSED, False, True),
        (replace(MISSED, found=(0.95, 0.9)), False, False),
        (replace(MISSED, found=(0.93, 0.97)), True, True),
        (replace(MISSED, found=(0.99,)), False, False),
        (replace(MISSED, found=(0.95,), plain=(0.7, 0.95), plain_below=0.9), False, False),
        (replace(MISSED, least=None, most=None), None, None),
    ],
    ids=["a hair below", "one far below", "at the bounds", "too cautious", "plain does as well", "nothing demanded"],
)
def test_a_figure_that_misses_its_demand_is_missed(figure: Figure, met: bool | None, nearly: bool | None) -> None:
    assert (figure.met, figure.meets(slack=SLACK)) == (met, nearly)


def test_the_table_names_what_was_missed_and_a_miss_is_the_end_of_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console(width=200, record=True)
    show(console, by_question([MISSED, replace(MISSED, question="other"), replace(MISSED, found=(0.95,))]), title="t")
    told = console.export_text()
    assert "Missed: q: c: 92.0 %, demanded 93 to 97 %" in told
    assert (told.count("│ q "), told.count("met"), told.count("MISSED")) == (1, 1, 2)
    for figure, code in ((MISSED, 1), (replace(MISSED, found=(0.95,)), 0)):
        monkeypatch.setitem(PARTS, "coverage", lambda seed, figure=figure: [figure])
        assert CliRunner().invoke(main, ["--only", "coverage"]).exit_code == code
