"""Services and workers as processes that are started again when they end, as by any supervisor."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

from tests.chaos.faults import CHOSEN

ROOT: Final = Path(__file__).parents[2]
#: What ended by itself is started again after so long.
REST_SECONDS: Final = 0.5
TICK_SECONDS: Final = 0.05


@dataclass
class Ending:
    """A process that ended although nobody killed it."""

    name: str
    age_seconds: float
    status: int
    last_line: str


@dataclass
class Process:
    """One `cutledger` command with all its children, in a process group of its own."""

    name: str
    arguments: Sequence[str]
    environment: Mapping[str, str]
    folder: Path
    #: User of the database by which it is known there; empty when it has none of its own.
    user: str = ""
    started_at: float = 0.0
    start_again_at: float | None = None
    resume_at: float | None = None
    was_killed: bool = False
    running: subprocess.Popen[bytes] | None = None
    _log: IO[bytes] | None = None

    def start(self) -> None:
        """Start it; with a fault in it when the harness is run with one."""
        if self._log is None:
            self._log = (self.folder / f"{self.name}.log").open("ab")
        clean = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
        module = "tests.chaos.faulty" if self.environment.get(CHOSEN) else "service"
        command = [sys.executable, "-m", module, *self.arguments]
        self.running = subprocess.Popen(
            command,
            cwd=ROOT,
            env=clean | dict(self.environment),
            stdout=self._log,
            stderr=self._log,
            start_new_session=True,
        )
        self.started_at, self.start_again_at, self.was_killed = time.monotonic(), None, False

    @property
    def age_seconds(self) -> float:
        return time.monotonic() - self.started_at

    @property
    def is_up(self) -> bool:
        """True while it runs and is not held."""
        return self.running is not None and self.running.poll() is None and self.resume_at is None

    def kill(self, *, down_seconds: float) -> None:
        """SIGKILL it with all its children; it is started again later."""
        self.was_killed = True
        self._signal(signal.SIGKILL)
        if self.running is not None:
            self.running.wait()
        self.resume_at = None
        self.start_again_at = time.monotonic() + down_seconds

    def hold(self, seconds: float) -> None:
        """SIGSTOP it with all its children for a while."""
        self._signal(signal.SIGSTOP)
        self.resume_at = time.monotonic() + seconds

    def resume(self) -> None:
        """SIGCONT."""
        self.resume_at = None
        self._signal(signal.SIGCONT)

    def end(self) -> None:
        """SIGTERM, and SIGKILL for what does not heed it."""
        if self.running is None:
            return
        self._signal(signal.SIGCONT)
        self._signal(signal.SIGTERM)
        with suppress(subprocess.TimeoutExpired):
            self.running.wait(15)
        # Children that outlived it go too.
        self._signal(signal.SIGKILL)
        self.running.wait()
        if self._log is not None:
            self._log.close()
            self._log = None

    def last_line(self) -> str:
        """The last line that it wrote."""
        lines = (self.folder / f"{self.name}.log").read_text(errors="replace").splitlines()
        return lines[-1][:300] if lines else ""

    def _signal(self, number: signal.Signals) -> None:
        if self.running is not None:
            try:
                os.killpg(self.running.pid, number)
            except ProcessLookupError:
                return


@dataclass
class Supervisor:
    """Starts again what ended, and lets go on what was held long enough."""

    processes: list[Process]
    endings: list[Ending] = field(default_factory=list)
    _over: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None
    lock: threading.RLock = field(default_factory=threading.RLock)

    def start(self) -> None:
        """Start all processes and watch them."""
        for process in self.processes:
            process.start()
        self._thread = threading.Thread(target=self._watch, name="supervisor", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End all processes."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()
        for process in self.processes:
            process.end()

    def _watch(self) -> None:
        while not self._over.wait(TICK_SECONDS):
            with self.lock:
                for process in self.processes:
                    self._see_to(process, time.monotonic())

    def _see_to(self, process: Process, now: float) -> None:
        if process.resume_at is not None and now >= process.resume_at:
            process.resume()
        if process.running is None or process.running.poll() is None:
            return
        if process.start_again_at is None:
            status = process.running.returncode
            self.endings.append(Ending(process.name, process.age_seconds, status, process.last_line()))
            process.start_again_at = now + REST_SECONDS
        elif now >= process.start_again_at:
            process.start()
