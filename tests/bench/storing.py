"""The floor of storing: the rows that the ledger keeps, by the database's own driver and nothing else."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from tests.builders import Posted
from worker.batches import in_batches

Row = tuple[Any, ...]
_TABLE: Final = """
create table stored (
    position integer primary key, site text not null, source text not null, id text not null, type text not null,
    subject text not null, time_us integer not null, received_us integer not null, content_hash blob not null,
    payload blob not null, unique (site, source, id)
)"""
_INSERT: Final = """
insert into stored (site, source, id, type, subject, time_us, received_us, content_hash, payload)
values (?, ?, ?, ?, ?, ?, ?, ?, ?)"""


def rows_of(events: Iterable[Posted]) -> list[Row]:
    """What is stored of events."""
    return [
        ("main", event.source, event.id, event.type, event.subject, event.time_us, 0, event.content_hash, event.payload)
        for event in events
    ]


class RawStore:
    """A file with one table and one unique key, as durable as the ledger: WAL, synchronous FULL."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None)
        self._connection.execute("pragma journal_mode = wal")
        self._connection.execute("pragma synchronous = full")
        self._connection.execute(_TABLE)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _type: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        self._connection.close()

    def store(self, rows: Sequence[Row], *, at_once: int) -> float:
        """Seconds to store rows with executemany, `at_once` a commit."""
        began = time.perf_counter()
        for some in in_batches(rows, at_once):
            self._connection.execute("begin immediate")
            self._connection.executemany(_INSERT, some)
            self._connection.execute("commit")
        return time.perf_counter() - began


def bytes_of_tables(path: Path) -> dict[str, int]:
    """Bytes that each table takes in a database file, its indexes with it; none where SQLite cannot tell."""
    query = """
        select m.tbl_name, sum(s.pgsize) from dbstat s join sqlite_master m on m.name = s.name group by m.tbl_name"""
    with closing(sqlite3.connect(path)) as connection:
        try:
            return dict(connection.execute(query).fetchall())
        except sqlite3.OperationalError:
            return {}
