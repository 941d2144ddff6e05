"""Writes a ledger in its portable form, from one snapshot, a piece at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import sha256
from typing import Final

from sqlalchemy import Connection, func, select, text

from worker import portable
from worker.portable import Counts
from worker.tables import events, sites

#: Rows that are in memory at once.
_PIECE: Final = 1_000


def count_events(connection: Connection, names: Sequence[str]) -> int:
    """How many events sites have."""
    query = select(func.count()).select_from(events).where(events.c.site.in_(names))
    return int(connection.execute(query).scalar_one())


def write(
    connection: Connection,
    names: Sequence[str],
    sink: Callable[[bytes], object],
    *,
    release: str,
    people_keys: bool,
    progress: Callable[[int], object] = lambda count: None,
) -> Counts:
    """Give the lines of these sites to `sink`, from the snapshot that the connection reads.

    Events that were set aside are events like all others. `progress` is told how many more events are written.
    """
    if connection.dialect.name == "postgresql":
        # A slow disk or pipe at the other end must not look like a process that hangs.
        connection.execute(text("SET LOCAL idle_in_transaction_session_timeout = 0"))
    digest, written = sha256(), 0

    def put(line: bytes) -> None:
        digest.update(line)
        sink(line)

    put(portable.header_line(release, people_keys=people_keys))
    for name in names:
        put(portable.site_line(_site(connection, name, people_keys=people_keys)))
        query = select(events.c.payload, events.c.received_us, events.c.content_hash).where(events.c.site == name)
        rows = connection.execution_options(stream_results=True, yield_per=_PIECE).execute(
            query.order_by(events.c.position)
        )
        for piece in rows.partitions():
            for payload, received_us, content_hash in piece:
                put(portable.event_line(payload, received_us=received_us, content_hash=content_hash))
            written += len(piece)
            progress(len(piece))
    counts = Counts(len(names), written)
    sink(portable.closing_line(counts, digest.hexdigest()))
    return counts


def _site(connection: Connection, name: str, *, people_keys: bool) -> portable.Site:
    columns = (sites.c.created_us, sites.c.people_key, sites.c.people_generation)
    row = connection.execute(select(*columns).where(sites.c.site == name)).one()
    if not people_keys:
        return portable.Site(name, row.created_us, None)
    return portable.Site(name, row.created_us, bytes(row.people_key), row.people_generation)
