"""The calibration (tests/calibrate), shortened: all that is demanded holds, as far as few trials can tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from click.testing import CliRunner
from rich.console import Console

from tests.calibrate import comparisons, coverage, lot_alarms, trends
from tests.calibrate.__main__ import PARTS, main
from tests.calibrate.figures import SLACK, Figure, by_question
from tests.calibrate.showing import show


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
