"""Works of several threads under one commit: each as if it had a transaction of its own."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest

from worker.grouping import MOST_TOGETHER, Joint, Together, pause, side_by_side


class Hopeless(Exception):
    """No work is at fault."""


class Store:
    """A list that transactions append to; each waits for `open` and counts."""

    def __init__(self) -> None:
        self.kept: list[Any] = []
        self.transactions: list[int] = []
        self.open = threading.Event()
        self.open.set()
        self.fails_at_commit = 0
        self.busy = 0

    @contextmanager
    def begin(self) -> Iterator[Any]:
        self.busy += 1
        assert self.busy == 1, "two transactions at once"
        try:
            self.open.wait(10)
            new: list[Any] = []
            yield new
            if self.fails_at_commit:
                self.fails_at_commit -= 1
                raise Hopeless
            self.kept += new
            self.transactions.append(len(new))
        finally:
            self.busy -= 1


def putting(value: Any) -> Callable[[Any], Any]:
    def put(connection: Any) -> Any:
        connection.append(value)
        if isinstance(value, Exception):
            raise value
        return value

    return put


def held_up(store: Store, together: Together, pool: ThreadPoolExecutor, values: list[Any]) -> list[Any]:
    """The first waits for its transaction to begin, the others behind it, in order; then all go on."""
    store.open.clear()
    futures = []
    for count, value in enumerate(values, start=1):
        futures.append(pool.submit(together.write, putting(value)))
        while len(together._waiting) < count:
            pass
    store.open.set()
    return [future.exception(10) or future.result() for future in futures]


def test_whoever_waits_is_committed_together_in_the_order_of_asking() -> None:
    store = Store()
    together = Together(store.begin, hopeless=Hopeless)
    with ThreadPoolExecutor(8) as pool:
        assert held_up(store, together, pool, list(range(8))) == list(range(8))
    assert store.kept == list(range(8))
    assert store.transactions == [8]


def test_who_asks_while_another_writes_comes_next_with_all_who_wait() -> None:
    store, writes, goes_on = Store(), threading.Event(), threading.Event()
    together = Together(store.begin, hopeless=Hopeless)

    def slowly(connection: Any) -> str:
        connection.append("a")
        writes.set()
        goes_on.wait(10)
        return "a"

    with ThreadPoolExecutor(8) as pool:
        first = pool.submit(together.write, slowly)
        writes.wait(10)
        futures = [pool.submit(together.write, putting(value)) for value in "bcd"]
        while len(together._waiting) < 3:
            pass
        goes_on.set()
        assert [first.result(10), *(one.result(10) for one in futures)] == list("abcd")
    assert store.transactions == [1, 3]


def test_a_work_that_fails_takes_none_of_the_others_with_it() -> None:
    store, wrong = Store(), ValueError("wrong")
    together = Together(store.begin, hopeless=Hopeless)
    with ThreadPoolExecutor(8) as pool:
        assert held_up(store, together, pool, ["a", "b", wrong, "c"]) == ["a", "b", wrong, "c"]
    assert store.kept == ["a", "b", "c"]


def test_what_no_work_is_at_fault_for_is_told_to_all_at_once() -> None:
    store = Store()
    together = Together(store.begin, hopeless=Hopeless)
    with ThreadPoolExecutor(8) as pool:
        store.open.clear()
        first = pool.submit(together.write, putting("a"))
        while not store.busy:
            pass
        others = [pool.submit(together.write, putting(value)) for value in "bcd"]
        while len(together._waiting) < 4:
            pass
        store.fails_at_commit = 1
        store.open.set()
        assert [type(future.exception(10)) for future in (first, *others)] == [Hopeless] * 4
    assert store.kept == []
    assert together.write(putting("e")) == "e"


def test_many_threads_lose_and_double_nothing() -> None:
    store = Store()
    together = Together(store.begin, hopeless=Hopeless)
    with ThreadPoolExecutor(16) as pool:
        found = list(pool.map(lambda value: together.write(putting(value)), range(2_000)))
    assert found == list(range(2_000))
    assert sorted(store.kept) == list(range(2_000))
    assert max(store.transactions) <= MOST_TOGETHER


def joint(value: Any, of: str, calls: list[list[Any]]) -> Joint[Any, Any]:
    def put_all(connection: Any, given: Any) -> list[Any]:
        calls.append(list(given))
        return [putting(each)(connection) for each in given]

    return Joint(_only(put_all), value, of)


_AT_ONCE: dict[str, Any] = {}


def _only(function: Any) -> Any:
    """The same function for all works of a test: works are joined by what carries them out, too."""
    return _AT_ONCE.setdefault("put_all", function)


@pytest.fixture(autouse=True)
def _forget() -> None:
    _AT_ONCE.clear()


def test_works_of_the_same_are_carried_out_at_once_in_their_order() -> None:
    store, calls = Store(), []  # type: tuple[Store, list[list[Any]]]
    together = Together(store.begin, hopeless=Hopeless)
    found: list[Any] = []
    told = [("a", "x"), ("b", "x"), ("c", "y"), ("d", "x"), ("e", "x")]
    works = [joint(value, of, calls) for value, of in told]
    side_by_side([lambda work=work: found.append(together.write(work)) for work in works])  # type: ignore[misc]
    assert calls == [["a", "b"], ["c"], ["d", "e"]]
    assert found == store.kept == list("abcde")
    assert store.transactions == [5]


def test_of_works_at_once_one_that_fails_takes_none_of_the_others_with_it() -> None:
    store, calls, wrong = Store(), [], ValueError("wrong")  # type: tuple[Store, list[list[Any]], ValueError]
    together = Together(store.begin, hopeless=Hopeless)
    found: list[Any] = []

    def write(value: Any) -> None:
        try:
            found.append(together.write(joint(value, "x", calls)))
        except ValueError as error:
            found.append(error)

    side_by_side([lambda value=value: write(value) for value in ("a", wrong, "b")])  # type: ignore[misc]
    assert found == ["a", wrong, "b"]
    assert store.kept == ["a", "b"]


def test_calls_side_by_side_wait_for_common_writes_as_often_as_they_write() -> None:
    store = Store()
    together, other = (Together(store.begin, hopeless=Hopeless) for _ in range(2))
    said: list[str] = []

    def call(name: str, writes: int) -> None:
        for number in range(writes):
            said.append(f"{name}{number}")
            assert (other if name == "d" else together).write(putting(f"{name}{number}")) == f"{name}{number}"

    calls = {"a": 2, "b": 0, "c": 1, "d": 1, "e": 3}
    side_by_side([lambda name=name, writes=writes: call(name, writes) for name, writes in calls.items()])  # type: ignore[misc]
    assert said == ["a0", "c0", "d0", "e0", "a1", "e1", "e2"]
    assert store.transactions == [3, 1, 2, 1]
    side_by_side([])


def test_what_a_call_raises_beside_others_ends_all() -> None:
    together = Together(Store().begin, hopeless=Hopeless)

    def fail() -> None:
        raise KeyError("mine")

    with pytest.raises(KeyError):
        side_by_side([lambda: together.write(putting("a")), fail])
    assert together.write(putting("b")) == "b"


def passing_time(store: Store, times: int) -> Callable[[], Any]:
    """A store's `begin` that has to wait for its turn so many times."""

    @contextmanager
    def begin() -> Iterator[Any]:
        for _ in range(times):
            pause(0)
        with store.begin() as new:
            yield new

    return begin


def test_what_comes_while_others_wait_for_their_turn_is_begun_and_written_with_them() -> None:
    store, said, ends = Store(), [], []  # type: tuple[Store, list[str], list[int]]
    together = Together(passing_time(store, 3), hopeless=Hopeless)
    coming = ["b", "-", "c", "d", "e"]

    def call(name: str) -> None:
        if name == "-":
            return
        assert together.write(putting(name)) == name
        said.append(name)

    def more(seconds: float) -> Callable[[], None] | None:
        return partial(call, coming.pop(0)) if coming else None

    side_by_side([lambda: call("a")], more=more, ended=lambda: ends.append(len(said)))
    assert said == store.kept == ["a", "b", "c"]
    assert store.transactions == [3]
    # Nothing at first, then what wrote nothing, then all of them.
    assert ends == [0, 0, 3]
    side_by_side([lambda: call("f"), lambda: call("g")], more=more)
    assert said == store.kept == ["a", "b", "c", "f", "g", "d", "e"]
    pause(0)
    assert not coming


def test_more_than_one_group_takes_that_came_while_others_waited_is_written_by_the_next() -> None:
    store, found = Store(), []  # type: tuple[Store, list[int]]
    together = Together(passing_time(store, MOST_TOGETHER + 10), hopeless=Hopeless)
    coming = iter(range(1, MOST_TOGETHER + 6))

    def more(seconds: float) -> Callable[[], None] | None:
        value = next(coming, None)
        return None if value is None else lambda: found.append(together.write(putting(value)))

    side_by_side([lambda: found.append(together.write(putting(0)))], more=more)
    assert found == store.kept == list(range(MOST_TOGETHER + 6))
    assert store.transactions == [MOST_TOGETHER, 6]


def test_what_comes_late_and_writes_again_waits_again() -> None:
    store, said = Store(), []  # type: tuple[Store, list[str]]
    together = Together(passing_time(store, 1), hopeless=Hopeless)
    coming = ["b", "c"]

    def call(name: str) -> None:
        for number in range(2):
            said.append(together.write(putting(f"{name}{number}")))

    def more(seconds: float) -> Callable[[], None] | None:
        return partial(call, coming.pop(0)) if coming else None

    side_by_side([lambda: call("a")], more=more)
    assert said == store.kept == ["a0", "b0", "a1", "b1", "c0", "c1"]
    assert store.transactions == [2, 3, 1]


def test_what_a_late_call_raises_ends_all_once_the_others_have_written() -> None:
    store = Store()
    together = Together(passing_time(store, 1), hopeless=Hopeless)

    def fail() -> None:
        raise KeyError("mine")

    with pytest.raises(KeyError):
        side_by_side([lambda: together.write(putting("a"))], more=lambda seconds: fail)
    assert store.kept == ["a"]


def test_a_turn_that_never_comes_is_told_to_those_who_came_meanwhile_too() -> None:
    store, told = Store(), []  # type: tuple[Store, list[str]]

    @contextmanager
    def begin() -> Iterator[Any]:
        pause(0)
        if store.kept == []:
            raise Hopeless
        yield store.kept

    together = Together(begin, hopeless=Hopeless)

    def call(name: str) -> None:
        try:
            together.write(putting(name))
        except Hopeless:
            told.append(name)

    late = iter("b")
    side_by_side([lambda: call("a")], more=lambda seconds: partial(call, name) if (name := next(late, "")) else None)
    assert told == ["a", "b"]


def test_threads_and_calls_side_by_side_lose_and_double_nothing() -> None:
    store = Store()
    together = Together(store.begin, hopeless=Hopeless)
    found: list[int] = []

    def several(first: int) -> None:
        numbers = range(first, first + 100)
        side_by_side([lambda at=at: found.append(together.write(putting(at))) for at in numbers])  # type: ignore[misc]

    with ThreadPoolExecutor(16) as pool:
        done = [pool.submit(several, first) for first in range(0, 1_000, 100)]
        alone = list(pool.map(lambda value: together.write(putting(value)), range(1_000, 2_000)))
        for one in done:
            one.result(60)
    assert sorted(found) == list(range(1_000))
    assert alone == list(range(1_000, 2_000))
    assert sorted(store.kept) == list(range(2_000))
    assert max(store.transactions) <= MOST_TOGETHER


def test_an_error_of_one_alone_is_its_own() -> None:
    together = Together(Store().begin, hopeless=Hopeless)
    with pytest.raises(sqlite3.IntegrityError):
        together.write(putting(sqlite3.IntegrityError()))
