"""What an answer says otherwise than it did: figure by figure, two answers to one question side by side. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

Row = Mapping[str, Any]
#: What names a row among those of a report: its values of the key columns, and which of those that share them it is.
_Key = tuple[tuple[Any, ...], int]


def changes(then: Mapping[str, Any], now: Mapping[str, Any], *, keys: Sequence[str]) -> list[dict[str, Any]]:
    """Each figure that differs between two answers, as {part, row, column, then, now}.

    then, now: answers as plain dicts, read from JSON. keys: the columns that say which row it is. part: where the
    figure stands: rows, totals or details; row: the key columns of its row, None for totals and details. A row that was
    not there, or is there no more, differs in each figure that it has; a column that only one of two rows has is of
    another release and no change.
    """
    found = list(_of_rows(then["rows"], now["rows"], keys))
    for part in ("totals", "details"):
        found += _of_row(then[part], now[part], part=part, row=None)
    return found


def _of_rows(then: Sequence[Row], now: Sequence[Row], keys: Sequence[str]) -> Iterator[dict[str, Any]]:
    # A report that may be divided in several ways has not all of them always.
    keys = [name for name in keys if any(name in row for rows in (then, now) for row in rows)]
    before, after = _by_key(then, keys), _by_key(now, keys)
    for key in dict.fromkeys((*before, *after)):
        old, new = before.get(key), after.get(key)
        shown = dict(zip(keys, key[0], strict=True))
        nothing = dict.fromkeys(old or new or ())
        figures = ({name: value for name, value in (row or nothing).items() if name not in keys} for row in (old, new))
        yield from _of_row(*figures, part="rows", row=shown)


def _by_key(rows: Sequence[Row], keys: Sequence[str]) -> dict[_Key, Row]:
    found: dict[_Key, Row] = {}
    for row in rows:
        values, number = tuple(row.get(name) for name in keys), 0
        while (values, number) in found:
            number += 1
        found[values, number] = row
    return found


def _of_row(then: Row, now: Row, *, part: str, row: Row | None) -> Iterator[dict[str, Any]]:
    for column, value in then.items():
        if column in now and _exact(now[column]) != _exact(value):
            yield {"part": part, "row": row, "column": column, "then": value, "now": now[column]}


def _exact(value: Any) -> Any:
    """A value in which 0.5 is 0.5, whichever kind of number it is."""
    return Decimal(repr(value)) if isinstance(value, float) else value
