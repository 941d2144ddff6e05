"""The rounds: a thread that looks for findings, publishes weeks, tells of those revised, makes long answers anew."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from worker.answers import make_answers
from worker.database import Database, DatabaseUnavailable
from worker.findings import look_when_due
from worker.publishing import publish_due
from worker.revising import tell_revised

log = logging.getLogger(__name__)

#: The rounds are made this often; each duty knows by itself whether it is due.
ROUND_SECONDS: Final = 2.0
#: After a fault the rounds rest this long.
REST_SECONDS: Final = 30.0


class Rounds:
    """Makes the rounds within a process, in a thread of its own."""

    def __init__(self, database: Database, *, round_seconds: float = ROUND_SECONDS) -> None:
        self.database = database
        self.round_seconds = round_seconds
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cutledger-rounds", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def running(self) -> bool:
        """True from the start until the thread has ended."""
        return self._thread.is_alive()

    def stop(self, timeout: float = 10.0) -> None:
        """End the thread once its round is made."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout)

    def _run(self) -> None:
        rest = self.round_seconds
        while not self._stopping.wait(rest):
            rest = self.round_seconds if self._round() else REST_SECONDS

    def _round(self) -> bool:
        """Make one round: a duty that fails holds up no other. False when it is to rest after it."""
        done = [self._do(duty) for duty in (look_when_due, publish_due, tell_revised, make_answers)]
        return all(done)

    def _do(self, duty: Callable[..., Any]) -> bool:
        if self._stopping.is_set():
            return True
        try:
            duty(self.database, now_us=time.time_ns() // 1_000)
        except DatabaseUnavailable as error:
            log.warning("the rounds rest, the database is not available: %s", error)
            return False
        except Exception:
            # Nobody restarts this thread: it says what went wrong and goes on.
            log.exception("the rounds failed")
            return False
        return True
