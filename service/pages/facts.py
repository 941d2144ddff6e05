"""What is known of something, as names and values that people read: words, numbers, days, links, lists within."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from decimal import Decimal
from typing import Any, Final

from service.pages import terms
from service.pages.blueprint import to
from service.pages.field_terms import AS_WRITTEN, LEADS_TO, SHARES, WORDS, field_name
from service.pages.languages import NOTHING, day, gettext, instant, number, percent, spoken
from service.pages.terms import said
from worker.proof_standing import PASSED
from worker.sentences import Sentence

_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_INSTANT: Final = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})", re.ASCII)
#: Kind of what has a page of its own -> its view.
_PAGES: Final = {
    "job": "pages.job",
    "plate": "pages.plate",
    "attempt": "pages.attempt",
    "finding": "pages.finding",
    "hold": "pages.hold",
}
#: A number is written with six decimals: what is less is something, and not 0.
LEAST_WRITTEN: Final = 0.000001
#: More rows of one figure than these are told by their number.
_MOST_ROWS: Final = 50


@dataclass(frozen=True)
class Fact:
    """One thing that is known, as text, facts or a table; `english`: its name is not of the page's language."""

    name: str
    text: str = ""
    address: str | None = None
    english: bool = False
    facts: Sequence[Fact] = ()
    table: FactTable | None = None


@dataclass(frozen=True)
class FactTable:
    """Rows of facts, whose names head the columns."""

    columns: Sequence[Fact]
    rows: Sequence[Sequence[Fact]]


def address_of(kind: str, name: str | None, site: str) -> str | None:
    """The page of something; None for what has none."""
    return None if name is None or kind not in _PAGES else to(_PAGES[kind], site, name=name)


def address_of_dossier(proof: str | None, state: str | None, site: str) -> str | None:
    """The dossier of a proof that passed; None for others, which have none."""
    return None if proof is None or state != PASSED else to("pages.dossier", site, name=proof)


def facts_of(values: Mapping[str, Any], names: Iterable[str] | None = None, *, site: str, zone: tzinfo) -> list[Fact]:
    """What is known of these fields, or of all, in order; what is not known is left out."""
    wanted = values if names is None else names
    return [
        _fact(name, values[name], site=site, zone=zone) for name in wanted if values.get(name) not in (None, [], {}, ())
    ]


def _fact(name: str, value: Any, *, site: str, zone: tzinfo) -> Fact:
    label, known = field_name(name)
    english = not known
    if name == "defects":
        return Fact(label, "; ".join(defect_text(one) for one in value))
    if name == "causes":
        return Fact(label, "; ".join(cause_text(one) for one in value))
    if isinstance(value, Mapping):
        return Fact(label, facts=facts_of(value, site=site, zone=zone), english=english)
    if _is_rows(value):
        return Fact(label, table=_table(value, site=site, zone=zone), english=english)
    if isinstance(value, list | tuple):
        return Fact(label, ", ".join(shown_value(name, one, zone) for one in value), english=english)
    address = address_of(LEADS_TO[name], value, site) if name in LEADS_TO and isinstance(value, str) else None
    return Fact(label, shown_value(name, value, zone), address=address, english=english)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _table(rows: Sequence[Mapping[str, Any]], *, site: str, zone: tzinfo) -> FactTable:
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = [Fact(label, english=not known) for label, known in map(field_name, names)]
    cells = [[_fact(name, row.get(name), site=site, zone=zone) for name in names] for row in rows[:_MOST_ROWS]]
    return FactTable(columns, cells)


def rounded(value: Any, digits: int = 4) -> Any:
    """Evidence with its fractions cut to what people read: so many digits that say something."""
    if isinstance(value, Mapping):
        return {name: rounded(each, digits) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(each, digits) for each in value]
    return float(f"{value:.{digits}g}") if isinstance(value, float) else value


def in_a_line(facts: Iterable[Fact]) -> str:
    """Facts one after the other."""
    return "; ".join(f"{fact.name}: {fact.text}" for fact in facts)


def shown_value(name: str, value: Any, zone: tzinfo) -> str:
    """One value of a field as people read it."""
    if value is None:
        return NOTHING
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    if isinstance(value, int | float | Decimal):
        if name in SHARES and -1 <= value <= 1:
            return percent(value)
        return f"< {number(LEAST_WRITTEN)}" if 0 < value < LEAST_WRITTEN else number(value)
    if isinstance(value, datetime):
        return instant(value, zone)
    if isinstance(value, date):
        return day(value)
    if isinstance(value, Mapping):
        return ", ".join(f"{field_name(key)[0]} {shown_value(key, each, zone)}" for key, each in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(shown_value(name, each, zone) for each in value) or NOTHING
    # A word of the ledger may read like a sentence that was kept with it.
    if isinstance(value, Sentence) and name not in WORDS:
        return spoken(value)
    return _shown_text(name, str(value), zone)


def _shown_text(name: str, text: str, zone: tzinfo) -> str:
    if name in WORDS:
        return said(dict(WORDS[name]), text)
    if name in AS_WRITTEN:
        return text
    try:
        if _DAY.fullmatch(text):
            return day(text)
        if _INSTANT.fullmatch(text):
            return instant(text, zone)
    except ValueError:
        return text
    return text


def defect_text(defect: Mapping[str, Any]) -> str:
    """A defect, with its place and number of parts as far as they are told."""
    words = said(terms.DEFECTS, defect["term"])
    if defect.get("location"):
        words = gettext("%(what)s at: %(place)s", what=words, place=said(terms.LOCATIONS, defect["location"]))
    if defect.get("parts"):
        words = gettext("%(what)s (parts: %(parts)s)", what=words, parts=number(defect["parts"]))
    return words


def cause_text(cause: Mapping[str, Any]) -> str:
    """A cause, with how sure it is."""
    words = said(terms.CAUSES, cause["term"])
    if not cause.get("certainty"):
        return words
    return gettext("%(what)s (%(certainty)s)", what=words, certainty=said(terms.CERTAINTIES, cause["certainty"]))
