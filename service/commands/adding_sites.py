"""`cutledger site`: make sites."""

from __future__ import annotations

import click

from service.clock import now_us
from service.commands.opening import DATA, opened, refusal
from service.settling import SettingsWrong, checked_site_id, settle
from worker.installing import add_site


@click.group()
def site() -> None:
    """Make sites."""


@site.command("new")
@DATA
@click.argument("site_id")
@click.option("--zone", default="UTC", show_default=True, help="Time zone, an IANA name such as Europe/Berlin.")
@click.option("--day-start", default="06:00", show_default=True, help="Start of the production day, HH:MM.")
def site_new(data: str | None, site_id: str, zone: str, day_start: str) -> None:
    """Make a site."""
    with opened(data) as database, database.write() as connection:
        try:
            checked_site_id(site_id)
            add_site(connection, site_id, now_us=now_us())
            settle(
                connection,
                site_id,
                {"zone": zone, "day_start": day_start},
                source="/keys/command-line",
                now_us=now_us(),
            )
        except SettingsWrong as error:
            raise refusal(str(error)) from error
