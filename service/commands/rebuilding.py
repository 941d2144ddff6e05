"""`cutledger rebuild`: compute everything again."""

from __future__ import annotations

import os

import click

from service.clock import now_us
from service.commands.opening import DATA, named_installation, opened, progress_of, refusal, sites_of
from service.preparing import AlreadyServed, hold
from worker.garbage import FOLDING, settle_memory
from worker.tallies import rebuild as rebuild_tallies


@click.command()
@DATA
@click.option("--site", help="Only this site.")
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    default=lambda: os.cpu_count() or 1,
    show_default="one a processor",
    help="So many fold a large ledger's attempts at once.",
)
def rebuild(data: str | None, site: str | None, processes: int) -> None:
    """Compute everything again from the ledger. Stop the server of an embedded installation first."""
    installation = named_installation(data)
    try:
        lock = hold(installation.data) if installation.embedded else None
    except AlreadyServed as error:
        raise refusal(str(error)) from error
    settle_memory(FOLDING)
    with opened(data) as database:
        for name in sites_of(database, site):
            with progress_of(f"site {name}") as progress:
                count = rebuild_tallies(database, name, progress, now_us=now_us(), processes=processes)
            click.echo(f"site {name}: computed again from {count:,} events")
    if lock is not None:
        lock.close()
