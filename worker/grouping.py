"""Group commit: whoever waits to write is carried out together with the others that wait, under one durable commit.

One of the threads that wait leads: it begins, carries out what all of them ask for in the order in which they asked,
commits, and tells each how it went; what came meanwhile is led by the first of these. Nobody lingers for others: who
asks while the leader waits for its turn is carried out with it, and nobody waits for more than two commits of a group.
"""

from __future__ import annotations

import threading
import time
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
_meanwhile = threading.local()


def pause(seconds: float) -> None:
    """Let so much time pass before it is looked again whether it is one's turn to write.

    A thread that makes calls `side_by_side` goes on with further ones meanwhile.
    """
    getattr(_meanwhile, "pass_time", time.sleep)(seconds)


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

    __slots__ = ("error", "is_done", "leads", "result", "told", "work")

    def __init__(self, work: Callable[[Connection], Any] | Joint[Any, Any]) -> None:
        self.work = work
        self.result: Any = None
        self.error: BaseException | None = None
        self.is_done = False
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
        self._wait_for(mine)

    def _follows(self, late: _Asked) -> bool:
        """Take in what is asked for behind one who leads; False where nobody does. It is waited for in any case."""
        with self._lock:
            if self._is_led:
                self._waiting.append(late)
            return self._is_led

    def _wait_for(self, mine: Sequence[_Asked]) -> None:
        """Return once all of these are carried out; in the order in which they were taken in."""
        for one in mine:
            if not one.leads:
                one.told.acquire()
            if one.leads:
                self._lead()

    def _lead(self) -> None:
        """Carry out a group that begins with what the leader asked for, and let the next one be led."""
        group: list[_Asked] = []
        try:
            self._carry_out(group)
        finally:
            with self._lock:
                self._is_led = bool(self._waiting)
                if self._waiting:
                    self._waiting[0].leads = True
                    self._waiting[0].told.release()
            for one in group:
                one.is_done = True
            for one in group[1:]:
                one.told.release()

    def _gather(self, group: list[_Asked]) -> None:
        """Put into a group who waits."""
        with self._lock:
            group += [self._waiting.popleft() for _ in range(min(len(self._waiting), MOST_TOGETHER))]

    def _carry_out(self, group: list[_Asked]) -> None:
        """Carry out a group: the given one, or, of none, who waits once it has begun."""
        at_work = False
        try:
            with self._begin() as connection:
                if not group:
                    self._gather(group)
                at_work = True
                for some in _at_once(group):
                    _carry_out_together(connection, some)
                at_work = False
        except BaseException as error:
            if not group:
                self._gather(group)
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
    #: Whether what it waits for was taken in behind one who leads.
    follows = False

    def wait_for(self, together: Together, asked: _Asked) -> None:
        """Return when it is carried out."""
        self.waits = together, asked
        self.parent.switch()

    @property
    def is_written(self) -> bool:
        """True when what it waits for is carried out."""
        return self.waits is not None and self.waits[1].is_done

    def go_on(self) -> bool:
        """Go on until it waits (True), or ends."""
        self.waits, self.follows = None, False
        self.switch()
        return self.waits is not None


Call = Callable[[], object]


def side_by_side(
    calls: Iterable[Call],
    *,
    more: Callable[[float], Call | None] | None = None,
    ended: Callable[[], object] = lambda: None,
) -> None:
    """Make some calls in this thread; what they write by `Together.write` is carried out together.

    Each goes on until it waits for its write, then the next one begins: threads that each make one would change over
    many times for every write, at a cost of several of them. A call writes in no other way, and holds no lock while it
    writes that another of them takes. What one raises ends all.

    more: gives a further call, or None when none came within so many seconds. It is asked while others write, and what
    it gives is begun then: what was waited for is done with it. ended: called whenever some calls may have ended.
    """
    _SideBySide(more, ended).make(calls)


class _SideBySide:
    """Calls that are made in one thread, each until it waits, and those of them that wait, in the order of asking."""

    def __init__(self, more: Callable[[float], Call | None] | None, ended: Callable[[], object]) -> None:
        self._more = more
        self._ended = ended
        self._waiting: list[_Aside] = []
        self._raised: BaseException | None = None

    def make(self, calls: Iterable[Call]) -> None:
        """Make calls, and those that come while they wait."""
        self._waiting = [one for one in map(_Aside, calls) if one.go_on()]
        self._ended()
        while self._waiting:
            written, self._waiting = self._waiting, []
            self._write(written)
            if self._raised is not None:
                raise self._raised
            written += [one for one in self._waiting if one.is_written]
            self._waiting = [one for one in self._waiting if not one.is_written]
            self._waiting += [one for one in written if one.go_on()]
            self._ended()

    def _write(self, waiting: list[_Aside]) -> None:
        """Return when all is carried out that these wait for."""
        asked: dict[Together, tuple[list[_Asked], list[_Asked]]] = {}
        for one in waiting:
            assert one.waits is not None
            together, work = one.waits
            asked.setdefault(together, ([], []))[one.follows].append(work)
        if self._more is not None:
            _meanwhile.pass_time = self._pass_time
        try:
            for together, (own, following) in asked.items():
                # Taken in by an earlier turn.
                together._wait_for(following)
                if own:
                    together._carry_through(own)
        finally:
            if self._more is not None:
                del _meanwhile.pass_time

    def _pass_time(self, seconds: float) -> None:
        """Begin with a further call, if one comes."""
        assert self._more is not None
        call = self._more(seconds)
        if call is None:
            return
        late = _Aside(call)
        try:
            if late.go_on():
                assert late.waits is not None
                together, asked = late.waits
                late.follows = together._follows(asked)
                self._waiting.append(late)
            else:
                self._ended()
        except BaseException as error:
            # Those who write are not at fault for it.
            self._raised = error
