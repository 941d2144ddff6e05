"""Which revision the tables have, and bringing them to this release's: Alembic's revisions in worker.migrations."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, func, inspect, select, text
from sqlalchemy.exc import OperationalError, ProgrammingError

from worker.database import Database
from worker.tables import metadata

#: Every revision there ever was, oldest first; the last is this release's.
REVISIONS: Final = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009", "0010", "0011")
HEAD: Final = REVISIONS[-1]
#: Under this advisory lock one process migrates a PostgreSQL database at a time.
_MIGRATION_LOCK: Final = 0x4375744D
#: Files of the first release, which knew no revisions, carried this number.
_FIRST_USER_VERSION: Final = 1
READ_REVISION: Final = "SELECT version_num FROM alembic_version"


class SchemaBehind(Exception):
    """The tables are not there yet, or are those of an older release."""

    def __init__(self, found: str | None) -> None:
        state = "has no tables yet" if found is None else f"has the tables of an older release (revision {found})"
        super().__init__(f"the database {state}; bring it to this release with: cutledger migrate")
        self.found = found


class SchemaNotOurs(Exception):
    """The tables are those of a newer release, or of something else."""

    def __init__(self, found: str) -> None:
        super().__init__(
            f"the database has {found}, which this release does not know (it knows revisions up to {HEAD}); "
            "use the release that made it, or name another database"
        )
        self.found = found


def revision(connection: Connection) -> str | None:
    """The revision of the tables; None when there are none."""
    if not inspect(connection).has_table("alembic_version"):
        return REVISIONS[0] if _made_before_revisions(connection) else None
    return connection.execute(text(READ_REVISION)).scalar_one_or_none()


def check(connection: Connection) -> None:
    """Raise SchemaBehind or SchemaNotOurs unless the tables are this release's."""
    found = revision(connection)
    if found is not None and found not in REVISIONS:
        raise SchemaNotOurs(f"revision {found}")
    if found is None and inspect(connection).has_table("events"):
        raise SchemaNotOurs("tables without a revision")
    if found != HEAD:
        raise SchemaBehind(found)


def is_current(connection: Connection) -> bool:
    """True when the tables are this release's; one statement, for those who ask often."""
    try:
        with connection.begin_nested():
            found = connection.execute(text(READ_REVISION)).scalar_one_or_none()
    except (OperationalError, ProgrammingError):
        return False
    return found == HEAD


def migrate(database: Database, *, to: str = HEAD) -> tuple[str | None, str]:
    """Bring the tables to a revision, in one transaction; returns (revision before, revision after).

    Two that migrate at once do so one after the other. Raises SchemaNotOurs.
    """
    with database.write() as connection:
        if not database.is_sqlite:
            connection.execute(select(func.pg_advisory_xact_lock(_MIGRATION_LOCK)))
        try:
            check(connection)
        except SchemaBehind as behind:
            before = behind.found
        else:
            before = HEAD
        if before != to:
            _run(connection, before, to)
    return before, to


def erase(database: Database) -> None:
    """Go back to before the first revision: all tables go, with all that is in them."""
    with database.write() as connection:
        _run(connection, revision(connection), "base")


def _run(connection: Connection, before: str | None, to: str) -> None:
    # Slow to import, and needed once in the life of a database.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    if before is not None and not inspect(connection).has_table("alembic_version"):
        command.stamp(config, before)
    going_back = to == "base" or (before in REVISIONS and REVISIONS.index(before) > REVISIONS.index(to))
    (command.downgrade if going_back else command.upgrade)(config, to)


def _made_before_revisions(connection: Connection) -> bool:
    if connection.dialect.name != "sqlite":
        return False
    number = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
    return number == _FIRST_USER_VERSION and inspect(connection).has_table(metadata.tables["events"].name)
