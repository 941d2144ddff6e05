"""The demo: a real server on a folder of its own, and the invented shop that posts through its door."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import urllib3
from rich.console import Console

from demo.run import play
from service.clock import now_us
from service.preparing import prepare
from worker.database import Database
from worker.installing import FIRST_SITE
from worker.keys import new_key
from worker.settings import Installation

HOST: Final = "127.0.0.1"
START_SECONDS: Final = 30.0


class ServerDidNotStart(Exception):
    """The server ended, or did not answer in time."""


def demonstrate(*, port: int, seed: int, data: Path | None, once: bool) -> int:
    """Serve, play the shop, print its report; serve on until Ctrl-C unless `once`. Returns the exit status."""
    console = Console()
    with _folder(data) as folder:
        installation = Installation.from_environment({}, data=str(folder))
        prepare(installation)
        try:
            with _serving(folder, port):
                played = play(
                    url=f"http://{HOST}:{port}",
                    admin_key=_admin_key(installation),
                    until=datetime.now(UTC),
                    seed=seed,
                    console=console,
                )
                if not once and played.exit_code == 0:
                    console.print("\nServing on. Ctrl-C ends it.")
                    _wait_for_interrupt()
                return played.exit_code
        except ServerDidNotStart as error:
            Console(stderr=True).print(f"[red]Error:[/red] {error}")
            return 1
        except KeyboardInterrupt:
            return 0


@contextmanager
def _folder(data: Path | None) -> Iterator[Path]:
    if data is not None:
        yield data
        return
    with tempfile.TemporaryDirectory(prefix="cutledger-demo-") as folder:
        yield Path(folder)


@contextmanager
def _serving(folder: Path, port: int) -> Iterator[None]:
    command = [sys.executable, "-m", "service", "serve", "--data", str(folder), "--port", str(port), "--quiet"]
    # The demo is always the embedded default, whatever the surroundings name.
    environment = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    # A session of its own: Ctrl-C reaches the demo alone, which then ends the server in order.
    server = subprocess.Popen(command, env=environment, start_new_session=True)
    try:
        _wait_until_ready(server, port)
        yield
    finally:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(timeout=30)
        except subprocess.TimeoutExpired:
            server.kill()


def _wait_until_ready(server: subprocess.Popen[bytes], port: int) -> None:
    pool = urllib3.PoolManager(timeout=1.0, retries=False)
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if server.poll() is not None:
            raise ServerDidNotStart(f"the server ended; is port {port} taken? Give another with PORT=8751 or --port")
        try:
            ready = pool.request("GET", f"http://{HOST}:{port}/readyz").status == 200
            # Another server may hold the port and answer before ours gives up.
            if ready and server.poll() is None:
                return
        except urllib3.exceptions.HTTPError:
            time.sleep(0.1)
    raise ServerDidNotStart(f"the server did not answer within {START_SECONDS:g} s")


def _admin_key(installation: Installation) -> str:
    database = Database(installation.database_url)
    try:
        with database.write() as connection:
            text, _ = new_key(connection, name="demo", roles=["admin"], sites=[FIRST_SITE], now_us=now_us())
        return text
    finally:
        database.close()


def _wait_for_interrupt() -> None:
    try:
        signal.pause()
    except KeyboardInterrupt:
        return
