"""Report losses by stage, term, location and cause: what goes wrong most, and why. Through the door."""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.builders import event
from tests.event_sets import event_sets
from tests.service.conftest import Door, Service, cut, received
from worker.lost_parts import SORTS

RATES = {"currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 3600, "material_per_kg": 1}
SLAG, DRAG, KERF = ({"term": term} for term in ("slag_lower_edge", "excessive_drag", "wide_kerf"))
WHOLE_YEAR = {"from": "2026-01-01", "to": "2027-01-14", "purpose": "all"}


def reworked(attempt: str, minutes: float) -> dict[str, Any]:
    return event(
        "attempt.reworked", attempt, operation="grinding", minutes=minutes, parts=1, time="2026-03-04T13:00:00Z"
    )


def shop(door: Door) -> None:
    """20 parts lost: 10 with slag, 4 by their kerf, 2 by several terms, 3 not pierced, 1 for no stated reason."""
    door.set(rates=RATES)
    cause = [{"term": "nozzle_worn", "certainty": "confirmed"}]
    door.told(
        cut("A", quantity=9, good=3, rework=6, defects=[SLAG | {"location": "corner"}], causes=cause),
        cut("B", quantity=9, good=5, rework=4, thickness_mm=30, defects=[SLAG | {"location": "face"}]),
        cut("C", quantity=9, good=5, scrap=4, defects=[KERF], causes=[{"term": "nozzle_worn"}], seconds=9),
        cut("D", quantity=9, good=7, rework=2, defects=[SLAG, DRAG], causes=cause),
        cut("E", quantity=3, outcome="pierce_failed", thickness_mm=30),
        cut("F", quantity=9, good=8, scrap=1),
        reworked("A", 5),
        reworked("B", 10),
        reworked("D", 20),
    )


def seen(rows: list[dict[str, Any]], *columns: str) -> list[tuple[Any, ...]]:
    return [tuple(row[name] for name in columns) for row in rows]


def test_words_come_in_the_order_of_the_parts_that_were_lost_under_them(door: Door) -> None:
    shop(door)
    report = door.report("losses", by="term")
    assert report["by"] == ["term"]
    assert seen(
        report["rows"], "term", "rank", "parts_lost", "cumulative_share", "parts_named", "attempts_lost_on"
    ) == [
        ("slag_lower_edge", 1, 10, 0.5, 12, 2),
        ("wide_kerf", 2, 4, 0.7, 4, 1),
        ("pierce_failed", 3, 3, 0.85, 3, 1),
        # Named on the parts of D, where nobody says which of the two it was.
        ("excessive_drag", 4, 0, 0.85, 2, 0),
        ("several", None, 2, 0.95, 0, 1),
        ("unstated", None, 1, 1, 0, 1),
    ]
    assert seen(report["rows"], "parts_share", "minutes", "minutes_share") == [
        (0.5, 15, pytest.approx(15 / 35)), (0.2, 0, 0), (0.15, 0, 0), (0, 0, 0), (0.1, 20, pytest.approx(20 / 35)),
        (0.05, 0, 0),
    ]  # fmt: skip
    # A minute of rework costs 1, a second of the machine too: 4 of 9 parts of 9 s were lost.
    assert seen(report["rows"], "cost") == [(15,), (4,), (0,), (0,), (20,), (0,)]
    assert report["rows"][1]["cost_share"] == pytest.approx(4 / 39)
    assert report["totals"] == {"parts_lost": 20, "minutes": 35, "cost": 39}
    assert report["currency"] == "EUR"


def test_words_are_ordered_by_minutes_or_cost_when_asked(door: Door) -> None:
    shop(door)
    rows = door.rows("losses", by="term", rank_by="minutes")
    assert seen(rows[:2], "term", "rank", "cumulative_share") == [
        ("slag_lower_edge", 1, pytest.approx(15 / 35)), ("excessive_drag", 2, pytest.approx(15 / 35)),
    ]  # fmt: skip
    rows = door.rows("losses", by="term", rank_by="cost")
    assert seen(rows[:2], "term", "rank", "cumulative_share") == [
        ("slag_lower_edge", 1, pytest.approx(15 / 39)), ("wide_kerf", 2, pytest.approx(19 / 39)),
    ]  # fmt: skip


def test_each_group_has_its_own_order(door: Door) -> None:
    shop(door)
    rows = door.rows("losses", by="stage,thickness")
    assert list(rows[0])[:3] == ["thickness_mm", "stage", "rank"]
    assert seen(rows, "thickness_mm", "stage", "rank", "parts_lost", "cumulative_share") == [
        (20, "surface", 1, 8, pytest.approx(8 / 13)), (20, "size", 2, 4, pytest.approx(12 / 13)),
        (20, "unstated", None, 1, 1),
        (30, "surface", 1, 4, pytest.approx(4 / 7)), (30, "pierce", 2, 3, 1),
    ]  # fmt: skip


def test_suspected_and_confirmed_causes_stand_apart(door: Door) -> None:
    shop(door)
    report = door.report("losses", by="cause")
    assert seen(report["rows"], "cause", "certainty", "parts_lost") == [
        ("nozzle_worn", "confirmed", 8), ("nozzle_worn", "suspected", 4), ("unstated", None, 8),
    ]  # fmt: skip
    assert any("a suspected cause is an opinion" in note for note in report["notes"])


def test_locations(door: Door) -> None:
    shop(door)
    assert seen(door.rows("losses", by="location"), "location", "parts_lost") == [
        ("corner", 6), ("face", 4), ("unstated", 10),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({"machine": "L1"}, [("wide_kerf", 2)]),
        ({"heat_number": "H1"}, [("slag_lower_edge", 3)]),
        ({"purpose": "trial"}, [("excessive_drag", 1)]),
        ({"week": "2026-W11"}, [("crack", 4)]),
        ({"week": "2026-W12"}, []),
        ({"heat_number": "H2"}, []),
        ({"by": "heat_number,term", "machine": "L2"}, [("slag_lower_edge", 3)]),
        ({"by": "week,term", "machine": ["L1", "L3"], "month": "2026-03"}, [("wide_kerf", 2), ("crack", 4)]),
    ],
)
def test_filters_and_windows_hold(door: Door, asked: dict[str, Any], expected: list[tuple[str, int]]) -> None:
    door.told(
        received("P", heat_number="H1"),
        cut("A", scrap=2, defects=[KERF], machine="L1"),
        cut("B", scrap=3, defects=[SLAG], machine="L2", plate="P"),
        cut("C", scrap=1, defects=[DRAG], purpose="trial"),
        cut("D", scrap=4, defects=[{"term": "crack"}], machine="L3", time="2026-03-10T12:00:00Z"),
    )
    window = {} if "week" in asked else {"month": "2026-03"} if "month" in asked else {"week": "2026-W10"}
    assert seen(door.rows("losses", **({"by": "term"} | window | asked)), "term", "parts_lost") == expected


def test_the_share_of_a_word_has_a_wilson_interval(door: Door) -> None:
    # One part lost a day: independent. Newcombe RG (1998), Statistics in Medicine 17, 857-872: 1 of 29 gives
    # 0.0061 to 0.1718 by Wilson's method.
    first = date(2026, 3, 2)
    door.told(
        *(
            cut(f"A{day}", scrap=1, defects=[SLAG if day else KERF], time=f"{first + timedelta(days=day)}T12:00:00Z")
            for day in range(29)
        )
    )
    rows = door.rows("losses", by="term")
    assert seen(rows, "term", "parts_lost") == [("slag_lower_edge", 28), ("wide_kerf", 1)]
    assert rows[1]["parts_share_low"] == pytest.approx(0.0061, abs=5e-5)
    assert rows[1]["parts_share_high"] == pytest.approx(0.1718, abs=5e-5)


def test_parts_that_fail_together_tell_less_than_as_many_apart(door: Door) -> None:
    def width(machine: str) -> float:
        (row,) = (row for row in door.rows("losses", by="term", machine=machine) if row["term"] == "wide_kerf")
        assert (row["parts_lost"], row["parts_share"]) == (24, 0.5)
        return float(row["parts_share_high"] - row["parts_share_low"])

    days = [f"{date(2026, 3, 2) + timedelta(days=day)}T12:00:00Z" for day in range(12)]
    mixed = [KERF | {"parts": 2}, SLAG | {"parts": 2}]
    door.told(
        *(cut(f"m{day}", machine="mixed", scrap=4, defects=mixed, time=time) for day, time in enumerate(days)),
        *(
            cut(f"t{day}", machine="together", scrap=4, defects=[KERF if day % 2 else SLAG], time=time)
            for day, time in enumerate(days)
        ),
    )
    # mixed: the surface takes its 2 before the size, on each day alike.
    assert width("together") > 1.5 * width("mixed")


def test_the_notes_say_what_the_order_is_worth(door: Door) -> None:
    shop(door)
    notes = " | ".join(door.report("losses", by="term")["notes"])
    assert "most parts are lost under slag_lower_edge: 10 of 20, between" in notes
    assert "whether more parts are lost under slag_lower_edge or under wide_kerf cannot be told from these" in notes
    assert "1 of 20 lost parts have no term named (5 %)" in notes


def test_cost_is_null_without_rates_and_orders_nothing(door: Door) -> None:
    door.told(cut("A", scrap=2, defects=[SLAG]), cut("B", scrap=3, defects=[KERF]))
    report = door.report("losses", by="term", rank_by="cost")
    assert seen(report["rows"], "term", "rank", "parts_lost", "cumulative_share", "cost", "cost_share") == [
        ("slag_lower_edge", None, 2, None, None, None), ("wide_kerf", None, 3, None, None, None),
    ]  # fmt: skip
    assert report["totals"] == {"parts_lost": 5, "minutes": 0, "cost": None}
    assert any(note.startswith("cost is null") for note in report["notes"])


def test_cost_is_null_when_the_window_spans_two_currencies(door: Door) -> None:
    door.set(rates=RATES)
    door.set("2026-03-05", rates=RATES | {"currency": "SEK"})
    door.told(cut("A", scrap=2, defects=[SLAG], seconds=2))
    report = door.report("losses", by="term", week="2026-W10")
    assert (seen(report["rows"], "cost"), report["currency"]) == ([(None,)], None)
    assert any("EUR and SEK" in note for note in report["notes"])
    assert door.totals("losses", by="term", day="2026-03-04")["cost"] == 2


def test_nothing_lost_has_no_rows(door: Door) -> None:
    door.told(cut(good=4))
    report = door.report("losses", by="term")
    assert (report["rows"], report["totals"]) == ([], {"parts_lost": 0, "minutes": 0, "cost": 0})
    answer = door.get("/v1/reports/losses", month="2026-03", by="cause", format="csv")
    assert answer.data.decode().startswith("cause,certainty,rank,parts_lost,parts_share,")


def test_csv_has_the_rows_of_the_json(door: Door) -> None:
    shop(door)
    asked = {"month": "2026-03", "by": "thickness,cause"}
    rows = json.loads(door.get("/v1/reports/losses", **asked).data, parse_float=Decimal)["rows"]
    answer = door.get("/v1/reports/losses", format="csv", **asked)
    lines = list(csv.DictReader(io.StringIO(answer.data.decode(), newline="")))
    assert len(lines) == len(rows) > 2
    for line, row in zip(lines, rows, strict=True):
        assert list(line) == list(row)
        for column, value in row.items():
            same = (
                line[column] == (value or "")
                if value is None or isinstance(value, str)
                else Decimal(line[column]) == value
            )
            assert same, column


@pytest.mark.parametrize(
    ("name", "asked", "parameter", "what"),
    [
        ("losses", {"by": "term,cause"}, "by", "names term and cause"),
        ("losses", {"by": "stage,thickness,location"}, "by", "names stage and location"),
        ("losses", {"rank_by": "minutes"}, "rank_by", "orders words"),
        ("losses", {"by": "term", "rank_by": "hours"}, "rank_by", "must be one of parts, minutes, cost"),
        ("losses", {"by": "term", "rank_by": ["parts", "cost"]}, "rank_by", "is given 2 times"),
        ("losses", {"by": "terms"}, "by", "did you mean term"),
        ("losses", {"term": "crack"}, "term", "is no parameter of this report"),
        ("yield", {"by": "term"}, "by", "is no dimension of this report"),
        ("yield", {"rank_by": "parts"}, "rank_by", "is no parameter of this report"),
    ],
)
def test_what_cannot_be_asked_is_refused_by_name(
    door: Door, name: str, asked: dict[str, Any], parameter: str, what: str
) -> None:
    answer = door.get(f"/v1/reports/{name}", month="2026-03", **asked)
    assert answer.status_code == 422, answer.text
    (error,) = answer.get_json()["errors"]
    assert error["parameter"] == parameter
    assert what in error["detail"]


def test_the_catalogue_tells_the_sorts_and_the_columns(door: Door) -> None:
    (told,) = (each for each in door.read("/v1/reports")["reports"] if each["name"] == "losses")
    assert told["more_dimensions"] == list(SORTS)
    assert [option["name"] for option in told["options"]] == ["rank_by"]
    described = {column["name"]: column["definition"] for column in told["columns"]}
    (row,) = (cut("A", scrap=1), door.told(cut("A", scrap=1)), door.rows("losses", by="cause"))[-1]
    assert set(row) - {"cause"} == set(described)
    assert all(described.values())


# --- any set of events ------------------------------------------------------------------------------------------


@settings(max_examples=10)
@given(
    events=event_sets(mismatched_voids=False), by=st.sampled_from(("", "thickness", "machine", "week", "day", "job"))
)
def test_words_divide_what_the_report_counts(service: Service, events: list[dict[str, Any]], by: str) -> None:
    door = service.door()
    at_site = [each | {"subject": door.site} if each["subject"] == "main" else each for each in events]
    builders.append(door.database, at_site, site=door.site)
    door.count()

    def asked(division: str) -> Any:
        return json.loads(door.get("/v1/reports/losses", by=division, **WHOLE_YEAR).data, parse_float=Decimal)

    plain = asked(by)
    totals = plain["totals"]
    lost = sum(totals[f"lost_{stage}"] for stage in ("pierce", "sever", "surface", "size", "unstated"))
    label = {"thickness": "thickness_mm"}.get(by, by)
    expected = {
        row.get(label): (sum(row[name] for name in row if name.startswith("lost_") and name != "lost_seconds"),
                         row["rework_minutes"])
        for row in plain["rows"]
    }  # fmt: skip
    for sort in SORTS:
        report = asked(f"{by},{sort}")
        assert (report["totals"]["parts_lost"], report["totals"]["minutes"]) == (lost, totals["rework_minutes"])
        if totals["cost_of_poor_quality"] is not None:
            assert report["totals"]["cost"] == totals["cost_of_poor_quality"]
        groups: dict[Any, list[dict[str, Any]]] = defaultdict(list)
        for row in report["rows"]:
            groups[row.get(label)].append(row)
        for group, rows in groups.items():
            parts, minutes = (sum(row[name] for row in rows) for name in ("parts_lost", "minutes"))
            assert (parts, minutes) == expected[group]
            assert rows[-1]["cumulative_share"] == (1 if parts else None)
            if sort == "stage":
                (same,) = (row for row in plain["rows"] if row.get(label) == group)
                assert all(
                    row["parts_lost"] == same[f"lost_{row['stage']}"] for row in rows if row["stage"] != "several"
                )
        assert all(sums == (0, 0) for group, sums in expected.items() if group not in groups)
