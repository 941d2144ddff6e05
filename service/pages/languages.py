"""Texts, numbers and dates in the language of whoever reads: gettext's catalogues, read as they are committed.

A text of a page is written in English where it is used, and found under that in the catalogue of another language;
what the catalogue lacks is shown in English. To add a language is to add a file `translations/<language>.po`.
"""

from __future__ import annotations

import io
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
from babel.numbers import format_currency, format_decimal
from babel.support import NullTranslations, Translations
from flask import Flask, g, request
from jinja2 import pass_context

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


@cache
def _catalogue(language: str) -> NullTranslations:
    path = TRANSLATIONS / f"{language}.po"
    if language == ENGLISH or not path.exists():
        return NullTranslations()
    compiled = io.BytesIO()
    with path.open("rb") as lines:
        write_mo(compiled, read_po(lines, locale=language))
    compiled.seek(0)
    return Translations(compiled)


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
        "instant": instant, "translated": gettext,
    }  # fmt: skip
    app.jinja_env.filters.update(shown)
    app.jinja_env.globals.update(language=language, languages=languages)


def _counted(plural: Any) -> Any:
    """Jinja's own ngettext, to which %(count)s is the number as it is written in the language."""

    @pass_context
    def ngettext(context: Any, one: str, many: str, count: int, **values: Any) -> Any:
        return plural(context, one, many, count, **{"count": number(count)} | values)

    return ngettext
