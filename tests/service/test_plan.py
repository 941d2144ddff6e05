"""GET and POST /v1/plan: how many to start, with what, and what that takes. Through the door, on both databases."""

from __future__ import annotations

import csv
import io
import math
from datetime import date, timedelta
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.cautions import CAUTIONS
from worker.folding import instant_us
from worker.keys import ROLES

FIRST = date(2026, 1, 5)
PAST = {"from": "2026-01-01", "to": "2026-12-31"}
RATES = {
    "currency": "EUR", "labour_per_hour": 46, "machine_per_hour": 120, "material_per_kg": 1.5,
    "machines": [{"name": "laser-2", "per_hour": 180}],
}  # fmt: skip


def on(day: int) -> str:
    return f"{FIRST + timedelta(days=day)}T12:00:00Z"


def single(door: Door, good: int, bad: int, *, mm: float = 28, name: str = "", **stated: Any) -> None:
    """Attempts of one part on a plate of their own, a few a day."""
    stated = {"machine": "laser-2", "gas": "oxygen", "seconds": 90} | stated
    door.post(
        [
            cut(
                f"A{name}-{mm:g}-{index}", thickness_mm=mm, quantity=1, time=on(index // 4),
                **({"good": 1} if index < good else {"scrap": 1}), **stated,
            )
            for index in range(good + bad)
        ]
    )  # fmt: skip


def plates(door: Door, goods: list[int], *, parts: int = 8, mm: float = 28, name: str = "", **stated: Any) -> None:
    """A plate a day with one attempt on it, of which so many parts were good and the others scrap."""
    stated = {"machine": "laser-2", "gas": "oxygen", "seconds": 90 * parts} | stated
    plate = {key: stated.pop(key) for key in ("preparation_grade", "rust_grade") if key in stated}
    events = []
    for index, good in enumerate(goods):
        of = f"{name}-{mm:g}-{index}"
        events += [
            received(f"P{of}", thickness_mm=mm, time=on(index - 1), **plate),
            cut(
                f"A{of}", plate=f"P{of}", thickness_mm=mm, quantity=parts, good=good, scrap=parts - good,
                time=on(index), **stated,
            ),
        ]  # fmt: skip
    door.post(events)


def asked(door: Door, **parameters: Any) -> dict[str, Any]:
    usual = {"parts": 10, "thickness_mm": 28, "material": "S355", **PAST}
    found: dict[str, Any] = door.read(
        "/v1/plan", **{name: value for name, value in (usual | parameters).items() if value is not ...}
    )
    return found


def planned(door: Door, **parameters: Any) -> dict[str, Any]:
    found: dict[str, Any] = asked(door, **parameters)["plan"]
    return found


def listed(door: Door, parts: list[dict[str, Any]], *, key: str = "admin", status: int = 200, **more: Any) -> Any:
    answer = door.ask("POST", "/v1/plan", key=key, query_string=PAST, json={"parts": parts, **more})
    assert answer.status_code == status, answer.text
    return answer.json


# --- the numbers of the page of methods -------------------------------------------------------------------------


def test_eighteen_of_twenty_good_ask_for_fifteen_starts_where_thirteen_would_do_were_the_yield_known(
    door: Door,
) -> None:
    single(door, 18, 2)
    door.count()
    found = planned(door)
    # 6-statistics: beta-binomial predictive, Jeffreys: 15 for 10 at 95 %, not 13.
    assert (found["starts"], found["starts_if_known"]) == (15, 13)
    assert found["chance"] >= 0.95
    assert found["share_of_uncertainty"] == pytest.approx(2 / 15)
    of_yield = found["expected_yield"]
    assert (of_yield["source"], of_yield["good"], of_yield["parts"], of_yield["effective_n"]) == ("cell", 18, 20, 20)
    assert of_yield["low"] < 0.9 < of_yield["high"]
    assert "2 of the 15 are started only because the yield is not known better" in " ".join(found["notes"])


def test_more_parts_or_more_assurance_never_ask_for_fewer_starts_and_better_history_never_for_more(door: Door) -> None:
    single(door, 24, 6)
    single(door, 27, 3, mm=30)
    door.count()
    by_assurance = [planned(door, assurance=each)["starts"] for each in (0.5, 0.8, 0.95, 0.999)]
    by_parts = [planned(door, parts=each)["starts"] for each in (1, 2, 10, 11, 40)]
    assert by_assurance == sorted(by_assurance)
    assert by_assurance[0] < by_assurance[-1]
    assert by_parts == sorted(by_parts)
    assert planned(door, thickness_mm=30)["starts"] <= planned(door)["starts"]


def test_the_other_way_starts_fewer_inspects_and_cuts_the_rest(door: Door) -> None:
    single(door, 18, 2)
    door.count()
    found = planned(door)["top_up"]
    assert found["first"] == 10
    assert 10 <= found["low"] <= found["expected"] <= found["high"]
    assert found["expected"] < 15
    assert found["chance"] >= 0.95
    assert 0 < found["second_chance"] < 1


# --- plates -----------------------------------------------------------------------------------------------------


def test_parts_of_one_plate_that_fail_together_ask_for_more(door: Door) -> None:
    plates(door, [8, 8, 8, 1, 8, 8, 8, 0, 8, 8] * 3)
    door.count()
    found = planned(door, parts=40, parts_a_plate=8)
    of_yield = found["expected_yield"]
    assert of_yield["correlation"] > 0.5
    assert of_yield["correlation_ahead"] > of_yield["correlation"]
    assert of_yield["design_effect"] > 3
    assert (of_yield["parts"], of_yield["plates"], found["plates"]["parts_a_plate"]) == (240, 30, 8)
    assert found["plates"]["needed"] == -(-found["starts"] // 8)
    apart = planned(door, parts=40, parts_a_plate=1)
    assert apart["starts"] < found["starts"]
    assert apart["plates"]["needed"] == apart["starts"]
    assert any("stand or fall together" in note for note in found["notes"])


def test_plates_are_estimated_from_size_and_mass_by_how_full_past_plates_were(door: Door) -> None:
    # A plate of 1 m x 2 m x 20 mm has 314 kg; eight parts of 19.625 kg are half of it.
    door.post([opened("J", part_mass_kg=19.625, planned_seconds=60)])
    for index in range(5):
        plate = f"P{index}"
        door.post(
            [
                received(plate, length_mm=2000, width_mm=1000, time=on(index - 1)),
                cut(f"A{index}", plate=plate, job="J", quantity=8, good=8, machine="laser-2", time=on(index)),
                event("plate.closed", plate, reason="used", time=on(index + 1)),
            ]
        )
    door.count()
    asks = {"thickness_mm": 20, "job": "J", "plate_length_mm": 3000, "plate_width_mm": 1500}
    found = planned(door, **asks)["plates"]
    # 3 m x 1.5 m x 20 mm has 706.5 kg; half of it is 18 parts.
    assert found["parts_a_plate"] == 18
    assert found["source"].startswith("estimated: 50% of the steel of 5 closed plates")
    assert planned(door, **asks, parts_a_plate=4)["plates"]["source"] == "asked"
    nothing = planned(door, thickness_mm=20)["plates"]
    assert nothing["needed"] is None
    assert nothing["reason"].startswith("give parts_a_plate")


# --- minutes, scrap, cost ---------------------------------------------------------------------------------------


def test_minutes_scrap_and_cost_follow_the_starts_at_the_rates_of_the_site(door: Door) -> None:
    door.set(rates=RATES)
    single(door, 18, 2, seconds=90)
    door.count()
    found = planned(door, part_mass_kg=10)
    starts = found["starts"]
    assert found["blanks"] == starts == 15
    minutes, scrap, cost = found["machine_minutes"], found["scrap_mass_kg"], found["cost"]
    assert minutes["expected"] == pytest.approx(starts * 1.5)
    # All took 90 s: there is nothing to vary.
    assert (minutes["low"], minutes["high"], minutes["n"]) == (pytest.approx(22.5), pytest.approx(22.5), 20)
    assert scrap["expected"] == pytest.approx(10 * (starts - found["good_expected"]))
    assert (scrap["low"], scrap["high"]) == (10 * (starts - found["good_high"]), 10 * (starts - found["good_low"]))
    assert found["rework_minutes"]["expected"] == 0
    # The machine's own rate, no rework, scrap by the kilogram.
    assert cost["expected"] == pytest.approx(22.5 / 60 * 180 + scrap["expected"] * 1.5)
    assert found["currency"] == "EUR"


def test_times_that_vary_give_a_range_and_rework_costs_labour(door: Door) -> None:
    door.set(rates=RATES)
    for day in range(12):
        name = f"A{day}"
        stated = {"thickness_mm": 28, "machine": "laser-2", "gas": "oxygen", "quantity": 4, "time": on(day)}
        door.post(
            [
                cut(name, good=3, rework=1, seconds=300 + 20 * (day % 5), **stated),
                event("attempt.reworked", name, operation="grinding", minutes=6 + day % 3, parts=1, recovered=1,
                      time=on(day)),
            ]
        )  # fmt: skip
    door.count()
    found = planned(door, parts=20, part_mass_kg=2)
    minutes, rework = found["machine_minutes"], found["rework_minutes"]
    assert minutes["low"] < minutes["expected"] < minutes["high"]
    assert minutes["expected"] == pytest.approx(
        found["starts"] * sum(300 + 20 * (day % 5) for day in range(12)) / 48 / 60
    )
    assert rework["expected"] == pytest.approx(found["starts"] * 7 * 12 / 48)
    assert rework["low"] < rework["expected"] < rework["high"]
    # Every part that was not good at once was recovered: nothing is lost, and rework makes more good parts.
    assert found["scrap_mass_kg"]["expected"] == 0
    assert found["cost"]["low"] < found["cost"]["expected"] < found["cost"]["high"]
    assert any("12 of 12 parts that were not became good by rework" in note for note in found["notes"])


def test_a_shop_without_rework_has_an_upper_limit_of_its_cost(door: Door) -> None:
    door.set(rates=RATES)
    single(door, 18, 2)
    door.count()
    found = planned(door, part_mass_kg=10)
    assert (found["rework_minutes"]["expected"], found["rework_minutes"]["high"]) == (0, None)
    assert found["rework_minutes"]["reason"] == "none so far, with this material: no upper limit"
    assert found["cost"]["low"] < found["cost"]["expected"] < found["cost"]["high"]
    assert "rework: none so far" in found["cost"]["reason"]
    # Rework at another thickness tells how much there would be.
    door.post(
        [
            cut("R", thickness_mm=30, machine="laser-2", gas="oxygen", quantity=2, good=1, rework=1, time=on(1)),
            event("attempt.reworked", "R", operation="grinding", minutes=8, parts=1, recovered=1, time=on(1)),
        ]
    )
    door.count()
    other = planned(door, part_mass_kg=10)
    # 4 minutes a part, on as many of 20 clusters as Wilson's upper limit of 0 of 20 allows at 90 %.
    most = 1.6448536**2 / (20 + 1.6448536**2)
    days = other["rework_minutes"]["high"] / (4 * other["starts"])
    assert other["rework_minutes"]["expected"] == 0
    assert most < days < 1
    assert other["cost"]["high"] > found["cost"]["high"]


@pytest.mark.parametrize(
    ("rates", "asks", "reason"),
    [
        ({}, {"part_mass_kg": 1}, "no rate for a machine-hour"),
        ({"currency": "EUR", "machine_per_hour": 120}, {"part_mass_kg": 1}, "no rate for an hour of labour"),
        (RATES, {}, "the mass of a part is not known"),
    ],
    ids=["no rates", "no labour rate", "no mass"],
)
def test_cost_is_null_with_a_reason_where_something_is_not_known(
    door: Door, rates: dict[str, Any], asks: dict[str, Any], reason: str
) -> None:
    if rates:
        door.set(rates=rates)
    single(door, 18, 2)
    door.count()
    cost = planned(door, **asks)["cost"]
    assert (cost["expected"], cost["low"], cost["high"]) == (None, None, None)
    assert reason in cost["reason"]


def test_seconds_that_are_asked_or_planned_by_the_job_go_before_those_of_the_past(door: Door) -> None:
    single(door, 18, 2, seconds=90)
    door.post([opened("J", thickness_mm=28, planned_seconds=60, part_mass_kg=3, quantity=10)])
    door.count()
    of_job = planned(door, parts=..., thickness_mm=..., material=..., job="J")
    assert (of_job["parts"], of_job["starts"], of_job["material"]) == (10, 15, "S355")
    assert of_job["machine_minutes"]["expected"] == pytest.approx(15)
    assert "planned by the job" in of_job["machine_minutes"]["reason"]
    assert of_job["scrap_mass_kg"]["expected"] is not None
    assert planned(door, job="J", seconds_a_part=30)["machine_minutes"]["expected"] == pytest.approx(7.5)


def test_full_plates_are_chosen_by_filters_and_then_counted_whole(door: Door) -> None:
    # Half of a plate is cut as production, a quarter as trial, a day later: three quarters of its steel became parts.
    door.post([opened("J", part_mass_kg=19.625)])
    for index in range(3):
        plate, stated = f"P{index}", {"job": "J", "machine": "laser-2", "gas": "oxygen"}
        door.post(
            [
                received(plate, length_mm=2000, width_mm=1000, time=on(index - 1)),
                cut(f"A{index}", plate=plate, quantity=8, good=8, time=on(index), **stated),
                cut(f"B{index}", plate=plate, quantity=4, good=4, purpose="trial", time=on(index + 1), **stated),
                event("plate.closed", plate, reason="used", time=on(index + 2)),
            ]
        )
    # A plate with parts whose mass nobody told is left out, whatever the filters
    door.post(
        [
            received("PX", length_mm=2000, width_mm=1000, time=on(0)),
            cut("AX", plate="PX", quantity=8, good=8, job="J", machine="laser-2", gas="oxygen", time=on(1)),
            cut("BX", plate="PX", quantity=1, good=1, job="J0", purpose="trial", machine="laser-2", time=on(1)),
            event("plate.closed", "PX", reason="used", time=on(2)),
        ]
    )
    door.count()
    asks = {"thickness_mm": 20, "job": "J", "plate_length_mm": 2000, "plate_width_mm": 1000}
    for filters in ({}, {"purpose": "production"}, {"purpose": "trial"}):
        found = planned(door, **asks, **filters)["plates"]
        assert (found["parts_a_plate"], found["source"][:48]) == (
            12,
            "estimated: 75% of the steel of 3 closed plates o",
        )
    # Only the first plate was cut on the first day, and it counts whole.
    assert "75% of the steel of 1 closed plate " in planned(door, **asks, to="2026-01-05")["plates"]["source"]


# --- where the yield comes from ---------------------------------------------------------------------------------


def thicknesses(door: Door) -> None:
    """30 parts at each of five thicknesses, fewer of them good the thicker; 28 mm was tried on five parts."""
    for mm, good in ((15, 30), (20, 29), (25, 28), (30, 25), (40, 18)):
        single(door, good, 30 - good, mm=mm)
    single(door, 4, 1, mm=28)


def test_thin_history_borrows_from_neighbouring_thicknesses_and_says_so(door: Door) -> None:
    thicknesses(door)
    door.count()
    found = planned(door)
    of_yield = found["expected_yield"]
    assert (of_yield["source"], of_yield["parts"], of_yield["good"]) == ("curve", 5, 4)
    assert (of_yield["below_mm"], of_yield["above_mm"]) == (25, 30)
    assert 25 / 30 < of_yield["share"] < 28 / 30
    assert of_yield["low"] < of_yield["share"] < of_yield["high"]
    assert of_yield["effective_n"] > 5
    assert any("from the curve over thickness" in note and "25 mm (3 mm away)" in note for note in found["notes"])
    assert found["machine_minutes"]["n"] == 5


def test_times_of_a_thickness_that_was_never_tried_lie_between_its_neighbours(door: Door) -> None:
    for mm, good, seconds in ((15, 30, 60), (20, 29, 80), (25, 28, 100), (30, 25, 140), (40, 18, 300)):
        single(door, good, 30 - good, mm=mm, seconds=seconds)
    door.count()
    found = planned(door, thickness_mm=35)
    assert found["expected_yield"]["source"] == "curve"
    # In a straight line over ln(thickness)
    weight = math.log(35 / 30) / math.log(40 / 30)
    seconds = (1 - weight) * 140 + weight * 300
    assert found["machine_minutes"]["expected"] == pytest.approx(found["starts"] * seconds / 60)
    assert found["machine_minutes"]["n"] == 60
    assert any("lie between those of 30 and 40 mm" in note for note in found["notes"])


@pytest.mark.parametrize(
    ("mm", "reason"), [(45, "above the thickest tried, 40 mm"), (10, "below the thinnest tried, 15 mm")]
)
def test_nothing_is_said_beyond_the_thicknesses_tried(door: Door, mm: float, reason: str) -> None:
    thicknesses(door)
    door.count()
    found = planned(door, thickness_mm=mm)
    assert (found["starts"], found["reason"], found["expected_yield"]["share"]) == (None, reason, None)
    assert found["machine_minutes"]["reason"] == reason


def test_where_nothing_failed_all_thicker_plate_speaks_too(door: Door) -> None:
    single(door, 4, 0)
    single(door, 30, 0, mm=30)
    single(door, 30, 0, mm=20)
    door.count()
    of_yield = planned(door)["expected_yield"]
    # Thinner plate is no evidence for thicker.
    assert (of_yield["source"], of_yield["effective_n"]) == ("thicker", 34)
    assert planned(door, thickness_mm=30)["expected_yield"]["source"] == "cell"


def test_a_cell_that_is_clearly_worse_than_the_curve_speaks_for_itself(door: Door) -> None:
    for mm, good in ((15, 30), (20, 29), (25, 28), (30, 25), (40, 18)):
        single(door, good, 30 - good, mm=mm)
    single(door, 3, 12, mm=28)
    door.count()
    of_yield = planned(door)["expected_yield"]
    assert (of_yield["source"], of_yield["reason"]) == ("cell", "worse here than the curve over thickness")
    assert of_yield["share"] == pytest.approx(0.2)


def test_conditions_are_told_apart_when_asked_for_and_mixed_when_not(door: Door) -> None:
    plates(door, [8, 8, 7, 8] * 6, name="c", preparation_grade="Sa 2.5")
    plates(door, [5, 4, 6, 5] * 6, name="d", rust_grade="C")
    door.count()
    clean, disturbed = (planned(door, surface_group=each)["expected_yield"] for each in ("clean", "disturbed"))
    mixed = planned(door)
    assert (clean["share"], disturbed["share"]) == (pytest.approx(31 / 32), pytest.approx(20 / 32))
    assert mixed["expected_yield"]["share"] == pytest.approx(51 / 64)
    assert any("the mix of the past" in note for note in mixed["notes"])
    hardened = planned(door, thermal_history="hardened")
    assert hardened["reason"] == "no first attempts on plate in this condition in the window"


def test_an_order_that_nobody_will_start_has_a_reason(door: Door) -> None:
    single(door, 18, 2)
    door.count()
    found = planned(door, parts=100_000)
    assert (found["starts"], found["blanks"], found["cost"]["expected"]) == (None, None, None)
    assert found["reason"] == "at this yield it takes more parts than anyone will start"
    assert found["expected_yield"]["share"] == pytest.approx(0.9)
    assert any("one order is planned up to 10000 parts" in note for note in found["notes"])


def test_only_the_window_counts(door: Door) -> None:
    single(door, 18, 2)
    door.count()
    assert planned(door, **{"from": "2026-02-01"})["reason"] == "no first attempts with a verdict in the window"
    assert planned(door, purpose="trial")["reason"] == "no first attempts with a verdict in the window"
    assert planned(door, purpose="production")["starts"] == planned(door, bevel="unknown")["starts"] == 15
    assert asked(door)["window"] == {"first_day": "2026-01-01", "last_day": "2026-12-31"}


# --- with a bevel -----------------------------------------------------------------------------------------------


def test_a_job_with_a_bevel_is_planned_from_cuts_with_that_bevel(door: Door) -> None:
    single(door, 18, 2)
    door.post([opened("JB", thickness_mm=28, bevel_deg=45, quantity=10)])
    door.count()
    of_job = {"parts": ..., "thickness_mm": ..., "material": ..., "job": "JB"}
    nothing = planned(door, **of_job)
    assert (nothing["starts"], nothing["bevel_deg"], nothing["standing"]) == (None, 45, None)
    assert nothing["reason"] == "no first attempts with a bevel of 45 degrees and with a verdict in the window"
    single(door, 15, 15, name="b", job="JB")
    door.count()
    found = planned(door, **of_job)
    assert (found["bevel_deg"], found["expected_yield"]["parts"], found["expected_yield"]["share"]) == (45, 30, 0.5)
    assert "the job states a bevel of 45 degrees: past cuts with this bevel count" in found["notes"]
    assert not any("by=bevel" in note for note in found["notes"])
    square = planned(door, **of_job, bevel="unknown")
    assert (square["bevel_deg"], square["starts"]) == (None, 15)
    assert any("but past square cuts count, as bevel= asks" in note for note in square["notes"])
    # In a list each has the past of its own bevel.
    item = {"parts": 10, "thickness_mm": 28, "material": "S355"}
    plans = listed(door, [item, {"job": "JB"}, item])["plans"]
    assert [one["bevel_deg"] for one in plans] == [None, 45, None]
    assert [one["starts"] for one in plans] == [15, found["starts"], 15]
    assert found["starts"] > 20


# --- which machine ----------------------------------------------------------------------------------------------


def test_the_setup_that_promises_most_is_chosen_and_the_others_are_listed(door: Door) -> None:
    single(door, 19, 1, name="a", machine="Laser-2")
    single(door, 15, 5, name="b", machine="laser-1")
    # All good, but so few that they promise little.
    single(door, 2, 0, name="c", machine="laser-3", gas="nitrogen")
    door.count()
    found = planned(door)
    assert (found["machine"], found["gas"]) == ("Laser-2", "oxygen")
    assert [one["machine"] for one in found["alternatives"]] == ["Laser-2", "laser-1", "laser-3"]
    assert found["more_alternatives"] == 0
    assert any("3 setups cut this material" in note for note in found["notes"])
    asked_for = planned(door, machine="LASER-1")
    assert (asked_for["machine"], len(asked_for["alternatives"])) == ("laser-1", 1)
    assert asked_for["starts"] > found["starts"]
    assert planned(door, gas="nitrogen")["machine"] == "laser-3"
    unknown = planned(door, machine="laser-9")
    assert (unknown["machine"], unknown["reason"]) == ("laser-9", "no first attempts with a verdict in the window")


def test_ten_setups_are_listed_and_the_others_are_counted(door: Door) -> None:
    for machine in range(12):
        single(door, 1 + machine, 0, name=f"m{machine}", machine=f"laser-{machine}")
    door.count()
    found = planned(door)
    assert [one["machine"] for one in found["alternatives"]] == [f"laser-{each}" for each in range(11, 1, -1)]
    assert found["more_alternatives"] == 2
    assert any("12 setups cut this material" in note and "lists the 10 best" in note for note in found["notes"])


def test_a_plan_says_what_may_be_promised_of_the_cut_today(door: Door) -> None:
    door.set(targets={"first_pass_yield": 0.9, "confidence": 0.95})
    door.clock.now_us = instant_us(on(30))
    single(door, 40, 0, name="good", recipe={"name": "a"})
    single(door, 5, 25, name="bad", recipe={"name": "b"})
    single(door, 5, 0, mm=30)
    door.count()
    assert planned(door, recipe="a")["standing"] == "proven"
    assert planned(door, recipe="b")["standing"] == "ruled_out"
    assert planned(door)["standing"] == "mixed"
    assert planned(door, thickness_mm=30)["standing"] == "open"
    assert planned(door, thickness_mm=29)["standing"] is None


# --- a list -----------------------------------------------------------------------------------------------------


def test_a_list_says_of_each_what_one_plan_says(door: Door) -> None:
    single(door, 18, 2)
    single(door, 28, 2, mm=20, machine="laser-1")
    door.post([opened("J", thickness_mm=20, quantity=7)])
    door.count()
    usual = {"material": "S355", "parts": 10}
    answer = listed(
        door,
        [
            usual | {"thickness_mm": 28, "ref": "line 1"},
            usual | {"thickness_mm": 60},
            {"job": "J", "ref": "line 3"},
        ],
        assurance=0.95,
    )
    first, second, third = answer["plans"]
    assert (first["ref"], first["starts"], first["top_up"]) == ("line 1", 15, None)
    one = planned(door)
    assert first | {"top_up": one["top_up"], "notes": one["notes"], "ref": None} == one
    assert (second["starts"], second["ref"]) == (None, None)
    assert second["reason"] == (
        "none of 2 setups tells anything: above the thickest tried, 20 mm (laser-1 with oxygen); "
        "above the thickest tried, 28 mm (laser-2 with oxygen)"
    )
    assert (third["machine"], third["parts"], third["job"]) == ("laser-1", 7, "J")
    assert answer["cautions"] == list(CAUTIONS)


def test_a_list_writes_nothing(door: Door) -> None:
    single(door, 18, 2)
    door.count()
    before = door.read("/v1/events", limit=1000)
    listed(door, [{"parts": 10, "thickness_mm": 28, "material": "S355"}])
    assert door.read("/v1/events", limit=1000) == before


@pytest.mark.parametrize(
    ("parts", "pointer", "detail"),
    [
        ([{"parts": 1, "material": "S", "thickness_mm": 20}] * 3 + [{"parts": 1, "material": "S", "thickness_mm": -2}],
         "/parts/3/thickness_mm", "found -2"),
        ([{"parts": 1, "material": "S"}], "/parts/0/thickness_mm", "is missing; give it or thickness_in"),
        ([{"job": "none"}], "/parts/0/job", "names no job here, found 'none'"),
        ([], "/parts", "is empty"),
        ([{"parts": 1, "material": "S", "thickness_mm": 20, "colour": 1}], "/parts/0/colour", "is no field here"),
        ([{"parts": 1, "material": "S", "thickness_mm": 20, "thickness_in": "3/4"}], "/parts/0/thickness_in",
         "one of the two"),
        ([{"parts": 1, "material": "S", "thickness_mm": 20, "plate_length_mm": 3000}], "/parts/0/plate_length_mm",
         "goes with plate_width_mm"),
        ([{"parts": 30_000, "material": "S", "thickness_mm": 20}] * 2, "/parts", "asks for 60000 parts together"),
        ([{"parts": 1, "material": "S", "thickness_mm": 20}] * 201, "/parts", "at most 200 entries"),
    ],
    ids=["thickness", "missing", "job", "empty", "unknown", "two thicknesses", "half a plate", "too much", "too many"],
)  # fmt: skip
def test_an_item_that_cannot_be_planned_is_pointed_to(door: Door, parts: list[Any], pointer: str, detail: str) -> None:
    (fault, *_) = listed(door, parts, status=422)["errors"]
    assert fault["pointer"] == pointer
    assert detail in fault["detail"]


@pytest.mark.parametrize(
    ("asks", "parameter", "detail"),
    [
        ({"parts": "0"}, "parts", "must be a whole number from 1 to 100000"),
        ({"parts": ...}, "parts", "is missing; give it, or a job that tells it"),
        ({"parts": "99999999999999999"}, "parts", "from 1 to 100000; found 99999999999999999"),
        ({"thickness_mm": "28,5"}, "thickness_mm", 'found "28,5"; write it with a decimal point'),
        ({"thickness_mm": "-2"}, "thickness_mm", "found -2"),
        ({"thickness_mm": "thick"}, "thickness_mm", "must be a number"),
        ({"thickness_in": "3/4"}, "thickness_in", "give one of the two"),
        ({"assurance": "1"}, "assurance", "must be a number from 0.5 to 0.9999"),
        ({"gas": "helium"}, "gas", "must be one of oxygen"),
        ({"surface_group": "dirty"}, "surface_group", "must be one of clean, disturbed"),
        ({"job": "J-none"}, "job", "names no job here"),
        ({"last": "long"}, "last", "must be a number of days"),
        ({"machin": "laser-2"}, "machin", "is no parameter here"),
        ({"ref": "x"}, "ref", "is no parameter here"),
        ({"format": "pdf"}, "format", "must be json, csv or xlsx"),
        ({"parts": ["1", "2"]}, "parts", "is given 2 times"),
    ],
    ids=lambda value: str(value) if isinstance(value, dict) else "",
)  # fmt: skip
def test_a_parameter_that_cannot_be_planned_is_named(
    door: Door, asks: dict[str, Any], parameter: str, detail: str
) -> None:
    usual = {"parts": 10, "thickness_mm": 28, "material": "S355"}
    query = {name: value for name, value in (usual | asks).items() if value is not ...}
    answer = door.get("/v1/plan", **query)
    assert answer.status_code == 422
    named = {error["parameter"]: error["detail"] for error in answer.json["errors"]}
    assert detail in named[parameter]


# --- as an answer -----------------------------------------------------------------------------------------------


def test_the_same_bytes_for_any_order_of_arrival_and_an_etag_until_something_is_counted(
    service: Any, clock: Any
) -> None:
    one, other = service.door(clock), service.door(clock)
    events = [
        cut(f"A{index}", thickness_mm=28, quantity=4, good=3 + index % 2, scrap=1 - index % 2, seconds=100 + index,
            machine=f"laser-{index % 3}", time=on(index % 9), id=f"e{index}")
        for index in range(30)
    ]  # fmt: skip
    one.post(events)
    one.count()
    for some in (events[20:], events[7:20], events[:7]):
        other.post(some[::-1])
        other.count()
    answers = [
        door.get("/v1/plan", parts=10, thickness_mm=28, material="S355", part_mass_kg=2, **PAST)
        for door in (one, other)
    ]
    plans = [answer.text[answer.text.index('"plan":') :] for answer in answers]
    assert plans[0] == plans[1]
    asks = {"parts": 10, "thickness_mm": 28, "material": "S355", **PAST}
    etag = one.get("/v1/plan", **asks).headers["ETag"]
    assert one.get("/v1/plan", headers={"If-None-Match": etag}, **asks).status_code == 304
    assert one.get("/v1/plan", headers={"If-None-Match": etag}, **(asks | {"parts": 11})).status_code == 200
    one.told(cut("A-more", thickness_mm=28, time=on(3)))
    assert one.get("/v1/plan", headers={"If-None-Match": etag}, **asks).status_code == 200


def test_as_a_table_a_plan_is_a_row(door: Door) -> None:
    single(door, 18, 2)
    door.count()
    asks = {"parts": 10, "thickness_mm": 28, "material": "=S355", **PAST}
    answer = door.get("/v1/plan", format="csv", **asks)
    assert answer.headers["Content-Type"].startswith("text/csv")
    (row,) = csv.DictReader(io.StringIO(answer.text))
    assert (row["material"], row["starts"], row["top_up_first"]) == ("'=S355", "", "")
    asks["material"] = "S355"
    (row,) = csv.DictReader(io.StringIO(door.get("/v1/plan", headers={"Accept": "text/csv"}, **asks).text))
    plain = planned(door)
    assert (row["starts"], row["expected_yield_source"], row["top_up_first"]) == ("15", "cell", "10")
    assert float(row["expected_yield_low"]) == plain["expected_yield"]["low"]
    table = door.ask(
        "POST", "/v1/plan", query_string=PAST | {"format": "csv"}, json={"parts": [{**asks, "ref": "a"} | {}]}
    )
    assert table.status_code == 422
    item = {name: value for name, value in asks.items() if name not in PAST}
    table = door.ask("POST", "/v1/plan", query_string=PAST | {"format": "csv"}, json={"parts": [item, item]})
    assert [each["starts"] for each in csv.DictReader(io.StringIO(table.text))] == ["15", "15"]


@pytest.mark.parametrize("role", ROLES)
def test_who_may_read_may_plan(door: Door, role: str) -> None:
    allowed = role != "terminal"
    asks = {"parts": 10, "thickness_mm": 28, "material": "S355"}
    assert door.get("/v1/plan", key=role, **asks).status_code == (200 if allowed else 403)
    answer = door.ask("POST", "/v1/plan", key=role, json={"parts": [asks]})
    assert answer.status_code == (200 if allowed else 403)
