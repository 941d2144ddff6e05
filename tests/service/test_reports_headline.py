"""The yield of a window beside what the 26 weeks before it give for the same thicknesses and materials."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from tests.service.conftest import Door, cut
from worker.reports.headline import DETAILS

MONDAY = date(2026, 3, 2)
WEEK = {"week": "2026-W10"}


def cuts(good: int, *, of: int, ago: int = 0, plates: int = 1, **how: Any) -> list[dict[str, Any]]:
    """Plates of so many parts each, good ones alike, on days from Monday on, or so many weeks before."""
    day = MONDAY - timedelta(weeks=ago)
    return [
        cut(
            f"{day}-{how}-{good}-{number}",
            plate=f"{day}-{how}-{good}-{number}",
            quantity=of,
            good=good,
            scrap=of - good,
            time=f"{day + timedelta(days=number % 5)}T10:00:00Z",
            **how,
        )  # fmt: skip
        for number in range(plates)
    ]


def headline(door: Door, **asked: Any) -> dict[str, Any]:
    found: dict[str, Any] = door.report(**WEEK, against="baseline", **asked)["details"]
    return found


def test_without_being_asked_there_is_no_headline(door: Door) -> None:
    door.told(*cuts(9, of=10, plates=3))
    assert door.report(**WEEK)["details"] == {column.name: None for column in DETAILS}


def test_more_thick_plate_is_no_worse_week(door: Door) -> None:
    """Thin plate yields 100 % and thick 50 %, in both; the week has more thick: its plain yield falls to 60 %."""
    door.told(
        *cuts(10, of=10, ago=3, plates=16), *cuts(5, of=10, ago=3, plates=4, thickness_mm=40),
        *cuts(10, of=10, plates=4), *cuts(5, of=10, plates=16, thickness_mm=40),
    )  # fmt: skip
    assert door.totals(**WEEK)["first_pass_yield"] == pytest.approx(0.6)
    found = headline(door)
    assert (found["baseline_from"], found["baseline_to"]) == ("2025-09-01", "2026-03-01")
    assert (found["parts_compared"], found["parts_without_baseline"]) == (200, 0)
    assert found["observed_yield"] == pytest.approx(0.6)
    assert found["expected_yield"] == pytest.approx(0.6)
    assert (found["yield_difference"], found["yield_ratio"]) == (pytest.approx(0, abs=1e-9), pytest.approx(1))
    assert found["verdict"] == "same"


def test_a_worse_week_is_told_as_such_with_its_interval(door: Door) -> None:
    door.told(*cuts(9, of=10, ago=1, plates=30), *cuts(8, of=10, ago=2, plates=30), *cuts(5, of=10, plates=20))
    found = headline(door)
    assert found["verdict"] == "lower"
    assert found["yield_difference_low"] < -0.35 < found["yield_difference_high"] < 0
    assert found["yield_ratio"] == pytest.approx(0.5 / 0.85)
    assert found["yield_ratio_low"] < found["yield_ratio"] < found["yield_ratio_high"] < 1
    said = door.report(**WEEK, against="baseline")["notes"][0]
    assert said.startswith("50.0% where the 26 weeks before would give 85.0% for this mix: lower than chance explains")


def test_parts_of_a_mix_that_the_baseline_has_not_are_left_out_and_counted(door: Door) -> None:
    door.told(*cuts(9, of=10, ago=1, plates=4), *cuts(9, of=10, plates=4), *cuts(0, of=10, plates=2, thickness_mm=40))
    found = headline(door)
    assert (found["parts_compared"], found["parts_without_baseline"], found["verdict"]) == (40, 20, "same")


def test_without_a_baseline_there_is_a_reason_and_no_figure(door: Door) -> None:
    door.told(*cuts(9, of=10, plates=4))
    found = headline(door)
    assert (found["verdict"], found["expected_yield"], found["yield_ratio"]) == (None, None, None)
    assert "baseline" in found["reason"]
    assert headline(door, thickness_mm="99")["parts_compared"] == 0


def test_an_unknown_baseline_names_the_parameter(door: Door) -> None:
    answer = door.get("/v1/reports/yield", against="last year")
    assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, "against")


@pytest.mark.parametrize(
    "window", [{"day": "0001-01-01"}, {"from_": "0001-01-01", "to": "0001-03-01"}, {"day": "0001-01-02"}]
)
def test_a_window_at_the_beginning_of_the_calendar_has_no_baseline(door: Door, window: dict[str, str]) -> None:
    door.told(*cuts(9, of=10, plates=4))
    details = door.report(**window, against="baseline")["details"]
    assert (details["verdict"], details["parts_compared"]) == (None, 0)
