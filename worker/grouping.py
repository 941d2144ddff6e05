"""Group commit: whoever waits to write is carried out together with the others that wait, under one durable commit.

One of the threads that wait leads: it begins, carries out what all of them ask for in the order in which they asked,
commits, and tells each how it went; what came meanwhile is led by the first of these. Nobody lingers for others, and
nobody waits for more than two commits of a group.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, Generic, TypeVar

from greenlet import getcurrent, greenlet
from sqlalchemy import Connection

T = TypeVar("T")
G = TypeVar("G")
Begin = Callable[[], AbstractContextManager[Connection]]

#: Asked for together at most: one transaction stays short.
MOST_TOGETHER: Final = 64


@dataclass(frozen=True, slots=True)
class Joint(Generic[G, T]):
    """A work that is carried out at once with those that wait behind it, where they are of the same.

    at_once: what is given of several -> the results of each, as if each had been carried out after the one before.
    """

    at_once: Callable[[Connection, Sequence[G]], Sequence[T]]
    given: G
    of: Hashable


class _Asked:
    """One piece of work, and how it went."""

    __slots__ = ("error", "leads", "result", "told", "work")

    def __init__(self, work: Callable[[Connection], Any] | Joint[Any, Any]) -> None:
        self.work = work
        self.result: Any = None
        self.error: BaseException | None = None
        #: Whether it was told to lead, rather than how it went.
        self.leads = False
        self.told = threading.Lock()
        self.told.acquire()


class Together:
    """Carries out works of several threads in common transactions, each as if it had one of its own."""

    def __init__(self, begin: Begin, *, hopeless: type[Exception]) -> None:
        """hopeless: the error of a transaction that no work is at fault for; the whole group is told of it."""
        self._begin = begin
        self._hopeless = hopeless
        self._lock = threading.Lock()
        self._waiting: deque[_Asked] = deque()
        self._is_led = False

    def write(self, work: Callable[[Connection], T] | Joint[Any, T]) -> T:
        """What `work` returns once all it wrote is committed; what it raises, with nothing written.

        It is called once more, in a transaction of its own, when another of its group fails.
        """
        asked = _Asked(work)
        aside = getcurrent()
        if isinstance(aside, _Aside):
            aside.wait_for(self, asked)
        else:
            self._carry_through([asked])
        if asked.error is not None:
            raise asked.error
        result: T = asked.result
        return result

    def _carry_through(self, mine: Sequence[_Asked]) -> None:
        """Return once all of these are carried out, by this thread or by another; there are some."""
        with self._lock:
            self._waiting.extend(mine)
            mine[0].leads, self._is_led = not self._is_led, True
        for one in mine:
            if not one.leads:
                one.told.acquire()
            if one.leads:
                self._lead()

    def _lead(self) -> None:
        """Carry out a group that begins with what the leader asked for, and let the next one be led."""
        with self._lock:
            group = [self._waiting.popleft() for _ in range(min(len(self._waiting), MOST_TOGETHER))]
        try:
            self._carry_out(group)
        finally:
            with self._lock:
                self._is_led = bool(self._waiting)
                if self._waiting:
                    self._waiting[0].leads = True
                    self._waiting[0].told.release()
            for one in group[1:]:
                one.told.release()

    def _carry_out(self, group: list[_Asked]) -> None:
        at_work = False
        try:
            with self._begin() as connection:
                at_work = True
                for some in _at_once(group):
                    _carry_out_together(connection, some)
                at_work = False
        except BaseException as error:
            if len(group) > 1 and at_work and not isinstance(error, self._hopeless):
                for one in group:
                    self._carry_out([one])
                return
            for one in group:
                one.error = error


def _at_once(group: Sequence[_Asked]) -> Iterator[list[_Asked]]:
    """Works in their order, those that are carried out at once in one list."""
    for _, some in groupby(group, lambda one: (one.work.at_once, one.work.of) if isinstance(one.work, Joint) else one):
        yield list(some)


def _carry_out_together(connection: Connection, some: Sequence[_Asked]) -> None:
    work = some[0].work
    if isinstance(work, Joint):
        results = work.at_once(connection, [one.work.given for one in some])  # type: ignore[union-attr]
    else:
        results = [work(connection)]
    for one, result in zip(some, results, strict=True):
        one.result = result


# --- side by side in one thread ---------------------------------------------------------------------------------


class _Aside(greenlet):  # type: ignore[misc]
    """A call that is left where it waits for a write, and gone on with after it."""

    waits: tuple[Together, _Asked] | None = None

    def wait_for(self, together: Together, asked: _Asked) -> None:
        """Return when it is carried out."""
        self.waits = together, asked
        self.parent.switch()

    def go_on(self) -> bool:
        """Go on until it waits (True), or ends."""
        self.waits = None
        self.switch()
        return self.waits is not None


def side_by_side(calls: Iterable[Callable[[], object]]) -> None:
    """Make some calls in this thread; what they write by `Together.write` is carried out together.

    Each goes on until it waits for its write, then the next one begins: threads that each make one would change over
    many times for every write, at a cost of several of them. A call must not hold a lock while it writes that another
    of them takes. What one raises ends all.
    """
    waiting = [one for one in map(_Aside, calls) if one.go_on()]
    while waiting:
        asked: dict[Together, list[_Asked]] = {}
        for one in waiting:
            assert one.waits is not None
            asked.setdefault(one.waits[0], []).append(one.waits[1])
        for together, works in asked.items():
            together._carry_through(works)
        waiting = [one for one in waiting if one.go_on()]
