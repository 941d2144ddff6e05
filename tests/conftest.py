"""Fixtures that more than one package of tests uses."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.builders import NOW_US, embedded, installed
from tests.grown import fresh_postgres
from worker.database import Database
from worker.installing import add_site

# Deadlines measure the machine's other load, not the code.
settings.register_profile(
    "plain", deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large], print_blob=True
)
settings.load_profile("plain")


THOROUGH = os.environ.get("CUTLEDGER_TEST_THOROUGH") == "1"


def of_many(examples: int) -> int:
    """Examples of a long property: a third, unless all are asked for."""
    return examples if THOROUGH else examples // 3


#: All that the first path does is proven on both.
ENGINES = ("sqlite", "postgresql")


@contextmanager
def installation_on(engine: str, folder: Path, *, name: str = "test") -> Iterator[Database]:
    """A new installation on SQLite in a folder, or on the PostgreSQL of the tests (skips without one)."""
    with ExitStack() as stack:
        opened = embedded(folder) if engine == "sqlite" else installed(stack.enter_context(fresh_postgres(name)))
        stack.callback(opened.close)
        yield opened


@pytest.fixture(params=ENGINES)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with installation_on(request.param, tmp_path) as opened:
        yield opened


class Sites:
    """A database whose sites are each used once: a new site is a thousandth of the work of a new database."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._numbers = count(1)

    def new(self) -> str:
        site = f"s{next(self._numbers)}"
        with self.database.write() as connection:
            add_site(connection, site, now_us=NOW_US)
        return site

    def examples(self, count: int) -> int:
        """Examples of a long property: a third, on PostgreSQL, where each costs more, a fifth, unless all are asked."""
        return of_many(count) if THOROUGH or self.database.is_sqlite else count // 5


@pytest.fixture(scope="session", params=ENGINES)
def sites(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    with installation_on(request.param, tmp_path_factory.mktemp("sites"), name="sites") as opened:
        yield Sites(opened)
