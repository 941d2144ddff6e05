"""What a command does once it has appended: count what is owed, and keep the log of an embedded file small."""

from __future__ import annotations

from collections.abc import Callable

import click

from service.commands.opening import named_installation
from service.commands.progress import bar
from worker import ledger, tallies
from worker.database import CHECKPOINT_BYTES, Database
from worker.loop import count_claim

COUNT = click.option(
    "--count/--no-count", default=True, help="Count what was written at once, or leave it to a server or worker."
)


def checkpoints(data: str | None, database: Database) -> Callable[[], None]:
    """What is done between transactions: fold the log of an embedded file back, where no server does so."""
    from service.server import AlreadyServed, hold

    installation = named_installation(data)

    def between() -> None:
        # Looked at first: the lock is held as seldom as may be, so that a server can be started meanwhile.
        if not installation.embedded or _log_bytes(database) < CHECKPOINT_BYTES:
            return
        try:
            with hold(installation.data):
                database.checkpoint()
        except AlreadyServed:
            return

    return between


def _log_bytes(database: Database) -> int:
    log = database.path.with_name(database.path.name + "-wal")
    return log.stat().st_size if log.exists() else 0


def count_owed(database: Database, between: Callable[[], None], *, count: bool) -> None:
    """Count what is owed, one claim a transaction; a site that another process is counting is left to it."""
    with database.read() as connection:
        owing = {site: ledger.waiting(connection, site)[0] for site in ledger.sites_owed(connection)}
    if not owing:
        return
    if not count:
        click.echo(f"{sum(owing.values()):,} events are owed: a running server or worker counts them", err=True)
        return
    with bar("counting", sum(owing.values())) as progress:
        for site in owing:
            while step := count_claim(database, site, limit=tallies.CLAIM_EVENTS):
                progress(step)
                between()
    for site in owing:
        with database.read() as connection:
            owed, set_aside = ledger.waiting(connection, site)
        if owed:
            click.echo(f"site {site}: {owed:,} events are still owed: another process counts them", err=True)
        if set_aside:
            click.echo(f"site {site}: {set_aside:,} set aside; GET /v1/findings?kind=set_aside says why", err=True)
