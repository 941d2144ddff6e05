"""Real servers on loopback, and the workers of a grown one: how they are started, and what they take."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from service.clock import now_us
from service.settling import settle
from tests.bench.places import EMBEDDED, Place, place_of
from tests.bench.shop import SETTINGS
from tests.bench.wire import HOST, Connection, Refused
from tests.builders import SITE
from worker.database import Database
from worker.installing import install
from worker.keys import new_key
from worker.schema import migrate
from worker.tallies import bring_up_to_date

START_SECONDS: Final = 60.0
STOP_SECONDS: Final = 30.0
#: Longest wait until all that was posted is counted.
COUNTING_SECONDS: Final = 600.0
#: The count of what a key asks for goes on; no measure is to meet its limit.
RATE: Final = 1_000_000
READY: Final = b" ready."
#: Each look costs the server a small report.
_POLL_SECONDS: Final = 0.03
_MEMORY = re.compile(r"^(VmRSS|VmHWM):\s+([0-9]+) kB", re.MULTILINE)


class ServerSilent(Exception):
    """The server ended, or did not answer or count in time."""


@dataclass(frozen=True)
class Memory:
    """Resident memory of a process in bytes: now, and the most since it was last forgotten."""

    now: int
    peak: int


def memory_of(process: int) -> Memory | None:
    """What a process takes; None where the system does not tell."""
    try:
        found = dict(_MEMORY.findall(Path(f"/proc/{process}/status").read_text()))
        return Memory(int(found["VmRSS"]) * 1024, int(found["VmHWM"]) * 1024)
    except (OSError, KeyError):
        return None


@dataclass(frozen=True)
class Server:
    """A running server. `started`: the commands; `process`: the first one that answers, alone an embedded one.

    `ready_after`: seconds from the start of its command until /readyz answered.
    """

    port: int
    key: str
    started: tuple[int, ...]
    process: int
    ready_after: float

    def connect(self) -> Connection:
        """A new connection."""
        return Connection(self.port, self.key)

    def memory(self) -> Memory | None:
        """What `process` takes; None where the system does not tell."""
        return memory_of(self.process)

    def forget_peak(self) -> None:
        """Let the peak of its memory begin anew, where the system can."""
        try:
            Path(f"/proc/{self.process}/clear_refs").write_text("5")
        except OSError:
            return

    def processes(self) -> list[int]:
        """What was started, with all children, where the system tells."""
        found = list(self.started)
        for process in found:
            found += _children(process)
        return found

    def wait_until_counted(self) -> None:
        """Return once no event waits to be counted; raises ServerSilent."""
        deadline = time.monotonic() + COUNTING_SECONDS
        # One that was idle for long is closed by the server.
        with self.connect() as connection:
            while time.monotonic() < deadline:
                as_of: dict[str, Any] = connection.get("/v1/reports/yield?day=2024-01-01").json()["as_of"]
                if as_of["set_aside"]:
                    raise Refused(f"{as_of['set_aside']} events were set aside")
                if not as_of["waiting"]:
                    return
                time.sleep(_POLL_SECONDS)
        raise ServerSilent(f"events still wait after {COUNTING_SECONDS:g} s")


def prepared(place: Place) -> Database:
    """The database of a new installation, with the shop's settings; an embedded one is closed before it is served."""
    database = Database(place.database_url)
    migrate(database)
    with database.write() as connection:
        install(connection, now_us=now_us())
        settle(connection, SITE, SETTINGS, source="/keys/bench", now_us=now_us())
        bring_up_to_date(connection, SITE, now_us=now_us())
    return database


@contextmanager
def serving(place: Place, *, workers: int = 1) -> Iterator[Server]:
    """The real server on a prepared place, with the workers of a grown one; ended at the end of the block."""
    with ExitStack() as stack:
        port, key = _free_port(), _admin_key(place)
        arguments = ["serve", "--port", str(port), "--quiet", "--rate", str(RATE)]
        began = time.perf_counter()
        process = stack.enter_context(running(place, "server", *arguments))
        _wait(lambda: _answers(port, key), process)
        ready_after = time.perf_counter() - began
        started = [process.pid]
        if place.kind != EMBEDDED and workers:
            started += stack.enter_context(working(place, workers))
        yield Server(port, key, tuple(started), next(iter(_children(process.pid)), process.pid), ready_after)


@contextmanager
def served(kind: str, folder: Path, *, workers: int = 1) -> Iterator[tuple[Place, Server]]:
    """A new, empty installation of this kind, served."""
    with place_of(kind, folder) as place:
        prepared(place).close()
        with serving(place, workers=workers) as server:
            yield place, server


@contextmanager
def working(place: Place, workers: int, *, schedule: bool = True) -> Iterator[list[int]]:
    """Processes of so many workers of one process each, ready; the first keeps the schedule if there is to be one."""
    with ExitStack() as stack:
        begun = []
        for number in range(workers):
            keeps = "--schedule" if schedule and number == 0 else "--no-schedule"
            begun.append(stack.enter_context(running(place, f"worker-{number}", "worker", keeps)))
        for number, process in enumerate(begun):
            log = place.folder / f"worker-{number}.log"
            _wait(lambda log=log: READY in log.read_bytes(), process)  # type: ignore[misc]
        yield [process.pid for process in begun]


def bare_ready_after(place: Place) -> float:
    """Seconds until the least application of the same libraries answers, under the same server."""
    port = _free_port()
    bound = ("--bind", f"{HOST}:{port}", "--threads", "8")
    began = time.perf_counter()
    with running(place, "bare", *bound, "tests.bench.bare_app:app", module="gunicorn") as process:
        _wait(lambda: _answers(port, ""), process)
        return time.perf_counter() - began


@contextmanager
def running(place: Place, name: str, *arguments: str, module: str = "service") -> Iterator[subprocess.Popen[bytes]]:
    """A `cutledger` command on a place, whose output goes into a file of this name; ended with all its children."""
    command = [sys.executable, "-m", module, *arguments]
    with (place.folder / f"{name}.log").open("wb") as log:
        process = subprocess.Popen(
            command, env=place.environment, stdout=log, stderr=log, start_new_session=True
        )  # fmt: skip
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=STOP_SECONDS)
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _children(process: int) -> list[int]:
    try:
        return [int(child) for child in Path(f"/proc/{process}/task/{process}/children").read_text().split()]
    except OSError:
        return []


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _admin_key(place: Place) -> str:
    database = Database(place.database_url)
    try:
        with database.write() as connection:
            text, _ = new_key(connection, name="bench", roles=["admin"], sites=[SITE], now_us=now_us())
        return text
    finally:
        database.close()


def _answers(port: int, key: str) -> bool:
    try:
        with Connection(port, key) as connection:
            return connection.get("/readyz").status == 200
    except (OSError, Refused):
        return False


def _wait(ready: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + START_SECONDS
    while not ready():
        if process.poll() is not None:
            raise ServerSilent(f"a process ended before it was ready: {process.args!r}")
        if time.monotonic() > deadline:
            raise ServerSilent(f"a process was not ready within {START_SECONDS:g} s: {process.args!r}")
        time.sleep(0.02)
