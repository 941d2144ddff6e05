"""Derived tables: rows put in the place of those before; and tables beside the others, made to be filled."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Index, Table, bindparam, delete
from sqlalchemy.schema import CreateIndex, CreateTable

from worker.batches import in_batches
from worker.prepared import Lists, Prepared, insert_rows
from worker.tables import Derived

#: Attempts are looked up by these while they are put together from portions.
_LOOKED_UP_EARLY: Final = frozenset({"piece_key", "retry_of"})


def replace(
    connection: Connection, site: str, table: Table, column: str, names: Iterable[str], rows: Sequence[dict[str, Any]]
) -> None:
    """Put `rows` in the place of a site's rows whose `column` is one of `names`."""
    for some in in_batches(names):
        _clear(connection, {"of_site": site, "names": some}, table, column)
    insert_rows(connection, table, rows)


@Prepared
def _clear(lists: Lists, table: Table, column: str) -> Any:
    return delete(table).where(table.c.site == bindparam("of_site"), lists.has(table.c[column], "names"))


def make_empty(connection: Connection, derived: Derived) -> None:
    """Make temporary tables to be filled, without the indexes that are cheaper to make of many rows at once."""
    for table in derived.all:
        connection.execute(CreateTable(table))
        for index in table.indexes:
            if not _is_late(derived, index):
                connection.execute(CreateIndex(index))


def make_late_indexes(connection: Connection, derived: Derived) -> None:
    """Make the indexes that `make_empty` left out."""
    for index in derived.attempts.indexes:
        if _is_late(derived, index):
            connection.execute(CreateIndex(index))


def _is_late(derived: Derived, index: Index) -> bool:
    return index.table is derived.attempts and not _LOOKED_UP_EARLY & set(index.columns.keys())
