"""What is wrong with what was asked or typed is said in the language of the page, though the schemas speak English."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest

from service.pages.form_faults import by_pointer
from service.pages.languages import LANGUAGE_COOKIE
from service.problems import Problem
from tests.service.conftest import Door
from tests.service.pages.reading import alert_of, faults_at, fields_of, opened_page, sent_form

#: Words by which a text is told to be German.
GERMAN = re.compile(r"\b(muss|ist|hat|enthält|fehlt|sein|schreiben|geben|darf|gilt|wurde|vor)\b", re.IGNORECASE)


@pytest.fixture
def german(door: Door) -> Iterator[Door]:
    """The door for somebody who chose German."""
    door.client.set_cookie(LANGUAGE_COOKIE, "de")
    yield door
    door.client.delete_cookie(LANGUAGE_COOKIE)


def settings(door: Door, section: str, **typed: Any) -> Any:
    path = f"/site/settings/{section}"
    return sent_form(door, path, fields_of(opened_page(door, path)) | typed, status=422)


@pytest.mark.parametrize(
    ("section", "field", "typed", "said"),
    [
        ("calendar", "zone", "Europe/Berlim",
         "muss eine IANA-Zeitzone wie Europe/Berlin oder UTC sein; gefunden: \"Europe/Berlim\"; am nächsten: "
         "Europe/Berlin"),
        ("calendar", "shifts", "06:00 | early\n6 | late",
         "Zeile 2, start: muss so sein: eine Uhrzeit von 00:00 bis 23:59 mit je zwei Ziffern wie 06:00; gefunden: "
         "\"6\""),
        ("calendar", "valid_from", "soon",
         "muss ein Tag von 2000 bis 2099 sein wie 2026-03-02; gefunden: \"soon\""),
        ("rates", "currency", "", "fehlt; anzugeben: Währung nach ISO 4217"),
        ("entries", "standoff_most_mm", "1000.5", "muss eine Zahl von 0 bis 100 sein; gefunden: 1000,5"),
        ("pushes", "webhook_hosts", "0.0.0.0/1",
         "Zeile 1: ist ein zu weites Netz; nennen Sie die des Werks, höchstens /8; gefunden: \"0.0.0.0/1\""),
    ],
)  # fmt: skip
def test_a_fault_of_a_setting_is_said_in_german(german: Door, section: str, field: str, typed: str, said: str) -> None:
    page = settings(german, section, **{"machine_per_hour": "120", "day_start": "05:30"} | {field: typed})
    assert faults_at(page, field) == [said]
    assert 'lang="en"' not in page.text.partition("<main")[2]


def test_faults_of_a_key_are_said_in_german(german: Door) -> None:
    page = sent_form(german, "/site/keys", fields_of(opened_page(german, "/site/keys")) | {"name": ""}, status=422)
    assert faults_at(page, "name") == ["fehlt; anzugeben: wer ihn hat"]
    assert faults_at(page, "roles") == ["fehlt; anzugeben: was er darf"]
    key = german.key("reader").split("_")[1]
    path = f"/site/keys/{key}/replacing"
    assert sent_form(german, path, fields_of(opened_page(german, path)), status=201)
    again = sent_form(german, path, {"overlap_hours": "1"}, status=409)
    assert "wurde durch" in alert_of(again)
    assert 'lang="en"' not in again.text.partition("<main")[2]


@pytest.mark.parametrize(
    "path",
    [
        "/week?week=2026-W60", "/week?week=2030-W01", "/week?other=1", "/change?from=yesterday", "/change?last=9x",
        "/change?other=1", "/change?from=2026-03-02&to=2026-03-01", "/change?per=year", "/limit?target=2",
        "/limit?thickness_mm=thick", "/limit?gas=helium", "/limit?confidence=1", "/findings?kind=odd",
        "/findings?limit=0", "/attempts?day=today", "/jobs?thickness=thick", "/jobs?behind=x",
        "/jobs?material=x&material=y",
        "/handover?other=1",
    ],
)  # fmt: skip
def test_a_page_that_is_asked_for_what_cannot_be_says_so_in_german(german: Door, path: str) -> None:
    page = opened_page(german, path, status=422).text
    (alert,) = re.findall(r'<p class="problem"([^>]*)>(.*?)</p>', page, re.DOTALL)
    assert "lang=" not in alert[0], alert
    assert GERMAN.search(unescape(alert[1])), alert


def test_in_english_it_is_said_as_the_door_says_it(door: Door) -> None:
    path = "/limit?thickness_mm=thick"
    (told,) = door.ask("GET", "/v1/reports/limit?thickness_mm=thick").get_json()["errors"]
    alert = alert_of(opened_page(door, path, status=422))
    assert alert == f"{told['parameter'].capitalize()} {told['detail']}."


def test_what_has_no_form_is_marked_as_english(service: Any) -> None:
    problem = Problem(422, "fields", "", [{"pointer": "/zone", "detail": "is odd"}, {"pointer": "/x", "detail": "too"}])
    with service.app.test_request_context("/", headers={"Accept-Language": "de"}):
        whole, faults = by_pointer(problem, {"zone": "zone"})
    assert whole is not None
    assert [(said, said.lang) for said in (whole, *faults["zone"])] == [("x too", "en"), ("is odd", "en")]
