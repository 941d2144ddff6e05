"""What is owed, for those who watch: how much, and for how long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, func, select

from worker.ledger import in_state
from worker.tables import OWED, SET_ASIDE, events, sites

_MICROSECONDS: Final = 1_000_000


@dataclass(frozen=True)
class Backlog:
    """Events owed, events set aside, and the age in seconds of the oldest one owed; 0 when nothing is owed."""

    owed: int
    set_aside: int
    oldest_owed_seconds: float


def backlogs(connection: Connection, *, now_us: int) -> dict[str, Backlog]:
    """What each site owes; its cost follows how much that is."""
    owed, set_aside = _counts(connection, OWED), _counts(connection, SET_ASIDE)
    return {
        site: Backlog(owed.get(site, 0), set_aside.get(site, 0), _age_seconds([oldest], now_us))
        for site, oldest in _oldest(connection).items()
    }


def oldest_owed_seconds(connection: Connection, *, now_us: int) -> float:
    """Age of the oldest event that is owed at any site; 0 without one. Costs the same however many are owed."""
    return _age_seconds(_oldest(connection).values(), now_us)


def _oldest(connection: Connection) -> dict[str, int | None]:
    """Site -> when its first owed event was received. Positions rise with receipt: no other one is read."""
    first = (
        select(events.c.received_us)
        .where(events.c.site == sites.c.site, in_state(OWED))
        .order_by(events.c.position)
        .limit(1)
        .scalar_subquery()
    )
    found = connection.execute(select(sites.c.site, first.label("received_us")).order_by(sites.c.site))
    return {row.site: row.received_us for row in found}


def _counts(connection: Connection, state: int) -> dict[str, int]:
    query = select(events.c.site, func.count().label("events")).where(in_state(state)).group_by(events.c.site)
    return {row.site: row.events for row in connection.execute(query)}


def _age_seconds(received_us: Iterable[int | None], now_us: int) -> float:
    known = [each for each in received_us if each is not None]
    return max(0, now_us - min(known)) / _MICROSECONDS if known else 0.0
