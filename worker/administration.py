"""The record of administration: who made, changed or revoked what, and when. Numbered by site, only ever added to."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import Connection, func, insert, select

from worker.batches import in_batches
from worker.ledger import ACCEPTED, NewEvent, Verdict
from worker.tables import administration, events

#: What is recorded, each with what its subject is.
ACTS: Final[Mapping[str, str]] = {
    "key.made": "the visible id of the key",
    "key.rotated": "the visible id of the key that ends; the one that replaces it is in the details",
    "key.revoked": "the visible id of the key",
    "key.widened": "the visible id of the key, which is for one more site from then on",
    "site.made": "the site",
    "site.set": "the site; which settings, from which production day on, in the details",
    "site.unset": "the site; which change of its settings was voided, in the details",
    "audit.started": "the number of the audit",
    "events.voided": "the source whose events were voided",
    "events.imported": "the name of the file",
    "data.exported": "the name of the file",
    "data.imported": "the name of the file",
    "data.restored": "the site",
    "people_key.destroyed": "the site",
    "webhook.made": "the id of the webhook",
    "webhook.changed": "the id of the webhook",
    "webhook.paused": "the id of the webhook",
    "webhook.resumed": "the id of the webhook",
    "webhook.rotated": "the id of the webhook whose secret was replaced",
    "webhook.removed": "the id of the webhook",
    "webhook.resent": "the id of the webhook; which deliveries, in the details",
}
#: Type of the events that change settings.
SITE_SET: Final = "cutledger.site.set"
#: Class of the advisory locks under which a site's record is added to.
_RECORD_LOCK: Final = 0x4375_7442
_CURSOR: Final = "a1:"
#: Of a number that both databases can hold.
_MOST_DIGITS: Final = 9


@dataclass(frozen=True)
class Actor:
    """Who did it: the visible id of a key, and the name of its holder."""

    key_id: str
    name: str


#: Whoever may run commands on the server: no key is asked for there.
COMMAND_LINE: Final = Actor("", "command line")


@dataclass(frozen=True)
class Entry:
    """One act on record."""

    number: int
    at_us: int
    actor: Actor
    act: str
    subject: str
    details: dict[str, Any]


def record(
    connection: Connection,
    site: str,
    *,
    actor: Actor,
    act: str,
    subject: str,
    details: Mapping[str, Any] | None = None,
    now_us: int,
) -> int:
    """Record an act in the transaction that carries it out; returns its number. Raises ValueError for an unknown act.

    The numbers of a site have no gaps: so it takes the site's turn, which is given back at the end of the transaction.
    Call it last in it, and in the order of the sites where it is called for several: no two then wait for each other.
    Never give it a secret.
    """
    if act not in ACTS:
        raise ValueError(f"{act!r} is none of the acts on record: {', '.join(ACTS)}")
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(_RECORD_LOCK, func.hashtext(site))))
    a = administration.c
    number = int(connection.execute(select(func.coalesce(func.max(a.number), 0)).where(a.site == site)).scalar_one())
    connection.execute(
        insert(administration),
        {
            "site": site,
            "number": number + 1,
            "at_us": now_us,
            "actor": actor.key_id,
            "actor_name": actor.name,
            "act": act,
            "subject": subject,
            "details": orjson.dumps(dict(details or {}), option=orjson.OPT_UTC_Z).decode(),
        },
    )
    return number + 1


def record_settings(
    connection: Connection,
    site: str,
    appended: Sequence[NewEvent],
    verdicts: Sequence[Verdict],
    *,
    actor: Actor,
    now_us: int,
) -> None:
    """Record which of the events that were just appended change the site's settings, or void such a change."""
    voids: dict[tuple[str, str], str] = {}
    for event in (event for event, said in zip(appended, verdicts, strict=True) if said.status == ACCEPTED):
        if event.type == SITE_SET:
            data = orjson.loads(event.payload).get("data") or {}
            changed = sorted(name for name, value in data.items() if name != "valid_from" and value is not None)
            told = {"settings": changed, "valid_from": data.get("valid_from"), "event": event.id}
            record(connection, site, actor=actor, act="site.set", subject=site, details=told, now_us=now_us)
        elif event.void_target is not None:
            voids[event.void_target] = event.id
    e = events.c
    for some in in_batches(voids):
        query = select(e.source, e.id).where(e.site == site, e.type == SITE_SET, e.id.in_([id_ for _, id_ in some]))
        for source, id_ in connection.execute(query.order_by(e.position)):
            if (void := voids.get((source, id_))) is not None:
                told = {"event": id_, "void": void}
                record(connection, site, actor=actor, act="site.unset", subject=site, details=told, now_us=now_us)


class RecordCursorUnreadable(ValueError):
    """A cursor of the record that this service did not give."""


def entries(
    connection: Connection, site: str, *, after: str | None = None, limit: int = 100, acts: Sequence[str] = ()
) -> tuple[list[Entry], str | None]:
    """(a page of a site's record, newest first; the cursor of the next one, None on the last).

    Raises RecordCursorUnreadable.
    """
    a = administration.c
    query = select(administration).where(a.site == site).order_by(a.number.desc()).limit(limit + 1)
    if after is not None:
        query = query.where(a.number < _number_of(after))
    if acts:
        query = query.where(a.act.in_(acts))
    rows = connection.execute(query).all()
    found = [
        Entry(row.number, row.at_us, Actor(row.actor, row.actor_name), row.act, row.subject, orjson.loads(row.details))
        for row in rows[:limit]
    ]
    return found, _cursor(found[-1].number) if len(rows) > limit else None


def _cursor(number: int) -> str:
    return base64.urlsafe_b64encode(f"{_CURSOR}{number}".encode()).decode().rstrip("=")


def _number_of(cursor: str) -> int:
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
        number = int(text.removeprefix(_CURSOR)[:_MOST_DIGITS])
    except ValueError as error:
        raise RecordCursorUnreadable(cursor) from error
    if number < 1 or _cursor(number) != cursor:
        raise RecordCursorUnreadable(cursor)
    return number
