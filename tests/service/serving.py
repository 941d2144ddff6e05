"""A real server in a process of its own: its log, its keys, and clients that speak to it over sockets."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service.counter import NICENESS
from tests.builders import NOW_US, event
from worker.database import Database
from worker.keys import new_key

REPOSITORY = Path(__file__).parents[2]
#: Longer than anything takes on a machine under load.
DEADLINE_SECONDS = 90.0


def free_port(host: str = "127.0.0.1") -> int:
    with closing(socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def wait_until(claim: Callable[[], bool], *, what: str = "it", seconds: float = DEADLINE_SECONDS) -> None:
    deadline = time.monotonic() + seconds
    while not claim():
        assert time.monotonic() < deadline, f"{what} did not come true in time"
        time.sleep(0.01)


@dataclass(frozen=True)
class Answer:
    status: int
    body: bytes
    headers: Mapping[str, str]

    def json(self) -> Any:
        return json.loads(self.body)


def ask(connection: http.client.HTTPConnection, method: str, path: str, *, key: str = "", body: Any = None) -> Answer:
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    if body is not None:
        headers["Content-Type"] = "application/json"
    connection.request(method, path, None if body is None else json.dumps(body), headers)
    response = connection.getresponse()
    return Answer(response.status, response.read(), {name.lower(): value for name, value in response.getheaders()})


@dataclass
class Serving:
    """A server process."""

    process: subprocess.Popen[bytes]
    host: str
    port: int
    log_file: Path

    def connect(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(self.host, self.port, timeout=DEADLINE_SECONDS)

    def ask(self, method: str, path: str, *, key: str = "", body: Any = None) -> Answer:
        """Ask on a connection of its own."""
        with closing(self.connect()) as connection:
            return ask(connection, method, path, key=key, body=body)

    @property
    def log(self) -> str:
        return self.log_file.read_text()

    def lines(self) -> list[dict[str, Any]]:
        """The log, line by line: each one JSON object."""
        return [json.loads(line) for line in self.log.splitlines()]

    def alive(self) -> bool:
        assert self.process.poll() is None, self.log
        try:
            return self.ask("GET", "/livez").status == 200
        except OSError:
            return False

    def children(self) -> list[int]:
        """All processes that it started; skips the test where the system does not tell."""
        told = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        if not told.exists():
            pytest.skip("the system does not tell the children of a process")
        return [int(each) for each in told.read_text().split()]

    def answering(self) -> list[int]:
        """The processes that answer."""
        return sorted(set(self.children()) - set(self.counters()))

    def counters(self) -> list[int]:
        """The processes that count, known by their place in line for a processor."""
        of_the_first = os.getpriority(os.PRIO_PROCESS, self.process.pid)
        return [each for each in self.children() if _priority(each) == of_the_first + NICENESS]

    def end(self) -> int:
        """Tell it to end; its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(DEADLINE_SECONDS)


def _priority(process: int) -> int:
    try:
        return os.getpriority(os.PRIO_PROCESS, process)
    except ProcessLookupError:
        return -1


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "service", *arguments]


def surroundings(**variables: str) -> dict[str, str]:
    """The environment without the settings of whoever runs the tests."""
    plain = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    return plain | variables


@contextmanager
def serving(
    folder: Path,
    *options: str,
    host: str = "127.0.0.1",
    port: int | None = None,
    environment: Mapping[str, str] | None = None,
) -> Iterator[Serving]:
    """A server, on a free port unless one is given, which is killed if the test has not ended it."""
    port = port or free_port(host)
    log_file = folder / "serve.log"
    arguments = command("serve", "--host", host, "--port", str(port), *options)
    variables = surroundings(CUTLEDGER_DATA=str(folder / "data"), **(environment or {}))
    with log_file.open("wb") as log:
        process = subprocess.Popen(arguments, cwd=REPOSITORY, env=variables, stdout=log, stderr=log)
    running = Serving(process, host, port, log_file)
    try:
        wait_until(running.alive, what="the server")
        yield running
    finally:
        if process.poll() is None:
            end_now(process)


def end_now(process: subprocess.Popen[bytes]) -> None:
    """End a server that a failed test left, with its children."""
    process.terminate()
    try:
        process.wait(30)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def key_for(database: Database, *roles: str) -> str:
    with database.write() as connection:
        text, _ = new_key(connection, name="for a test", roles=roles, sites=["main"], now_us=NOW_US)
    return text


def cut(number: int | str, **data: Any) -> dict[str, Any]:
    """An event that is taken."""
    return event("attempt.finished", f"A{number}", id=f"cut-{number}", outcome="severed", quantity=2, **data)
