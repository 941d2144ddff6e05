"""Reports that compare: trend, conditions, lots. Through the door, with shops whose truth is known."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, received, void

FIRST_MONDAY = date(2026, 1, 5)
WINDOW = {"from_": "2026-01-05", "to": "2026-06-30"}


def on(day: date) -> str:
    return f"{day}T12:00:00Z"


def plate_of(
    door: Door, name: str, day: date, *, parts: int = 5, good: int, mm: int = 20, pierces: tuple[int, int] = (10, 0),
    **plate: Any,
) -> None:  # fmt: skip
    """A plate that came in, and one attempt on it of which so many parts were good, the rest scrap."""
    door.post(
        [
            received(name, thickness_mm=mm, time=on(day - timedelta(days=1)), **plate),
            cut(
                f"A-{name}", plate=name, thickness_mm=mm, quantity=parts, good=good, scrap=parts - good, time=on(day),
                pierces=pierces[0], failed_pierces=pierces[1],
            ),
        ]
    )  # fmt: skip


def heat(door: Door, number: str, goods: list[int], *, mm: int = 20, days: int = 3) -> None:
    for index, good in enumerate(goods):
        day = FIRST_MONDAY + timedelta(days=index % days)
        plate_of(door, f"{number}-{mm}-{index}", day, good=good, mm=mm, mill="Nordhelm", heat_number=number)


def rows_by(report: dict[str, Any], column: str) -> dict[Any, dict[str, Any]]:
    return {row[column]: row for row in report["rows"]}


# --- lots -------------------------------------------------------------------------------------------------------


def test_lots_calls_a_heat_worse_that_the_others_do_not_explain(door: Door) -> None:
    heat(door, "bad", [1, 2, 1, 2, 1, 2])
    for number in ("h1", "h2", "h3"):
        heat(door, number, [5, 5, 4, 5, 5, 5])
    door.count()
    report = door.report("lots", **WINDOW)
    lots = rows_by(report, "lot")
    assert {name: row["verdict"] for name, row in lots.items()} == {"bad": "worse", "h1": None, "h2": None, "h3": None}
    bad = lots["bad"]
    assert (bad["mill"], bad["parts"], bad["not_good"], bad["plates"], bad["days"]) == ("Nordhelm", 30, 21, 6, 3)
    assert bad["failure_share"] == pytest.approx(21 / 30)
    # The others together: 3 of 90 parts were not good.
    assert bad["expected_share"] == pytest.approx(3 / 90)
    assert bad["q_value"] < 0.05
    assert report["rows"][0]["lot"] == "bad"
    assert report["details"] == {"lots": 4, "lots_without_verdict": 0, "parts_without_lot": 0}
    assert any("lot bad is worse than chance explains: 21 of 30 parts" in note for note in report["notes"])


def test_lots_compares_at_the_same_thickness_only(door: Door) -> None:
    # Thick plate fails more everywhere: a heat that came thick alone is not bad for that.
    for number in ("h1", "h2", "h3"):
        heat(door, number, [5, 5, 5, 5])
        heat(door, number, [2, 3, 2, 3], mm=40)
    heat(door, "thick", [3, 2, 3, 2, 3, 2], mm=40)
    heat(door, "alone", [1, 1, 1], mm=60)
    door.count()
    lots = rows_by(door.report("lots", **WINDOW), "lot")
    assert lots["thick"]["verdict"] is None
    assert lots["thick"]["expected_share"] == pytest.approx(0.5)
    assert (lots["alone"]["verdict"], lots["alone"]["reason"]) == (None, "no other lot in the same stratum")
    assert lots["alone"]["parts_left_out"] == 15


def test_lots_wants_two_plates_on_two_days_before_it_calls_a_lot_worse(door: Door) -> None:
    for number in ("h1", "h2", "h3"):
        heat(door, number, [5] * 6)
    heat(door, "one-day", [0, 0, 0, 0], days=1)
    door.count()
    assert rows_by(door.report("lots", **WINDOW), "lot")["one-day"]["verdict"] == "watch"


def test_lots_has_no_verdict_on_a_few_parts(door: Door) -> None:
    heat(door, "h1", [5, 5, 5])
    plate_of(door, "few", FIRST_MONDAY, parts=4, good=0, mill="Nordhelm", heat_number="few")
    plate_of(door, "nameless", FIRST_MONDAY, good=5)
    door.count()
    report = door.report("lots", **WINDOW)
    few = rows_by(report, "lot")["few"]
    assert (few["verdict"], few["reason"], few["q_value"]) == (None, "too few", None)
    assert report["details"]["parts_without_lot"] == 5


def test_lots_of_suppliers(door: Door) -> None:
    for index in range(4):
        day = FIRST_MONDAY + timedelta(days=index)
        plate_of(door, f"a{index}", day, good=5, supplier="Stockist A")
        plate_of(door, f"b{index}", day, good=1, supplier="Stockist B")
    door.count()
    lots = rows_by(door.report("lots", lot="supplier", **WINDOW), "lot")
    assert set(lots) == {"Stockist A", "Stockist B"}
    assert all(row["mill"] is None for row in lots.values())


# --- conditions -------------------------------------------------------------------------------------------------

CLEAN = {"preparation_grade": "Sa 2.5"}
DISTURBED = {"rust_grade": "C"}


def test_conditions_tells_what_a_disturbed_surface_costs_thickness_for_thickness(door: Door) -> None:
    for index in range(8):
        day = FIRST_MONDAY + timedelta(days=index)
        plate_of(door, f"c{index}", day, good=5 - index % 2, **CLEAN)
        plate_of(door, f"d{index}", day, good=2 + index % 2, **DISTURBED)
        plate_of(door, f"k{index}", day, good=3 + index % 2, mm=40, **CLEAN)
        plate_of(door, f"t{index}", day, good=1 + index % 2, mm=40, **DISTURBED)
    plate_of(door, "unknown", FIRST_MONDAY, good=5)
    door.count()
    report = door.report("conditions", **WINDOW)
    rows = rows_by(report, "thickness_mm")
    assert (rows[20]["usual_parts"], rows[20]["worse_parts"], rows[20]["usual_plates"]) == (40, 40, 8)
    assert rows[20]["usual_yield"] == pytest.approx(36 / 40)
    assert rows[20]["worse_yield"] == pytest.approx(20 / 40)
    assert rows[20]["difference"] == pytest.approx(0.4)
    assert rows[20]["difference_low"] < 0.4 < rows[20]["difference_high"]
    details = report["details"]
    assert (details["strata"], details["strata_dropped"], details["parts_not_known"]) == (2, 0, 5)
    assert details["odds_ratio_low"] > 1
    assert details["p_value"] < 0.05
    assert any("goes with a lower first-pass yield by about 40" in note for note in report["notes"])


def test_conditions_is_not_misled_by_thick_plate_that_rusts_more(door: Door) -> None:
    # The surface costs nothing; but thin plate is mostly clean, and thick plate, which fails more, mostly rusted.
    for index in range(9):
        day = FIRST_MONDAY + timedelta(days=index)
        plate_of(door, f"thin{index}", day, good=5 - (index % 3 == 0), **CLEAN)
        plate_of(door, f"thick{index}", day, good=2 + index % 2, mm=40, **DISTURBED)
    for index in range(3):
        day = FIRST_MONDAY + timedelta(days=index)
        plate_of(door, f"thin-d{index}", day, good=5 - (index % 3 == 0), **DISTURBED)
        plate_of(door, f"thick-c{index}", day, good=2 + index % 2, mm=40, **CLEAN)
    door.count()
    report = door.report("conditions", **WINDOW)
    assert report["details"]["p_value"] > 0.5
    assert abs(report["details"]["difference"]) < 0.05
    assert any("chance explains the difference" in note for note in report["notes"])


def test_conditions_says_when_there_is_nothing_to_compare(door: Door) -> None:
    plate_of(door, "c", FIRST_MONDAY, good=5, **CLEAN)
    door.count()
    report = door.report("conditions", **WINDOW)
    assert report["details"]["p_value"] is None
    assert any("cannot be told" in note for note in report["notes"])
    (row,) = report["rows"]
    assert (row["worse_parts"], row["worse_yield"], row["difference"]) == (0, None, None)


# --- trend ------------------------------------------------------------------------------------------------------


def weeks(door: Door, goods: list[int], *, mms: list[int] | None = None) -> None:
    """Each week ten plates of five parts; of the week's 50 parts so many are good."""
    for week, good in enumerate(goods):
        each, more = divmod(good, 10)
        for plate in range(10):
            plate_of(
                door, f"w{week}-{plate}", FIRST_MONDAY + timedelta(weeks=week, days=plate % 5),
                good=each + (plate < more), mm=20 if mms is None else mms[week],
            )  # fmt: skip
    door.count()


def test_trend_shows_the_week_that_left_its_limits_and_no_other(door: Door) -> None:
    weeks(door, [45, 44, 46, 45, 47, 45, 44, 46, 45, 45, 46, 25])
    report = door.report("trend", **WINDOW)
    assert [row["period"] for row in report["rows"] if row["signals"]] == ["2026-W13"]
    first = report["rows"][0]
    assert (first["period"], first["x"], first["n"], first["share"]) == ("2026-W02", 45, 50, 0.9)
    assert report["details"]["chart"] == "p"
    assert report["details"]["points_set_aside"] == 1
    # The week that left its limits is no part of the centre line.
    assert report["details"]["centre"] == pytest.approx(498 / 550)
    assert any("left its limits in 2026-W13" in note for note in report["notes"])


def test_trend_says_that_noise_is_noise(door: Door) -> None:
    weeks(door, [45, 44, 46, 45, 47, 45, 44, 46, 45, 43, 46, 44])
    report = door.report("trend", **WINDOW)
    assert not any(row["signals"] for row in report["rows"])
    assert any("no reason to act" in note for note in report["notes"])


def test_trend_adjusted_for_the_mix_is_not_alarmed_by_thicker_plate(door: Door) -> None:
    thin, thick = 20, 40
    mms = [thin] * 8 + [thick] + [thin] * 3 + [thick] * 2
    goods = [45 if mm == thin else 25 for mm in mms]
    weeks(door, goods, mms=mms)
    as_cut = door.report("trend", chart="p", **WINDOW)
    assert any(row["signals"] for row in as_cut["rows"])
    adjusted = door.report("trend", chart="p", mix="adjusted", **WINDOW)
    assert not any(row["signals"] for row in adjusted["rows"])


def test_trend_of_pierces_counts_failed_over_pierces(door: Door) -> None:
    for week in range(6):
        failed = (1, 0)[week % 2]
        plate_of(door, f"p{week}", FIRST_MONDAY + timedelta(weeks=week), good=5, pierces=(40, failed))
    door.count()
    rows = door.report("trend", of="pierces", **WINDOW)["rows"]
    assert [(row["x"], row["n"]) for row in rows] == [(1, 40), (0, 40)] * 3


def test_trend_with_a_weighted_average_finds_a_small_lasting_change(door: Door) -> None:
    weeks(door, [47] * 12 + [39] * 12)
    plain = door.report("trend", chart="p", **WINDOW)
    assert not any(row["signals"] for row in plain["rows"])
    averaged = door.report("trend", chart="ewma", **WINDOW)
    assert averaged["details"]["chart"] == "ewma"
    assert any(row["signals"] for row in averaged["rows"][12:])
    assert all(row["average"] is not None and row["average_limit"] > 0 for row in averaged["rows"])


def test_trend_of_few_points_draws_no_limits_and_says_why(door: Door) -> None:
    weeks(door, [45, 44])
    report = door.report("trend", **WINDOW)
    assert [(row["lower"], row["upper"], row["z"]) for row in report["rows"]] == [(None, None, None)] * 2
    assert report["details"]["reason"]
    assert report["notes"][0].startswith("no limits can be drawn")


def test_trend_by_day_is_one_point_a_production_day(door: Door) -> None:
    weeks(door, [45])
    days = [row["period"] for row in door.report("trend", per="day", **WINDOW)["rows"]]
    assert days == [str(FIRST_MONDAY + timedelta(days=day)) for day in range(5)]


# --- what they share --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["trend", "conditions", "lots"])
def test_a_day_of_which_too_much_is_pending_is_left_out_and_named(door: Door, name: str) -> None:
    heat(door, "h1", [5, 5, 5])
    # 3 of 18 parts of that day are pending.
    pending = cut("later", quantity=3, time=on(FIRST_MONDAY), plate="h1-20-0")
    door.told(pending)
    report = door.report(name, **WINDOW)
    assert any(
        note.startswith("1 production day is left out") and str(FIRST_MONDAY) in note for note in report["notes"]
    )


@pytest.mark.parametrize("name", ["trend", "conditions", "lots"])
def test_the_order_of_arrival_changes_no_byte(door: Door, service: Any, name: str) -> None:
    other = service.door(door.clock)
    events = []
    for number, goods in (("h1", [5, 4, 5]), ("h2", [3, 5, 5]), ("h3", [5, 5, 2])):
        for index, good in enumerate(goods):
            day = FIRST_MONDAY + timedelta(days=7 * index)
            plate = f"{number}-{index}"
            grade = CLEAN if index % 2 else DISTURBED
            events += [
                received(plate, id=f"r-{plate}", mill="Nordhelm", heat_number=number, time=on(day), **grade),
                cut(f"A-{plate}", id=f"c-{plate}", plate=plate, quantity=5, good=good, scrap=5 - good, time=on(day)),
            ]
    door.told(*events)
    Random(5).shuffle(events)
    other.told(*events)
    one, two = door.report(name, **WINDOW), other.report(name, **WINDOW)
    assert {key: one[key] for key in ("rows", "details", "notes")} == {
        key: two[key] for key in ("rows", "details", "notes")
    }


@pytest.mark.parametrize("name", ["trend", "conditions", "lots"])
def test_csv_has_the_rows_of_the_json(door: Door, name: str) -> None:
    weeks(door, [45, 44, 46, 45, 47, 45])
    rows = door.report(name, **WINDOW)["rows"]
    answer = door.get(f"/v1/reports/{name}", format="csv", **{key.rstrip("_"): value for key, value in WINDOW.items()})
    lines = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in rows]


@pytest.mark.parametrize(
    ("name", "asked", "parameter"),
    [
        ("trend", {"chart": "pie"}, "chart"),
        ("trend", {"by": "machine"}, "by"),
        ("lots", {"lot": "colour"}, "lot"),
        ("lots", {"chart": "p"}, "chart"),
        ("conditions", {"condition": "weather"}, "condition"),
        ("yield", {"chart": "p"}, "chart"),
    ],
)
def test_an_option_of_another_word_or_another_report_is_refused(
    door: Door, name: str, asked: dict[str, str], parameter: str
) -> None:
    answer = door.get(f"/v1/reports/{name}", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


def test_a_report_that_nothing_is_in_is_empty(door: Door) -> None:
    for name in ("trend", "conditions", "lots"):
        report = door.report(name)
        assert report["rows"] == []
        assert report["totals"] == {}


# --- how certain ------------------------------------------------------------------------------------------------


def test_yield_says_how_certain_it_is_in_a_sentence(door: Door) -> None:
    for index in range(4):
        plate_of(door, f"p{index}", FIRST_MONDAY, good=5 - index)
    door.count()
    notes = door.report("yield", **WINDOW)["notes"]
    assert notes[0].startswith("20 parts of 4 plate-days: the first-pass yield lies between ")
    assert door.report("pierces", **WINDOW)["notes"][0].startswith("40 pierces of 4 attempts: the failed-pierce rate ")


def test_parts_of_plates_that_stand_or_fall_together_tell_less(door: Door) -> None:
    # 4 of 8 plates are wholly good, 4 wholly bad: as good as 8 parts.
    for index in range(8):
        plate_of(door, f"p{index}", FIRST_MONDAY, good=5 * (index % 2))
    door.count()
    (row,) = door.rows("yield", **WINDOW)
    assert (row["clusters"], row["first_pass_yield"]) == (8, 0.5)
    assert row["design_effect"] == pytest.approx(5, rel=0.15)
    assert row["first_pass_yield_low"] < 0.25
    assert row["first_pass_yield_high"] > 0.75


def test_one_plate_alone_is_said_to_tell_little(door: Door) -> None:
    plate_of(door, "p", FIRST_MONDAY, good=4)
    door.count()
    assert "all of them are of one plate-day: that tells little of the next" in door.report("yield", **WINDOW)["notes"]


def test_services_and_new_recipes_are_marked_on_the_time_axis(door: Door) -> None:
    def cut_with(week: int, revision: str, machine: str = "Laser 1") -> dict[str, Any]:
        day = date(2026, 3, 2) + timedelta(weeks=week)
        name = f"{machine}-{week}-{revision}"
        recipe = {"name": "S355-20", "revision": revision}
        return cut(name, plate=name, machine=machine, good=1, time=f"{day}T10:00:00Z", recipe=recipe)

    door.told(*(cut_with(week, revision) for week, revision in enumerate("AABAB")), cut_with(4, "C", "Laser 2"))
    door.told(
        event("machine.serviced", "laser 1", time="2026-03-11T05:00:00Z", what="nozzle"),
        event("machine.serviced", "laser 1", time="2026-03-12T10:00:00Z", what="lens"),
        event("machine.serviced", "Laser 2", time="2026-03-12T11:00:00Z", what="lens"),
    )
    window = {"from_": "2026-03-02", "to": "2026-04-05"}
    rows = {row["period"]: row for row in door.rows("trend", **window)}
    assert {period: row["services"] for period, row in rows.items() if row["services"]} == {
        "2026-W11": "Laser 1: nozzle; Laser 1: lens; Laser 2: lens"
    }
    assert {period: row["recipes_begun"] for period, row in rows.items() if row["recipes_begun"]} == {
        "2026-W12": "S355-20 / B", "2026-W14": "S355-20 / C",
    }  # fmt: skip
    days = {row["period"]: row["services"] for row in door.rows("trend", per="day", machine="Laser 2", **window)}
    assert days == {"2026-03-30": None}
    one = {row["period"]: row for row in door.rows("trend", machine="Laser 1", **window)}
    assert one["2026-W11"]["services"] == "Laser 1: nozzle; Laser 1: lens"
    assert one["2026-W14"]["recipes_begun"] is None


def test_a_service_before_the_start_of_day_belongs_to_the_day_before(door: Door) -> None:
    early = event("machine.serviced", "Laser 1", time="2026-03-09T05:00:00Z", what="nozzle")
    door.told(early, cut("A", good=1, time="2026-03-04T10:00:00Z"), cut("B", good=1, time="2026-03-10T10:00:00Z"))
    rows = {row["period"]: row["services"] for row in door.rows("trend")}
    assert rows == {"2026-W10": "Laser 1: nozzle", "2026-W11": None}
    # A later start of day, and a voided service, change that
    door.set(day_start="04:00")
    assert {row["period"]: row["services"] for row in door.rows("trend")} == {
        "2026-W10": None, "2026-W11": "Laser 1: nozzle",
    }  # fmt: skip
    door.told(void(early))
    assert {row["services"] for row in door.rows("trend")} == {None}


def test_failed_pierces_over_time_say_what_is_not_counted_yet(door: Door) -> None:
    door.told(cut("A", pierces=10, failed_pierces=1))
    door.post([cut("B", pierces=10, failed_pierces=1)])
    assert any("not yet counted" in note for note in door.report("trend", of="pierces")["notes"])
