"""Audits on record: started once a site at a time, by hand or when one is due, the last one's result kept."""

from __future__ import annotations

import logging
import time
from typing import Any, Final

import orjson
from sqlalchemy import Connection, func, insert, select, update

from worker import ledger
from worker.database import Database, DatabaseUnavailable
from worker.installing import site_names
from worker.recount import Progress
from worker.reports.reading import instant
from worker.tables import audits, events, sites
from worker.tallies import Audit, audit

log = logging.getLogger(__name__)

HOUR_US: Final = 3_600_000_000
#: An audit that began so long ago and has not ended was left by a crash.
STALE_US: Final = HOUR_US
#: An audit by schedule that came to nothing is not begun again before this.
REST_US: Final = HOUR_US
#: A site is quiet when it counts nothing and heard of nothing for this long.
QUIET_US: Final = 600_000_000
#: From this share of the interval on an audit waits only for the site to be quiet; at its end it waits for nothing.
EARLIEST_SHARE: Final = 0.75
#: Class of the advisory locks under which audits of a site begin.
_AUDIT_LOCK: Final = 0x4375_7441


class AuditRunning(Exception):
    """An audit of this site has started and not ended."""

    def __init__(self, site: str) -> None:
        super().__init__(f"an audit of site {site!r} is running")
        self.site = site


def begin(connection: Connection, site: str, *, now_us: int, stale_after_us: int = STALE_US) -> int:
    """Record the start of an audit; returns its number. Raises AuditRunning, but not for one that a crash left."""
    _one_at_a_time(connection, site)
    a = audits.c
    latest = select(a.number, a.started_us, a.ended_us).where(a.site == site).order_by(a.number.desc()).limit(1)
    found = connection.execute(latest).one_or_none()
    if found is not None and found.ended_us is None and now_us - found.started_us < stale_after_us:
        raise AuditRunning(site)
    number = 1 if found is None else int(found.number) + 1
    connection.execute(insert(audits), {"site": site, "number": number, "started_us": now_us, "differences": "[]"})
    return number


def _one_at_a_time(connection: Connection, site: str) -> None:
    """Let whoever else begins an audit of the site wait for the end of this transaction."""
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(_AUDIT_LOCK, func.hashtext(site))))


def run(database: Database, site: str, number: int, *, clock: Any, progress: Progress | None = None) -> Audit:
    """Run an audit that has begun and record its result."""
    result = audit(database, site, progress)
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


def audit_when_due(
    database: Database, *, now_us: int, every_hours: float, progress: Progress | None = None
) -> list[Audit]:
    """Audit each site whose last result is `every_hours` old, somewhat sooner when the site is quiet; 0 hours: never.

    Any number of processes may call this at once: who comes first runs an audit. One that fails is closed and said in
    the log, and the other sites' go on. An exception of `progress` ends it all. Raises DatabaseUnavailable.
    """
    if every_hours <= 0:
        return []
    began = time.monotonic()

    def clock() -> int:
        return now_us + int((time.monotonic() - began) * 1_000_000)

    with database.read() as connection:
        names = site_names(connection)
        due = [site for site in names if _is_due(connection, site, now_us=now_us, every_hours=every_hours)]
    results = (_audited(database, site, clock=clock, every_hours=every_hours, progress=progress) for site in due)
    return [result for result in results if result is not None]


def _is_due(connection: Connection, site: str, *, now_us: int, every_hours: float) -> bool:
    a = audits.c
    began = select(func.max(a.started_us)).where(a.site == site)
    attempted = connection.execute(began).scalar_one()
    if attempted is not None and now_us - attempted < min(REST_US, every_hours * HOUR_US):
        return False
    told = connection.execute(began.where(a.equal.is_not(None))).scalar_one()
    if told is None:
        told = connection.execute(select(sites.c.created_us).where(sites.c.site == site)).scalar_one()
    waited = (now_us - told) / (every_hours * HOUR_US)
    return waited >= 1 or (waited >= EARLIEST_SHARE and _is_quiet(connection, site, now_us=now_us))


def _is_quiet(connection: Connection, site: str, *, now_us: int) -> bool:
    e = events.c
    newest = select(e.received_us).where(e.site == site).order_by(e.position.desc()).limit(1)
    received = connection.execute(newest).scalar_one_or_none()
    if received is not None and now_us - received < QUIET_US:
        return False
    return not ledger.owed(connection, site, limit=1)


def _audited(
    database: Database, site: str, *, clock: Any, every_hours: float, progress: Progress | None
) -> Audit | None:
    """The result of an audit that is due; None when another process was quicker, or when it failed."""
    with database.write() as connection:
        _one_at_a_time(connection, site)
        if not _is_due(connection, site, now_us=clock(), every_hours=every_hours):
            return None
        try:
            number = begin(connection, site, now_us=clock())
        except AuditRunning:
            return None
    try:
        result = run(database, site, number, clock=clock, progress=progress)
    except BaseException as error:
        _close(database, site, number, now_us=clock())
        if isinstance(error, DatabaseUnavailable) or not isinstance(error, Exception):
            raise
        log.exception("the audit of site %s by schedule did not end", site)
        return None
    if not result.equal:
        log.error("the audit of site %s is not equal; cutledger rebuild computes it again from the ledger", site)
    return result


def _close(database: Database, site: str, number: int, *, now_us: int) -> None:
    try:
        with database.write() as connection:
            give_up(connection, now_us=now_us, site=site, number=number)
    except DatabaseUnavailable as error:
        log.warning("audit %d of site %s stays open on record: %s", number, site, error)


def last_unequal(connection: Connection, site: str) -> dict[str, Any] | None:
    """The last audit of a site that told anything, when it told that what is stored is not what the ledger says."""
    a = audits.c
    newest = select(audits).where(a.site == site, a.equal.is_not(None)).order_by(a.number.desc()).limit(1)
    row = connection.execute(newest).one_or_none()
    return None if row is None or row.equal else _told(row)


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
    return {"running": running, "last": _told(row)}


def _told(row: Any) -> dict[str, Any]:
    return {
        "number": row.number,
        "started_at": instant(row.started_us),
        "ended_at": instant(row.ended_us),
        "position": row.position,
        "events": row.events,
        "equal": None if row.equal is None else bool(row.equal),
        "differences": orjson.loads(row.differences),
    }
