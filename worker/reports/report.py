"""A report: plain values that every format renders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Literal

Value = str | int | float | Decimal | None


Kind = Literal["number", "integer", "text", "list"]


@dataclass(frozen=True)
class Column:
    """A column of a report. Any value of it may be None.

    A "list" stands among details alone, never in CSV: objects with `items`, drawn or read on as they are.
    """

    name: str
    unit: str
    definition: str
    kind: Kind = "number"
    items: tuple[Column, ...] = ()


@dataclass(frozen=True)
class AsOf:
    """Up to which event of the ledger a report counts, and how many wait or are set aside."""

    position: int
    at: datetime | None
    waiting: int
    set_aside: int


@dataclass(frozen=True)
class Report:
    """Rows of a question's answer, sorted by its dimensions; a value that is not known is None."""

    name: str
    site: str
    first_day: date
    last_day: date
    by: tuple[str, ...]
    filters: Mapping[str, Sequence[str]]
    confidence: float
    as_of: AsOf
    columns: tuple[Column, ...]
    rows: list[dict[str, Any]]
    totals: dict[str, Any]
    currency: str | None = None
    notes: list[str] = field(default_factory=list)
    #: What the answer as a whole is, beside its rows: by the names of the report's `details`.
    details: Mapping[str, Any] = field(default_factory=dict)
    #: What goes with an answer that advises a cut.
    cautions: tuple[str, ...] = ()
