"""Texts, numbers and dates in the language of whoever reads: gettext's catalogues, read as they are committed.

A text of a page is written in English where it is used, and found under that in the catalogue of another language;
what the catalogue lacks is shown in English. To add a language is to add a file `translations/<language>.po`. What the
worker says of figures is a `Sentence`: `spoken` finds its form in the same catalogue and fills it anew.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from datetime import date, datetime, tzinfo
from decimal import Decimal
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final

from babel import Locale
from babel.dates import format_date
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_currency, format_decimal, get_decimal_symbol, get_group_symbol
from babel.support import NullTranslations, Translations
from flask import Flask, g, request
from jinja2 import pass_context
from markupsafe import Markup

from worker.sentences import Figure, Sentence

#: The language of the code, and what is read when none that is there is asked for.
ENGLISH: Final = "en"
LANGUAGE_COOKIE: Final = "cutledger_language"
NOTHING: Final = "–"
TRANSLATIONS: Final = Path(__file__).parent / "translations"

Number = int | float | Decimal


def marked(text: str) -> str:
    """The text itself, marked for the catalogue: it is looked up when it is shown."""
    return text


@cache
def languages() -> Mapping[str, str]:
    """What languages there are: code -> its name in itself."""
    codes = [ENGLISH, *sorted(path.stem for path in TRANSLATIONS.glob("*.po"))]
    return {code: str(Locale(code).get_display_name(code)).capitalize() for code in codes}


def _catalogue(language: str) -> NullTranslations:
    return _read(language)[0]


@cache
def _read(language: str) -> tuple[NullTranslations, frozenset[str]]:
    """(the catalogue of a language, what it says; of a text with a plural its form for one)."""
    path = TRANSLATIONS / f"{language}.po"
    if language == ENGLISH or not path.exists():
        return NullTranslations(), frozenset()
    compiled = io.BytesIO()
    with path.open("rb") as lines:
        held = read_po(lines, locale=language)
    write_mo(compiled, held)
    compiled.seek(0)
    # What is not said yet is an empty text, one for each form of a plural.
    said = (message for message in held if message.id and message.string and all(message.string))
    texts = (message.id if isinstance(message.id, str) else message.id[0] for message in said)
    return Translations(compiled), frozenset(texts)


def read_catalogues() -> None:
    """Read the catalogue of each language, which takes a moment, before it is asked for."""
    for code in languages():
        _read(code)


def language() -> str:
    """The language of the running request: what was chosen, else what the browser asks for, else English."""
    if "language" not in g:
        chosen = request.cookies.get(LANGUAGE_COOKIE, "")
        known = list(languages())
        g.language = chosen if chosen in known else request.accept_languages.best_match(known, ENGLISH)
    return str(g.language)


def gettext(text: str, **values: Any) -> str:
    """A text in the language of the running request, with %(name)s filled in."""
    found = str(_catalogue(language()).ugettext(text))
    return found % values if values else found


def ngettext(one: str, many: str, count: int, **values: Any) -> str:
    """The same of a text that depends on a number; %(count)s is the number as it is written in that language."""
    found = str(_catalogue(language()).ungettext(one, many, count))
    return found % ({"count": number(count)} | values)


# --- what the worker says ---------------------------------------------------------------------------------------

#: Of a form what says nothing in any language: its placeholders, and what stands between them.
_WORDLESS: Final = re.compile(r"(%\(\w+\)s|[\W\d_])*")


def spoken(text: str | None) -> str:
    """A text of the worker in the language of the running request: a sentence by its form, any other as it is.

    Of None nothing. It never fails: what the catalogue lacks, or says so that it cannot be filled, is said in English.
    """
    if not isinstance(text, Sentence | Figure) or language() == ENGLISH:
        return "" if text is None else str(text)
    if isinstance(text, Figure):
        return text.translate(_separators(language()))
    if not _is_said(text):
        # Whole: nobody reads half a sentence in each of two languages.
        return str(text)
    catalogue = _catalogue(language())
    if text.many is None:
        form = str(catalogue.ugettext(text.form))
    else:
        form = str(catalogue.ungettext(text.form, text.many, text.how_many))
    try:
        return form % {name: spoken(value) for name, value in text.values.items()} if text.values else form
    except (KeyError, TypeError, ValueError):
        return str(text)


def lang_of(text: str | None) -> str | None:
    """The language of what `spoken` gives for a text of the worker; None where it is that of the page."""
    if not text or language() == ENGLISH or isinstance(text, Figure):
        return None
    return None if isinstance(text, Sentence) and _is_said(text) else ENGLISH


def _is_said(text: Sentence) -> bool:
    """Is it said in the language of the page: by its form, or, where that says nothing itself, by one of its parts?"""
    if text.form in _read(language())[1]:
        return True
    parts = (value for value in text.values.values() if isinstance(value, Sentence))
    return _WORDLESS.fullmatch(text.form) is not None and any(map(_is_said, parts))


def begun(text: str) -> str:
    """A text of the worker in the language of the running request, with a capital at its beginning."""
    said = spoken(text)
    return f"{said[:1].upper()}{said[1:]}"


def whole(text: str) -> str:
    """The same as a sentence that stands alone: with its stop."""
    said = begun(text)
    return said if said.endswith((".", "!", "?")) else f"{said}."


def _lang_attribute(text: str | None) -> Markup:
    """For the tag around a text of the worker: says its language where that is not the page's."""
    found = lang_of(text)
    return Markup("") if found is None else Markup(' lang="{}"').format(found)  # noqa: S704


@cache
def _separators(spoken_language: str) -> Mapping[int, str]:
    """What stands in a number of English -> what stands there in a language."""
    locale = _locale(spoken_language)
    return str.maketrans({".": str(get_decimal_symbol(locale)), ",": str(get_group_symbol(locale))})


# --- numbers and days -------------------------------------------------------------------------------------------


@lru_cache(maxsize=8192)
def _written(value: Number, pattern: str, spoken: str) -> str:
    """A number by a pattern of a language; kept, since a page writes hundreds and most of them again."""
    # Of zero no sign: -0.0 and 0 are one key, and what is kept for one is shown for the other.
    return str(format_decimal(value + 0, format=pattern, locale=_locale(spoken)))


@cache
def _locale(spoken: str) -> Locale:
    """How a language is written: English with the day before the month, as shops write it."""
    return Locale(spoken, "GB" if spoken == ENGLISH else None)


def number(value: Number | None, digits: int | None = None) -> str:
    """A number with the separators of the language; with so many digits after the point, else as many as it has."""
    if value is None:
        return NOTHING
    pattern = "#,##0.######" if digits is None else f"#,##0.{'0' * digits}" if digits else "#,##0"
    return _written(value, pattern, language())


def percent(share: Number | None, digits: int = 1) -> str:
    """A share (0-1) in per cent."""
    if share is None:
        return NOTHING
    return _written(share, f"#,##0.{'0' * digits} %" if digits else "#,##0 %", language())


def percent_between(low: Number | None, high: Number | None, digits: int = 1) -> str:
    """An interval of shares in per cent; a dash when either end is not known."""
    if low is None or high is None:
        return NOTHING
    return f"{number(100 * low, digits)}–{percent(high, digits)}"


def money(value: Number | None, currency: str | None) -> str:
    """An amount of money; without a currency a number."""
    if value is None:
        return NOTHING
    if currency is None:
        return number(value, 2)
    return str(format_currency(value, currency, locale=_locale(language())))


def day(value: date | str | None) -> str:
    """A production day: 4 Mar 2026."""
    if value is None:
        return NOTHING
    at = date.fromisoformat(value) if isinstance(value, str) else value
    return str(format_date(at, "medium", _locale(language())))


def instant(value: datetime | str | None, zone: tzinfo) -> str:
    """An instant by the clock of a time zone, to the minute: 4 Mar 2026, 23:30."""
    if value is None:
        return NOTHING
    at = (datetime.fromisoformat(value) if isinstance(value, str) else value).astimezone(zone)
    # By the clock of 24 hours in every language: shifts are named by it. An hour that comes twice says which it is.
    comes_twice = at.utcoffset() != at.replace(fold=1 - at.fold).utcoffset()
    return f"{day(at.date())}, {at:{'%H:%M %Z' if comes_twice else '%H:%M'}}"


def speak(app: Flask) -> None:
    """Let templates say texts, numbers and dates in the language of whoever reads."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        lambda text: _catalogue(language()).ugettext(text),
        lambda one, many, count: _catalogue(language()).ungettext(one, many, count),
        newstyle=True,
    )
    app.jinja_env.globals["ngettext"] = _counted(app.jinja_env.globals["ngettext"])
    shown = {
        "number": number, "percent": percent, "percent_between": percent_between, "money": money, "day": day,
        "instant": instant, "translated": gettext, "spoken": spoken, "begun": begun, "whole": whole,
        "lang": _lang_attribute,
    }  # fmt: skip
    app.jinja_env.filters.update(shown)
    app.jinja_env.globals.update(language=language, languages=languages)


def _counted(plural: Any) -> Any:
    """Jinja's own ngettext, to which %(count)s is the number as it is written in the language."""

    @pass_context
    def ngettext(context: Any, one: str, many: str, count: int, **values: Any) -> Any:
        return plural(context, one, many, count, **{"count": number(count)} | values)

    return ngettext
