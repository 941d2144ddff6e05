"""Answers that took long are kept, given with the `as_of` that they have, and made anew by the worker."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import orjson
import pytest
from sqlalchemy import select

from tests.service.conftest import Door, alone, cut, received
from worker import answers
from worker.answers import ASKED_AGAIN_US, FORGOTTEN_US, KEPT_FROM_US, OLD_US, OLDER_FROM_US, KeptAnswer, make_answers
from worker.tables import kept_answers

QUESTION = {"from": "2026-03-01", "to": "2026-03-31"}
#: Reports whose plain answers are ready before anyone asks.
READY = ["coverage", "limit", "losses", "lots", "recipes", "retries", "standing", "times", "wear"]


class Slow:
    """A clock by which everything takes some seconds."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.now = 0.0

    def monotonic(self) -> float:
        self.now += self.seconds
        return self.now


@pytest.fixture
def takes(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Let each answer take so many seconds."""

    def set_to(seconds: float) -> None:
        monkeypatch.setattr(answers, "KEPT_FROM_US", KEPT_FROM_US)
        slow = Slow(seconds)
        monkeypatch.setattr("service.routes.reports.time", slow)
        monkeypatch.setattr("service.routes.reports.later", lambda job: job())
        monkeypatch.setattr(answers, "time", slow)

    return set_to


def plates(heat: str, good: int, *, count: int = 3) -> list[Any]:
    told: list[Any] = []
    for number in range(count):
        name = f"{heat}-{number}"
        told.append(received(name, heat_number=heat, mill="Nordhelm"))
        told.append(
            cut(name, plate=name, quantity=10, good=good, scrap=10 - good, time=f"2026-03-0{4 + number}T10:00:00Z")
        )
    return told


def kept(door: Door) -> list[Any]:
    with door.database.read() as connection:
        query = select(kept_answers).where(kept_answers.c.site == door.site).order_by(kept_answers.c.report)
        return list(connection.execute(query).all())


def lots_of(answer: Any) -> list[str]:
    return sorted(row["lot"] for row in answer["rows"])


def make(door: Door, after_us: int = 0) -> None:
    """What the worker of another process makes: one that did not rest."""
    answers._rests_until.clear()
    with alone(door, "worker.answers"):
        make_answers(door.database, now_us=door.clock.now_us + after_us, seconds=1e9)


def test_a_quick_answer_is_made_each_time_and_not_kept(door: Door, takes: Callable[[float], None]) -> None:
    takes(KEPT_FROM_US / 1e6 / 2)
    door.told(*plates("A", 9))
    assert lots_of(door.read("/v1/reports/lots", **QUESTION)) == ["A"]
    assert kept(door) == []


def test_a_long_answer_is_given_again_as_it_was_made_until_it_is_old(
    door: Door, takes: Callable[[float], None]
) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    first = door.get("/v1/reports/lots", **QUESTION)
    assert [(row.report, row.took_us) for row in kept(door)] == [("lots", 3_000_000)]
    again = door.get("/v1/reports/lots", **QUESTION)
    assert (again.data, again.headers["ETag"]) == (first.data, first.headers["ETag"])
    # Something is counted: for a while the answer is given as of then, and says so
    door.told(*plates("B", 8))
    door.clock.now_us += OLD_US - 1
    older = door.get("/v1/reports/lots", **QUESTION)
    assert (older.data, older.headers["ETag"]) == (first.data, first.headers["ETag"])
    assert older.get_json()["as_of"]["position"] < door.report("yield")["as_of"]["position"]
    assert door.get("/v1/reports/lots", **QUESTION, headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    door.clock.now_us += 1
    now = door.get("/v1/reports/lots", **QUESTION)
    assert lots_of(now.get_json()) == ["A", "B"]
    assert now.headers["ETag"] != first.headers["ETag"]


def test_an_answer_of_a_second_is_kept_but_never_given_when_something_was_counted(
    door: Door, takes: Callable[[float], None]
) -> None:
    takes(OLDER_FROM_US / 1e6 / 2)
    door.told(*plates("A", 9))
    door.read("/v1/reports/lots", **QUESTION)
    assert len(kept(door)) == 1
    door.told(*plates("B", 8))
    assert lots_of(door.read("/v1/reports/lots", **QUESTION)) == ["A", "B"]


def test_a_kept_answer_is_a_table_too(door: Door, takes: Callable[[float], None]) -> None:
    door.told(*plates("A", 9), *plates("B", 8))
    plain = door.get("/v1/reports/lots", **QUESTION, format="csv")
    takes(3.0)
    door.get("/v1/reports/lots", **QUESTION)
    assert len(kept(door)) == 1
    table = door.get("/v1/reports/lots", **QUESTION, format="csv")
    assert (table.data, table.headers["X-As-Of"]) == (plain.data, plain.headers["X-As-Of"])


def test_the_worker_makes_a_kept_answer_anew_when_something_was_counted(
    door: Door, takes: Callable[[float], None]
) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    door.read("/v1/reports/lots", **QUESTION)
    door.told(*plates("B", 8))
    assert lots_of(door.read("/v1/reports/lots", **QUESTION)) == ["A"]
    make(door, 20_000_000)
    assert lots_of(door.read("/v1/reports/lots", **QUESTION)) == ["A", "B"]


def test_what_everyone_asks_is_ready_before_anyone_asks(door: Door, takes: Callable[[float], None]) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    make(door)
    assert [row.report for row in kept(door)] == READY
    door.told(*plates("B", 8))
    assert door.read("/v1/reports/lots")["as_of"]["position"] < door.report("yield")["as_of"]["position"]


def test_a_quick_plain_answer_that_the_worker_made_is_never_given_when_it_is_older(door: Door) -> None:
    door.told(*plates("A", 9))
    make(door)
    assert [row.report for row in kept(door)] == READY
    door.post(plates("B", 8))
    assert door.read("/v1/reports/coverage")["as_of"]["waiting"] == 6
    door.count()
    position = door.report("yield")["as_of"]["position"]
    assert door.read("/v1/reports/lots")["as_of"]["position"] == position


def test_while_events_wait_nothing_is_made(door: Door, takes: Callable[[float], None]) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    door.post(plates("B", 8))
    make(door)
    assert kept(door) == []


def test_what_nobody_asks_for_is_forgotten(door: Door, takes: Callable[[float], None]) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    door.read("/v1/reports/lots", **QUESTION)
    (first,) = kept(door)
    door.clock.now_us += ASKED_AGAIN_US
    door.told(*plates("B", 8))
    make(door)
    door.read("/v1/reports/lots", **QUESTION)
    asked = next(row for row in kept(door) if row.parameters == first.parameters).asked_us
    assert asked == first.asked_us + ASKED_AGAIN_US
    make(door, FORGOTTEN_US)
    assert first.parameters not in [row.parameters for row in kept(door)]


def test_a_later_day_s_answer_takes_the_place_of_the_one_before(door: Door, takes: Callable[[float], None]) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    make(door)
    before = {row.question for row in kept(door)}
    # From Friday to Monday: the last eight weeks are others then
    door.clock.now_us += 3 * 24 * 3600 * 1_000_000
    make(door)
    make(door)
    after = {row.question for row in kept(door)}
    assert len(after) == len(READY)
    assert not before & after


def test_a_question_that_can_no_longer_be_asked_is_passed_over(
    door: Door, takes: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    door.read("/v1/reports/lots", **QUESTION, lot="supplier")
    with door.database.write() as connection:
        connection.execute(kept_answers.update().values(parameters='{"lot":["colour"]}'))
    door.told(*plates("B", 8))
    make(door, OLD_US)
    assert [row.report for row in kept(door)] == sorted([*READY, "lots"])


def test_the_worker_rests_between_its_turns_but_not_until_answers_are_old(
    door: Door, takes: Callable[[float], None]
) -> None:
    takes(30.0)
    door.told(*plates("A", 9))
    make(door)
    revision = kept(door)[0].revision
    door.told(*plates("B", 8))
    turn_us = 1_000_000 * 100 * 20
    with alone(door, "worker.answers"):
        make_answers(door.database, now_us=door.clock.now_us + 60_000_000, seconds=1e9)
        assert {row.revision for row in kept(door)} == {revision}
        make_answers(door.database, now_us=door.clock.now_us + turn_us, seconds=1e9)
    assert {row.revision for row in kept(door)} != {revision}


def test_an_answer_is_kept_beside_it_while_nobody_waits(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(answers, "KEPT_FROM_US", 0)
    door.told(*plates("A", 9))
    with door.database.write():
        # Nobody can write now, and the answer comes all the same
        assert lots_of(door.read("/v1/reports/lots", **QUESTION)) == ["A"]
    deadline = time.monotonic() + 10
    while not kept(door) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert [row.report for row in kept(door)] == ["lots"]


def test_a_question_of_any_length_is_kept(door: Door, takes: Callable[[float], None]) -> None:
    takes(3.0)
    door.told(*plates("A", 9))
    heats = [f"{number:04}" * 10 for number in range(150)]
    assert door.get("/v1/reports/lots", **QUESTION, heat_number=heats).status_code == 200
    assert [row.report for row in kept(door)] == ["lots"]


@pytest.mark.parametrize("spoken", ["en", "de"])
def test_a_page_says_a_kept_answer_as_it_says_one_made_for_it(
    door: Door, takes: Callable[[float], None], monkeypatch: pytest.MonkeyPatch, spoken: str
) -> None:
    door.told(*plates("A", 9), *plates("B", 2))

    def page() -> str:
        return door.get("/limit", headers={"Accept": "text/html", "Accept-Language": spoken}, **QUESTION).text

    made_for_it = page()
    takes(3.0)
    told = door.read("/v1/reports/limit", **QUESTION)
    (row,) = kept(door)
    assert set(told["notes"]) <= orjson.loads(row.forms).keys()
    given: list[Any] = []
    plain = KeptAnswer.plain
    monkeypatch.setattr(KeptAnswer, "plain", lambda self: given.append(self) or plain(self))
    assert page() == made_for_it
    assert [one.body for one in given] == [row.answer]
