"""Report times through the door: planned against actual seconds, by metre and pierce, and what a good part takes."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.conftest import Door, cut, opened
from worker.stats.ratios import limits_of, rate_of

PLAN = {"planned_seconds": 100, "cut_length_mm": 2_000, "pierces_per_part": 4}


def run(name: str, seconds: float | None, *, parts: int = 2, **data: Any) -> dict[str, Any]:
    """An attempt at parts of job J on a plate of its own, all good unless told otherwise."""
    told: dict[str, Any] = {"job": "J", "plate": f"P-{name}", "quantity": parts}
    told["seconds"] = ... if seconds is None else seconds
    if not {"scrap", "rework", "outcome"} & set(data):
        told["good"] = parts
    return cut(name, **told | data)


def limits(row: dict[str, Any], name: str) -> tuple[Any, ...]:
    return row[name], row[f"{name}_low"], row[f"{name}_high"]


def expected(*clusters: tuple[float, float]) -> Any:
    found = limits_of(rate_of(clusters), confidence=0.95)
    return pytest.approx((found.value, found.low, found.high))


def test_times_are_sums_of_whole_cuts_over_sums_of_the_plan(door: Door) -> None:
    door.told(opened("J", **PLAN), run("a", 220), run("b", 180), run("c", 290))
    report = door.report("times")
    (row,) = report["rows"]
    assert (row["thickness_mm"], row["attempts"], row["plates"], row["parts"]) == (20, 3, 3, 6)
    assert (row["planned_seconds"], row["actual_seconds"], row["planned_share"]) == (600, 690, 1)
    # 690 of 600 seconds; 12 m; 24 pierces, as the job states them.
    assert limits(row, "time_ratio") == expected((220, 200), (180, 200), (290, 200))
    assert row["time_ratio"] == pytest.approx(1.15)
    assert (row["time_ratio_median"], row["time_ratio_p90"]) == pytest.approx((1.1, 1.1 + 0.8 * 0.35))
    assert (row["seconds_per_part"], row["seconds_per_part_median"]) == pytest.approx((115, 110))
    assert (row["metres"], row["pierces"]) == (12, 24)
    assert limits(row, "seconds_per_metre") == expected((220, 4), (180, 4), (290, 4))
    assert limits(row, "seconds_per_pierce") == expected((220, 8), (180, 8), (290, 8))
    assert (row["good_parts"], row["seconds_per_good_part"], row["good_part_ratio"]) == pytest.approx((6, 115, 1.15))
    assert {name: report["details"][name] for name in row if name != "thickness_mm"} == {
        name: value for name, value in row.items() if name != "thickness_mm"
    }


def test_what_a_good_part_takes_holds_what_failed(door: Door) -> None:
    door.told(
        opened("J", **PLAN),
        run("a", 200),
        run("b", 150, outcome="aborted", stop_reason="lost_cut", tried=1),
        run("c", 210, good=1, scrap=1),
        run("d", 190, good=1, rework=1),
    )
    (row,) = door.rows("times")
    # Whole cuts: 600 s of 6 parts, planned alike. All: 750 s, good 4; the part in rework leaves its plate out.
    assert (row["attempts"], row["parts"], row["actual_seconds"], row["time_ratio"]) == (4, 6, 600, 1)
    assert (row["good_parts"], row["seconds_per_good_part"]) == (3, pytest.approx(560 / 3))
    assert limits(row, "good_part_ratio") == expected((200, 200), (150, 0), (210, 100))


def test_a_retry_on_the_same_plate_counts_to_its_good_parts(door: Door) -> None:
    door.told(
        opened("J", **PLAN),
        run("a", 100, plate="P", piece="1", parts=1, scrap=1, time="2026-03-04T09:00:00Z"),
        run("b", 120, plate="P", piece="1", parts=1, time="2026-03-04T11:00:00Z"),
        run("c", 110, plate="Q", parts=1),
    )
    (row,) = door.rows("times")
    assert (row["plates"], row["good_parts"]) == (2, 2)
    assert limits(row, "seconds_per_good_part") == expected((220, 1), (110, 1))


def test_what_is_not_known_is_left_out_and_said(door: Door) -> None:
    door.told(
        opened("J", **PLAN), opened("K"), opened("N", planned_seconds=0),
        run("a", 220), run("b", 100, job="K"), run("c", 90, job="N"), run("d", None), run("e", 70, mode="resume"),
        run("f", 80, job="K", pierces=8, failed_pierces=0),
    )  # fmt: skip
    report = door.report("times")
    (row,) = report["rows"]
    assert (row["attempts"], row["attempts_without_seconds"], row["parts"], row["parts_planned"]) == (6, 1, 8, 2)
    assert (row["planned_seconds"], row["actual_seconds"], row["time_ratio"]) == (200, 220, 1.1)
    assert (row["time_ratio_low"], row["reason"]) == (None, "one plate tells no spread")
    assert (row["metres"], row["pierces"], row["seconds_per_pierce"]) == (4, 16, pytest.approx(300 / 16))
    assert "6 of 8 parts have no planned time: their jobs do not state planned_seconds" in report["notes"]
    assert "1 attempt is left out: it does not tell its time" in report["notes"]


def test_times_are_divided_and_filtered_like_all_reports(door: Door) -> None:
    door.told(
        opened("J", **PLAN), opened("K", planned_seconds=200),
        *(run(f"a{n}", 200 + n, machine="Laser 1", gas="oxygen") for n in range(3)),
        *(run(f"b{n}", 500 + n, job="K", machine="Laser 2", thickness_mm=40, gas="nitrogen") for n in range(3)),
    )  # fmt: skip
    by_machine = {row["machine"]: row for row in door.rows("times", by="machine")}
    assert {name: row["time_ratio"] for name, row in by_machine.items()} == pytest.approx(
        {"Laser 1": 603 / 600, "Laser 2": 1503 / 1200}
    )
    assert door.report("times", by="gas")["details"]["time_ratio"] == pytest.approx(2106 / 1800)
    (row,) = door.rows("times", thickness_mm=40)
    assert row["parts"] == 6
    assert [row["job"] for row in door.rows("times", by="job")] == ["J", "K"]
    assert door.report("times", by="job")["details"] == door.report("times", by="")["details"]
    assert any("1.17 times the planned time" in note for note in door.report("times")["notes"])
    assert any("a good part took 1.17 times" in note for note in door.report("times")["notes"])


def test_a_plate_with_parts_of_two_jobs_is_one_plate_over_all_and_two_by_job(door: Door) -> None:
    door.told(
        opened("J", **PLAN), opened("K", planned_seconds=50),
        *(run(f"{job}{n}", 100, job=job, plate=f"P{n}", parts=1) for n in range(2) for job in "JK"),
    )  # fmt: skip
    report = door.report("times", by="job")
    assert [row["plates"] for row in report["rows"]] == [2, 2]
    assert report["details"]["plates"] == 2
    assert limits(report["details"], "time_ratio") == expected((200, 150), (200, 150))


def test_days_that_wait_for_verdicts_are_left_out(door: Door) -> None:
    waits = cut("w", job="J", quantity=9, seconds=900, time="2026-03-05T10:00:00Z")
    door.told(opened("J", **PLAN), run("a", 220), waits)
    report = door.report("times")
    assert report["rows"][0]["attempts"] == 1
    assert any(note.startswith("1 production day is left out") for note in report["notes"])


def test_nothing_cut_gives_no_row(door: Door) -> None:
    report = door.report("times")
    assert (report["rows"], report["details"]["attempts"], report["details"]["time_ratio"]) == ([], 0, None)


def test_a_plate_that_gave_nothing_good_widens_what_a_good_part_takes() -> None:
    # A ratio of sums over plates: one without a good part has an amount and no size.
    even = limits_of(rate_of([(100, 1), (100, 1), (100, 1)]), confidence=0.95)
    uneven = limits_of(rate_of([(100, 0), (100, 2), (100, 1)]), confidence=0.95)
    assert even.value == uneven.value == 100
    assert uneven.high is not None
    assert uneven.high > 150


def test_times_and_wear_are_described_and_had_as_tables(door: Door) -> None:
    door.told(opened("J", **PLAN), run("a", 220))
    described = {one["name"]: one for one in door.read("/v1/reports")["reports"]}
    assert [option["name"] for option in described["wear"]["options"]] == ["use", "tolerance", "pierce_target"]
    for name in ("times", "wear"):
        text = door.get(f"/v1/reports/{name}", month="2026-03", format="csv").text
        columns = [column["name"] for column in described[name]["columns"]]
        assert text.splitlines()[0].endswith(",".join(columns[-4:]))
        assert door.get(f"/v1/reports/{name}", month="2026-03", format="xlsx").status_code == 200
