"""Group commit: whoever waits to write is carried out together with the others that wait, under one durable commit.

One of the threads that wait leads: it begins, carries out what all of them ask for in the order in which they asked,
commits, and tells each how it went; what came meanwhile is led by the first of these. Nobody lingers for others, and
nobody waits for more than two commits of a group.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, Final, TypeVar

from sqlalchemy import Connection

T = TypeVar("T")
Begin = Callable[[], AbstractContextManager[Connection]]

#: Asked for together at most: one transaction stays short.
MOST_TOGETHER: Final = 64


class _Asked:
    """One piece of work, and how it went."""

    __slots__ = ("error", "leads", "result", "told", "work")

    def __init__(self, work: Callable[[Connection], Any]) -> None:
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

    def write(self, work: Callable[[Connection], T]) -> T:
        """What `work` returns once all it wrote is committed; what it raises, with nothing written.

        It is called once more, in a transaction of its own, when another of its group fails.
        """
        asked = _Asked(work)
        with self._lock:
            self._waiting.append(asked)
            asked.leads, self._is_led = not self._is_led, True
        if not asked.leads:
            asked.told.acquire()
        if asked.leads:
            self._lead()
        if asked.error is not None:
            raise asked.error
        result: T = asked.result
        return result

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
                for one in group:
                    one.result = one.work(connection)
                at_work = False
        except BaseException as error:
            if len(group) > 1 and at_work and not isinstance(error, self._hopeless):
                for one in group:
                    self._carry_out([one])
                return
            for one in group:
                one.error = error
