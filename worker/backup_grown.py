"""Backups of a grown installation: PostgreSQL's own tools, and the proof that what they wrote can be read back.

Passwords reach these tools by the environment alone: what stands on a command line can be read by everyone on the host.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from psycopg.conninfo import make_conninfo
from sqlalchemy import URL, Connection, create_engine, func, inspect, select, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from worker.backup import Backup, BackupFailed, Copied, Proof, audits_of, new_file, sha256_of
from worker.database import Database
from worker.schema import SchemaBehind, SchemaNotOurs, revision
from worker.schema import check as check_schema
from worker.tables import events, sites

GROWN_SUFFIX: Final = ".dump"
_ARCHIVE_HEAD: Final = b"PGDMP"
_POLL_SECONDS: Final = 0.1


@dataclass(frozen=True)
class Held:
    """What a ledger holds: events by site, and the highest position."""

    by_site: dict[str, int]
    position: int

    @classmethod
    def of(cls, connection: Connection) -> Held:
        """What the ledger of a snapshot holds."""
        e = events.c
        counts = {site: int(n) for site, n in connection.execute(select(e.site, func.count()).group_by(e.site))}
        position = connection.execute(select(func.coalesce(func.max(e.position), 0))).scalar_one()
        found = dict.fromkeys(connection.execute(select(sites.c.site)).scalars(), 0) | counts
        return cls(found, position)

    @property
    def events(self) -> int:
        """Events of all sites."""
        return sum(self.by_site.values())


def is_grown_backup(path: Path) -> bool:
    """True when a file is an archive of pg_dump's."""
    with path.open("rb") as read:
        return read.read(len(_ARCHIVE_HEAD)) == _ARCHIVE_HEAD


def back_up_grown(url: str, target: Path, copied: Copied, *, check: bool = True) -> Backup:
    """Write a database to an archive while others write to it, and read the archive back; raises BackupFailed.

    The proof restores it into a database of its own on the same server; where the role may make none, or unless
    `check`, it reads the archive's table of contents alone.
    """
    given = make_url(url)
    with _failure_said(given), _connected(given) as connection:
        if revision(connection) is None:
            raise BackupFailed(f"database {given.database!r} holds no tables of Cutledger; there is nothing to back up")
        _fit_tool("pg_dump", connection)
        with new_file(target) as partial:
            # Held until the dump is whole: the proof compares with exactly what was dumped, whoever writes meanwhile.
            connection.execute(text("SET LOCAL idle_in_transaction_session_timeout = 0"))
            snapshot = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
            held = Held.of(connection)
            options = ["--format=custom", f"--snapshot={snapshot}", f"--file={partial}"]
            _run("pg_dump", options, given, watched=partial, copied=copied)
            proof = _proof(given, connection, partial, held, check=check)
            digest = sha256_of(partial)
    return Backup(target, target.stat().st_size, digest, proof)


def restore_grown(url: str, source: Path) -> Held:
    """Fill an empty database from an archive; raises BackupFailed. Nothing is there when it fails."""
    given = make_url(url)
    if not is_grown_backup(source):
        raise BackupFailed(f"{source} is no backup of a PostgreSQL database")
    with _failure_said(given):
        with _connected(given) as connection:
            _fit_tool("pg_restore", connection)
            there = inspect(connection).get_table_names()
        if there:
            raise BackupFailed(
                f"database {given.database!r} has tables already ({', '.join(sorted(there)[:3])}, ...); "
                "restore into an empty one, made with createdb"
            )
        _restore(given, source)
        with _connected(given) as connection:
            if revision(connection) is None:
                raise BackupFailed(f"{source} was restored, but holds no tables of Cutledger")
            with suppress(SchemaBehind):
                check_schema(connection)
            return Held.of(connection)


def _proof(given: URL, connection: Connection, archive: Path, held: Held, *, check: bool) -> Proof:
    may = "SELECT rolcreatedb OR rolsuper FROM pg_roles WHERE rolname = current_user"
    if check and connection.execute(text(may)).scalar_one():
        with _scratch(given, connection) as scratch:
            return _restored_proof(scratch, archive, held)
    _run("pg_restore", ["--list", str(archive)], given)
    why = "this role may not create a database to restore it into" if check else "no more was asked for"
    return Proof(f"only the archive's table of contents was checked: {why}", [], held.events)


def _restored_proof(scratch: URL, archive: Path, held: Held) -> Proof:
    _restore(scratch, archive)
    with _connected(scratch) as connection:
        found = Held.of(connection)
    if found != held:
        raise BackupFailed(
            f"restored, the archive holds {found.events:,} events up to position {found.position}, the database "
            f"{held.events:,} up to {held.position}; it was thrown away"
        )
    database = Database(scratch.render_as_string(hide_password=False))
    try:
        return Proof("it was restored into a database of its own, and compared", audits_of(database), found.events)
    finally:
        database.close()


def _restore(given: URL, archive: Path) -> None:
    options = ["--no-owner", "--no-privileges", "--exit-on-error", "--single-transaction", str(archive)]
    _run("pg_restore", options, given)


@contextmanager
def _scratch(given: URL, connection: Connection) -> Iterator[URL]:
    """A database of the same encoding on the same server, gone after the block."""
    alike = "SELECT pg_encoding_to_char(encoding), datcollate, datctype FROM pg_database WHERE datname = :name"
    found = connection.execute(text(alike), {"name": given.database}).one()
    encoding, collate, ctype = (str(one).replace("'", "''") for one in found)
    name = f"cutledger_check_{secrets.token_hex(6)}"
    engine = _engine(given, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as outside:
            made = f"ENCODING '{encoding}' LC_COLLATE '{collate}' LC_CTYPE '{ctype}'"
            outside.exec_driver_sql(f'CREATE DATABASE "{name}" TEMPLATE template0 {made}')
        try:
            yield given.set(database=name)
        finally:
            with engine.connect() as outside:
                outside.exec_driver_sql(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
    finally:
        engine.dispose()


def _fit_tool(tool: str, connection: Connection) -> None:
    """Raise BackupFailed unless the tool is there and as new as the server."""
    server = int(connection.execute(text("SHOW server_version_num")).scalar_one()) // 10_000
    if shutil.which(tool) is None:
        raise BackupFailed(
            f"{tool} is not installed here; install the client tools of PostgreSQL {server} "
            f"(postgresql-client-{server} on Debian), or run this on a host that has them"
        )
    said = subprocess.run([tool, "--version"], capture_output=True, text=True, check=False).stdout
    number = re.search(r"(\d+)(\.\d+)*", said)
    if number is None or int(number[1]) < server:
        found = "an unknown release" if number is None else f"PostgreSQL {number[1]}"
        raise BackupFailed(
            f"{tool} here is of {found}, the server of PostgreSQL {server}, and an older {tool} cannot read it; "
            f"install the client tools of PostgreSQL {server}"
        )


def _run(tool: str, options: Sequence[str], given: URL, *, watched: Path | None = None, copied: Any = None) -> None:
    """Run a tool on a database, telling how the file that it writes grows; raises BackupFailed with its last words."""
    conninfo, environment = _address(given)
    command = [tool, *options] if "--list" in options else [tool, "--no-password", f"--dbname={conninfo}", *options]
    try:
        with subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment
        ) as process:
            try:
                said = _watch(process, watched, copied)
            except BaseException:
                process.kill()
                raise
    except OSError as error:
        raise BackupFailed(f"{tool} cannot be started: {error.strerror}") from error
    if process.returncode:
        lines = said.decode(errors="replace").strip().splitlines() or [f"it ended with status {process.returncode}"]
        raise BackupFailed(f"{tool} failed: {lines[0].removeprefix(f'{tool}: error: ')}")


def _watch(process: subprocess.Popen[bytes], watched: Path | None, copied: Copied | None) -> bytes:
    while True:
        try:
            _, said = process.communicate(timeout=_POLL_SECONDS)
        except subprocess.TimeoutExpired:
            said = None
        if watched is not None and copied is not None and watched.exists():
            copied(watched.stat().st_size, None)
        if said is not None:
            return bytes(said)


def _address(given: URL) -> tuple[str, dict[str, str]]:
    """(connection string without a password, environment with it)."""
    parts: dict[str, Any] = {
        "host": given.host,
        "port": given.port,
        "user": given.username,
        "dbname": given.database,
        "application_name": "cutledger backup",
    }
    query = {name: ",".join(_all(value)) for name, value in given.query.items()}
    environment = {name: value for name, value in os.environ.items() if name != "PGPASSWORD" or not given.password}
    password = given.password or query.get("password")
    if password:
        environment["PGPASSWORD"] = str(password)
    known = {name: value for name, value in {**parts, **query}.items() if value is not None and name != "password"}
    return make_conninfo("", **known), environment


def _all(value: str | tuple[str, ...]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else value


def _engine(given: URL, **options: Any) -> Any:
    return create_engine(given.set(drivername="postgresql+psycopg"), poolclass=NullPool, **options)


@contextmanager
def _connected(given: URL) -> Iterator[Connection]:
    """A transaction of one snapshot that ends without a trace."""
    engine = _engine(given, isolation_level="REPEATABLE READ", connect_args={"connect_timeout": 5})
    try:
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


@contextmanager
def _failure_said(given: URL) -> Iterator[None]:
    try:
        yield
    except SchemaNotOurs as error:
        raise BackupFailed(str(error)) from error
    except DBAPIError as error:
        raise BackupFailed(f"database {given.database!r}: {str(error.orig).strip().splitlines()[0]}") from error
