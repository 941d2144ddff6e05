"""`cutledger key`: make, list, replace and revoke keys."""

from __future__ import annotations

import click
from rich.console import Console
from rich.table import Column, Table

from service.clock import now_us
from service.commands.opening import DATA, opened, refusal
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


@click.group()
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
