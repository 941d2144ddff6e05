"""Reads a ledger in its portable form, and takes it into this installation's ledger."""

from __future__ import annotations

import re
import secrets
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from typing import IO, Any, Final

import orjson
from sqlalchemy import Connection, exists, insert, select, update

from worker import ledger, portable
from worker.administration import COMMAND_LINE, record_settings
from worker.database import Database
from worker.events import EVENT_TYPES, VOIDED
from worker.folding import instant_us
from worker.portable import LONGEST_LINE, VERSION, Counts, Site
from worker.tables import FOLD, events, sites

#: Events of one transaction: a server that runs meanwhile waits for no more than these.
AT_ONCE: Final = 1_000
#: Pseudonyms of people in an event as it is kept; as worker.naming makes them.
_PSEUDONYMS: Final = re.compile(rb'"(?:operator|inspector)":"p([1-9][0-9]{0,8}|)-[a-z2-7]{12}"')
_MOST_GENERATIONS: Final = 10**9
_TEXTS: Final = ("source", "id", "type", "subject", "time")


class FileDamaged(ValueError):
    """A file that is not what was exported: where, and what is wrong."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(
            f"line {line} {reason}; nothing is taken from a file that is not whole: copy or export it again"
        )
        self.line = line


class FileNotKnown(ValueError):
    """A file of a version, or with events, that this release does not know."""


@dataclass(frozen=True, slots=True)
class PortableEvent:
    """An event of a file, fit for the ledger; `line` is its place in the file."""

    line: int
    source: str
    id: str
    type: str
    subject: str
    time_us: int
    payload: bytes
    content_hash: bytes
    void_target: tuple[str, str] | None
    received_us: int


@dataclass(frozen=True)
class Refused:
    """An event that the ledger did not take, and why."""

    line: int
    event: PortableEvent
    reason: str


@dataclass
class Taken:
    """What became of the events of a file, by verdict."""

    verdicts: Counter[str] = field(default_factory=Counter)
    #: Events that each site took.
    accepted: Counter[str] = field(default_factory=Counter)
    #: Sites that had events already, under another secret for people than that of the file.
    other_people_keys: list[str] = field(default_factory=list)


def lines_of(stream: IO[bytes]) -> Iterator[bytes]:
    """Lines of a stream, each of bounded length; raises FileDamaged."""
    number = 0
    while line := stream.readline(LONGEST_LINE + 1):
        number += 1
        if len(line) > LONGEST_LINE:
            raise FileDamaged(number, f"is longer than {LONGEST_LINE} bytes")
        yield line


def read(lines: Iterable[bytes]) -> Iterator[Site | PortableEvent]:
    """Each site and the events that follow it; the file is proven whole only when this has come to its end.

    Raises FileDamaged and FileNotKnown.
    """
    digest, number, seen_sites, seen_events = sha256(), 0, 0, 0
    closed = False
    for number, line in enumerate(lines, 1):
        if closed:
            raise FileDamaged(number, "comes after the closing line")
        if number == 1:
            _check_header(line)
        elif parts := portable.event_parts(line):
            if not seen_sites:
                raise FileDamaged(number, "is an event before any site")
            yield _event(number, *parts)
            seen_events += 1
        else:
            told = _told(number, line)
            if "end" in told:
                _check_closing(number, told["end"], Counts(seen_sites, seen_events), digest.hexdigest())
                closed = True
            else:
                yield _site(number, told)
                seen_sites += 1
        digest.update(line)
    if not closed:
        raise FileDamaged(number, "is the last, and no closing line: the file is cut short")


def verify(lines: Iterable[bytes], progress: Callable[[int], object] = lambda count: None) -> tuple[list[str], Counts]:
    """(names of the sites, counts) of a file that is whole; raises FileDamaged and FileNotKnown."""
    names: list[str] = []
    count = 0
    for each in read(lines):
        if isinstance(each, Site):
            names.append(each.site)
        else:
            count += 1
            if count % AT_ONCE == 0:
                progress(AT_ONCE)
    return names, Counts(len(names), count)


def take(
    database: Database,
    lines: Iterable[bytes],
    *,
    only: str | None = None,
    refused: Callable[[Refused], object],
    progress: Callable[[int], object] = lambda count: None,
    now_us: int,
    taken: Taken | None = None,
) -> Taken:
    """Append what a verified file holds, `AT_ONCE` events a transaction; what is there already is a duplicate.

    Settings among it are on record as of now_us. `taken` is filled as it goes on, also of a call that is broken off.

    So a call that was broken off is made good by another. `only`: the one site to take. `refused` is told each event
    that stands against what the ledger holds; the others are taken.
    """
    taken = Taken() if taken is None else taken
    for site, some in _batches(read(lines), only):
        with database.write() as connection:
            if not _ready(connection, site) and site.site not in taken.other_people_keys:
                taken.other_people_keys.append(site.site)
            verdicts = ledger.append(connection, site.site, some, received_us=[each.received_us for each in some])
            if taken_from := [one for one, said in zip(some, verdicts, strict=True) if said.status == ledger.ACCEPTED]:
                _set_apart(connection, site, taken_from)
            record_settings(connection, site.site, some, verdicts, actor=COMMAND_LINE, now_us=now_us)
        for event, verdict in zip(some, verdicts, strict=True):
            taken.verdicts[verdict.status] += 1
            taken.accepted[site.site] += verdict.status == ledger.ACCEPTED
            if verdict.status not in (ledger.ACCEPTED, ledger.DUPLICATE):
                refused(Refused(event.line, event, verdict.reason))
        progress(len(some))
    return taken


def _batches(read_: Iterable[Site | PortableEvent], only: str | None) -> Iterator[tuple[Site, list[PortableEvent]]]:
    site: Site | None = None
    some: list[PortableEvent] = []
    for each in read_:
        if isinstance(each, Site) or len(some) == AT_ONCE:
            if site is not None:
                yield site, some
            some = []
        if isinstance(each, Site):
            site = each if only in (None, each.site) else None
        elif site is not None:
            some.append(each)
    if site is not None:
        yield site, some


def _ready(connection: Connection, site: Site) -> bool:
    """Make or complete the site; False when it has events under another secret for people than that of the file."""
    here = connection.execute(select(sites.c.people_key).where(sites.c.site == site.site)).scalar_one_or_none()
    row = {
        "created_us": site.created_us,
        "people_key": site.people_key or here or secrets.token_bytes(32),
        "people_generation": site.people_generation,
    }
    if here is None:
        # Nothing of it was counted yet, so nothing under an older fold.
        made = {"site": site.site, "revision": 0, "counted_position": 0, "fold": FOLD}
        connection.execute(insert(sites), made | row)
    elif not connection.execute(select(exists().where(events.c.site == site.site))).scalar_one():
        # Nothing was said under its secret yet.
        connection.execute(update(sites).where(sites.c.site == site.site).values(row))
    else:
        return site.people_key in (None, bytes(here))
    return True


def _set_apart(connection: Connection, site: Site, taken: Iterable[PortableEvent]) -> None:
    """Where the site gives other pseudonyms than the file, let its own say so: they are of a later generation."""
    mine = sites.c.site == site.site
    columns = (sites.c.people_key, sites.c.people_generation)
    key, generation = connection.execute(select(*columns).where(mine)).one()
    if site.people_key == bytes(key):
        return
    latest = max((int(found or 0) for each in taken for found in _PSEUDONYMS.findall(each.payload)), default=-1)
    if latest >= generation:
        connection.execute(update(sites).where(mine).values(people_generation=latest + 1))


def _told(number: int, line: bytes) -> dict[str, Any]:
    try:
        told = orjson.loads(line)
    except orjson.JSONDecodeError:
        told = None
    if not isinstance(told, dict):
        raise FileDamaged(number, "is no line of an exported ledger")
    return told


def _check_header(line: bytes) -> None:
    told = _told(1, line)
    if told.get("format") != portable.FORMAT:
        raise FileDamaged(1, "is no header of an exported ledger")
    if told.get("version") != VERSION:
        raise FileNotKnown(
            f"the file is of version {told.get('version')}, written by release {told.get('release')}; this release "
            f"reads version {VERSION}: import it with that release or a newer one"
        )


def _check_closing(number: int, told: Any, counts: Counts, digest: str) -> None:
    if not isinstance(told, dict) or (told.get("sites"), told.get("events")) != (counts.sites, counts.events):
        found = f"{counts.sites} sites and {counts.events} events"
        raise FileDamaged(number, f"does not close this file, which holds {found}: lines are missing or doubled")
    if told.get("sha256") != digest:
        raise FileDamaged(number, "has another checksum than the lines before it: they were changed")


def _site(number: int, told: dict[str, Any]) -> Site:
    name, created_us, key = told.get("site"), told.get("created_us"), told.get("people_key")
    generation = told.get("people_generation", 0)
    try:
        people_key = None if key is None else bytes.fromhex(key)
    except (TypeError, ValueError):
        people_key = b""
    # 16 bytes: the least with which names are hidden.
    unfit = people_key is not None and len(people_key) < 16
    unfit = unfit or not isinstance(generation, int) or not 0 <= generation < _MOST_GENERATIONS
    if not isinstance(name, str) or not isinstance(created_us, int) or unfit:
        raise FileDamaged(number, "is no line of an exported ledger")
    return Site(name, created_us, people_key, generation)


def _event(number: int, received_us: int, content_hash: bytes, payload: bytes) -> PortableEvent:
    try:
        told = orjson.loads(payload)
        source, id_, type_, subject, time = (told[name] for name in _TEXTS)
        time_us = instant_us(time)
        target = (told["data"]["source"], told["data"]["id"]) if type_ == VOIDED else None
    except (orjson.JSONDecodeError, LookupError, TypeError, ValueError, AttributeError) as error:
        raise FileDamaged(number, "holds no event") from error
    if not all(isinstance(each, str) for each in (source, id_, subject, *(target or ()))):
        raise FileDamaged(number, "holds no event")
    if type_ not in EVENT_TYPES:
        raise FileNotKnown(
            f"line {number} holds an event of type {type_!r}, which this release does not know; nothing is taken: "
            "import the file with the release that wrote it, or a newer one"
        )
    return PortableEvent(number, source, id_, type_, subject, time_us, payload, content_hash, target, received_us)
