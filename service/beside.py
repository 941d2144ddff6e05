"""Small writes beside an answer: done by a thread of their own, so that no reader waits for the writer."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from worker.database import DatabaseUnavailable

log = logging.getLogger(__name__)

#: One at a time: what comes while it is busy is left out, since it is worth no wait.
_busy = threading.Lock()


def later(job: Callable[[], None]) -> None:
    """Do a job that may as well not be done, soon."""
    if _busy.acquire(blocking=False):
        threading.Thread(target=_do, args=(job,), name="cutledger-beside", daemon=True).start()


def _do(job: Callable[[], None]) -> None:
    try:
        job()
    except DatabaseUnavailable as error:
        log.info("left out, the database is not available: %s", error)
    except Exception:
        log.exception("what was to be done beside an answer failed")
    finally:
        _busy.release()
