"""Report rework: how long one attempt, or one entry, was reworked; weeks compared at equal age. Through the door."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.builders import event
from tests.event_sets import event_sets
from tests.service.conftest import Door, Service, all_told, cut
from worker.stats.lognormal import positive_mean

FIRST = date(2026, 3, 2)


def noon(day: int) -> str:
    """Of a day counted from Monday 2026-03-02."""
    return f"{FIRST + timedelta(days=day)}T12:00:00Z"


def reworked(attempt: str, minutes: float, *, day: int = 0, operation: str = "grinding", **data: Any) -> dict[str, Any]:
    work = {"operation": operation, "minutes": minutes, "parts": 1} | data
    return event("attempt.reworked", attempt, time=noon(day).replace("T12", "T13"), **work)


def attempts(minutes: list[list[float]], *, per_day: int = 1) -> list[dict[str, Any]]:
    """Attempts of 4 parts, so many a day, two parts of each reworked in so many entries."""
    events: list[dict[str, Any]] = []
    for number, entries in enumerate(minutes):
        day = number // per_day
        events.append(cut(f"A{number}", good=2, rework=2, time=noon(day)))
        events += [reworked(f"A{number}", each, day=day) for each in entries]
    return events


def shown(row: dict[str, Any], of: str = "reworked_attempt") -> tuple[Any, ...]:
    names = (f"minutes_per_{of}", f"median_per_{of}", f"p90_per_{of}", f"{of}_design_effect", f"{of}_reason")
    return tuple(row[name] for name in names)


def test_minutes_of_one_reworked_attempt(door: Door) -> None:
    door.told(*attempts([[1, 2], [4], [5], [4, 4], []]), cut("good", good=4), reworked("A1", 90, planned=True))
    (row,) = door.rows("rework")
    # 3, 4, 5 and 8 minutes: the mean is 5, the median lies between 4 and 5, nine tenths of the way from 3 to 8 by type
    # 7 at place 0.9 x 3 = 2.7, which is 5 + 0.7 x 3.
    assert shown(row) == (5, 4.5, pytest.approx(7.1), 1, None)
    assert (row["attempts_reworked"], row["attempts_without_minutes"]) == (4, 1)
    mean = positive_mean([3, 4, 5, 8], confidence=0.95)
    limits = (row["minutes_per_reworked_attempt_low"], row["minutes_per_reworked_attempt_high"])
    assert limits == (pytest.approx(mean.low), pytest.approx(mean.high))
    assert limits[0] < 5 < limits[1]
    assert (row["rework_minutes"], row["finishing_minutes"]) == (20, 90)


def test_a_narrower_confidence_gives_a_narrower_interval(door: Door) -> None:
    door.told(*attempts([[3], [4], [5], [4], [6], [3]]))

    def limits(confidence: str) -> tuple[float, float]:
        (row,) = door.rows("rework", confidence=confidence)
        return row["minutes_per_reworked_attempt_low"], row["minutes_per_reworked_attempt_high"]

    assert limits("0.99")[0] < limits("0.8")[0] < 25 / 6 < limits("0.8")[1] < limits("0.99")[1]


@pytest.mark.parametrize(
    ("minutes", "values"),
    [
        ([], (None, None, None, None, None)),
        ([[7]], (7, 7, 7, 1, "one value above zero: its spread is not known")),
        ([[7], [7]], (7, 7, 7, 1, "all values above zero are alike: their spread is not known")),
        ([[]], (None, None, None, None, None)),
    ],
)
def test_what_cannot_be_told_is_null_with_its_reason(door: Door, minutes: list[list[float]], values: Any) -> None:
    door.told(cut("good", good=4), *attempts(minutes))
    (row,) = door.rows("rework")
    assert shown(row) == values
    assert (row["minutes_per_reworked_attempt_low"], row["minutes_per_reworked_attempt_high"]) == (None, None)


def test_minutes_that_are_alike_on_a_day_tell_less(door: Door) -> None:
    days = [2.0, 20.0, 5.0, 40.0, 3.0, 12.0]
    door.told(*attempts([[minutes + extra] for minutes in days for extra in (0, 0.5, 1)], per_day=3))
    (row,) = door.rows("rework")
    # Three a day, nearly the same each day: little more than one value a day.
    assert 2.5 < row["reworked_attempt_design_effect"] <= 3
    apart = positive_mean([minutes + extra for minutes in days for extra in (0, 0.5, 1)], confidence=0.95)
    assert apart.high is not None
    assert row["minutes_per_reworked_attempt_high"] > 1.3 * apart.high


def test_the_share_of_reworked_parts_has_a_wilson_interval(door: Door) -> None:
    # One part a day: independent. Newcombe RG (1998), Statistics in Medicine 17, 857-872: 1 of 29 gives 0.0061 to
    # 0.1718 by Wilson's method.
    door.told(*(cut(f"A{day}", **({"good": 1} if day else {"rework": 1}), time=noon(day)) for day in range(29)))
    (row,) = door.rows("rework", from_="2026-03-02", to="2026-03-30")
    assert row["rework_ratio"] == pytest.approx(1 / 29)
    assert (row["rework_ratio_low"], row["rework_ratio_high"]) == (
        pytest.approx(0.0061, abs=5e-5), pytest.approx(0.1718, abs=5e-5),
    )  # fmt: skip
    assert (row["rework_design_effect"], row["rework_clusters"]) == (1, 29)


def test_groups_and_totals(door: Door) -> None:
    door.told(
        cut("A", rework=2, machine="L1", job="J1"),
        cut("B", rework=1, machine="L2", job="J1"),
        cut("C", rework=1, machine="L2", job="J2"),
        reworked("A", 2, day=2),
        reworked("B", 6, day=2),
        reworked("C", 10, day=2),
    )
    rows = {row["machine"]: row for row in door.rows("rework", by="machine")}
    assert {name: shown(row)[:3] for name, row in rows.items()} == {
        "L1": (2, 2, 2), "L2": (8, 8, pytest.approx(9.6)),
    }  # fmt: skip
    for by in ("", "machine", "job", "job,machine", "day"):
        totals = door.totals("rework", by=by)
        assert (totals["attempts_reworked"], totals["minutes_per_reworked_attempt"]) == (3, 6), by
        assert totals == door.totals("rework", by="shift"), by


def test_entries_of_an_operation(door: Door) -> None:
    door.told(
        *attempts([[1, 2], [4]]),
        reworked("A1", 30, operation="straightening", day=1),
        reworked("A0", 60, operation="straightening", planned=True),
    )
    rows = {row["operation"]: row for row in door.rows("rework", by="operation")}
    assert shown(rows["grinding"], "entry")[:3] == (pytest.approx(7 / 3), 2, pytest.approx(3.6))
    assert shown(rows["straightening"], "entry")[:3] == (30, 30, 30)
    assert "attempts_reworked" not in rows["grinding"]
    by_day = door.rows("rework", by="day,operation")
    assert [(row["day"], row["operation"], row["minutes_per_entry"]) for row in by_day] == [
        ("2026-03-02", "grinding", 1.5), ("2026-03-02", "straightening", None), ("2026-03-03", "grinding", 4),
        ("2026-03-03", "straightening", 30),
    ]  # fmt: skip
    assert [row["minutes_per_entry"] for row in door.rows("rework", by="operation,plate")] == [pytest.approx(7 / 3), 30]


def test_weeks_are_compared_at_equal_age(door: Door) -> None:
    door.told(
        # 2026-W10: 5 minutes by its Wednesday, 7 more on its Thursday, 9 in the week after.
        cut("A", rework=3, time=noon(0)),
        reworked("A", 5, day=2),
        reworked("A", 7, day=3),
        reworked("A", 9, day=8),
        reworked("A", 100, day=2, planned=True),
        # 2026-W11 is told up to its Wednesday.
        cut("B", rework=1, time=noon(7)),
        reworked("B", 4, day=9),
    )
    report = door.report("rework", by="week")
    assert [(row["week"], row["rework_minutes"], row["rework_minutes_at_equal_age"]) for row in report["rows"]] == [
        ("2026-W10", 21, 5), ("2026-W11", 4, 4),
    ]  # fmt: skip
    assert report["details"] == {"equal_age_days": 3}
    assert report["totals"]["rework_minutes_at_equal_age"] == 9
    assert any("day 3 from its Monday on, as old as 2026-W11 is on 2026-03-11" in note for note in report["notes"])
    # The youngest week shown decides: alone, the first one is nine days old.
    alone = door.report("rework", by="week,thickness", week="2026-W10")
    assert (alone["details"], alone["rows"][0]["rework_minutes_at_equal_age"]) == ({"equal_age_days": 10}, 21)
    by_job = door.report("rework", by="week,job")
    assert [row["rework_minutes_at_equal_age"] for row in by_job["rows"]] == [5, 4]


def test_only_weeks_have_an_age(door: Door) -> None:
    door.told(cut("A", rework=1), reworked("A", 5, day=2))
    report = door.report("rework", by="day")
    assert report["details"] == {"equal_age_days": None}
    assert "rework_minutes_at_equal_age" not in report["rows"][0]
    empty = door.report("rework", by="week", week="2026-W20")
    assert (empty["rows"], empty["details"]) == ([], {"equal_age_days": None})


def test_work_that_was_booked_in_a_week_without_cuts_makes_no_week_young(door: Door) -> None:
    door.told(cut("A", rework=1, time=noon(0)), reworked("A", 5, day=1), reworked("A", 6, day=8))
    report = door.report("rework", by="week")
    assert [(row["week"], row["rework_minutes_at_equal_age"]) for row in report["rows"]] == [
        ("2026-W10", 11), ("2026-W11", 0),
    ]  # fmt: skip
    assert report["details"] == {"equal_age_days": 9}


def test_the_notes_say_what_to_plan_by(door: Door) -> None:
    door.told(*attempts([[1, 2], [4], [5], [4, 4], []]))
    notes = " | ".join(door.report("rework")["notes"])
    assert "10 of 20 judged parts needed rework: between" in notes
    assert "4 reworked attempts: 5 minutes each on average, between" in notes
    assert "half take at most 4.5 and nine in ten 7.1: plan many by the mean, one by the latter" in notes
    assert "1 attempt has rework parts and no minutes so far" in notes
    assert "so far: 10 parts are still in rework" in notes


@pytest.mark.parametrize("by", ["thickness", "operation", "week"])
def test_csv_has_the_rows_of_the_json(door: Door, by: str) -> None:
    door.told(*attempts([[1, 2], [4], [5], [4, 4], []]))
    asked = {"month": "2026-03", "by": by}
    rows = json.loads(door.get("/v1/reports/rework", **asked).data, parse_float=Decimal)["rows"]
    answer = door.get("/v1/reports/rework", format="csv", **asked)
    lines = list(csv.DictReader(io.StringIO(answer.data.decode(), newline="")))
    assert len(lines) == len(rows) > 0
    for line, row in zip(lines, rows, strict=True):
        assert list(line) == list(row)
        told = {column: Decimal(line[column]) for column, value in row.items() if isinstance(value, int | Decimal)}
        assert told == {column: row[column] for column in told}


def test_the_catalogue_tells_the_columns(door: Door) -> None:
    door.told(*attempts([[1]]))
    (told,) = (each for each in door.read("/v1/reports")["reports"] if each["name"] == "rework")
    described = {column["name"] for column in told["columns"]}
    measured = {column for measure in told["measures"] for column in measure["columns"]}
    for by in ("week", "operation"):
        (row,) = door.rows("rework", by=by)
        assert set(row) - {by} <= described | measured
    assert all(column["definition"] for column in told["columns"])


@settings(max_examples=8)
@given(
    events=event_sets(mismatched_voids=False),
    by=st.sampled_from(("thickness", "day", "machine,shift", "job", "plate,gas")),
)
def test_totals_do_not_depend_on_the_division(service: Service, events: list[dict[str, Any]], by: str) -> None:
    door = service.door()
    at_site = [each | {"subject": door.site} if each["subject"] == "main" else each for each in events]
    builders.append(door.database, [all_told(door.site), *at_site], site=door.site)
    door.count()
    window = {"from_": "2026-01-01", "to": "2027-01-14", "purpose": "all"}
    whole, divided = (door.report("rework", by=asked, **window) for asked in ("", by))
    assert divided["totals"] == whole["totals"]
    counts = ("attempts_reworked", "attempts_without_minutes", "rework_clusters")
    for name in counts[: 3 if by in ("thickness", "day", "machine,shift") else 2]:
        assert sum(row[name] for row in divided["rows"]) == whole["totals"][name]
    # Nine in ten take no less than half of them; the mean lies within its limits.
    for row in (*divided["rows"], whole["totals"]):
        assert row["median_per_reworked_attempt"] is None or (
            row["median_per_reworked_attempt"] <= row["p90_per_reworked_attempt"]
        )
        low, mean, high = (row[f"minutes_per_reworked_attempt{end}"] for end in ("_low", "", "_high"))
        assert low is None or low <= mean
        assert high is None or mean <= high
    weeks = door.report("rework", by="week", **window)
    at_age = weeks["totals"]["rework_minutes_at_equal_age"]
    assert at_age <= weeks["totals"]["rework_minutes"]
    for row in weeks["rows"]:
        assert row["rework_minutes_at_equal_age"] <= row["rework_minutes"]
