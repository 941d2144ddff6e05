"""The embedded server: one process that answers and counts."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, Final

from flask import Flask
from gunicorn.app.base import BaseApplication

from service.app import create_app
from service.clock import now_us
from worker.database import Database
from worker.installing import install
from worker.loop import Loop
from worker.schema import check, migrate
from worker.settings import Installation

THREADS: Final = 8
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


def started_app(installation: Installation) -> tuple[Flask, Callable[[], None]]:
    """(application with what counts for it running, how to stop that). Called in the process that answers."""
    database = Database(installation.database_url)
    counter = _counter(installation, database)
    counter.start()

    def stop() -> None:
        counter.stop()
        database.close()

    return create_app(database, counter.nudge), stop


def _counter(installation: Installation, database: Database) -> Any:
    if installation.broker_url is None:
        return Loop(database)
    # Celery is slow to import; an embedded server does without.
    from worker.tasks import Nudger

    return Nudger(installation.broker_url)


class Server(BaseApplication):  # type: ignore[misc]
    """gunicorn around the application: one worker process, a few threads, started after the fork."""

    def __init__(self, installation: Installation, *, host: str, port: int, quiet: bool) -> None:
        self.installation = installation
        self.options = {
            "bind": f"[{host}]:{port}" if ":" in host else f"{host}:{port}",
            "workers": 1,
            "worker_class": "gthread",
            "threads": THREADS,
            "timeout": 0,
            "graceful_timeout": 20,
            "keepalive": 30,
            "limit_request_fields": 50,
            "limit_request_line": 8190,
            "proc_name": "cutledger",
            "loglevel": "warning" if quiet else "info",
            "accesslog": None,
            "control_socket_disable": True,
            "worker_exit": _stop_counting,
            "worker_tmp_dir": "/dev/shm" if os.path.isdir("/dev/shm") else None,  # noqa: PTH112
        }
        super().__init__()

    def load_config(self) -> None:
        """Hand the options to gunicorn."""
        for name, value in self.options.items():
            if name in self.cfg.settings:
                self.cfg.set(name, value)

    def load(self) -> Flask:
        """The application, made in the worker process: threads and connections do not outlive a fork."""
        app, stop = started_app(self.installation)
        app.extensions["cutledger.stop"] = stop
        return app


def _stop_counting(_arbiter: object, worker: Any) -> None:
    app = getattr(worker, "wsgi", None)
    stop = getattr(app, "extensions", {}).get("cutledger.stop")
    if stop is not None:
        stop()
