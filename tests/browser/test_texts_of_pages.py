"""What the pages say, with the demo's shop: all of it is in the catalogue, and in German all of it is German."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from babel.messages.catalog import Message
from babel.support import NullTranslations
from flask.testing import FlaskClient

from service.app import create_app
from service.pages import languages
from service.rates import Limits, Rates
from tests import texts
from tests.browser.demo import SITE, database_of, keys_of
from tests.browser.places import PLACES, subjects
from worker.answers import asked
from worker.database import Database
from worker.reports.catalogue import REPORTS
from worker.reports.plain import report_plain
from worker.reports.reading import open_site
from worker.sentences import Sentence

#: Elements that hold words of the page, and no data.
WORDED = ("title", "h1", "h2", "h3", "caption", "label", "legend", "button", "summary", "dt")
#: Names of the demo that stand where words do: of its site, a key, a shift, its machines.
NAMES = ("main", "demo reader", "late", "laser-15kw", "laser-8kw")
#: Names of what the worker says in words among the values of a report.
SAYING = re.compile(r"(\w+_)?reason|choice|doubt|suspect")
#: Attributes that are read out or shown.
SPOKEN = ("aria-label", "alt", "title", "placeholder")


class Words(HTMLParser):
    """The texts of a page: of elements that hold no data, and all of them; what is said to be English aside."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.worded: list[str] = []
        self.all: list[str] = []
        #: What is said to be English, the names of fields aside, which another system may have made up.
        self.english: list[str] = []
        self._open: list[tuple[str, bool]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        is_foreign = told.get("lang", "de") != "de" or told.get("translate") == "no"
        foreign = is_foreign or (bool(self._open) and self._open[-1][1])
        if not foreign:
            self.all += [value for name in SPOKEN if (value := told.get(name))]
            self.worded += [value for name in SPOKEN if (value := told.get(name))]
        if tag not in ("meta", "link", "input", "br", "hr", "img", "col", "wbr"):
            self._open.append((tag, foreign))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        tags = [tag for tag, _ in self._open]
        if not text or text in NAMES or not self._open or "script" in tags:
            return
        if self._open[-1][1]:
            if not {"dt", "th"} & set(tags):
                self.english.append(text)
            return
        self.all.append(text)
        # What can be chosen is as often a name of the shop as a word.
        if any(tag in WORDED for tag in tags) and not {"text", "option"} & set(tags):
            self.worded.append(text)


@pytest.fixture(scope="module")
def database(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """The demo's shop."""
    folder = tmp_path_factory.mktemp("texts") / "demo"
    copytree(demo_folder, folder)
    found = Database(database_of(folder))
    yield found
    found.close()


@pytest.fixture(scope="module")
def client(database: Database) -> Iterator[FlaskClient]:
    """An application over the demo's shop, asked without a browser."""
    app = create_app(database, nudge=lambda: None, rates=Rates(Limits(rate=0)))
    yield app.test_client()
    app.extensions["cutledger"].rates.close()


def german_pages(client: FlaskClient, folder: Path) -> Iterator[tuple[str, str]]:
    """(name, page) of each page as somebody who reads German is given it."""
    keys = keys_of(folder)

    def read(path: str) -> Any:
        return client.get(path, headers={"Authorization": f"Bearer {keys['admin']}"}).get_json()

    ids = subjects(read)
    for place in PLACES:
        headers = {"Accept": "text/html", "Accept-Language": "de"}
        if place.role is not None:
            headers["Authorization"] = f"Bearer {keys[place.role]}"
        answer = client.get(place.address.format_map(ids), headers=headers)
        assert answer.status_code == 200, (place, answer.text)
        yield place.name, answer.text


def test_every_page_is_shown_in_german(client: FlaskClient, demo_folder: Path) -> None:
    english = {
        message.id
        for message in texts.held("de")
        if isinstance(message.id, str) and message.id and message.id != message.string
    }
    left = {}
    for name, page in german_pages(client, demo_folder):
        assert '<html lang="de">' in page, name
        left[name] = sorted({text for text in Words(page).all if text in english})
    assert {name: said for name, said in left.items() if said} == {}


def test_what_the_worker_says_is_shown_in_german(client: FlaskClient, demo_folder: Path) -> None:
    """A note, a reason or a finding that is no sentence with a form is marked as English, and found here."""
    pages = german_pages(client, demo_folder)
    left = {name: sorted({text for text in Words(page).english if text != "English"}) for name, page in pages}
    assert {name: said for name, said in left.items() if said} == {}


def told_by(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """(where it stands, text) of all that may be a sentence in the plain values of an answer."""
    if isinstance(value, Mapping):
        for name, each in value.items():
            if SAYING.fullmatch(name) and isinstance(each, str):
                yield f"{path}.{name}", each
            else:
                yield from told_by(each, path if name in ("rows", "details") else f"{path}.{name}")
    elif isinstance(value, list | tuple):
        for each in value:
            if isinstance(each, str) and path.endswith(".notes"):
                yield path, each
            else:
                yield from told_by(each, path)


def unsaid(text: str, said: Mapping[str, Message]) -> Iterator[str]:
    """What of a text of the worker has no form, or one that the catalogue lacks."""
    if not isinstance(text, Sentence):
        yield text
        return
    if any(letter.isalpha() for letter in re.sub(r"%\(\w+\)s", "", text.form)) and text.form not in said:
        yield text.form
    for value in text.values.values():
        if isinstance(value, Sentence):
            yield from unsaid(value, said)


@pytest.mark.parametrize("name", REPORTS)
def test_what_a_report_says_of_the_demo_is_in_the_catalogue(name: str, database: Database) -> None:
    said = {message.id if isinstance(message.id, str) else message.id[0]: message for message in texts.held("de")}
    now_us = time.time_ns() // 1_000
    with database.read() as connection:
        reader = open_site(connection, SITE)
        question = asked(reader, REPORTS[name], {}, now_us=now_us)
        answer = report_plain(REPORTS[name].answer(reader, question))
    assert {(place, left) for place, text in told_by(answer) for left in unsaid(text, said)} == set()


class Bracketed(NullTranslations):
    """A language that says every text of the catalogue in brackets: what stands outside was never looked up."""

    def ugettext(self, message: str) -> str:
        return f"⟦{message}⟧"

    def ungettext(self, singular: str, plural: str, n: int) -> str:
        return f"⟦{singular if n == 1 else plural}⟧"


def test_no_page_says_a_text_that_is_not_in_the_catalogue(
    client: FlaskClient, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(languages, "_catalogue", lambda _: Bracketed())
    left = {}
    for name, page in german_pages(client, demo_folder):
        assert "⟦" in page, name
        worded = Words(page).worded
        left[name] = sorted({text for text in worded if "⟦" not in text and any(letter.isalpha() for letter in text)})
    assert {name: said for name, said in left.items() if said} == {}
