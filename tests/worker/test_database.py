"""Connections: no commit of one process overlaps a checkpoint of another."""

from __future__ import annotations

import resource
import signal
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests import builders
from worker import database as worker_database
from worker.database import Database, DatabaseUnavailable

EVENT = {"outcome": "severed", "material": "S355", "thickness_mm": 20}


@pytest.fixture
def embedded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Database]:
    monkeypatch.setattr(worker_database, "CHECKPOINT_BYTES", 0)
    with closing(builders.embedded(tmp_path)) as opened:
        yield opened


def log_bytes(database: Database) -> int:
    return database.path.with_name(f"{database.path.name}-wal").stat().st_size


def test_a_checkpoint_is_left_for_later_while_another_process_writes(embedded: Database) -> None:
    builders.append(embedded, [builders.event("attempt.finished", "a", **EVENT)])
    assert log_bytes(embedded) > 0
    with closing(Database(embedded.url)) as other, other.write():
        embedded.checkpoint()
        assert log_bytes(embedded) > 0
    embedded.checkpoint()
    assert log_bytes(embedded) == 0


def test_who_only_reads_leaves_the_folder_as_it_is(embedded: Database) -> None:
    before = {path.name for path in embedded.path.parent.iterdir()}
    with closing(Database(embedded.url)) as other, other.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM events").scalar_one() == 0
    assert {path.name for path in embedded.path.parent.iterdir()} == before


def test_a_checkpoint_that_the_disk_refuses_is_said_as_such(embedded: Database) -> None:
    builders.append(embedded, [builders.event("attempt.finished", "a", **EVENT)])
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1, limits[1]))
    try:
        with pytest.raises(DatabaseUnavailable):
            embedded.checkpoint()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, before)
    embedded.checkpoint()
    assert log_bytes(embedded) == 0
