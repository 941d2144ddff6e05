"""The hand-over: what is left open on one page, and a note for the next shift that is taken once."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, received
from tests.service.test_sessions import Browser

NOW_US = 1_772_632_800_000_000  # 2026-03-04T14:00:00Z
HANDED_OVER = "cutledger.shift.handed_over"


@pytest.fixture
def door(door: Door) -> Door:
    door.clock.now_us = NOW_US
    door.told(cut("A", machine="Laser 1", good=1), received("P"))
    return door


@pytest.fixture
def browser(door: Door, service: Any) -> Browser:
    browser = Browser(service)
    browser.sign_in(door.keys["terminal"])
    return browser


def page(door: Door, key: str = "admin", **asked: str) -> str:
    answer = door.get("/handover", key=key, headers={"Accept": "text/html"}, site=door.site, **asked)
    assert answer.status_code == 200, answer.text
    return str(answer.text)


def section(text: str, name: str) -> str:
    """The words of a part of the page."""
    (found,) = re.findall(rf'<h2 id="{name}">(.*?)</section>', text, re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", found)).split())


def form(text: str) -> dict[str, str]:
    """What the form for a note holds."""
    (found,) = re.findall(r'<form class="form".*?</form>', text, re.DOTALL)
    return {name: unescape(value) for name, value in re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', found)}


def notes(door: Door) -> list[dict[str, Any]]:
    return [item["event"] for item in door.read("/v1/events", type=HANDED_OVER)["items"]]


def test_it_shows_what_is_left_open_with_its_age(door: Door) -> None:
    door.told(
        event("attempt.started", "S", time="2026-03-04T13:30:00Z", job="J-9", plate="P", machine="Laser 1", quantity=4),
        cut("B", job="J-1", plate="P", machine="Laser 1", quantity=4, tried=4, rework=1, time="2026-03-04T10:00:00Z"),
        cut("C", job="J-1", plate="P", machine="Laser 1", quantity=2, tried=2, time="2026-03-04T11:00:00Z"),
        event("machine.serviced", "Laser 1", time="2026-03-02T06:00:00Z", what="nozzle"),
        event("shift.handed_over", "Laser 1", time="2026-03-04T06:00:00Z", note="<b>P</b> lies\non the table"),
    )
    text = page(door)
    assert "J-9" in section(text, "runs")
    assert "30 minutes ago" in section(text, "runs")
    assert section(text, "unjudged").startswith("Not judged yet 5 parts")
    assert "P J-1, Laser 1 20 5 4 hours ago" in section(text, "unjudged")
    assert "P J-1, Laser 1 20 1 4 hours ago" in section(text, "in-rework")
    assert "nozzle Laser 1 2 days ago" in section(text, "services")
    assert "&lt;b&gt;P&lt;/b&gt; lies\non the table" in text


def test_it_is_of_one_machine_when_that_is_chosen(door: Door) -> None:
    door.told(
        cut("B", job="J-1", machine="Laser 1", quantity=4, tried=4),
        cut("C", job="J-2", machine="Laser 2", quantity=4, tried=4),
        event("shift.handed_over", "laser 2", note="elsewhere"),
    )
    text = page(door, machine="Laser 1")
    assert "Hand-over of Laser 1" in text
    assert "elsewhere" not in text
    assert ("J-1" in section(text, "unjudged"), "J-2" in section(text, "unjudged")) == (True, False)
    assert "J-2" in section(page(door), "unjudged")


def test_a_terminal_sees_its_own_attempts_alone(door: Door) -> None:
    door.told(cut("B", job="J-1", quantity=4, tried=4, source="/terminals/bay-1"))
    for bay, seen in (("/terminals/bay-1", True), ("/terminals/bay-2", False)):
        text = page(door, key=door.key("terminal", prefix=bay))
        assert ("J-1" in section(text, "unjudged")) is seen


def test_long_tables_say_how_many_more_there_are(door: Door) -> None:
    door.told(*(cut(f"B{n}", job=f"J-{n}", quantity=2, tried=2, time=f"2026-03-04T08:{n:02}:00Z") for n in range(11)))
    found = section(page(door), "unjudged")
    assert found.startswith("Not judged yet 22 parts")
    assert ("J-0" in found, "J-10" in found, "and 3 more" in found) == (True, False, True)


def test_a_note_is_in_the_ledger_once_however_often_it_is_sent(door: Door, browser: Browser) -> None:
    sent = form(browser.get("/handover").text) | {"machine": "Laser 1", "note": "P on the table\r\ntwo parts to go"}
    for _ in range(2):
        answer = browser.open("POST", "/handover", data=sent)
        assert answer.status_code == 303, answer.text
        door.clock.now_us += 1_000_000  # a finger that slips comes later
    (kept,) = notes(door)
    assert kept["data"] == {"note": "P on the table\ntwo parts to go"}
    assert (kept["subject"], kept["source"]) == ("Laser 1", f"/terminals/{door.keys['terminal'].split('_')[1]}")
    after = browser.get(answer.headers["Location"]).text
    assert "Your note is kept" in after
    assert "P on the table" in section(after, "notes")  # before anything is counted


def test_another_text_under_the_same_form_is_not_lost(door: Door, browser: Browser) -> None:
    sent = form(browser.get("/handover").text) | {"machine": "Laser 1", "note": "first"}
    browser.open("POST", "/handover", data=sent)
    door.clock.now_us += 1
    answer = browser.open("POST", "/handover", data=sent | {"note": "second"})
    assert answer.status_code == 422
    assert "another text" in answer.text
    assert ">second</textarea>" in answer.text
    browser.open("POST", "/handover", data=sent | {"note": "second"} | form(answer.text))
    assert [one["data"]["note"] for one in notes(door)] == ["first", "second"]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"machine": "Laser 1", "note": "  "}, "Write what the next shift should know."),
        ({"machine": "", "note": "x"}, "Choose the machine."),
        ({"machine": "Laser 1", "note": "x" * 2_003}, "This is 3 characters too long."),
        ({"machine": "Laser 1", "note": "a\x07b"}, "holds a character that is not printable (U+0007)"),
        ({"machine": "L" * 129, "note": "x"}, "has 129 characters"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_what_cannot_be_taken_is_said_at_its_field_and_stays_typed(
    door: Door, browser: Browser, typed: dict[str, str], said: str
) -> None:
    answer = browser.open("POST", "/handover", data=form(browser.get("/handover").text) | typed)
    assert (answer.status_code, answer.mimetype) == (422, "text/html")
    (alert,) = re.findall(r'role="alert">([^<]*)<', answer.text)
    assert said in unescape(alert)
    assert f">{typed['note'].strip()}</textarea>" in answer.text
    assert notes(door) == []


def test_a_note_of_another_host_is_refused(door: Door, browser: Browser) -> None:
    sent = form(browser.get("/handover").text) | {"machine": "Laser 1", "note": "x", "csrf_token": "x"}
    assert browser.open("POST", "/handover", data=sent).status_code == 403
    assert notes(door) == []


def test_it_names_nobody(door: Door) -> None:
    door.set(people="keep")
    door.told(cut("B", operator="K. Varga", quantity=2, tried=2, machine="Laser 1"))
    assert "Varga" not in page(door)
