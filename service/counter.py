"""What counts where no workers do: a process of its own beside those that answer, one however many they are."""

from __future__ import annotations

import os
import select
import signal
import threading
from contextlib import suppress
from typing import Final

from service.metrics import counting_observer
from worker.auditing import Auditor, audit_hours
from worker.database import Database
from worker.delivering import Deliverer
from worker.garbage import FOLDING, settle_memory
from worker.loop import Loop, Observer
from worker.rounds import Rounds
from worker.settings import Installation

#: So much readier than it are the processes that answer to be given a processor.
NICENESS: Final = 2
#: It looks this often whether it has a parent still.
_LOOK_SECONDS: Final = 1.0
#: More than a pipe holds.
_MOST_NUDGES: Final = 1 << 20


class WakeUp:
    """Wakes the process that counts; made before the processes part. It carries no data, and may be lost."""

    def __init__(self) -> None:
        self._hears, self._says = os.pipe()
        for end in (self._hears, self._says):
            os.set_blocking(end, False)

    def nudge(self) -> None:
        """Say that something was appended."""
        # Full, it wakes as well.
        with suppress(BlockingIOError):
            os.write(self._says, b"\0")

    def wait(self, seconds: float) -> bool:
        """True once that was said, however often; False when so many seconds have passed."""
        is_told = bool(select.select([self._hears], [], [], seconds)[0])
        if is_told:
            os.read(self._hears, _MOST_NUDGES)
        return is_told


class Counter:
    """Counts, audits, makes the rounds and delivers, in threads of this process."""

    def __init__(self, installation: Installation, *, observe: Observer | None = None) -> None:
        self._database = Database(installation.database_url)
        self._loop = Loop(self._database, observe=observe)
        auditor = Auditor(self._database, every_hours=audit_hours())
        self._parts = (self._loop, auditor, Rounds(self._database), Deliverer(self._database))

    def start(self) -> None:
        """Begin."""
        for part in self._parts:
            part.start()

    def nudge(self) -> None:
        """Say that something was appended."""
        self._loop.nudge()

    def stop(self) -> None:
        """End what is at hand."""
        for part in reversed(self._parts):
            part.stop()
        self._database.close()


def count_until_told(installation: Installation, wake_up: WakeUp) -> None:
    """Count in this process until it is told to end, or has lost its parent."""
    parent, ending = os.getppid(), threading.Event()

    def end(*_: object) -> None:
        ending.set()
        wake_up.nudge()

    signal.signal(signal.SIGTERM, end)
    # A terminal tells all processes; whoever keeps this one tells it when the others have ended.
    for told_to_all in (signal.SIGINT, signal.SIGQUIT):
        signal.signal(told_to_all, signal.SIG_IGN)
    os.nice(NICENESS)
    counter = Counter(installation, observe=counting_observer())
    settle_memory(FOLDING)
    counter.start()
    while not ending.is_set() and os.getppid() == parent:
        if wake_up.wait(_LOOK_SECONDS):
            counter.nudge()
    counter.stop()
