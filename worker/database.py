"""Connections: one writer at a time, any number of readers, each reader on one snapshot.

Embedded (SQLite): every write transaction begins IMMEDIATE, since a deferred one that reads first fails or loses
updates under concurrency. The writers of this process share one connection: its pool is their queue. Commits are
durable (synchronous FULL). The write-ahead log is folded back only by `checkpoint`, on that same connection, so that
no commit overlaps it.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Pool, QueuePool, RootTransaction, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

BUSY_TIMEOUT_MS = 5_000
WRITER_QUEUE_SECONDS = 15
CHECKPOINT_BYTES = 4 * 1024 * 1024
TURN_FILE = "write.lock"
POOL_SIZE = 8
CONNECT_SECONDS = 3
#: A transaction that waits for its client so long belongs to a process that hangs, and holds a site up.
IDLE_IN_TRANSACTION_MS = 30_000
#: As long as writers wait for each other on SQLite.
LOCK_TIMEOUT_MS = WRITER_QUEUE_SECONDS * 1_000


_SQLITE_UNAVAILABLE = (
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PROTOCOL,
)


class DatabaseUnavailable(Exception):
    """The database cannot take or answer this now; nothing was kept of it."""


def _sqlite_engine(url: str, *, writes: bool) -> Engine:
    pool: dict[str, Any] = {"pool_size": 1, "max_overflow": 0} if writes else {"pool_size": 8, "max_overflow": 56}
    engine = create_engine(
        url,
        poolclass=QueuePool,
        pool_timeout=WRITER_QUEUE_SECONDS,
        connect_args={"isolation_level": None, "check_same_thread": False},
        **pool,
    )

    @event.listens_for(engine, "connect")
    def _configure(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cache_size = -32000")
        if not writes:
            connection.execute("PRAGMA query_only = ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


class _Turn:
    """Sees to it that no commit of any process overlaps a checkpoint of another one.

    SQLite before 3.51.3 may lose pages when they do (sqlite.org/wal.html, "the WAL reset bug"), and Debian's is older.
    Whoever has the writers' connection shares a lock on a file; a checkpoint asks for it alone and waits for nobody.
    """

    def __init__(self, path: Path, writer: Engine) -> None:
        self._path = path
        # Made by the first who writes: what is only read stays as it is.
        self._file = -1
        event.listen(writer, "checkout", self._share)
        event.listen(writer, "checkin", self._leave)

    def _share(self, *_: object) -> None:
        if self._file < 0:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        fcntl.flock(self._file, fcntl.LOCK_SH)

    def _leave(self, *_: object) -> None:
        if self._file >= 0:
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def is_ours_alone(self) -> bool:
        """True when no other process writes: none will until the connection is given back."""
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def close(self) -> None:
        """Close the file, and with it give up the lock."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _postgresql_engine(url: str) -> Engine:
    """An engine that learns soon when the server is gone, and whose forgotten transactions hold up nobody for long."""
    given = make_url(url)
    if given.drivername == "postgresql":
        given = given.set(drivername="postgresql+psycopg")
    return create_engine(
        given,
        pool_pre_ping=True,
        pool_recycle=1_800,
        pool_size=POOL_SIZE,
        max_overflow=POOL_SIZE,
        pool_timeout=WRITER_QUEUE_SECONDS,
        connect_args={
            "connect_timeout": CONNECT_SECONDS,
            "application_name": "cutledger",
            "options": " ".join(
                f"-c {name}={value}"
                for name, value in (
                    ("idle_in_transaction_session_timeout", IDLE_IN_TRANSACTION_MS),
                    ("lock_timeout", LOCK_TIMEOUT_MS),
                    # Compiling the queries of reports takes many times longer than running them.
                    ("jit", "off"),
                )
            ),
            # A server that vanished without a word is given up on within about 30 s.
            "keepalives_idle": 10,
            "keepalives_interval": 5,
            "keepalives_count": 3,
            "tcp_user_timeout": 30_000,
        },
    )


class Database:
    """The installation's database."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.is_sqlite = make_url(url).get_backend_name() == "sqlite"
        if self.is_sqlite:
            self.path = Path(make_url(url).database or "")
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._writer = _sqlite_engine(url, writes=True)
            self._turn = _Turn(self.path.with_name(TURN_FILE), self._writer)
            self._reader = _sqlite_engine(url, writes=False)
        else:
            self._writer = _postgresql_engine(url)
            self._reader = self._writer.execution_options(isolation_level="REPEATABLE READ")

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction that writes, committed at the end of the block, undone by an exception in it."""
        with _unavailable_said(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One snapshot to read from."""
        with _unavailable_said(), self._reader.begin() as connection:
            yield connection

    @contextmanager
    def snapshot_with_scratch(self) -> Iterator[Connection]:
        """A connection of its own, in no transaction, that may make temporary tables beside what it reads.

        Its transactions begin with `begin_snapshot` or `begin_write`.
        """
        engine = _scratch_engine(self.url) if self.is_sqlite else self._writer
        with _unavailable_said(), engine.connect() as connection:
            try:
                yield connection
            finally:
                connection.rollback()
                connection.invalidate()
        if engine is not self._writer:
            engine.dispose()

    def begin_snapshot(self, connection: Connection) -> RootTransaction:
        """Begin a transaction of a scratch connection that reads one snapshot, and writes temporary tables only."""
        options = {"begin": "BEGIN"} if self.is_sqlite else {"isolation_level": "REPEATABLE READ"}
        return connection.execution_options(**options).begin()

    def begin_write(self, connection: Connection) -> RootTransaction:
        """Begin a transaction of a scratch connection that writes what all read."""
        options = {"begin": "BEGIN IMMEDIATE"} if self.is_sqlite else {"isolation_level": "READ COMMITTED"}
        return connection.execution_options(**options).begin()

    def checkpoint(self) -> None:
        """Fold the write-ahead log of an embedded file back into it, once it has grown."""
        wal = self.path.with_name(self.path.name + "-wal") if self.is_sqlite else None
        if wal is None or not wal.exists() or wal.stat().st_size < CHECKPOINT_BYTES:
            return
        with _unavailable_said(), self._writer.connect() as connection:
            if not self._turn.is_ours_alone():
                return
            # Around the engine's BEGIN: a checkpoint runs in no transaction. It holds the writers' connection, so it
            # waits for no reader: what one still needs is left for the next time.
            raw: Any = connection.connection.dbapi_connection
            raw.execute("PRAGMA busy_timeout = 0")
            try:
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            except sqlite3.OperationalError as error:
                raise DatabaseUnavailable(str(error)) from error
            finally:
                raw.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")

    def close(self) -> None:
        """Close all connections."""
        self._writer.dispose()
        self._reader.dispose()
        if self.is_sqlite:
            self._turn.close()

    @property
    def pool(self) -> Pool:
        """The writers' pool, for those who watch it."""
        return self._writer.pool


def _scratch_engine(url: str) -> Engine:
    """An engine whose connections read a deferred snapshot and write temporary tables only by their user's choice."""
    engine = create_engine(
        url, poolclass=QueuePool, pool_size=1, connect_args={"isolation_level": None, "check_same_thread": False}
    )

    @event.listens_for(engine, "connect")
    def _configure(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS * 6}")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("PRAGMA temp_store = FILE")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN"))

    return engine


@contextmanager
def _unavailable_said() -> Iterator[None]:
    try:
        yield
    except PoolTimeout as error:
        raise DatabaseUnavailable("too many wait for the database") from error
    except DBAPIError as error:
        if is_unavailability(error):
            raise DatabaseUnavailable(str(error.orig)) from error
        raise


def is_unavailability(error: DBAPIError) -> bool:
    """True when the database, not the statement, is at fault."""
    if error.connection_invalidated:
        return True
    if not isinstance(error, OperationalError):
        return False
    code = getattr(error.orig, "sqlite_errorcode", None)
    return code is None or code & 0xFF in _SQLITE_UNAVAILABLE
