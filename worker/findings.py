"""Findings, open and closed: those seen at once in what is counted, and those that were looked for; what people noted.

Contradictions, new names, attempts left open and events set aside are read as they stand at the moment of asking;
changes, lots, conditions and implausible entries as the last look found them. A look (`look`) keeps all of them, with
when each was opened and closed.
"""

from __future__ import annotations

import base64
import binascii
import logging
import time
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from typing import Any, Final

import orjson
from sqlalchemy import ColumnElement, Connection, delete, insert, select, tuple_

from worker.audits import last_unequal
from worker.database import Database, DatabaseUnavailable
from worker.events import ATTEMPT, FINDING, SITE
from worker.installing import site_names
from worker.kept import CLOSED, OPEN, Kept, by_id, changes, kept, kept_about, kept_as, steps, write
from worker.ledger import View
from worker.noticing.finding import (
    AUDIT,
    CONTRADICTION,
    KINDS,
    LEFT_OPEN,
    LOOKED_FOR,
    NEW_NAME,
    SEEN_AT_ONCE,
    SET_ASIDE,
    Finding,
    Key,
)
from worker.noticing.watch import noticed
from worker.reports.reading import Reader, instant, open_site
from worker.sentences import Sentence, sentence, with_forms_text
from worker.shopcalendar import MICROSECONDS
from worker.tables import LIVE, events, looks, set_asides, sites

log = logging.getLogger(__name__)

AUDIT_NOT_EQUAL: Final = "audit_not_equal"
OPEN_TOO_LONG_US: Final = 24 * 3600 * MICROSECONDS
ALL: Final = "all"
#: A look is not followed by the next before this, nor before so many times what it took: it leaves the rest to others.
LEAST_REST_US: Final = 5 * MICROSECONDS
REST_SHARE: Final = 20
#: While events wait to be counted a look waits too, but not longer than this.
MOST_WAIT_US: Final = 600 * MICROSECONDS
#: Without anything new a look is repeated after this: time alone leaves attempts open too long.
OLD_US: Final = 3600 * MICROSECONDS


class FindingCursorUnreadable(ValueError):
    """A cursor that this service did not give."""


@dataclass(frozen=True)
class Shown:
    """A finding as it is shown. Instants are None for what no look has kept yet."""

    finding: Finding
    state: str
    opened_at: datetime | None = None
    updated_at: datetime | None = None
    closed_at: datetime | None = None
    times_opened: int = 0
    #: Of each field that people note, what was noted last.
    noted: dict[str, Any] | None = None


@dataclass(frozen=True)
class Looked:
    """The last look: up to which event and when; None before the first."""

    position: int
    at: datetime


# --- reading ----------------------------------------------------------------------------------------------------


def findings(
    reader: Reader,
    *,
    now_us: int,
    kind: str | None = None,
    state: str = OPEN,
    after: str | None = None,
    limit: int = 100,
) -> tuple[list[Shown], str | None]:
    """(a page of findings by key, cursor of the next page or None). state: open, closed or all."""
    start = ("", "", "", "") if after is None else _key_of(after)
    kinds = KINDS if kind is None else (kind,)
    page: list[Shown] = []
    if state != CLOSED:
        page += _open(reader, now_us, start, limit + 1, kinds=kinds)
    if state != OPEN:
        page += _closed(reader, now_us, start, limit + 1, kinds=kinds)
    page.sort(key=lambda one: one.finding.key)
    shown = _with_notes(reader, page[:limit])
    return shown, _cursor(shown[-1].finding.key) if len(page) > limit else None


def finding(
    reader: Reader, finding_id: str, *, now_us: int
) -> tuple[Shown, list[dict[str, Any]], list[dict[str, Any]]]:
    """(a finding, its changes, its notes), both oldest first; raises LookupError."""
    stored = by_id(reader.connection, reader.site, finding_id)
    seen = None
    if stored is None or stored.finding.kind in SEEN_AT_ONCE:
        seen = next((one for one in _seen_at_once(reader, now_us) if one.id == finding_id), None)
    if seen is not None:
        shown = _as_seen(seen, stored)
    elif stored is not None:
        shown = _as_kept(stored)
    else:
        raise LookupError(finding_id)
    (shown,) = _with_notes(reader, [shown])
    return shown, changes(reader.connection, reader.site, shown.finding.key), _notes(reader, finding_id)


def findings_about(reader: Reader, subjects: Collection[tuple[str, str]], *, now_us: int) -> list[Shown]:
    """Open findings about any of these subjects, each given as (kind, id or name), by key."""
    about = set(subjects)
    f = LIVE.findings.c
    of_these = tuple_(f.subject_kind, f.subject).in_(sorted(about))
    seen = [
        *_contradictions(reader.connection, reader.site, ("", "", "", ""), of_these),
        *(one for one in _others_at_once(reader, now_us) if (one.subject_kind, one.subject) in about),
    ]
    stored = kept_as(reader.connection, reader.site, [one.key for one in seen])
    looked = [one for one in kept_about(reader.connection, reader.site, about) if one.finding.kind in LOOKED_FOR]
    shown = [_as_seen(one, stored.get(one.key)) for one in seen] + [_as_kept(one) for one in looked]
    return sorted(_with_notes(reader, shown), key=lambda one: one.finding.key)


def last_look(reader: Reader) -> Looked | None:
    """When the site was last looked at."""
    found = _last_look(reader.connection, reader.site)
    return None if found is None else Looked(found.position, instant(found.began_us))


def _cursor(key: Key) -> str:
    return base64.urlsafe_b64encode(orjson.dumps(key)).decode().rstrip("=")


def _key_of(cursor: str) -> Key:
    try:
        parts = orjson.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError) as error:
        raise FindingCursorUnreadable(cursor) from error
    # No database takes a NUL, and no name has one.
    if (
        not isinstance(parts, list)
        or len(parts) != 4
        or not all(isinstance(part, str) and "\0" not in part for part in parts)
    ):
        raise FindingCursorUnreadable(cursor)
    return (parts[0], parts[1], parts[2], parts[3])


def _open(reader: Reader, now_us: int, start: Key, limit: int, *, kinds: Sequence[str]) -> list[Shown]:
    """Open ones beyond a key; at least the first `limit` of them are there."""
    contradictions = _contradictions(reader.connection, reader.site, start) if CONTRADICTION in kinds else iter(())
    found = [
        *islice(contradictions, limit),
        *(one for one in _others_at_once(reader, now_us) if one.key > start and one.kind in kinds),
    ]
    stored = kept_as(reader.connection, reader.site, [one.key for one in found])
    looked_for = [kind for kind in kinds if kind in LOOKED_FOR]
    looked = kept(reader.connection, reader.site, kinds=looked_for, states=(OPEN,), after=start, limit=limit)
    return [_as_seen(one, stored.get(one.key)) for one in found] + [_as_kept(one) for one in looked]


def _closed(reader: Reader, now_us: int, start: Key, limit: int, *, kinds: Sequence[str]) -> list[Shown]:
    """Closed ones; one that is seen at once and open again is not among them, nor one that only a look will close."""
    of_looks = [one for one in kinds if one in LOOKED_FOR]
    at_once = [one for one in kinds if one in SEEN_AT_ONCE]
    closed = kept(reader.connection, reader.site, kinds=of_looks, states=(CLOSED,), after=start, limit=limit)
    if at_once:
        seen = {one.key for one in _seen_at_once(reader, now_us)}
        stored = kept(reader.connection, reader.site, kinds=at_once, states=(OPEN, CLOSED), after=start)
        closed += [one for one in stored if one.finding.key not in seen]
    return [replace(_as_kept(one), state=CLOSED) for one in closed]


def _as_seen(seen: Finding, stored: Kept | None) -> Shown:
    if stored is None or stored.state == CLOSED:
        return Shown(seen, OPEN, times_opened=0 if stored is None else stored.times_opened)
    return replace(_as_kept(stored), finding=seen)


def _as_kept(stored: Kept) -> Shown:
    return Shown(
        stored.finding, stored.state, stored.opened_at, stored.updated_at, stored.closed_at, stored.times_opened
    )


# --- what people noted ------------------------------------------------------------------------------------------

NOTED_FIELDS: Final = ("owner", "due", "action", "worked", "note")


def _with_notes(reader: Reader, shown: Sequence[Shown]) -> list[Shown]:
    told = View(reader.connection, reader.site).of_subjects(FINDING, [one.finding.id for one in shown])
    return [replace(one, noted=_last_of_each(told[one.finding.id])) for one in shown]


def _last_of_each(notes: Sequence[Any]) -> dict[str, Any]:
    last: dict[str, Any] = dict.fromkeys(NOTED_FIELDS)
    for event in sorted(notes):
        last |= {name: value for name, value in event.data.items() if name in last and value is not None}
    return last


def _notes(reader: Reader, finding_id: str) -> list[dict[str, Any]]:
    told = View(reader.connection, reader.site).of_subjects(FINDING, [finding_id])[finding_id]
    return [
        {"at": instant(event.time_us), "source": event.source, "id": event.id}
        | {name: event.data.get(name) for name in NOTED_FIELDS}
        for event in sorted(told)
    ]


# --- looking ----------------------------------------------------------------------------------------------------


def look_when_due(database: Database, *, now_us: int) -> list[str]:
    """Look at each site at which something changed since the last look; returns the sites looked at.

    Any number of processes may call this at once. A site that fails is said in the log and holds up no other. Raises
    DatabaseUnavailable.
    """
    with database.read() as connection:
        names = site_names(connection)
    looked: list[str] = []
    for site in names:
        try:
            with database.read() as connection:
                if not _is_due(connection, site, now_us):
                    continue
            look(database, site, now_us=now_us)
            looked.append(site)
        except DatabaseUnavailable:
            raise
        except Exception:
            log.exception("site %s cannot be looked at for findings", site)
    return looked


def _is_due(connection: Connection, site: str, now_us: int) -> bool:
    last = _last_look(connection, site)
    reader = open_site(connection, site)
    if last is None:
        return reader.revision > 0 and not reader.as_of.waiting
    since = now_us - last.began_us
    if since < max(LEAST_REST_US, REST_SHARE * last.took_us) or (reader.as_of.waiting and since < MOST_WAIT_US):
        return False
    changed = (reader.revision, reader.today(now_us).isoformat()) != (last.revision, last.day)
    return changed or bool(since >= OLD_US)


def look(database: Database, site: str, *, now_us: int) -> list[Finding]:
    """Look for findings in what is counted now and keep what is found; returns it, by key.

    What it finds is a function of the counted events and of now. A look that ends after a later one changes nothing.
    """
    began = time.monotonic()
    with database.read() as connection:
        reader = open_site(connection, site)
        found = sorted([*_seen_at_once(reader, now_us), *noticed(reader, now_us=now_us)], key=lambda one: one.key)
        day = reader.today(now_us).isoformat()
        batches = steps(connection, site, found)
    for batch in batches:
        with database.write() as connection:
            if _is_overtaken(connection, site, reader.revision, now_us):
                return found
            write(connection, site, batch, now_us=now_us, position=reader.as_of.position)
    row = {
        "revision": reader.revision,
        "position": reader.as_of.position,
        "day": day,
        "began_us": now_us,
        "took_us": int((time.monotonic() - began) * MICROSECONDS),
    }
    with database.write() as connection:
        if not _is_overtaken(connection, site, reader.revision, now_us):
            connection.execute(delete(looks).where(looks.c.site == site))
            connection.execute(insert(looks), {"site": site} | row)
    return found


def _is_overtaken(connection: Connection, site: str, revision: int, began_us: int) -> bool:
    """True when a later look has ended. Takes the site's row, so that one look at a time writes."""
    connection.execute(select(sites.c.revision).where(sites.c.site == site).with_for_update())
    last = _last_look(connection, site)
    return last is not None and (last.revision, last.began_us) > (revision, began_us)


def _last_look(connection: Connection, site: str) -> Any:
    return connection.execute(select(looks).where(looks.c.site == site)).one_or_none()


# --- what is seen at once ---------------------------------------------------------------------------------------


def _seen_at_once(reader: Reader, now_us: int) -> Iterator[Finding]:
    yield from _contradictions(reader.connection, reader.site, ("", "", "", ""))
    yield from _others_at_once(reader, now_us)


def _others_at_once(reader: Reader, now_us: int) -> Iterator[Finding]:
    yield from _new_names(reader, now_us)
    yield from _left_open(reader, now_us)
    yield from _set_aside(reader)
    yield from _audit(reader)


def _contradictions(connection: Connection, site: str, start: Key, *only: ColumnElement[bool]) -> Iterator[Finding]:
    f = LIVE.findings.c
    key = (f.code, f.subject_kind, f.subject, f.other)
    query = (
        select(f.kind, *key, f.detail, f.figures, f.forms)
        .where(f.site == site, tuple_(*key) > tuple_(*start), *only)
        .order_by(*key)
    )
    for kind, code, subject_kind, subject, other, detail, figures, forms in connection.execute(query):
        said = with_forms_text(detail, forms)
        yield Finding(kind, code, subject_kind, subject, other, said, orjson.loads(figures))


def _new_names(reader: Reader, now_us: int) -> Iterator[Finding]:
    """Names that the site's settings do not list: the same thing under two names would be two."""
    n = LIVE.names.c
    query = select(n.kind, n.name_key, n.spelling).where(n.site == reader.site).order_by(n.kind, n.name_key)
    settings = reader.calendar.place(now_us).settings
    seen: set[tuple[str, str]] = set()
    for kind, key, written in reader.connection.execute(query):
        # A recipe is mapped by its name, for all its revisions.
        bare, spelling = (text.split(" / ")[0] if kind == "recipe" else text for text in (key, written))
        if settings.canonical_name(kind, bare) is None and (kind, bare) not in seen:
            seen.add((kind, bare))
            yield Finding(
                NEW_NAME,
                NEW_NAME,
                kind,
                spelling,
                "",
                _unlisted(kind, repr(spelling)),
                {"name": spelling},
            )


def _unlisted(kind: str, name: str) -> Sentence:
    if kind == "material":
        return sentence(
            "material %(name)s is not in the site's aliases: list it there, under its own or another name", name=name
        )
    if kind == "machine":
        return sentence(
            "machine %(name)s is not in the site's aliases: list it there, under its own or another name", name=name
        )
    return sentence(
        "recipe %(name)s is not in the site's aliases: list it there, under its own or another name", name=name
    )


def _set_aside(reader: Reader) -> Iterator[Finding]:
    """Events that the fold could not bear."""
    s, e = set_asides.c, events.c
    query = (
        select(e.position, e.kind, e.subject, e.source, e.id, s.reason)
        .where(s.site == reader.site, s.is_owed == 0, e.position == s.position)
        .order_by(e.position)
    )
    for position, kind, subject, source, id_, reason in reader.connection.execute(query):
        yield Finding(
            SET_ASIDE,
            SET_ASIDE,
            kind,
            subject,
            str(position),
            sentence(
                "event %(id)s of %(source)s could not be counted and was set aside: %(reason)s; after a fix, "
                "cutledger retry",
                id=repr(id_), source=source, reason=reason,
            ),
            {"position": position, "source": source, "id": id_, "reason": reason},
        )  # fmt: skip


def _audit(reader: Reader) -> Iterator[Finding]:
    """That the last audit found other rows than the ledger gives; the next that is equal closes it."""
    told = last_unequal(reader.connection, reader.site)
    if told is None:
        return
    tables = ", ".join(one["table"] for one in told["differences"])
    yield Finding(
        AUDIT,
        AUDIT_NOT_EQUAL,
        SITE,
        reader.site,
        "",
        sentence(
            "the audit of %(events)s events up to position %(position)s found rows of %(tables)s that are not what the "
            "ledger says: cutledger rebuild computes them again, cutledger audit then closes this",
            events=told["events"], position=told["position"], tables=tables,
        ),
        {
            "audited_at": told["ended_at"].isoformat(),
            "position": told["position"],
            "events": told["events"],
            "differences": told["differences"],
        },
    )  # fmt: skip


def _left_open(reader: Reader, now_us: int) -> Iterator[Finding]:
    a = LIVE.attempts.c
    query = (
        select(a.attempt, a.started_us)
        .where(a.site == reader.site, a.state == "open", a.started_us < now_us - OPEN_TOO_LONG_US)
        .order_by(a.attempt)
    )
    for attempt, started_us in reader.connection.execute(query):
        started_at = instant(started_us).isoformat()
        yield Finding(
            LEFT_OPEN,
            LEFT_OPEN,
            ATTEMPT,
            attempt,
            "",
            sentence(
                "it started at %(started_at)s and nothing says how it ended: post its finished event, or void its "
                "start",
                started_at=started_at,
            ),
            {"started_at": started_at},
        )
