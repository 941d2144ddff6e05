"""`cutledger people unlink`: a site's key for people is destroyed."""

from __future__ import annotations

import click

from service.clock import now_us
from service.commands.opening import DATA, opened, sites_of
from worker.administration import COMMAND_LINE
from worker.unlinking import unlink as unlink_people


@click.group()
def people() -> None:
    """What is kept of people."""


@people.command("unlink")
@DATA
@click.option("--site", required=True, help="Whose people.")
@click.option("--yes", is_flag=True, help="Do not ask.")
def unlink(data: str | None, site: str, *, yes: bool) -> None:
    """Destroy a site's key for people: nobody can tell any more whose a pseudonym was.

    A server may run meanwhile; what it is sent waits while an embedded database's file is written anew.
    It cannot be undone. Copies elsewhere hold the old key still: destroy old backups, and exports with secrets, too.
    """
    with opened(data) as database:
        sites_of(database, site)
        if not yes:
            question = f"Nobody will be able to tell whose the pseudonyms of site {site} are, for good. Go on?"
            click.confirm(question, abort=True)
        held_up = unlink_people(database, site, actor=COMMAND_LINE, now_us=now_us())
    click.echo(f"site {site}: the key for people is destroyed; old backups and exports with secrets hold it still")
    if held_up is not None:
        click.echo(
            f"It may lie in the database's files still: {held_up}. Run this again when the server is stopped.", err=True
        )
