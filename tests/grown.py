"""Real servers for what must be proven on them: databases of the tests' own on a PostgreSQL, a Redis of the tests' own.

`make test` on a machine without them skips what needs them and says so; with CUTLEDGER_TEST_NEEDS_SERVERS=1 (CI) a
missing server fails instead.
"""

from __future__ import annotations

import atexit
import os
import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from typing import NoReturn

import pytest
from redis import Redis
from redis.exceptions import RedisError
from sqlalchemy import create_engine, make_url, text
from sqlalchemy.exc import OperationalError

from worker.database import Database
from worker.schema import migrate

POSTGRES = os.environ.get("CUTLEDGER_TEST_DATABASE_URL", "postgresql://postgres@127.0.0.1:5432/postgres")
#: A database of Redis for the tests alone; its keys carry the application's prefix.
BROKER = os.environ.get("CUTLEDGER_TEST_BROKER_URL", "redis://127.0.0.1:6379/9")
NEEDED = os.environ.get("CUTLEDGER_TEST_NEEDS_SERVERS") == "1"


@cache
def _no_postgres() -> str | None:
    """Why PostgreSQL cannot be used; None when it can."""
    engine = create_engine(_psycopg(POSTGRES), connect_args={"connect_timeout": 3})
    try:
        with engine.connect() as connection:
            version = connection.execute(text("SHOW server_version_num")).scalar_one()
        return None if int(version) >= 150_000 else f"PostgreSQL 15 or newer is needed, this is {version}"
    except OperationalError as error:
        return f"no PostgreSQL answers at CUTLEDGER_TEST_DATABASE_URL: {str(error.orig).splitlines()[0]}"
    finally:
        engine.dispose()


def postgres_or_skip() -> str:
    """Address of the PostgreSQL server of the tests; skips the test without one."""
    if reason := _no_postgres():
        _without(reason)
    return POSTGRES


def broker_or_skip() -> str:
    """Address of the Redis of the tests; skips the test without one."""
    connection = Redis.from_url(BROKER, socket_connect_timeout=3)
    try:
        connection.ping()
    except RedisError as error:
        _without(f"no Redis answers at CUTLEDGER_TEST_BROKER_URL: {error}")
    finally:
        connection.close()
    return BROKER


def _without(reason: str) -> NoReturn:
    if NEEDED:
        pytest.fail(reason)
    pytest.skip(reason)


@contextmanager
def fresh_postgres(name: str = "test", *, with_tables: bool = False) -> Iterator[str]:
    """Address of a new database, which is dropped afterwards; skips the test without a server.

    It is empty, or has the tables of this release with nothing in them.
    """
    server = _psycopg(postgres_or_skip())
    database = f"cutledger_{name}_{uuid.uuid4().hex[:12]}"
    template = f'TEMPLATE "{_with_tables()}"' if with_tables else ""
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{database}" {template}'))
            # Nothing is killed in these: what a power cut would lose of the tests' data, they can do without.
            connection.execute(text(f'ALTER DATABASE "{database}" SET synchronous_commit = off'))
        yield make_url(POSTGRES).set(database=database).render_as_string(hide_password=False)
    finally:
        with engine.connect() as connection:
            connection.execute(text(f'DROP DATABASE IF EXISTS "{database}" WITH (FORCE)'))
        engine.dispose()


@cache
def _with_tables() -> str:
    """Name of a database that others are copied of, made once in a process of tests and dropped at its end."""
    made = ExitStack()
    url = made.enter_context(fresh_postgres("template"))
    atexit.register(made.close)
    database = Database(url)
    migrate(database)
    database.close()
    return str(make_url(url).database)


def _psycopg(url: str) -> str:
    return make_url(url).set(drivername="postgresql+psycopg").render_as_string(hide_password=False)
