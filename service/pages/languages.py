"""Texts, numbers and dates in the language of whoever reads: gettext's catalogues, read as they are committed.

A text of a page is written in English where it is used, and found under that in the catalogue of another language;
what the catalogue lacks is shown in English. To add a language is to add a file `translations/<language>.po`.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import date, datetime, tzinfo
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any, Final

from babel import Locale
from babel.dates import format_date, format_datetime
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_compact_decimal, format_currency, format_decimal, format_percent
from babel.support import NullTranslations, Translations
from flask import Flask, g, request

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


def number(value: Number | None, digits: int | None = None) -> str:
    """A number with the separators of the language; with so many digits after the point, else as many as it has."""
    if value is None:
        return NOTHING
    pattern = "#,##0.######" if digits is None else f"#,##0.{'0' * digits}" if digits else "#,##0"
    return str(format_decimal(value, format=pattern, locale=language()))


def percent(share: Number | None, digits: int = 1) -> str:
    """A share (0-1) in per cent."""
    if share is None:
        return NOTHING
    return str(format_percent(share, format=f"#,##0.{'0' * digits} %" if digits else "#,##0 %", locale=language()))


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
    return str(format_currency(value, currency, locale=language()))


def day(value: date | str | None) -> str:
    """A production day: 4 Mar 2026."""
    if value is None:
        return NOTHING
    return str(format_date(date.fromisoformat(value) if isinstance(value, str) else value, "medium", language()))


def instant(value: datetime | str | None, zone: tzinfo) -> str:
    """An instant by the clock of a time zone, to the minute."""
    if value is None:
        return NOTHING
    at = datetime.fromisoformat(value) if isinstance(value, str) else value
    return str(format_datetime(at.astimezone(zone), "medium", locale=language())).strip()


def compact(value: Number | None) -> str:
    """A large number in short."""
    return NOTHING if value is None else str(format_compact_decimal(value, locale=language(), fraction_digits=1))


def speak(app: Flask) -> None:
    """Let templates say texts, numbers and dates in the language of whoever reads."""
    app.jinja_env.add_extension("jinja2.ext.i18n")
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        lambda text: _catalogue(language()).ugettext(text),
        lambda one, many, count: _catalogue(language()).ungettext(one, many, count),
        newstyle=True,
    )
    shown = {
        "number": number, "percent": percent, "percent_between": percent_between, "money": money, "day": day,
        "instant": instant, "compact": compact,
    }  # fmt: skip
    app.jinja_env.filters.update(shown)
    app.jinja_env.globals.update(language=language, languages=languages)
