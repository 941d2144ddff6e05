"""Connections: one writer at a time, any number of readers, each reader on one snapshot.

Embedded (SQLite): every write transaction begins IMMEDIATE, since a deferred one that reads first fails or loses
updates under concurrency. The writers of this process share one connection: its pool is their queue; those of several
processes take turns. Commits are durable (synchronous FULL). The write-ahead log is folded back only by `checkpoint`,
on that same connection, so that no commit overlaps it.
"""

from __future__ import annotations

import fcntl
import logging
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Pool, QueuePool, RootTransaction, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from worker.grouping import Joint, Together, pause
from worker.tables import metadata

T = TypeVar("T")
log = logging.getLogger(__name__)

BUSY_TIMEOUT_MS = 5_000
WRITER_QUEUE_SECONDS = 15
CHECKPOINT_BYTES = 4 * 1024 * 1024
TURN_FILE = "write.lock"
NEXT_FILE = "next.lock"
#: Who waits to write looks again this often.
PAUSE_SECONDS = 0.0005
POOL_SIZE = 8
CONNECT_SECONDS = 3
#: A transaction that waits for its client so long belongs to a process that hangs, and holds a site up.
IDLE_IN_TRANSACTION_MS = 30_000
#: So long it is tried to erase a secret, again after a while. Each time it waits so long for those who read its table:
#: all who come after them wait as long.
ERASE_SECONDS = 3.0
ERASE_AGAIN_SECONDS = 0.25
ERASE_LOCK_MS = 50
_SCANNED_BYTES = 1024 * 1024
#: Before so many events are counted, PostgreSQL's tables are too small for a bad plan to matter.
FEWEST_TO_LOOK = 1_000
#: A tenth of the rows that PostgreSQL looks at by itself: enough to tell a large site from a small one.
_LOOKS_BRIEFLY = "SET LOCAL default_statistics_target = 10"
_KNOWN_ROWS = "SELECT greatest(reltuples, 0) FROM pg_class WHERE oid = 'events'::regclass"
#: As long as writers wait for each other on SQLite.
LOCK_TIMEOUT_MS = WRITER_QUEUE_SECONDS * 1_000


#: How many transactions, prepared ones, snapshots and replicas of this database are older than a transaction.
_OLDER_HOLDERS = """
    WITH others AS (
        SELECT backend_xid, backend_xmin FROM pg_stat_activity
        WHERE pid <> pg_backend_pid() AND (datname = current_database() OR datname IS NULL)
    ), held AS (
        SELECT backend_xid AS xid FROM others UNION ALL SELECT backend_xmin FROM others
        UNION ALL SELECT transaction FROM pg_prepared_xacts WHERE database = current_database()
        UNION ALL SELECT xmin FROM pg_replication_slots
    )
    SELECT count(*) FROM held WHERE age(xid) > age(%(since)s::xid)
"""
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
        if writes:
            # `_begin_to_write` waits.
            connection.execute("PRAGMA busy_timeout = 0")
        else:
            connection.execute("PRAGMA query_only = ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if not (writes and _begin_to_write(connection)):
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _begin_to_write(connection: Connection) -> bool:
    """Begin a transaction that writes as soon as the one that runs has ended; False when that takes too long.

    SQLite itself would look again after up to 100 ms: longer than most transactions take.
    """
    raw: Any = connection.connection.dbapi_connection
    until = time.monotonic() + BUSY_TIMEOUT_MS / 1_000
    while time.monotonic() < until:
        try:
            raw.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                return False
            pause(PAUSE_SECONDS)
        else:
            return True
    return False


def _locked(file: int, how: int, seconds: float) -> bool:
    """Lock a file as soon as others let it; False when that takes longer."""
    until = time.monotonic() + seconds
    while True:
        try:
            fcntl.flock(file, how | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= until:
                return False
            pause(PAUSE_SECONDS)
        else:
            return True


class _Next:
    """Sees to it that whoever waits to write is next, whichever process it is of.

    Waiters look again now and then: one beside a process that writes without a pause may find the file taken every
    time until it gives up. So who is about to begin holds a file until it has begun, and who
    has just ended waits behind it. One that holds it too long, since its process was stopped, is passed by.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        # Made by the first who writes: what is only read stays as it is.
        self._file = -1
        self._is_held = False

    def among(self, writer: Engine) -> None:
        """Wait whenever this engine is about to write."""
        # Before the lock of the turn is shared: who only waits holds up no checkpoint.
        event.listen(writer, "checkout", self.wait)
        event.listen(writer, "begin", self.leave)
        event.listen(writer, "checkin", self.leave)

    def wait(self, *_: object) -> None:
        """Return when it is next, or has waited too long."""
        if self._file < 0:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._is_held = _locked(self._file, fcntl.LOCK_EX, BUSY_TIMEOUT_MS / 1_000)

    def leave(self, *_: object) -> None:
        """Let another be next."""
        if self._is_held:
            self._is_held = False
            fcntl.flock(self._file, fcntl.LOCK_UN)

    def is_taken(self) -> bool:
        """True when somebody is next, of whichever process."""
        # Not by this one's own file: its lock would be given up.
        file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(file)
        return False

    def close(self) -> None:
        """Close the file, and with it give up the lock."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


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
        if not _locked(self._file, fcntl.LOCK_SH, WRITER_QUEUE_SECONDS):
            # Its process may have been stopped in the midst of it.
            raise DatabaseUnavailable("another process folds its log back, and does not end")

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
        self._together: dict[str, Together] = {}
        self.is_sqlite = make_url(url).get_backend_name() == "sqlite"
        if self.is_sqlite:
            self.path = Path(make_url(url).database or "")
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._writer = _sqlite_engine(url, writes=True)
            self._next = _Next(self.path.with_name(NEXT_FILE))
            self._next.among(self._writer)
            self._turn = _Turn(self.path.with_name(TURN_FILE), self._writer)
            self._reader = _sqlite_engine(url, writes=False)
        else:
            self._until_look: int | None = None
            self._since_look = 0
            self._writer = _postgresql_engine(url)
            self._reader = self._writer.execution_options(isolation_level="REPEATABLE READ")

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction that writes, committed at the end of the block, undone by an exception in it."""
        with _unavailable_said(), self._writer.begin() as connection:
            yield connection

    def write_together(self, work: Callable[[Connection], T] | Joint[Any, T], *, of: str) -> T:
        """What a work returns that writes in a transaction, which it shares with what else waits to write.

        of: the site that it writes to. On PostgreSQL those of one site, who would take turns, share a transaction, and
        no others: two that held each other's site would wait for ever. The work may be called again, after its first
        transaction was undone for another's fault.
        """
        name = "" if self.is_sqlite else of
        together = self._together.get(name)
        if together is None:
            # Of two at once both keep the first.
            together = self._together.setdefault(name, Together(self.write, hopeless=DatabaseUnavailable))
        return together.write(work)

    def is_waited_for(self) -> bool:
        """True when somebody waits to write to an embedded file."""
        return self.is_sqlite and self._next.is_taken()

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
        if not self.is_sqlite:
            return connection.execution_options(isolation_level="READ COMMITTED").begin()
        with closing(_Next(self.path.with_name(NEXT_FILE))) as place:
            place.wait()
            return connection.execution_options(begin="BEGIN IMMEDIATE").begin()

    def look_at_growth(self, events: int) -> None:
        """Let PostgreSQL look at what its tables hold once they may have doubled; `events` more were counted.

        By itself it looks up to a minute later: until then it takes each site for a small one, and reads all of it for
        every few names.
        """
        if self.is_sqlite:
            return
        if self._until_look is None:
            with self.read() as connection:
                known = connection.exec_driver_sql(_KNOWN_ROWS).scalar_one()
            self._until_look = max(FEWEST_TO_LOOK, int(known))
        self._since_look += events
        if self._since_look >= self._until_look:
            with self.write() as connection:
                connection.exec_driver_sql(_LOOKS_BRIEFLY)
                connection.exec_driver_sql(f"ANALYZE {', '.join(metadata.tables)}")
            self._until_look, self._since_look = self._until_look + self._since_look, 0

    def checkpoint(self) -> None:
        """Fold the write-ahead log of an embedded file back into it, once it has grown."""
        wal = self.path.with_name(self.path.name + "-wal") if self.is_sqlite else None
        if wal is None or not wal.exists() or wal.stat().st_size < CHECKPOINT_BYTES:
            return
        self._alone("PRAGMA wal_checkpoint(TRUNCATE)")

    def _alone(self, *statements: str) -> list[Any] | None:
        """Run statements of SQLite that run in no transaction: rows of the last. None: another process writes."""
        with _unavailable_said(), self._writer.connect() as connection:
            if not self._turn.is_ours_alone():
                return None
            # Around the engine's BEGIN. It holds the writers' connection, so it waits for no reader: what one still
            # needs is left for the next time.
            raw: Any = connection.connection.dbapi_connection
            rows: list[Any] = []
            try:
                for statement in statements:
                    rows = raw.execute(statement).fetchall()
            except sqlite3.OperationalError as error:
                raise DatabaseUnavailable(str(error)) from error
            return rows

    # --- erasing ------------------------------------------------------------------------------------------------

    @contextmanager
    def overwriting(self, connection: Connection) -> Iterator[None]:
        """While it lasts, SQLite writes zeros over what a connection deletes; PostgreSQL leaves that to `erase`."""
        if not self.is_sqlite:
            yield
            return
        usual = connection.exec_driver_sql("PRAGMA secure_delete").scalar_one()
        connection.exec_driver_sql("PRAGMA secure_delete = ON").close()
        try:
            yield
        finally:
            connection.exec_driver_sql(f"PRAGMA secure_delete = {('OFF', 'ON', 'FAST')[usual]}").close()

    def erase(self, table: str, secret: bytes, *, most_bytes: int | None = None) -> str | None:
        """Rid the database's own files of a secret that stood in a table and is committed to be gone.

        Returns None when it is, with any that such a call left there before; else why not. The table (PostgreSQL), or
        the whole file (SQLite), is written anew; PostgreSQL's log of writes is not looked at. Tried for ERASE_SECONDS:
        readers of older snapshots, and other processes that write, hold it up. most_bytes: an SQLite file that is
        larger is left as it is, since all who write wait meanwhile.
        """
        until = time.monotonic() + ERASE_SECONDS
        since = None if self.is_sqlite else self._next_transaction()
        while True:
            try:
                if since is None:
                    held_up = self._written_anew(secret, most_bytes)
                else:
                    held_up = self._table_written_anew(table, since)
            except DatabaseUnavailable as error:
                log.warning("a secret that was replaced cannot be erased yet: %s", error)
                held_up = "the database was in use"
            if held_up is None or time.monotonic() > until:
                return held_up
            time.sleep(ERASE_AGAIN_SECONDS)

    def _written_anew(self, secret: bytes, most_bytes: int | None) -> str | None:
        """Why an embedded file was not written anew, without the secret; None when it was."""
        folded = self._alone("PRAGMA wal_checkpoint(TRUNCATE)")
        if folded is None or folded[0][0]:
            return "other processes wrote, or read from before"
        if most_bytes is not None and self.path.stat().st_size > most_bytes:
            return f"the file is larger than {most_bytes // 2**20} MiB, which the command writes anew"
        # Always: what an earlier call that was broken off left there, nobody knows any more to look for.
        folded = self._alone("VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)")
        wal = self.path.with_name(self.path.name + "-wal")
        if folded is None or folded[0][0] or _holds(self.path, secret) or _holds(wal, secret):
            return "other processes wrote, or read from before"
        return None

    def _next_transaction(self) -> str:
        """What is replaced by now was replaced by transactions before this one."""
        with _unavailable_said(), self._writer.connect() as connection:
            return str(connection.exec_driver_sql("SELECT pg_snapshot_xmax(pg_current_snapshot())::xid").scalar_one())

    def _table_written_anew(self, table: str, since: str) -> str | None:
        """Why a table was not written anew without the rows that were replaced before `since`; None when it was."""
        with _unavailable_said(), self._writer.connect() as connection:
            alone = connection.execution_options(isolation_level="AUTOCOMMIT")
            # VACUUM carries over every row that somebody may still see, or seems to.
            if alone.exec_driver_sql(_OLDER_HOLDERS, {"since": since}).scalar_one():
                return "older transactions, or snapshots of before, were open"
            before = alone.exec_driver_sql("SELECT pg_relation_filenode(%(table)s)", {"table": table}).scalar_one()
            alone.exec_driver_sql(f"SET lock_timeout = {ERASE_LOCK_MS}")
            try:
                alone.exec_driver_sql(f"VACUUM (FULL) {table}")
            finally:
                alone.exec_driver_sql(f"SET lock_timeout = {LOCK_TIMEOUT_MS}")
            after = alone.exec_driver_sql("SELECT pg_relation_filenode(%(table)s)", {"table": table}).scalar_one()
        return None if before != after else f"the database's user may not write table {table} anew"

    def close(self) -> None:
        """Close all connections."""
        self._writer.dispose()
        self._reader.dispose()
        if self.is_sqlite:
            self._next.close()
            self._turn.close()

    @property
    def pool(self) -> Pool:
        """The writers' pool, for those who watch it."""
        return self._writer.pool


def _holds(path: Path, secret: bytes) -> bool:
    """True when a file has these bytes in it."""
    if not path.exists():
        return False
    tail = b""
    with path.open("rb") as file:
        while part := file.read(_SCANNED_BYTES):
            if secret in tail + part:
                return True
            tail = part[-len(secret) :]
    return False


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
