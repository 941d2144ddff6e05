"""What a command does once it has appended: count what is owed, and keep the log of an embedded file small."""

from __future__ import annotations

import click

from service.commands.progress import bar
from worker import ledger, tallies
from worker.database import Database
from worker.loop import count_claim

COUNT = click.option(
    "--count/--no-count", default=True, help="Count what was written at once, or leave it to a server or worker."
)


def count_owed(database: Database, *, count: bool) -> None:
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
            while step := count_claim(database, site, limit=tallies.CLAIM_EVENTS).events:
                progress(step)
                database.checkpoint()
    for site in owing:
        with database.read() as connection:
            owed, set_aside = ledger.waiting(connection, site)
        if owed:
            click.echo(f"site {site}: {owed:,} events are still owed: another process counts them", err=True)
        if set_aside:
            click.echo(f"site {site}: {set_aside:,} set aside; GET /v1/findings?kind=set_aside says why", err=True)
