"""The catalogue of texts: all that the pages say is in it, and every language says all of it."""

from __future__ import annotations

import re

import pytest
from babel.messages.catalog import Catalog

from tests import texts

#: A text that a program reads as a placeholder though a person wrote a per cent sign.
_LONE_PER_CENT = re.compile(r"(?<!%)(?:%%)*%(?!\(\w+\)[sd]|%)")


@pytest.fixture(scope="module")
def gathered() -> Catalog:
    return texts.gathered()


def test_the_committed_catalogue_is_what_the_code_says(gathered: Catalog) -> None:
    assert texts.TEMPLATE.read_text() == texts.as_file(gathered), "make texts"
    for language in texts.languages():
        path = texts.TRANSLATIONS / f"{language}.po"
        assert path.read_text() == texts.as_file(texts.brought_up(language, gathered)), "make texts"


def test_a_language_is_there_beside_english(gathered: Catalog) -> None:
    assert "de" in texts.languages()
    assert len(gathered) > 100


@pytest.mark.parametrize("language", texts.languages())
def test_each_text_is_said_in_the_language_with_its_placeholders(language: str) -> None:
    assert texts.untranslated(texts.held(language)) == []


def test_a_per_cent_sign_in_a_text_with_values_is_written_twice(gathered: Catalog) -> None:
    for message in gathered:
        for text in (message.id,) if isinstance(message.id, str) else message.id:
            assert "%(" not in text or not _LONE_PER_CENT.search(text), text


def test_the_catalogue_tells_nothing_of_the_day_or_the_machine_it_was_made_on() -> None:
    for path in (texts.TEMPLATE, *texts.TRANSLATIONS.glob("*.po")):
        told = path.read_text()
        assert "Date:" not in told
        assert re.search(r"#: (?!service/|worker/)", told) is None


@pytest.mark.parametrize(
    ("said", "wrong"),
    [
        ("", "is not said"),
        ("%(count)s von vielen", "placeholders"),
        ("%(cuont)s von %(of)s", "placeholders"),
        ("%(count)s von %(of)s", None),
        ("Von %(of)s: %(count)s", None),
    ],
)
def test_the_check_sees_a_translation_that_would_fail(said: str, wrong: str | None) -> None:
    catalogue = Catalog(locale="de")
    catalogue.add("%(count)s of %(of)s", said)
    found = texts.untranslated(catalogue)
    assert [wrong in one for one in found] == [True] if wrong else found == []


def test_a_text_that_changed_is_not_given_the_words_of_the_old_one(monkeypatch: pytest.MonkeyPatch) -> None:
    old, new = Catalog(locale="de"), Catalog()
    old.add("kept", "behalten")
    old.add("part %(count)s", "Teil %(count)s")
    for text in ("kept", "parts %(count)s", ("part %(count)s", "parts %(count)s")):
        new.add(text)
    monkeypatch.setattr(texts, "held", lambda _: old)
    said = {message.id: message.string for message in texts.brought_up("de", new) if message.id}
    assert said == {"kept": "behalten", "parts %(count)s": "", ("part %(count)s", "parts %(count)s"): ("", "")}
