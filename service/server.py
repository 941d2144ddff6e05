"""The server: gunicorn, whose processes answer, and one beside them that counts where no workers do."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any, Final

from flask import Flask
from gunicorn.app.base import BaseApplication

from service.app import create_app
from service.broker import Broker
from service.connections import IDLE_SECONDS, PatientWorker, most_connections
from service.counter import WakeUp, count_until_told
from service.desks import SEATS, Desk, Ways, desks_of, have_fellows
from service.drain import Drain
from service.intake import LONGEST_LINE, MOST_FIELDS, Asked
from service.metrics import Metrics, SharedFolder
from service.processes import DrainingArbiter, QuietLogger
from service.rates import Limits, Rates
from service.warming import warm_up
from worker.database import Database
from worker.garbage import ANSWERING, settle_memory
from worker.settings import Installation

#: One at each seat.
PROCESSES: Final = len(SEATS)
#: Most wait for a commit: so many posts of one event each may share one.
THREADS: Final = 16
#: Once it takes no new connections, a server waits so long for answers that are being made.
GRACE_SECONDS: Final = 20
#: A process of several that gives no sign of life for so long is replaced.
HUNG_SECONDS: Final = 60


def started_app(
    installation: Installation,
    wake_up: WakeUp | None,
    *,
    drain: Drain | None = None,
    limits: Limits | None = None,
    folder: Path | None = None,
    proxy_hops: int = 0,
    looks: bool = True,
) -> tuple[Flask, Callable[[], None]]:
    """(application, how to stop what goes on beside its answers). Called in the process that answers.

    wake_up: of the process that counts; None where the workers of a broker do. folder: that all processes have.
    looks: whether this one answers pages and reports.
    """
    database = Database(installation.database_url)
    metrics = Metrics(broker_too=installation.broker_url is not None)
    broker = installation.broker_url and Broker(installation.broker_url, failed=metrics.note_broker_error)
    rates = Rates(limits or Limits(), broker_url=installation.broker_url, folder=folder)
    nudger: Any = wake_up or _nudger(installation, metrics)
    warming = warm_up() if looks else None

    def stop() -> None:
        if warming:
            warming.cancel()
        if nudger is not wake_up:
            nudger.stop()
        if broker:
            broker.close()
        rates.close()
        database.close()

    app = create_app(
        database,
        nudger.nudge,
        metrics=metrics,
        drain=drain,
        broker=broker or None,
        rates=rates,
        proxy_hops=proxy_hops,
    )
    settle_memory(ANSWERING)
    return app, stop


def _nudger(installation: Installation, metrics: Metrics) -> Any:
    # Celery is slow to import; an embedded server does without.
    from worker.tasks import Nudger

    nudger = Nudger(str(installation.broker_url), failed=metrics.note_broker_error)
    nudger.start()
    return nudger


@dataclass(frozen=True)
class Serving:
    """How an installation is served: where, by how many processes of how many threads, behind how many proxies.

    drain_seconds: so long it goes on answering when it was told to end.
    """

    host: str
    port: int
    processes: int = PROCESSES
    threads: int = THREADS
    proxy_hops: int = 0
    drain_seconds: float = 0.0
    limits: Limits = Limits()
    quiet: bool = False


class Server(BaseApplication):  # type: ignore[misc]
    """gunicorn around the application: worker processes of a few threads, started after the fork."""

    def __init__(self, installation: Installation, serving: Serving) -> None:
        self.installation = installation
        self.serving = serving
        self.drain = Drain()
        self._made_by = os.getpid()
        self._wake_up = WakeUp() if installation.broker_url is None else None
        self._ways = Ways() if serving.processes > 1 else None
        self._desks = desks_of(0, serving.processes)
        self._figures = SharedFolder() if serving.processes > 1 or self._wake_up else None
        self.options = _options(serving) | {
            "pre_request": self._close_when_draining,
            "pre_fork": self._seat,
            "post_worker_init": self._tell,
            "worker_exit": _stop,
            "child_exit": self._forget,
        }
        super().__init__()

    def load_config(self) -> None:
        """Hand the options to gunicorn."""
        for name, value in self.options.items():
            self.cfg.set(name, value)

    def load(self) -> Flask:
        """The application, made in the worker process: threads and connections do not outlive a fork."""
        serving = self.serving
        app, stop = started_app(
            self.installation,
            self._wake_up,
            drain=self.drain,
            limits=serving.limits,
            folder=self._figures.path if self._figures and serving.processes > 1 else None,
            proxy_hops=serving.proxy_hops,
            looks=Desk.LOOKS in self._desks,
        )
        app.extensions["cutledger.stop"] = stop
        return app

    def run(self) -> None:
        """Serve until a signal ends it; leaves by SystemExit."""
        drain_seconds = self.serving.drain_seconds
        beside = None if self._wake_up is None else partial(count_until_told, self.installation, self._wake_up)
        try:
            DrainingArbiter(self, self.drain, drain_seconds=drain_seconds, beside=beside).run()
        finally:
            if self._figures is not None and os.getpid() == self._made_by:
                self._figures.remove()

    def _close_when_draining(self, _worker: object, request: Asked) -> None:
        request.is_ending = lambda: self.drain.begun

    def _seat(self, arbiter: Any, worker: PatientWorker) -> None:
        # One that follows another sits where that one sat.
        taken = {other.place for other in arbiter.WORKERS.values()}
        worker.place = next(place for place in count() if place not in taken)
        worker.desks, worker.ways = desks_of(worker.place, self.serving.processes), self._ways
        worker.has_fellows = have_fellows(Desk.BULK, self.serving.processes)
        # What is made after the fork is made for these.
        self._desks = worker.desks

    def _tell(self, worker: PatientWorker) -> None:
        worker.is_draining = lambda: self.drain.begun
        # All that comes through a proxy comes from its address.
        worker.bounds_addresses = self.serving.proxy_hops == 0

    def _forget(self, _arbiter: object, worker: Any) -> None:
        if self._figures is not None:
            self._figures.forget(worker.pid)


def _options(serving: Serving) -> dict[str, Any]:
    """gunicorn's settings. What a proxy says of who asks is believed by the application alone, and only if told to."""
    host, port = serving.host, serving.port
    return {
        "bind": f"[{host}]:{port}" if ":" in host else f"{host}:{port}",
        "workers": serving.processes,
        "worker_class": PatientWorker,
        "threads": serving.threads,
        "timeout": HUNG_SECONDS if serving.processes > 1 else 0,
        "graceful_timeout": GRACE_SECONDS,
        "worker_connections": most_connections(),
        "keepalive": int(IDLE_SECONDS),
        "limit_request_fields": MOST_FIELDS,
        "limit_request_field_size": LONGEST_LINE,
        "limit_request_line": LONGEST_LINE,
        "http_parser": "python",
        # An answer is written to what holds it until it is read, which is no file.
        "sendfile": False,
        "forwarded_allow_ips": "",
        "proc_name": "cutledger",
        "loglevel": "warning" if serving.quiet else "info",
        "logger_class": QuietLogger,
        "accesslog": None,
        "control_socket_disable": True,
        "worker_tmp_dir": "/dev/shm" if os.path.isdir("/dev/shm") else None,  # noqa: PTH112
    }


def _stop(_arbiter: object, worker: Any) -> None:
    app = getattr(worker, "wsgi", None)
    stop = getattr(app, "extensions", {}).get("cutledger.stop")
    if stop is not None:
        stop()
