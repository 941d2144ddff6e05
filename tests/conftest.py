"""Fixtures that more than one package of tests uses."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.builders import NOW_US, embedded
from worker.database import Database
from worker.installing import add_site

# Deadlines measure the machine's other load, not the code.
settings.register_profile(
    "plain", deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large], print_blob=True
)
settings.load_profile("plain")


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = embedded(tmp_path)
    yield opened
    opened.close()


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


@pytest.fixture(scope="session")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    opened = embedded(tmp_path_factory.mktemp("sites"))
    yield Sites(opened)
    opened.close()
