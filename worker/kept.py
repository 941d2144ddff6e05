"""Findings as they are kept: opened once, brought up to date, closed when they no longer hold, each on record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from urllib.parse import quote

import orjson
from sqlalchemy import ColumnElement, Connection, Table, insert, select, tuple_, update

from worker.batches import in_batches
from worker.noticing.finding import PROOF, Finding, Key, finding_id
from worker.pushes.saying import FINDING_CLOSED, FINDING_OPENED, PROOF_DECIDED, News, say_all
from worker.reports.reading import instant
from worker.sentences import forms_text, with_forms_text
from worker.tables import finding_changes, kept_findings

OPEN: Final = "open"
CLOSED: Final = "closed"
STATES: Final = (OPEN, CLOSED)
#: What happened to a finding.
OPENED: Final = "opened"
AGAIN: Final = "again"
CHANGES: Final = (OPENED, AGAIN, CLOSED)
_KEY: Final = ("code", "subject_kind", "subject", "other")
#: What is said of a finding, as it is kept.
_TOLD: Final = ("detail", "figures", "forms")


@dataclass(frozen=True)
class Kept:
    """A finding with what became of it. `closed_at` is None while it is open."""

    finding: Finding
    state: str
    opened_at: datetime
    updated_at: datetime
    closed_at: datetime | None
    times_opened: int


#: Findings written in one transaction: nobody waits long for the writer.
BATCH: Final = 500


@dataclass(frozen=True)
class _Step:
    """What is to be written of one finding; `before` is what is kept of it, None for a new one."""

    finding: Finding
    change: str | None
    before: Any

    @property
    def times_opened(self) -> int:
        """How often it was opened, this time included."""
        times = 0 if self.before is None else int(self.before.times_opened)
        return times + (self.change in (OPENED, AGAIN))

    @property
    def number(self) -> int:
        """Place of the change among those of its finding: opened and closed by turns."""
        return 2 * self.times_opened - (self.change != CLOSED)


def steps(connection: Connection, site: str, found: Iterable[Finding]) -> list[list[_Step]]:
    """What to write so that these findings are open, and none beside them: batches, by key."""
    now = {finding.key: finding for finding in found}
    k = kept_findings.c
    columns = (
        *(k[name] for name in _KEY),
        k.kind,
        k.state,
        k.detail,
        k.figures,
        k.forms,
        k.first_day,
        k.last_day,
        k.times_opened,
    )
    mine = select(*columns).where(k.site == site)
    # Of those that closed long ago only what may be opened again is read.
    before: dict[Key, Any] = {_key_of(row): row for row in connection.execute(mine.where(k.state == OPEN))}
    for some in in_batches(sorted(finding.id for key, finding in now.items() if key not in before)):
        closed = mine.where(k.id.in_(some), k.state == CLOSED)
        before |= {_key_of(row): row for row in connection.execute(closed)}
    every = [step for key in sorted(now.keys() | before.keys()) if (step := _step(now.get(key), before.get(key)))]
    return [list(some) for some in in_batches(every, BATCH)]


def _step(finding: Finding | None, before: Any) -> _Step | None:
    if finding is None:
        closing = Finding(before.kind, *_key_of(before), *_told(before))
        return _Step(closing, CLOSED, before) if before.state == OPEN else None
    if before is None:
        return _Step(finding, OPENED, None)
    if before.state == CLOSED:
        return _Step(finding, AGAIN, before)
    values = _values(finding)
    # Forms too: what an older release kept has none.
    same = all(getattr(before, name) == values[name] for name in (*_TOLD, "first_day", "last_day"))
    return None if same else _Step(finding, None, before)


def write(connection: Connection, site: str, batch: Sequence[_Step], *, now_us: int, position: int) -> None:
    """Write one batch. The caller commits."""
    opened = [
        _key(site, step.finding.key)
        | _values(step.finding)
        | {"state": OPEN, "opened_us": now_us, "updated_us": now_us, "times_opened": 1}
        for step in batch
        if step.change == OPENED
    ]
    if opened:
        connection.execute(insert(kept_findings), opened)
    for step in batch:
        if step.change == CLOSED:
            _set(connection, site, step.finding.key, state=CLOSED, closed_us=now_us)
        elif step.change == AGAIN:
            again = {"state": OPEN, "closed_us": None, "times_opened": step.times_opened, "updated_us": now_us}
            _set(connection, site, step.finding.key, **_values(step.finding), **again)
        elif step.change is None:
            # A window that moves on is no news, nor are forms of what was said before.
            same = (step.before.detail, step.before.figures) == (step.finding.detail, _text(step.finding.figures))
            news = {} if same else {"updated_us": now_us}
            _set(connection, site, step.finding.key, **_values(step.finding), **news)
    changes = [
        _key(site, step.finding.key)
        | {name: _values(step.finding)[name] for name in _TOLD}
        | {"number": step.number, "change": step.change, "at_us": now_us, "position": position}
        for step in batch
        if step.change is not None
    ]
    if changes:
        connection.execute(insert(finding_changes), changes)
    told = [_news(step, position=position) for step in batch]
    say_all(connection, site, [each for each in told if each is not None], now_us)


def _news(step: _Step, *, position: int) -> News | None:
    """What is pushed of a finding: opened, closed; of a proof how it was decided, each time otherwise."""
    finding, times = step.finding, step.times_opened
    told = {
        "finding": finding.id,
        "kind": finding.kind,
        "code": finding.code,
        "subject_kind": finding.subject_kind,
        "subject": finding.subject,
        "other": finding.other,
        "detail": finding.detail,
        "times_opened": times,
        "path": f"/v1/findings/{finding.id}",
    }
    if step.change == CLOSED:
        return News(FINDING_CLOSED, f"{finding.id} {times}", told)
    if finding.kind == PROOF and (step.change is not None or finding.figures["state"] != _decision(step.before)):
        proof = {name: finding.figures[name] for name in ("state", "trials", "good", "lower", "decided_day")}
        told |= {"proof": finding.subject, **proof, "path": f"/v1/proofs/{quote(finding.subject, safe='')}"}
        return News(PROOF_DECIDED, f"{finding.id} {times} {position}", told)
    if finding.kind != PROOF and step.change is not None:
        return News(FINDING_OPENED, f"{finding.id} {times}", told)
    return None


def _decision(before: Any) -> Any:
    return orjson.loads(before.figures).get("state")


def _key_of(row: Any) -> Key:
    return (row.code, row.subject_kind, row.subject, row.other)


def _key(site: str, key: Key) -> dict[str, Any]:
    return {"site": site} | dict(zip(_KEY, key, strict=True))


def _values(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "kind": finding.kind,
        "detail": str(finding.detail),
        "figures": _text(finding.figures),
        "forms": forms_text([finding.detail, finding.figures]),
        "first_day": None if finding.first_day is None else finding.first_day.isoformat(),
        "last_day": None if finding.last_day is None else finding.last_day.isoformat(),
    }


def _text(figures: Mapping[str, Any]) -> str:
    return orjson.dumps(figures).decode()


def _told(row: Any) -> tuple[str, dict[str, Any]]:
    """(detail, figures) as they were said: sentences again, where their forms were kept."""
    detail, figures = with_forms_text([row.detail, orjson.loads(row.figures)], row.forms)
    return detail, figures


def _set(connection: Connection, site: str, key: Key, **values: Any) -> None:
    connection.execute(update(kept_findings).where(*_mine(kept_findings, site, key)).values(**values))


def _mine(table: Table, site: str, key: Key) -> list[ColumnElement[bool]]:
    return [table.c[name] == value for name, value in _key(site, key).items()]


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


def kept_about(connection: Connection, site: str, subjects: Iterable[tuple[str, str]]) -> list[Kept]:
    """Open findings about these subjects, each given as (kind, id or name), by key."""
    k = kept_findings.c
    wanted = sorted(set(subjects))
    query = select(kept_findings).where(k.site == site, k.state == OPEN, tuple_(k.subject_kind, k.subject).in_(wanted))
    return [_kept(row) for row in connection.execute(query.order_by(*(k[name] for name in _KEY)))]


def kept_as(connection: Connection, site: str, keys: Iterable[Key]) -> dict[Key, Kept]:
    """What is kept of findings with these keys."""
    k = kept_findings.c
    wanted = sorted({finding_id(key) for key in keys})
    query = select(kept_findings).where(k.site == site, k.id.in_(wanted))
    return {one.finding.key: one for one in map(_kept, connection.execute(query))}


def by_id(connection: Connection, site: str, finding_id: str) -> Kept | None:
    """What is kept of a finding."""
    k = kept_findings.c
    row = connection.execute(select(kept_findings).where(k.site == site, k.id == finding_id)).one_or_none()
    return None if row is None else _kept(row)


def changes(connection: Connection, site: str, key: Key) -> list[dict[str, Any]]:
    """When a finding was opened, closed and opened again, with its figures of then, oldest first."""
    mine = _mine(finding_changes, site, key)
    query = select(finding_changes).where(*mine).order_by(finding_changes.c.number)
    found: list[dict[str, Any]] = []
    for row in connection.execute(query):
        detail, figures = _told(row)
        happened = {"change": row.change, "at": instant(row.at_us), "position": row.position}
        found.append(happened | {"detail": detail, "figures": figures})
    return found


def _kept(row: Any) -> Kept:
    days = [None if day is None else date.fromisoformat(day) for day in (row.first_day, row.last_day)]
    finding = Finding(row.kind, *_key_of(row), *_told(row), *days)
    return Kept(
        finding,
        row.state,
        instant(row.opened_us),
        instant(row.updated_us),
        None if row.closed_us is None else instant(row.closed_us),
        row.times_opened,
    )
