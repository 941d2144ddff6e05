"""The server: gunicorn, whose processes answer, and count where no workers do."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from flask import Flask
from gunicorn.app.base import BaseApplication

from service.app import create_app
from service.broker import Broker
from service.connections import IDLE_SECONDS, PatientWorker, most_connections
from service.drain import Drain
from service.intake import LONGEST_LINE, MOST_FIELDS, Asked
from service.metrics import Metrics, SharedFolder
from service.processes import DrainingArbiter, QuietLogger
from service.rates import Limits, Rates
from service.warming import warm_up
from worker.auditing import Auditor, audit_hours
from worker.database import Database
from worker.delivering import Deliverer
from worker.loop import Loop
from worker.rounds import Rounds
from worker.settings import Installation

THREADS: Final = 8
#: Once it takes no new connections, a server waits so long for answers that are being made.
GRACE_SECONDS: Final = 20
#: A process of several that gives no sign of life for so long is replaced.
HUNG_SECONDS: Final = 60
#: New objects that may be in circles before they are looked at: a batch of a thousand events makes some ten thousand.
GARBAGE_THRESHOLD: Final = 20_000


def started_app(
    installation: Installation, *, drain: Drain | None = None, limits: Limits | None = None, proxy_hops: int = 0
) -> tuple[Flask, Callable[[], None]]:
    """(application with what counts for it running, how to stop that). Called in the process that answers."""
    database = Database(installation.database_url)
    metrics = Metrics(broker_too=installation.broker_url is not None)
    broker = installation.broker_url and Broker(installation.broker_url, failed=metrics.note_broker_error)
    rates = Rates(limits or Limits(), broker_url=installation.broker_url)
    counter = _counter(installation, database, metrics)
    # Where workers count, they audit, make the rounds and deliver too.
    auditor = Auditor(database, every_hours=audit_hours() if installation.broker_url is None else 0)
    besides: list[Rounds | Deliverer] = (
        [Rounds(database), Deliverer(database)] if installation.broker_url is None else []
    )
    counter.start()
    auditor.start()
    for one in besides:
        one.start()
    warming = warm_up()

    def stop() -> None:
        warming.cancel()
        auditor.stop()
        for one in besides:
            one.stop()
        counter.stop()
        if broker:
            broker.close()
        rates.close()
        database.close()

    app = create_app(
        database,
        counter.nudge,
        metrics=metrics,
        drain=drain,
        broker=broker or None,
        rates=rates,
        proxy_hops=proxy_hops,
    )
    _settle_memory()
    return app, stop


def _settle_memory() -> None:
    """Let collections of garbage look at what requests make, not at all that was loaded for them each time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(GARBAGE_THRESHOLD, 20, 20)


def _counter(installation: Installation, database: Database, metrics: Metrics) -> Any:
    if installation.broker_url is None:
        return Loop(database, observe=metrics.counting.observe)
    # Celery is slow to import; an embedded server does without.
    from worker.tasks import Nudger

    return Nudger(installation.broker_url, failed=metrics.note_broker_error)


@dataclass(frozen=True)
class Serving:
    """How an installation is served: where, by how many processes of how many threads, behind how many proxies.

    drain_seconds: so long it goes on answering when it was told to end.
    """

    host: str
    port: int
    processes: int = 1
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
        self._figures = SharedFolder() if serving.processes > 1 else None
        self.options = _options(serving) | {
            "pre_request": self._close_when_draining,
            "post_worker_init": self._bound_addresses,
            "worker_exit": _stop_counting,
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
            self.installation, drain=self.drain, limits=serving.limits, proxy_hops=serving.proxy_hops
        )
        app.extensions["cutledger.stop"] = stop
        return app

    def run(self) -> None:
        """Serve until a signal ends it; leaves by SystemExit."""
        try:
            DrainingArbiter(self, self.drain, drain_seconds=self.serving.drain_seconds).run()
        finally:
            if self._figures is not None and os.getpid() == self._made_by:
                self._figures.remove()

    def _close_when_draining(self, _worker: object, request: Asked) -> None:
        request.is_ending = lambda: self.drain.begun

    def _bound_addresses(self, worker: PatientWorker) -> None:
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


def _stop_counting(_arbiter: object, worker: Any) -> None:
    app = getattr(worker, "wsgi", None)
    stop = getattr(app, "extensions", {}).get("cutledger.stop")
    if stop is not None:
        stop()
