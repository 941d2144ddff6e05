"""Report limit through the door: what is promised, what is proven, what is refused and why."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.conftest import Door, cut, received
from worker.cautions import CAUTIONS

Event = dict[str, Any]
CLEAN, DISTURBED = {"preparation_grade": "Sa 2.5"}, {"rust_grade": "C"}
#: Good parts on each of four plates of ten parts, by thickness.
FALLING = {10: (10, 10, 10, 10), 15: (10, 9, 10, 10), 20: (9, 8, 9, 10), 25: (6, 5, 7, 4)}


def plates(told: dict[int, tuple[int, ...]], *, of: int = 10, surface: Any = None, **stated: Any) -> list[Event]:
    """A plate for each number of good parts, on which so many parts are cut."""
    events: list[Event] = []
    machine = stated.get("machine", "Laser 1")
    for mm, goods in told.items():
        for number, good in enumerate(goods):
            name = f"{machine} {mm} {number} {'' if surface is None else sorted(surface)}"
            made = {"quantity": of, "good": good, "scrap": of - good}
            if surface is not None:
                events.append(received(name, thickness_mm=mm, **surface))
            events.append(
                cut(name, **{"plate": name, "machine": machine, "gas": "oxygen", "thickness_mm": mm, **made} | stated)
            )  # noqa: E501
    return events


def limit_row(door: Door, **asked: Any) -> dict[str, Any]:
    (row,) = door.rows("limit", **asked)
    return row


def test_a_falling_yield_gives_a_limit_a_promise_and_what_is_proven(door: Door) -> None:
    door.told(*plates(FALLING))
    report = door.report("limit", target="0.8")
    (row,) = report["rows"]
    assert (row["material"], row["machine"], row["gas"]) == ("S355", "Laser 1", "oxygen")
    assert (row["surface_group"], row["thermal_history"]) == (None, None)
    assert (row["parts"], row["plates"], row["thicknesses"]) == (160, 16, 4)
    assert (row["thinnest_mm"], row["thickest_mm"]) == (10, 25)
    assert 15 < row["thickness_low_mm"] < row["promised_mm"] < row["thickness_mm"] < row["thickness_high_mm"] < 25
    assert row["reason"] is row["limits_reason"] is row["promised_reason"] is None
    # 36 of 40 parts at 20 mm: their exact lower bound, 0.786, is not at 80 %; 39 of 40 at 15 mm prove it.
    assert row["proven_mm"] == 15
    points = {point["thickness_mm"]: point for point in report["details"]["points"]}
    assert row["proven_share"] == points[15]["lower_bound"] >= 0.8 > points[20]["lower_bound"]
    assert [points[mm]["good"] for mm in FALLING] == [sum(goods) for goods in FALLING.values()]
    assert report["details"]["target"] == 0.8
    assert report["cautions"] == list(CAUTIONS)
    assert report["notes"][0].startswith("Laser 1, S355, oxygen, surface not noted, thermal history not noted: 80 % ")


def test_the_band_is_drawn_over_what_was_tried_and_passes_the_target_at_the_limits(door: Door) -> None:
    door.told(*plates(FALLING))
    report = door.report("limit", target="0.8")
    (row,), band = report["rows"], report["details"]["band"]
    assert (len(band), band[0]["thickness_mm"], band[-1]["thickness_mm"]) == (25, 10, 25)
    assert all(0 <= point["low"] <= point["share"] <= point["high"] <= 1 for point in band)
    shares = [point["share"] for point in band]
    assert shares == sorted(shares, reverse=True)
    for limit, side in (("thickness_low_mm", "low"), ("thickness_mm", "share"), ("thickness_high_mm", "high")):
        above = [point["thickness_mm"] for point in band if point[side] > 0.8]
        assert max(above) <= row[limit] <= min(mm["thickness_mm"] for mm in band if mm["thickness_mm"] > max(above))


def test_clean_and_disturbed_plate_are_answered_apart(door: Door) -> None:
    worse = {10: (10, 9, 9, 10), 15: (8, 7, 9, 8), 20: (5, 6, 4, 7)}
    door.told(*plates(FALLING, surface=CLEAN), *plates(worse, surface=DISTURBED))
    report = door.report("limit", target="0.8")
    clean, disturbed = report["rows"]
    assert (clean["surface_group"], disturbed["surface_group"]) == ("clean", "disturbed")
    assert disturbed["thickness_mm"] < clean["thickness_mm"]
    assert clean["slope"] == disturbed["slope"]
    (shift, _) = report["details"]["conditions"]
    assert (shift["condition"], shift["reason"]) == ("disturbed surface", None)
    assert shift["shift_low"] < shift["shift"] < shift["shift_high"] < 0
    # Asked for alone, clean plate has a curve of its own.
    assert limit_row(door, target="0.8", surface_group="clean")["parts"] == 160


def test_materials_machines_and_gases_have_curves_of_their_own_not_known_last(door: Door) -> None:
    door.told(
        *plates(FALLING), *plates(FALLING, machine="Laser 2"), *plates(FALLING, machine="Laser 3", material="S235"),
        *plates(FALLING, machine="Laser 4", gas=...),
    )  # fmt: skip
    rows = door.rows("limit")
    assert [(row["material"], row["machine"], row["gas"]) for row in rows] == [
        ("S235", "Laser 3", "oxygen"), ("S355", "Laser 1", "oxygen"), ("S355", "Laser 2", "oxygen"),
        ("S355", "Laser 4", None),
    ]  # fmt: skip
    assert len(door.report("limit")["details"]["curves"]) == 4


# --- refusals ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "reason", "proven"),
    [
        pytest.param({10: (1,) * 30, 20: (1,) * 30, 32: (1,) * 30},
                     "nothing failed: above the thickest tried, 32 mm", 32, id="nothing-failed"),
        pytest.param({10: (0, 0), 20: (0, 0), 32: (0, 0)}, "all failed: below the thinnest tried, 10 mm", None,
                     id="all-failed"),
        pytest.param({10: (30,) * 8, 20: (10, 12) * 4}, "too few thicknesses tried", 10, id="two-thicknesses"),
        pytest.param({10: (12, 14), 20: (20, 21), 32: (27, 28)}, "the yield does not fall with thickness", None,
                     id="rising"),
        pytest.param({10: (29, 30) * 3, 20: (29, 29) * 3, 32: (29, 28) * 3}, "above the thickest tried, 32 mm", 10,
                     id="above"),
    ],
)  # fmt: skip
def test_what_gives_no_thickness_says_why_and_what_is_proven_all_the_same(
    door: Door, told: dict[int, tuple[int, ...]], reason: str, proven: int | None
) -> None:
    # Where nothing varies a plate counts as one part: thirty good ones have a bound of 0.05^(1/30) = 0.905.
    door.told(*plates(told, of=1 if set(told[10]) == {1} else 30))
    report = door.report("limit", target="0.9")
    (row,) = report["rows"]
    assert (row["thickness_mm"], row["reason"]) == (None, reason)
    if proven is None:
        assert row["proven_mm"] is row["proven_share"] is None
    else:
        assert row["proven_mm"] >= proven
        assert row["proven_share"] >= 0.9
    assert reason in report["notes"][0]
    assert [point["thickness_mm"] for point in report["details"]["points"]] == list(told)


def test_too_few_parts_are_no_curve(door: Door) -> None:
    door.told(*plates({10: (3,), 15: (3,), 20: (1,)}, of=3))
    row = limit_row(door)
    assert (row["reason"], row["method"], row["slope"]) == ("too few parts", None, None)
    assert door.report("limit")["details"]["band"] == []


def test_a_slope_that_chance_may_explain_has_no_limits_and_no_promise(door: Door) -> None:
    door.told(*plates({10: (9, 8), 15: (8, 8), 20: (8, 7)}))
    row = limit_row(door, target="0.8")
    assert row["limits_reason"] == row["promised_reason"]
    assert row["limits_reason"].startswith("no finite limit")
    assert (row["thickness_low_mm"], row["thickness_high_mm"], row["promised_mm"]) == (None, None, None)


def test_separated_plates_get_firths_limit_and_a_promise_that_good_parts_prove(door: Door) -> None:
    # Single parts: thirty good ones prove 90 % at 95 %.
    door.told(*(each for mm, good in ((10, 1), (15, 1), (20, 1), (25, 0)) for each in plates({mm: (good,) * 30}, of=1)))
    row = limit_row(door)
    assert row["method"] == "Firth's penalised likelihood"
    assert 20 < row["thickness_mm"] < 25
    assert row["promised_mm"] <= row["proven_mm"] == 20


def test_one_plate_proves_nothing_however_many_days_it_is_cut_on(door: Door) -> None:
    days = [f"2026-03-{day:02}T12:00:00Z" for day in range(1, 31)]
    one = [cut(f"A {day}", plate="P", machine="Laser 1", time=day, good=1) for day in days]
    door.told(*one)
    assert limit_row(door)["plates"] == 30
    assert limit_row(door)["proven_mm"] is None
    door.told(cut("B", plate="P-2", machine="Laser 1", time=days[0], good=1))
    assert (limit_row(door)["proven_mm"], limit_row(door)["plates"]) == (20, 31)


def test_while_nothing_tells_how_alike_parts_of_a_plate_are_a_plate_counts_as_one_part(door: Door) -> None:
    door.told(*plates({20: (30, 30, 30, 30)}, of=30))
    report = door.report("limit")
    assert (report["rows"][0]["parts"], report["rows"][0]["proven_mm"]) == (120, None)
    assert report["details"]["points"][0]["lower_bound"] == pytest.approx(0.05 ** (1 / 4))
    assert "nothing tells how alike parts of one plate are: a plate counts as one part" in report["notes"]


# --- what is said -----------------------------------------------------------------------------------------------


def test_a_thickness_that_yields_less_than_thicker_plate_is_a_matter_of_settings(door: Door) -> None:
    door.told(*plates({10: (10,) * 6, 15: (3, 4, 2, 5, 3, 4), 20: (9, 8, 9, 9, 10, 9), 25: (2, 1, 3, 2, 2, 1)}))
    report = door.report("limit")
    (dip,) = report["details"]["breaks"]
    assert (dip["thickness_mm"], dip["beyond_from_mm"], dip["beyond_to_mm"]) == (15, 20, 20)
    assert (dip["share"], dip["beyond_share"]) == (21 / 60, pytest.approx(54 / 60))
    assert 0 < dip["gap_low"] < dip["gap"] < dip["gap_high"]
    (note,) = [note for note in report["notes"] if "settings" in note]
    assert "15 mm yields 35%, thicker plate (20 mm) 90%" in note


def test_a_dip_that_chance_explains_is_no_matter_of_settings(door: Door) -> None:
    door.told(*plates({10: (10, 10), 15: (9, 8), 20: (9, 9), 25: (2, 1)}))
    report = door.report("limit")
    assert [dip["thickness_mm"] for dip in report["details"]["breaks"]] == [15]
    assert not any("settings" in note for note in report["notes"])


def test_notes_stay_few_whatever_the_number_of_machines(door: Door) -> None:
    for machine in range(20):
        door.post(plates({10: (5,), 15: (4,), 20: (1,)}, of=5, machine=f"M{machine:02}"))
    door.count()
    report = door.report("limit")
    assert len(report["rows"]) == 20
    assert "these are the 12 with most parts; the other 8 are in the rows" in report["notes"]
    assert len(report["notes"]) < 25


def test_all_purposes_count_and_parts_lost_otherwise_or_cut_with_a_bevel_do_not(door: Door) -> None:
    dropped = cut("dropped", plate="D", machine="Laser 1", gas="oxygen", quantity=3, good=1, scrap=2,
                  causes=[{"term": "handling", "certainty": "confirmed"}])  # fmt: skip
    trial = cut("trial", machine="Laser 1", gas="oxygen", good=1, purpose="trial")
    door.told(*plates(FALLING), dropped, trial, cut("nowhere", good=1, thickness_mm=..., material=...))
    report = door.report("limit")
    # 160 parts, the good one of the three dropped ones, the trial.
    (row,) = report["rows"]
    assert row["parts"] == 162
    assert any("2 parts are left out, lost to a confirmed cause" in note for note in report["notes"])
    assert any("1 of trial" in note for note in report["notes"])
    assert any(
        "1 part is left out, since the thickness or the material is not known" in note for note in report["notes"]
    )
    assert limit_row(door, purpose="trial")["parts"] == 1


# --- what is asked ----------------------------------------------------------------------------------------------


def test_target_and_confidence_are_those_of_the_site_unless_told(door: Door) -> None:
    door.told(*plates(FALLING))
    usual = door.report("limit")
    assert (usual["details"]["target"], usual["confidence"]) == (0.9, 0.95)
    door.set(targets={"first_pass_yield": 0.8, "confidence": 0.9})
    of_site = door.report("limit")
    assert (of_site["details"]["target"], of_site["confidence"]) == (0.8, 0.9)
    assert of_site["rows"] == door.rows("limit", target="0.8", confidence="0.9")
    assert of_site["rows"][0]["thickness_mm"] > usual["rows"][0]["thickness_mm"]
    # At even odds a promise is the estimate itself.
    even = limit_row(door, confidence="0.5")
    assert even["promised_mm"] == pytest.approx(even["thickness_mm"], rel=1e-3)


def test_the_usual_window_is_half_a_year(door: Door) -> None:
    report = door.read("/v1/reports/limit")
    assert (report["window"]["from"], report["window"]["to"]) == ("2026-07-20", "2027-01-17")
    assert report["rows"] == []
    assert "nothing was judged here: widen the window or leave out a filter" in report["notes"]


@pytest.mark.parametrize("target", ["0.4", "1", "90", "high", ""])
def test_a_target_out_of_range_is_refused_by_name(door: Door, target: str) -> None:
    answer = door.get("/v1/reports/limit", target=target)
    assert answer.status_code == 422
    (error,) = answer.get_json()["errors"]
    assert error["parameter"] == "target"
    assert "from 0.5 to 0.999" in error["detail"]


def test_more_rows_than_anyone_reads_are_refused(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("worker.reports.thickness_promise.MOST_ROWS", 1)
    door.told(*plates({10: (5,)}), *plates({10: (5,)}, machine="Laser 2"))
    answer = door.get("/v1/reports/limit", month="2026-03")
    assert answer.status_code == 422
    assert answer.get_json()["errors"] == [
        {"parameter": "machine", "detail": "is needed: there are 2 rows, and no more than 1 are answered; or filter by "
         "material"}
    ]  # fmt: skip
    assert limit_row(door, machine="Laser 2")["parts"] == 10


def test_it_answers_as_it_stood(door: Door) -> None:
    door.told(*plates(FALLING))
    before = door.report("limit")
    door.told(*plates({25: (0,) * 8}, surface=CLEAN))
    assert door.report("limit")["rows"] != before["rows"]
    then = door.report("limit", at=before["as_of"]["position"])
    assert (then["rows"], then["details"]) == (before["rows"], before["details"])


def test_the_catalogue_tells_what_its_lists_hold(door: Door) -> None:
    told = {report["name"]: report for report in door.read("/v1/reports")["reports"]}["limit"]
    lists = {detail["name"]: [item["name"] for item in detail["items"]] for detail in told["details"]}
    assert lists["target"] == []
    assert {"thickness_mm", "share", "low", "high"} < set(lists["band"])
    assert told["last"] == "26w"


def test_no_filter_changes_how_alike_parts_of_a_plate_are_taken_for(door: Door) -> None:
    """Plates of one machine fail as a whole, those of the other do not: each alone would tell another correlation."""
    whole: dict[int, tuple[int, ...]] = {10: (10, 10, 10, 10), 15: (10, 0, 10, 10), 20: (10, 10, 0, 0)}
    first, second = ({"name": "S355", "revision": revision} for revision in ("a", "b"))
    door.told(
        *plates(FALLING, machine="Laser 1", recipe=first),
        *plates(whole, machine="Laser 2", recipe=second),
    )
    together = door.report("limit")
    assert together["details"]["correlation"] is not None
    for machine in ("Laser 1", "Laser 2"):
        alone = door.report("limit", machine=machine)
        assert alone["details"]["correlation"] == together["details"]["correlation"]
        assert alone["rows"] == [row for row in together["rows"] if row["machine"] == machine]
    standing = door.report("standing", machine="Laser 1")
    assert standing["details"]["correlation"] == together["details"]["correlation"]
