"""Where an installation keeps its data: embedded in a folder, or grown, on a PostgreSQL and a Redis."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from typing import Final

import psycopg
from psycopg import sql
from redis import Redis
from sqlalchemy import make_url

from worker.settings import DATABASE_FILE, Installation

EMBEDDED: Final = "embedded"
GROWN: Final = "grown"
KINDS: Final = (EMBEDDED, GROWN)
#: Its role may create databases.
POSTGRES: Final = os.environ.get("CUTLEDGER_TEST_DATABASE_URL", "postgresql://postgres@127.0.0.1:5432/postgres")
BROKER: Final = os.environ.get("CUTLEDGER_TEST_BROKER_URL", "redis://127.0.0.1:6379/9")
#: Databases of Redis, one for each installation of a run: workers take every wake-up that lies in theirs.
_OF_BROKER: Final = cycle(range(10, 16))


@dataclass(frozen=True)
class Place:
    """Where one installation keeps its data; what its processes write goes into the folder."""

    folder: Path
    database_url: str
    broker_url: str | None = None

    @property
    def kind(self) -> str:
        """One of KINDS."""
        return EMBEDDED if self.broker_url is None else GROWN

    @property
    def settings(self) -> Mapping[str, str]:
        """The variables of the environment that name it."""
        named = {"CUTLEDGER_DATA": str(self.folder), "CUTLEDGER_DATABASE_URL": self.database_url}
        return named if self.broker_url is None else named | {"CUTLEDGER_BROKER_URL": self.broker_url}

    @property
    def file(self) -> Path:
        """Database file of an embedded one."""
        return self.folder / DATABASE_FILE

    @property
    def environment(self) -> dict[str, str]:
        """The environment of its processes: this one's, with no settings but its own."""
        inherited = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
        return inherited | dict(self.settings)


def embedded_in(folder: Path) -> Place:
    """An embedded installation in a folder."""
    return Place(folder, Installation.from_environment({}, data=str(folder)).database_url)


@contextmanager
def place_of(kind: str, folder: Path) -> Iterator[Place]:
    """A place of this kind for a new installation; what is not in the folder goes with the block."""
    folder.mkdir(parents=True, exist_ok=True)
    if kind == EMBEDDED:
        yield embedded_in(folder)
        return
    broker = make_url(BROKER).set(database=str(next(_OF_BROKER))).render_as_string(hide_password=False)
    with fresh_database() as url:
        try:
            yield Place(folder, url, broker)
        finally:
            _forget_wake_ups(broker)


@contextmanager
def fresh_database() -> Iterator[str]:
    """Address of a new database of the PostgreSQL server, as durable as the server is, dropped with the block."""
    name = f"cutledger_bench_{uuid.uuid4().hex[:12]}"
    with closing(psycopg.connect(POSTGRES, autocommit=True)) as server:
        server.execute(sql.SQL("create database {}").format(sql.Identifier(name)))
    try:
        yield make_url(POSTGRES).set(database=name).render_as_string(hide_password=False)
    finally:
        with closing(psycopg.connect(POSTGRES, autocommit=True)) as server:
            server.execute(sql.SQL("drop database if exists {} with (force)").format(sql.Identifier(name)))


def _forget_wake_ups(broker: str) -> None:
    with closing(Redis.from_url(broker)) as connection:
        for key in connection.scan_iter("cutledger:*"):
            connection.delete(key)
