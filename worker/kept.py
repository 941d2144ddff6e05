"""Findings as they are kept: opened once, brought up to date, closed when they no longer hold, each on record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import orjson
from sqlalchemy import Connection, func, insert, select, tuple_, update

from worker.noticing.finding import Finding, Key
from worker.reports.reading import instant
from worker.tables import finding_changes, kept_findings

OPEN: Final = "open"
CLOSED: Final = "closed"
STATES: Final = (OPEN, CLOSED)
#: What happened to a finding.
OPENED: Final = "opened"
AGAIN: Final = "again"
CHANGES: Final = (OPENED, AGAIN, CLOSED)
_KEY: Final = ("code", "subject_kind", "subject", "other")


@dataclass(frozen=True)
class Kept:
    """A finding with what became of it. `closed_at` is None while it is open."""

    finding: Finding
    state: str
    opened_at: datetime
    updated_at: datetime
    closed_at: datetime | None
    times_opened: int


def bring_up_to_date(
    connection: Connection, site: str, found: Iterable[Finding], *, now_us: int, position: int
) -> None:
    """Keep these findings open, and none beside them. The caller commits, and lets one at a time do it."""
    now = {finding.key: finding for finding in found}
    k = kept_findings.c
    query = select(*(k[name] for name in _KEY), k.state, k.detail, k.figures, k.times_opened).where(k.site == site)
    before: dict[Key, Any] = {(row[0], row[1], row[2], row[3]): row for row in connection.execute(query)}
    new = [finding for key, finding in sorted(now.items()) if key not in before]
    if new:
        opened = {"state": OPEN, "opened_us": now_us, "times_opened": 1}
        rows = [_key(site, finding.key) | _values(finding, now_us) | opened for finding in new]
        connection.execute(insert(kept_findings), rows)
    record = [(OPENED, finding) for finding in new]
    for key, row in sorted(before.items()):
        finding = now.get(key)
        if finding is None:
            if row.state == OPEN:
                _set(connection, site, key, state=CLOSED, closed_us=now_us)
                record.append((CLOSED, Finding("", *key, row.detail, orjson.loads(row.figures))))
        elif row.state == CLOSED:
            again = {"state": OPEN, "closed_us": None, "times_opened": row.times_opened + 1}
            _set(connection, site, key, **_values(finding, now_us), **again)
            record.append((AGAIN, finding))
        elif (row.detail, row.figures) != (finding.detail, _text(finding.figures)):
            _set(connection, site, key, **_values(finding, now_us))
    _record(connection, site, record, now_us=now_us, position=position)


def _key(site: str, key: Key) -> dict[str, Any]:
    return {"site": site} | dict(zip(_KEY, key, strict=True))


def _values(finding: Finding, now_us: int) -> dict[str, Any]:
    return {
        "id": finding.id,
        "kind": finding.kind,
        "detail": finding.detail,
        "figures": _text(finding.figures),
        "first_day": None if finding.first_day is None else finding.first_day.isoformat(),
        "last_day": None if finding.last_day is None else finding.last_day.isoformat(),
        "updated_us": now_us,
    }


def _text(figures: Mapping[str, Any]) -> str:
    return orjson.dumps(figures).decode()


def _set(connection: Connection, site: str, key: Key, **values: Any) -> None:
    k = kept_findings.c
    where = (k.site == site, *(k[name] == value for name, value in zip(_KEY, key, strict=True)))
    connection.execute(update(kept_findings).where(*where).values(**values))


def _record(
    connection: Connection, site: str, changes: Sequence[tuple[str, Finding]], *, now_us: int, position: int
) -> None:
    c = finding_changes.c
    for change, finding in changes:
        mine = (c.site == site, *(c[name] == value for name, value in zip(_KEY, finding.key, strict=True)))
        number = connection.execute(select(func.coalesce(func.max(c.number), 0)).where(*mine)).scalar_one() + 1
        row = {
            **_key(site, finding.key),
            "number": number,
            "change": change,
            "at_us": now_us,
            "position": position,
            "detail": finding.detail,
            "figures": _text(finding.figures),
        }
        connection.execute(insert(finding_changes), row)


# --- reading ----------------------------------------------------------------------------------------------------


def kept(
    connection: Connection,
    site: str,
    *,
    kinds: Sequence[str],
    states: Sequence[str],
    after: Key = ("", "", "", ""),
    limit: int | None = None,
) -> list[Kept]:
    """Kept findings of these kinds and states beyond a key, by key."""
    k = kept_findings.c
    key = tuple(k[name] for name in _KEY)
    query = (
        select(kept_findings)
        .where(k.site == site, k.kind.in_(kinds), k.state.in_(states), tuple_(*key) > tuple_(*after))
        .order_by(*key)
    )
    return [_kept(row) for row in connection.execute(query if limit is None else query.limit(limit))]


def kept_as(connection: Connection, site: str, keys: Iterable[Key]) -> dict[Key, Kept]:
    """What is kept of findings with these keys."""
    k = kept_findings.c
    wanted = sorted({Finding("", *key, "", {}).id for key in keys})
    query = select(kept_findings).where(k.site == site, k.id.in_(wanted))
    return {one.finding.key: one for one in map(_kept, connection.execute(query))}


def by_id(connection: Connection, site: str, finding_id: str) -> Kept | None:
    """What is kept of a finding."""
    k = kept_findings.c
    row = connection.execute(select(kept_findings).where(k.site == site, k.id == finding_id)).one_or_none()
    return None if row is None else _kept(row)


def changes(connection: Connection, site: str, key: Key) -> list[dict[str, Any]]:
    """When a finding was opened, closed and opened again, with its figures of then, oldest first."""
    c = finding_changes.c
    mine = (c.site == site, *(c[name] == value for name, value in zip(_KEY, key, strict=True)))
    query = select(finding_changes).where(*mine).order_by(c.number)
    return [
        {
            "change": row.change,
            "at": instant(row.at_us),
            "position": row.position,
            "detail": row.detail,
            "figures": orjson.loads(row.figures),
        }
        for row in connection.execute(query)
    ]


def _kept(row: Any) -> Kept:
    days = [None if day is None else date.fromisoformat(day) for day in (row.first_day, row.last_day)]
    finding = Finding(
        row.kind, row.code, row.subject_kind, row.subject, row.other, row.detail, orjson.loads(row.figures), *days
    )
    return Kept(
        finding,
        row.state,
        instant(row.opened_us),
        instant(row.updated_us),
        None if row.closed_us is None else instant(row.closed_us),
        row.times_opened,
    )
