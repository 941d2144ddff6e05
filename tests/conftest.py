"""Fixtures that more than one package of tests uses."""

from __future__ import annotations

import gc
import os
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
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
    """Examples of a long property: a sixth, unless all are asked for."""
    return examples if THOROUGH else max(1, examples // 6)


#: All that the first path does is proven on both.
ENGINES = ("sqlite", "postgresql")
#: Of the parameters of a test PostgreSQL gets the first and then one in so many, SQLite all, unless all are asked for.
ONE_IN = 8


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if THOROUGH:
        return
    met: Counter[tuple[Path, str]] = Counter()
    kept: list[pytest.Item] = []
    left_out: list[pytest.Item] = []
    for item in items:
        place = item.path, item.name.partition("[")[0]
        of_the_other = "postgresql" in _parameters(item)
        met[place] += of_the_other
        (left_out if of_the_other and met[place] % ONE_IN != 1 else kept).append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = kept


def _parameters(item: pytest.Item) -> list[str]:
    callspec = getattr(item, "callspec", None)
    return [] if callspec is None else [value for value in callspec.params.values() if isinstance(value, str)]


def pytest_collection_finish() -> None:
    """What is there once all tests are known stays to the end: the collector need not look through it again."""
    gc.collect()
    gc.freeze()


@contextmanager
def installation_on(engine: str, folder: Path, *, name: str = "test") -> Iterator[Database]:
    """A new installation on SQLite in a folder, or on the PostgreSQL of the tests (skips without one)."""
    with ExitStack() as stack:
        if engine == "sqlite":
            opened = embedded(folder)
        else:
            opened = installed(stack.enter_context(fresh_postgres(name, with_tables=True)))
        stack.callback(opened.close)
        if opened.is_sqlite:
            # Nothing is killed in these: what a power cut would lose of the tests' data, they can do without.
            with closing(opened._writer.raw_connection()) as connection:
                connection.cursor().execute("PRAGMA synchronous = OFF")
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
        """Examples of a long property: a sixth, on PostgreSQL, where each costs more, a tenth, unless all are asked."""
        return of_many(count) if THOROUGH or self.database.is_sqlite else max(1, count // 10)


@pytest.fixture(scope="session", params=ENGINES)
def sites(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    with installation_on(request.param, tmp_path_factory.mktemp("sites"), name="sites") as opened:
        yield Sites(opened)
