"""Published weeks that late events changed: told to the webhooks that want to know, once for each state of a week.

Held against what was published are the answers of a few reports that every event of a week shows in. Nothing is looked
at for a site whose webhooks do not ask for it.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final

import orjson
from sqlalchemy import Connection, insert, select
from sqlalchemy.exc import IntegrityError

from worker.database import Database, DatabaseUnavailable
from worker.installing import site_names
from worker.publishing import LATEST_WEEKS, WEEK_FIGURES, Published, changes_since, published_answer, weeks_published
from worker.pushes.saying import WEEK_REVISED, say, topics_wanted
from worker.reports.catalogue import REPORTS
from worker.reports.plain import json_bytes
from worker.reports.reading import Reader, instant, open_site
from worker.shopcalendar import MICROSECONDS
from worker.tables import week_revisions

log = logging.getLogger(__name__)

#: Reports that are held against what was published; tallies answer them, but for the facts that losses are explained
#: by, so that 26 weeks are read in some seconds.
COMPARED: Final = ("yield", "pierces", "rework", "losses")
#: A week is looked at so often at most, and so told at most.
REST_US: Final = 3_600 * MICROSECONDS
#: (database, site) -> (revision, when): how the site stood when this process last looked.
_looked: dict[tuple[str, str], tuple[int, int]] = {}
_UNCHANGED: Final[Mapping[str, Any]] = {}


@dataclass(frozen=True)
class _Revised:
    """A published week that is answered otherwise than it was last told, at `told_us`.

    `changes` by report; none: it is as published again.
    """

    published: Published
    number: int
    told_us: int
    digest: bytes
    changes: Mapping[str, Any]


def tell_revised(database: Database, *, now_us: int) -> list[tuple[str, str]]:
    """Tell of published weeks that changed, at most each hour; returns (site, week) of those that this call told of.

    Any number of processes may call this at once: who is first tells. Raises DatabaseUnavailable.
    """
    with database.read() as connection:
        names = [site for site in site_names(connection) if WEEK_REVISED in topics_wanted(connection, site)]
    told: list[tuple[str, str]] = []
    for site in names:
        try:
            told += [(site, week) for week in _tell_site(database, site, now_us=now_us)]
        except DatabaseUnavailable:
            raise
        except Exception:
            log.exception("published weeks of site %s cannot be looked at again", site)
    return told


def _tell_site(database: Database, site: str, *, now_us: int) -> list[str]:
    with database.read() as connection:
        reader = open_site(connection, site)
        here = (str(connection.engine.url), site)
        revision, at_us = _looked.get(here, (-1, now_us - REST_US))
        if reader.as_of.waiting or reader.revision == revision or now_us - at_us < REST_US:
            return []
        weeks = weeks_published(connection, site, limit=LATEST_WEEKS)
        found = [each for each in (_revised(reader, week) for week in weeks) if each is not None]
    # Whoever told of it: processes know nothing of when the others looked.
    ripe = [each for each in found if now_us - each.told_us >= REST_US]
    told = [each.published.week for each in ripe if _tell(database, reader, each, now_us=now_us)]
    # Only now: what could not be written, or is not ripe yet, is looked at again.
    _looked[here] = (reader.revision if len(ripe) == len(found) else -1, now_us)
    return told


def _revised(reader: Reader, published: Published) -> _Revised | None:
    changes = {}
    for name in COMPARED:
        entry = REPORTS[name]
        stored = published_answer(reader, entry, {"published": [published.week]})
        if found := changes_since(reader, entry, stored)["changes"]:
            changes[name] = found
    digest = _digest(changes)
    number, before, told_us = _last_told(reader.connection, reader.site, published.week)
    return None if digest == before else _Revised(published, number + 1, told_us, digest, changes)


def _digest(changes: Mapping[str, Any]) -> bytes:
    return blake2b(json_bytes(dict(changes)), digest_size=16).digest()


def _last_told(connection: Connection, site: str, week: str) -> tuple[int, bytes, int]:
    """(number, digest, when) of what was last told of a week; that it is as published, in 1970, while nothing was."""
    r = week_revisions.c
    query = select(r.number, r.digest, r.at_us).where(r.site == site, r.week == week).order_by(r.number.desc()).limit(1)
    row = connection.execute(query).one_or_none()
    return (0, _digest(_UNCHANGED), 0) if row is None else (row.number, bytes(row.digest), row.at_us)


def _tell(database: Database, reader: Reader, revised: _Revised, *, now_us: int) -> bool:
    """Write and push what changed; False when another process was quicker."""
    week, position = revised.published.week, reader.as_of.position
    row = {
        "site": reader.site,
        "week": week,
        "number": revised.number,
        "position": position,
        "at_us": now_us,
        "digest": revised.digest,
        "changes": json_bytes(dict(revised.changes)).decode(),
    }
    try:
        with database.write() as connection:
            connection.execute(insert(week_revisions), row)
            say(connection, reader.site, WEEK_REVISED, f"{week} {revised.number}", _told(revised, position), now_us)
    except IntegrityError:
        with database.read() as connection:
            if _last_told(connection, reader.site, week)[0] < revised.number:
                raise
        return False
    return True


def _told(revised: _Revised, position: int) -> dict[str, Any]:
    week = revised.published.week
    totals = [each for each in revised.changes.get("yield", ()) if each["part"] == "totals"]
    figures = {
        each["column"]: {"then": each["then"], "now": each["now"]} for each in totals if each["column"] in WEEK_FIGURES
    }
    told = {
        "week": week,
        "revision": revised.number,
        "published_at": instant(revised.published.published_us),
        "published_position": revised.published.position,
        "position": position,
        "figures": figures,
        "reports": [
            {"report": name, "changes": len(found), "path": f"/v1/reports/{name}?published={week}"}
            for name, found in revised.changes.items()
        ],
    }
    plain: dict[str, Any] = orjson.loads(json_bytes(told))
    return plain
