"""Audits on record: started once a site at a time, the last one's result kept."""

from __future__ import annotations

from typing import Any

import orjson
from sqlalchemy import Connection, func, insert, select, update

from worker.database import Database
from worker.reports.reading import instant
from worker.tables import audits
from worker.tallies import Audit, audit


class AuditRunning(Exception):
    """An audit of this site has started and not ended."""

    def __init__(self, site: str) -> None:
        super().__init__(f"an audit of site {site!r} is running")
        self.site = site


def begin(connection: Connection, site: str, *, now_us: int, stale_after_us: int = 3_600_000_000) -> int:
    """Record the start of an audit; returns its number. Raises AuditRunning, but not for one that a crash left."""
    a = audits.c
    latest = select(a.number, a.started_us, a.ended_us).where(a.site == site).order_by(a.number.desc()).limit(1)
    found = connection.execute(latest).one_or_none()
    if found is not None and found.ended_us is None and now_us - found.started_us < stale_after_us:
        raise AuditRunning(site)
    number = 1 if found is None else int(found.number) + 1
    connection.execute(insert(audits), {"site": site, "number": number, "started_us": now_us, "differences": "[]"})
    return number


def run(database: Database, site: str, number: int, *, clock: Any) -> Audit:
    """Run an audit that has begun and record its result."""
    result = audit(database, site)
    differences = [
        {"table": one.table, "only_stored": one.only_stored, "only_recounted": one.only_recounted}
        for one in result.differences
    ]
    with database.write() as connection:
        connection.execute(
            update(audits)
            .where(audits.c.site == site, audits.c.number == number)
            .values(
                ended_us=clock(),
                position=result.position,
                events=result.events,
                equal=int(result.equal),
                differences=orjson.dumps(differences).decode(),
            )
        )
    return result


def give_up(connection: Connection, *, now_us: int, site: str | None = None, number: int | None = None) -> None:
    """Close audits that began and will not end: this one, or all that a process left behind when it died."""
    ended = update(audits).where(audits.c.ended_us.is_(None)).values(ended_us=now_us)
    if site is not None:
        ended = ended.where(audits.c.site == site, audits.c.number == number)
    connection.execute(ended)


def last(connection: Connection, site: str) -> dict[str, Any] | None:
    """The last audit of a site that ended, and whether one is running; None when none ever began.

    `equal` is None for one that was given up.
    """
    a = audits.c
    newest = connection.execute(select(func.max(a.number)).where(a.site == site)).scalar_one()
    if newest is None:
        return None
    ended = select(audits).where(a.site == site, a.ended_us.is_not(None)).order_by(a.number.desc()).limit(1)
    row = connection.execute(ended).one_or_none()
    running = connection.execute(select(a.ended_us).where(a.site == site, a.number == newest)).scalar_one() is None
    if row is None:
        return {"running": running, "last": None}
    return {
        "running": running,
        "last": {
            "number": row.number,
            "started_at": instant(row.started_us),
            "ended_at": instant(row.ended_us),
            "position": row.position,
            "events": row.events,
            "equal": None if row.equal is None else bool(row.equal),
            "differences": orjson.loads(row.differences),
        },
    }
