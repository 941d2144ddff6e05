"""Connections: no commit of one process overlaps a checkpoint of another, and none waits for the file forever."""

from __future__ import annotations

import resource
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from statistics import median

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


def test_who_waits_to_write_is_next_however_busy_another_is(embedded: Database) -> None:
    done, writing, over = [0], threading.Event(), threading.Event()

    def write_without_a_pause() -> None:
        with closing(Database(embedded.url)) as other:
            while not over.is_set():
                with other.write():
                    writing.set()
                    time.sleep(0.02)
                done[0] += 1

    busy = threading.Thread(target=write_without_a_pause)
    busy.start()
    passed_by: list[int] = []
    try:
        for _ in range(9):
            writing.clear()
            assert writing.wait(60)
            before = done[0]
            with embedded.write():
                passed_by.append(done[0] - before)
    finally:
        over.set()
        busy.join()
    # The one that was under way; on a busy machine now and then others that ended before this one began to wait
    assert median(passed_by) <= 2, passed_by


def test_whoever_writes_knows_whether_another_waits(embedded: Database) -> None:
    def write() -> None:
        with closing(Database(embedded.url)) as other, other.write():
            pass

    waiting = threading.Thread(target=write)
    with embedded.write():
        assert not embedded.is_waited_for()
        waiting.start()
        end = time.monotonic() + 60
        while not embedded.is_waited_for():
            assert time.monotonic() < end
            time.sleep(0.001)
    waiting.join()
    assert not embedded.is_waited_for()


@pytest.mark.parametrize("way", ["write", "begin_write"])
def test_who_is_stopped_just_before_it_writes_holds_up_others_for_a_while_only(
    embedded: Database, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    monkeypatch.setattr(worker_database, "BUSY_TIMEOUT_MS", 30)
    with closing(Database(embedded.url)) as stopped:
        stopped._next.wait()
        if way == "write":
            with embedded.write() as connection:
                assert connection.exec_driver_sql("SELECT count(*) FROM sites").scalar_one() == 1
        else:
            with embedded.snapshot_with_scratch() as connection, embedded.begin_write(connection):
                assert connection.exec_driver_sql("SELECT count(*) FROM sites").scalar_one() == 1


def test_who_is_stopped_while_it_folds_the_log_back_holds_up_others_for_a_while_only(
    embedded: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_database, "WRITER_QUEUE_SECONDS", 0.05)
    with closing(Database(embedded.url)) as stopped:
        with stopped.write():
            pass
        stopped._turn._share()
        assert stopped._turn.is_ours_alone()
        with pytest.raises(DatabaseUnavailable), embedded.write():
            pass
        assert not stopped.is_waited_for(), "who gave up is not next any more"
        stopped._turn._leave()
    with embedded.write() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM sites").scalar_one() == 1
