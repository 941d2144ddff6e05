"""The ledger as a feed: a reader that follows the cursor sees every event once, none missed, as it was sent."""

from __future__ import annotations

import json
import re
from random import Random
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from service.bodies import ONE_EVENT
from tests.builders import NOW_US, event
from tests.service.conftest import Door, cut, opened, void


def followed(door: Door, after: str | None = None, **asked: Any) -> tuple[list[dict[str, Any]], str]:
    """All items from a cursor on, and the cursor at their end."""
    items: list[dict[str, Any]] = []
    while True:
        page = door.read("/v1/events", **asked, **({} if after is None else {"after": after}))
        items += page["items"]
        after = page["next"]
        if not page["more"]:
            return items, str(after)


def ids(items: list[dict[str, Any]]) -> list[str]:
    return [item["event"]["id"] for item in items]


def test_each_item_is_the_event_as_sent_with_its_position_and_receipt(door: Door) -> None:
    body = (
        b'{"specversion": "1.0", "id": "1", "source": "/t/1", "type": "cutledger.attempt.finished", "subject": "A",'
        b' "time": "2026-03-04T11:00:00.50+01:00", "traceid": 7, "data": {"outcome": "severed",'
        b' "seconds": 4.120e2, "recipe": {"power_w": 12000.0, "name": null}, "good": 1E0}}'
    )
    (taken,) = door.post(body, kind=ONE_EVENT).get_json()["items"]
    answer = door.get("/v1/events")
    (item,) = answer.get_json()["items"]
    assert item["position"] == taken["position"]
    assert item["received_at"] == "2027-01-15T08:00:00Z"  # the server's clock
    assert item["event"] == json.loads(body)
    # Numbers leave as they were written
    assert b'"seconds":4.120e2' in answer.data
    assert b'"power_w":12000.0' in answer.data
    assert b'"good":1E0' in answer.data


def test_receipt_is_kept_to_the_microsecond(door: Door) -> None:
    door.clock.now_us = NOW_US + 1
    door.told(cut())
    (item,) = door.read("/v1/events")["items"]
    assert item["received_at"] == "2027-01-15T08:00:00.000001Z"


def test_events_leave_in_the_order_of_their_commit_not_of_their_time(door: Door) -> None:
    door.told(cut("B", id="2", time="2026-03-05T10:00:00Z"), cut("C", id="3", time="2026-03-06T10:00:00Z"))
    door.told(cut("A", id="1", time="2026-03-01T10:00:00Z"))
    assert ids(door.read("/v1/events")["items"]) == ["2", "3", "1"]


def test_the_feed_does_not_wait_for_counting(door: Door) -> None:
    door.post(cut(id="1"))
    assert ids(door.read("/v1/events")["items"]) == ["1"]


@pytest.mark.parametrize("limit", [1, 2, 7, 1000])
def test_following_the_cursor_sees_every_event_once_while_others_come_and_are_counted(door: Door, limit: int) -> None:
    random = Random(limit)
    waiting = [cut(f"A{number}", id=f"{number}") for number in range(23)]
    seen: list[str] = []
    cursor: str | None = None
    while waiting or len(seen) < 23:
        batch, waiting = waiting[:5], waiting[5:]
        door.post([*batch, *random.choices(batch, k=2)] if batch else [])
        if random.random() < 0.5:
            door.count()
        page = door.read("/v1/events", limit=limit, **({} if cursor is None else {"after": cursor}))
        assert len(page["items"]) <= limit
        seen += ids(page["items"])
        cursor = page["next"]
    assert seen == [str(number) for number in range(23)]


def test_the_cursor_at_the_end_stays_good_for_what_comes(door: Door) -> None:
    door.told(cut(id="1"))
    items, cursor = followed(door)
    assert ids(items) == ["1"]
    for _ in range(2):
        assert door.read("/v1/events", after=cursor) == {"items": [], "next": cursor, "more": False}
    door.told(cut(id="2"))
    assert ids(followed(door, cursor)[0]) == ["2"]


def test_an_empty_ledger_has_a_cursor_too(door: Door) -> None:
    page = door.read("/v1/events")
    assert (page["items"], page["more"]) == ([], False)
    door.told(cut(id="1"))
    assert ids(followed(door, page["next"])[0]) == ["1"]


def test_more_says_whether_there_is_more_already(door: Door) -> None:
    door.told(*(cut(f"A{number}", id=str(number)) for number in range(4)))
    pages = [door.read("/v1/events", limit=2)]
    pages.append(door.read("/v1/events", limit=2, after=pages[0]["next"]))
    assert [page["more"] for page in pages] == [True, False]


def test_the_link_to_what_follows_keeps_the_filters(door: Door) -> None:
    door.told(*(cut("A/1 ü", id=str(number)) for number in range(3)), cut("B", id="x"))
    answer = door.get("/v1/events", limit=2, subject="A/1 ü")
    found = re.fullmatch(r'<(/[^>]*)>; rel="next"', answer.headers["Link"])
    assert found
    asked = dict(parse_qsl(urlsplit(found[1]).query))
    assert asked == {"limit": "2", "subject": "A/1 ü", "after": answer.get_json()["next"]}
    following = door.ask("GET", found[1])
    assert ids(following.get_json()["items"]) == ["2"]


def test_filters_by_type_and_subject_repeated_mean_any_of_them(door: Door) -> None:
    mistaken = cut("A", id="1")
    door.told(
        mistaken, cut("B", id="2"), event("attempt.started", "B", id="3"), opened("J", id="4"), void(mistaken, id="5")
    )
    finished, started = "cutledger.attempt.finished", "cutledger.attempt.started"
    for asked, expected in (
        ({"type": finished}, ["1", "2"]),
        ({"type": [finished, started]}, ["1", "2", "3"]),
        ({"subject": "A"}, ["1", "5"]),
        ({"subject": ["A", "J"]}, ["1", "4", "5"]),
        ({"type": finished, "subject": "B"}, ["2"]),
        ({"subject": "nobody"}, []),
    ):
        assert ids(door.read("/v1/events", **asked)["items"]) == expected, asked
        assert ids(followed(door, limit=1, **asked)[0]) == expected, asked


def test_voided_events_stay_in_the_feed(door: Door) -> None:
    mistaken = cut(id="1")
    door.told(mistaken, void(mistaken, id="2"))
    assert ids(door.read("/v1/events")["items"]) == ["1", "2"]


def test_the_feed_of_a_site_holds_no_other_sites_events_and_a_cursor_gives_none_away(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    door.told(cut(id="mine 1"))
    other.told(cut(id="theirs"))
    door.told(cut(id="mine 2"))
    items, cursor = followed(door, limit=1)
    assert ids(items) == ["mine 1", "mine 2"]
    # A cursor names a place in the ledger, no right to read it
    assert followed(other, cursor)[0] == []
    assert (
        other.read("/v1/events", after=door.read("/v1/events", limit=1)["next"])["items"][0]["event"]["id"] == "theirs"
    )


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({"after": "417"}, "after"),
        ({"after": "f1:7"}, "after"),
        ({"after": "ZjE6NDE3!"}, "after"),
        ({"after": "\u00e9"}, "after"),
        ({"limit": "0"}, "limit"),
        ({"limit": "1001"}, "limit"),
        ({"limit": "ten"}, "limit"),
        ({"limit": "1e2"}, "limit"),
        ({"limit": "\u0663"}, "limit"),
        ({"type": "cutledger.attempt.finnished"}, "type"),
        ({"subject": ""}, "subject"),
        ({"subject": "x" * 129}, "subject"),
        ({"types": "cutledger.attempt.finished"}, "types"),
        ({"since": "2026-03-04"}, "since"),
        ({"site": ["a", "b"]}, "site"),
    ],
)
def test_422_names_the_parameter_that_cannot_be_answered(door: Door, asked: dict[str, Any], parameter: str) -> None:
    answer = door.get("/v1/events", **asked)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    (error,) = answer.get_json()["errors"]
    assert error["parameter"] == parameter
    assert error["detail"]
