"""What people did about the figures, read off the ledger: releases, holds, trials, checks of machines.

They are few in a long ledger, so nothing is derived of them: whoever asks folds them anew, in fold order, voided ones
left out. Each kind has an index of its own.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, and_, exists, literal_column, select

from worker.events import CHECKED, HOLD, RECIPE, TRIAL
from worker.ledger import VOIDS, counted_position, is_set_aside
from worker.records import Event, stored_data
from worker.tables import events

#: Kinds of subjects of which `acts` reads.
KINDS: Final = (RECIPE, HOLD, TRIAL)


class Act(NamedTuple):
    """An event, when it was received, and where it stands in the ledger. Acts sort in fold order."""

    event: Event
    received_us: int
    position: int


def acts(
    connection: Connection, site: str, kind: str, *, upto: int, subject: str | None = None, with_owed: bool = False
) -> list[Act]:
    """Events about subjects of one of KINDS that are not voided, in fold order.

    upto: counted ones up to this position; `with_owed`: all that are in the ledger, so that an act is there as soon as
    it was taken. subject: about this one alone.
    """
    if kind not in KINDS:
        raise ValueError(kind)
    # The kind is written out, else its index could not be taken.
    which = events.c.kind == literal_column(f"'{kind}'")
    return _read(connection, site, which, upto=upto, subject=subject, with_owed=with_owed)


def checks(
    connection: Connection, site: str, *, upto: int, machine: str | None = None, since_us: int | None = None,
    with_owed: bool = False,
) -> list[Act]:  # fmt: skip
    """Checks of machines that are not voided, in fold order; machine: as its events name it; since_us: not earlier."""
    which = events.c.type == literal_column(f"'{CHECKED}'")
    if since_us is not None:
        which = and_(which, events.c.time_us >= since_us)
    return _read(connection, site, which, upto=upto, subject=machine, with_owed=with_owed)


def standing(site: str, *, upto: int, with_owed: bool) -> tuple[ColumnElement[bool], ...]:
    """Conditions under which an event of a site is read, as `acts` says, and no other that is read voids it."""

    def is_read(table: Any) -> ColumnElement[bool]:
        columns = table.c
        mine = columns.site == site
        if with_owed:
            return and_(mine, ~is_set_aside(table, is_owed=False))
        # A sum, lest SQLite takes the index of all positions for as good as that of the few acts.
        at = columns.position + 0
        return and_(mine, at <= upto, at <= counted_position(site), ~is_set_aside(table))

    e, v = events.c, VOIDS.c
    return is_read(events), ~exists().where(is_read(VOIDS), v.void_source == e.source, v.void_id == e.id)


def _read(
    connection: Connection, site: str, which: ColumnElement[bool], *, upto: int, subject: str | None, with_owed: bool
) -> list[Act]:
    e = events.c
    query = select(e.time_us, e.source, e.id, e.type, e.subject, e.payload, e.received_us, e.position)
    query = query.where(which, *standing(site, upto=upto, with_owed=with_owed)).order_by(e.time_us, e.source, e.id)
    if subject is not None:
        query = query.where(e.subject == subject)
    return [
        Act(Event(*row[:5], stored_data(row.payload)), row.received_us, row.position)
        for row in connection.execute(query)
    ]
