"""What the worker noticed and can prove: contradictions, new names, attempts left open, what it could not count."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import orjson
from sqlalchemy import Connection, select, tuple_

from worker.audits import last_unequal
from worker.events import ATTEMPT, SITE
from worker.reports.reading import Reader, instant
from worker.shopcalendar import MICROSECONDS
from worker.tables import LIVE, events, set_asides

NEW_NAME: Final = "new_name"
LEFT_OPEN: Final = "left_open"
SET_ASIDE: Final = "set_aside"
#: What kinds of findings there are.
KINDS: Final = ("contradiction", NEW_NAME, LEFT_OPEN, SET_ASIDE, "audit")
AUDIT_NOT_EQUAL: Final = "audit_not_equal"
OPEN_TOO_LONG_US: Final = 24 * 3600 * MICROSECONDS


class FindingCursorUnreadable(ValueError):
    """A cursor that this service did not give."""


@dataclass(frozen=True)
class Finding:
    """A finding with its figures. `key` orders findings and names them."""

    kind: str
    code: str
    subject_kind: str
    subject: str
    other: str
    detail: str
    figures: dict[str, Any]

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What makes it one finding, however often it is seen."""
        return (self.code, self.subject_kind, self.subject, self.other)

    @property
    def id(self) -> str:
        """Its key as one word."""
        return base64.urlsafe_b64encode(orjson.dumps(self.key)).decode().rstrip("=")


def _key_of(cursor: str) -> tuple[str, str, str, str]:
    try:
        parts = orjson.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError) as error:
        raise FindingCursorUnreadable(cursor) from error
    if not isinstance(parts, list) or len(parts) != 4 or not all(isinstance(part, str) for part in parts):
        raise FindingCursorUnreadable(cursor)
    return (parts[0], parts[1], parts[2], parts[3])


def findings(
    reader: Reader, *, now_us: int, kind: str | None = None, after: str | None = None, limit: int = 100
) -> tuple[list[Finding], str | None]:
    """(a page of open findings by key, cursor of the next page or None)."""
    start = ("", "", "", "") if after is None else _key_of(after)
    every = (
        *islice(_contradictions(reader.connection, reader.site, start), limit + 1),
        *_new_names(reader, now_us),
        *_left_open(reader, now_us),
        *_set_aside(reader),
        *_audit(reader),
    )
    found = sorted((one for one in every if one.key > start and kind in (None, one.kind)), key=lambda one: one.key)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def _contradictions(connection: Connection, site: str, start: tuple[str, str, str, str]) -> Iterator[Finding]:
    f = LIVE.findings.c
    key = (f.code, f.subject_kind, f.subject, f.other)
    query = (
        select(f.kind, *key, f.detail, f.figures).where(f.site == site, tuple_(*key) > tuple_(*start)).order_by(*key)
    )
    for kind, code, subject_kind, subject, other, detail, figures in connection.execute(query):
        yield Finding(kind, code, subject_kind, subject, other, detail, orjson.loads(figures))


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
                "new_name",
                NEW_NAME,
                kind,
                spelling,
                "",
                f"{kind} {spelling!r} is not in the site's aliases: list it there, under its own or another name",
                {"name": spelling},
            )


def _set_aside(reader: Reader) -> Iterator[Finding]:
    """Events that the fold could not bear."""
    s, e = set_asides.c, events.c
    query = (
        select(e.position, e.kind, e.subject, e.source, e.id, s.reason)
        .where(s.site == reader.site, e.position == s.position)
        .order_by(e.position)
    )
    for position, kind, subject, source, id_, reason in reader.connection.execute(query):
        yield Finding(
            "set_aside",
            SET_ASIDE,
            kind,
            subject,
            str(position),
            f"event {id_!r} of {source} could not be counted and was set aside: {reason}; after a fix, cutledger retry",
            {"position": position, "source": source, "id": id_, "reason": reason},
        )


def _audit(reader: Reader) -> Iterator[Finding]:
    """That the last audit found other rows than the ledger gives; the next that is equal closes it."""
    told = last_unequal(reader.connection, reader.site)
    if told is None:
        return
    tables = ", ".join(one["table"] for one in told["differences"])
    yield Finding(
        "audit",
        AUDIT_NOT_EQUAL,
        SITE,
        reader.site,
        "",
        f"the audit of {told['events']} events up to position {told['position']} found rows of {tables} that are not "
        "what the ledger says: cutledger rebuild computes them again, cutledger audit then closes this",
        {
            "audited_at": told["ended_at"].isoformat(),
            "position": told["position"],
            "events": told["events"],
            "differences": told["differences"],
        },
    )


def _left_open(reader: Reader, now_us: int) -> Iterator[Finding]:
    a = LIVE.attempts.c
    query = (
        select(a.attempt, a.started_us)
        .where(a.site == reader.site, a.state == "open", a.started_us < now_us - OPEN_TOO_LONG_US)
        .order_by(a.attempt)
    )
    for attempt, started_us in reader.connection.execute(query):
        hours = (now_us - started_us) // (3600 * MICROSECONDS)
        yield Finding(
            "left_open",
            LEFT_OPEN,
            ATTEMPT,
            attempt,
            "",
            f"it started {hours} hours ago and nothing says how it ended: post its finished event, or void its start",
            {"started_at": instant(started_us).isoformat(), "hours": hours},
        )
