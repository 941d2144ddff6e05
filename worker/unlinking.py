"""The end of the link between people and their pseudonyms: a site's key for people is destroyed for good."""

from __future__ import annotations

import secrets
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from worker import ledger
from worker.administration import Actor, record
from worker.database import Database
from worker.installing import people_key
from worker.tables import sites

KEY_BYTES: Final = 32


def unlink(database: Database, site: str, *, actor: Actor, now_us: int, most_bytes: int | None = None) -> str | None:
    """Put a fresh random key in the place of a site's key for people, and put it on record.

    From the commit on no process gives a pseudonym by the old key. Returns None when the old key was seen to be gone
    from the database's own files too; else why not: it is not used any more, but lies there still. Copies elsewhere
    (backups, exports with secrets, a server's own log of writes) are not reached. most_bytes: a larger embedded file is
    not written anew.
    """
    with database.write() as connection:
        # What was judged by the old key before is in, or finds it gone.
        ledger.take_turn(connection, site)
        old = people_key(connection, site)
        with database.overwriting(connection):
            _replace(connection, site)
        record(connection, site, actor=actor, act="people_key.destroyed", subject=site, now_us=now_us)
    return database.erase(sites.name, old, most_bytes=most_bytes)


def _replace(connection: Connection, site: str) -> None:
    """Write all rows anew: a row that was rewritten in its place would leave older copies of itself in its page."""
    if connection.dialect.name == "postgresql":
        mine = sites.c.site == site
        fresh = {"people_key": secrets.token_bytes(KEY_BYTES), "people_generation": sites.c.people_generation + 1}
        connection.execute(sites.update().where(mine).values(fresh))
        return
    rows = [dict(row) for row in connection.execute(select(sites)).mappings()]
    for row in rows:
        if row["site"] == site:
            row |= {"people_key": secrets.token_bytes(KEY_BYTES), "people_generation": row["people_generation"] + 1}
    connection.execute(delete(sites))
    connection.execute(insert(sites), rows)
