"""Kills and holds whatever there is, every one to three seconds, by a seed."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Final

import psycopg

from tests.chaos.processes import Process, Supervisor
from tests.chaos.servers import Broker, Postgres, ServerDead

PAUSE_SECONDS: Final = (1.0, 3.0)
HELD_SECONDS: Final = (1.0, 5.0)
DOWN_SECONDS: Final = (0.0, 0.6)
#: A worker is watched for so long until it is in a transaction that has written.
WATCH_SECONDS: Final = 0.8
#: What was started less than so long ago is spared when there is another: it has not begun to work.
YOUNG_SECONDS: Final = 3.0
#: How often each is done, by weight.
ALL: Final[Mapping[str, int]] = {
    "service killed": 24,
    "worker killed": 14,
    "worker's child killed": 20,
    "schedule killed": 3,
    "redis killed": 10,
    "postgres stopped": 6,
    "service held": 9,
    "worker held": 9,
    "redis held": 5,
}
_WRITING: Final = "SELECT usename FROM pg_stat_activity WHERE backend_xid IS NOT NULL AND usename LIKE 'worker%'"


class Nemesis(threading.Thread):
    """Does one thing after another until it is ended. `done` counts them by kind; `log` says when, and to whom."""

    def __init__(
        self,
        supervisor: Supervisor,
        postgres: Postgres,
        broker: Broker,
        *,
        seed: int,
        weights: Mapping[str, int] = ALL,
        pause_seconds: tuple[float, float] = PAUSE_SECONDS,
    ) -> None:
        super().__init__(name="nemesis", daemon=True)
        self.done: Counter[str] = Counter()
        self.in_mid_transaction = 0
        self.log: list[tuple[float, str, str]] = []
        #: Spans in which PostgreSQL was away.
        self.postgres_away: list[tuple[float, float]] = []
        self.failed: str | None = None
        self._supervisor, self._postgres, self._broker = supervisor, postgres, broker
        self._rng, self._weights, self._pause = Random(f"{seed}/nemesis"), dict(weights), pause_seconds
        self._over = threading.Event()
        self._began = time.monotonic()
        self._broker_resumes_at: float | None = None

    def run(self) -> None:
        while not self._over.wait(self._rng.uniform(*self._pause)):
            if not self._act():
                return

    def end(self, *, more: int = 0) -> None:
        """Stop after so many more things are done."""
        self._over.set()
        self.join()
        for _ in range(more):
            if self.failed is None:
                self._act()
                time.sleep(self._rng.uniform(*self._pause) / 2)
        self._broker.signal(signal.SIGCONT)

    def _act(self) -> bool:
        if self._broker_resumes_at is not None and time.monotonic() >= self._broker_resumes_at:
            self._broker.signal(signal.SIGCONT)
            self._broker_resumes_at = None
        kinds = list(self._weights)
        kind = self._rng.choices(kinds, [self._weights[name] for name in kinds])[0]
        actions: dict[str, Callable[[], str | None]] = {
            "service killed": lambda: self._kill("service"),
            "worker killed": lambda: self._kill("worker"),
            "worker's child killed": self._kill_child,
            "schedule killed": lambda: self._kill("schedule"),
            "redis killed": self._kill_broker,
            "postgres stopped": self._stop_postgres,
            "service held": lambda: self._hold("service"),
            "worker held": lambda: self._hold("worker"),
            "redis held": self._hold_broker,
        }
        try:
            whom = actions[kind]()
        except (ServerDead, psycopg.Error, OSError) as error:
            self.failed = f"{kind}: {type(error).__name__}: {error}"
            return False
        if whom is not None:
            self.done[kind] += 1
            self.log.append((round(time.monotonic() - self._began, 2), kind, whom))
        return True

    def _of_kind(self, kind: str) -> list[Process]:
        up = [one for one in self._supervisor.processes if one.name.startswith(kind) and one.is_up]
        return [one for one in up if one.age_seconds > YOUNG_SECONDS] or up

    def _kill(self, kind: str) -> str | None:
        process = self._in_transaction() if kind == "worker" else None
        with self._supervisor.lock:
            candidates = self._of_kind(kind)
            process = process or (self._rng.choice(candidates) if candidates else None)
            if process is None or not process.is_up:
                return None
            process.kill(down_seconds=self._rng.uniform(*DOWN_SECONDS))
            return process.name

    def _kill_child(self) -> str | None:
        """Kill only the process of a worker that counts: Celery gives it another."""
        process = self._in_transaction()
        with self._supervisor.lock:
            candidates = self._of_kind("worker")
            process = process or (self._rng.choice(candidates) if candidates else None)
            if process is None or process.running is None or not process.is_up:
                return None
            children = _children(process.running.pid)
            for child in children:
                os.kill(child, signal.SIGKILL)
            return process.name if children else None

    def _hold(self, kind: str) -> str | None:
        with self._supervisor.lock:
            candidates: Sequence[Process] = self._of_kind(kind)
            if not candidates:
                return None
            process = self._rng.choice(candidates)
            process.hold(self._rng.uniform(*HELD_SECONDS))
            return process.name

    def _in_transaction(self) -> Process | None:
        """A worker that is in a transaction which has written, when one is met within a while."""
        by_user = {process.user: process for process in self._supervisor.processes if process.user}
        deadline = time.monotonic() + WATCH_SECONDS
        with psycopg.connect(self._postgres.url(database="postgres"), autocommit=True, connect_timeout=3) as asking:
            while time.monotonic() < deadline:
                for (user,) in asking.execute(_WRITING):
                    process = by_user.get(user)
                    if process is not None and process.is_up:
                        self.in_mid_transaction += 1
                        return process
                time.sleep(0.004)
        return None

    def _kill_broker(self) -> str:
        self._broker.kill()
        time.sleep(self._rng.uniform(*DOWN_SECONDS))
        self._broker.start()
        self._broker_resumes_at = None
        return "redis"

    def _hold_broker(self) -> str:
        self._broker.signal(signal.SIGSTOP)
        self._broker_resumes_at = time.monotonic() + self._rng.uniform(*HELD_SECONDS)
        return "redis"

    def _stop_postgres(self) -> str:
        began = time.monotonic()
        self._postgres.stop_immediately()
        time.sleep(self._rng.uniform(*DOWN_SECONDS))
        self._postgres.start()
        self.postgres_away.append((began, time.monotonic()))
        return "postgres"


def _children(parent: int) -> list[int]:
    try:
        return [int(pid) for pid in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()]
    except OSError:
        return []
