"""The ledger: append, once per (source, id); what is owed; read. The truth from which all else is computed.

An event is owed from its append until the transaction that counts it; the mark stands on the event itself.
"""

from __future__ import annotations

import base64
import binascii
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import orjson
from sqlalchemy import (
    ARRAY,
    Connection,
    Select,
    Text,
    and_,
    bindparam,
    delete,
    exists,
    func,
    insert,
    literal_column,
    select,
    true,
    update,
)
from sqlalchemy.sql.elements import ColumnElement

from worker.batches import in_batches
from worker.events import EVENT_TYPES, VOIDED
from worker.records import Event, by_value
from worker.tables import COUNTED, OWED, SET_ASIDE, events, set_asides, sites

#: Class of the advisory locks under which a site is appended to.
_APPEND_LOCK: Final = 0x43757431
#: The ledger beside itself: voids of the events at hand. Made once; making an alias costs more than most statements.
VOIDS: Final = events.alias("voids")

ACCEPTED: Final = "accepted"
DUPLICATE: Final = "duplicate"
CONFLICT: Final = "conflict"
REFUSED: Final = "refused"


class NewEvent(Protocol):
    """A validated event on its way into the ledger."""

    @property
    def source(self) -> str: ...  # noqa: D102
    @property
    def id(self) -> str: ...  # noqa: D102
    @property
    def type(self) -> str: ...  # noqa: D102
    @property
    def subject(self) -> str: ...  # noqa: D102
    @property
    def time_us(self) -> int: ...  # noqa: D102
    @property
    def payload(self) -> bytes: ...  # noqa: D102
    @property
    def content_hash(self) -> bytes: ...  # noqa: D102
    @property
    def void_target(self) -> tuple[str, str] | None: ...  # noqa: D102


@dataclass(frozen=True)
class Verdict:
    """The ledger's answer to one event: accepted, duplicate, conflict or refused (with the reason)."""

    status: str
    position: int | None = None
    reason: str = ""
    #: The field that the reason is about, as an RFC 6901 pointer within the event.
    pointer: str = ""


@dataclass(frozen=True)
class _Stored:
    position: int
    type: str
    subject: str
    content_hash: bytes


@dataclass
class _Known:
    """What the ledger holds, and what this batch has accepted so far, under (source, id)."""

    stored: dict[tuple[str, str], _Stored] = field(default_factory=dict)
    batch: dict[tuple[str, str], NewEvent] = field(default_factory=dict)

    def of(self, key: tuple[str, str]) -> tuple[str, str, bytes] | None:
        """(type, subject, content hash) of a known event."""
        if (new := self.batch.get(key)) is not None:
            return new.type, new.subject, new.content_hash
        if (old := self.stored.get(key)) is not None:
            return old.type, old.subject, old.content_hash
        return None


def append(
    connection: Connection,
    site: str,
    new: Sequence[NewEvent],
    *,
    received_us: int | Sequence[int],
    unvoidable: Sequence[str] = (),
) -> list[Verdict]:
    """Append events in their order, and owe their computation; answers each.

    `received_us`: when all of them were received, or when each was, for those that were received elsewhere before.

    The first content of a (source, id) stays, within a batch the earlier item. A void is refused when its target is
    known and is itself a void, has another subject, or is of a type in `unvoidable`.

    The caller commits: only then is an answer a promise.
    """
    take_turn(connection, site)
    known = _Known(_stored(connection, site, new))
    verdicts: list[Verdict | None] = []
    accepted: list[tuple[NewEvent, int]] = []
    for event, event_received_us in zip(new, _each(received_us, len(new)), strict=True):
        key = (event.source, event.id)
        verdict = _judged_before(known, key, event) or _refused_void(known, event, unvoidable)
        verdicts.append(verdict)
        if verdict is None:
            known.batch[key] = event
            accepted.append((event, event_received_us))
    positions = _insert(connection, site, accepted)
    answers: list[Verdict] = []
    for event, verdict in zip(new, verdicts, strict=True):
        position = positions.get((event.source, event.id))
        if verdict is None:
            answers.append(Verdict(ACCEPTED, position))
        else:
            old = known.stored.get((event.source, event.id))
            at = old.position if old else position
            answers.append(verdict if verdict.status == REFUSED else Verdict(verdict.status, at, verdict.reason))
    return answers


def take_turn(connection: Connection, site: str) -> None:
    """Let appends to a site commit in the order of their positions, also where several writers work at once.

    Then whoever reads all after a position misses nothing, and no two appends take the same event for new. The turn
    lasts until the transaction ends: whoever takes it before they read appends to what they read. SQLite has one writer
    anyway.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(_APPEND_LOCK, func.hashtext(site))))


def _judged_before(known: _Known, key: tuple[str, str], event: NewEvent) -> Verdict | None:
    held = known.of(key)
    if held is None:
        return None
    if held[2] == event.content_hash:
        return Verdict(DUPLICATE)
    return Verdict(
        CONFLICT,
        reason="this source and id already hold another content, which stays; to correct it, void that event and send "
        "the right one under a new id",
    )


def _refused_void(known: _Known, event: NewEvent, unvoidable: Sequence[str]) -> Verdict | None:
    if event.void_target is None or (target := known.of(event.void_target)) is None:
        return None
    kind, subject, _ = target
    if kind == VOIDED:
        return Verdict(
            REFUSED,
            pointer="/data/id",
            reason="its target is itself a void, and a void of a void has no effect; send the event again "
            "under a new id",
        )
    if kind in unvoidable:
        return Verdict(REFUSED, pointer="/data/id", reason=f"this key may not void an event of type {kind}")
    if subject != event.subject:
        return Verdict(
            REFUSED,
            pointer="/subject",
            reason=f"subject {event.subject!r} is not that of the event to void, which is {subject!r}; "
            "send the subject of that event",
        )
    return None


def _stored(connection: Connection, site: str, new: Iterable[NewEvent]) -> dict[tuple[str, str], _Stored]:
    wanted: dict[str, set[str]] = defaultdict(set)
    for event in new:
        wanted[event.source].add(event.id)
        if event.void_target is not None:
            wanted[event.void_target[0]].add(event.void_target[1])
    found: dict[tuple[str, str], _Stored] = {}
    if connection.dialect.name == "postgresql":
        keys = [(source, id_) for source, ids in wanted.items() for id_ in ids]
        for some in in_batches(keys):
            sources, ids_ = zip(*some, strict=True)
            given = {"site": site, "sources": list(sources), "ids": list(ids_)}
            for source, id_, *held in connection.execute(_HELD_UNDER_KEYS, given):
                found[source, id_] = _Stored(*held)
        return found
    for source, ids in wanted.items():
        for some_ids in in_batches(ids):
            query = select(events.c.id, *_HELD).where(
                events.c.site == site, events.c.source == source, events.c.id.in_(some_ids)
            )
            for id_, *held in connection.execute(query):
                found[source, id_] = _Stored(*held)
    return found


_HELD: Final = (events.c.position, events.c.type, events.c.subject, events.c.content_hash)


def _held_under_keys() -> Select[Any]:
    """What PostgreSQL holds under (source, id): one look into the unique index for each.

    Without statistics, as on a table that is being filled, it takes a list of ids for a reason to read all of a source.
    """
    arrays = (bindparam(name, type_=ARRAY(Text)) for name in ("sources", "ids"))
    keys = func.unnest(*arrays).table_valued("source", "id", name="keys").render_derived()
    one = select(*_HELD).where(
        events.c.site == bindparam("site"), events.c.source == keys.c.source, events.c.id == keys.c.id
    )
    held = one.limit(1).lateral("held")
    return select(keys.c.source, keys.c.id, *held.c).select_from(keys.join(held, true()))


_HELD_UNDER_KEYS: Final = _held_under_keys()


def _each(received_us: int | Sequence[int], count: int) -> Sequence[int]:
    return [received_us] * count if isinstance(received_us, int) else received_us


def _insert(connection: Connection, site: str, new: Sequence[tuple[NewEvent, int]]) -> dict[tuple[str, str], int]:
    """Insert (event, when it was received); returns the position of each (source, id)."""
    if not new:
        return {}
    rows = [
        {
            "site": site,
            "source": event.source,
            "id": event.id,
            "type": event.type,
            "kind": EVENT_TYPES[event.type],
            "subject": event.subject,
            "time_us": event.time_us,
            "received_us": received_us,
            "state": OWED,
            "content_hash": event.content_hash,
            "void_source": event.void_target[0] if event.void_target else None,
            "void_id": event.void_target[1] if event.void_target else None,
            "payload": event.payload,
        }
        for event, received_us in new
    ]
    statement = insert(events).returning(events.c.position, sort_by_parameter_order=True)
    positions = connection.execute(statement, rows).scalars()
    return {(event.source, event.id): position for (event, _), position in zip(new, positions, strict=True)}


# --- what is owed -----------------------------------------------------------------------------------------------


def in_state(state: int) -> ColumnElement[bool]:
    """Condition that an event is in a state, for which there is an index of its own when that is rare.

    Written out, not bound: a database that plans a statement before it knows its values cannot use such an index, and
    reads the whole ledger instead.
    """
    return events.c.state == literal_column(str(state))


def sites_owed(connection: Connection) -> list[str]:
    """Sites that have events to count, in order."""
    owed = exists().where(events.c.site == sites.c.site, in_state(OWED))
    return list(connection.execute(select(sites.c.site).where(owed).order_by(sites.c.site)).scalars())


def claim(connection: Connection, site: str, *, limit: int) -> list[int]:
    """Mark the site's oldest owed events as counted and return their positions.

    The mark becomes true with the caller's commit, which holds what they changed; undone with its rollback.
    """
    owed = select(events.c.position).where(events.c.site == site, in_state(OWED))
    positions = list(connection.execute(owed.order_by(events.c.position).limit(limit)).scalars())
    for some in in_batches(positions):
        connection.execute(update(events).where(events.c.position.in_(some)).values(state=COUNTED))
    return positions


def waiting(connection: Connection, site: str) -> tuple[int, int]:
    """(events owed, events set aside) of a site."""
    owed, aside = (
        select(func.count()).select_from(events).where(events.c.site == site, in_state(state)).scalar_subquery()
        for state in (OWED, SET_ASIDE)
    )
    waits, stands_aside = connection.execute(select(owed, aside)).one()
    return waits, stands_aside


def set_aside(connection: Connection, site: str, *, reason: str, now_us: int) -> int | None:
    """Set the site's oldest owed event aside, so that the others go on; returns its position, None without one."""
    owed = select(events.c.position).where(events.c.site == site, in_state(OWED))
    position = connection.execute(owed.order_by(events.c.position).limit(1)).scalar_one_or_none()
    if position is not None:
        connection.execute(update(events).where(events.c.position == position).values(state=SET_ASIDE))
        row = {"site": site, "position": position, "reason": reason, "set_aside_us": now_us}
        connection.execute(insert(set_asides), row)
    return position


def owe_again(connection: Connection, site: str) -> int:
    """Owe the events that were set aside once more; returns how many."""
    again = update(events).where(events.c.site == site, in_state(SET_ASIDE)).values(state=OWED)
    count = connection.execute(again).rowcount
    connection.execute(delete(set_asides).where(set_asides.c.site == site))
    return count


# --- reading ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class View:
    """The part of a site's ledger that a fold may read: counted events, up to a position when one is given."""

    connection: Connection
    site: str
    upto: int | None = None

    def allows(self, table: Any = events) -> ColumnElement[bool]:
        """Condition under which an event of `table` is read."""
        condition = and_(table.c.site == self.site, table.c.state == COUNTED)
        return condition if self.upto is None else and_(condition, table.c.position <= self.upto)

    def at(self, positions: Sequence[int]) -> Iterator[tuple[str, Event, tuple[str, str] | None]]:
        """(kind, event, void target) of the events at positions, in that order."""
        for some in in_batches(positions):
            query = select(*_READ, events.c.void_source, events.c.void_id).where(events.c.position.in_(some))
            for *read, void_source, void_id in self.connection.execute(query).all():
                yield read[0], _event(read[1:]), None if void_id is None else (void_source, void_id)

    def of_subjects(self, kind: str, subjects: Iterable[str]) -> dict[str, list[Event]]:
        """Events of subjects that are not voided, by subject; one without events is in it with none."""
        found: dict[str, list[Event]] = {subject: [] for subject in subjects}
        voided = exists().where(
            self.allows(VOIDS), VOIDS.c.void_source == events.c.source, VOIDS.c.void_id == events.c.id
        )
        for some in in_batches(found):
            query = select(*_READ).where(self.allows(), events.c.subject.in_(some), events.c.kind == kind, ~voided)
            for read in self.connection.execute(query).all():
                found[read[5]].append(_event(read[1:]))
        return found

    def targets(self, voids: Iterable[tuple[str, str]]) -> dict[tuple[str, str], tuple[str, Event]]:
        """(kind, event) of the known targets of voids, by (source, id)."""
        wanted: dict[str, set[str]] = defaultdict(set)
        for source, id_ in voids:
            wanted[source].add(id_)
        found: dict[tuple[str, str], tuple[str, Event]] = {}
        for source, ids in wanted.items():
            for some in in_batches(ids):
                query = select(*_READ).where(self.allows(), events.c.source == source, events.c.id.in_(some))
                for read in self.connection.execute(query).all():
                    event = _event(read[1:])
                    found[event.source, event.id] = (read[0], event)
        return found

    def voids_naming(self, positions: Sequence[int]) -> list[tuple[Event, tuple[str, str]]]:
        """(void, its target) of the voids that name an event at one of the positions."""
        found: list[tuple[Event, tuple[str, str]]] = []
        columns = [VOIDS.c[column.name] for column in _READ]
        for some in in_batches(positions):
            query = select(*columns, VOIDS.c.void_source, VOIDS.c.void_id).where(
                events.c.position.in_(some),
                self.allows(VOIDS),
                VOIDS.c.void_source == events.c.source,
                VOIDS.c.void_id == events.c.id,
            )
            for *read, source, id_ in self.connection.execute(query).all():
                found.append((_event(read[1:]), (source, id_)))
        return found


_READ = (
    events.c.kind,
    events.c.time_us,
    events.c.source,
    events.c.id,
    events.c.type,
    events.c.subject,
    events.c.payload,
)


def _event(read: Sequence[Any]) -> Event:
    time_us, source, id_, type_, subject, payload = read
    return Event(time_us, source, id_, type_, subject, by_value(orjson.loads(payload)["data"]))


# --- the feed ---------------------------------------------------------------------------------------------------


class CursorUnreadable(ValueError):
    """A feed cursor that this service did not give."""


@dataclass(frozen=True)
class FeedItem:
    """An event as it was sent, with its position and receipt."""

    position: int
    received_us: int
    payload: bytes


def cursor_after(position: int) -> str:
    """The cursor that goes on after a position. Opaque to its holder: how it is made may change."""
    return base64.urlsafe_b64encode(b"f1:%d" % position).decode().rstrip("=")


def _position_of(cursor: str) -> int:
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        version, _, position = text.partition(b":")
        if version != b"f1" or not position.isdigit() or len(position) > 18 or cursor_after(int(position)) != cursor:
            raise CursorUnreadable(cursor)
        return int(position)
    except (binascii.Error, ValueError) as error:
        raise CursorUnreadable(cursor) from error


def feed(
    connection: Connection,
    site: str,
    *,
    after: str | None = None,
    limit: int = 100,
    types: Sequence[str] = (),
    subjects: Sequence[str] = (),
) -> tuple[list[FeedItem], str, bool]:
    """(items, cursor that goes on, whether there are more) of the site's ledger in the order of commits.

    Appends to a site commit in the order of their positions. Raises CursorUnreadable.
    """
    start = 0 if after is None else _position_of(after)
    query = select(events.c.position, events.c.received_us, events.c.payload).where(
        events.c.site == site, events.c.position > start
    )
    if types:
        query = query.where(events.c.type.in_(types))
    if subjects:
        query = query.where(events.c.subject.in_(subjects))
    rows = connection.execute(query.order_by(events.c.position).limit(limit + 1)).all()
    items = [FeedItem(*row) for row in rows[:limit]]
    return items, cursor_after(items[-1].position if items else start), len(rows) > limit


def history(connection: Connection, site: str, kind: str, subject: str) -> list[tuple[FeedItem, bool]]:
    """(event, whether it is voided) of one subject in fold order, voids of its events included."""
    voided = exists().where(
        VOIDS.c.site == site, VOIDS.c.void_source == events.c.source, VOIDS.c.void_id == events.c.id
    )
    query = (
        select(events.c.position, events.c.received_us, events.c.payload, and_(voided, events.c.type != VOIDED))
        .where(events.c.site == site, events.c.subject == subject, events.c.kind.in_((kind, "event")))
        .order_by(events.c.time_us, events.c.source, events.c.id)
    )
    return [(FeedItem(*row[:3]), bool(row[3])) for row in connection.execute(query)]
