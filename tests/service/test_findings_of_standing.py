"""The finding that a standing changed: proven, fallen back, lapsed, ruled out; by cause, and told for four weeks."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from tests.builders import NOW_US
from tests.service.conftest import Door, Service, cut
from worker.findings import look

FIRST = date(2026, 1, 5)
Event = dict[str, Any]


def at(day: int) -> str:
    return f"{FIRST + timedelta(days=day)}T12:00:00Z"


def on(day: int) -> str:
    return f"{FIRST + timedelta(days=day)}"


def told(door: Door, events: Iterable[Event]) -> None:
    """Post all in one body of lines, long after they happened, and count them."""
    door.clock.now_us = NOW_US
    answer = door.post(list(events), kind="application/x-ndjson")
    assert answer.status_code == 202, answer.text
    assert {item["status"] for item in answer.get_json()["items"]} == {"accepted"}
    door.count()


def singles(good: int, bad: int = 0, *, day: int = 0, mm: float = 20, **data: Any) -> list[Event]:
    """Parts each on a plate of its own, on one day, on Laser 1 unless told otherwise."""
    name = f"{data.get('machine', 'Laser 1')} {mm} {day} {data.get('recipe')}"
    return [
        cut(
            f"{name} {part}", plate=f"{name} {part}", time=at(day), quantity=1, good=int(part < good),
            scrap=int(part >= good), thickness_mm=mm, **({"machine": "Laser 1"} | data),
        )
        for part in range(good + bad)
    ]  # fmt: skip


def looked(door: Door, day: int) -> list[dict[str, Any]]:
    """Look in the evening of a day; the standings that changed."""
    moment = datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC) + timedelta(hours=20)
    door.clock.now_us = int(moment.timestamp()) * 1_000_000
    look(door.database, door.site, now_us=door.clock.now_us)
    return door.findings(kind="standing")


def keys(found: Iterable[dict[str, Any]]) -> list[tuple[str, str, str]]:
    return [(one["subject_kind"], one["subject"], one["other"]) for one in found]


def test_what_became_proven_is_one_finding_of_its_machine_for_four_weeks(door: Door) -> None:
    told(door, [*singles(20), *singles(40, mm=25), *singles(40, mm=30), *singles(40, machine="Laser 2", day=1)])
    laser_1, laser_2 = looked(door, 2)
    assert keys([laser_1, laser_2]) == [("machine", "laser 1", "proven"), ("machine", "laser 2", "proven")]
    assert {(one["kind"], one["code"], one["state"]) for one in (laser_1, laser_2)} == {
        ("standing", "standing_changed", "open")
    }
    figures = laser_1["figures"]
    assert (figures["how"], figures["target"], figures["confidence"], figures["changed"]) == ("proven", 0.9, 0.95, 2)
    assert [
        (row["thickness_mm"], row["from"], row["to"], row["day"], row["parts"], row["good"])
        for row in figures["standings"]
    ] == [(25, None, "proven", on(0), 40, 40), (30, None, "proven", on(0), 40, 40)]
    assert figures["standings"][0]["lower"] == pytest.approx(0.05 ** (1 / 40))
    assert laser_1["detail"].startswith("became proven at a first-pass yield of 90 %: 25 mm of S355 on Laser 1 since")
    assert (
        f"30 mm of S355 on Laser 1 since {on(0)}, 40 of 40 parts of 40 plates good, yield between 92.8% and 100.0%"
        in (laser_1["detail"])
    )
    assert laser_1["window"] == {"first_day": "2025-07-10", "last_day": on(2)}
    # The third thickness follows: the same finding, brought up to date; then each change grows old
    told(door, singles(20, day=10))
    (again, _) = looked(door, 10)
    assert (again["id"], again["figures"]["changed"], again["opened_at"]) == (laser_1["id"], 3, laser_1["opened_at"])
    assert [one["figures"]["changed"] for one in looked(door, 28)] == [1, 1]
    assert keys(looked(door, 29)) == [("machine", "laser 1", "proven")]
    assert looked(door, 38) == []
    assert {one["state"] for one in door.findings(kind="standing", state="all")} == {"closed"}


def test_one_that_fell_back_is_told_until_it_is_proven_again(door: Door) -> None:
    told(door, singles(60, 1))
    assert looked(door, 40) == []
    told(door, singles(6, 8, day=41))
    (found,) = looked(door, 41)
    assert keys([found]) == [("machine", "laser 1", "fell_back")]
    (row,) = found["figures"]["standings"]
    assert (row["from"], row["to"], row["day"], row["parts"], row["good"]) == ("proven", "open", on(41), 75, 66)
    assert row["more_good_parts"] > 0
    assert "no longer promise it" in found["detail"]
    told(door, singles(row["more_good_parts"], day=45))
    assert looked(door, 45) == []
    assert [one["state"] for one in door.findings(kind="standing", state="all")][-1] == "closed"


def test_one_cause_on_a_machine_is_one_finding(door: Door) -> None:
    mms = range(20, 26)
    told(door, [event for mm in mms for event in singles(40, mm=mm)])
    told(door, [event for mm in mms for event in singles(6, 8, mm=mm, day=41)])
    (found,) = looked(door, 41)
    assert keys([found]) == [("machine", "laser 1", "fell_back")]
    assert [row["thickness_mm"] for row in found["figures"]["standings"]] == list(mms)
    assert "; and 3 more; " in found["detail"]


def test_what_was_ruled_out_is_told(door: Door) -> None:
    told(door, [*singles(40), *singles(3, 6, mm=40, day=1)])
    assert keys(looked(door, 1)) == [("machine", "laser 1", "proven"), ("machine", "laser 1", "ruled_out")]
    told(door, singles(0, 40, day=35))
    (found,) = looked(door, 35)
    assert [(row["from"], row["to"]) for row in found["figures"]["standings"]] == [("proven", "ruled_out")]


def test_what_one_plate_rules_out_is_no_finding_yet(door: Door) -> None:
    def plate(name: str, good: int, machine: str = "Laser 1") -> Event:
        return cut(f"A {name}", plate=name, time=at(0), machine=machine, quantity=12, good=good, scrap=12 - good)

    # From enough other plates it is known how alike parts of one plate are
    told(door, [plate("P", 2), *(plate(f"L{number}", 11 + number % 2, "Laser 2") for number in range(30))])
    assert keys(looked(door, 1)) == [("machine", "laser 2", "proven")]
    told(door, [plate("Q", 2)])
    assert keys(looked(door, 1)) == [("machine", "laser 1", "ruled_out"), ("machine", "laser 2", "proven")]


def test_what_one_plate_takes_from_proven_to_ruled_out_is_told_as_a_loss(door: Door) -> None:
    alike = [
        cut(
            f"L{number}", plate=f"L{number}", time=at(day), machine="Laser 2", quantity=12, good=11 + number % 2,
            scrap=1 - number % 2,
        )
        for day in (0, 180)
        for number in range(day, day + 30)
    ]  # fmt: skip
    told(door, [*alike, *singles(40)])
    told(door, [cut("bad", plate="Z", time=at(185), quantity=20, good=0, scrap=20, machine="Laser 1")])
    # The good ones grew old on day 182; the bad plate fell among what is left
    for day in (185, 209):
        (found,) = (one for one in looked(door, day) if one["subject"] == "laser 1")
        assert keys([found]) == [("machine", "laser 1", "lapsed")]
    (row,) = found["figures"]["standings"]
    assert (row["from"], row["to"], row["day"], row["plates"]) == ("proven", "ruled_out", on(182), 1)


def test_a_revision_that_came_and_went_leaves_a_loss_that_is_told(door: Door) -> None:
    told(door, singles(40, recipe={"name": "R", "revision": "A"}))
    told(door, singles(0, 1, day=50, recipe={"name": "R", "revision": "B"}))
    assert keys(looked(door, 50)) == [("recipe", "r / b", "laser 1")]
    # Cut again, the older one is not what it was: its bound holds no target any more
    told(door, singles(2, 3, day=51, recipe={"name": "R", "revision": "A"}))
    (found,) = looked(door, 51)
    assert keys([found]) == [("machine", "laser 1", "superseded")]
    assert "prove it anew before it is promised" in found["detail"]
    # Good again, it is no news at all
    told(door, singles(80, day=52, recipe={"name": "R", "revision": "A"}))
    assert looked(door, 52) == []


def test_another_spelling_of_the_machine_is_the_same_finding(door: Door) -> None:
    told(door, singles(40, machine="laser 1", day=5))
    (found,) = looked(door, 6)
    assert found["detail"].startswith("became proven at a first-pass yield of 90 %: 20 mm of S355 on laser 1")
    told(door, singles(1, machine="LASER 1", mm=12, day=1))
    (again,) = looked(door, 7)
    assert (again["id"], again["subject"], again["opened_at"]) == (found["id"], "laser 1", found["opened_at"])
    assert "20 mm of S355 on LASER 1" in again["detail"]


def test_nothing_is_promised_on_few_plates_while_nothing_tells_how_alike_their_parts_are(door: Door) -> None:
    told(door, [cut(f"x{p}", plate=f"X{p}", time=at(0), quantity=10, good=10, machine="Laser 1") for p in range(4)])
    assert looked(door, 2) == []


def test_what_lapsed_with_age_is_told(door: Door) -> None:
    told(door, [*singles(40), *singles(2, day=150)])
    assert looked(door, 181) == []
    (found,) = looked(door, 182)
    assert keys([found]) == [("machine", "laser 1", "lapsed")]
    (row,) = found["figures"]["standings"]
    assert (row["day"], row["parts"], row["more_good_parts"], row["on_plates"]) == (on(182), 2, 27, 27)
    assert "prove it anew" in found["detail"]
    assert looked(door, 182 + 28) == []


def test_a_new_revision_is_one_finding_for_all_that_it_makes_lapse(door: Door) -> None:
    def recipe(revision: str) -> dict[str, str]:
        return {"name": "S355", "revision": revision}

    told(door, [event for mm in (20, 25, 30) for event in singles(40, mm=mm, recipe=recipe("A"))])
    told(door, singles(40, machine="Laser 2", recipe=recipe("A")))
    told(door, [event for mm in (20, 25, 30) for event in singles(1, mm=mm, day=50, recipe=recipe("B"))])
    (found,) = looked(door, 50)
    assert keys([found]) == [("recipe", "s355 / b", "laser 1")]
    assert [(row["thickness_mm"], row["recipe"], row["day"]) for row in found["figures"]["standings"]] == [
        (mm, "S355 / A", on(50)) for mm in (20, 25, 30)
    ]
    assert found["detail"].startswith(
        "revision B of the recipe, S355 / B, is cut on Laser 1: what the one before proved has lapsed, 20 mm of S355"
    )


def test_parts_of_an_unnamed_machine_are_told_of_the_site(door: Door) -> None:
    told(door, singles(40, machine=...))
    assert keys(looked(door, 1)) == [("site", door.site, "proven")]


def test_the_target_of_the_site_decides_and_another_target_is_no_news(door: Door) -> None:
    told(door, singles(40))
    assert looked(door, 40) == []
    door.set(targets={"first_pass_yield": 0.95})
    assert looked(door, 41) == []
    told(door, singles(19, day=42))
    (found,) = looked(door, 42)
    assert (found["figures"]["target"], found["figures"]["changed"]) == (0.95, 1)


def test_a_trial_and_a_pending_day_change_nothing(door: Door) -> None:
    told(door, [*singles(40, purpose="trial"), *singles(40, mm=25), cut("later", time=at(0), quantity=6)])
    assert looked(door, 1) == []


def test_any_order_of_arrival_finds_the_same(door: Door, service: Service) -> None:
    other = service.door(door.clock)
    events = [
        *singles(40), *singles(6, 8, day=20), *singles(40, mm=25), *singles(2, 9, mm=30, day=3),
        *singles(40, mm=35, recipe={"name": "R", "revision": "1"}),
        *singles(1, mm=35, day=21, recipe={"name": "R", "revision": "2"}),
    ]  # fmt: skip
    told(door, events)
    told(other, reversed(events))
    one, two = looked(door, 30), looked(other, 30)
    told_of = ("id", "detail", "figures", "window", "subject", "other")
    assert [[each[name] for name in told_of] for each in one] == [[each[name] for name in told_of] for each in two]
    assert keys(one) == [
        ("machine", "laser 1", "fell_back"), ("machine", "laser 1", "ruled_out"), ("recipe", "r / 2", "laser 1")
    ]  # fmt: skip
