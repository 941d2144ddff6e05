"""Rows of a derived table, put in the place of those before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, delete

from worker.batches import in_batches
from worker.prepared import Lists, Prepared, insert_rows


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
