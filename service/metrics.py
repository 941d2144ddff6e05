"""What is measured, as Prometheus reads it; counted over all processes of one service."""

from __future__ import annotations

import atexit
import fcntl
import os
import platform
import shutil
import tempfile
import time
from collections import Counter as Tally
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import IO, Final

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    disable_created_metrics,
    start_http_server,
    values,
)
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead
from prometheus_client.registry import Collector

from service import RELEASE
from service.broker import Broker
from service.clock import now_us
from worker.backlog import Backlog, backlogs
from worker.database import Database, DatabaseUnavailable
from worker.events import EVENT_TYPES
from worker.loop import Observer
from worker.pushes.deliveries import Standing, standings
from worker.pushes.saying import DEAD, DELIVERED, WAITING

MEDIA_TYPE: Final = CONTENT_TYPE_PLAIN_0_0_4
#: Where prometheus_client keeps the figures of processes that are counted together.
SHARED_FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH"})
#: Stands for what has no name that is known: a path without a route, a method, a type of event.
OTHER: Final = "other"
REQUEST_BUCKETS: Final = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
CLAIM_BUCKETS: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 120.0)
_PREFIX: Final = "cutledger-metrics-"
_HELD: Final = "held"

disable_created_metrics()  # type: ignore[no-untyped-call]


class CountingMetrics:
    """What counting takes, wherever it is done: beside the door or in a worker."""

    def __init__(self, registry: CollectorRegistry) -> None:
        self._seconds = Histogram(
            "cutledger_count_batch_seconds",
            "Time to count one claim of owed events",
            buckets=CLAIM_BUCKETS,
            registry=registry,
        )
        self._events = Counter("cutledger_counted_events", "Events counted or set aside", registry=registry)

    def observe(self, seconds: float, events: int) -> None:
        """Note that a claim was counted."""
        self._seconds.observe(seconds)
        self._events.inc(events)


class Metrics:
    """The figures of one process of the service; with a shared folder those of all are read as one."""

    def __init__(self, *, broker_too: bool = False) -> None:
        self._registry = CollectorRegistry()
        self.counting = CountingMetrics(self._registry)
        self._requests = Histogram(
            "cutledger_request_seconds",
            "Time to answer a request, from its header to its answer",
            ("route", "method", "status_class"),
            buckets=REQUEST_BUCKETS,
            registry=self._registry,
        )
        self._events = Counter(
            "cutledger_events", "Events at the door, by type and verdict", ("type", "verdict"), registry=self._registry
        )
        # Each look-up of a label's figure costs more than to note something in it.
        self._of_requests = lru_cache(maxsize=1024)(self._requests.labels)
        self._of_events = lru_cache(maxsize=1024)(self._events.labels)
        self._broker_error = _broker_error(self._registry) if broker_too else None

    def note_request(self, *, route: str | None, method: str, status: int, seconds: float) -> None:
        """Note that a request was answered."""
        method = method if method in METHODS else OTHER
        self._of_requests(route or OTHER, method, f"{status // 100}xx").observe(seconds)

    def note_events(self, verdicts: Iterable[tuple[str | None, str]]) -> None:
        """Note (the type that an event gave, the verdict on it) of each event of a request."""
        for (kind, verdict), count in Tally(verdicts).items():
            known = kind if kind in EVENT_TYPES else OTHER
            self._of_events(known, verdict).inc(count)

    def note_broker_error(self) -> None:
        """Note that the broker failed just now."""
        if self._broker_error is not None:
            self._broker_error.set(time.time())

    def text(self, database: Database, broker: Broker | None, sites: Sequence[str]) -> bytes:
        """All figures: what was noted, and how database, broker and these sites are now."""
        now = CollectorRegistry()
        now.register(Present(database, broker, sites))
        return generate_latest(shared(self._registry)) + generate_latest(now)


def _broker_error(registry: CollectorRegistry) -> Gauge:
    return Gauge(
        "cutledger_broker_last_error_timestamp_seconds",
        "When the broker last failed, in seconds since 1970; 0 for not since the start",
        multiprocess_mode="max",
        registry=registry,
    )


class Present(Collector):
    """Figures that are asked for when they are read."""

    def __init__(self, database: Database, broker: Broker | None, sites: Sequence[str]) -> None:
        self._database = database
        self._broker = broker
        self._sites = sites

    def describe(self) -> Iterable[Metric]:
        """Nothing: a registry shall not ask for figures when it learns of them."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """The figures."""
        yield _labelled(
            "cutledger_build_info", "What runs", {"release": RELEASE, "python": platform.python_version()}, 1
        )
        if self._broker is not None:
            yield GaugeMetricFamily(
                "cutledger_broker_up", "1 when the broker answers, else 0", value=int(self._broker.answers())
            )
        try:
            with self._database.read() as connection:
                found = backlogs(connection, now_us=now_us())
                pushed = standings(connection, self._sites, now_us=now_us())
        except DatabaseUnavailable:
            found, pushed = None, {}
        yield GaugeMetricFamily(
            "cutledger_database_up", "1 when the database answers, else 0", value=int(found is not None)
        )
        if found is not None:
            yield from _of_backlogs({site: found[site] for site in self._sites if site in found})
            yield from _of_pushes(pushed)


def _of_backlogs(found: dict[str, Backlog]) -> Iterator[Metric]:
    owed = GaugeMetricFamily("cutledger_owed_events", "Events not counted yet", labels=["site"])
    set_aside = GaugeMetricFamily("cutledger_set_aside_events", "Events that could not be counted", labels=["site"])
    oldest = GaugeMetricFamily(
        "cutledger_oldest_owed_seconds", "Age of the oldest event not counted yet; 0 without one", labels=["site"]
    )
    for site, backlog in found.items():
        owed.add_metric([site], backlog.owed)
        set_aside.add_metric([site], backlog.set_aside)
        oldest.add_metric([site], backlog.oldest_owed_seconds)
    yield from (owed, set_aside, oldest)


def _of_pushes(found: dict[str, Standing]) -> Iterator[Metric]:
    deliveries = GaugeMetricFamily(
        "cutledger_push_deliveries",
        "Pushes to webhooks by state, as long as they are kept: what is delivered for 30 days, what is dead for 90",
        labels=["site", "state"],
    )
    oldest = GaugeMetricFamily(
        "cutledger_push_oldest_waiting_seconds", "Age of the oldest push that waits; 0 without one", labels=["site"]
    )
    for site, standing in found.items():
        for state in (WAITING, DELIVERED, DEAD):
            deliveries.add_metric([site, state], getattr(standing, state))
        oldest.add_metric([site], standing.oldest_waiting_seconds)
    yield from (deliveries, oldest)


def _labelled(name: str, documentation: str, labels: dict[str, str], value: float) -> Metric:
    family = GaugeMetricFamily(name, documentation, labels=list(labels))
    family.add_metric(list(labels.values()), value)
    return family


# --- several processes ------------------------------------------------------------------------------------------


def shared(registry: CollectorRegistry) -> CollectorRegistry:
    """The figures of all processes that share a folder; those of this one where none is shared."""
    if SHARED_FOLDER not in os.environ:
        return registry
    together = CollectorRegistry()
    MultiProcessCollector(together)  # type: ignore[no-untyped-call]
    return together


class SharedFolder:
    """A new folder in which the processes of one service keep their figures; to be made before they part."""

    def __init__(self) -> None:
        place = Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else Path(tempfile.gettempdir())
        remove_left(place)
        self.path = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=place))
        # Held by all processes until the last one has ended, however it ended.
        self._held: IO[str] = (self.path / _HELD).open("w")
        fcntl.flock(self._held, fcntl.LOCK_EX)
        os.environ[SHARED_FOLDER] = str(self.path)
        # The library chose when it was imported: for one process.
        values.ValueClass = values.get_value_class()  # type: ignore[no-untyped-call]

    def forget(self, process_id: int | str) -> None:
        """Drop what holds only while a process lives: it has ended."""
        mark_process_dead(process_id, str(self.path))  # type: ignore[no-untyped-call]

    def remove(self) -> None:
        """Remove the folder."""
        self._held.close()
        shutil.rmtree(self.path, ignore_errors=True)


def remove_left(place: Path) -> None:
    """Remove folders whose processes were killed."""
    for folder in place.glob(f"{_PREFIX}*"):
        try:
            with (folder / _HELD).open("a") as held:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            # Another service's, or one that is being made.
            continue


def counting_observer() -> Observer:
    """What is to be told of each claim that is counted in this process, whose figures others answer."""
    return CountingMetrics(CollectorRegistry()).observe


def serve_counting(host: str, port: int) -> Observer:
    """Answer what counting takes in this process and those that it becomes, on a port of its own.

    Returns what is to be told of each claim. Raises OSError when the port cannot be had.
    """
    folder = SharedFolder()
    registry = CollectorRegistry()
    counting = CountingMetrics(registry)
    start_http_server(port, host, registry=shared(registry))
    made_by = os.getpid()
    atexit.register(lambda: folder.remove() if os.getpid() == made_by else None)
    return counting.observe
