"""Entries that are hardly true: each limit from both sides, what is never doubted, and what several entries say.

The limits are common practice, no source, unless a test names one.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import Any

import orjson
import pytest

from tests.builders import event
from worker.folding import fold_attempt, instant_us
from worker.jobs import fold_job
from worker.lineage import Standing
from worker.placing import Surroundings, place_attempt
from worker.plates import fold_plate
from worker.plausibility import warnings_of
from worker.plausible_limits import DEFAULT_LIMITS, DOUBTS, ORDERED, Limits, limits_in_force, limits_of
from worker.plausible_series import (
    MACHINE,
    STEEL,
    entries_at_shift_end,
    heat_by_machine,
    mass_on_plate,
    pierce_series,
    plate_mass_kg,
)
from worker.records import Event, by_value
from worker.sites import SiteCalendar, fold_settings

Said = dict[str, Any]
LIMITS = Limits()
ALONE = Standing(attempt_no=1, retry_of=None, is_last=True, in_circle=False, wholly_good_before=None)
STARTED_US = instant_us("2026-03-04T10:00:00Z")
MINUTE_US = 60_000_000


def stored(said: Said) -> Event:
    """An event as the ledger gives it back."""
    return Event(
        instant_us(said["time"]), said["source"], said["id"], said["type"], said["subject"], by_value(said["data"])
    )


def calendar_with(limits: Mapping[str, Any]) -> SiteCalendar:
    said = [event("site.set", "main", valid_from="2000-01-01", plausibility=dict(limits))] if limits else []
    return fold_settings(map(stored, said))


def rows(
    *said: Said,
    recipe: Mapping[str, Any] | None = None,
    job: Mapping[str, Any] | None = None,
    plate: Mapping[str, Any] | None = None,
    assessed: Sequence[Said] = (),
    limits: Mapping[str, Any] = {},
    **finished: Any,
) -> list[Said]:
    """Warnings of attempt A, severed at 10:00 in 20 mm, with what is said of it, its job J and its plate P."""
    named: Said = {"job": "J"} if job is not None else {}
    named |= {"plate": "P"} if plate is not None else {}
    named |= {"recipe": dict(recipe)} if recipe is not None else {}
    steel = {} if "thickness_mm" in finished else {"thickness_mm": 20}
    data = {"outcome": "severed", "started_at": "2026-03-04T10:00:00Z", **steel, **named, **finished}
    cut = fold_attempt("A", map(stored, (event("attempt.finished", "A", time="2026-03-04T10:30:00Z", **data), *said)))
    opened = event("job.opened", "J", part_number="B", quantity=1, **dict(job or {}))
    received = event("plate.received", "P", time="2026-03-03T10:00:00Z", **{"thickness_mm": 20, **dict(plate or {})})
    around = Surroundings(
        calendar_with(limits),
        {"J": fold_job("J", [stored(opened)])} if job is not None else {},
        {"P": fold_plate("P", map(stored, (received, *assessed)))} if plate is not None else {},
        {},
    )
    return list(warnings_of(cut, place_attempt(cut, ALONE, around), around))


def codes(*said: Said, **how: Any) -> list[str]:
    return sorted(row["code"] for row in rows(*said, **how))


def the_one(*said: Said, **how: Any) -> Said:
    (row,) = rows(*said, **how)
    return row


def figures(*said: Said, **how: Any) -> Said:
    found: Said = orjson.loads(the_one(*said, **how)["figures"])
    return found


def inspected(*sizes: tuple[str, float, float]) -> Said:
    told = [
        {"feature": feature, "nominal_mm": nominal, "measured_mm": measured} for feature, nominal, measured in sizes
    ]
    return event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=1, sizes=told)


def reworked(minutes: float, parts: int = 1, **data: Any) -> Said:
    given = {"operation": "grinding", "minutes": minutes, "parts": parts} | data
    return event("attempt.reworked", "A", time="2026-03-05T12:00:00Z", **given)


# --- nothing stated, nothing doubted ----------------------------------------------------------------------------


def test_an_attempt_that_states_nothing_is_not_doubted() -> None:
    assert rows() == []
    assert rows(recipe={}, job={}, plate={}) == []
    assert rows(recipe={"name": "R"}, gas="oxygen") == []


USUAL: Mapping[str, Any] = {
    "recipe": {
        "name": "O2", "feed_mm_min": 900, "gas_pressure_bar": 0.7, "standoff_mm": 0.8, "pierce_seconds": 1.5,
    },
    "job": {
        "cut_length_mm": 1800, "pierces_per_part": 5, "min_hole_mm": 22, "min_web_mm": 21, "min_corner_radius_mm": 3,
        "min_corner_angle_deg": 60,
    },
    "plate": {"measured_thickness_mm": 20.3, "temperature_c": 18},
    "gas": "oxygen", "quantity": 4, "seconds": 520, "pierces": 20, "failed_pierces": 1,
}  # fmt: skip


def test_usual_entries_are_not_doubted() -> None:
    assert rows(inspected(("outside", 250, 250.2)), reworked(12, 2), good=2, rework=2, **USUAL) == []


# --- each limit -------------------------------------------------------------------------------------------------

#: (code, gas, field of the recipe, what lies on a limit, what lies beyond it), in 20 mm.
PAIRS: Mapping[str, tuple[str, str | None, str, float, float]] = {
    # 400 mm/min x 20 mm = 8 m/min x mm; 2000 x 20 = 40
    "slow feed": ("feed_times_thickness", "oxygen", "feed_mm_min", 400, 399),
    "fast feed": ("feed_times_thickness", "oxygen", "feed_mm_min", 2000, 2001),
    "thick oxygen, low": ("gas_pressure", "oxygen", "gas_pressure_bar", 0.3, 0.29),
    "thick oxygen, high": ("gas_pressure", "oxygen", "gas_pressure_bar", 2, 2.01),
    "nitrogen": ("gas_pressure", "nitrogen", "gas_pressure_bar", 4, 3.9),
    "air": ("gas_pressure", "air", "gas_pressure_bar", 4, 3.9),
    "low stand-off": ("standoff", None, "standoff_mm", 0.3, 0.29),
    "high stand-off": ("standoff", None, "standoff_mm", 4, 4.01),
    "long pierce": ("pierce_time", None, "pierce_seconds", 60, 60.001),
}


@pytest.mark.parametrize("case", PAIRS)
def test_settings_on_their_limit_are_plausible_and_beyond_it_a_warning(case: str) -> None:
    code, gas, field, on_it, beyond_it = PAIRS[case]
    assert codes(gas=gas, recipe={field: on_it}) == []
    assert codes(gas=gas, recipe={field: beyond_it}) == [code]


def test_other_gases_and_no_gas_have_no_limits() -> None:
    for gas in ("argon", "mixture", None):
        assert codes(gas=gas, recipe={"feed_mm_min": 90_000, "gas_pressure_bar": 0}) == []


def test_oxygen_pressure_is_judged_by_thickness() -> None:
    def warned(bar: float, thickness_mm: float | None) -> bool:
        return codes(gas="oxygen", recipe={"gas_pressure_bar": bar}, thickness_mm=thickness_mm) == ["gas_pressure"]

    assert [warned(bar, 9.9) for bar in (0.1, 6, 6.01)] == [False, False, True]
    assert [warned(bar, 10) for bar in (0.1, 0.3, 2, 2.01)] == [True, False, False, True]
    assert [warned(bar, None) for bar in (0.1, 6, 6.01)] == [False, False, True]  # thickness not known


def test_feed_is_compared_with_the_length_of_a_bevelled_cut() -> None:
    # 20 mm at 60 degrees is 40 mm of cut: 1001 mm/min x 40 mm = 40.04
    recipe = {"feed_mm_min": 1001}
    assert codes(gas="oxygen", recipe=recipe, job={}) == []
    told = figures(gas="oxygen", recipe=recipe, job={"bevel_deg": 60})
    assert told["feed_times_thickness"] == pytest.approx(40.04)


#: Of 4 parts with 1800 mm each at 900 mm/min and 20 pierces of 1.5 s: 480 + 30 = 510 s; x 0.8 = 408, x 3 = 1530.
@pytest.mark.parametrize(
    ("seconds", "changes", "warned"),
    [
        (408, {}, False),
        (407, {}, True),
        (1530, {}, False),
        (1531, {}, True),
        (407, {"outcome": "not_severed"}, False),  # it may have been given up
        (407, {"mode": "resume"}, False),  # only the rest was cut
        (1531, {"outcome": "not_severed"}, True),
        (1531, {"pierces": None, "failed_pierces": None}, True),  # 4 x 5 by the job
    ],
)
def test_machine_time_is_compared_with_length_feed_and_pierces(
    seconds: float, changes: Mapping[str, Any], warned: bool
) -> None:
    assert codes(**{**USUAL, "seconds": seconds, **changes}) == (["machine_time"] if warned else [])


def test_machine_time_is_not_called_long_while_the_pierces_are_not_known() -> None:
    job, recipe = {"cut_length_mm": 1800}, {"feed_mm_min": 900}
    assert codes(job=job, recipe=recipe, seconds=100_000) == []
    assert codes(job=job, recipe=recipe, seconds=95) == ["machine_time"]  # 120 s without any pierce


def test_machine_time_without_a_part_reached_is_not_doubted() -> None:
    assert codes(**{**USUAL, "outcome": "aborted", "stop_reason": "power", "seconds": 9000}) == []


@pytest.mark.parametrize(("field", "code"), [("min_hole_mm", "hole_ratio"), ("min_web_mm", "web_ratio")])
def test_a_hole_or_web_thinner_than_the_plate_is_a_warning_and_below_half_of_it_a_strong_one(
    field: str, code: str
) -> None:
    assert codes(job={field: 20}) == []
    for size, strong in ((19.9, False), (10, False), (9.9, True)):
        row = the_one(job={field: size})
        assert (row["code"], row["subject_kind"], row["subject"]) == (code, "job", "J")
        told = orjson.loads(row["figures"])
        assert (told["strong"], told["limit"]) == (strong, 0.5 if strong else 1)
        assert told["ratio"] == pytest.approx(size / 20)


def test_geometry_is_not_doubted_while_the_thickness_is_not_known() -> None:
    assert codes(job={"min_hole_mm": 1, "min_corner_radius_mm": 0}, thickness_mm=None) == []


def test_a_corner_without_radius_is_a_warning_above_15_mm() -> None:
    assert codes(job={"min_corner_radius_mm": 0}, thickness_mm=15) == []
    assert codes(job={"min_corner_radius_mm": 0}, thickness_mm=15.1) == ["sharp_corner"]
    assert codes(job={"min_corner_radius_mm": 0.1}) == []
    assert codes(job={"min_corner_radius_mm": 0, "min_corner_angle_deg": 180}) == []  # no corner


# --- plate ------------------------------------------------------------------------------------------------------


def assessed(celsius: float, time: str) -> Said:
    return event("plate.assessed", "P", time=time, temperature_c=celsius)


@pytest.mark.parametrize(("celsius", "warned"), [(5, False), (4.9, True), (60, False), (60.1, True)])
def test_a_cold_or_hot_plate_is_a_warning(celsius: float, warned: bool) -> None:
    told = codes(plate={}, assessed=[assessed(celsius, "2026-03-04T09:00:00Z")])
    assert told == (["plate_temperature"] if warned else [])


def test_a_temperature_counts_from_its_time_and_for_a_day() -> None:
    for time, warned in (
        ("2026-03-03T10:00:00Z", True), ("2026-03-03T09:59:59Z", False), ("2026-03-04T10:00:01Z", False),
    ):  # fmt: skip
        assert bool(codes(plate={}, assessed=[assessed(-5, time)])) is warned, time
    warmed = [assessed(-5, "2026-03-04T06:00:00Z"), assessed(15, "2026-03-04T09:00:00Z")]
    assert codes(plate={}, assessed=warmed) == []


# --- sizes and rework -------------------------------------------------------------------------------------------


def test_a_size_that_deviates_by_more_than_the_kerf_is_a_warning() -> None:
    assert codes(inspected(("outside", 250, 251), ("inside", 30, 29))) == []
    told = figures(inspected(("outside", 250, 250.9), ("inside", 30.1, 28.9)), inspected(("distance", 80, 81.1)))
    assert (told["feature"], told["deviation_mm"], told["kerf_mm"]) == ("inside", -1.2, 1)


def test_rework_over_30_minutes_a_part_is_a_warning() -> None:
    assert codes(reworked(60, 2), rework=2, quantity=2) == []
    assert codes(reworked(60.1, 2), rework=2, quantity=2) == ["rework_minutes"]
    assert codes(reworked(40, 1), rework=4, quantity=4) == ["rework_minutes"]  # one of four took it all
    assert figures(reworked(20), reworked(11), rework=1)["minutes_a_part"] == 31
    assert codes(reworked(99, planned=True), rework=1) == []


def test_a_part_worked_more_than_three_times_is_a_warning() -> None:
    assert codes(*(reworked(1) for _ in range(3)), rework=1) == []
    assert codes(*(reworked(1) for _ in range(4)), rework=1) == ["rework_times"]
    # 7 of 2 parts: one of them at least 4 times
    assert codes(*(reworked(2, 2) for _ in range(3)), rework=2, quantity=2) == []
    assert figures(*(reworked(2, 2) for _ in range(3)), reworked(1), rework=2, quantity=2)["times"] == 4
    assert codes(*(reworked(1, planned=True) for _ in range(4)), rework=1) == []


# --- what a warning says ----------------------------------------------------------------------------------------


def test_a_warning_of_settings_is_about_the_recipe_else_the_machine_else_the_attempt() -> None:
    wrong = {"standoff_mm": 9}
    named = the_one(recipe={"name": " O2 Thick", "revision": "B", **wrong}, machine="Laser 1")
    assert (named["subject_kind"], named["subject"]) == ("recipe", "o2 thick / b")
    nameless = the_one(recipe=wrong, machine="Laser 1")
    assert (nameless["subject_kind"], nameless["subject"]) == ("machine", "laser 1")
    alone = the_one(recipe=wrong)
    assert (alone["subject_kind"], alone["subject"]) == ("attempt", "A")


def test_a_warning_tells_both_figures_the_limit_and_what_to_look_at() -> None:
    row = the_one(recipe={"name": "O2", "standoff_mm": 8}, gas="oxygen")
    assert row == {
        "attempt": "A", "code": "standoff", "day": "2026-03-04", "subject_kind": "recipe", "subject": "o2",
        "detail": "recipe O2 has a stand-off of 8 mm, where 0.3 to 4 mm is usual: look whether it was entered right, "
        "then at the height sensing before the nozzle is put at risk",
        "figures": '{"least_mm":0.3,"most_mm":4.0,"standoff_mm":8}',
    }  # fmt: skip


#: An attempt in which everything is wrong that one attempt can have wrong.
ALL_WRONG: Mapping[str, Any] = {
    "recipe": {"feed_mm_min": 9000, "gas_pressure_bar": 16, "standoff_mm": 9, "pierce_seconds": 90},
    "job": {"cut_length_mm": 9, "pierces_per_part": 0, "min_hole_mm": 3, "min_web_mm": 9, "min_corner_radius_mm": 0},
    "plate": {"temperature_c": -3},
    "gas": "oxygen", "seconds": 4000, "rework": 1,
}  # fmt: skip
ALL_SAID = (inspected(("outside", 300, 250)), *(reworked(40) for _ in range(4)))
#: What several entries say, and what a plate says alone.
SERIES_CODES = {"failed_pierces", "plate_mass", "times_at_shift_end", "heat_or_machine", "measured_thickness"}


def all_wrong(*said: Said, **changes: Any) -> list[Said]:
    return rows(*said, **{**ALL_WRONG, "limits": {"temperature_holds_hours": 48}, **changes})


def test_each_doubt_of_one_attempt_comes_once_with_words_of_the_table() -> None:
    found = all_wrong(*ALL_SAID)
    assert sorted(row["code"] for row in found) == sorted(DOUBTS.keys() - SERIES_CODES)
    for row in found:
        assert len(row["code"]) <= 32
        assert row["subject_kind"] in ("attempt", "plate", "job", "recipe", "machine")
        assert row["figures"].encode() == orjson.dumps(orjson.loads(row["figures"]), option=orjson.OPT_SORT_KEYS)
        assert "look" in row["detail"] or "let it warm up" in row["detail"]


def test_the_same_events_in_any_order_make_the_same_bytes() -> None:
    expected = orjson.dumps(all_wrong(*ALL_SAID))
    shuffling = random.Random(3)
    for _ in range(20):
        said = shuffling.sample(ALL_SAID, len(ALL_SAID))
        assert orjson.dumps(all_wrong(*said)) == expected


#: Field -> least and most that the door takes.
BOUNDS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "recipe": {
        "feed_mm_min": (1, 200_000), "gas_pressure_bar": (0, 100), "standoff_mm": (0, 100), "pierce_seconds": (0, 600),
    },
    "job": {
        "cut_length_mm": (0, 10_000_000), "pierces_per_part": (0, 100_000), "min_hole_mm": (0, 10_000),
        "min_web_mm": (0, 10_000), "min_corner_radius_mm": (0, 10_000), "min_corner_angle_deg": (0, 180),
        "bevel_deg": (0, 75),
    },
    "plate": {"measured_thickness_mm": (0.1, 500), "thickness_mm": (0.1, 500), "temperature_c": (-60, 1000)},
}  # fmt: skip


def test_whatever_the_door_takes_can_be_doubted() -> None:
    drawing = random.Random(5)

    def values(fields: Mapping[str, tuple[float, float]]) -> Said:
        least = {
            name: max(low, 5e-324 if low == 0 and name != "pierces_per_part" else low)
            for name, (low, _) in fields.items()
        }
        return {name: drawing.choice((None, low, least[name], high)) for name, (low, high) in fields.items()}

    for _ in range(400):
        stated = {what: values(fields) for what, fields in BOUNDS.items()}
        seconds, quantity = drawing.choice((None, 0, 604_800)), drawing.choice((1, 100_000))
        sizes = inspected(("outside", drawing.choice((0.001, 100_000)), drawing.choice((0, 100_000))))
        work = reworked(drawing.choice((0.001, 100_000)), drawing.choice((1, 100_000)))
        found = rows(
            sizes, work, **stated, seconds=seconds, quantity=quantity, gas=drawing.choice(("oxygen", "air", None))
        )
        assert len({row["code"] for row in found}) == len(found)
        assert all(orjson.loads(row["figures"]) and row["detail"] for row in found)


# --- a site's own limits ----------------------------------------------------------------------------------------


def test_a_site_sets_its_own_limits_and_what_it_leaves_out_is_as_before() -> None:
    recipe = {"standoff_mm": 5, "pierce_seconds": 61}
    assert codes(recipe=recipe) == ["pierce_time", "standoff"]
    assert codes(recipe=recipe, limits={"standoff_most_mm": 5}) == ["pierce_time"]
    assert codes(recipe=recipe, limits={"off": ["pierce_time"]}) == ["standoff"]
    calendar = calendar_with({"kerf_mm": 0.7})
    assert calendar.latest.limits.kerf_mm == 0.7
    assert dict(calendar.latest.values["plausibility"]) == {**DEFAULT_LIMITS, "kerf_mm": 0.7}


def test_limits_hold_from_their_day_on() -> None:
    said = [event("site.set", "main", valid_from="2026-03-04", plausibility={"kerf_mm": 0.7})]
    calendar = fold_settings(map(stored, said))
    day_us = 24 * 3600 * 1_000_000
    kerfs = [calendar.place(STARTED_US + days * day_us).settings.limits.kerf_mm for days in (-1, 0)]
    assert kerfs == [1.0, 0.7]


def test_limits_are_what_they_are_said_to_be() -> None:
    """5-trade, plausibility of entries."""
    assert limits_of(limits_in_force({"kerf_mm": None, "off": None})) == LIMITS == limits_of(DEFAULT_LIMITS)
    assert (LIMITS.feed_thickness_least, LIMITS.feed_thickness_most) == (8, 40)
    assert (LIMITS.rework_most_minutes, LIMITS.rework_most_times, LIMITS.plate_mass_most_share) == (30, 3, 0.95)
    assert all(getattr(LIMITS, low) <= getattr(LIMITS, high) for low, high in ORDERED)


# --- what several entries say -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("counts", "told"),
    [
        ([], None),
        ([(5, 0), (0, 0), (4, 2)], None),
        # three attempts that failed wholly: first, last, pierces, failed
        ([(1, 1), (1, 1), (1, 1)], (0, 2, 3, 3, True)),
        ([(1, 1), (0, 0), (2, 2)], (0, 2, 3, 3, True)),
        ([(3, 3)], (0, 0, 3, 3, True)),
        ([(3, 3), (0, 0)], (0, 0, 3, 3, True)),
        # in whatever order, two of 5 and one of 15 lie within 20
        ([(5, 2), (15, 1)], (0, 1, 20, 3, False)),
        ([(5, 2), (16, 1)], None),  # within 21
        # the shortest end: the first attempt is not needed
        ([(2, 1), (4, 2), (4, 1)], (1, 2, 8, 3, False)),
        # the last series counts
        ([(4, 3), (20, 0), (20, 0), (6, 3)], (3, 3, 6, 3, False)),
        # 60 pierces are 3 windows: of 6 failures 2 lie in one of them at least, of 7 three
        ([(60, 6)], None),
        ([(60, 7)], (0, 0, 20, 3, False)),
        # 19 that went through divide 60 failures into 20 groups: 3 in succession at least
        ([(79, 60)], (0, 0, 79, 3, True)),
    ],
)
def test_failed_pierces_close_together(counts: list[tuple[int, int]], told: tuple[int, ...] | None) -> None:
    found = pierce_series(counts, limits=LIMITS)
    seen = None if found is None else (found.first, found.last, found.pierces, found.failed, found.in_succession)
    assert seen == told


def test_what_is_said_of_pierces_holds_in_every_order() -> None:
    """Against all placings of failures by chance: where a series is told, each placing shows it."""
    drawing = random.Random(11)
    told = 0
    for _ in range(300):
        counts = [(pierces, drawing.randint(0, min(pierces, 3))) for pierces in drawing.choices(range(1, 30), k=4)]
        found = pierce_series(counts, limits=LIMITS)
        if found is None:
            continue
        told += 1
        for _ in range(5):
            line = [
                at in failing
                for pierces, failed in counts
                for failing in [set(drawing.sample(range(pierces), failed))]
                for at in range(pierces)
            ]
            together = LIMITS.failed_in_succession if found.in_succession else LIMITS.pierce_window
            most = max(sum(line[at : at + together]) for at in range(len(line)))
            assert most >= LIMITS.failed_in_window, counts
    assert told > 30


def test_failed_pierces_say_where_to_look_in_order() -> None:
    found = pierce_series([(3, 3)], limits=LIMITS)
    assert found is not None
    places = [found.detail.index(word) for word in ("nozzle", "centring", "protective window")]
    assert places == sorted(places)


def test_plate_mass_is_that_of_the_restated_tables() -> None:
    # trade_checks.json, mass.plate_kg.01, .02, .05, read in a stored copy: 2 x 3 m x 20 mm is 942 kg
    for length_mm, width_mm, thickness_mm, kg in (
        (2000, 3000, 20, 942.0),
        (2000, 3000, 25, 1177.5),
        (6000, 2000, 12, 1130.4),
    ):
        mass = plate_mass_kg(length_mm=length_mm, width_mm=width_mm, thickness_nm=thickness_mm * 1_000_000)
        assert mass == pytest.approx(kg, rel=1e-12)


def test_parts_over_95_percent_of_their_plate_are_a_warning_and_over_all_of_it_impossible() -> None:
    def load(*masses_kg: float) -> Any:
        return mass_on_plate(masses_kg, 942.0, limits=LIMITS)

    assert load(894.9) is None  # 0.95 x 942
    assert (load(800, 95).impossible, load(942).impossible, load(942, 0.1).impossible) == (False, False, True)
    assert "95.0%" in load(800, 95).detail
    assert mass_on_plate([1], 0, limits=LIMITS) is None
    # In any order the same bytes
    assert load(0.1, 900, 0.2, 0.3) == load(0.3, 0.2, 900, 0.1)


def test_entries_that_all_lie_at_the_end_of_a_shift() -> None:
    end = STARTED_US

    def told(*minutes: float) -> Any:
        return entries_at_shift_end([end + round(at * MINUTE_US) for at in minutes], shift_end_us=end, limits=LIMITS)

    assert told(-10, -1, 10).entries == 3
    assert told(-10.1, -1, 2) is None
    assert told(-1, 2, 10.1) is None
    assert told(-1, -2) is None  # two may be by chance
    assert told(-1, -9, -3) == told(-9, -3, -1)
    assert "within 9 minutes" in told(-1, -9, -3).detail


def test_a_heat_bad_on_one_machine_only_or_on_two() -> None:
    one = heat_by_machine({"b": True, "a": False})
    assert one is not None
    assert (one.suspect, one.bad_on, one.fine_on) == (MACHINE, ("b",), ("a",))
    two = heat_by_machine({"b": True, "a": True, "c": False})
    assert two is not None
    assert (two.suspect, two.bad_on) == (STEEL, ("a", "b"))
    assert "a, b" in two.detail
    assert heat_by_machine({"a": True}) is None  # nothing to compare with
    assert heat_by_machine({"a": False, "b": False}) is None
