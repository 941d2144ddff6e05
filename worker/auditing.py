"""The embedded auditor: a thread beside the loop that audits each site when it is due, and holds up nobody."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Mapping
from typing import Final

from worker.audits import audit_when_due
from worker.database import Database, DatabaseUnavailable
from worker.settings import SettingWrong

log = logging.getLogger(__name__)

AUDIT_HOURS: Final = 24.0
#: A year; a site audited more seldom is one audited never.
MOST_HOURS: Final = 8_784.0
#: The auditor looks this often whether an audit is due.
CHECK_SECONDS: Final = 60.0


def audit_hours(environment: Mapping[str, str] | None = None) -> float:
    """Hours between two audits of a site, from CUTLEDGER_AUDIT_HOURS; 0 is never. Raises SettingWrong."""
    given = (os.environ if environment is None else environment).get("CUTLEDGER_AUDIT_HOURS", "").strip()
    if not given:
        return AUDIT_HOURS
    try:
        hours = float(given)
    except ValueError:
        hours = -1.0
    if not 0 <= hours <= MOST_HOURS:
        raise SettingWrong(
            f"CUTLEDGER_AUDIT_HOURS is {given!r}; it takes hours from 0 (never) to {MOST_HOURS:.0f}, such as 24"
        )
    return hours


class _Stopped(BaseException):
    """The auditor was told to stop within an audit; no fault, so nothing that handles faults may hold it."""


class Auditor:
    """Audits by schedule within a process, in a thread of its own beside the loop that counts."""

    def __init__(self, database: Database, *, every_hours: float, check_seconds: float = CHECK_SECONDS) -> None:
        self.database = database
        self.every_hours = every_hours
        self.check_seconds = check_seconds
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cutledger-auditor", daemon=True)

    def start(self) -> None:
        """Begin looking; with 0 hours there is nothing to look for."""
        if self.every_hours > 0:
            self._thread.start()

    def stop(self, timeout: float = 10.0) -> None:
        """End the thread; an audit that runs is given up at its next step, and begun again an hour later."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout)

    def _run(self) -> None:
        while not self._stopping.wait(self.check_seconds):
            try:
                audit_when_due(
                    self.database,
                    now_us=time.time_ns() // 1_000,
                    every_hours=self.every_hours,
                    progress=self._step,
                )
            except _Stopped:
                return
            except DatabaseUnavailable as error:
                log.warning("audits rest, the database is not available: %s", error)
            except Exception:
                # Nobody restarts this thread: it says what went wrong and goes on.
                log.exception("audits by schedule failed")

    def _step(self, _count: int) -> None:
        if self._stopping.is_set():
            raise _Stopped
