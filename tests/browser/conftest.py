"""A Chromium, and servers with the demo's shop: built once in a run, whoever comes first."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from tests.browser.browsing import Browsing, chromium_or_skip, chromium_running
from tests.browser.demo import Demo, built_once, served, served_copy
from tests.browser.places import subjects


@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    """Not for the session: while it runs, no other test of its process can run a loop of asyncio."""
    chromium_or_skip()
    with chromium_running() as browser:
        yield browser


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo; tests serve copies of it."""
    base = tmp_path_factory.getbasetemp()
    return built_once(base.parent if "PYTEST_XDIST_WORKER" in os.environ else base)


@pytest.fixture(scope="package")
def demo(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """A server with the demo's shop, for tests that change nothing in it."""
    with served_copy(demo_folder, tmp_path_factory.mktemp("demo") / "served") as running:
        yield running


@pytest.fixture
def own_demo(demo_folder: Path, tmp_path: Path) -> Iterator[Demo]:
    """A server with the demo's shop that this test alone posts to."""
    with served_copy(demo_folder, tmp_path / "own") as running:
        yield running


@pytest.fixture(scope="session")
def serve_demo() -> Callable[[Path], AbstractContextManager[Demo]]:
    """Serves a folder with the demo, also one that was served before."""
    return served


@pytest.fixture(scope="package")
def _browsing(chromium: Browser, demo: Demo) -> Browsing:
    return Browsing(chromium, demo)


@pytest.fixture
def browsing(_browsing: Browsing) -> Iterator[Browsing]:
    """Pages of the demo. A test fails for each fault of them that it does not expect."""
    try:
        yield _browsing
        assert _browsing.faults.unexpected() == []
    finally:
        _browsing.close()


@pytest.fixture(scope="package")
def ids(demo: Demo) -> Mapping[str, Any]:
    """Ids of the demo that addresses name."""
    return subjects(demo.read)
