"""The `cutledger` command."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from service import RELEASE
from service.clock import now_us
from service.commands.backing_up import backup, restore
from service.commands.checking_health import health
from service.commands.exporting import export
from service.commands.importing import import_
from service.commands.migrating import migrate
from service.commands.opening import DATA, named_installation, opened, progress_of, refusal, sites_of
from service.commands.retrying import retry
from service.commands.serving import serve
from service.commands.unlinking import people
from service.commands.voiding import void
from service.commands.working import schedule, worker
from worker.administration import COMMAND_LINE, record
from worker.audits import begin, run
from worker.installing import add_site
from worker.keys import (
    HOUR_US,
    MOST_OVERLAP_HOURS,
    OVERLAP_HOURS,
    ROLES,
    KeyNotReplaceable,
    KeyUnknown,
    known_keys,
    new_key,
    revoke,
    rotate,
)
from worker.reports.reading import open_site
from worker.tallies import rebuild as rebuild_tallies


@click.group(context_settings={"auto_envvar_prefix": "CUTLEDGER", "help_option_names": ["-h", "--help"]})
@click.version_option(RELEASE, prog_name="cutledger")
def main() -> None:
    """Record and arithmetic for thermal cutting of thick plate.

    Without settings the data is one file in the folder named by --data or CUTLEDGER_DATA (data/ by default).
    CUTLEDGER_DATABASE_URL names a database instead, CUTLEDGER_BROKER_URL a Redis whose workers count.
    """


@main.group()
def key() -> None:
    """Make, list, replace and revoke keys."""


@key.command("new")
@DATA
@click.option("--role", "roles", multiple=True, required=True, type=click.Choice(ROLES), help="What it may do.")
@click.option("--name", required=True, help="Who holds it.")
@click.option("--site", "sites", multiple=True, default=["main"], show_default=True, help="Site that it is for.")
@click.option("--source-prefix", help="It may post only as sources that begin so.")
def key_new(
    data: str | None, roles: tuple[str, ...], name: str, sites: tuple[str, ...], source_prefix: str | None
) -> None:
    """Make a key and print it, alone, on standard output. It is shown this once."""
    with opened(data) as database, database.write() as connection:
        for site in sites:
            open_site(connection, site)
        text, _ = new_key(connection, name=name, roles=roles, sites=sites, source_prefix=source_prefix, now_us=now_us())
    click.echo(text)


@key.command("list")
@DATA
def key_list(data: str | None) -> None:
    """List keys, never their secrets."""
    from rich.console import Console
    from rich.table import Column, Table

    # Ids are copied from it: they stay whole in a narrow terminal too.
    ids = {name: Column(name, no_wrap=True, min_width=8) for name in ("id", "replaces")}
    rest = ("name", "roles", "sites", "source prefix", "made", "last used")
    table = Table(ids["id"], *rest, ids["replaces"], "state")
    with opened(data) as database, database.read() as connection:
        for one in known_keys(connection):
            state = "holds" if one.is_valid(now_us()) else "revoked" if one.revoked_at else "expired"
            made, used = (at.strftime("%Y-%m-%d %H:%M") if at else "" for at in (one.created_at, one.used_at))
            roles, sites = " ".join(one.roles), " ".join(one.sites)
            prefix, replaces = one.source_prefix or "", one.replaces or ""
            table.add_row(one.key_id, one.name, roles, sites, prefix, made, used, replaces, state)
    Console().print(table)


@key.command("rotate")
@DATA
@click.argument("key_id")
@click.option(
    "--overlap-hours",
    default=OVERLAP_HOURS,
    show_default=True,
    type=click.IntRange(0, MOST_OVERLAP_HOURS),
    help="Hours for which the old key holds beside the new one.",
)
def key_rotate(data: str | None, key_id: str, overlap_hours: int) -> None:
    """Make the key that replaces KEY_ID, and print it, alone, on standard output. It is shown this once."""
    try:
        with opened(data) as database, database.write() as connection:
            text, _ = rotate(connection, key_id, overlap_us=overlap_hours * HOUR_US, now_us=now_us())
    except (KeyUnknown, KeyNotReplaceable) as error:
        raise refusal(f"{error}; cutledger key list shows the keys") from error
    click.echo(text)


@key.command("revoke")
@DATA
@click.argument("key_id")
def key_revoke(data: str | None, key_id: str) -> None:
    """Revoke a key by its id; a running server refuses it within a second."""
    with opened(data) as database, database.write() as connection:
        if not revoke(connection, key_id, now_us=now_us()):
            raise refusal(f"there is no key {key_id!r} that still holds; cutledger key list shows them")


@main.group()
def site() -> None:
    """Make sites."""


@site.command("new")
@DATA
@click.argument("site_id")
@click.option("--zone", default="UTC", show_default=True, help="Time zone, an IANA name such as Europe/Berlin.")
@click.option("--day-start", default="06:00", show_default=True, help="Start of the production day, HH:MM.")
def site_new(data: str | None, site_id: str, zone: str, day_start: str) -> None:
    """Make a site."""
    from service.settling import SettingsWrong, checked_site_id, settle

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


@main.command()
@DATA
@click.option("--site", help="Only this site.")
def audit(data: str | None, site: str | None) -> None:
    """Recount the ledger beside the tallies and compare; exits 1 when they differ. A server may run meanwhile."""
    equal = True
    with opened(data) as database:
        for name in sites_of(database, site):
            with database.write() as connection:
                now = now_us()
                number = begin(connection, name, now_us=now)
                record(connection, name, actor=COMMAND_LINE, act="audit.started", subject=str(number), now_us=now)
            result = run(database, name, number, clock=now_us)
            equal = equal and result.equal
            said = "equal" if result.equal else "NOT equal"
            click.echo(f"site {name}: {result.events:,} counted events up to position {result.position}: {said}")
            for one in result.differences:
                click.echo(f"  {one.table}: {one.only_stored} rows only stored, {one.only_recounted} only recounted")
    if not equal:
        raise refusal("what is stored is not what the ledger says; cutledger rebuild computes it again")


@main.command()
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
    from service.server import AlreadyServed, hold

    installation = named_installation(data)
    try:
        lock = hold(installation.data) if installation.embedded else None
    except AlreadyServed as error:
        raise refusal(str(error)) from error
    with opened(data) as database:
        for name in sites_of(database, site):
            with progress_of(f"site {name}") as progress:
                count = rebuild_tallies(database, name, progress, now_us=now_us(), processes=processes)
            click.echo(f"site {name}: computed again from {count:,} events")
    if lock is not None:
        lock.close()


@main.command()
@click.option("--port", default=8750, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option("--once", is_flag=True, help="End after the report instead of serving on.")
@click.option("--seed", default=7, show_default=True, help="The shop that is played.")
@click.option(
    "--data", type=click.Path(file_okay=False), help="Folder to keep the demo in; a temporary one by default."
)
def demo(port: int, seed: int, data: str | None, *, once: bool) -> None:
    """Play eight weeks of an invented shop through the real door, and print its last week's report."""
    from service.demonstration import demonstrate

    sys.exit(demonstrate(port=port, seed=seed, data=None if data is None else Path(data), once=once))


@main.command()
@click.argument("path", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--check", is_flag=True, help="Write nothing; exit 1 when the file is not what would be written.")
def openapi(path: Path, *, check: bool) -> None:
    """Write the API document to a file."""
    from service.openapi import document_text

    text = document_text()
    if not check:
        path.write_text(text)
    elif not path.exists() or path.read_text() != text:
        raise refusal(f"{path} is not the document of this code; write it again with: make openapi")


for command in (backup, export, health, import_, migrate, people, restore, retry, schedule, serve, void, worker):
    main.add_command(command)
