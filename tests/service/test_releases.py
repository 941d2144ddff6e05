"""Released settings through the door: the last word on each place, what it changed, what the figures said."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, received

PLACE: dict[str, Any] = {"machine": "Laser 1", "material": "S355J2", "thickness_mm": 20, "gas": "oxygen"}
SETTINGS = {"power_w": 12000, "feed_mm_min": 900}


def recipe(revision: str = "A", **settings: Any) -> dict[str, Any]:
    return {"name": "O20", "revision": revision} | SETTINGS | settings


def release(door: Door, revision: str = "A", *, key: str = "engineer", **told: Any) -> Any:
    body = PLACE | {"recipe": recipe(revision), "reason": "proven"} | told
    answer = door.ask("POST", "/v1/releases", key=key, json=body)
    assert answer.status_code in (200, 201), answer.text
    return answer.get_json()


def listed(door: Door, **asked: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = door.read("/v1/releases", **asked)["items"]
    return found


def test_a_release_takes_the_place_of_the_one_before_and_says_what_it_changed(door: Door) -> None:
    assert release(door)["before"] is None
    told = release(door, "B", recipe=recipe("B", feed_mm_min=950, nozzle_mm=1.4))
    assert told["before"] == {"name": "O20", "revision": "A"}
    assert told["differences"] == [
        {"setting": "feed_mm_min", "before": 900, "now": 950},
        {"setting": "nozzle_mm", "before": None, "now": 1.4},
    ]
    (only,) = listed(door)
    assert (only["recipe"]["revision"], only["state"], only["settings"]["feed_mm_min"]) == ("B", "released", 950)
    assert told["cautions"]


def test_the_same_settings_are_released_once(door: Door) -> None:
    first = release(door)
    assert release(door)["position"] == first["position"]
    assert len(door.read("/v1/events", type="cutledger.recipe.released")["items"]) == 1


def test_a_place_is_a_machine_a_group_a_thickness_a_gas_and_a_surface(door: Door) -> None:
    door.set(aliases=[{"kind": "material", "name": "S355J2", "also": ["S355"], "group": "mild"}])
    release(door)
    # The same place by other names.
    release(door, "B", machine="LASER 1", material="s355", recipe=recipe("B"))
    assert [one["recipe"]["revision"] for one in listed(door)] == ["B"]
    for other in ({"machine": "Laser 2"}, {"material": "S690"}, {"thickness_mm": 25}, {"gas": "nitrogen"},
                  {"surface_group": "clean"}):  # fmt: skip
        release(door, "C", recipe=recipe("C"), **other)
    assert len(listed(door)) == 6
    assert len(listed(door, machine="laser 1")) == 5


def test_what_is_withdrawn_is_released_no_more(door: Door) -> None:
    withdrawal = PLACE | {"reason": "pierces fail"}
    assert door.ask("POST", "/v1/releases/withdrawal", json=withdrawal).status_code == 404
    release(door)
    answer = door.ask("POST", "/v1/releases/withdrawal", key="engineer", json=withdrawal)
    assert answer.status_code == 201
    assert (answer.get_json()["state"], answer.get_json()["reason"]) == ("withdrawn", "pierces fail")
    assert listed(door, state="released") == []
    assert [one["recipe"]["revision"] for one in listed(door, state="withdrawn")] == ["A"]
    assert release(door, "B")["before"] == {"name": "O20", "revision": "A"}


@pytest.mark.parametrize("key", ["terminal", "reader", "erp"])
def test_only_engineers_release(door: Door, key: str) -> None:
    body = PLACE | {"recipe": recipe(), "reason": "proven"}
    assert door.ask("POST", "/v1/releases", key=key, json=body).status_code == 403
    assert door.ask("POST", "/v1/releases/withdrawal", key=key, json=PLACE | {"reason": "x"}).status_code == 403


@pytest.mark.parametrize(
    ("told", "pointer"),
    [
        ({"recipe": {"name": "O20"}}, "/recipe/revision"),
        ({"gas": "steam"}, "/gas"),
        ({"thickness_in": "3/4"}, "/thickness_in"),
        ({"reason": ""}, "/reason"),
        ({"evidence": {}}, "/evidence"),
    ],
)
def test_what_is_wrong_with_a_release_is_said(door: Door, told: dict[str, Any], pointer: str) -> None:
    answer = door.ask("POST", "/v1/releases", json=PLACE | {"recipe": recipe(), "reason": "proven"} | told)
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.get_json()["errors"]] == [pointer]


def test_what_the_figures_say_is_kept_as_it_was_then(door: Door) -> None:
    door.clock.now_us = 1_772_700_000_000_000  # 2026-03-05
    for plate in range(3):
        door.told(received(f"P{plate}", material="S355J2", thickness_mm=20))
        door.told(*(cut(f"A{plate}-{n}", plate=f"P{plate}", machine="Laser 1", gas="oxygen", recipe=recipe(),
                        quantity=10, good=10) for n in range(2)))  # fmt: skip
    door.count()
    evidence = release(door)["evidence"]
    assert (evidence["parts"], evidence["good"], evidence["plates"]) == (60, 60, 3)
    assert evidence["standing"] in ("open", "proven")
    assert 0 < evidence["lower_bound"] < 1
    door.told(cut("bad", plate="P0", machine="Laser 1", gas="oxygen", recipe=recipe(), quantity=10, scrap=10))
    door.count()
    assert listed(door)[0]["evidence"] == evidence
    # Another revision has no figures.
    assert "parts" not in release(door, "B")["evidence"]


def test_the_precheck_shows_what_is_released_for_the_surface_or_for_any(door: Door) -> None:
    door.told(received("P", material="S355J2", thickness_mm=20, rust_grade="A"))
    door.count()
    asked = {"machine": "Laser 1", "gas": "oxygen"}
    assert door.read("/v1/plates/P/precheck", **asked)["released"] is None
    release(door, "any")
    assert door.read("/v1/plates/P/precheck", **asked)["released"]["recipe"]["revision"] == "any"
    release(door, "clean", surface_group="clean")
    assert door.read("/v1/plates/P/precheck", **asked)["released"]["recipe"]["revision"] == "clean"
    assert door.read("/v1/plates/P/precheck", machine="Laser 1", gas="nitrogen")["released"] is None


def test_the_order_of_arrival_does_not_matter(door: Door) -> None:
    def told(kind: str, hour: int, **more: Any) -> dict[str, Any]:
        return event(f"recipe.{kind}", "O20", time=f"2026-03-04T{hour:02}:00:00Z", reason=f"at {hour}", **more)

    events = [
        told("released", 8, recipe=recipe("A")),
        told("withdrawn", 9),
        told("released", 10, recipe=recipe("B")),
        told("released", 11, recipe=recipe("C")),
    ]
    seen = []
    for number, order in enumerate(permutations(events)):
        for one in order:
            data = one["data"] | PLACE | {"machine": f"M{number}"}
            door.told(one | {"id": f"{one['id']}-{number}", "data": data})
        (found,) = listed(door, machine=f"M{number}")
        seen.append((found["recipe"], found["before"], found["reason"], found["since"]))
    assert all(one == seen[0] for one in seen)
    assert seen[0][:3] == ({"name": "O20", "revision": "C"}, {"name": "O20", "revision": "B"}, "at 11")


def test_attempts_with_other_settings_are_told_apart_in_report_recipes(door: Door) -> None:
    door.clock.now_us = 1_772_700_000_000_000  # 2026-03-05
    steel = {"material": "S355J2", "thickness_mm": 20, "machine": "Laser 1", "gas": "oxygen", "quantity": 4}
    told = PLACE | {"recipe": recipe(), "reason": "proven"}
    door.told(
        event("recipe.released", "O20", time="2026-03-04T08:00:00Z", **told),
        cut("before", time="2026-03-04T07:00:00Z", recipe=recipe(feed_mm_min=1), good=4, **steel),
        cut("as", time="2026-03-04T09:00:00Z", recipe=recipe(), good=4, **steel),
        cut("more", time="2026-03-04T09:10:00Z", recipe=recipe(nozzle_mm=2), good=3, scrap=1, **steel),
        cut("slower", time="2026-03-04T10:00:00Z", recipe=recipe(feed_mm_min=850), good=2, scrap=2, **steel),
        cut("untold", time="2026-03-04T11:00:00Z", recipe={"name": "o20", "revision": "a"}, good=4, **steel),
        cut(
            "thicker", time="2026-03-04T11:00:00Z", recipe=recipe(feed_mm_min=1), good=4, **steel | {"thickness_mm": 25}
        ),
    )
    (row,) = door.report("recipes")["details"]["cut_otherwise"]
    assert (row["recipe"], row["machine"], row["thickness_mm"]) == ("O20 / A", "Laser 1", 20)
    assert [row[f"{what}_as_released"] for what in ("attempts", "parts", "good")] == [2, 8, 7]
    assert [row[f"{what}_otherwise"] for what in ("attempts", "parts", "good")] == [1, 4, 2]
    assert (row["attempts_untold"], row["settings"]) == (1, "feed_mm_min (1)")
