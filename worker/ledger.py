"""The ledger: append, once per (source, id); what is owed; read. The truth from which all else is computed.

An event is owed from its append until the transaction that counts it. Appends to a site commit in the order of their
positions and are counted in that order, so that one position of each site tells what is counted; no event is ever
touched again. Those that could not be counted are listed by themselves.
"""

from __future__ import annotations

import base64
import binascii
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, NamedTuple, Protocol

from sqlalchemy import (
    ARRAY,
    BigInteger,
    Connection,
    Integer,
    Select,
    Text,
    and_,
    bindparam,
    case,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    true,
    tuple_,
    update,
)
from sqlalchemy.exc import IntegrityError
from sqlalchemy.sql.elements import ColumnElement

from worker.batches import in_batches
from worker.events import EVENT_TYPES, VOIDED
from worker.prepared import POSTGRESQL, Lists, Prepared, insert_values, run_each
from worker.records import Event, stored_data
from worker.tables import events, set_asides, sites

#: Events of an append that are stored one by one, without looking first what of them is known.
FEW: Final = 8
#: So far from any position there is none.
_BEYOND_ALL: Final = 2**62
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


class Verdict(NamedTuple):
    """The ledger's answer to one event: accepted, duplicate, conflict or refused (with the reason)."""

    status: str
    position: int | None = None
    reason: str = ""
    #: The field that the reason is about, as an RFC 6901 pointer within the event.
    pointer: str = ""


class _Stored(NamedTuple):
    position: int
    type: str
    subject: str
    content_hash: bytes


Key = tuple[str, str]


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
    if len(received := _each(received_us, len(new))) != len(new):
        raise ValueError(f"{len(new)} events, but {len(received)} receipts")
    firsts, refused = _candidates(connection, site, new, unvoidable)
    held = _stored(connection, site, firsts) if _looks_first(connection, site, firsts) else {}
    wanted = {key: index for key, index in firsts.items() if key not in held} if held else firsts
    inserted = _insert(connection, site, [(new[index], received[index]) for index in wanted.values()])
    if inserted is None:
        held = _stored(connection, site, firsts)
        wanted = {key: index for key, index in firsts.items() if key not in held}
        inserted = _insert(connection, site, [(new[index], received[index]) for index in wanted.values()])
        # Nobody else appends to this site: what was not known a moment ago is not known now.
        assert inserted is not None
    positions = dict(zip(wanted, inserted, strict=True))
    if None in inserted:
        held |= _stored(connection, site, [key for key, position in positions.items() if position is None])
    if not held and not refused and len(firsts) == len(new):
        return [Verdict(ACCEPTED, position) for position in inserted]
    answers: list[Verdict] = []
    for index, event in enumerate(new):
        key = (event.source, event.id)
        if index in refused:
            answers.append(refused[index])
        elif (stored := held.get(key)) is not None:
            answers.append(_again(event, stored.content_hash, stored.position))
        elif firsts[key] == index:
            answers.append(Verdict(ACCEPTED, positions[key]))
        else:
            answers.append(_again(event, new[firsts[key]].content_hash, positions[key]))
    return answers


def _looks_first(connection: Connection, site: str, firsts: dict[Key, int]) -> bool:
    """True when it is looked up what of these is known; else that shows when they are inserted."""
    if len(firsts) <= FEW:
        return False
    # Whoever sends again sends all of it again, or what came next with it: then looking costs less than trying in vain.
    return bool(_stored(connection, site, [next(iter(firsts)), next(reversed(firsts))]))


def _candidates(
    connection: Connection, site: str, new: Sequence[NewEvent], unvoidable: Sequence[str]
) -> tuple[dict[Key, int], dict[int, Verdict]]:
    """(index of the first event of each key, verdicts on voids that are refused, by index)."""
    voids = [event for event in new if event.void_target is not None]
    asked = {key for event in voids for key in (event.void_target, (event.source, event.id)) if key is not None}
    stored = _stored(connection, site, asked) if asked else {}
    firsts: dict[Key, int] = {}
    refused: dict[int, Verdict] = {}
    if not voids:
        for index, event in enumerate(new):
            firsts.setdefault((event.source, event.id), index)
        return firsts, refused
    for index, event in enumerate(new):
        key = (event.source, event.id)
        if key in firsts:
            continue
        # One that is known already is a duplicate or a conflict, whatever it voids.
        if event.void_target is not None and key not in stored:
            target = stored.get(event.void_target) or _of_batch(new, firsts, event.void_target)
            if target is not None and (verdict := _refused_void(event, target, unvoidable)) is not None:
                refused[index] = verdict
                continue
        firsts[key] = index
    return firsts, refused


def _of_batch(new: Sequence[NewEvent], firsts: Mapping[Key, int], key: Key) -> NewEvent | None:
    return new[firsts[key]] if key in firsts else None


def take_turn(connection: Connection, site: str) -> None:
    """Let appends to a site commit in the order of their positions, also where several writers work at once.

    Then whoever reads all after a position misses nothing, and no two appends take the same event for new. The turn
    lasts until the transaction ends: whoever takes it before they read appends to what they read. SQLite has one writer
    anyway.
    """
    if connection.dialect.name == "postgresql":
        _take_turn(connection, {"of_site": site})


@Prepared
def _take_turn(_: Lists) -> Any:
    return select(func.pg_advisory_xact_lock(_APPEND_LOCK, func.hashtext(bindparam("of_site", type_=Text))))


def _again(event: NewEvent, content_hash: bytes, position: int | None) -> Verdict:
    """The answer to an event whose source and id are known."""
    if event.content_hash == content_hash:
        return Verdict(DUPLICATE, position)
    return Verdict(
        CONFLICT,
        position,
        reason="this source and id already hold another content, which stays; to correct it, void that event and send "
        "the right one under a new id",
    )


def _refused_void(event: NewEvent, target: NewEvent | _Stored, unvoidable: Sequence[str]) -> Verdict | None:
    kind, subject = target.type, target.subject
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


def holds(connection: Connection, site: str, position: int, content_hash: bytes) -> bool:
    """True when an event of the site with this content stands at a position."""
    query = select(events.c.content_hash).where(events.c.position == position, events.c.site == site)
    return connection.execute(query).scalar_one_or_none() == content_hash


def _stored(connection: Connection, site: str, keys: Collection[Key]) -> dict[Key, _Stored]:
    """What the ledger holds under each of these keys that it knows."""
    found: dict[Key, _Stored] = {}
    if connection.dialect.name == "postgresql":
        for some in in_batches(keys):
            sources, ids_ = zip(*some, strict=True)
            given = {"site": site, "sources": list(sources), "ids": list(ids_)}
            for source, id_, *held in connection.execute(_HELD_UNDER_KEYS, given):
                found[source, id_] = _Stored(*held)
        return found
    wanted: dict[str, list[str]] = defaultdict(list)
    for source, id_ in keys:
        wanted[source].append(id_)
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


_COLUMNS: Final = (
    "position", "site", "source", "id", "type", "kind", "subject", "time_us", "received_us", "content_hash",
    "void_source", "void_id", "payload",
)  # fmt: skip
_ONCE: Final = "ON CONFLICT (site, source, id) DO NOTHING"
_NAMES: Final = ", ".join(_COLUMNS)
#: The statements of each database's own driver: what SQLAlchemy adds to a row costs more than storing it.
_SQLITE_INSERT: Final = f"INSERT INTO events ({_NAMES}) VALUES ({', '.join('?' * len(_COLUMNS))}) {_ONCE}"  # noqa: S608
_ONE: Final = f"INSERT INTO events ({', '.join(_COLUMNS[1:])}) VALUES ({{}}) {_ONCE} RETURNING position"  # noqa: S608
_INSERT_ONE: Final = {
    "sqlite": _ONE.format(", ".join("?" * (len(_COLUMNS) - 1))),
    "postgresql": _ONE.format(", ".join(f"${number}" for number in range(1, len(_COLUMNS)))),
}
#: The sequence is looked up once, not for each position: that would take longer than all else here.
_PG_POSITIONS: Final = (
    "SELECT array_agg(nextval(sequence)) FROM "
    "(SELECT pg_get_serial_sequence('events', 'position')::regclass AS sequence OFFSET 0) AS named, "
    "generate_series(1, %(count)s)"
)
#: PostgreSQL's code for what is there already.
_UNIQUE_VIOLATION: Final = "23505"


def _insert(connection: Connection, site: str, new: Sequence[tuple[NewEvent, int]]) -> list[int | None] | None:
    """Insert (event, when it was received) of different keys; returns the position of each, None of what was known.

    The caller has the turn of the site, so that positions that are taken first are committed first. None for all, and
    nothing inserted, where the database would have to be told first which of many are known.
    """
    rows = [
        (
            site, event.source, event.id, event.type, EVENT_TYPES[event.type], event.subject, event.time_us,
            received_us, event.content_hash, *(event.void_target or (None, None)), event.payload,
        )
        for event, received_us in new
    ]  # fmt: skip
    if len(rows) <= FEW:
        one = _INSERT_ONE[connection.dialect.name]
        return [found[0][0] if found else None for found in run_each(connection, one, rows)]
    positions = _next_positions(connection, len(new))
    rows = [(position, *row) for position, row in zip(positions, rows, strict=True)]
    if connection.dialect.name == "postgresql":
        try:
            with connection.begin_nested():
                insert_values(connection, events, _COLUMNS, rows)
        except IntegrityError as error:
            if getattr(error.orig, "sqlstate", None) != _UNIQUE_VIOLATION:
                raise
            return None
        return list(positions)
    inserted = connection.exec_driver_sql(_SQLITE_INSERT, rows).rowcount
    if inserted == len(rows):
        return list(positions)
    there: set[int] = set()
    for some in in_batches(positions):
        there.update(connection.execute(select(events.c.position).where(events.c.position.in_(some))).scalars())
    return [position if position in there else None for position in positions]


def _next_positions(connection: Connection, count: int) -> list[int]:
    """Positions that nobody else gets, in order."""
    if connection.dialect.name == "postgresql":
        return list(connection.exec_driver_sql(_PG_POSITIONS, {"count": count}).scalar_one())
    # The one writer is here: nobody else takes a position before this ends.
    last = connection.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = 'events'").scalar_one_or_none()
    return list(range((last or 0) + 1, (last or 0) + 1 + count))


# --- what is owed -----------------------------------------------------------------------------------------------


def is_set_aside(table: Any = events, *, is_owed: bool | None = None) -> ColumnElement[bool]:
    """Condition that an event of `table` was set aside; is_owed: and that it is, or is not, owed again."""
    s = set_asides.c
    one = exists().where(s.site == table.c.site, s.position == table.c.position)
    return one if is_owed is None else one.where(s.is_owed == literal_column(str(int(is_owed))))


def counted_position(site: str) -> ColumnElement[int]:
    """The position up to which a site is counted, within a statement."""
    return select(sites.c.counted_position).where(sites.c.site == site).scalar_subquery()


def counted(site: str) -> tuple[ColumnElement[bool], ...]:
    """Conditions that an event is of a site and counted."""
    return events.c.site == site, events.c.position <= counted_position(site), ~is_set_aside()


def owed_since_appended(query: Select[Any], site: Any, counted: Any, *, dialect: str) -> Select[Any]:
    """What a query reads of the events of a site that are owed since they were appended, oldest first.

    counted: the position up to which it is counted.
    """
    e = events.c
    if dialect == POSTGRESQL:
        # As rows, which the index of one site alone can look up: it would else take that of the positions of all sites
        # for as good, and read what is another's.
        at = tuple_(e.site, e.position)
        query = query.where(at > tuple_(site, counted), at < tuple_(site, counted + _BEYOND_ALL))
    else:
        query = query.where(e.site == site, e.position > counted)
    return query.where(~is_set_aside()).order_by(e.site, e.position)


def sites_owed(connection: Connection) -> list[str]:
    """Sites that have events to count, in order."""
    return [site for (site,) in _sites_owed(connection, {})]


@Prepared
def _sites_owed(lists: Lists) -> Any:
    again = exists().where(set_asides.c.site == sites.c.site, set_asides.c.is_owed == literal_column("1"))
    return select(sites.c.site).where(or_(_owes(lists.dialect), again)).order_by(sites.c.site)


def _owes(dialect: str) -> ColumnElement[bool]:
    """Condition that a site owes an event since it was appended."""
    first = owed_since_appended(select(events.c.position), sites.c.site, sites.c.counted_position, dialect=dialect)
    return first.limit(1).scalar_subquery().is_not(None)


class Front(NamedTuple):
    """Up to where a site is counted; whether events of it are set aside, and whether any of these is owed again."""

    position: int = 0
    has_asides: bool = False
    owes_again: bool = False


def front(connection: Connection, site: str) -> Front:
    """How far a site is counted; nothing of one that is not known."""
    found = _front(connection, {"of_site": site})
    return Front._make(found[0]) if found else Front()


@Prepared
def _front(_: Lists) -> Any:
    of_site = set_asides.c.site == sites.c.site
    asides = exists().where(of_site), exists().where(of_site, set_asides.c.is_owed == literal_column("1"))
    return select(sites.c.counted_position, *asides).where(sites.c.site == bindparam("of_site"))


class Head(NamedTuple):
    """Where an event stands in the ledger, and what it is about."""

    position: int
    kind: str
    subject: str


#: What is stored of an event: instant, source, id, type, subject, payload.
Told = tuple[int, str, str, str, str, bytes]
#: The columns of a Head.
HEAD: Final = (events.c.position, events.c.kind, events.c.subject)


def claim(connection: Connection, site: str, *, limit: int) -> list[Head]:
    """Mark the site's oldest owed events as counted and return them, in order.

    The mark becomes true with the caller's commit, which holds what they changed; undone with its rollback.
    """
    at = front(connection, site)
    claimed = owed(connection, site, limit=limit, at=at)
    if claimed:
        last = claimed[-1].position
        if at.owes_again:
            # None but these: another one may be owed again since they were read.
            for some in in_batches(head.position for head in claimed):
                named = (set_asides.c.site == site, set_asides.c.position.in_(some))
                connection.execute(delete(set_asides).where(*named))
        # One that was owed again may lie before what was counted meanwhile.
        if last > at.position:
            _advance(connection, {"of_site": site, "counted": last})
    return claimed


@Prepared
def _advance(_: Lists) -> Any:
    counted = bindparam("counted", type_=BigInteger)
    received = select(events.c.received_us).where(events.c.position == counted).scalar_subquery()
    advanced = update(sites).where(sites.c.site == bindparam("of_site"))
    return advanced.values(counted_position=counted, counted_us=received)


def owed(connection: Connection, site: str, *, limit: int, at: Front | None = None) -> list[Head]:
    """The site's oldest owed events, in order; at: how far it is counted, where that is known."""
    at = at or front(connection, site)
    found = list(map(Head._make, _oldest_owed(connection, {"of_site": site, "most": limit, "counted": at.position})))
    if at.owes_again:
        again = select(*HEAD).where(events.c.site == site, is_set_aside(is_owed=True))
        rows = connection.execute(again.order_by(events.c.position).limit(limit))
        found = sorted([*found, *(Head._make(row) for row in rows)])[:limit]
    return found


@Prepared
def _oldest_owed(lists: Lists) -> Any:
    site, counted = bindparam("of_site", type_=events.c.site.type), bindparam("counted", type_=BigInteger)
    query = owed_since_appended(select(*HEAD), site, counted, dialect=lists.dialect)
    return query.limit(bindparam("most", type_=Integer))


def waiting(connection: Connection, site: str) -> tuple[int, int]:
    """(events owed, events set aside) of a site."""
    ((_, owed, again, asides),) = _waiting(connection, {"of_site": site}) or ((site, 0, 0, 0),)
    return owed + again, asides


def waiting_at_each(connection: Connection) -> dict[str, tuple[int, int]]:
    """(events owed, events set aside) by site."""
    found = connection.execute(_waits(connection.dialect.name))
    return {site: (owed + again, asides) for site, owed, again, asides in found}


@Prepared
def _waiting(lists: Lists) -> Any:
    return _waits(lists.dialect).where(sites.c.site == bindparam("of_site"))


def _waits(dialect: str) -> Select[Any]:
    """Of sites: events owed since they were appended, owed again, and set aside."""
    e = events.c
    since = (e.site == sites.c.site, e.position > sites.c.counted_position, ~is_set_aside())
    owed = select(func.count()).select_from(events).where(*since).scalar_subquery()
    asides = (
        select(func.count())
        .select_from(set_asides)
        .where(set_asides.c.site == sites.c.site, set_asides.c.is_owed == literal_column(str(is_owed)))
        .scalar_subquery()
        for is_owed in (1, 0)
    )
    # Most owe nothing; and PostgreSQL, which does not know how few there are, may read more for them than these.
    return select(sites.c.site, case((_owes(dialect), owed), else_=0), *asides)


def set_aside(connection: Connection, site: str, *, reason: str, now_us: int) -> int | None:
    """Set the site's oldest owed event aside, so that the others go on; returns its position, None without one."""
    oldest = owed(connection, site, limit=1)
    if not oldest:
        return None
    position = oldest[0].position
    connection.execute(delete(set_asides).where(set_asides.c.site == site, set_asides.c.position == position))
    row = {"site": site, "position": position, "reason": reason, "set_aside_us": now_us, "is_owed": 0}
    connection.execute(insert(set_asides), row)
    return position


def owe_again(connection: Connection, site: str) -> int:
    """Owe the events that were set aside once more; returns how many."""
    again = update(set_asides).where(set_asides.c.site == site, set_asides.c.is_owed == 0).values(is_owed=1)
    return connection.execute(again).rowcount


# --- reading ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class View:
    """The part of a site's ledger that a fold may read: counted events, up to a position when one is given.

    ahead: those that are owed up to this position are read as if they were counted.
    """

    connection: Connection
    site: str
    upto: int | None = None
    ahead: int | None = None

    def allows(self, table: Any = events) -> ColumnElement[bool]:
        """Condition under which an event of `table` is read."""
        return and_(*_allowed(table, self._has_asides, **self._given))

    @cached_property
    def _front(self) -> Front:
        return front(self.connection, self.site)

    @property
    def _has_asides(self) -> bool:
        return self._front.has_asides

    @property
    def _given(self) -> dict[str, Any]:
        """The values of what it allows."""
        last = self._front.position if self.ahead is None else max(self._front.position, self.ahead)
        return {"of_site": self.site, "last": last if self.upto is None else min(last, self.upto)}

    def at(self, positions: Sequence[int]) -> Iterator[tuple[str, Event, tuple[str, str] | None]]:
        """(kind, event, void target) of the events at positions."""
        for some in in_batches(positions):
            for *read, void_source, void_id in _at(self.connection, {"positions": some}):
                yield read[0], event_of(read[1:]), None if void_id is None else (void_source, void_id)

    def of_subjects(self, kind: str, subjects: Iterable[str]) -> dict[str, list[Event]]:
        """Events of subjects that are not voided, by subject; one without events is in it with none."""
        found: dict[str, list[Event]] = {subject: [] for subject in subjects}
        for some in in_batches(found):
            for told in self._told(kind, some):
                found[told[4]].append(event_of(told))
        return found

    def told(self, kind: str, subject: str) -> list[Told]:
        """What is stored of the events of a subject that are not voided."""
        return list(self._told(kind, [subject]))

    def _told(self, kind: str, subjects: list[str]) -> Iterable[Told]:
        given = {**self._given, "of_kind": kind, "subjects": subjects}
        return _of_subjects(self.connection, given, self._has_asides)

    def targets(self, voids: Iterable[tuple[str, str]]) -> dict[tuple[str, str], tuple[str, Event]]:
        """(kind, event) of the known targets of voids, by (source, id)."""
        wanted: dict[str, set[str]] = defaultdict(set)
        for source, id_ in voids:
            wanted[source].add(id_)
        found: dict[tuple[str, str], tuple[str, Event]] = {}
        for source, ids in wanted.items():
            for some in in_batches(ids):
                given = {**self._given, "of_source": source, "ids": some}
                for read in _targets(self.connection, given, self._has_asides):
                    event = event_of(read[1:])
                    found[event.source, event.id] = (read[0], event)
        return found

    def voids_naming(self, positions: Sequence[int]) -> list[tuple[Event, tuple[str, str]]]:
        """(void, its target) of the voids that name an event at one of the positions."""
        found: list[tuple[Event, tuple[str, str]]] = []
        for some in in_batches(positions):
            given = {**self._given, "positions": some}
            for *read, source, id_ in _voids_naming(self.connection, given, self._has_asides):
                found.append((event_of(read[1:]), (source, id_)))
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


def _allowed(table: Any, has_asides: bool, **given: Any) -> tuple[ColumnElement[bool], ...]:
    """What a view allows of a table; its values where they are given, else their names."""
    site, last = given["of_site"] if given else bindparam("of_site", type_=Text), given.get("last")
    if last is None:
        last = bindparam("last", type_=BigInteger)
    # A sum, lest a database takes the index of all positions for as good as that of a few subjects.
    allowed = (table.c.site == site, table.c.position + 0 <= last)
    return (*allowed, ~is_set_aside(table)) if has_asides else allowed


@Prepared
def _at(lists: Lists) -> Any:
    query = select(*_READ, events.c.void_source, events.c.void_id)
    return query.where(lists.has(events.c.position, "positions"))


@Prepared
def _of_subjects(lists: Lists, has_asides: bool) -> Any:
    void = (VOIDS.c.void_source == events.c.source, VOIDS.c.void_id == events.c.id)
    return select(*_READ[1:]).where(
        *_allowed(events, has_asides),
        lists.has(events.c.subject, "subjects"),
        events.c.kind == bindparam("of_kind"),
        ~exists().where(*_allowed(VOIDS, has_asides), *void),
    )


@Prepared
def _targets(lists: Lists, has_asides: bool) -> Any:
    named = (events.c.source == bindparam("of_source"), lists.has(events.c.id, "ids"))
    return select(*_READ).where(*_allowed(events, has_asides), *named)


@Prepared
def _voids_naming(lists: Lists, has_asides: bool) -> Any:
    return select(*(VOIDS.c[column.name] for column in _READ), VOIDS.c.void_source, VOIDS.c.void_id).where(
        lists.has(events.c.position, "positions"),
        *_allowed(VOIDS, has_asides),
        VOIDS.c.void_source == events.c.source,
        VOIDS.c.void_id == events.c.id,
    )


def event_of(told: Told) -> Event:
    """The event that was stored so."""
    time_us, source, id_, type_, subject, payload = told
    return Event(time_us, source, id_, type_, subject, stored_data(payload))


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
