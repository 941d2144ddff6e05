"""Works of several threads under one commit: each as if it had a transaction of its own."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest

from worker.grouping import MOST_TOGETHER, Together


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
    """The first alone in its transaction, the others waiting behind it, in order; then all go on."""
    store.open.clear()
    futures = []
    for count, value in enumerate(values):
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
    assert store.transactions == [1, 7]


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
        while len(together._waiting) < 3:
            pass
        store.fails_at_commit = 2
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


def test_an_error_of_one_alone_is_its_own() -> None:
    together = Together(Store().begin, hopeless=Hopeless)
    with pytest.raises(sqlite3.IntegrityError):
        together.write(putting(sqlite3.IntegrityError()))
