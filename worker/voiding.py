"""Which events of a source a void in one step is about: those of a mistyped shift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, and_, exists, select

from worker.events import FINDING, PROOF, SITE, VOIDED
from worker.ledger import VOIDS
from worker.tables import events

#: Settings, notes and plans of proofs are no entries of a shift: each is voided by itself, at the door.
_APART: Final = (SITE, FINDING, PROOF)


@dataclass(frozen=True, slots=True)
class Target:
    """An event that may be voided."""

    id: str
    type: str
    subject: str
    time_us: int


@dataclass(frozen=True)
class Found:
    """The events of a source within a time: to void in fold order, voided before, and left out by their type."""

    targets: list[Target]
    voided: int
    left_out: int


def find(connection: Connection, site: str, source: str, *, from_us: int, to_us: int) -> Found:
    """The events that a source said of instants from `from_us` on and before `to_us`."""
    voided = exists().where(
        VOIDS.c.site == events.c.site, VOIDS.c.void_source == events.c.source, VOIDS.c.void_id == events.c.id
    )
    query = (
        select(events.c.id, events.c.type, events.c.subject, events.c.time_us, events.c.kind, voided)
        .where(events.c.site == site, events.c.source == source)
        .where(and_(events.c.time_us >= from_us, events.c.time_us < to_us))
        .order_by(events.c.time_us, events.c.id)
    )
    targets: list[Target] = []
    before = left_out = 0
    for id_, type_, subject, time_us, kind, is_voided in connection.execute(query):
        if type_ == VOIDED or kind in _APART:
            left_out += 1
        elif is_voided:
            before += 1
        else:
            targets.append(Target(id_, type_, subject, time_us))
    return Found(targets, before, left_out)


def has_source(connection: Connection, site: str, source: str) -> bool:
    """True when the source ever said anything of the site."""
    query = select(exists().where(events.c.site == site, events.c.source == source))
    return bool(connection.execute(query).scalar_one())


def sources(connection: Connection, site: str, *, limit: int) -> list[str]:
    """The first sources of a site in order, at most `limit`: each found by one look beyond the one before."""
    found: list[str] = []
    query = select(events.c.source).where(events.c.site == site).order_by(events.c.source).limit(1)
    while len(found) < limit:
        beyond = query.where(events.c.source > found[-1]) if found else query
        following = connection.execute(beyond).scalar_one_or_none()
        if following is None:
            break
        found.append(following)
    return found
