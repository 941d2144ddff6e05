"""Report sizes: deviations by feature, what the kerf and what a scale have to do with them, tolerances."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Iterable
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.edge_quality import NOT_HELD
from worker.reports.size_deviations import NOTHING_ASKED
from worker.stats.capability import ONE_VALUE

Size = tuple[str, float, float]
PUBLISHED_CASES = [
    # (tolerance class, thickness, nominal size, limit deviation), None where the table has no value
    # iso9013.dim_class1_2017_mm.02-.26 [read in stored copy]: ISO 9013:2017, limit deviations of class 1
    (1, 6, 100, 0.25), (1, 6, 500, 0.4), (1, 12, 500, 0.55), (1, 12, 1500, 0.65), (1, 20, 500, 0.75),
    (1, 25, 100, 0.6), (1, 6.3, 125, 0.3), (1, 10, 10, 0.3), (1, 20, 9.9, 0.4), (1, 25, 3, 0.45), (1, 32, 35, 0.7),
    (1, 8, 1000, 0.55), (1, 16, 6000, 2.8), (1, 12, 7999, 2.5), (1, 25, 2.9, None), (1, 32, 9, None),
    (1, 12, 8000, None),
    # iso9013.dim_class2_2017_mm.01-.12 [read in stored copy]: the same of class 2
    (2, 6, 100, 0.9), (2, 6, 20, 0.9), (2, 10, 500, 1.5), (2, 12, 100, 1.8), (2, 12, 1500, 3.0), (2, 20, 500, 2.3),
    (2, 15, 5000, 4.3), (2, 18, 1000, 3.0), (2, 10, 2, None),
]  # fmt: skip


def taken(door: Door, *events: dict[str, Any]) -> None:
    """Post events, all of which must be taken; they are counted when a report is asked."""
    assert set(door.statuses(*events)) == {"accepted"}


def inspected(attempt: str, *sizes: Size, **data: Any) -> dict[str, Any]:
    told = [{"feature": feature, "nominal_mm": nominal, "measured_mm": found} for feature, nominal, found in sizes]
    return event("attempt.inspected", attempt, time="2026-03-05T10:00:00Z", good=0, sizes=told, **data)


def on_plate(door: Door, plate: str | None, *sizes: Size, attempt: str | None = None, **data: Any) -> None:
    """A cut on a plate (or on none), and the sizes measured on its part: feature, nominal, found."""
    attempt = attempt or f"A-{plate}"
    stock = [] if plate is None else [received(plate, thickness_mm=data.get("thickness_mm", 20))]
    named = {} if plate is None else {"plate": plate}
    taken(door, *stock, cut(attempt, machine="Laser 1", **named, **data), inspected(attempt, *sizes))


def off_by(side_mm: float, per_m: float, seed: int, *, spread: float = 0.03) -> Iterable[tuple[str, list[Size]]]:
    """Plates with four sizes each: off by the kerf on each side, by their length, and by chance."""
    rng = random.Random(seed)
    for number in range(12):
        features = (("outside", 300 + 40 * number, 1), ("outside", 120, 1), ("inside", 25, -1), ("distance", 400, 0))
        yield (
            f"P{number}",
            [
                (name, nominal, round(nominal + side * side_mm + per_m * nominal / 1000 + rng.gauss(0, spread), 3))
                for name, nominal, side in features
            ],
        )


def shop(door: Door, side_mm: float, per_m: float = 0.0, *, seed: int = 5, **data: Any) -> None:
    for plate, sizes in off_by(side_mm, per_m, seed):
        on_plate(door, plate, *sizes, **data)


def sizes(door: Door, **asked: Any) -> dict[str, Any]:
    door.count()
    report: dict[str, Any] = door.report("sizes", **asked)
    return report


def rows(door: Door, **asked: Any) -> dict[str, dict[str, Any]]:
    return {row["feature"]: row for row in sizes(door, **asked)["rows"]}


# --- offset and scale -------------------------------------------------------------------------------------------


def test_a_path_too_far_from_the_part_is_found_with_its_sign_and_half_of_it_is_due(door: Door) -> None:
    shop(door, 0.18)
    report = sizes(door)
    assert [(row["machine"], row["feature"]) for row in report["rows"]] == [
        ("Laser 1", "outside"), ("Laser 1", "inside"), ("Laser 1", "distance"),
    ]  # fmt: skip
    outside, inside, distance = report["rows"]
    assert outside["mean_deviation_low_mm"] < 0.18 < outside["mean_deviation_high_mm"]
    assert inside["mean_deviation_low_mm"] < -0.18 < inside["mean_deviation_high_mm"]
    assert distance["mean_deviation_low_mm"] < 0 < distance["mean_deviation_high_mm"]
    for row in report["rows"]:
        assert row["offset_low_mm"] < 0.18 < row["offset_high_mm"]
        assert row["path_towards_part_mm"] == pytest.approx(row["offset_mm"] / 2)
        assert row["scale_warm_k"] is None
    told = [f"{report['rows'][0][name]:.3f}" for name in ("offset_mm", "offset_low_mm", "offset_high_mm")]
    assert report["notes"][0] == (
        f"Laser 1: outside sizes come out {told[0]} mm too large, inside ones as much too small (between {told[1]} and "
        f"{told[2]} mm, 95 % confidence): move the path by half of that, {report['rows'][0]['offset_mm'] / 2:.3f} mm, "
        "towards the part: inward at outside contours, outward at holes"
    )


def test_a_path_too_near_to_the_part_is_moved_away_from_it(door: Door) -> None:
    shop(door, -0.1)
    report = sizes(door)
    assert report["rows"][0]["path_towards_part_mm"] == pytest.approx(-0.05, abs=0.01)
    assert report["notes"][0].startswith("Laser 1: outside sizes come out 0.1")
    assert "mm too small, inside ones as much too large (" in report["notes"][0]
    assert report["notes"][0].endswith("mm, away from the part: outward at outside contours, inward at holes")


def test_chance_is_no_reason_to_move_a_path(door: Door) -> None:
    shop(door, 0.0)
    report = sizes(door)
    assert {row["path_towards_part_mm"] for row in report["rows"]} == {None}
    assert report["rows"][0]["offset_low_mm"] < 0 < report["rows"][0]["offset_high_mm"]
    assert report["notes"][0] == "Laser 1: chance explains the offset that shows: leave the path as it is"


def test_a_plate_cut_warm_shrinks_and_is_told_from_the_kerf(door: Door) -> None:
    # 0.012 mm per m and K: 25 K are 0.3 mm per m, at 740 mm more than the kerf's offset
    shop(door, 0.18, -0.3)
    report = sizes(door)
    row = report["rows"][0]
    assert row["offset_low_mm"] < 0.18 < row["offset_high_mm"]
    assert row["scale_low_mm_per_m"] < -0.3 < row["scale_high_mm_per_m"] < 0
    assert row["scale_warm_k"] == pytest.approx(row["scale_mm_per_m"] / -0.012)
    assert any("sizes shrink by 0.3" in note and "K warmer than it was measured" in note for note in report["notes"]), (
        report["notes"]
    )


def test_distances_show_the_scale_alone(door: Door) -> None:
    rng = random.Random(1)
    for number in range(8):
        on_plate(door, f"P{number}", ("distance", 900, round(900.27 + rng.gauss(0, 0.02), 3)))
    report = sizes(door)
    (row,) = report["rows"]
    assert (row["offset_mm"], row["path_towards_part_mm"]) == (None, None)
    assert row["fit_reason"] == "no size has a kerf in it: there is no offset to be seen"
    assert row["scale_low_mm_per_m"] < 0.3 < row["scale_high_mm_per_m"]
    assert any("mm per m of length, which no warm plate does" in note for note in report["notes"])


def test_one_length_of_one_side_gives_an_offset_and_no_scale(door: Door) -> None:
    for number, found in enumerate((250.2, 250.15, 250.18, 250.22)):
        on_plate(door, f"P{number}", ("outside", 250, found))
    (row,) = sizes(door)["rows"]
    assert row["offset_mm"] == row["mean_deviation_mm"] == pytest.approx(0.1875)
    assert row["path_towards_part_mm"] == pytest.approx(0.09375)
    assert (row["scale_mm_per_m"], row["fit_reason"]) == (
        None, "offset and scale cannot be told apart: all sizes are of one length and side",
    )  # fmt: skip


def test_an_offset_on_one_plate_alone_moves_no_path(door: Door) -> None:
    on_plate(door, "P", *(("outside", 250, found) for found in (250.2, 250.15, 250.18, 250.22)))
    report = sizes(door)
    (row,) = report["rows"]
    assert row["offset_low_mm"] > 0
    assert (row["plates"], row["path_towards_part_mm"], row["reason"]) == (1, None, "independence assumed")
    said = "Laser 1: an offset shows, but on one plate alone: measure on another before the path is moved"
    assert said in report["notes"]


def test_sizes_of_both_sides_too_large_are_no_matter_of_the_kerf(door: Door) -> None:
    rng = random.Random(2)
    for number in range(10):
        # Small sizes are off as much as large ones: no scale
        found = [
            (feature, nominal, round(nominal + 0.2 + rng.gauss(0, 0.02), 3))
            for feature in ("outside", "inside")
            for nominal in (20, 400)
        ]
        on_plate(door, f"P{number}", *found, ("distance", 400, 400.01), ("distance", 400, 399.99))
    report = sizes(door)
    row = report["rows"][0]
    assert (row["path_towards_part_mm"], row["mean_deviation_mm"]) == (None, pytest.approx(0.2, abs=0.02))
    assert any("grow by" in note or "both too large, which no kerf makes" in note for note in report["notes"])


def test_sizes_of_both_sides_too_small_without_a_scale_say_so(door: Door) -> None:
    for number, wobble in enumerate((-0.02, 0.01, 0.02, -0.01, 0.0)):
        found = [(side, 100, 99.8 + wobble) for side in ("outside", "inside")]
        on_plate(door, f"P{number}", *found, ("distance", 2000, 2000 + wobble))  # type: ignore[arg-type]
    report = sizes(door)
    assert report["rows"][0]["path_towards_part_mm"] is None
    assert report["rows"][0]["scale_warm_k"] is None
    assert (
        "Laser 1: outside and inside sizes are both too small, which no kerf makes: look at how they are measured, and "
        "at the program"
    ) in report["notes"]


def test_plates_that_differ_tell_less_than_their_readings_do(door: Door) -> None:
    # Two plates at +0.2, two at -0.1, five readings each: the mean is known no better than by four plates
    for number, off in enumerate((0.2, 0.2, -0.1, -0.1)):
        found = [("outside", 250, 250 + off + wobble / 100) for wobble in range(-2, 3)]
        on_plate(door, f"P{number}", *found)  # type: ignore[arg-type]
    (row,) = sizes(door)["rows"]
    assert (row["readings"], row["plates"]) == (20, 4)
    assert row["design_effect"] == pytest.approx(5, abs=0.1)
    assert row["mean_deviation_low_mm"] < -0.1 < 0.2 < row["mean_deviation_high_mm"]
    assert row["path_towards_part_mm"] is None


def test_machines_are_told_apart_and_any_other_division_goes(door: Door) -> None:
    shop(door, 0.18)
    for plate, found in off_by(0.05, 0, 9):
        taken(
            door,
            received(f"B{plate}", heat_number="H1"),
            cut(f"B-{plate}", machine="Laser 2", plate=f"B{plate}"),
            inspected(f"B-{plate}", *found),
        )
    first, second = (row for row in sizes(door)["rows"] if row["feature"] == "outside")
    assert (first["offset_mm"], second["offset_mm"]) == (pytest.approx(0.18, abs=0.02), pytest.approx(0.05, abs=0.02))
    by_heat = {row["heat_number"] for row in sizes(door, by="heat_number")["rows"]}
    assert by_heat == {"H1", None}
    assert [row["feature"] for row in sizes(door, by="", heat_number="H1")["rows"]] == ["outside", "inside", "distance"]


# --- what is left out -------------------------------------------------------------------------------------------


def test_a_size_off_by_more_than_a_kerf_is_named_and_left_out(door: Door) -> None:
    on_plate(door, "P1", ("outside", 250, 250.2), ("inside", 22, 20.9))
    on_plate(door, "P2", ("outside", 250, 251), ("outside", 250, 251.001))
    report = sizes(door)
    details = report["details"]
    assert (details["readings"], details["readings_beyond_kerf"]) == (2, 2)
    assert details["beyond_kerf"] == [
        {"attempt": "A-P1", "day": "2026-03-04", "feature": "inside", "nominal_mm": 22, "measured_mm": 20.9,
         "deviation_mm": -1.1},
        {"attempt": "A-P2", "day": "2026-03-04", "feature": "outside", "nominal_mm": 250, "measured_mm": 251.001,
         "deviation_mm": 1.001},
    ]  # fmt: skip
    outside, inside = report["rows"]
    assert (outside["readings"], outside["readings_beyond_kerf"], outside["mean_deviation_mm"]) == (2, 1, 0.6)
    assert (inside["readings"], inside["readings_beyond_kerf"], inside["reason"]) == (0, 1, "no values")
    assert any("2 sizes are off by more than a kerf, and left out" in note for note in report["notes"])
    door.set(plausibility={"kerf_mm": 2})
    assert sizes(door)["details"]["readings_beyond_kerf"] == 0


def test_sizes_after_rework_and_of_bevelled_cuts_are_left_out(door: Door) -> None:
    taken(door, opened("J", bevel_deg=30))
    on_plate(door, "P1", ("outside", 250, 250.2))
    on_plate(door, "P2", ("outside", 250, 250.4), job="J")
    taken(door, inspected("A-P1", ("outside", 250, 250.01), stage="after_rework"))
    report = sizes(door)
    assert [row["mean_deviation_mm"] for row in report["rows"]] == [pytest.approx(0.2)]
    details = report["details"]
    assert (details["readings_after_rework"], details["readings_of_bevelled_cuts"]) == (1, 1)
    assert any("1 size of a bevelled cut is left out" in note for note in report["notes"])
    assert [row["readings"] for row in sizes(door, by="bevel")["rows"]] == [1, 1]


def test_without_sizes_there_are_no_rows_and_a_note(door: Door) -> None:
    door.told(cut())
    report = sizes(door)
    assert report["rows"] == []
    assert report["notes"][0].startswith("no size was measured in this window")


# --- published figures ------------------------------------------------------------------------------------------


def test_mean_01_upper_limit_by_student(door: Door) -> None:
    # MEAN-01 [read in stored copy]: R package EnvStats, ?elnormAlt, chromium data (USEPA 1992d, Highlight 8): mean
    # 175.4667, sd 318.544, one-sided 95 % upper limit 320.3304; here as hundredths of a mm
    values = (10, 13, 20, 36, 41, 59, 67, 110, 110, 136, 140, 160, 200, 230, 1300)
    door.set(plausibility={"kerf_mm": 20})
    for number, value in enumerate(values):
        on_plate(door, None, ("distance", 1000, 1000 + value / 100), attempt=f"A{number}")
    (row,) = sizes(door, confidence=0.9)["rows"]
    assert row["mean_deviation_mm"] == pytest.approx(1.754667, abs=6e-7)
    assert row["standard_deviation_mm"] == pytest.approx(3.18544, abs=6e-6)
    assert row["mean_deviation_high_mm"] == pytest.approx(3.203304, abs=6e-7)


def test_cap_04_pp_and_ppk_with_their_intervals(door: Door) -> None:
    # CAP-04 [read in stored copy]: test suite of R package qcc, test-capability.R; limits 9.9 and 10.1
    values = (10.0, 10.02, 9.98, 10.01, 10.03, 9.99, 10.01, 10.0, 9.97, 10.04, 10.02, 9.99)
    taken(door, opened("J", size_tolerance_mm=0.1))
    for number, value in enumerate(values):
        on_plate(door, None, ("outside", 10, value), attempt=f"A{number}", job="J")
    (row,) = sizes(door)["rows"]
    assert (row["tolerance_mm"], row["tolerance_of"], row["in_tolerance"]) == (0.1, "job", 1)
    assert [row[f"pp{end}"] for end in ("", "_low", "_high")] == pytest.approx([1.612598, 0.949773, 2.27641], abs=5e-5)
    assert [row[f"ppk{end}"] for end in ("", "_low", "_high")] == pytest.approx(
        [1.531968, 0.864608, 2.199329], abs=5e-5
    )


def test_cap_04_is_the_same_where_jobs_have_different_tolerances(door: Door) -> None:
    # The same deviations, those of every second job twice as large, and twice the tolerance
    values = (10.0, 10.02, 9.98, 10.01, 10.03, 9.99, 10.01, 10.0, 9.97, 10.04, 10.02, 9.99)
    taken(door, opened("J1", size_tolerance_mm=0.1), opened("J2", size_tolerance_mm=0.2))
    for number, value in enumerate(values):
        factor = 1 + number % 2
        found = round(10 + factor * (value - 10), 6)
        on_plate(door, None, ("outside", 10, found), attempt=f"A{number}", job=f"J{factor}")
    (row,) = sizes(door)["rows"]
    assert (row["tolerance_mm"], row["readings_with_tolerance"]) == (None, 12)
    assert (row["pp"], row["ppk"]) == (pytest.approx(1.612598, abs=5e-5), pytest.approx(1.531968, abs=5e-5))


def test_limit_deviations_of_the_tolerance_class_that_a_job_asks_for(door: Door) -> None:
    taken(door, opened("J1", cut_quality="ISO 9013-001"), opened("J2", cut_quality="ISO 9013-002:2017"))
    for number, (tolerance_class, mm, nominal, _) in enumerate(PUBLISHED_CASES):
        on_plate(door, f"P{number}", ("outside", nominal, nominal + 0.1), thickness_mm=mm, job=f"J{tolerance_class}")
    found = {row["plate"]: row for row in sizes(door, by="plate")["rows"]}
    for number, (tolerance_class, _, _, limit) in enumerate(PUBLISHED_CASES):
        row = found[f"P{number}"]
        if limit is None:
            assert (row["tolerance_mm"], row["tolerance_of"]) == (None, None)
            assert row["performance_reason"] == "the table has no value for this size at this thickness"
        else:
            assert (row["tolerance_mm"], row["tolerance_of"]) == (limit, f"ISO 9013:2017 class {tolerance_class}")
    assert any("limit deviations of ISO 9013:2017 are computed from published" in one for one in sizes(door)["notes"])


@pytest.mark.parametrize(
    ("asks", "tolerance", "reason"),
    [
        ({"size_tolerance_mm": 0.5, "cut_quality": "ISO 9013-001"}, 0.5, ONE_VALUE),
        ({"cut_quality": "ISO 9013-341"}, 0.75, ONE_VALUE),
        ({"cut_quality": "ISO 9013-340"}, None, NOTHING_ASKED),
        ({"cut_quality": "ISO 9013-341:2002"}, None, NOT_HELD),
        ({"size_tolerance_mm": 0}, None, NOTHING_ASKED),
        ({}, None, NOTHING_ASKED),
    ],
    ids=["job-before-class", "class", "no-class", "other-edition", "tolerance-of-nothing", "nothing"],
)  # fmt: skip
def test_whose_tolerance_it_is(door: Door, asks: dict[str, Any], tolerance: float | None, reason: str) -> None:
    taken(door, opened("J", **asks))
    on_plate(door, "P", ("outside", 500, 500.2), job="J")
    (row,) = sizes(door)["rows"]
    assert (row["tolerance_mm"], row["pp"], row["performance_reason"]) == (tolerance, None, reason)
    assert row["in_tolerance"] == (None if tolerance is None else 1)


def test_a_size_at_its_tolerance_keeps_to_it(door: Door) -> None:
    taken(door, opened("J", size_tolerance_mm=0.1))
    on_plate(door, "P", ("outside", 500, 500.1), ("outside", 500, 499.9), ("outside", 500, 500.101), job="J")
    (row,) = sizes(door)["rows"]
    assert row["in_tolerance"] == pytest.approx(2 / 3)
    assert row["in_tolerance_low"] < 2 / 3 < row["in_tolerance_high"]


def test_csv_has_the_columns_of_the_catalogue(door: Door) -> None:
    shop(door, 0.18)
    door.count()
    text = door.get("/v1/reports/sizes", month="2026-03", format="csv").text
    lines = list(csv.DictReader(io.StringIO(text)))
    assert [(line["machine"], line["feature"]) for line in lines] == [
        ("Laser 1", "outside"), ("Laser 1", "inside"), ("Laser 1", "distance"),
    ]  # fmt: skip
    described = next(one for one in door.read("/v1/reports")["reports"] if one["name"] == "sizes")
    assert set(lines[0]) <= {"machine", *(column["name"] for column in described["columns"])}


def test_it_can_be_asked_as_it_stood(door: Door) -> None:
    shop(door, 0.18)
    before = sizes(door)
    on_plate(door, "late", ("outside", 250, 250.9))
    assert sizes(door)["rows"] != before["rows"]
    assert sizes(door, at=before["as_of"]["position"])["rows"] == before["rows"]
