"""Report edges: ranges of ISO 9013 through the door, what jobs ask for, and what is left out."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void


def inspected(attempt: str, **data: Any) -> dict[str, Any]:
    return event("attempt.inspected", attempt, time="2026-03-05T10:00:00Z", good=0, **data)


def taken(door: Door, *events: dict[str, Any]) -> None:
    """Post events, all of which must be taken; they are counted when a report is asked."""
    assert set(door.statuses(*events)) == {"accepted"}


def measured(door: Door, *, mm: float = 20, plate: str = "P", job: str | None = None, **data: Any) -> None:
    """A plate of a thickness, a cut on it and what was measured there."""
    named = {"job": job} if job else {}
    taken(
        door,
        received(plate, thickness_mm=mm),
        cut(f"A-{plate}", plate=plate, thickness_mm=mm, quantity=2, **named),
        inspected(f"A-{plate}", **data),
    )


def each_cut(door: Door, *, mm: float = 20, plate: str = "P", job: str | None = None, u_mm: list[float]) -> None:
    """A plate with a cut for each of these readings."""
    named = {"job": job} if job else {}
    taken(door, received(plate, thickness_mm=mm))
    for number, value in enumerate(u_mm):
        taken(
            door,
            cut(f"A-{plate}-{number}", plate=plate, thickness_mm=mm, **named),
            inspected(f"A-{plate}-{number}", u_mm=[value]),
        )


def edges(door: Door, **asked: Any) -> dict[str, Any]:
    door.count()
    report: dict[str, Any] = door.report("edges", **asked)
    return report


def row(door: Door, **asked: Any) -> dict[str, Any]:
    (found,) = edges(door, **asked)["rows"]
    return dict(found)


#: (thickness, reading, range): the limit is inside, null is outside of all.
U = [
    # iso9013.u_classify.03-.12 [read in stored copy]: ISO 9013:2017, formulas of the ranges of u
    (20, 0.12, 2), (12, 0.5, 3), (12, 1.63, None), (6, 0.46, 3), (30, 2.3, None), (16, 0.17, 2), (10, 0.5, 3),
    (15, 1.12, 5),
    # iso9013.u_limit_mm.01-.18 [read in stored copy]: readings at the limits themselves
    (6, 0.068, 1), (6, 0.92, 4), (12, 0.234, 2), (25, 0.125, 1), (30, 0.36, 2), (8, 0.48, 3), (10, 0.08, 1),
    (15, 0.255, 2), (32, 2.32, 5), (0.5, 0.0515, 1), (22, 0.304, 2), (9.525, 0.9905, 4),
]  # fmt: skip
RZ5 = [
    # iso9013.rz5_classify.01-.09 [read in stored copy]: worse than range 4 is none
    (20, 22.0, 1), (25, 156, None), (12, 60, 3), (30, 100, 3), (16, 48, 2), (10, 129, None),
    # iso9013.rz5_limit_um.01-.12 [read in stored copy]: readings at the limits themselves
    (6, 13.6, 1), (12, 84.4, 3), (25, 155.0, 4), (30, 28.0, 1), (8, 46.4, 2), (16, 89.2, 3), (15, 19.0, 1),
    (22, 96.4, 3),
]  # fmt: skip


@pytest.mark.parametrize(("figure", "field", "last", "cases"), [("u", "u_mm", 5, U), ("rz5", "rz5_um", 4, RZ5)])
def test_published_readings_are_in_their_published_range(
    door: Door, figure: str, field: str, last: int, cases: list[tuple[float, float, int | None]]
) -> None:
    for number, (mm, value, _) in enumerate(cases):
        measured(door, mm=mm, plate=f"P{number}", **{field: [value]})
    door.count()
    for number, (_, value, expected) in enumerate(cases):
        (found,) = door.rows("edges", by="plate", plate=f"P{number}")
        shares = {one: found[f"{figure}_range_{one}"] for one in range(1, last + 1)}
        shares[None] = found[f"{figure}_outside"]
        assert shares == {one: float(one == expected) for one in shares}, (number, value)
        assert found[f"{figure}_range_held"] == expected


def test_shares_and_the_range_that_95_percent_hold(door: Door) -> None:
    # Limits of u at 20 mm: 0.11, 0.29, 0.6, 1.2, 1.9. 12 in range 2, 7 in range 3, one of 20 in range 5
    for number, values in enumerate([[0.2] * 6, [0.25] * 6, [0.5] * 4, [0.4] * 3 + [1.5]]):
        each_cut(door, plate=f"P{number}", u_mm=values)
    found = row(door)
    assert (found["thickness_mm"], found["u_readings"], found["u_cuts"], found["u_plates"]) == (20, 20, 20, 4)
    assert [found[f"u_range_{one}"] for one in range(1, 6)] == [0, 0.6, 0.35, 0, 0.05]
    assert (found["u_outside"], found["u_range_held"], found["u_within_held"]) == (0, 3, pytest.approx(0.95))
    # (12 x about 0.225 + 4 x 0.5 + 3 x 0.4 + 1.5) / 20
    assert found["u_mean_mm"] == pytest.approx((6 * 0.2 + 6 * 0.25 + 4 * 0.5 + 3 * 0.4 + 1.5) / 20)
    assert found["u_median_mm"] == 0.25
    assert found["u_within_held_low"] < 0.75
    assert (found["rz5_readings"], found["rz5_range_1"], found["rz5_range_held"]) == (0, None, None)
    assert found["rz5_reason"] == "no readings"


def test_no_range_is_held_when_too_many_are_outside(door: Door) -> None:
    each_cut(door, u_mm=[0.2] * 18 + [5, 5])
    report = edges(door)
    (found,) = report["rows"]
    assert (found["u_outside"], found["u_range_held"], found["u_within_held"]) == (0.1, None, None)
    assert found["u_reason"] == "more than 5 % of the cuts are outside all ranges"
    assert any(
        "2 cuts are outside of all ranges, more than 5 %, so that no range is held" in one for one in report["notes"]
    )


def test_readings_of_one_plate_tell_less_than_those_of_many(door: Door) -> None:
    # The same 24 readings: on 4 plates that differ, and each on a plate of its own
    values = [[0.2] * 6, [0.21] * 6, [0.5] * 6, [0.52] * 6]
    for number, each in enumerate(values):
        each_cut(door, plate=f"P{number}", u_mm=each)
    for number, value in enumerate(value for each in values for value in each):
        measured(door, mm=20.5, plate=f"S{number}", u_mm=[value])
    few, many = edges(door)["rows"]
    assert (few["u_plates"], many["u_plates"], few["u_readings"], many["u_readings"]) == (4, 24, 24, 24)
    assert few["u_within_held"] == many["u_within_held"] == 1
    assert few["u_within_held_low"] < 0.6 < many["u_within_held_low"]


def test_a_cut_that_was_measured_often_is_one_cut(door: Door) -> None:
    # One cut with 100 readings of 0.05 mm, and 19 cuts that are outside of all ranges
    measured(door, plate="Z", u_mm=[0.05] * 100)
    for number in range(19):
        measured(door, plate=f"C{number}", u_mm=[5.0])
    report = edges(door)
    (found,) = report["rows"]
    assert (found["u_readings"], found["u_cuts"], found["u_plates"]) == (119, 20, 20)
    assert (found["u_range_1"], found["u_outside"], found["u_range_held"]) == (0.05, 0.95, None)
    assert found["u_mean_mm"] == pytest.approx((0.05 + 19 * 5) / 20)
    assert report["notes"][0] == (
        "119 readings of squareness u, 20 cuts of 20 plates: 19 cuts are outside of all ranges, more than 5 %, so that "
        "no range is held"
    )


def test_a_cut_is_judged_by_the_mean_of_its_readings_at_any_inspection(door: Door) -> None:
    # Range 2 of u ends at 0.29 mm; 0.1, 0.2 and 0.54 are 0.28 on average
    measured(door, u_mm=[0.1, 0.2])
    taken(door, inspected("A-P", stage="downstream", u_mm=[0.54]))
    found = row(door)
    assert (found["u_readings"], found["u_cuts"], found["u_range_2"]) == (3, 1, 1)
    assert found["u_mean_mm"] == found["u_median_mm"] == pytest.approx(0.28)


def test_a_range_is_said_to_be_held_only_where_the_lower_limit_allows_it(door: Door) -> None:
    measured(door, u_mm=[0.2], rz5_um=[30, 30])
    report = edges(door)
    assert report["rows"][0]["u_range_held"] == 2
    assert report["notes"][0] == (
        "1 reading of squareness u, 1 cut of 1 plate: 95 % may keep to range 2 or do better, but on too few plates to "
        "say so; the share that does lies between 20.7 and 100 % (95 % confidence, chance alone)"
    )
    assert report["notes"][1].startswith("2 readings of roughness Rz5, 1 cut of 1 plate: 95 % may keep to range 2")
    # 73 of 73 have a lower limit of 73 / (73 + 1.96^2)
    taken(door, *(one for n in range(72) for one in (cut(f"B{n}", run=f"R{n}"), inspected(f"B{n}", u_mm=[0.2]))))
    note = edges(door)["notes"][0]
    assert note.startswith("73 readings of squareness u, 73 cuts of 1 plate, 72 runs: 95 % keep to range 2 or do")


@pytest.mark.parametrize(("report", "most"), [("edges", "MOST_EDGE_READINGS"), ("sizes", "MOST_SIZES")])
def test_more_readings_than_can_be_read_are_refused(
    door: Door, report: str, most: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = {"feature": "outside", "nominal_mm": 100, "measured_mm": 100.1}
    measured(door, u_mm=[0.2, 0.3, 0.4], sizes=[size] * 3)
    door.count()
    monkeypatch.setattr(f"worker.reports.measured.{most}", 3)
    assert door.get(f"/v1/reports/{report}", month="2026-03").status_code == 200
    monkeypatch.setattr(f"worker.reports.measured.{most}", 2)
    answer = door.get(f"/v1/reports/{report}", month="2026-03")
    assert answer.status_code == 422
    assert "begins a window of 3 readings; ask for at most 2: for fewer days, or with a filter" in answer.text


def test_what_jobs_ask_for_is_compared_where_they_ask(door: Door) -> None:
    taken(
        door,
        opened("J1", cut_quality="ISO 9013-230"),
        opened("J2", cut_quality="ISO 9013-032:2017"),
        opened("J3", cut_quality="ISO 9013-110:2002"),
    )
    # At 20 mm range 2 of u ends at 0.29 mm, range 3 of Rz5 at 94 micrometre
    each_cut(door, plate="P0", job="J1", u_mm=[0.2, 0.29, 0.3, 2])
    measured(door, plate="P1", job="J1", rz5_um=[93, 97])
    measured(door, plate="P5", job="J1", rz5_um=[93, 95])
    measured(door, plate="P2", job="J2", u_mm=[0.2], rz5_um=[94])
    measured(door, plate="P3", job="J3", u_mm=[0.2], rz5_um=[10])
    measured(door, plate="P4", u_mm=[0.2], rz5_um=[10])
    report = edges(door)
    (found,) = report["rows"]
    assert (found["u_asked"], found["u_met"]) == (4, 0.5)
    assert (found["rz5_asked"], found["rz5_met"]) == (3, pytest.approx(2 / 3))
    assert report["details"]["readings_asked_by_other_edition"] == 2
    assert any("2 readings are of jobs that ask by another edition than 2017" in note for note in report["notes"])
    assert found["u_met_low"] < 0.5 < found["u_met_high"]
    said = "where a job's cut_quality names no edition of ISO 9013, it is held against that of 2017"
    assert report["notes"].count(said) == 1
    assert said not in edges(door, job="J2")["notes"]


def test_a_bevelled_cut_is_judged_at_the_thickness_cut_through(door: Door) -> None:
    # 20 mm / cos(60 deg) is 40 mm: the limits of range 1 of u are 0.11 and 0.17 mm
    taken(door, opened("J1", bevel_deg=60), opened("J2"))
    measured(door, plate="P1", job="J1", u_mm=[0.15])
    measured(door, plate="P2", job="J2", u_mm=[0.15])
    report = edges(door, by="bevel")
    assert [(one["bevel"], one["u_range_held"]) for one in report["rows"]] == [(60, 1), (None, 2)]
    assert report["details"]["readings_beyond_scope"] == 1
    assert any("1 reading is of bevelled cuts, judged at the thickness cut through" in one for one in report["notes"])


def test_beyond_the_scope_of_the_standard_the_formulas_are_carried_on_and_it_says_so(door: Door) -> None:
    measured(door, mm=32, plate="P1", u_mm=[0.1])
    measured(door, mm=32.1, plate="P2", u_mm=[0.1, 0.2])
    report = edges(door)
    assert [one["u_range_held"] for one in report["rows"]] == [1, 2]
    assert (report["details"]["edition"], report["details"]["readings_beyond_scope"]) == (2017, 2)
    assert report["details"]["basis"] == "computed from published restatements of ISO 9013"
    assert any("2 readings are of cuts outside of 0.5 to 32 mm" in note for note in report["notes"])
    assert any("not that a cut complies. Start and end of a cut and sharp" in note for note in report["notes"])


def test_readings_after_rework_and_without_a_thickness_are_left_out_and_counted(door: Door) -> None:
    measured(door, plate="P1", u_mm=[0.2], rz5_um=[50])
    taken(
        door,
        inspected("A-P1", stage="after_rework", u_mm=[0.01], rz5_um=[1, 2]),
        inspected("A-P1", stage="downstream", u_mm=[0.4]),
        cut("B", thickness_mm=..., material=...),
        inspected("B", u_mm=[0.3]),
    )
    report = edges(door)
    (found,) = report["rows"]
    assert (found["u_readings"], found["rz5_readings"], found["u_mean_mm"]) == (2, 1, pytest.approx(0.3))
    details = report["details"]
    assert (details["readings"], details["readings_after_rework"], details["readings_without_thickness"]) == (3, 3, 1)
    assert any("3 readings are left out: taken after rework" in note for note in report["notes"])
    assert any("1 reading is left out: the thickness of their cuts is not known" in note for note in report["notes"])


def test_slag_and_what_was_voided(door: Door) -> None:
    for number, height in enumerate((0, 0.2, 1.3)):
        measured(door, plate=f"P{number}", dross_mm=height)
    wrong = inspected("A-P0", dross_mm=50)
    taken(door, wrong, void(wrong))
    found = row(door)
    assert (found["dross_readings"], found["dross_plates"]) == (3, 3)
    assert (found["dross_mean_mm"], found["dross_median_mm"], found["dross_largest_mm"]) == (0.5, 0.2, 1.3)


def test_all_purposes_count_and_are_told_apart(door: Door) -> None:
    taken(door, opened("T", purpose="trial"))
    measured(door, plate="P1", job="T", u_mm=[0.2])
    measured(door, plate="P2", u_mm=[0.2, 0.3])
    report = edges(door)
    assert report["rows"][0]["u_readings"] == 3
    assert "readings by purpose: 2 of production, 1 of trial; purpose= asks for one of them" in report["notes"]
    assert row(door, purpose="trial")["u_readings"] == 1


def test_all_together_range_by_range_among_the_details(door: Door) -> None:
    each_cut(door, mm=10, plate="P1", u_mm=[0.08, 0.2])
    each_cut(door, mm=20, plate="P2", u_mm=[0.11, 9])
    ranges = edges(door)["details"]["ranges"]
    assert [(one["figure"], one["range"], one["cuts"]) for one in ranges] == [
        ("u", 1, 2), ("u", 2, 1), ("u", 3, 0), ("u", 4, 0), ("u", 5, 0), ("u", None, 1),
    ]  # fmt: skip
    assert all(one["share_low"] <= one["share"] <= one["share_high"] for one in ranges)


def test_without_readings_there_are_no_rows_and_a_note(door: Door) -> None:
    door.told(cut())
    report = edges(door)
    assert report["rows"] == []
    assert report["notes"][0] == "no edge was measured in this window: inspections give rz5_um, u_mm and dross_mm"


def test_csv_has_the_columns_of_the_catalogue(door: Door) -> None:
    measured(door, u_mm=[0.2], rz5_um=[50])
    door.count()
    text = door.get("/v1/reports/edges", month="2026-03", format="csv").text
    (line,) = csv.DictReader(io.StringIO(text))
    names = ("thickness_mm", "u_range_held", "rz5_mean_um", "dross_mean_mm")
    assert [line[name] for name in names] == ["20", "2", "50.0", ""]
    described = next(one for one in door.read("/v1/reports")["reports"] if one["name"] == "edges")
    assert set(line) <= {"thickness_mm", *(column["name"] for column in described["columns"])}


def test_it_can_be_asked_as_it_stood(door: Door) -> None:
    measured(door, u_mm=[0.2])
    before = edges(door)
    measured(door, plate="P2", u_mm=[1.5])
    assert edges(door)["rows"] != before["rows"]
    assert edges(door, at=before["as_of"]["position"])["rows"] == before["rows"]
