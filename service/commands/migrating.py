"""`cutledger migrate`: bring the tables to this release."""

from __future__ import annotations

import click

from service.clock import now_us
from service.commands.opening import DATA, named_installation, refusal
from service.preparing import AlreadyServed, hold
from worker.database import Database, DatabaseUnavailable
from worker.installing import install
from worker.schema import HEAD, REVISIONS, SchemaNotOurs
from worker.schema import migrate as migrate_tables


@click.command()
@DATA
@click.option(
    "--to", default=HEAD, show_default=True, type=click.Choice(REVISIONS), help="Revision; an older one to go back."
)
def migrate(data: str | None, to: str) -> None:
    """Bring the tables to this release; back up first. Run by hand, or once before services and workers start.

    An embedded installation is brought up by serve itself. Stop what serves and counts before going back.
    """
    installation = named_installation(data)
    try:
        lock = hold(installation.data) if installation.embedded else None
        database = Database(installation.database_url)
        try:
            before, after = migrate_tables(database, to=to)
            if after == HEAD:
                with database.write() as connection:
                    install(connection, now_us=now_us())
        finally:
            database.close()
    except (AlreadyServed, DatabaseUnavailable, SchemaNotOurs) as error:
        raise refusal(str(error)) from error
    click.echo(f"nothing to do: revision {after}" if before == after else f"revision {before or 'none'} -> {after}")
    if lock is not None:
        lock.close()
