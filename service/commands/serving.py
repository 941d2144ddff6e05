"""`cutledger serve`: answer requests, and count what they bring where no workers do."""

from __future__ import annotations

import logging
import os

import click

from service import RELEASE
from service.clock import now_us
from service.commands.opening import DATA, named_installation, patiently, refusal
from service.logs import log_to
from service.preparing import AlreadyServed, hold, prepare
from service.rates import FAILURES, RATE, Limits
from service.server import PROCESSES, Server, Serving
from worker.auditing import audit_hours
from worker.audits import give_up
from worker.database import Database, DatabaseUnavailable
from worker.keys import any_key
from worker.schema import SchemaBehind, SchemaNotOurs
from worker.settings import Installation, SettingWrong

log = logging.getLogger(__name__)


@click.command()
@DATA
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8750, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option(
    "--processes",
    default=PROCESSES,
    show_default=True,
    type=click.IntRange(1, 64),
    help="Processes that answer: the first takes connections and what terminals post, the second and the fourth bodies "
    "of many events, the third answers all else; more sit beside these, and 1 does all.",
)
@click.option("--threads", default=16, show_default=True, type=click.IntRange(1, 64), help="Threads of each process.")
@click.option(
    "--proxy-hops",
    default=0,
    show_default=True,
    envvar="CUTLEDGER_PROXY_HOPS",
    type=click.IntRange(0, 8),
    help="Proxies in front whose X-Forwarded headers are believed.",
)
@click.option(
    "--drain-seconds",
    default=0.0,
    show_default=True,
    type=click.FloatRange(0, 600),
    help="Told to end, go on answering so long, with /readyz at 503, for a proxy to notice.",
)
@click.option(
    "--rate",
    default=RATE,
    show_default=True,
    envvar="CUTLEDGER_RATE",
    type=click.IntRange(0, 1_000_000),
    help="What a key, or an address without one, may ask for in a second, averaged over 10 s; 0: without limit.",
)
@click.option(
    "--failures",
    default=FAILURES,
    show_default=True,
    envvar="CUTLEDGER_FAILURES",
    type=click.IntRange(0, 1_000_000),
    help="Wrong keys that an address may send in a minute; 0: without limit.",
)
@click.option("--quiet", is_flag=True, help="Log warnings only.")
def serve(
    data: str | None,
    host: str,
    port: int,
    processes: int,
    threads: int,
    proxy_hops: int,
    drain_seconds: float,
    rate: int,
    failures: int,
    *,
    quiet: bool,
) -> None:
    """Answer requests, and count what they bring where no workers do. Logs go to standard error."""
    installation = named_installation(data)
    log_to(quiet=quiet)
    try:
        # Read here once, so that a wrong one is said before a process is made.
        audit_hours()
        lock = hold(installation.data) if installation.embedded else None
        patiently(lambda: prepare(installation))
        if installation.embedded:
            _close_what_a_crash_left(installation)
        _greet(installation, host, port)
    except (AlreadyServed, SchemaBehind, SchemaNotOurs, SettingWrong, DatabaseUnavailable) as error:
        raise refusal(str(error)) from error
    try:
        limits = Limits(rate, failures)
        Server(installation, Serving(host, port, processes, threads, proxy_hops, drain_seconds, limits, quiet)).run()
    finally:
        if lock is not None:
            lock.close()


def _close_what_a_crash_left(installation: Installation) -> None:
    """An audit that this file knows as running died with the process that served it: no other one does."""
    database = Database(installation.database_url)
    with database.write() as connection:
        give_up(connection, now_us=now_us())
    database.close()


def _greet(installation: Installation, host: str, port: int) -> None:
    database = Database(installation.database_url)
    with database.read() as connection:
        has_keys = any_key(connection)
    database.close()
    where = f"the folder {os.path.relpath(installation.data)}" if installation.embedded else "the named database"
    address = f"[{host}]" if ":" in host else host
    log.info("Cutledger %s serves %s on http://%s:%d (to read: /docs)", RELEASE, where, address, port)
    if not has_keys:
        folder = f" --data {os.path.relpath(installation.data)}" if installation.embedded else ""
        log.info(
            "no key exists yet, and every door asks for one; make the first in another terminal: "
            "cutledger key new --role admin --name first%s",
            folder,
        )
