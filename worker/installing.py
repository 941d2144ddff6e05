"""A new installation and its sites."""

from __future__ import annotations

import secrets
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, bindparam, insert, select, update

from worker.administration import COMMAND_LINE, Actor, record
from worker.prepared import Lists, Prepared
from worker.tables import FOLD, installation, new_series, sites

FIRST_SITE: Final = "main"


class SiteExists(Exception):
    """A site of this id is already there."""

    def __init__(self, site: str) -> None:
        super().__init__(f"site {site!r} already exists")
        self.site = site


def install(connection: Connection, *, now_us: int) -> None:
    """Give a new installation its secret and its first site; does nothing to one that has them."""
    if connection.execute(select(installation.c.number)).first() is None:
        connection.execute(insert(installation), {"number": 1, "secret": secrets.token_bytes(32), "created_us": now_us})
    if connection.execute(select(sites.c.site)).first() is None:
        add_site(connection, FIRST_SITE, now_us=now_us)


def installation_secret(connection: Connection) -> bytes:
    """The secret by which keys are hashed."""
    return bytes(connection.execute(select(installation.c.secret)).scalar_one())


class PeopleSecret(NamedTuple):
    """What a site's people are given pseudonyms by.

    generation: how many keys were destroyed, or stayed elsewhere, before this one; revision: that of the site's counts.
    """

    key: bytes
    generation: int
    revision: int


def people_secret(connection: Connection, site: str) -> PeopleSecret:
    """By what a site's people are given pseudonyms now."""
    ((key, generation, revision),) = _people_secret(connection, {"of_site": site})
    return PeopleSecret(bytes(key), generation, revision)


def people_key(connection: Connection, site: str) -> bytes:
    """The key by which a site's people are given pseudonyms now."""
    return people_secret(connection, site).key


@Prepared
def _people_secret(_: Lists) -> Any:
    columns = (sites.c.people_key, sites.c.people_generation, sites.c.revision)
    return select(*columns).where(sites.c.site == bindparam("of_site"))


def site_names(connection: Connection) -> list[str]:
    """Every site, in order."""
    return list(connection.execute(select(sites.c.site).order_by(sites.c.site)).scalars())


def begin_new_series(connection: Connection) -> None:
    """Say that numbers of confirmations do not go on from those given before: this is a copy put in place."""
    for site in site_names(connection):
        connection.execute(update(sites).where(sites.c.site == site).values(series=new_series()))


def add_site(connection: Connection, site: str, *, now_us: int, by: Actor = COMMAND_LINE) -> None:
    """Make a site with the default settings; raises SiteExists."""
    if connection.execute(select(sites.c.site).where(sites.c.site == site)).first() is not None:
        raise SiteExists(site)
    connection.execute(
        insert(sites),
        {
            "site": site,
            "people_key": secrets.token_bytes(32),
            "created_us": now_us,
            "revision": 0,
            "counted_position": 0,
            "fold": FOLD,
        },
    )
    record(connection, site, actor=by, act="site.made", subject=site, now_us=now_us)
