"""Rows of a derived table, put in the place of those before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, delete, insert

from worker.batches import in_batches


def replace(
    connection: Connection, site: str, table: Table, column: str, names: Iterable[str], rows: Sequence[dict[str, Any]]
) -> None:
    """Put `rows` in the place of a site's rows whose `column` is one of `names`."""
    for some in in_batches(names):
        connection.execute(delete(table).where(table.c.site == site, table.c[column].in_(some)))
    if rows:
        connection.execute(insert(table), rows)
