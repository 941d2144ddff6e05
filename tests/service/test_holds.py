"""Holds through the door: placed, shown before a cut, cut all the same, lifted; whatever order they arrive in."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, received
from worker.findings import look

STEEL = {"material": "S355", "thickness_mm": 20}


def held(door: Door, key: str = "engineer", **told: Any) -> dict[str, Any]:
    answer = door.ask("POST", "/v1/holds", key=key, json={"reason": "pitted"} | told)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.get_json()
    return found


def lift(door: Door, hold: str, key: str = "engineer", **told: Any) -> Any:
    return door.ask("POST", f"/v1/holds/{hold}/lifting", key=key, json={"reason": "blasted"} | told)


def placed(at: str, hold: str = "HD-1", **told: Any) -> dict[str, Any]:
    return event("hold.placed", hold, time=at, reason="pitted", **told)


def lifted(at: str, hold: str = "HD-1") -> dict[str, Any]:
    return event("hold.lifted", hold, time=at, reason="blasted")


def of(door: Door, hold: str) -> dict[str, Any]:
    found: dict[str, Any] = door.read(f"/v1/holds/{hold}")
    return found


def test_a_hold_is_there_at_once_and_is_lifted_by_an_engineer(door: Door) -> None:
    name = held(door, key="terminal", plate="P", finding="F-1")["id"]
    assert [one["id"] for one in door.read("/v1/holds", state="open")["items"]] == [name]
    for key in ("terminal", "erp", "reader"):
        assert lift(door, name, key=key).status_code == 403
    answer = lift(door, name, disposition="conforms")
    assert answer.status_code == 201
    told = answer.get_json()
    assert (told["state"], told["lifted_reason"], told["disposition"]) == ("lifted", "blasted", "conforms")
    assert door.read("/v1/holds", state="open")["items"] == []


def test_what_only_an_admin_may_lift_an_engineer_may_not(door: Door) -> None:
    name = held(door, machine="Laser 1", may_lift="admin")["id"]
    answer = lift(door, name)
    assert answer.status_code == 403
    assert "role admin" in answer.get_json()["detail"]
    assert lift(door, name, key="admin").status_code == 201


@pytest.mark.parametrize(
    ("told", "pointer"),
    [
        ({"reason": "x"}, ""),
        ({"reason": "x", "plate": "P", "job": "J"}, "/job"),
        ({"reason": "x", "plate": "P", "mill": "M"}, "/mill"),
        ({"reason": "x", "attempts": []}, ""),
        ({"plate": "P"}, "/reason"),
        ({"plate": "P", "reason": "x", "may_lift": "terminal"}, "/may_lift"),
    ],
)
def test_a_hold_names_one_thing_and_why(door: Door, told: dict[str, Any], pointer: str) -> None:
    answer = door.ask("POST", "/v1/holds", json=told)
    assert answer.status_code == 422
    assert pointer in [error["pointer"] for error in answer.get_json()["errors"]]


@pytest.mark.parametrize(
    ("told", "is_on"),
    [
        ({"plate": "P"}, True),
        ({"plate": "P-parent"}, True),
        ({"plate": "P-other"}, False),
        ({"heat_number": "H1"}, True),
        ({"heat_number": "H1", "mill": " nordhelm "}, True),
        ({"heat_number": "H1", "mill": "Other"}, False),
        ({"machine": "LASER 1"}, True),
        ({"machine": "Laser 2"}, False),
        ({"job": "J"}, True),
        ({"job": "J2"}, False),
        ({"attempts": ["A"]}, False),
    ],
)
def test_the_precheck_shows_what_is_held_of_it(door: Door, told: dict[str, Any], is_on: bool) -> None:
    door.told(
        received("P-parent", mill="Nordhelm", heat_number="H1", **STEEL),
        received("P", parent="P-parent", **STEEL),
        event("job.opened", "J", part_number="B", quantity=4, **STEEL),
    )
    hold = held(door, **told)
    check = door.read("/v1/plates/P/precheck", machine="Laser 1", job="J")
    assert [one["id"] for one in check["holds"]] == ([hold["id"]] if is_on else [])
    assert any(hold["id"] in note for note in check["notes"]) is is_on
    assert lift(door, hold["id"]).status_code == 201
    assert door.read("/v1/plates/P/precheck", machine="Laser 1", job="J")["holds"] == []


def test_a_recipe_is_held_with_all_its_revisions_or_one(door: Door) -> None:
    for revision in ("A", "B"):
        door.told(cut(f"A-{revision}", machine="L", recipe={"name": "O20", "revision": revision}, good=1, **STEEL))
    door.told(cut("A-none", machine="L", recipe={"name": "o20"}, good=1, **STEEL))
    door.told(cut("A-other", machine="L", recipe={"name": "O20x", "revision": "A"}, good=1, **STEEL))
    at = "2026-03-01T00:00:00Z"
    door.told(placed(at, "all", recipe={"name": "O20"}), placed(at, "one", recipe={"name": "O20", "revision": "b"}))
    assert {one["attempt"] for one in of(door, "all")["cuts"]} == {"A-A", "A-B", "A-none"}
    assert [one["attempt"] for one in of(door, "one")["cuts"]] == ["A-B"]


def test_a_cut_while_it_held_is_a_finding_until_it_is_lifted(door: Door) -> None:
    door.told(received("P", mill="M", heat_number="H1", **STEEL), received("P-1", parent="P", **STEEL))
    door.told(placed("2026-03-04T08:00:00Z", plate="P"))
    door.told(
        cut("before", plate="P", time="2026-03-04T07:59:59Z", good=1),
        cut("during", plate="P", time="2026-03-04T09:00:00Z", good=1),
        cut("remnant", plate="P-1", time="2026-03-04T09:30:00Z", good=1),
        cut("elsewhere", plate="P-9", time="2026-03-04T09:30:00Z", good=1, **STEEL),
    )
    assert [one["attempt"] for one in of(door, "HD-1")["cuts"]] == ["during", "remnant"]
    look(door.database, door.site, now_us=door.clock.now_us)
    (found,) = door.findings(kind="held")
    assert (found["subject_kind"], found["subject"], found["code"]) == ("hold", "HD-1", "cut_while_held")
    assert found["figures"]["attempts"] == ["during", "remnant"]
    assert "2 attempts" in found["detail"]
    lift(door, "HD-1")
    door.count()
    look(door.database, door.site, now_us=door.clock.now_us + 3_600_000_000)
    assert door.findings(kind="held") == []


def test_the_order_of_arrival_does_not_matter(door: Door) -> None:
    """Placed, lifted, placed again: what was cut in each span, in whatever order all of it came."""
    told = [
        placed("2026-03-04T08:00:00Z", plate="P"),
        lifted("2026-03-04T10:00:00Z"),
        placed("2026-03-04T12:00:00Z", plate="P"),
        cut("in", plate="P", time="2026-03-04T09:00:00Z", good=1, **STEEL),
        cut("between", plate="P", time="2026-03-04T11:00:00Z", good=1, **STEEL),
    ]
    seen = set()
    for number, order in enumerate(list(permutations(told))[::17]):
        names = {"HD-1": f"HD-{number}", "P": f"P-{number}"}
        for one in order:
            subject = names.get(one["subject"], f"{one['subject']}-{number}")
            data = {name: names.get(str(value), value) for name, value in one["data"].items()}
            door.told(one | {"id": f"{one['id']}-{number}", "subject": subject, "data": data})
        found = of(door, f"HD-{number}")
        cuts = tuple(one["attempt"].rpartition("-")[0] for one in found["cuts"])
        seen.add((found["state"], found["times_placed"], found["placed_at"], cuts))
    assert seen == {("open", 2, "2026-03-04T12:00:00Z", ("in",))}


def test_a_voided_placing_holds_nothing(door: Door) -> None:
    told = placed("2026-03-04T08:00:00Z", plate="P")
    door.told(told)
    void = event("event.voided", "HD-1")
    void["data"] = {"source": told["source"], "id": told["id"], "reason": "wrong plate"}
    door.told(void)
    assert door.get("/v1/holds/HD-1").status_code == 404


def test_an_etag_changes_with_a_hold_that_waits_to_be_counted(door: Door) -> None:
    first = door.get("/v1/holds")
    assert door.get("/v1/holds", headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    held(door, plate="P")
    assert door.get("/v1/holds", headers={"If-None-Match": first.headers["ETag"]}).status_code == 200


def test_pages_of_holds_show_each_once(door: Door) -> None:
    names = sorted(held(door, plate=f"P{n}")["id"] for n in range(5))
    seen: list[str] = []
    after: dict[str, Any] = {}
    while True:
        page = door.read("/v1/holds", limit=2, **after)
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert seen == names


def test_what_is_held_and_lifted_is_pushed_once(door: Door) -> None:
    body = {"name": "erp", "url": "https://10.20.0.7/pushes", "topics": ["hold.placed", "hold.lifted"]}
    door.set(webhook_hosts=["10.20.0.0/16"])
    webhook = door.ask("POST", "/v1/webhooks", json=body).get_json()["webhook"]
    name = held(door, mill="M", heat_number="H1", finding="F-1")["id"]
    door.count()
    lift(door, name, disposition="scrap")
    door.count()
    told = placed("2026-03-04T08:00:00Z", "HD-void", plate="P")
    void = event("event.voided", "HD-void")
    void["data"] = {"source": told["source"], "id": told["id"], "reason": "wrong plate"}
    door.told(told | {}, void)
    door.count()
    deliveries = door.read(f"/v1/webhooks/{webhook}/deliveries")["items"]
    assert sorted(one["topic"] for one in deliveries) == ["hold.lifted", "hold.placed"]


@pytest.mark.parametrize(
    ("told", "is_on"),
    [
        ({"heat_number": "H1"}, True),
        ({"plate": "P"}, True),
        ({"machine": "LASER 1"}, True),
        ({"job": "J"}, True),
        ({"recipe": {"name": "O20"}}, True),
        ({"recipe": {"name": "O20", "revision": "C"}}, False),
        ({"attempts": ["A"]}, True),
        ({"plate": "P-other"}, False),
    ],
)
def test_a_trace_says_what_is_held_of_what_it_reached(door: Door, told: dict[str, Any], is_on: bool) -> None:
    door.told(
        received("P", mill="Nordhelm", heat_number="H1", **STEEL),
        event("job.opened", "J", part_number="B", quantity=4, **STEEL),
        cut("A", plate="P", job="J", machine="Laser 1", recipe={"name": "O20", "revision": "B"}, good=1),
    )
    hold = held(door, **told)
    door.count()
    notes = door.read("/v1/trace", job="J")["notes"]
    assert any(hold["id"] in note for note in notes) is is_on
