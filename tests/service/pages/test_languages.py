"""Languages: which one a page is in, how numbers and days are written in it, how the worker's sentences are said."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.support import NullTranslations, Translations
from flask import Flask
from jinja2 import Environment

from service.app import create_app
from service.pages import languages
from service.pages.languages import (
    begun,
    day,
    gettext,
    instant,
    lang_of,
    language,
    money,
    ngettext,
    number,
    percent,
    percent_between,
    spoken,
    whole,
)
from tests.service.conftest import Service
from worker.database import Database
from worker.sentences import counted, figure, joined, sentence

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


# --- what the worker says ---------------------------------------------------------------------------------------

#: A German of its own, so that no text of the catalogue is needed; the last two cannot be filled.
SAID: dict[str | tuple[str, str], str | tuple[str, str]] = {
    "on %(machine)s: %(thickness)s mm": "%(thickness)s mm an %(machine)s",
    "one plate tells no spread": "ein Blech zeigt keine Streuung",
    "%(what)s; %(share)s %% of it": "%(what)s; davon %(share)s %%",
    ("%(count)s part of %(job)s", "%(count)s parts of %(job)s"): (
        "%(count)s Teil von %(job)s", "%(count)s Teile von %(job)s",
    ),
    "it lacks %(this)s": "es fehlt %(that)s",
    "it says %(this)s": "es sagt %(this)d und 5 % mehr",
}  # fmt: skip


@pytest.fixture
def german(app: Flask, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A running request in that German."""
    catalogue = Catalog(locale="de")
    for text, said in SAID.items():
        catalogue.add(text, said)
    compiled = io.BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    known = frozenset(text if isinstance(text, str) else text[0] for text in SAID)
    read = {"de": (Translations(compiled), known)}
    monkeypatch.setattr(languages, "_read", lambda code: read.get(code, (NullTranslations(), frozenset())))
    with app.test_request_context("/", headers=[("Accept-Language", "de")]):
        yield


PLACE = sentence("on %(machine)s: %(thickness)s mm", machine="Laser 1", thickness=figure(12.5, ".1f"))


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (PLACE, "12,5 mm an Laser 1"),
        (sentence("one plate tells no spread"), "ein Blech zeigt keine Streuung"),
        # Sentences within sentences are said too, names are left alone.
        (sentence("%(what)s; %(share)s %% of it", what=PLACE, share=3), "12,5 mm an Laser 1; davon 3 %"),
        (
            sentence("%(what)s; %(share)s %% of it", what="one plate tells no spread", share=3),
            "one plate tells no spread; davon 3 %",
        ),
        (joined("; ", [PLACE, "A-7", figure(1234.5, ",.1f")]), "12,5 mm an Laser 1; A-7; 1.234,5"),
        # What is not in the catalogue is said in English, all of it.
        (
            sentence("about %(share)s, %(what)s", share=figure(0.125, ".1%"), what=PLACE),
            "about 12.5%, on Laser 1: 12.5 mm",
        ),
        # A translation that cannot be filled is none.
        (sentence("it lacks %(this)s", this=1), "it lacks 1"),
        (sentence("it says %(this)s", this=figure(1.5, "g")), "it says 1.5"),
        ("one plate tells no spread", "one plate tells no spread"),
        (None, ""),
    ],
)
@pytest.mark.usefixtures("german")
def test_a_sentence_of_the_worker_is_said_by_its_form(told: str | None, said: str) -> None:
    assert spoken(told) == said
    assert type(spoken(told)) is str


@pytest.mark.parametrize(
    ("count", "said"),
    [(0, "0 Teile von J.1"), (1, "1 Teil von J.1"), (2, "2 Teile von J.1"), (1200, "1200 Teile von J.1")],
)
@pytest.mark.usefixtures("german")
def test_a_count_chooses_the_form_that_the_language_has_for_it(count: int, said: str) -> None:
    assert spoken(counted(count, "%(count)s part of %(job)s", "%(count)s parts of %(job)s", job="J.1")) == said


@pytest.mark.parametrize(
    ("value", "pattern", "said"),
    [
        (12.5, "g", "12,5"), (-0.25, ".2f", "-0,25"), (1234567.5, ",.1f", "1.234.567,5"), (0.5, ".0%", "50%"),
        (1.5e-7, "g", "1,5e-07"), (3, "+d", "+3"),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("german")
def test_figures_have_the_separators_of_the_language(value: float, pattern: str, said: str) -> None:
    assert spoken(figure(value, pattern)) == said


@pytest.mark.usefixtures("german")
def test_a_text_says_its_language_where_that_is_not_the_page_s() -> None:
    assert [lang_of(told) for told in (PLACE, figure(1.5, "g"), None, "")] == [None] * 4
    assert [lang_of(told) for told in ("plain", sentence("not in the catalogue"))] == ["en", "en"]
    assert lang_of(joined("; ", [PLACE, PLACE])) is None
    assert lang_of(joined("; ", ["plain", "too"])) == "en"


@pytest.mark.usefixtures("german")
def test_a_sentence_that_stands_alone_begins_with_a_capital_and_ends_with_a_stop() -> None:
    told = sentence("one plate tells no spread")
    assert (begun(told), whole(told)) == ("Ein Blech zeigt keine Streuung", "Ein Blech zeigt keine Streuung.")
    assert [whole(text) for text in ("did you mean gas?", "all told.")] == ["Did you mean gas?", "All told."]


def test_in_english_a_sentence_is_its_text(app: Flask) -> None:
    with app.test_request_context("/", headers=[("Accept-Language", "en")]):
        assert (spoken(PLACE), lang_of(PLACE), lang_of("plain")) == ("on Laser 1: 12.5 mm", None, None)


@pytest.mark.usefixtures("german")
def test_templates_say_sentences_and_mark_what_they_cannot_say(app: Flask) -> None:
    template = cast(Environment, app.jinja_env).from_string("<p{{ told | lang }}>{{ told | spoken or '–' }}</p>")
    assert template.render(told=PLACE) == "<p>12,5 mm an Laser 1</p>"
    assert template.render(told="<b>") == '<p lang="en">&lt;b&gt;</p>'
    assert template.render(told=None) == "<p>–</p>"
