"""A PostgreSQL and a Redis of the harness's own, on free ports, to be killed at will."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path
from typing import IO, Final

from redis import Redis
from redis.exceptions import RedisError

READY_SECONDS: Final = 30.0
#: PostgreSQL refuses to run as root; it is run as the first of these that the machine knows.
UNPRIVILEGED: Final = ("postgres", "nobody")


class ServerMissing(Exception):
    """This machine has no such server program."""


class ServerDead(Exception):
    """A server did not come up."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def postgres_programs() -> Path:
    """Folder of initdb and postgres, the newest there is; raises ServerMissing."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    if (on_path := shutil.which("postgres")) and shutil.which("initdb"):
        return Path(on_path).resolve().parent
    raise ServerMissing("no PostgreSQL server program is installed (neither in /usr/lib/postgresql nor on the path)")


def redis_program() -> str:
    """The redis-server program; raises ServerMissing."""
    if found := shutil.which("redis-server"):
        return found
    raise ServerMissing("no redis-server program is on the path")


def _as_unprivileged() -> tuple[list[str], int | None, int | None]:
    """(what a command begins with, user, group) so that it does not run as root."""
    if os.geteuid() != 0:
        return [], None, None
    if (setpriv := shutil.which("setpriv")) is None:
        raise ServerMissing("PostgreSQL refuses to run as root, and there is no setpriv to run it as another user")
    for name in UNPRIVILEGED:
        try:
            user = pwd.getpwnam(name)
        except KeyError:
            continue
        groups = ["--clear-groups", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}"]
        return [setpriv, *groups, "--"], user.pw_uid, user.pw_gid
    raise ServerMissing("PostgreSQL refuses to run as root, and there is no unprivileged user to run it as")


class Postgres:
    """A new PostgreSQL cluster in a folder, durable like any other."""

    def __init__(self, folder: Path) -> None:
        self.programs = postgres_programs()
        self.port = free_port()
        self._before, user, group = _as_unprivileged()
        self._folder = folder / "postgres"
        self._folder.mkdir()
        if user is not None and group is not None:
            folder.chmod(0o755)
            os.chown(self._folder, user, group)
        self._data = self._folder / "data"
        self._log: IO[bytes] = (folder / "postgres.log").open("ab")
        self._process: subprocess.Popen[bytes] | None = None
        initdb = [str(self.programs / "initdb"), "-D", str(self._data), "-U", "postgres", "-A", "trust", "-E", "UTF8"]
        made = subprocess.run([*self._before, *initdb], cwd=self._folder, capture_output=True, text=True, check=False)
        if made.returncode:
            raise ServerDead(f"initdb failed: {made.stderr.strip()}")

    def url(self, user: str = "postgres", database: str = "cutledger") -> str:
        """Address of a database of the cluster; each process has a user of its own, so that it can be told apart."""
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        """Start it, and return once it takes connections."""
        command = [
            *self._before, str(self.programs / "postgres"), "-D", str(self._data), "-p", str(self.port),
            "-k", str(self._folder), "-c", "listen_addresses=127.0.0.1", "-c", "max_connections=200",
            "-c", "fsync=on", "-c", "synchronous_commit=on", "-c", "shared_buffers=256MB", "-c", "max_wal_size=2GB",
        ]  # fmt: skip
        self._process = subprocess.Popen(command, cwd=self._folder, stdout=self._log, stderr=self._log)
        deadline = time.monotonic() + READY_SECONDS
        ask = [str(self.programs / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        while subprocess.run(ask, check=False).returncode:
            if self._process.poll() is not None or time.monotonic() > deadline:
                raise ServerDead("PostgreSQL did not come up; its log is postgres.log")
            time.sleep(0.05)

    def stop_immediately(self) -> None:
        """What `pg_ctl stop -m immediate` does: all backends die, and the log is replayed later."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait()

    def close(self) -> None:
        """Stop it for good."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait()
        self._log.close()


class Broker:
    """A Redis without persistence: when it is started again it is empty."""

    def __init__(self, folder: Path) -> None:
        self.program = redis_program()
        self.port = free_port()
        self.url = f"redis://127.0.0.1:{self.port}/0"
        self._folder = folder
        self._log: IO[bytes] = (folder / "redis.log").open("ab")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and return once it answers."""
        command = [self.program, "--port", str(self.port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no"]
        command += ["--dir", str(self._folder)]
        self._process = subprocess.Popen(command, stdout=self._log, stderr=self._log)
        deadline = time.monotonic() + READY_SECONDS
        with Redis(port=self.port, socket_timeout=1) as asking:
            while True:
                try:
                    asking.ping()
                    return
                except RedisError as error:
                    if time.monotonic() > deadline:
                        raise ServerDead("redis-server did not come up; its log is redis.log") from error
                    time.sleep(0.02)

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def kill(self) -> None:
        """SIGKILL: all that it held is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def empty(self) -> None:
        """Throw all wake-ups away."""
        with Redis(port=self.port, socket_timeout=5) as asking:
            asking.flushall()

    def close(self) -> None:
        """Stop it for good."""
        self.kill()
        self._log.close()
