"""A demo's shop in an embedded installation, day by day: what the worker finds in it, and when."""

from __future__ import annotations

from collections.abc import Iterator, Set
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from demo.shop import Shop, make_shop
from service.settling import settle
from tests import builders
from worker.database import Database
from worker.findings import look
from worker.folding import instant_us
from worker.noticing.finding import LOOKED_FOR, PROOF, STANDING, Finding

LAST_DAY = date(2026, 3, 29)
DAY_US = 86_400_000_000
#: Kinds that say that something is wrong: that a standing changed, or a proof was decided, is no fault.
FAULTS = tuple(kind for kind in LOOKED_FOR if kind not in (STANDING, PROOF))


def shop_of(seed: int, *, without: Set[str] = frozenset(), weeks: int = 8) -> Shop:
    """The shop of a seed, up to the evening of its last day."""
    until = datetime.combine(LAST_DAY, datetime.min.time(), UTC) + timedelta(hours=20)
    return make_shop(seed, last_day=LAST_DAY, until=until, weeks=weeks, without=without)


@contextmanager
def opened(shop: Shop, folder: Path) -> Iterator[Database]:
    """An installation with the shop's settings and nothing else yet."""
    database = builders.embedded(folder)
    try:
        with database.write() as connection:
            settle(connection, builders.SITE, shop.settings, source="/keys/demo", now_us=until_us(shop))
        yield database
    finally:
        database.close()


def until_us(shop: Shop) -> int:
    return int(shop.until.timestamp()) * 1_000_000


def found_at_the_end(shop: Shop, folder: Path) -> list[Finding]:
    """What one look finds to be wrong in the whole of it."""
    with opened(shop, folder) as database:
        builders.told(database, *shop.events)
        return [one for one in look(database, builders.SITE, now_us=until_us(shop)) if one.kind in FAULTS]


def ever_found(shop: Shop, folder: Path) -> list[tuple[date, Finding]]:
    """All faults that a look on the evening of each day finds, once, with the day on which it was found first."""
    days = (shop.last_day - shop.first_day).days
    waiting = sorted(shop.events, key=lambda event: (instant_us(event["time"]), event["id"]))
    found: dict[tuple[str, ...], tuple[date, Finding]] = {}
    with opened(shop, folder) as database:
        for ago in range(days, -1, -1):
            now_us = until_us(shop) - ago * DAY_US
            told = [event for event in waiting if instant_us(event["time"]) <= now_us]
            waiting = waiting[len(told) :]
            builders.told(database, *told)
            for one in look(database, builders.SITE, now_us=now_us):
                if one.kind in FAULTS:
                    found.setdefault(one.key, (shop.last_day - timedelta(days=ago), one))
    return list(found.values())
