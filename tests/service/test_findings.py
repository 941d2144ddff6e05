"""Findings: open for as long as the events say so, each once, with its figures, in pages."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.builders import NOW_US, event
from tests.service.conftest import Door, cut, opened, received, void
from worker.noticing.finding import KINDS

HOUR_US = 3_600_000_000
NOTHING = dict.fromkeys(("owner", "due", "action", "worked", "note"))


def started(attempt: str = "A", **data: Any) -> dict[str, Any]:
    return event("attempt.started", attempt, **data)


def shown(finding: dict[str, Any], *names: str) -> tuple[Any, ...]:
    return tuple(finding[name] for name in names)


def test_a_finding_says_its_kind_subject_words_and_figures(door: Door) -> None:
    door.told(opened(thickness_mm=25), received(), cut(job="J", plate="P"))
    (found,) = door.contradictions()
    assert found == {
        "id": found["id"], "kind": "contradiction", "code": "thickness_disagrees", "subject_kind": "attempt",
        "subject": "A", "other": "", "detail": "the job asks for 25 mm, its plate is 20 mm thick",
        "figures": {"job_thickness_mm": 25, "plate_thickness_mm": 20}, "state": "open", "window": None,
        "opened_at": None, "updated_at": None, "closed_at": None, "times_opened": 0, "noted": NOTHING,
    }  # fmt: skip


def test_a_finding_is_opened_once_and_closed_when_it_no_longer_holds(door: Door) -> None:
    door.told(opened(thickness_mm=25), received(), cut("A", job="J", plate="P"))
    (found,) = door.contradictions()
    door.told(event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=1))
    assert door.contradictions() == [found]
    door.told(opened(time="2026-03-04T11:00:00Z", thickness_mm=20))
    assert door.contradictions() == []


def test_new_names_of_materials_machines_and_recipes_are_found_once_each(door: Door) -> None:
    door.told(
        cut("A", machine="Laser 1", recipe={"name": "Thick", "revision": "A"}),
        cut("B", machine="laser 1", recipe={"name": "thick", "revision": "B"}),
        cut("C", material="S235", recipe={"power_w": 9_000}),
    )
    found = door.findings(kind="new_name")
    assert [shown(one, "subject_kind", "subject", "figures") for one in found] == [
        ("machine", "Laser 1", {"name": "Laser 1"}),
        ("material", "S235", {"name": "S235"}),
        ("material", "S355", {"name": "S355"}),
        ("recipe", "Thick", {"name": "Thick"}),
    ]
    assert all("aliases" in one["detail"] for one in found)


def test_a_name_that_the_settings_list_under_any_spelling_is_not_new(door: Door) -> None:
    door.told(cut(machine="Bay one", recipe={"name": "Thick", "revision": "A"}))
    listed = [
        {"kind": "machine", "name": "Laser 1", "also": [" BAY ONE"]},
        {"kind": "material", "name": "s355"},
        {"kind": "recipe", "name": "THICK"},
    ]
    door.set(aliases=listed)
    assert door.findings() == []
    # Listed as another kind of thing, it is new all the same
    door.set("2001-01-01", aliases=[{**each, "kind": "recipe"} for each in listed])
    assert {one["subject_kind"] for one in door.findings()} == {"machine", "material"}


def test_a_name_goes_with_the_last_event_that_writes_it(door: Door) -> None:
    mistaken = cut("A", machine="Lazer 1")
    door.told(mistaken, cut("B", machine="Laser 1"))
    door.told(void(mistaken))
    assert [one["subject"] for one in door.findings(kind="new_name")] == ["Laser 1", "S355"]


@pytest.mark.parametrize(("hours", "is_found"), [(23, False), (25, True)])
def test_an_attempt_open_for_24_hours_is_found(door: Door, hours: int, is_found: bool) -> None:
    door.told(started(time="2027-01-14T08:00:00Z"))
    door.clock.now_us = NOW_US + (hours - 24) * HOUR_US
    found = door.findings(kind="left_open")
    assert bool(found) is is_found
    if found:
        assert shown(found[0], "subject_kind", "subject") == ("attempt", "A")
        assert found[0]["figures"] == {"started_at": "2027-01-14T08:00:00+00:00"}


def test_an_attempt_is_no_longer_left_open_once_it_finished_or_its_start_is_voided(door: Door) -> None:
    starts = [started("A"), started("B")]
    door.told(*starts)
    assert [one["subject"] for one in door.findings(kind="left_open")] == ["A", "B"]
    door.told(cut("A", time="2026-03-04T11:00:00Z"))
    assert [one["subject"] for one in door.findings(kind="left_open")] == ["B"]
    door.told(void(starts[1]))
    assert door.findings(kind="left_open") == []


def test_more_found_downstream_than_was_good_is_a_contradiction(door: Door) -> None:
    door.told(cut(good=2), event("attempt.inspected", "A", time="2026-03-05T10:00:00Z", stage="downstream", scrap=3))
    (found,) = door.contradictions()
    assert (found["code"], found["figures"]) == ("more_downstream_than_good", {"found": 3, "good": 2})


def many(door: Door) -> list[str]:
    """Ids of the findings of a site with several of each kind, in order."""
    door.told(
        opened(thickness_mm=25),
        received(),
        *(cut(f"A{number}", job="J", plate="P", machine=f"L{number}") for number in range(4)),
        *(started(f"B{number}") for number in range(3)),
    )
    return [one["id"] for one in door.findings()]


def test_findings_come_in_pages_that_miss_none(door: Door) -> None:
    every = many(door)
    assert len(every) == len(set(every)) == 4 + 4 + 1 + 3  # thickness, machines, material, open
    for limit in (1, 3, 5, 12, 500):
        seen: list[str] = []
        cursor: str | None = None
        while True:
            page = door.read("/v1/findings", limit=limit, **({"after": cursor} if cursor else {}))
            seen += [one["id"] for one in page["items"]]
            assert len(page["items"]) <= limit
            cursor = page["next"]
            if cursor is None:
                break
        assert seen == every, limit


def test_a_page_links_to_the_next_with_its_filter(door: Door) -> None:
    many(door)
    answer = door.get("/v1/findings", kind="new_name", limit=2)
    found = re.fullmatch(r'<(/[^>]*)>; rel="next"', answer.headers["Link"])
    assert found
    assert parse_qs(urlsplit(found[1]).query) == {
        "kind": ["new_name"], "limit": ["2"], "after": [answer.get_json()["next"]],
    }  # fmt: skip
    following = door.ask("GET", found[1])
    assert {one["kind"] for one in following.get_json()["items"]} == {"new_name"}
    last = door.get("/v1/findings", limit=500)
    assert (last.get_json()["next"], "Link" in last.headers) == (None, False)


@pytest.mark.parametrize("kind", ["contradiction", "new_name", "left_open"])
@pytest.mark.parametrize("limit", [1, 2, 500])
def test_findings_of_one_kind_are_all_of_it_and_no_other(door: Door, kind: str, limit: int) -> None:
    many(door)
    expected = [one["id"] for one in door.findings() if one["kind"] == kind]
    seen: list[str] = []
    cursor = None
    while cursor or not seen:
        page = door.read("/v1/findings", kind=kind, limit=limit, **({"after": cursor} if cursor else {}))
        assert {one["kind"] for one in page["items"]} <= {kind}
        seen += [one["id"] for one in page["items"]]
        cursor = page["next"]
    assert seen == expected


def test_findings_belong_to_their_site(door: Door, service: Any) -> None:
    many(door)
    assert service.door(door.clock).findings() == []


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({"kind": "gossip"}, "kind"),
        ({"after": "x"}, "after"),
        ({"after": "WzFd"}, "after"),
        ({"after": "\u00e9"}, "after"),
        ({"limit": "501"}, "limit"),
        ({"state": "ajar"}, "state"),
    ],
)
def test_422_names_the_parameter_that_cannot_be_answered(door: Door, asked: dict[str, Any], parameter: str) -> None:
    answer = door.get("/v1/findings", **asked)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


def test_every_kind_can_be_asked_for(door: Door) -> None:
    for kind in KINDS:
        assert door.findings(kind=kind) == []
    assert door.get("/v1/findings", kind="gossip").status_code == 422
