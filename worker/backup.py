"""Backups: what both kinds share, and the copy of an embedded file that is taken while others write to it."""

from __future__ import annotations

import hashlib
import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final
from urllib.parse import quote

from worker.database import BUSY_TIMEOUT_MS, Database
from worker.installing import site_names
from worker.schema import HEAD, READ_REVISION, REVISIONS, is_current
from worker.tallies import Audit, audit

#: Called with how many bytes of the copy are there, and how many there will be (None: not known yet).
Copied = Callable[[int, int | None], None]

EMBEDDED_SUFFIX: Final = ".sqlite3"
#: Pages of the file that are copied before progress is told.
PAGES_AT_ONCE: Final = 2_000
_SQLITE_HEAD: Final = b"SQLite format 3\x00"
_SIDE_FILES: Final = ("-wal", "-shm", "-journal")


class BackupFailed(Exception):
    """No backup was made, or none was taken back: what was in the way, and what would do."""


@dataclass(frozen=True)
class Proof:
    """What was found of a copy by reading it back. `audits` is empty when only older tables are in it."""

    checked: str
    audits: list[Audit] = field(default_factory=list)
    events: int | None = None

    @property
    def holds(self) -> bool:
        """True unless an audit of the copy is not equal: then the original was so too, and the ledger is in it."""
        return all(one.equal for one in self.audits)


@dataclass(frozen=True)
class Backup:
    """A backup that was read back. `size` in bytes."""

    path: Path
    size: int
    sha256: str
    proof: Proof


def backup_name(now: datetime, suffix: str) -> str:
    """The name that a backup of this instant (UTC) has when none is given: names sort as the backups came."""
    return f"cutledger-{now:%Y-%m-%dT%H%M%S}Z{suffix}"


def older_backups(newest: Path, *, keep: int) -> list[Path]:
    """The backups beside this one, named as it is, beyond the `keep` newest; it counts as one of these."""
    pattern = re.compile(r"cutledger-\d{4}-\d\d-\d\dT\d{6}Z" + re.escape(newest.suffix))
    alike = [one for one in newest.parent.iterdir() if pattern.fullmatch(one.name) and one.is_file()]
    return sorted((one for one in alike if one.name < newest.name), reverse=True)[max(keep - 1, 0) :]


@contextmanager
def new_file(target: Path) -> Iterator[Path]:
    """A file of a temporary name, for the owner alone, that is on disk under its own name when the block is done.

    Nothing is left of it when the block fails. Raises BackupFailed when the target exists.
    """
    partial = target.with_name(f".{target.name}.{os.getpid()}.partial")
    try:
        if target.exists():
            raise BackupFailed(f"{target} exists already; name another file")
        os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        try:
            yield partial
            sync(partial)
            partial.rename(target)
            sync(target.parent)
        finally:
            for suffix in ("", *_SIDE_FILES):
                partial.with_name(partial.name + suffix).unlink(missing_ok=True)
    except OSError as error:
        raise BackupFailed(f"{error.filename or target} cannot be written: {error.strerror or error}") from error


def sync(path: Path) -> None:
    """Wait until a file or folder is on disk."""
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as read:
        return hashlib.file_digest(read, "sha256").hexdigest()


def audits_of(database: Database) -> list[Audit]:
    """Audits of all sites; none when the tables are of another release. Writes nothing but temporary tables."""
    with database.snapshot_with_scratch() as connection, database.begin_snapshot(connection):
        if not is_current(connection):
            return []
        names = site_names(connection)
    return [audit(database, site) for site in names]


# --- embedded ------------------------------------------------------------------------------------------------------


def is_embedded_backup(path: Path) -> bool:
    """True when a file is an SQLite database."""
    with path.open("rb") as read:
        return read.read(len(_SQLITE_HEAD)) == _SQLITE_HEAD


def back_up_embedded(source: Path, target: Path, copied: Copied) -> Backup:
    """Copy the database of an embedded installation, served or not, and read the copy back; raises BackupFailed."""
    if not source.exists():
        raise BackupFailed(f"there is no {source} to back up; --data names the folder of the installation")
    with new_file(target) as partial:
        _copy(source, partial, copied)
        proof = prove_embedded(partial)
        digest = sha256_of(partial)
    return Backup(target, target.stat().st_size, digest, proof)


def restore_embedded(source: Path, target: Path, copied: Copied) -> None:
    """Put a backup in the place of an embedded installation's file that holds nothing; raises BackupFailed.

    The caller holds the lock of the folder.
    """
    if not is_embedded_backup(source):
        raise BackupFailed(f"{source} is no backup of an embedded installation")
    if target.exists() and not _holds_nothing(target):
        raise BackupFailed(f"{target} holds events or keys already; restore into another folder with --data")
    fresh = target.with_name(f"{target.name}.restored")
    fresh.unlink(missing_ok=True)
    with new_file(fresh) as partial:
        _copy(source, partial, copied)
        _check_integrity(partial)
        _check_release(partial)
    # A log of the file before would be taken for one of the file after.
    for suffix in _SIDE_FILES:
        target.with_name(target.name + suffix).unlink(missing_ok=True)
    fresh.rename(target)
    sync(target.parent)


def prove_embedded(copy: Path) -> Proof:
    """Read a copy back: its pages, then an audit of what it says; raises BackupFailed when it is damaged."""
    _check_integrity(copy)
    told = audits_of(Database(f"sqlite:///{copy.absolute()}"))
    with closing(_read_only(copy)) as connection, _failure_said(copy):
        (events,) = connection.execute("SELECT count(*) FROM events").fetchone()
    return Proof("every page of the copy was checked", told, events)


def _copy(source: Path, target: Path, copied: Copied) -> None:
    """Copy one snapshot of a database into a file, as one file without a log beside it."""
    with closing(_read_only(source)) as reading, closing(sqlite3.connect(target)) as writing, _failure_said(source):
        (page_size,) = reading.execute("PRAGMA page_size").fetchone()
        # The target is worth nothing until it is whole, and is synced then.
        writing.execute("PRAGMA synchronous = OFF")
        # Held from the first page to the last: without it a copy would start anew at each commit of a server.
        reading.execute("BEGIN")
        reading.execute("SELECT count(*) FROM sqlite_schema").fetchone()

        def tell(_status: int, remaining: int, total: int) -> None:
            copied((total - remaining) * page_size, total * page_size)

        reading.backup(writing, pages=PAGES_AT_ONCE, progress=tell, sleep=0.01)
        reading.rollback()
        writing.execute("PRAGMA journal_mode = DELETE")


def _read_only(path: Path) -> sqlite3.Connection:
    """A connection that writes nothing, not even the log back into the file when it is the last to close."""
    connection = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, isolation_level=None)
    connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA query_only = ON")
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    return connection


def _check_integrity(path: Path) -> None:
    with closing(_read_only(path)) as connection, _failure_said(path):
        found = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
    if found != ["ok"]:
        raise BackupFailed(f"the copy is damaged ({'; '.join(found)}); check the disk, and keep the backup before")


def _check_release(path: Path) -> None:
    with closing(_read_only(path)) as connection, _failure_said(path):
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        found = connection.execute(READ_REVISION).fetchone() if "alembic_version" in tables else None
    if "events" not in tables:
        raise BackupFailed("the file is an SQLite database, but none of Cutledger")
    if found is not None and found[0] not in REVISIONS:
        raise BackupFailed(f"the backup is of a newer release (revision {found[0]}; this one knows {HEAD})")


def _holds_nothing(path: Path) -> bool:
    with closing(_read_only(path)) as connection, _failure_said(path):
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        return not any(
            connection.execute(f"SELECT EXISTS (SELECT 1 FROM {name})").fetchone()[0]  # noqa: S608
            for name in tables & {"events", "keys"}
        )


@contextmanager
def _failure_said(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise BackupFailed(f"{path} cannot be read as a database, or copied: {error}") from error
