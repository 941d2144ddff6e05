"""Counting what is owed: the one call that the embedded loop and the Celery task share, and the loop itself."""

from __future__ import annotations

import logging
import threading
from typing import Final

from worker import ledger, tallies
from worker.database import Database, DatabaseUnavailable

log = logging.getLogger(__name__)

#: The loop looks for owed events by itself this often, should a wake-up be lost.
SWEEP_SECONDS: Final = 1.0
#: After a fault the loop rests this long.
REST_SECONDS: Final = 2.0


class CountingFailed(Exception):
    """Sites whose events stay owed, and what was wrong with each."""

    def __init__(self, failed: dict[str, Exception]) -> None:
        super().__init__("; ".join(f"site {site}: {error!r}" for site, error in failed.items()))
        self.failed = failed


def count_owed(database: Database, *, limit: int = tallies.CLAIM_EVENTS) -> int:
    """Count all owed events of all sites, one claim a transaction, sites in turn; returns how many."""
    counted = 0
    failed: dict[str, Exception] = {}
    while True:
        with database.read() as connection:
            owing = [site for site in ledger.sites_owed(connection) if site not in failed]
        step = 0
        for site in owing:
            try:
                with database.write() as connection:
                    step += tallies.bring_up_to_date(connection, site, limit=limit)
            except DatabaseUnavailable:
                raise
            except Exception as error:
                # One site's fault holds up no other.
                failed[site] = error
        counted += step
        if not step and failed:
            raise CountingFailed(failed)
        if not step:
            return counted


class Loop:
    """The embedded worker: a thread that counts when it is woken, and by itself every second."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cutledger-worker", daemon=True)

    def start(self) -> None:
        """Begin counting."""
        self._thread.start()

    def nudge(self) -> None:
        """Say that something was appended. Carries no data, may be said too often or not at all."""
        self._woken.set()

    def stop(self, timeout: float = 10.0) -> None:
        """Finish the claim at hand and end the thread."""
        self._stopping.set()
        self._woken.set()
        self._thread.join(timeout)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._woken.wait(SWEEP_SECONDS)
            # Cleared before the owed events are read: what is appended from here on wakes the loop again.
            self._woken.clear()
            self._count()

    def _count(self) -> None:
        try:
            count_owed(self.database)
            self.database.checkpoint()
        except DatabaseUnavailable as error:
            log.warning("counting rests, the database is not available: %s", error)
            self._stopping.wait(REST_SECONDS)
        except CountingFailed as error:
            for site, fault in error.failed.items():
                log.error("counting site %s failed; its events stay owed", site, exc_info=fault)
            self._stopping.wait(REST_SECONDS)
        except Exception:
            # An embedded installation has no one to restart this thread: it says what went wrong and goes on.
            log.exception("counting failed; the events stay owed")
            self._stopping.wait(REST_SECONDS)
