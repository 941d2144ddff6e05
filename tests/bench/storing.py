"""The floor of storing: the rows that the ledger keeps, by the database's own driver and nothing else."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Protocol, Self

import psycopg

from tests.bench.places import EMBEDDED, Place, fresh_database
from tests.builders import Posted
from worker.batches import in_batches
from worker.binary_copy import Kind, rows_in_binary

Row = tuple[Any, ...]
_TABLE: Final = """
create table stored (
    position integer primary key, site text not null, source text not null, id text not null, type text not null,
    subject text not null, time_us integer not null, received_us integer not null, content_hash blob not null,
    payload blob not null, unique (site, source, id)
)"""
_COLUMNS: Final = "(site, source, id, type, subject, time_us, received_us, content_hash, payload)"
_INSERT: Final = f"insert into stored {_COLUMNS} values (?, ?, ?, ?, ?, ?, ?, ?, ?)"
_GROWN_TABLE: Final = """
create table stored (
    position bigint generated always as identity primary key, site text not null, source text not null,
    id text not null, type text not null, subject text not null, time_us bigint not null, received_us bigint not null,
    content_hash bytea not null, payload bytea not null, unique (site, source, id)
)"""
_COPY: Final = f"copy stored {_COLUMNS} from stdin (format binary)"
_KINDS: Final[Sequence[Kind]] = ("text", "text", "text", "text", "text", "bigint", "bigint", "bytea", "bytea")


class BareStore(Protocol):
    """A table with one unique key, as durable as the ledger."""

    #: How it is written, in words.
    way: str

    def store(self, rows: Sequence[Row], *, at_once: int) -> float:
        """Seconds to store rows, `at_once` a commit."""


def rows_of(events: Iterable[Posted]) -> list[Row]:
    """What is stored of events."""
    return [
        ("main", event.source, event.id, event.type, event.subject, event.time_us, 0, event.content_hash, event.payload)
        for event in events
    ]


class RawStore:
    """The floor of an embedded installation: a file of its own, WAL, synchronous FULL."""

    way = "executemany"

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


class RawCopy:
    """The floor of a grown installation: a database of its own on the same server, one connection."""

    way = "binary COPY"

    def __init__(self, connection: psycopg.Connection) -> None:
        self._connection = connection
        with connection.transaction():
            connection.execute(_GROWN_TABLE)

    def store(self, rows: Sequence[Row], *, at_once: int) -> float:
        """Seconds to store rows with a binary COPY for each commit; to pack them is part of it, as it is of inserts."""
        began = time.perf_counter()
        for some in in_batches(rows, at_once):
            packed = rows_in_binary(_KINDS, list(zip(*some, strict=True)))
            with self._connection.transaction(), self._connection.cursor() as cursor, cursor.copy(_COPY) as copy:
                copy.write(packed)
        return time.perf_counter() - began


@contextmanager
def bare_store(place: Place) -> Iterator[BareStore]:
    """The floor of storing at a place, on the same disk or server."""
    if place.kind == EMBEDDED:
        path = place.folder / "raw.sqlite3"
        try:
            with RawStore(path) as raw:
                yield raw
        finally:
            path.unlink(missing_ok=True)
        return
    with fresh_database() as url, closing(psycopg.connect(url)) as connection:
        yield RawCopy(connection)


def bytes_of_tables(path: Path) -> dict[str, int]:
    """Bytes that each table takes in a database file, its indexes with it; none where SQLite cannot tell."""
    query = """
        select m.tbl_name, sum(s.pgsize) from dbstat s join sqlite_master m on m.name = s.name group by m.tbl_name"""
    with closing(sqlite3.connect(path)) as connection:
        try:
            return dict(connection.execute(query).fetchall())
        except sqlite3.OperationalError:
            return {}
