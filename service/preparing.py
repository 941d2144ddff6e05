"""An installation made ready before it is worked with: the lock of its folder, its tables, secret and first site."""

from __future__ import annotations

import fcntl
from pathlib import Path
from typing import IO, Final

from service.clock import now_us
from worker.database import Database
from worker.installing import install
from worker.schema import check, migrate
from worker.settings import Installation

LOCK_FILE: Final = "serve.lock"


class AlreadyServed(Exception):
    """Another process serves this data folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(f"another process serves {folder}; stop it, or give another folder with --data")
        self.folder = folder


def hold(folder: Path) -> IO[str]:
    """The lock of a data folder, held until the file is closed; raises AlreadyServed."""
    folder.mkdir(parents=True, exist_ok=True)
    lock = (folder / LOCK_FILE).open("a")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        raise AlreadyServed(folder) from None
    return lock


def prepare(installation: Installation) -> None:
    """Make ready what an installation needs: tables, secret, first site.

    An embedded one is brought to this release; raises SchemaBehind for a grown one that is not, and SchemaNotOurs.
    """
    database = Database(installation.database_url)
    try:
        if installation.embedded:
            migrate(database)
        with database.write() as connection:
            check(connection)
            install(connection, now_us=now_us())
    finally:
        database.close()
