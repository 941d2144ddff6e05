"""What is owed, for those who watch: how much, and for how long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, func, select

from worker import ledger
from worker.tables import events, set_asides, sites

_MICROSECONDS: Final = 1_000_000


@dataclass(frozen=True)
class Backlog:
    """Events owed, events set aside, and the age in seconds of the oldest one owed; 0 when nothing is owed."""

    owed: int
    set_aside: int
    oldest_owed_seconds: float


def backlogs(connection: Connection, *, now_us: int) -> dict[str, Backlog]:
    """What each site owes; its cost follows how much that is."""
    oldest = _oldest(connection)
    return {
        site: Backlog(owed, aside, _age_seconds([oldest[site]], now_us))
        for site, (owed, aside) in ledger.waiting_at_each(connection).items()
    }


def oldest_owed_seconds(connection: Connection, *, now_us: int) -> float:
    """Age of the oldest event that is owed at any site; 0 without one. Costs the same however many are owed."""
    return _age_seconds(_oldest(connection).values(), now_us)


def _oldest(connection: Connection) -> dict[str, int | None]:
    """Site -> when its first owed event was received. Positions rise with receipt: no other one is read."""
    owed = ledger.owed_since_appended(
        select(events.c.received_us), sites.c.site, sites.c.counted_position, dialect=connection.dialect.name
    )
    s = set_asides.c
    again = (
        select(func.min(events.c.received_us))
        .where(s.site == sites.c.site, s.is_owed == 1, events.c.position == s.position)
        .scalar_subquery()
    )
    query = select(sites.c.site, owed.limit(1).scalar_subquery().label("owed"), again.label("again")).order_by(
        sites.c.site
    )
    found = {row.site: (row.owed, row.again) for row in connection.execute(query)}
    return {site: min((each for each in both if each is not None), default=None) for site, both in found.items()}


def _age_seconds(received_us: Iterable[int | None], now_us: int) -> float:
    known = [each for each in received_us if each is not None]
    return max(0, now_us - min(known)) / _MICROSECONDS if known else 0.0
