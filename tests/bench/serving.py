"""A real server on a folder, on loopback, and how much memory it takes."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from service.clock import now_us
from service.server import prepare
from service.settling import settle
from tests.bench.shop import SETTINGS
from tests.bench.wire import HOST, Connection, Refused
from tests.builders import SITE
from worker.database import Database
from worker.keys import new_key
from worker.settings import Installation
from worker.tallies import bring_up_to_date

START_SECONDS: Final = 30.0
STOP_SECONDS: Final = 30.0
#: Longest wait until all that was posted is counted.
COUNTING_SECONDS: Final = 180.0
_POLL_SECONDS: Final = 0.01
_MEMORY = re.compile(r"^(VmRSS|VmHWM):\s+([0-9]+) kB", re.MULTILINE)


class ServerSilent(Exception):
    """The server ended, or did not answer or count in time."""


@dataclass(frozen=True)
class Memory:
    """Resident memory of a process in bytes: now, and the most since it was last forgotten."""

    now: int
    peak: int


@dataclass(frozen=True)
class Server:
    """A running server. `process` is the one that answers and counts."""

    port: int
    key: str
    process: int

    def connect(self) -> Connection:
        """A new connection."""
        return Connection(self.port, self.key)

    def memory(self) -> Memory | None:
        """What it takes; None where the system does not tell."""
        try:
            found = dict(_MEMORY.findall(Path(f"/proc/{self.process}/status").read_text()))
        except OSError:
            return None
        return Memory(int(found["VmRSS"]) * 1024, int(found["VmHWM"]) * 1024)

    def forget_peak(self) -> None:
        """Let the peak of its memory begin anew, where the system can."""
        try:
            Path(f"/proc/{self.process}/clear_refs").write_text("5")
        except OSError:
            return

    def wait_until_counted(self, connection: Connection) -> None:
        """Return once no event waits to be counted; raises ServerSilent."""
        deadline = time.monotonic() + COUNTING_SECONDS
        while time.monotonic() < deadline:
            as_of: dict[str, Any] = connection.get("/v1/reports/yield?day=2024-01-01").json()["as_of"]
            if as_of["set_aside"]:
                raise Refused(f"{as_of['set_aside']} events were set aside")
            if not as_of["waiting"]:
                return
            time.sleep(_POLL_SECONDS)
        raise ServerSilent(f"events still wait after {COUNTING_SECONDS:g} s")


def prepared(folder: Path) -> Database:
    """The database of a new installation in a folder, with the shop's settings; to be closed before it is served."""
    installation = Installation.from_environment({}, data=str(folder))
    prepare(installation)
    database = Database(installation.database_url)
    with database.write() as connection:
        settle(connection, SITE, SETTINGS, source="/keys/bench", now_us=now_us())
        bring_up_to_date(connection, SITE, now_us=now_us())
    return database


@contextmanager
def serving(folder: Path) -> Iterator[Server]:
    """The real server on a prepared folder, ended at the end of the block."""
    port = _free_port()
    key = _admin_key(folder)
    command = [sys.executable, "-m", "service", "serve", "--data", str(folder), "--port", str(port), "--quiet"]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    process = subprocess.Popen(command, env=environment, start_new_session=True)
    try:
        _wait_until_ready(process, port, key)
        yield Server(port, key, _answering(process.pid))
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=STOP_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _admin_key(folder: Path) -> str:
    database = Database(Installation.from_environment({}, data=str(folder)).database_url)
    try:
        with database.write() as connection:
            text, _ = new_key(connection, name="bench", roles=["admin"], sites=[SITE], now_us=now_us())
        return text
    finally:
        database.close()


def _wait_until_ready(process: subprocess.Popen[bytes], port: int, key: str) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise ServerSilent("the server ended before it answered")
        try:
            with Connection(port, key) as connection:
                if connection.get("/readyz").status == 200:
                    return
        except (OSError, Refused):
            time.sleep(0.05)
    raise ServerSilent(f"the server did not answer within {START_SECONDS:g} s")


def _answering(parent: int) -> int:
    """The process that answers: the child of the one that was started, where the system tells."""
    try:
        children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    except OSError:
        children = []
    return int(children[0]) if children else parent
