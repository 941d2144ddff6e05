"""Report recipes through the door: like with like, what speed costs, what was never compared, the best so far."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, Service, cut, opened, received
from tests.service.test_simpsons_trap import BERKELEY, STONES, Pair, common_odds_ratio

FIRST_MONDAY = date(2026, 1, 5)
WINDOW = {"from_": "2026-01-05", "to": "2026-06-30"}
PAIR = {"first": "O2 20 / A", "second": "O2 20 / B"}
CLEAN = {"preparation_grade": "Sa 2.5"}
DISTURBED = {"rust_grade": "C"}
Event = dict[str, Any]


def recipe(revision: str, **settings: Any) -> dict[str, Any]:
    return {"name": "O2 20", "revision": revision, **settings}


def plate(
    name: str, good: int, parts: int, *, settings: dict[str, Any], mm: int = 20, day: int = 0, rework: int = 0,
    minutes: float = 0, stated: dict[str, Any] | None = None, **said: Any,
) -> list[Event]:  # fmt: skip
    """A plate that came in and one attempt on it; what is neither good nor reworked is scrap."""
    at = FIRST_MONDAY + timedelta(days=day)
    steel = {"thickness_mm": mm}
    usual = {"machine": "Laser 1", "gas": "oxygen"}
    made = {"quantity": parts, "good": good, "rework": rework, "scrap": parts - good - rework}
    events = [
        received(name, id=f"r-{name}", time=f"{at - timedelta(days=1)}T12:00:00Z", **steel, **(stated or CLEAN)),
        cut(
            f"A-{name}", id=f"c-{name}", plate=name, time=f"{at}T12:00:00Z", recipe=settings, **steel,
            **{**usual, **made, **said},
        ),
    ]  # fmt: skip
    if minutes:
        work = {"operation": "grinding", "minutes": minutes, "parts": rework}
        events.append(event("attempt.reworked", f"A-{name}", id=f"w-{name}", time=f"{at}T13:00:00Z", **work))
    return events


def told(door: Door, events: Iterable[Event]) -> None:
    answer = door.post(list(events))
    assert answer.status_code == 202, answer.text
    door.count()


def as_recipes(pairs: dict[int, Pair], *, single: bool) -> list[Event]:
    """By thickness in mm what each recipe was cut: each part a plate, or all of a share on one plate."""
    events: list[Event] = []
    for mm, shares in pairs.items():
        for (good, parts), revision in zip(shares, "AB", strict=True):
            name = f"{revision}{mm}"
            if single:
                for number in range(parts):
                    events += plate(f"{name}-{number}", int(number < good), 1, settings=recipe(revision), mm=mm)
            else:
                events += plate(name, good, parts, settings=recipe(revision), mm=mm)
    return events


def compared(door: Door, **asked: Any) -> dict[str, Any]:
    """The only comparison of an answer."""
    (found,) = door.report("recipes", **{**WINDOW, **asked})["details"]["comparisons"]
    return dict(found)


# --- published --------------------------------------------------------------------------------------------------


def test_departments_as_thicknesses_give_the_published_common_odds_ratio(door: Door) -> None:
    # CMH-02 [read in stored copy], see BERKELEY: odds of admission of men, the first, over those of women are 0.9046968
    # with the interval 0.7719074 to 1.0603298; all together they would be 1.84. Second over first is the inverse.
    told(door, as_recipes(BERKELEY, single=False))
    report = door.report("recipes", **WINDOW, **PAIR)
    (found,) = report["details"]["comparisons"]
    assert 1 / found["odds_ratio"] == pytest.approx(0.9046968, abs=6e-5)
    assert 1 / found["odds_ratio"] == pytest.approx(common_odds_ratio(BERKELEY.values()), rel=1e-9)
    assert (1 / found["odds_ratio_high"], 1 / found["odds_ratio_low"]) == pytest.approx(
        (0.7719074, 1.0603298), abs=6e-5
    )
    assert (found["strata"], found["verdict"]) == (6, "no difference shown")
    assert found["sameness_p_value"] < 0.01
    assert any(note.startswith("strata differ in what O2 20 / B does") for note in report["notes"])
    # Share by share as published; the raw totals, 45 % and 30 %, stand nowhere.
    assert [(row["first_parts"], row["second_parts"]) for row in report["rows"]] == [
        (first[1], second[1]) for first, second in BERKELEY.values()
    ]


def test_simpsons_stones_name_the_recipe_that_is_better_at_either_thickness(door: Door) -> None:
    # See STONES: open surgery, the first, does better with small and with large stones (93 and 73 % against 87 and
    # 69 %), all together worse (78 against 83 %).
    told(door, as_recipes(STONES, single=True))
    found = compared(door, **PAIR)
    assert found["difference"] < 0
    assert found["odds_ratio"] == pytest.approx(1 / common_odds_ratio(STONES.values()), rel=1e-9)
    assert found["first_yield"] > found["second_yield"]
    weights = [first[1] * second[1] / (first[1] + second[1]) for first, second in STONES.values()]
    gaps = [second[0] / second[1] - first[0] / first[1] for first, second in STONES.values()]
    expected = math.fsum(w * gap for w, gap in zip(weights, gaps, strict=True)) / math.fsum(weights)
    assert found["difference"] == pytest.approx(expected, rel=1e-9)
    assert found["second_yield"] - found["first_yield"] == pytest.approx(expected, rel=1e-9)


# --- what speed costs -------------------------------------------------------------------------------------------


def faster_but_reworked() -> list[Event]:
    """B cuts a metre in 50 s where A takes 60, but on each plate parts need grinding."""
    events = [
        opened("J", id="j", cut_length_mm=2000, part_mass_kg=10, quantity=500, time="2026-01-02T08:00:00Z"),
    ]
    for number in range(10):
        wobble = number % 3
        slow = recipe("A", feed_mm_min=1000, pierce_seconds=1.5, power_w=12000)
        fast = recipe("B", feed_mm_min=1200, pierce_seconds=1.1, power_w=12000)
        events += plate(
            f"a{number}", 10, 10, settings=slow, day=2 * (number % 5), job="J", seconds=1200 + 10 * wobble,
            pierces=50, failed_pierces=1,
        )  # fmt: skip
        events += plate(
            f"b{number}", 7, 10, settings=fast, day=2 * (number % 5) + 1, job="J", seconds=1000 + 10 * wobble,
            pierces=50, failed_pierces=1 + wobble, rework=3, minutes=10 + wobble,
        )  # fmt: skip
    return events


def test_a_faster_recipe_that_costs_rework_shows_as_such(door: Door) -> None:
    rates = {"currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 120, "material_per_kg": 1.5}
    door.set(rates=rates)
    told(door, faster_but_reworked())
    report = door.report("recipes", **WINDOW, **PAIR)
    (found,) = report["details"]["comparisons"]
    # Ten plates of 10 parts of 2 m: 9 of wobble 0, 10 and 20 s in turn add 90 s.
    assert found["first_seconds_per_metre"] == pytest.approx((12_000 + 90) / 200)
    assert found["second_seconds_per_metre"] == pytest.approx((10_000 + 90) / 200)
    assert found["seconds_per_metre_ratio"] == pytest.approx(10_090 / 12_090)
    assert found["seconds_per_metre_ratio_low"] < 10_090 / 12_090 < found["seconds_per_metre_ratio_high"] < 0.9
    assert found["first_rework_minutes_per_part"] == 0
    assert found["second_rework_minutes_per_part"] == pytest.approx(109 / 100)
    assert 0 < found["rework_minutes_difference_low"] < 1.09 < found["rework_minutes_difference_high"]
    assert (found["first_yield"], found["second_yield"]) == (1.0, 0.7)
    assert found["verdict"] == "worse"
    assert (found["first_pierce_seconds"], found["second_pierce_seconds"]) == (1.5, 1.1)
    assert found["second_failed_pierce_rate"] == pytest.approx(19 / 500)
    # Machine 120 and person 60 an hour, over 100 good parts of A, and of B 70 and 30 in rework without an end.
    assert found["first_cost_per_good_part"] == pytest.approx(12_090 / 3600 * 120 / 100)
    assert found["second_cost_per_good_part"] == pytest.approx((10_090 / 3600 * 120 + 109 / 60 * 60) / 70)
    assert report["details"]["currency"] == "EUR"
    notes = "\n".join(report["notes"])
    assert "O2 20 / B against O2 20 / A, like with like: first-pass yield 30.0 points lower" in notes
    assert "17% less" in notes
    assert "O2 20 / B is faster and costs 1.1 rework minutes a part and 30.0 points of yield, against 17%" in notes
    assert "so far: 30 of the parts compared are still in rework" in notes
    assert "never" not in notes


def test_settings_that_differ_are_listed_and_the_others_are_not(door: Door) -> None:
    told(door, faster_but_reworked())
    settings = door.report("recipes", **WINDOW, **PAIR)["details"]["settings"]
    assert [(one["setting"], one["first_value"], one["second_value"]) for one in settings] == [
        ("feed_mm_min", 1000, 1200), ("pierce_seconds", 1.5, 1.1),
    ]  # fmt: skip
    assert {(one["first_share"], one["second_share"]) for one in settings} == {(1.0, 1.0)}


def test_time_is_told_by_the_part_where_no_length_is_known_and_of_whole_cuts_alone(door: Door) -> None:
    events = []
    for number in range(4):
        events += plate(f"a{number}", 5, 5, settings=recipe("A"), day=number, seconds=500 + number)
        events += plate(f"b{number}", 5, 5, settings=recipe("B"), day=number, seconds=400 + number)
    # Given up after a tenth of the time: that is not how long a part takes.
    events += plate("given up", 0, 5, settings=recipe("B"), day=1, seconds=40, outcome="not_severed", scrap=0, tried=5)
    told(door, events)
    found = compared(door, **PAIR)
    assert (found["first_seconds_per_metre"], found["seconds_per_metre_ratio"]) == (None, None)
    assert found["second_seconds_per_part"] == pytest.approx(1606 / 20)
    assert found["seconds_per_part_ratio"] == pytest.approx(1606 / 2006)


# --- like with like ---------------------------------------------------------------------------------------------


def test_recipes_that_were_hardly_ever_cut_alike_are_told_so(door: Door) -> None:
    events = plate("a-both", 9, 10, settings=recipe("A"), mm=20) + plate("b-both", 8, 10, settings=recipe("B"), mm=20)
    for number in range(9):
        events += plate(f"a{number}", 10, 10, settings=recipe("A"), mm=12, day=number)
        events += plate(f"b{number}", 6, 10, settings=recipe("B"), mm=40, day=number)
    told(door, events)
    report = door.report("recipes", **WINDOW, **PAIR)
    (found,) = report["details"]["comparisons"]
    assert (found["first_share_compared"], found["second_share_compared"]) == (0.1, 0.1)
    assert found["reason"] == "hardly ever cut under like conditions"
    assert any(note.startswith("O2 20 / B and O2 20 / A were hardly ever cut under like") for note in report["notes"])
    # The rows show what each was cut alone, with no difference.
    assert [(row["thickness_mm"], row["difference"] is None) for row in report["rows"]] == [
        (12, True), (20, False), (40, True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("otherwise", "column"),
    [
        ({"machine": "Laser 2"}, "machine"),
        ({"gas": "nitrogen"}, "gas"),
        ({"stated": DISTURBED}, "surface_group"),
        ({"stated": {**CLEAN, "edges": "plasma"}}, "thermal_history"),
    ],
    ids=["machine", "gas", "surface", "thermal history"],
)
def test_what_differs_in_the_plate_or_the_machine_is_never_compared(
    door: Door, otherwise: dict[str, Any], column: str
) -> None:
    events = []
    for number in range(4):
        events += plate(f"a{number}", 10, 10, settings=recipe("A"), day=number)
        events += plate(f"b{number}", 5, 10, settings=recipe("B"), day=number, **otherwise)
    told(door, events)
    report = door.report("recipes", **WINDOW, **PAIR)
    (found,) = report["details"]["comparisons"]
    assert (found["reason"], found["p_value"], found["verdict"]) == ("never cut under like conditions", None, None)
    assert any("were never cut under like conditions: nothing tells" in note for note in report["notes"])
    assert len({row[column] for row in report["rows"]}) == 2


def test_a_recipe_that_followed_another_is_said_to_have(door: Door) -> None:
    events = []
    for number in range(4):
        events += plate(f"a{number}", 9, 10, settings=recipe("A"), day=number)
        events += plate(f"b{number}", 9, 10, settings=recipe("B"), day=10 + number)
    told(door, events)
    notes = door.report("recipes", **WINDOW, **PAIR)["notes"]
    assert any(note.startswith("O2 20 / B was cut only after O2 20 / A") for note in notes)


def test_parts_lost_to_a_confirmed_other_cause_speak_of_no_recipe(door: Door) -> None:
    events = []
    for number in range(4):
        events += plate(f"a{number}", 10, 10, settings=recipe("A"), day=number)
        causes = [{"term": "handling", "certainty": "confirmed"}]
        events += plate(f"b{number}", 6, 10, settings=recipe("B"), day=number, causes=causes)
    told(door, events)
    found = compared(door, **PAIR)
    assert (found["first_yield"], found["second_yield"]) == (1.0, 1.0)


# --- which are compared -----------------------------------------------------------------------------------------


def three_revisions() -> list[Event]:
    """A good one, one cut on rusty plate mostly and as good there, a poor one; and a lone one of 40 mm."""
    events = []
    for number in range(10):
        events += plate(f"a{number}", 9 - number % 2, 10, settings=recipe("A"), day=number)
        events += plate(f"c{number}", 4 + number % 2, 10, settings=recipe("C"), day=number)
        events += plate(f"ad{number}", 5, 10, settings=recipe("A"), day=number, stated=DISTURBED)
        events += plate(f"lone{number}", 9, 10, settings=recipe("thick"), mm=40, day=number)
    for number in range(20):
        events += plate(f"bd{number}", 6 + number % 2, 10, settings=recipe("B"), day=number % 10, stated=DISTURBED)
    for number in range(10):
        events += plate(f"b{number}", 10 - number % 2, 10, settings=recipe("B"), day=number)
    return events


def test_the_best_so_far_is_picked_at_an_equal_mix_of_conditions(door: Door) -> None:
    told(door, three_revisions())
    raw = {row["recipe"]: row["first_pass_yield"] for row in door.rows("yield", by="recipe", **WINDOW)}
    # All together B lies below the mean of its own clean plate, since it met more rusty plate.
    assert raw["O2 20 / B"] < 0.8
    report = door.report("recipes", **WINDOW)
    pairs = report["details"]["comparisons"]
    assert [(one["thickness_mm"], one["first"], one["second"]) for one in pairs] == [
        (20, "O2 20 / B", "O2 20 / A"), (20, "O2 20 / B", "O2 20 / C"),
    ]  # fmt: skip
    assert [one["verdict"] for one in pairs] == ["worse", "worse"]
    assert report["details"]["pairs"] == 3
    # Of three pairs two are shown: each q allows for the one that picking the best has looked at.
    p_values = sorted(one["p_value"] for one in pairs)
    assert sorted(one["q_value"] for one in pairs) == pytest.approx([min(3 * p_values[0], 1.5 * p_values[1]),
                                                                    1.5 * p_values[1]])  # fmt: skip
    assert [row["second"] for row in report["rows"] if row["thickness_mm"] == 40] == [None]
    notes = "\n".join(report["notes"])
    assert "1 kind of cut was done with one recipe only" in notes
    assert "picked by looking, which flatters it" in notes


def test_a_recipe_that_met_another_nowhere_is_not_the_best_for_want_of_comparison(door: Door) -> None:
    # A poor one, cut on rusty plate alone, where nothing else was cut: its yield is all that is expected there.
    events = three_revisions()
    for number in range(60):
        edges = {**DISTURBED, "edges": "plasma"}
        events += plate(f"poor{number}", 5, 10, settings=recipe("D"), day=number % 10, stated=edges)
    told(door, events)
    pairs = door.report("recipes", thickness_mm="20", **WINDOW)["details"]["comparisons"]
    assert [(one["first"], one["second"], one["reason"]) for one in pairs][-1] == (
        "O2 20 / B", "O2 20 / D", "never cut under like conditions",
    )  # fmt: skip
    assert {one["first"] for one in pairs} == {"O2 20 / B"}


def test_where_no_two_were_cut_alike_the_best_so_far_is_that_of_the_plain_yield_and_is_said_to_be(door: Door) -> None:
    events = []
    for number in range(10):
        events += plate(f"a{number}", 9 + number % 2, 10, settings=recipe("A"), day=number)
    for number in range(60):
        events += plate(f"c{number}", 5, 10, settings=recipe("C"), day=number % 10, stated=DISTURBED)
    told(door, events)
    report = door.report("recipes", **WINDOW)
    assert {(row["first"], row["second"]) for row in report["rows"]} == {("O2 20 / A", "O2 20 / C")}
    assert [row["reason"] for row in report["rows"]] == ["only one of the two was cut so"] * 2
    notes = "\n".join(report["notes"])
    assert "no two recipes were cut on like plate at 20 mm, S355, Laser 1, oxygen: the first there has" in notes
    assert "equal mix" not in notes


def test_what_is_known_of_recipes_that_cannot_be_compared_is_told_all_the_same(door: Door) -> None:
    events = [opened("J", id="j", cut_length_mm=2000, time="2026-01-02T08:00:00Z")]
    for number in range(4):
        for revision, mm, feed in (("A", 20, 900), ("B", 25, 1000)):
            settings = recipe(revision, feed_mm_min=feed)
            name = f"{revision}{number}"
            events += plate(name, 4, 5, settings=settings, mm=mm, day=number, job="J", seconds=100, rework=1, minutes=5)
    told(door, events)
    for asked, second in (({}, None), (PAIR, "O2 20 / B")):
        report = door.report("recipes", **WINDOW, **asked)
        first = report["rows"][0]
        assert (first["first"], first["second"], first["thickness_mm"]) == ("O2 20 / A", second, 20)
        assert first["first_seconds_per_metre"] == pytest.approx(10)
        assert first["first_rework_minutes_per_part"] == pytest.approx(1)
        feeds = [
            (one["first"], one["second"], one["first_value"], one["second_value"])
            for one in report["details"]["settings"]
        ]
        alone = [("O2 20 / A", None, 900, None), ("O2 20 / B", None, 1000, None)]
        assert feeds == (alone if second is None else [("O2 20 / A", "O2 20 / B", 900, 1000)])


def test_of_many_pairs_those_with_the_most_parts_are_told_and_the_rest_counted(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("worker.reports.recipe_comparison.MOST_PAIRS", 1)
    told(door, three_revisions())
    report = door.report("recipes", **WINDOW)
    # B and A have rusty plate in common too.
    assert [(one["first"], one["second"]) for one in report["details"]["comparisons"]] == [("O2 20 / B", "O2 20 / A")]
    assert (report["details"]["left_out"], report["details"]["pairs"]) == (2, 3)
    assert {(row["first"], row["second"]) for row in report["rows"]} == {("O2 20 / B", "O2 20 / A")}
    assert report["notes"][0].startswith("2 pairs are left out, those with the fewest parts to compare")
    # Of three p values the two that are not shown count as 1.
    assert report["details"]["comparisons"][0]["q_value"] == pytest.approx(
        3 * report["details"]["comparisons"][0]["p_value"]
    )


def test_one_recipe_is_held_against_all_that_were_cut_alike(door: Door) -> None:
    told(door, three_revisions())
    pairs = door.report("recipes", first="o2 20 / a", **WINDOW)["details"]["comparisons"]
    assert [(one["first"], one["second"]) for one in pairs] == [
        ("O2 20 / A", "O2 20 / B"), ("O2 20 / A", "O2 20 / C"),
    ]  # fmt: skip
    assert [one["verdict"] for one in pairs] == ["better", "worse"]


def test_a_filter_leaves_its_own_thickness_to_compare(door: Door) -> None:
    told(door, three_revisions())
    report = door.report("recipes", thickness_mm="40", **WINDOW)
    assert [(row["first"], row["reason"]) for row in report["rows"]] == [
        ("O2 20 / thick", "no other recipe was cut of this")
    ]
    assert report["details"]["comparisons"] == []


def test_aliases_name_recipes(door: Door) -> None:
    door.set(aliases=[{"kind": "recipe", "name": "Oxygen 20", "also": ["O2 20"]}])
    told(door, three_revisions())
    pairs = door.report("recipes", first="O2 20 / A", second="Oxygen 20 / B", **WINDOW)["details"]["comparisons"]
    assert [(one["first"], one["second"], one["verdict"]) for one in pairs] == [
        ("Oxygen 20 / A", "Oxygen 20 / B", "better")
    ]


def test_a_recipe_that_nobody_cut_is_named_with_what_comes_near(door: Door) -> None:
    told(door, three_revisions())
    report = door.report("recipes", first="O2 20 / A", second="O2 20", **WINDOW)
    assert report["details"]["comparisons"][0]["verdict"] is None
    assert any(
        note.startswith("nothing was cut with O2 20 in this window under these filters; near are O2 20 / ")
        for note in report["notes"]
    )


def test_a_shop_without_recipes_has_an_empty_answer_that_says_why(door: Door) -> None:
    door.told(cut("A", quantity=10, good=9, scrap=1))
    report = door.report("recipes")
    assert (report["rows"], report["details"]["parts_without_recipe"]) == ([], 10)
    assert any(note.startswith("there is nothing to compare") for note in report["notes"])


@pytest.mark.parametrize(
    ("asked", "parameter", "says"),
    [
        ({"second": "B"}, "first", "is missing"),
        ({"first": "O2 20 / A", "second": "o2 20 / a "}, "second", "is the same recipe as first"),
        ({"first": " "}, "first", "must be a name"),
        ({"by": "machine"}, "by", ""),
    ],
    ids=["second alone", "twice the same", "no name", "divided"],
)
def test_a_question_that_cannot_be_answered_is_refused(
    door: Door, asked: dict[str, str], parameter: str, says: str
) -> None:
    answer = door.get("/v1/reports/recipes", **asked)
    assert answer.status_code == 422
    (error,) = answer.get_json()["errors"]
    assert error["parameter"] == parameter
    assert says in error["detail"]


# --- the answer -------------------------------------------------------------------------------------------------


def test_csv_has_the_rows_of_the_json(door: Door) -> None:
    told(door, faster_but_reworked())
    rows = door.report("recipes", **WINDOW)["rows"]
    window = {name.rstrip("_"): value for name, value in WINDOW.items()}
    text = door.get("/v1/reports/recipes", format="csv", **window).text
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in rows]
    for line, row in zip(lines, rows, strict=True):
        for column, cell in line.items():
            value = row[column]
            assert (None if cell == "" else cell if isinstance(value, str) else float(cell)) == value, column


def shuffled(events: Sequence[Event], seed: int) -> list[Event]:
    return Random(seed).sample(events, len(events))


def test_the_order_of_arrival_changes_no_byte(door: Door, service: Service) -> None:
    other = service.door(door.clock)
    events = [*faster_but_reworked(), *plate("thick", 9, 10, settings=recipe("C"), mm=40)]
    told(door, events)
    told(other, shuffled(events, 7))
    window = {name.rstrip("_"): value for name, value in WINDOW.items()}
    one, two = (each.get("/v1/reports/recipes", **window).text.partition('"rows"')[2] for each in (door, other))
    assert one == two
    assert one


def test_figures_as_they_stood_are_those_of_then(door: Door) -> None:
    told(door, faster_but_reworked())
    then = door.report("recipes", **WINDOW, **PAIR)
    told(door, plate("later", 0, 10, settings=recipe("A"), day=3))
    again = door.report("recipes", at=then["as_of"]["position"], **WINDOW, **PAIR)
    assert (again["rows"], again["details"]) == (then["rows"], then["details"])
    assert door.report("recipes", **WINDOW, **PAIR)["rows"] != then["rows"]
