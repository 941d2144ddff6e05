"""The rounds: what is counted is looked at and published by itself, and no fault ends the thread."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from tests import builders
from worker import rounds
from worker.database import Database, DatabaseUnavailable
from worker.rounds import Rounds
from worker.tables import kept_findings, looks, published_weeks


def wait_until(holds: Callable[[], Any], *, seconds: float = 20.0) -> Any:
    deadline = time.monotonic() + seconds
    while not (found := holds()):
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.02)
    return found


def rows(database: Database, column: Any) -> list[Any]:
    with database.read() as connection:
        return list(connection.execute(select(column)).scalars())


@pytest.fixture
def making(database: Database) -> Iterator[Callable[[], Rounds]]:
    made: list[Rounds] = []

    def start() -> Rounds:
        made.append(Rounds(database, round_seconds=0.02))
        made[-1].start()
        return made[-1]

    yield start
    for one in made:
        one.stop()
        assert not one.running


def ago(days: float) -> str:
    return (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")


def told_a_contradiction(database: Database, days: float = 1.0) -> None:
    builders.told(
        database,
        builders.event("attempt.finished", "A", time=ago(days), outcome="severed", quantity=1),
        builders.event("attempt.inspected", "A", time=ago(days), good=2),
    )


def test_what_is_counted_is_looked_at_by_itself(database: Database, making: Callable[[], Rounds]) -> None:
    making()
    told_a_contradiction(database)
    assert wait_until(lambda: rows(database, kept_findings.c.code)) == ["more_inspected_than_cut"]


def test_a_finished_week_is_published_by_itself(database: Database, making: Callable[[], Rounds]) -> None:
    told_a_contradiction(database, days=15)
    making()
    assert len(wait_until(lambda: rows(database, published_weeks.c.week))) == 1


@pytest.mark.parametrize("fault", [DatabaseUnavailable("gone"), RuntimeError("a bug")], ids=["no database", "a bug"])
def test_a_fault_ends_no_rounds(
    database: Database, making: Callable[[], Rounds], monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    faults = [fault]
    right = rounds.look_when_due

    def failing_once(*given: Any, **named: Any) -> Any:
        if faults:
            raise faults.pop()
        return right(*given, **named)

    monkeypatch.setattr(rounds, "look_when_due", failing_once)
    monkeypatch.setattr(rounds, "REST_SECONDS", 0.02)
    told_a_contradiction(database)
    making()
    assert wait_until(lambda: rows(database, looks.c.position)) != []
    assert faults == []


def test_rounds_that_never_began_end_at_once(database: Database) -> None:
    Rounds(database).stop()
