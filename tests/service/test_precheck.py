"""A plate that is about to be cut: what the record says of it, through the door."""

from __future__ import annotations

from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import append
from tests.service.conftest import Clock, Door, Service, cut, opened, received
from worker import findings
from worker.cautions import CAUTIONS

#: The door's clock stands at 2027-01-15.
FIRST_DAY = date(2026, 11, 2)
CLEAN = {"preparation_grade": "Sa 2.5", "edges": "mill"}
DISTURBED = {"rust_grade": "C", "edges": "mill"}
Event = dict[str, Any]


def at_noon(day: int) -> str:
    return f"{FIRST_DAY + timedelta(days=day)}T12:00:00Z"


def plate(
    name: str, good: int, parts: int = 20, *, day: int, mm: int = 20, condition: Event = CLEAN,
    machine: str = "Laser 1", heat: str = "H1", **said: Any,
) -> list[Event]:  # fmt: skip
    """A plate, and an attempt on it."""
    return [
        received(name, id=f"r-{name}", time=at_noon(day - 1), thickness_mm=mm, mill="Nordhelm", heat_number=heat,
                 **condition),
        cut(f"A-{name}", id=f"c-{name}", plate=name, time=at_noon(day), thickness_mm=mm, machine=machine, gas="oxygen",
            quantity=parts, good=good, scrap=parts - good, recipe={"name": "O2", "revision": "B"}, **said),
    ]  # fmt: skip


def past() -> list[Event]:
    """At 20 mm on Laser 1 185 of 200 on clean plate, 125 on disturbed plate; on Laser 2 190 on disturbed plate."""
    events: list[Event] = []
    for number in range(10):
        events += plate(f"c{number}", 18 + number % 2, day=number)
        events += plate(f"d{number}", 12 + number % 2, day=number, condition=DISTURBED)
        events += plate(f"t{number}", 19, day=number, condition=DISTURBED, machine="Laser 2", heat="H2")
    return events


def on_hand(name: str, *, condition: Event = DISTURBED, mm: int = 20, heat: str = "H1", **stated: Any) -> Event:
    return received(name, id=f"r-{name}", time=at_noon(60), thickness_mm=mm, mill="Nordhelm", heat_number=heat,
                    **condition, **stated)  # fmt: skip


def job(**stated: Any) -> Event:
    return opened("J", id="j", time=at_noon(50), **{"work_centre": "Laser 1", **stated})


@pytest.fixture(scope="module")
def counted(service: Service) -> Door:
    """A shop for all that only ask: plates P (disturbed) and Q (clean) in stock, others as their tests say."""
    door = service.door()
    assess = {"type": "cutledger.plate.assessed", "time": at_noon(65)}
    closed = {"type": "cutledger.job.closed", "data": {"reason": "cancelled"}, "time": at_noon(55)}
    events = [
        *past(), on_hand("P"), on_hand("Q", condition=CLEAN), job(), job() | {"id": "k", "subject": "K"},
        job() | closed | {"id": "kc", "subject": "K"}, on_hand("washed"),
        on_hand("washed") | assess | {"data": {"preparation_grade": "Sa 2.5"}, "id": "a1"},
        on_hand("unseen", condition={}), on_hand("thick", mm=60),
        on_hand("guess") | assess | {"data": {"rust_grade": "C"}, "id": "a2", "subject": "only seen"},
        *plate("x", 18, day=55, machine="Laser 2", job="L", condition={}),
        job(work_centre="CUT-9") | {"id": "l", "subject": "L"},
    ]  # fmt: skip
    # Not through the door, whose clock does not stand yet.
    append(door.database, events, site=door.site)
    door.count()
    return door


@pytest.fixture
def shop(counted: Door, clock: Clock) -> Door:
    """The same, with the server's clock standing."""
    assert clock.now_us >= counted.clock.now_us
    return counted


def asked(door: Door, plate: str = "P", **query: str) -> dict[str, Any]:
    found: dict[str, Any] = door.read(f"/v1/plates/{plate}/precheck", **query)
    return found


def notes(found: dict[str, Any]) -> str:
    return "\n".join(found["notes"])


# --- the yield to expect ----------------------------------------------------------------------------------------


def test_it_says_what_came_of_parts_like_these_and_what_would_raise_it(shop: Door) -> None:
    found = asked(shop, job="J")
    assert (found["machine"], found["machine_from"]) == ("Laser 1", "work_centre")
    expected = found["expected_yield"]
    assert (expected["parts"], expected["good"], expected["plates"], expected["source"]) == (200, 125, 10, "cell")
    assert expected["share"] == pytest.approx(0.625)
    assert expected["low"] < 0.625 < expected["high"]
    assert found["sentence"].startswith(
        "Of 100 parts of 20 mm S355 on plate with a disturbed surface and edges as supplied about 62 ("
    )
    assert "on Laser 1 with oxygen, by 125 of 200 parts on 10 plates like these; this" in found["sentence"]
    assert found["sentence"].endswith("this is evidence from past cuts, not a permission.")
    ways = {one["way"]: one for one in found["raises"]}
    assert set(ways) == {"clean", "plate", "machine"}
    assert ways["clean"]["share"] == pytest.approx(185 / 200)
    # The clean plates that were cut and never closed are in stock still.
    assert (ways["plate"]["share"], ways["plate"]["plates_in_stock"]) == (pytest.approx(185 / 200), ["Q", "c0", "c1"])
    assert (ways["machine"]["share"], ways["machine"]["machine"]) == (pytest.approx(0.95), "Laser 2")
    assert ways["clean"]["gain"] == pytest.approx(0.3)
    assert {name: (way["parts"], way["good"], way["plates"], way["source"]) for name, way in ways.items()} == {
        "clean": (200, 185, 10, "cell"), "plate": (200, 185, 10, "cell"), "machine": (200, 190, 10, "cell"),
    }  # fmt: skip
    # Laser 2 cut other heats altogether.
    assert {name: (way["clear"], way["doubt"]) for name, way in ways.items()} == {
        "clean": (True, None), "plate": (True, None),
        "machine": (False, "no heat was cut both ways, so the steel may be what differs"),
    }  # fmt: skip
    lows = [one["low"] for one in found["raises"]]
    assert lows == sorted(lows, reverse=True)
    assert "clean its surface: 92 of 100" in notes(found)
    assert "cut it on Laser 2 with oxygen: 95 of 100" in notes(found)
    assert "came right the first time so, 190 of 200 parts on 10 plates; no heat was cut both ways" in notes(found)
    assert found["cautions"] == list(CAUTIONS)


def test_clean_plate_has_nothing_to_be_cleaned_and_no_better_plate_in_stock(shop: Door) -> None:
    found = asked(shop, "Q", machine="Laser 1")
    assert found["machine_from"] == "asked"
    assert [one["way"] for one in found["raises"]] == []
    assert "nothing that the record knows of would raise the expected yield" in notes(found)
    # Nobody cut clean plate on Laser 2.
    assert asked(shop, "Q", machine="Laser 2")["expected_yield"]["share"] is None


def test_plates_of_another_thickness_or_material_or_closed_ones_are_no_other_plates(door: Door) -> None:
    gone = {"type": "cutledger.plate.closed", "data": {"reason": "used"}, "id": "gone", "subject": "S"}
    door.told(
        *past(), on_hand("P"), on_hand("Q", condition=CLEAN, mm=25), on_hand("R", condition=CLEAN, material="S460"),
        on_hand("S", condition=CLEAN), on_hand("S", condition=CLEAN) | gone | {"time": at_noon(61)},
    )  # fmt: skip
    plates = [name for one in asked(door, machine="Laser 1")["raises"] for name in one["plates_in_stock"]]
    assert plates == ["c0", "c1", "c2"]


def test_stock_of_another_material_hides_no_plate(door: Door) -> None:
    other = [on_hand(f"b{number}", condition=CLEAN, material="S460") for number in range(501)]
    append(door.database, [*past(), on_hand("P"), *other, on_hand("q", condition=CLEAN)], site=door.site)
    door.told(*({**one, "type": "cutledger.plate.closed", "id": f"g{n}", "subject": f"c{n}", "time": at_noon(61),
                 "data": {"reason": "used"}} for n, one in enumerate([on_hand("P")] * 10)))  # fmt: skip
    (way,) = (one for one in asked(door, machine="Laser 1")["raises"] if one["way"] == "plate")
    assert way["plates_in_stock"] == ["q"]


def test_the_condition_is_that_of_now_with_the_day_since_which_it_holds(shop: Door) -> None:
    found = asked(shop, "washed", machine="Laser 1")
    assert (found["plate"]["surface"], found["plate"]["surface_group"]) == ("cleaned", "clean")
    assert found["plate"]["condition"]["preparation_grade"] == {"value": "Sa 2.5", "since": at_noon(65)}
    assert found["expected_yield"]["share"] == pytest.approx(185 / 200)


def test_a_plate_that_nobody_assessed_takes_the_mix_of_the_past_and_is_said_to(shop: Door) -> None:
    found = asked(shop, "unseen", machine="Laser 1")
    assert found["expected_yield"]["share"] == pytest.approx((185 + 125) / 400)
    assert "nobody noted all of its condition" in notes(found)


def test_a_heated_border_can_be_cut_away(door: Door) -> None:
    heated = {**CLEAN, "edges": "plasma"}
    events = [on_hand("P", condition=heated)]
    for number in range(8):
        events += plate(f"c{number}", 18 + number % 2, day=number)
        events += plate(f"h{number}", 12 + number % 2, day=number, condition=heated)
    door.told(*events)
    found = asked(door, machine="Laser 1")
    assert found["expected_yield"]["share"] == pytest.approx(100 / 160)
    ways = {one["way"]: one["share"] for one in found["raises"]}
    assert ways == {"trim": pytest.approx(148 / 160), "plate": pytest.approx(148 / 160)}
    assert "cut away the border that was heated: 92 of 100" in notes(found)


# --- the gas ------------------------------------------------------------------------------------------------------


def with_gas(events: list[Event], gas: str) -> list[Event]:
    """The same cuts with another gas."""
    return [one | {"data": {**one["data"], "gas": gas}} if "gas" in one["data"] else one for one in events]


@pytest.fixture
def two_gases(door: Door) -> Door:
    """Oxygen gave 125 of 200 on disturbed plate; before that nitrogen gave 60 of 60, and 2 of 2 on Laser 3."""
    events = [*past(), on_hand("P"), job()]
    for number in range(3):
        events += with_gas(plate(f"n{number}", 20, day=-5 + number, condition=DISTURBED), "nitrogen")
    events += with_gas(plate("few", 2, 2, day=20, condition=DISTURBED, machine="Laser 3"), "nitrogen")
    door.told(*events)
    return door


def test_the_gas_is_that_of_the_last_cuts_not_the_one_that_flatters(two_gases: Door) -> None:
    found = asked(two_gases, job="J")
    assert (found["gas"], found["gas_from"], found["expected_yield"]["gas"]) == ("oxygen", "last_of_machine", "oxygen")
    assert found["expected_yield"]["share"] == pytest.approx(0.625)
    assert [(one["gas"], one["good"], one["parts"]) for one in found["gases"]] == [
        ("nitrogen", 60, 60), ("oxygen", 125, 200),
    ]  # fmt: skip
    assert "oxygen is the gas of the last cuts of this material on Laser 1; gas= asks for another" in notes(found)
    (way,) = (one for one in found["raises"] if one["way"] == "gas")
    assert (way["gas"], way["good"], way["parts"], way["plates"]) == ("nitrogen", 60, 60, 3)
    assert "cut it with nitrogen: 100 of 100 (" in notes(found)
    machines = {(one["machine"], one["gas"], one["parts"]) for one in found["raises"] if one["way"] == "machine"}
    assert machines == {("Laser 2", "oxygen", 200), ("Laser 3", "nitrogen", 2)}
    # Two parts that came right promise least of all.
    assert found["raises"][-1]["machine"] == "Laser 3"


def test_a_gas_that_is_asked_for_is_the_one_that_is_looked_at(two_gases: Door) -> None:
    found = asked(two_gases, job="J", gas="nitrogen")
    assert (found["gas"], found["gas_from"], found["expected_yield"]["good"]) == ("nitrogen", "asked", 60)
    assert "on Laser 1 with nitrogen, by 60 of 60 parts on 3 plates like these" in found["sentence"]
    assert {one["gas"] for one in found["standing"]} == {"nitrogen"}
    never = asked(two_gases, job="J", gas="air")
    assert (never["expected_yield"]["gas"], never["expected_yield"]["share"]) == ("air", None)
    assert "on Laser 1 with air: no first attempts with a verdict in the window." in never["sentence"]


def test_the_gas_of_the_jobs_last_cuts_comes_before_that_of_the_machine(two_gases: Door) -> None:
    two_gases.told(*with_gas(plate("ofj", 20, day=-8, condition=DISTURBED, job="J"), "nitrogen"))
    found = asked(two_gases, job="J")
    assert (found["gas"], found["gas_from"]) == ("nitrogen", "last_of_job")
    assert "nitrogen is the gas of the last cuts of this job" in notes(found)


def test_what_is_read_off_a_curve_is_expected_and_says_from_how_much(door: Door) -> None:
    events = [on_hand("P", mm=22)]
    for index, (mm, good) in enumerate(((15, 18), (18, 17), (25, 12), (30, 6))):
        for number in range(6):
            day = 6 * index + number
            events += plate(f"c{day}", good + number % 3, day=day, mm=mm)
            events += plate(f"d{day}", good - 4 + number % 3, day=day, mm=mm, condition=DISTURBED)
    door.told(*events)
    found = asked(door, machine="Laser 1")
    assert (found["expected_yield"]["source"], found["expected_yield"]["parts"]) == ("curve", 0)
    assert "came right" not in found["sentence"]
    assert "would be expected to come right the first time on Laser 1 with oxygen" in found["sentence"]
    assert "of 960 parts on 48 plates, none of them like these" in found["sentence"]
    (way,) = (one for one in found["raises"] if one["way"] == "clean")
    assert (way["parts"], way["rests_on_parts"], way["rests_on_plates"]) == (0, 960, 48)
    assert "would be expected to come right so, read off the curve over thickness, 960 parts on 48" in notes(found)


# --- its heat -----------------------------------------------------------------------------------------------------


@pytest.fixture
def bad_heat(door: Door) -> Door:
    """Heat BAD gives half on clean plate, three others 19 of 20; of these clean stock is Z9, A1 is of BAD."""
    events: list[Event] = []
    for number in range(10):
        for heat, good, condition in (
            ("H1", 19, CLEAN), ("H2", 19, CLEAN), ("H3", 19, CLEAN), ("BAD", 9, CLEAN),
            ("H1", 12, DISTURBED), ("H2", 12, DISTURBED),
        ):  # fmt: skip
            name = f"x{len(events) // 3}"
            events += plate(name, good + number % 2, day=number, condition=condition, heat=heat)
            gone = {"type": "cutledger.plate.closed", "subject": name, "id": f"g-{name}", "time": at_noon(45)}
            events.append(events[-2] | gone | {"data": {"reason": "used"}})
    stock = [on_hand("A1", condition=CLEAN, heat="BAD"), on_hand("Z9", condition=CLEAN, heat="H2")]
    door.told(*events, on_hand("P"), *stock)
    return door


def test_no_plate_of_a_bad_heat_is_offered(bad_heat: Door) -> None:
    found = asked(bad_heat, machine="Laser 1")
    assert [one["plates_in_stock"] for one in found["raises"] if one["way"] == "plate"] == [["Z9"]]


def test_for_a_plate_of_a_bad_heat_like_plate_of_other_heats_is_offered_without_that_heat(bad_heat: Door) -> None:
    found = asked(bad_heat, "A1", machine="Laser 1")
    assert found["expected_yield"]["share"] == pytest.approx(680 / 800)
    assert "like these, but its heat is worse than chance explains; this is" in found["sentence"]
    (way,) = found["raises"]
    assert (way["way"], way["plates_in_stock"], way["without_heat"]) == ("plate", ["Z9"], "BAD")
    assert (way["good"], way["parts"], way["plates"]) == (585, 600, 30)
    assert "take another plate of another heat (Z9): 98 of 100" in notes(found)
    assert "585 of 600 parts on 30 plates, without the parts of heat BAD" in notes(found)


def test_of_a_heat_that_cannot_be_compared_its_own_counts_are_told(door: Door) -> None:
    """All that was cut was of one heat; the mill is written otherwise."""
    events = [one for number in range(6) for one in plate(f"c{number}", 18 + number % 2, day=number)]
    written = on_hand("P", condition=CLEAN)
    door.told(*events, written | {"data": {**written["data"], "mill": " NORDHELM"}})
    found = asked(door, machine="Laser 1")
    lot = found["lot"]
    assert (lot["judged_parts"], lot["judged_not_good"], lot["judged_plates"]) == (120, 9, 6)
    assert (lot["parts"], lot["verdict"], lot["reason"]) == (0, None, "no other lot in the same stratum")
    assert lot["other_mills"] == []
    assert "of heat H1 9 of 120 parts on 6 plates were not good at once; no other heat was cut alike" in notes(found)


def test_a_heat_number_that_is_known_of_another_mill_is_told_so(door: Door) -> None:
    events = [one for number in range(6) for one in plate(f"c{number}", 18 + number % 2, day=number)]
    without, other = on_hand("P", condition=CLEAN), on_hand("Q", condition=CLEAN)
    del without["data"]["mill"]
    door.told(*events, without, other | {"data": {**other["data"], "mill": "Sundvik"}})
    nameless, second = (asked(door, name, machine="Laser 1") for name in "PQ")
    assert (nameless["lot"]["judged_parts"], nameless["lot"]["other_mills"]) == (0, ["Nordhelm"])
    assert "heat H1 is known here of Nordhelm, and the plate names no mill" in notes(nameless)
    assert second["lot"]["reason"] == "nothing of this heat was judged yet"
    assert "heat H1 is known here of Nordhelm, not of Sundvik" in notes(second)


# --- standing, lot, findings, geometry --------------------------------------------------------------------------


def test_standings_of_its_thickness_and_condition_come_best_first(door: Door) -> None:
    door.set(targets={"first_pass_yield": 0.8, "confidence": 0.9})
    events = past()
    for number in range(8):
        events += plate(f"poor{number}", 6 + number % 2, day=number)
        events[-1]["data"]["recipe"] = {"name": "O2 old", "revision": "A"}
    door.told(*events, on_hand("P", condition=CLEAN))
    stands = asked(door, machine="Laser 1")["standing"]
    assert [(one["recipe"], one["standing"]) for one in stands] == [("O2 / B", "proven"), ("O2 old / A", "ruled_out")]
    assert {(one["target"], one["confidence"]) for one in stands} == {(0.8, 0.9)}
    assert stands[0]["lower"] >= 0.8
    assert {one["surface_group"] for one in stands} == {"clean"}


def test_its_lot_is_judged_as_report_lots_does_and_findings_about_it_are_there(door: Door) -> None:
    events = past()
    for number in range(6):
        events += plate(f"bad{number}", 4 + number % 2, day=number, heat="bad")
    door.told(*events, on_hand("P", condition=CLEAN, heat="bad"), on_hand("Q", heat="new"))
    findings.look(door.database, door.site, now_us=door.clock.now_us)
    found = asked(door, machine="Laser 1")
    row = next(row for row in door.rows("lots", last="26w") if row["lot"] == "bad")
    assert found["lot"]["verdict"] == "worse"
    assert {name: found["lot"][name] for name in ("parts", "not_good", "plates", "expected_share", "verdict")} == {
        name: row[name] for name in ("parts", "not_good", "plates", "expected_share", "verdict")
    }
    assert "heat bad is worse than chance explains: 93 of 120 parts were not good at once" in notes(found)
    assert [(one["kind"], one["subject"]) for one in found["findings"] if one["subject_kind"] == "heat"] == [
        ("bad_lot", "bad")
    ]
    (finding,) = door.findings(kind="bad_lot")
    assert finding["id"] in {one["id"] for one in found["findings"]}
    other = asked(door, "Q", machine="Laser 1")
    assert (other["lot"]["parts"], other["lot"]["verdict"]) == (0, None)
    assert other["lot"]["reason"] == "nothing of this heat was judged yet"
    assert "bad_lot" not in {one["kind"] for one in other["findings"]}


def test_small_holes_thin_webs_and_sharp_corners_are_held_against_the_thickness(door: Door) -> None:
    door.told(on_hand("P"), job(min_hole_mm=8, min_web_mm=30, min_corner_radius_mm=0, min_corner_angle_deg=90))
    found = asked(door, job="J")
    shown = {one["feature"]: one for one in found["geometry"]}
    assert {name: (one["size_mm"], one["ratio"]) for name, one in shown.items()} == {
        "hole": (8, 0.4), "web": (30, 1.5), "corner": (0, 0.0),
    }  # fmt: skip
    assert shown["hole"]["doubt"].startswith("a hole of 8 mm in 20 mm is 0.4 of the thickness, below 0.5: it hardly")
    assert shown["web"]["doubt"] is None
    assert shown["corner"]["doubt"].startswith("a corner without radius in 20 mm, above 15 mm")
    assert shown["hole"]["doubt"] in found["notes"]
    door.set(plausibility={"narrow_ratio": 0.3, "very_narrow_ratio": 0.2, "off": ["sharp_corner"]})
    again = {one["feature"]: one["doubt"] for one in asked(door, job="J")["geometry"]}
    assert again == {"hole": None, "web": None, "corner": None}


# --- what is missing, or at odds --------------------------------------------------------------------------------


def test_a_job_that_asks_for_another_plate_is_said_first(door: Door) -> None:
    door.told(*past(), on_hand("P"), job(thickness_mm=25, material="S460"))
    found = asked(door, job="J")
    assert found["disagreements"] == [
        "the job asks for 25 mm, its plate is 20 mm thick", "the job asks for S460, its plate is S355",
    ]  # fmt: skip
    assert found["notes"][:2] == [f"first of all: {one}" for one in found["disagreements"]]


def test_materials_of_one_group_do_not_disagree(door: Door) -> None:
    names = [{"kind": "material", "name": name, "group": "S355"} for name in ("S355", "S355J2+N")]
    door.set(aliases=names)
    door.told(on_hand("P"), job(material="S355J2+N"))
    assert asked(door, job="J")["disagreements"] == []


def test_a_machine_that_never_cut_here_has_no_figures_and_a_reason(shop: Door) -> None:
    found = asked(shop, machine="Lasr 1")
    expected = found["expected_yield"]
    assert (expected["share"], expected["parts"]) == (None, 0)
    assert expected["reason"] == "no first attempts with a verdict in the window"
    assert found["sentence"].startswith("The record does not tell what to expect of parts of 20 mm S355")
    assert "machine lasr 1 never cut here: look whether it is written right; known are Laser 1, Laser 2" in notes(found)


def test_without_machine_or_job_each_machine_that_cut_this_is_told(shop: Door) -> None:
    found = asked(shop)
    assert (found["machine"], found["machine_from"], found["job"], found["geometry"]) == (None, None, None, [])
    assert found["expected_yield"]["reason"] == "no machine is known: name it"
    assert [(one["way"], one["machine"], one["gain"]) for one in found["raises"]] == [
        ("machine", "Laser 2", None), ("machine", "Laser 1", None),
    ]  # fmt: skip


def test_the_machine_that_cut_the_job_last_stands_in_for_a_work_centre_that_is_none(shop: Door) -> None:
    found = asked(shop, job="L")
    assert (found["machine"], found["machine_from"]) == ("Laser 2", "last_cut")
    assert "machine Laser 2 cut this job last" in notes(found)


def test_a_thickness_that_was_never_tried_is_no_guess(shop: Door) -> None:
    found = asked(shop, "thick", machine="Laser 1")
    assert found["expected_yield"]["share"] is None
    assert "above the thickest tried in this condition, 20 mm" in found["sentence"]
    assert found["raises"] == []


def test_an_empty_shop_answers_too(door: Door) -> None:
    door.told(received("P", time=at_noon(60), thickness_mm=20, material="S355"))
    found = asked(door, machine="Laser 1")
    assert (found["expected_yield"]["share"], found["standing"], found["lot"]) == (None, [], None)
    assert "its heat number is not known" in notes(found)


def test_a_plate_of_which_only_an_observation_is_known_answers_that_its_thickness_is_not(shop: Door) -> None:
    found = asked(shop, "only seen", machine="Laser 1")
    assert found["expected_yield"]["reason"].startswith("thickness or material is not known")
    assert "plate only seen is not known as received or opened" in notes(found)


@pytest.mark.parametrize(
    ("path", "query", "status", "says"),
    [
        ("/v1/plates/none/precheck", {}, 404, "there is no plate 'none'"),
        ("/v1/plates/P/precheck", {"job": "none"}, 404, "there is no job 'none'"),
        ("/v1/plates/P/precheck", {"recipe": "O2"}, 422, "recipe is no parameter here"),
        ("/v1/plates/P/precheck", {"gas": "steam"}, 422, "gas must be one of oxygen"),
        ("/v1/plates/P/precheck", {"machine": "x" * 200}, 422, "machine must be a name of 1 to 128 characters"),
        ("/v1/plates/P/precheck", {"machine": " "}, 422, "machine must be a name of 1 to 128 characters"),
    ],
    ids=["plate", "job", "unknown parameter", "no gas", "long name", "blank name"],
)
def test_what_is_not_there_is_404_and_what_cannot_be_read_422(
    shop: Door, path: str, query: dict[str, str], status: int, says: str
) -> None:
    answer = shop.get(path, **query)
    assert answer.status_code == status
    assert says in answer.text


# --- who may, and how long it holds -----------------------------------------------------------------------------


def test_a_terminal_may_ask_for_open_jobs_alone(shop: Door) -> None:
    path = "/v1/plates/P/precheck"
    assert shop.get(path, key="terminal", job="J").status_code == 200
    assert shop.get(path, key="terminal", job="K").status_code == 404
    assert "job K is closed (cancelled)" in notes(shop.read(path, key="reader", job="K"))


def test_it_is_unchanged_until_something_is_counted_or_noticed_or_the_day_ends(door: Door) -> None:
    door.told(*past(), on_hand("P"), job())
    path = "/v1/plates/P/precheck"

    def status(etag: str) -> int:
        found: int = door.get(path, job="J", headers={"If-None-Match": etag}).status_code
        return found

    etag = door.get(path, job="J").headers["ETag"]
    assert status(etag) == 304
    assert door.get(path, job="J", key="terminal", headers={"If-None-Match": etag}).status_code == 200
    findings.look(door.database, door.site, now_us=door.clock.now_us)
    assert status(etag) == 200
    etag = door.get(path, job="J").headers["ETag"]
    door.clock.now_us += 86_400_000_000
    assert status(etag) == 200
    etag = door.get(path, job="J").headers["ETag"]
    door.told(*plate("more", 10, day=40))
    assert status(etag) == 200


def test_the_order_of_arrival_changes_no_byte(door: Door, service: Service) -> None:
    other = service.door(door.clock)
    events = [*past(), on_hand("P"), on_hand("Q", condition=CLEAN), job(min_hole_mm=8)]
    door.told(*events)
    other.told(*Random(3).sample(events, len(events)))
    for each in (door, other):
        findings.look(each.database, each.site, now_us=each.clock.now_us)
    one, two = (asked(each, job="J") for each in (door, other))
    for told in (one, two):
        del told["site"], told["as_of"]
    assert one == two
