"""What a page tells, before it is shown in any form: sections of sentences, pictures and tables of typed cells.

The page, the CSV, the workbook and the PDF are renderings of one such value: what one of them holds, all hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from markupsafe import Markup

from service.pages import languages
from service.pages.languages import NOTHING, Number, gettext

Kind = Literal["text", "count", "number", "share", "money", "minutes", "day"]
Value = str | int | float | Decimal | date | None


@dataclass(frozen=True, slots=True)
class Cell:
    """One value, or the two limits of an interval: as it is for programs, and as people read it.

    lang: of a text that is not in the page's language. address: where more is told of it.
    """

    values: tuple[Value, ...]
    shown: str
    kind: Kind = "text"
    lang: str | None = None
    address: str | None = None

    @property
    def is_figure(self) -> bool:
        """True for what stands at the right of its column."""
        return self.kind not in ("text", "day")


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table; one of intervals has two values in each cell.

    share_of_width: of a column of sentences, beside others of that kind; the others take what they need.
    """

    text: str
    is_figure: bool = False
    is_interval: bool = False
    share_of_width: int = 0

    @property
    def names(self) -> tuple[str, ...]:
        """One for each value of its cells."""
        if not self.is_interval:
            return (self.text,)
        return (
            gettext("%(interval)s, lower", interval=self.text),
            gettext("%(interval)s, upper", interval=self.text),
        )


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; the first cell of a row names it. `total`: the last row, over all others."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    total: tuple[Cell, ...] | None = None

    @property
    def every_row(self) -> tuple[tuple[Cell, ...], ...]:
        """The rows, the total among them."""
        return self.rows if self.total is None else (*self.rows, self.total)


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG that holds its own text alternative; the same numbers stand in a table. `described`: what it shows."""

    svg: Markup
    described: str


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence. lang: of one that is not in the page's language."""

    text: str
    lang: str | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a page under a heading."""

    key: str
    heading: str
    said: tuple[Said, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True)
class Content:
    """A whole page: `facts` are what it is about, in pairs of a label and what is told."""

    title: str
    name: str
    language: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]


# --- cells ------------------------------------------------------------------------------------------------------


def text(value: str | None, *, address: str | None = None) -> Cell:
    """A text as it is."""
    return Cell((value,), NOTHING if value is None else value, address=address)


def workers(value: str) -> Cell:
    """A text of the worker, in the language of the running request."""
    said = languages.spoken(value)
    return Cell((said,), said, lang=languages.lang_of(value))


def count(value: int | float | Decimal | None) -> Cell:
    """A whole number, or a mean of some to one decimal."""
    digits = None if value is None or isinstance(value, int) else 1
    return Cell((value,), languages.number(value, digits), "count")


def number(value: Number | None, digits: int | None = None) -> Cell:
    """Any number."""
    return Cell((value,), languages.number(value, digits), "number")


def share(value: Number | None) -> Cell:
    """A share (0-1), read in per cent."""
    return Cell((value,), languages.percent(value), "share")


def share_between(low: Number | None, high: Number | None) -> Cell:
    """The limits of a share's interval."""
    return Cell((low, high), languages.percent_between(low, high), "share")


def minutes(value: Number | None) -> Cell:
    """A time in minutes, to a tenth."""
    return Cell((value,), languages.number(value, 1), "minutes")


def money(value: Number | None, currency: str | None) -> Cell:
    """An amount in a currency."""
    return Cell((value,), languages.money(value, currency), "money")


def day(value: date | str | None) -> Cell:
    """A production day, or another date."""
    found = date.fromisoformat(value) if isinstance(value, str) else value
    return Cell((found,), languages.day(found), "day")


def empty(kind: Kind = "text", *, is_interval: bool = False) -> Cell:
    """A place where nothing belongs."""
    return Cell((None, None) if is_interval else (None,), "", kind)


def sentences(texts: Sequence[str]) -> tuple[Said, ...]:
    """Sentences in the language of the page."""
    return tuple(Said(each) for each in texts)


def workers_sentences(texts: Iterable[str]) -> tuple[Said, ...]:
    """Sentences of the worker, in the language of the running request."""
    return tuple(Said(languages.whole(each), languages.lang_of(each)) for each in texts)
