"""Reports over HTTP: windows, divisions, filters, totals, formats, and what cannot be answered."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from datetime import date
from decimal import Decimal
from itertools import combinations
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.builders import event
from tests.conftest import of_many
from tests.event_sets import event_sets
from tests.independent_recount import recount
from tests.service.conftest import Door, Service, all_told, cut, opened, received
from worker.measures import MEASURES
from worker.reports.catalogue import REPORTS
from worker.reports.dimensions import DIMENSIONS
from worker.reports.headline import DETAILS

NAMES = list(REPORTS)
#: Those whose rows are sums of the attempts that a division puts together.
SUMMED = [name for name, entry in REPORTS.items() if entry.measures]
#: The clock of these tests: Friday 2027-01-15, week 2027-W02.
TODAY = date(2027, 1, 15)


def exact(answer: Any) -> Any:
    """JSON of an answer with its numbers as they were written."""
    return json.loads(answer.data, parse_float=Decimal)


def table(answer: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(answer.data.decode(), newline="")))


def days_of_cuts(door: Door, *days: str) -> None:
    door.told(*(cut(day, time=f"{day}T12:00:00Z", good=1) for day in days))


def days_counted(door: Door, **window: str) -> set[str]:
    return {row["day"] for row in door.rows(by="day", **window)}


# --- windows ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ({"from_": "2026-03-02", "to": "2026-03-08"}, "2026-03-02", "2026-03-08"),
        ({"from_": "2026-03-02"}, "2026-03-02", "2027-01-15"),
        ({"day": "2026-03-04"}, "2026-03-04", "2026-03-04"),
        ({"week": "2026-W10"}, "2026-03-02", "2026-03-08"),
        ({"week": "2026-W53"}, "2026-12-28", "2027-01-03"),
        ({"week": "2026-W01"}, "2025-12-29", "2026-01-04"),
        ({"month": "2026-02"}, "2026-02-01", "2026-02-28"),
        ({"month": "2026-12"}, "2026-12-01", "2026-12-31"),
        ({"last": "1d"}, "2027-01-15", "2027-01-15"),
        ({"last": "30d"}, "2026-12-17", "2027-01-15"),
        ({"last": "1w"}, "2027-01-11", "2027-01-17"),
        ({"last": "8w"}, "2026-11-23", "2027-01-17"),
        ({"last": "1m"}, "2027-01-01", "2027-01-31"),
        ({"last": "3m"}, "2026-11-01", "2027-01-31"),
    ],
)
def test_window(door: Door, asked: dict[str, str], first: str, last: str) -> None:
    assert door.report(**asked)["window"] == {"from": first, "to": last}


def test_window_is_the_running_week_and_the_seven_before_unless_asked(door: Door) -> None:
    window = door.read("/v1/reports/yield")["window"]
    assert window == door.report(last="8w")["window"] == {"from": "2026-11-23", "to": "2027-01-17"}


def test_window_holds_both_its_days_and_no_other(door: Door) -> None:
    days_of_cuts(door, "2026-03-01", "2026-03-02", "2026-03-08", "2026-03-09")
    inside = {"2026-03-02", "2026-03-08"}
    assert days_counted(door, week="2026-W10") == days_counted(door, from_="2026-03-02", to="2026-03-08") == inside
    assert days_counted(door, month="2026-03") == inside | {"2026-03-01", "2026-03-09"}
    assert days_counted(door, day="2026-03-02") == {"2026-03-02"}


def test_window_is_of_production_days_and_ends_with_the_running_one(door: Door) -> None:
    door.told(cut("A", time="2027-01-15T05:59:59Z"), cut("B", time="2027-01-15T06:00:00Z"))
    assert days_counted(door, last="1d") == {"2027-01-15"}
    assert days_counted(door, last="2d") == {"2027-01-14", "2027-01-15"}
    # At 05:00 local time the day before still runs
    door.set(zone="America/New_York", day_start="06:00")
    door.clock.now_us += 2 * 3_600_000_000  # 10:00Z is 05:00 there
    assert door.report(last="1d")["window"]["to"] == "2027-01-14"


@pytest.mark.parametrize(
    ("asked", "parameters"),
    [
        ({"week": "2026-W10", "month": "2026-03"}, {"month"}),
        ({"day": "2026-03-02", "from_": "2026-03-02"}, {"day"}),
        ({"week": "2026-W54"}, {"week"}),
        ({"week": "2025-W53"}, {"week"}),
        ({"week": "2026-10"}, {"week"}),
        ({"week": "W10"}, {"week"}),
        ({"month": "2026-13"}, {"month"}),
        ({"month": "2026-3"}, {"month"}),
        ({"day": "2026-02-29"}, {"day"}),
        ({"day": "20260302"}, {"day"}),
        ({"from_": "2026-03-08", "to": "2026-03-02"}, {"to"}),
        ({"from_": "yesterday", "to": "today"}, {"from", "to"}),
        ({"to": "2026-03-02"}, {"from"}),
        ({"from_": "2015-01-01", "to": "2027-01-01"}, {"from"}),
        ({"last": "8"}, {"last"}),
        ({"last": "0w"}, {"last"}),
        ({"last": "8W"}, {"last"}),
        ({"last": "9999w"}, {"last"}),
        ({"last": ""}, {"last"}),
        ({"week": ["2026-W10", "2026-W11"]}, {"week"}),
        ({"week": "9999-W52"}, {"week"}),
        ({"month": "9999-12"}, {"month"}),
        ({"month": "2026-03", "by": "thicknes"}, {"by"}),
        ({"month": "2026-03", "by": ["day", "x", "y"]}, {"by"}),
        ({"month": "2026-03", "by": "operation"}, {"by"}),
        ({"month": "2026-03", "by": "day,week,month,job,plate,run,shift"}, {"by"}),
        ({"month": "2026-03", "thickness_mm": "20 mm"}, {"thickness_mm"}),
        ({"month": "2026-03", "thickness_mm": "NaN"}, {"thickness_mm"}),
        ({"month": "2026-03", "thickness_mm": "1e9999999"}, {"thickness_mm"}),
        ({"month": "2026-03", "thickness_mm": "20.00000001"}, {"thickness_mm"}),
        ({"month": "2026-03", "thickness_in": "3/0"}, {"thickness_in"}),
        ({"month": "2026-03", "gas": "Oxygen"}, {"gas"}),
        ({"month": "2026-03", "purpose": "scrap"}, {"purpose"}),
        ({"month": "2026-03", "surface": "clean"}, {"surface"}),
        ({"month": "2026-03", "bevel": "x"}, {"bevel"}),
        ({"month": "2026-03", "thickness": "20"}, {"thickness"}),
        ({"month": "2026-03", "mashine": "L1"}, {"mashine"}),
        ({"month": "2026-03", "operation": "grinding"}, {"operation"}),
        ({"month": "2026-03", "confidence": "95"}, {"confidence"}),
        ({"month": "2026-03", "confidence": "1"}, {"confidence"}),
        ({"month": "2026-03", "confidence": "nan"}, {"confidence"}),
        ({"month": "2026-03", "confidence": ["0.9", "0.95"]}, {"confidence"}),
        ({"month": "2026-03", "format": "pdf"}, {"format"}),
        ({"month": "2026-03", "format": ["csv", "json"]}, {"format"}),
        ({"week": "x", "by": "y", "gas": "z", "q": "1"}, {"week", "by", "gas", "q"}),
    ],
)
def test_422_names_each_parameter_that_cannot_be_answered(
    door: Door, asked: dict[str, Any], parameters: set[str]
) -> None:
    answer = door.get("/v1/reports/yield", **{name.rstrip("_"): value for name, value in asked.items()})
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    errors = answer.get_json()["errors"]
    assert {error["parameter"] for error in errors} == parameters
    assert all(error["detail"].isprintable() and len(error["detail"]) < 700 for error in errors)


def test_404_for_a_report_that_there_is_not(door: Door) -> None:
    answer = door.get("/v1/reports/yields")
    assert (answer.status_code, answer.content_type) == (404, "application/problem+json")
    assert all(name in answer.get_json()["detail"] for name in NAMES)


# --- filters ----------------------------------------------------------------------------------------------------


def mixed(door: Door) -> None:
    door.told(
        received("P", heat_number="H1", supplier="Stockist", mill="North", rust_grade="B", edges="laser"),
        opened("J", bevel_deg=30, part_number="BR-9"),
        cut("A", job="J", plate="P", machine="Laser 1", gas="oxygen", run="r1", good=1, recipe={"name": "R"}),
        cut("B", thickness_mm=25, material="S235", machine="Laser 2", gas="air", purpose="trial", good=1,
            time="2026-03-05T15:00:00Z"),
        cut("C", thickness_mm=..., material=..., good=1, purpose="proof", time="2026-03-11T23:00:00Z"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, "A"),
        ({"purpose": "production"}, "A"),
        ({"purpose": "trial"}, "B"),
        ({"purpose": ["trial", "proof"]}, "BC"),
        ({"purpose": "all"}, "ABC"),
        ({"purpose": "all", "thickness_mm": "20"}, "A"),
        ({"purpose": "all", "thickness_mm": ["20", "25.0"]}, "AB"),
        ({"purpose": "all", "thickness_mm": "unknown"}, "C"),
        ({"purpose": "all", "thickness_mm": ["25", "unknown"]}, "BC"),
        ({"purpose": "all", "material": "s235 "}, "B"),
        ({"purpose": "all", "material": ["S235", "unknown"]}, "BC"),
        ({"purpose": "all", "machine": "LASER 1"}, "A"),
        ({"purpose": "all", "gas": ["oxygen", "air"]}, "AB"),
        ({"purpose": "all", "gas": "unknown"}, "C"),
        ({"purpose": "all", "recipe": "r"}, "A"),
        ({"purpose": "all", "recipe": "unknown"}, "BC"),
        ({"purpose": "all", "surface": "loose_scale"}, "A"),
        ({"purpose": "all", "surface": "unknown"}, "BC"),
        ({"purpose": "all", "surface_group": "disturbed"}, "A"),
        ({"purpose": "all", "surface_group": ["clean", "unknown"]}, "BC"),
        ({"purpose": "all", "thermal_history": "thermal_edge"}, "A"),
        ({"purpose": "all", "bevel": "30"}, "A"),
        ({"purpose": "all", "bevel": "unknown"}, "BC"),
        ({"purpose": "all", "shift": "late"}, "B"),
        ({"purpose": "all", "job": "J"}, "A"),
        ({"purpose": "all", "job": "unknown"}, "BC"),
        ({"purpose": "all", "part_number": "BR-9"}, "A"),
        ({"purpose": "all", "plate": "P"}, "A"),
        ({"purpose": "all", "heat_number": "H1"}, "A"),
        ({"purpose": "all", "supplier": "Stockist"}, "A"),
        ({"purpose": "all", "mill": "North"}, "A"),
        ({"purpose": "all", "run": "r1"}, "A"),
        ({"purpose": "all", "machine": "Laser 1", "gas": "air"}, ""),
        ({"by": "purpose"}, "ABC"),
        ({"by": "purpose,thickness", "purpose": "trial"}, "B"),
    ],
)
def test_filter(door: Door, asked: dict[str, Any], found: str) -> None:
    mixed(door)
    assert door.totals(**asked)["attempts"] == len(found)
    divided = {"by": "machine,day"} | asked
    assert sum(row["attempts"] for row in door.rows(**divided)) == len(found)


def test_filters_are_said_back_as_asked(door: Door) -> None:
    assert door.report()["filters"] == {"purpose": ["production"]}
    asked = {"thickness_mm": ["20", "unknown"], "purpose": "all"}
    assert door.report(**asked)["filters"] == {"thickness_mm": ["20", "unknown"], "purpose": ["all"]}
    assert door.report(by="purpose")["filters"] == {}


def test_inches_and_millimetres_ask_for_the_same_thickness(door: Door) -> None:
    door.told(cut(thickness_in="3/4"))
    for asked in ({"thickness_in": "3/4"}, {"thickness_in": "0.75"}, {"thickness_mm": "19.05"}):
        assert door.totals(**asked)["attempts"] == 1


# --- divisions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(DIMENSIONS))
def test_every_dimension_divides_every_report_and_its_rows_add_up_to_the_totals(door: Door, name: str) -> None:
    mixed(door)
    for report in SUMMED:
        answer = door.report(report, by=name, purpose="all")
        assert answer["by"] == [name]
        assert all(next(iter(row)) == DIMENSIONS[name].label for row in answer["rows"])
        for column in ("attempts", "parts_reworked", "good", "pierces", "lost_sever"):
            if column in answer["totals"]:
                assert sum(row[column] for row in answer["rows"]) == answer["totals"][column]


def test_several_dimensions_divide_together_in_the_order_asked(door: Door) -> None:
    mixed(door)
    for by in ("thickness,purpose", ["thickness", "purpose"], "thickness_mm, purpose ,thickness"):
        rows = door.rows(by=by)
        assert [(row["thickness_mm"], row["purpose"]) for row in rows] == [
            (20, "production"), (25, "trial"), (None, "proof"),
        ]  # fmt: skip
        assert list(rows[0])[:2] == ["thickness_mm", "purpose"]


def test_divided_by_nothing_a_report_is_one_row(door: Door) -> None:
    mixed(door)
    report = door.report(by="")
    assert report["by"] == []
    assert report["rows"] == [report["totals"]]


def test_rows_are_sorted_by_the_dimensions_with_what_is_not_known_last(door: Door) -> None:
    door.told(
        *(cut(f"T{mm}", thickness_mm=mm) for mm in (100, 6, 12.5)),
        cut("N", thickness_mm=...),
        cut("b", machine="b"), cut("a", machine="a"), cut("Z", machine="Z"), cut("x", machine="\u00e4"),
    )  # fmt: skip
    assert [row["thickness_mm"] for row in door.rows()] == [6, 12.5, 20, 100, None]
    machines = [row["machine"] for row in door.rows(by="machine")]
    assert (machines[-1], machines[:-1]) == (None, sorted(machines[:-1]))
    assert len(machines) == 5


def test_days_weeks_and_months_are_written_as_they_are_asked_for(door: Door) -> None:
    days_of_cuts(door, "2026-02-28", "2026-03-01", "2026-03-02")
    (report,) = [door.report(by="month,week,day", from_="2026-02-01", to="2026-03-31")]
    assert [(row["month"], row["week"], row["day"]) for row in report["rows"]] == [
        ("2026-02", "2026-W09", "2026-02-28"), ("2026-03", "2026-W09", "2026-03-01"),
        ("2026-03", "2026-W10", "2026-03-02"),
    ]  # fmt: skip


def test_a_group_without_finished_attempts_has_no_row(door: Door) -> None:
    door.told(event("attempt.started", "A", material="S355", thickness_mm=30), cut("B"))
    report = door.report()
    assert [row["thickness_mm"] for row in report["rows"]] == [20]
    assert report["totals"]["open_attempts"] == 1
    assert any("still cutting" in note for note in report["notes"])


def test_dimensions_of_attempts_give_the_figures_of_the_tallies(door: Door) -> None:
    mixed(door)
    door.told(*(cut(f"X{n}", plate="P", quantity=3, good=n % 3, scrap=1, pierces=4, failed_pierces=n % 2,
                    seconds=10.5 * n, time=f"2026-03-{4 + n:02d}T10:00:00Z") for n in range(6)))  # fmt: skip
    for report in SUMMED:
        tallied = door.report(report, purpose="all")["totals"]
        for by in ("job", "part_number", "plate", "heat_number", "supplier", "run", "job,plate,heat_number"):
            assert door.report(report, purpose="all", by=by)["totals"] == tallied, (report, by)
        # A filter that only attempts carry leaves what the tallies' filter leaves
        on_plate = door.report(report, purpose="all", plate="P")
        assert on_plate["totals"] == door.report(report, purpose="all", surface="loose_scale")["totals"]
        assert on_plate["rows"] == door.report(report, purpose="all", surface="loose_scale")["rows"]


# --- figures ----------------------------------------------------------------------------------------------------


def test_a_report_says_what_it_answers_and_up_to_where_it_counts(door: Door) -> None:
    (item,) = door.told(cut(good=1))
    door.post(cut("B"))
    report = door.report(week="2026-W10")
    assert {name: value for name, value in report.items() if name not in ("rows", "totals", "notes")} == {
        "report": "yield", "site": door.site, "window": {"from": "2026-03-02", "to": "2026-03-08"},
        "by": ["thickness"], "filters": {"purpose": ["production"]}, "confidence": 0.95, "currency": None,
        "as_of": {"position": item["position"], "at": "2027-01-15T08:00:00Z", "waiting": 1, "set_aside": 0},
        "details": {column.name: None for column in DETAILS},
    }  # fmt: skip
    assert report["totals"]["attempts"] == 1
    assert any("1 event is in the ledger and not yet counted" in note for note in report["notes"])


@pytest.mark.parametrize("name", SUMMED)
def test_columns_are_the_dimensions_and_the_measures_of_the_report(door: Door, name: str) -> None:
    door.told(cut(good=1))
    columns = [column for measure in REPORTS[name].measures for column in measure.columns]
    report = door.report(name, by="thickness,day")
    # Report rework has more behind these: how long one attempt was reworked.
    beside = [column.name for column in REPORTS[name].columns if column.name in report["totals"]]
    assert [list(row) for row in report["rows"]] == [["thickness_mm", "day", *columns, *beside]]
    assert list(report["totals"]) == [*columns, *beside]


def test_pending_parts_are_provisional_with_both_ends_beside_them(door: Door) -> None:
    door.told(cut(quantity=10, good=6, scrap=1))
    report = door.report()
    totals = report["totals"]
    # 6 of 7 judged; of 10 at worst 6, at best 6 + 3
    assert totals["first_pass_yield"] == pytest.approx(6 / 7)
    assert totals["first_pass_yield_if_pending_bad"] == 0.6
    assert totals["first_pass_yield_if_pending_good"] == 0.9
    assert totals["judged_share"] == 0.7
    assert any(note.startswith("provisional") for note in report["notes"])


def test_a_ratio_with_nothing_under_it_is_null_in_json_and_empty_in_csv(door: Door) -> None:
    door.told(cut(quantity=5))
    answer = door.get("/v1/reports/yield", month="2026-03")
    assert b"NaN" not in answer.data
    (row,) = answer.get_json()["rows"]
    empty = ("first_pass_yield", "first_pass_yield_low", "first_pass_yield_high", "scrap_ratio", "failed_pierce_rate",
             "attempts_per_good_part", "rework_minutes_per_good_part", "cost_of_poor_quality")  # fmt: skip
    assert [row[name] for name in empty] == [None] * len(empty)
    (line,) = table(door.get("/v1/reports/yield", month="2026-03", format="csv"))
    assert [line[name] for name in empty] == [""] * len(empty)


@pytest.mark.parametrize("name", NAMES)
def test_an_empty_window_has_no_rows_and_totals_of_nothing(door: Door, name: str) -> None:
    report = door.report(name)
    assert report["rows"] == []
    for column, value in report["totals"].items():
        assert value in (0, None), column
        measure = MEASURES.get(column)
        if measure is not None and measure.unit in ("parts", "count"):
            assert value == 0, column


def test_sums_of_decimals_are_exact(door: Door) -> None:
    work = {"operation": "grinding", "parts": 1, "time": "2026-03-04T13:00:00Z"}
    door.told(
        opened(part_mass_kg=0.1),
        cut("A", job="J", rework=2, scrap=1, seconds=0.1),
        cut("B", job="J", scrap=2, seconds=0.2, good=1),
        event("attempt.reworked", "A", minutes=0.1, **work),
        event("attempt.reworked", "A", minutes=0.2, **work),
    )
    answer = exact(door.get("/v1/reports/yield", month="2026-03"))
    # 0.1 + 0.2 in binary is 0.30000000000000004
    assert answer["totals"]["rework_minutes"] == Decimal("0.3")
    assert answer["totals"]["cutting_seconds"] == Decimal("0.3")
    assert answer["totals"]["scrap_mass_kg"] == Decimal("0.3")  # 0.1 x 3
    booked = door.get("/v1/reports/rework", month="2026-03")
    assert exact(booked)["totals"]["booked_rework_minutes"] == Decimal("0.3")
    assert b'"booked_rework_minutes":0.3,' in booked.data
    (line,) = table(door.get("/v1/reports/yield", month="2026-03", format="csv"))
    assert (line["rework_minutes"], line["cutting_seconds"], line["scrap_mass_kg"]) == ("0.3", "0.3", "0.3")


def test_rework_is_booked_on_its_own_day_and_caused_on_that_of_the_cut(door: Door) -> None:
    work = {"operation": "grinding", "minutes": 7, "parts": 1}
    door.told(
        cut("A", rework=1, time="2026-03-04T10:00:00Z"),
        event("attempt.reworked", "A", time="2026-03-12T23:00:00Z", **work),
        event("attempt.reworked", "A", time="2026-03-12T23:30:00Z", planned=True, **work),
    )
    first, second = (door.totals("rework", week=week) for week in ("2026-W10", "2026-W11"))
    assert (first["rework_minutes"], first["booked_rework_minutes"], first["finishing_minutes"]) == (7, 0, 0)
    assert (second["rework_minutes"], second["booked_rework_minutes"], second["finishing_minutes"]) == (0, 7, 7)
    assert [(row["shift"], row["booked_rework_minutes"]) for row in door.rows("rework", by="shift")] == [
        ("early", 0), ("night", 7),
    ]  # fmt: skip


def test_rework_is_divided_by_operation(door: Door) -> None:
    work = [("grinding", 5), ("deburring", 2.5), ("grinding", 1.5)]
    door.told(
        cut("A", rework=3),
        *(event("attempt.reworked", "A", operation=operation, minutes=minutes, parts=1, time="2026-03-04T12:00:00Z")
          for operation, minutes in work),
    )  # fmt: skip
    rows = door.rows("rework", by="operation")
    assert [(row["operation"], row["booked_rework_minutes"], row["rework_entries"]) for row in rows] == [
        ("deburring", 2.5, 1), ("grinding", 6.5, 2),
    ]  # fmt: skip


def test_losses_tell_the_stage_at_which_parts_failed_first(door: Door) -> None:
    door.told(
        cut("A", outcome="pierce_failed", quantity=2),
        cut("B", outcome="not_severed", quantity=3, good=1),
        cut("C", good=1, scrap=3, defects=[{"term": "surface_burning", "parts": 1}, {"term": "wide_kerf", "parts": 1}]),
        cut("D", rework=2, good=1, defects=[{"term": "slag_lower_edge"}], retry_of="A"),
    )
    totals = door.totals("losses")
    lost = {stage: totals[f"lost_{stage}"] for stage in ("pierce", "sever", "surface", "size", "unstated")}
    assert lost == {"pierce": 2, "sever": 2 + 1, "surface": 2, "size": 1, "unstated": 1}
    first = {stage: totals[f"first_lost_{stage}"] for stage in ("pierce", "sever", "surface", "size", "unstated")}
    assert first == {"pierce": 2, "sever": 2 + 1, "surface": 0, "size": 1, "unstated": 1}
    assert totals["rolled_throughput_yield"] == totals["first_pass_yield"] == pytest.approx(2 / 9)


# --- any set of events ------------------------------------------------------------------------------------------

#: Column of the report -> sum of the independent recount, and the scale of what it is kept in.
COUNTED = {
    "attempts": "attempts", "first_attempts": "first_attempts", "open_attempts": "open_attempts",
    "parts_tried": "parts_tried", "parts_started": "parts_started", "parts_judged_first": "parts_judged_first",
    "pending_first": "pending_first", "first_pass_good": "first_pass_good", "good": "good", "rework": "rework",
    "scrap": "scrap", "not_made": "not_made", "pending": "pending", "recovered": "recovered", "scrapped": "scrapped",
    "in_rework": "in_rework", "released_by_sample": "released", "hidden_rework": "hidden", "pierces": "pierces",
    "failed_pierces": "failed_pierces", "attempts_without_pierces": "attempts_without_pierces",
    "attempts_without_seconds": "attempts_without_seconds", "interruptions": "interruptions",
}  # fmt: skip
SCALED = {
    "rework_minutes": ("rework_minutes_e3", 1_000), "cutting_seconds": ("cutting_ms", 1_000),
    "lost_seconds": ("lost_us", 1_000_000), "scrap_mass_kg": ("scrap_mass_mg", 1_000_000),
}  # fmt: skip
BY = ("thickness", "day", "machine", "gas", "surface", "purpose", "shift", "job", "plate", "heat_number")
STORED = {"thickness": "thickness_nm"}
WHOLE_YEAR = {"from": "2026-01-01", "to": "2027-01-14", "purpose": "all"}


def at_site(events: list[dict[str, Any]], site: str) -> list[dict[str, Any]]:
    return [each | {"subject": site} if each["subject"] == "main" else each for each in events]


def filled(service: Service, events: list[dict[str, Any]]) -> Door:
    door = service.door()
    builders.append(door.database, [all_told(door.site), *at_site(events, door.site)], site=door.site)
    door.count()
    return door


def found_sums(row: dict[str, Any]) -> tuple[Decimal, ...]:
    return tuple(Decimal(row[name]) for name in (*COUNTED, *SCALED))


def expected_sums(sums: dict[str, int]) -> tuple[Decimal, ...]:
    scaled = (Decimal(sums[of]) / scale for of, scale in SCALED.values())
    return (*(Decimal(sums[of]) for of in COUNTED.values()), *scaled)


@settings(max_examples=of_many(60))
@given(events=event_sets(mismatched_voids=False), by=st.lists(st.sampled_from(BY), max_size=3, unique=True))
def test_rows_and_totals_are_what_an_independent_recount_sums(
    service: Service, events: list[dict[str, Any]], by: list[str]
) -> None:
    door = filled(service, events)
    judge = recount(at_site(events, door.site), site=door.site)
    report = exact(door.get("/v1/reports/yield", by=",".join(by), **WHOLE_YEAR))
    groups = judge.sums(tuple(STORED.get(name, name) for name in by))
    counted = Counter(expected_sums(sums) for sums in groups.values() if sums["attempts"])
    # Groups are compared by their figures: names are shown as first written, the recount has their keys
    assert Counter(map(found_sums, report["rows"])) == counted
    nothing = dict.fromkeys((*COUNTED.values(), *(of for of, _ in SCALED.values())), 0)
    assert found_sums(report["totals"]) == expected_sums(judge.sums().get((), nothing))
    booked = exact(door.get("/v1/reports/rework", by=",".join(by), **WHOLE_YEAR))
    for column, planned in (("booked_rework_minutes", False), ("finishing_minutes", True)):
        minutes = Decimal(sum(row["minutes_e3"] for row in judge.rework if row["planned"] is planned)) / 1_000
        assert booked["totals"][column] == sum(row[column] for row in booked["rows"]) == minutes


@settings(max_examples=of_many(30))
@given(events=event_sets(mismatched_voids=False), random=st.randoms(use_true_random=False))
def test_sums_over_any_grouping_are_those_of_any_finer_one(
    service: Service, events: list[dict[str, Any]], random: Random
) -> None:
    door = filled(service, events)
    fine = random.sample(BY, k=3)
    for name in SUMMED:
        finest = exact(door.get(f"/v1/reports/{name}", by=",".join(fine), **WHOLE_YEAR))
        sums = [column for column in finest["totals"] if is_a_sum(column)]
        for coarse in (pair for size in (0, 1, 2) for pair in combinations(fine, size)):
            report = exact(door.get(f"/v1/reports/{name}", by=",".join(coarse), **WHOLE_YEAR))
            assert report["totals"] == finest["totals"]
            assert added_up(finest["rows"], coarse, sums) == added_up(report["rows"], coarse, sums), (name, coarse)


def is_a_sum(column: str) -> bool:
    """True for a column that adds up over rows; open attempts are of groups without a row too."""
    measure = MEASURES.get(column)
    units = ("parts", "count", "person-minutes", "seconds", "kg")
    return measure is not None and measure.unit in units and "_per_" not in column and column != "open_attempts"


def added_up(rows: list[dict[str, Any]], by: tuple[str, ...], sums: list[str]) -> dict[Any, dict[str, Any]]:
    found: dict[Any, Counter[str]] = {}
    for row in rows:
        group = found.setdefault(tuple(row[DIMENSIONS[name].label] for name in by), Counter())
        group.update({name: row[name] for name in sums})
    return {group: dict(counts) for group, counts in found.items()}


@settings(max_examples=of_many(60))
@given(events=event_sets(mismatched_voids=False))
def test_the_rolled_throughput_yield_is_the_first_pass_yield_in_every_row(
    service: Service, events: list[dict[str, Any]]
) -> None:
    door = filled(service, events)
    report = exact(door.get("/v1/reports/losses", by="machine,day", **WHOLE_YEAR))
    for row in (*report["rows"], report["totals"]):
        assert row["rolled_throughput_yield"] == row["first_pass_yield"]
        lost = sum(row[f"first_lost_{stage}"] for stage in ("pierce", "sever", "surface", "size", "unstated"))
        assert row["parts_judged_first"] - lost == row["first_pass_good"]


# --- formats ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_csv_has_the_rows_of_the_json_in_the_same_columns(door: Door, name: str) -> None:
    mixed(door)
    # A proof says itself which cuts it counts.
    asked = {"month": "2026-03"} | ({} if name == "proof" else {"purpose": "all"})
    asked |= {"by": "thickness,machine,day"} if name in SUMMED else {}
    rows = exact(door.get(f"/v1/reports/{name}", **asked))["rows"]
    answer = door.get(f"/v1/reports/{name}", format="csv", **asked)
    assert answer.content_type == "text/csv; charset=utf-8; header=present"
    lines = table(answer)
    assert [list(line) for line in lines] == [list(row) for row in rows]
    for line, row in zip(lines, rows, strict=True):
        for column, value in row.items():
            if value is None or isinstance(value, str):
                assert line[column] == (value or ""), column
            else:
                assert Decimal(line[column]) == value, column


def test_csv_is_rfc_4180_with_crlf_and_quoted_cells(door: Door) -> None:
    door.told(cut(machine='Laser "1", big'), cut("B", machine="Z"))
    answer = door.get("/v1/reports/pierces", month="2026-03", by="machine", format="csv")
    lines = answer.data.split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in b"".join(lines)
    assert lines[0].startswith(b"machine,attempts,pierces,")
    assert lines[1].startswith(b'"Laser ""1"", big",1,')
    assert lines[2].startswith(b"Z,1,")
    assert len(lines) == 4


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ('=HYPERLINK("http://x")', '\'=HYPERLINK("http://x")'),
        ("+1", "'+1"),
        ("-1+2", "'-1+2"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("  =1", "'=1"),  # names are trimmed
        ("S355J2+N", "S355J2+N"),
        ("1-2", "1-2"),
    ],
)
def test_csv_cells_that_a_spreadsheet_would_run_are_made_harmless(door: Door, text: str, cell: str) -> None:
    door.told(cut(material=text, run=text.strip(), machine="m"))
    asked = {"month": "2026-03", "by": "material,run"}
    (line,) = table(door.get("/v1/reports/yield", format="csv", **asked))
    assert (line["material"], line["run"]) == (cell, cell)
    (row,) = door.get("/v1/reports/yield", **asked).get_json()["rows"]
    assert row["material"] == text.strip()


def test_csv_without_rows_is_its_header(door: Door) -> None:
    answer = door.get("/v1/reports/losses", month="2026-03", format="csv")
    assert answer.data.count(b"\r\n") == 1
    assert table(answer) == []


def test_csv_says_in_headers_what_it_is_and_up_to_where_it_counts(door: Door) -> None:
    (item,) = door.told(cut())
    answer = door.get("/v1/reports/yield", week="2026-W10", format="csv")
    assert answer.headers["Content-Disposition"] == (
        f'attachment; filename="{door.site}-yield-2026-03-02-2026-03-08.csv"'
    )
    assert f"position={item['position']};" in answer.headers["X-As-Of"]


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        (None, "application/json"),
        ("*/*", "application/json"),
        ("application/json", "application/json"),
        ("text/csv", "text/csv"),
        ("text/*", "text/csv"),
        ("text/csv;q=0.5, application/json;q=0.9", "application/json"),
        ("text/csv, application/json;q=0.9", "text/csv"),
    ],
)
def test_the_media_type_is_the_one_asked_for(door: Door, accept: str | None, kind: str) -> None:
    headers = {} if accept is None else {"Accept": accept}
    assert door.get("/v1/reports/yield", headers=headers).mimetype == kind
    # format says it over any header
    assert door.get("/v1/reports/yield", headers=headers, format="csv").mimetype == "text/csv"


def test_406_for_a_media_type_that_is_not_served(door: Door) -> None:
    answer = door.get("/v1/reports/yield", headers={"Accept": "application/pdf"})
    assert (answer.status_code, answer.content_type) == (406, "application/problem+json")


# --- ETags ------------------------------------------------------------------------------------------------------


def tag(door: Door, name: str = "yield", **asked: Any) -> str:
    return str(door.get(f"/v1/reports/{name}", **asked).headers["ETag"])


def test_304_while_nothing_is_counted_and_200_after(door: Door) -> None:
    door.told(cut())
    first = tag(door, month="2026-03")
    for held in (first, f'"x", {first}', f"W/{first}", "*"):
        answer = door.get("/v1/reports/yield", month="2026-03", headers={"If-None-Match": held})
        assert (answer.status_code, answer.data, answer.headers["ETag"]) == (304, b"", first), held
    door.told(cut("B"))
    assert door.get("/v1/reports/yield", month="2026-03", headers={"If-None-Match": first}).status_code == 200


def test_an_etag_is_of_its_question_window_and_media_type(door: Door, service: Service) -> None:
    door.told(cut())
    other = service.door(door.clock)
    other.told(cut())
    questions: list[dict[str, Any]] = [
        {}, {"by": "day"}, {"by": "day,thickness"}, {"by": "thickness,day"}, {"gas": "air"}, {"gas": ["air", "oxygen"]},
        {"purpose": "all"}, {"confidence": "0.9"}, {"format": "csv"}, {"week": "2026-W10"}, {"last": "1d"},
        {"material": "gas"},
    ]  # fmt: skip
    tags = [tag(door, **asked) for asked in questions]
    tags += [tag(door, "losses"), tag(other)]
    assert len(set(tags)) == len(tags)
    # The same question asked otherwise is the same
    assert tag(door, week="2026-W10") == tag(door, week="2026-W10", by="thickness", format="json")


def test_a_window_that_moves_with_the_day_has_another_etag_each_day(door: Door) -> None:
    first = tag(door, last="1d")
    door.clock.now_us += 24 * 3_600_000_000
    assert tag(door, last="1d") != first
    assert tag(door, day="2027-01-15") == tag(door, day="2027-01-15")


def test_an_etag_changes_with_settings_and_with_what_waits(door: Door) -> None:
    door.told(cut())
    tags = [tag(door, month="2026-03")]
    door.set("2026-03-02", day_start="05:00")
    tags.append(tag(door, month="2026-03"))
    door.post(cut("B"))  # as_of says that it waits
    tags.append(tag(door, month="2026-03"))
    door.count()
    tags.append(tag(door, month="2026-03"))
    assert len(set(tags)) == 4


# --- what there is ----------------------------------------------------------------------------------------------


def test_the_catalogue_describes_reports_measures_and_dimensions(door: Door) -> None:
    found = door.read("/v1/reports")
    assert [report["name"] for report in found["reports"]] == NAMES
    for report in found["reports"]:
        assert report["question"].endswith("?")
        for measure in report["measures"]:
            assert measure["unit"]
            assert measure["definition"]
            assert set(measure["columns"]) <= set(door.report(report["name"])["totals"])
    assert [dimension["name"] for dimension in found["dimensions"]] == list(DIMENSIONS)
    filters = [dimension["filter"] for dimension in found["dimensions"] if dimension["filter"]]
    for name in filters:
        assert door.get("/v1/reports/yield", **{name: "unknown"}).status_code == 200, name
    assert found["defaults"] == {"last": "8w", "by": "thickness", "purpose": "production", "confidence": 0.95}
