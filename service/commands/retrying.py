"""`cutledger retry`: count once more what was set aside."""

from __future__ import annotations

import click

from service.commands.opening import DATA, opened, sites_of
from worker.ledger import owe_again, waiting
from worker.loop import count_owed


@click.command("retry")
@DATA
@click.option("--site", help="Only this site.")
def retry(data: str | None, site: str | None) -> None:
    """Owe again the events that were set aside, after a fix; a running server or worker counts them.

    Without one they are counted here.
    """
    with opened(data) as database:
        names = sites_of(database, site)
        owed = 0
        for name in names:
            with database.write() as connection:
                again = owe_again(connection, name)
            owed += again
            click.echo(f"site {name}: {again} events owed again")
        if owed:
            count_owed(database)
        for name in names:
            with database.read() as connection:
                _, set_aside = waiting(connection, name)
            if set_aside:
                click.echo(f"site {name}: {set_aside} set aside again; GET /v1/findings?kind=set_aside says why")
