"""Threads that are given work, and what they leave to a loop that waits for other things too, at little cost."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from queue import Empty, SimpleQueue
from typing import Final, Generic, TypeVar

log = logging.getLogger(__name__)

T = TypeVar("T")
Work = Callable[[], object]
_ANY: Final = 1024


class Threads:
    """A few threads that do what they are given, in the order in which it came."""

    def __init__(self, count: int, name: str) -> None:
        self._work: SimpleQueue[Work | None] = SimpleQueue()
        self._count = count
        for number in range(count):
            threading.Thread(target=self._run, name=f"{name}_{number}", daemon=True).start()

    def submit(self, work: Work) -> None:
        """Let one of them do it."""
        self._work.put(work)

    def shutdown(self, wait: bool = False) -> None:
        """Let them end once all is done that they were given. Nobody waits for that."""
        for _ in range(self._count):
            self._work.put(None)

    def _run(self) -> None:
        while (work := self._work.get()) is not None:
            _do(work)


class Gathering(Generic[T]):
    """A thread that does what it is given, all at once that has come while it was busy; it waits for nobody."""

    def __init__(self, work: Callable[[list[T]], object], name: str, *, most: int) -> None:
        """most: so much at once at most."""
        self._work = work
        self._most = most
        self._given: SimpleQueue[T | None] = SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    def submit(self, one: T) -> None:
        """Let it do this too."""
        self._given.put(one)

    def shutdown(self) -> None:
        """Let it end once all is done that it was given. Nobody waits for that."""
        self._given.put(None)

    def next_within(self, seconds: float) -> T | None:
        """What it is given next, for a work that goes on with that itself; None when nothing comes in this time.

        To be called by the work alone.
        """
        with suppress(Empty):
            if (one := self._given.get(timeout=seconds)) is not None:
                return one
            self._given.put(None)
            time.sleep(seconds)
        return None

    def _run(self) -> None:
        while (first := self._given.get()) is not None:
            some = [first]
            with suppress(Empty):
                while len(some) < self._most:
                    if (one := self._given.get_nowait()) is None:
                        self._given.put(None)
                        break
                    some.append(one)
            _do(partial(self._work, some))


def _do(work: Work) -> None:
    try:
        work()
    except BaseException:
        log.exception("a thread went on after a fault in what it was given")


class Deferred:
    """Calls that any thread leaves to the one that waits for a file to be readable."""

    def __init__(self) -> None:
        self._calls: deque[Work] = deque()
        self._is_told = False
        self._hears = self._says = -1

    def init(self) -> None:
        """Make the file; after a fork, so that each process has its own."""
        self._hears, self._says = os.pipe()
        for end in (self._hears, self._says):
            os.set_blocking(end, False)

    def fileno(self) -> int:
        """What is readable when there are calls."""
        return self._hears

    def defer(self, call: Work) -> None:
        """Leave a call."""
        self._calls.append(call)
        if not self._is_told:
            self._is_told = True
            with suppress(OSError):
                os.write(self._says, b"\0")

    def run_callbacks(self, _file: object) -> None:
        """Make all calls that were left."""
        with suppress(BlockingIOError):
            os.read(self._hears, _ANY)
        # Before they are made: whoever leaves one from here on says so.
        self._is_told = False
        while self._calls:
            self._calls.popleft()()

    def close(self) -> None:
        """Close the file."""
        for end in (self._hears, self._says):
            with suppress(OSError):
                os.close(end)
