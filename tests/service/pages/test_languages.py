"""Languages: which one a page is in, and how numbers and days are written in it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask import Flask

from service.app import create_app
from service.pages import languages
from service.pages.languages import (
    day,
    gettext,
    instant,
    language,
    money,
    ngettext,
    number,
    percent,
    percent_between,
)
from tests.service.conftest import Service
from worker.database import Database

HTML = {"Accept": "text/html"}
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def app(tmp_path: Any) -> Flask:
    return create_app(Database(f"sqlite:///{tmp_path / 'unused.sqlite3'}"), nudge=lambda: None)


# --- which language ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "chosen", "read"),
    [
        (None, None, "en"),
        ("de", None, "de"),
        ("de-AT,de;q=0.9,en;q=0.5", None, "de"),
        ("fr, en;q=0.9, de;q=0.1", None, "en"),
        ("fr", None, "en"),
        ("en", "de", "de"),
        ("de", "en", "en"),
        ("de", "no-such", "de"),
        ("", "../de", "en"),
    ],
)
def test_the_language_is_the_chosen_one_else_what_the_browser_asks_for(
    app: Flask, asked: str | None, chosen: str | None, read: str
) -> None:
    headers = [("Accept-Language", asked)] if asked is not None else []
    headers += [("Cookie", f"{languages.LANGUAGE_COOKIE}={chosen}")] if chosen else []
    with app.test_request_context("/", headers=headers):
        assert language() == read
        assert gettext("Week") == {"en": "Week", "de": "Woche"}[read]


def test_whoever_chooses_a_language_keeps_it_and_goes_on(service: Service) -> None:
    client = service.app.test_client()
    answer = client.get("/language/de?next=/sign-in", headers=HTML)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
    page = client.get("/sign-in", headers=HTML | {"Accept-Language": "en"}).text
    assert '<html lang="de">' in page
    assert "Anmelden" in page
    assert client.get("/language/xx", headers=HTML).status_code == 404
    assert client.get("/language/de?next=//evil.example", headers=HTML).headers["Location"] == "/"


# --- numbers and days -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("show", "english", "german"),
    [
        (lambda: number(12345.678), "12,345.678", "12.345,678"),
        (lambda: number(12345.678, 1), "12,345.7", "12.345,7"),
        (lambda: number(12345.678, 0), "12,346", "12.346"),
        (lambda: number(Decimal("0.30")), "0.3", "0,3"),
        (lambda: number(-5), "-5", "-5"),
        (lambda: number(None), "–", "–"),
        (lambda: percent(0.98765), "98.8 %", "98,8 %"),
        (lambda: percent(1, 0), "100 %", "100 %"),
        (lambda: percent(None), "–", "–"),
        (lambda: percent_between(0.1, 0.95), "10.0–95.0 %", "10,0–95,0 %"),
        (lambda: percent_between(None, 0.95), "–", "–"),
        (lambda: money(Decimal("1234.5"), "EUR"), "€1,234.50", "1.234,50 €"),
        (lambda: money(1234.5, None), "1,234.50", "1.234,50"),
        (lambda: money(None, "EUR"), "–", "–"),
        (lambda: day(date(2026, 3, 4)), "4 Mar 2026", "04.03.2026"),
        (lambda: day("2026-03-04"), "4 Mar 2026", "04.03.2026"),
        (lambda: day(None), "–", "–"),
        (lambda: instant("2026-03-04T22:30:00Z", BERLIN), "4 Mar 2026, 23:30", "04.03.2026, 23:30"),
        (lambda: instant("2026-10-25T00:30:00Z", BERLIN), "25 Oct 2026, 02:30 CEST", "25.10.2026, 02:30 CEST"),
        (lambda: instant("2026-10-25T01:30:00Z", BERLIN), "25 Oct 2026, 02:30 CET", "25.10.2026, 02:30 CET"),
        (lambda: instant("2026-10-25T02:30:00Z", BERLIN), "25 Oct 2026, 03:30", "25.10.2026, 03:30"),
        (lambda: instant("2026-03-29T01:30:00Z", BERLIN), "29 Mar 2026, 03:30", "29.03.2026, 03:30"),
        (lambda: instant(datetime(2026, 7, 4, 22, 30, tzinfo=UTC), BERLIN), "5 Jul 2026, 00:30",
         "05.07.2026, 00:30"),
        (lambda: ngettext("%(count)s part", "%(count)s parts", 1), "1 part", None),
        (lambda: ngettext("%(count)s part", "%(count)s parts", 1200), "1,200 parts", None),
    ],
)  # fmt: skip
def test_numbers_and_days_are_written_as_the_language_writes_them(
    app: Flask, show: Any, english: str, german: str | None
) -> None:
    for code, written in (("en", english), ("de", german)):
        with app.test_request_context("/", headers=[("Accept-Language", code)]):
            if written is not None:
                assert show().replace("\xa0", " ").replace("\u202f", " ") == written


def test_zero_has_no_sign() -> None:
    assert languages._written(-0.0, "#,##0.00000", "en") == languages._written(0, "#,##0.00000", "en") == "0.00000"
