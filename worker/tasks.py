"""The Celery application: tasks of a few lines around what the embedded loop calls too.

A task carries no data. It may come twice, late or never: the database knows what is owed.
"""

from __future__ import annotations

import logging
import threading
import time
from typing import Any, Final

from celery import Celery
from celery.signals import worker_process_init
from kombu.exceptions import KombuError
from redis.exceptions import RedisError

from worker.database import Database
from worker.loop import count_owed
from worker.settings import Installation

log = logging.getLogger(__name__)

COUNT_OWED: Final = "cutledger.count_owed"
#: A beat of the schedule: what no wake-up reported is found within this time.
SWEEP_SECONDS: Final = 2.0
#: After a failed wake-up the broker is left alone for this long; the sweep finds what is owed meanwhile.
BROKER_REST_SECONDS: Final = 5.0


def make_celery(broker_url: str) -> Celery:
    """Celery application on a Redis broker: late acknowledgement, short timeouts, no results."""
    app = Celery("cutledger", broker=broker_url, set_as_current=False)
    app.conf.update(
        task_ignore_result=True,
        accept_content=["json"],
        task_serializer="json",
        enable_utc=True,
        timezone="UTC",
        task_default_queue="cutledger",
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        task_publish_retry=False,
        worker_prefetch_multiplier=1,
        worker_hijack_root_logger=False,
        worker_redirect_stdouts=False,
        worker_send_task_events=False,
        broker_connection_timeout=2,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        broker_transport_options={
            "visibility_timeout": 900,
            "socket_timeout": 5,
            "socket_connect_timeout": 2,
            "socket_keepalive": True,
            "health_check_interval": 10,
            "global_keyprefix": "cutledger:",
        },
        beat_schedule={"sweep": {"task": COUNT_OWED, "schedule": SWEEP_SECONDS, "options": {"expires": SWEEP_SECONDS}}},
    )
    return app


def make_worker(installation: Installation) -> Celery:
    """Celery application whose task counts this installation's owed events."""
    if installation.broker_url is None:
        raise ValueError("a Celery worker needs CUTLEDGER_BROKER_URL, such as redis://127.0.0.1:6379/0")
    app = make_celery(installation.broker_url)
    opened: dict[str, Database] = {}

    @worker_process_init.connect(weak=False)
    def _forget_sockets(**_: Any) -> None:
        # A connection opened before the fork would be shared with the parent.
        opened.clear()

    @app.task(name=COUNT_OWED)
    def _count_owed() -> None:
        if "database" not in opened:
            opened["database"] = Database(installation.database_url)
        count_owed(opened["database"])

    return app


class Nudger:
    """Wakes the Celery workers from a thread of its own, so that no answer waits for the broker."""

    def __init__(self, broker_url: str) -> None:
        self._app = make_celery(broker_url)
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cutledger-nudger", daemon=True)

    def start(self) -> None:
        """Begin passing wake-ups on."""
        self._thread.start()

    def nudge(self) -> None:
        """Say that something was appended; several before the thread comes round are one."""
        self._woken.set()

    def stop(self, timeout: float = 10.0) -> None:
        """End the thread."""
        self._stopping.set()
        self._woken.set()
        self._thread.join(timeout)

    def _run(self) -> None:
        while True:
            self._woken.wait()
            if self._stopping.is_set():
                return
            self._woken.clear()
            self._send()

    def _send(self) -> None:
        began = time.monotonic()
        try:
            self._app.send_task(COUNT_OWED)
        except (KombuError, RedisError, OSError) as error:
            log.warning("the broker did not take a wake-up after %.1f s: %s", time.monotonic() - began, error)
            self._stopping.wait(BROKER_REST_SECONDS)
