"""The Celery application: tasks of a few lines around what the embedded loop calls too.

A task carries no data. It may come twice, late or never: the database knows what is owed.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from celery import Celery
from celery.signals import worker_process_init, worker_process_shutdown
from kombu.exceptions import KombuError
from redis.exceptions import RedisError

from worker.auditing import Auditor, audit_hours
from worker.database import Database, DatabaseUnavailable
from worker.delivering import Deliverer
from worker.garbage import FOLDING, settle_memory
from worker.loop import Observer, count_owed
from worker.rounds import Rounds
from worker.settings import Installation, SettingWrong

log = logging.getLogger(__name__)

COUNT_OWED: Final = "cutledger.count_owed"
QUEUE: Final = "cutledger"
#: While one waits at the broker nobody is there to take it, and whoever comes to it counts all there is. Some of them
#: may be beats of the schedule that are thrown away by then.
ENOUGH_WAKE_UPS: Final = 4
#: A beat of the schedule: what no wake-up reported is found within this time.
SWEEP_SECONDS: Final = 2.0
#: After a failed wake-up the broker is left alone for this long; the sweep finds what is owed meanwhile.
BROKER_REST_SECONDS: Final = 5.0
#: A worker process makes room for a fresh one beyond this, in KiB, once its task is done.
WORKER_MEMORY_KIB: Final = 600_000


def make_celery(broker_url: str) -> Celery:
    """Celery application on a Redis broker: late acknowledgement, short timeouts, no results."""
    app = Celery("cutledger", broker=broker_url, set_as_current=False)
    app.conf.update(
        task_ignore_result=True,
        accept_content=["json"],
        task_serializer="json",
        enable_utc=True,
        timezone="UTC",
        task_default_queue=QUEUE,
        # What a worker dies on is woken for again; counting twice is impossible, counting late is not wanted.
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        # A retry would hold up the thread that sends wake-ups, not mend the broker.
        task_publish_retry=False,
        worker_prefetch_multiplier=1,
        worker_disable_prefetch=True,
        worker_max_tasks_per_child=10_000,
        worker_max_memory_per_child=WORKER_MEMORY_KIB,
        worker_cancel_long_running_tasks_on_connection_loss=False,
        worker_hijack_root_logger=False,
        worker_redirect_stdouts=False,
        worker_send_task_events=False,
        broker_connection_timeout=2,
        broker_connection_retry=True,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        broker_channel_error_retry=True,
        broker_transport_options={
            "visibility_timeout": 900,
            "unacked_restore_interval": 10,
            "unacked_restore_throttle": 1,
            "socket_timeout": 5,
            "socket_connect_timeout": 2,
            "socket_keepalive": True,
            "health_check_interval": 10,
            "retry_on_timeout": False,
            "max_retries": 1,
            "interval_start": 0,
            "interval_step": 0.2,
            "interval_max": 0.2,
            "global_keyprefix": "cutledger:",
        },
        # A sweep nobody took in time is thrown away, so that they do not pile up while no worker runs.
        beat_schedule={"sweep": {"task": COUNT_OWED, "schedule": SWEEP_SECONDS, "options": {"expires": SWEEP_SECONDS}}},
        # Without it a beat that waits for a dead broker would sleep on for minutes.
        beat_max_loop_interval=SWEEP_SECONDS,
    )
    return app


def make_worker(installation: Installation, *, observe: Observer | None = None) -> Celery:
    """Celery application whose task counts this installation's owed events, and tells of it; raises SettingWrong."""
    if installation.broker_url is None:
        raise SettingWrong("workers need CUTLEDGER_BROKER_URL, such as redis://127.0.0.1:6379/0")
    app = make_celery(installation.broker_url)
    every_hours = audit_hours()
    # What each process opens after its fork: a connection opened before would be shared with the parent.
    own: dict[str, Database] = {}
    beside: list[Auditor | Rounds | Deliverer] = []

    def database() -> Database:
        if "database" not in own:
            own["database"] = Database(installation.database_url)
        return own["database"]

    @worker_process_init.connect(weak=False)
    def _begin(**_: Any) -> None:
        own.clear()
        settle_memory(FOLDING)
        beside[:] = [Auditor(database(), every_hours=every_hours), Rounds(database()), Deliverer(database())]
        for one in beside:
            one.start()

    @worker_process_shutdown.connect(weak=False)
    def _end(**_: Any) -> None:
        for one in beside:
            one.stop()

    @app.task(name=COUNT_OWED)
    def _count_owed() -> None:
        try:
            count_owed(database(), observe=observe)
        except DatabaseUnavailable as error:
            # Nothing is lost by giving up: the next beat finds what is owed.
            log.warning("counting rests, the database is not available: %s", error)

    return app


class Nudger:
    """Wakes the Celery workers from a thread of its own, so that no answer waits for the broker."""

    def __init__(self, broker_url: str, *, failed: Callable[[], None] = lambda: None) -> None:
        self._app = make_celery(broker_url)
        self._failed = failed
        #: True while the broker does not take wake-ups.
        self.rests = False
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
            if not self._enough_wait():
                self._app.send_task(COUNT_OWED)
        except (KombuError, RedisError, OSError) as error:
            log.warning("the broker did not take a wake-up after %.1f s: %s", time.monotonic() - began, error)
            self._failed()
            self.rests = True
            self._stopping.wait(BROKER_REST_SECONDS)
        else:
            self.rests = False

    def _enough_wait(self) -> bool:
        """True when so many wake-ups lie at the broker that one more would wake nobody."""
        with self._app.producer_pool.acquire(block=True) as producer:
            return int(producer.channel.client.llen(QUEUE)) >= ENOUGH_WAKE_UPS
