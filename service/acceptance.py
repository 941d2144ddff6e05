"""Judges one event of a body: accepted as what the ledger keeps, or the faults that its sender can mend."""

from __future__ import annotations

import hmac
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from functools import lru_cache
from hashlib import blake2b
from typing import Any, Final, NamedTuple

import msgspec
import orjson
from marshmallow import ValidationError

from service.faults import Fault, below, first_faults, shown
from service.schemas.events import DATA_SCHEMAS, ENVELOPE
from service.schemas.quick import Accept, Figures, accepting, canonical
from service.schemas.strict import StrictSchema, faults_of
from service.strict_json import NumberUnfit, Written
from worker.events import ATTEMPT, EVENT_TYPES, JOB, MACHINE, PEOPLE_SETTINGS, PLATE, VOIDED
from worker.naming import pseudonym

HOUR_US: Final = 3_600_000_000
MOST_AHEAD_US: Final = 24 * HOUR_US
#: Fields of data that hold the name of a person.
PEOPLE_FIELDS: Final[tuple[str, ...]] = ("operator", "inspector")
#: Instants in data that lie at or before the event's time.
EARLIER_FIELDS: Final = ("started_at", "observed_at")

_SHORTEST_KEY: Final = 16


@dataclass(frozen=True, slots=True)
class People:
    """What a site keeps of people's names (keep, pseudonym or drop), and its secret key of at least 16 bytes.

    generation: how many keys the site had before; its pseudonyms say it.
    """

    setting: str
    key: bytes
    generation: int = 0

    def __post_init__(self) -> None:
        if self.setting not in PEOPLE_SETTINGS or len(self.key) < _SHORTEST_KEY:
            raise ValueError(f"people need one of {PEOPLE_SETTINGS} and a key of at least {_SHORTEST_KEY} bytes")

    def kept(self, name: str) -> str | None:
        """What is kept of a name; None when nothing is."""
        if self.setting == "keep":
            return name
        return self.pseudonym(name) if self.setting == "pseudonym" else None

    def pseudonym(self, name: str) -> str:
        """The same for all spellings of a name that differ in case, composition or outer spaces."""
        return _pseudonym(self.key, self.generation, name)

    def stand_in(self, name: str) -> str:
        """What stands for a name where contents are compared: nobody without the key can try names against it."""
        return _stand_in(self.key, name)


class Judged(NamedTuple):
    """An event fit for the ledger.

    `payload` is the event as sent, compact, with names as the site keeps them; `data` the same, loaded. Two events
    have the same `content_hash` when type, subject, instant and data (names as sent) are the same.
    """

    source: str
    id: str
    type: str
    subject: str
    time_us: int
    payload: bytes
    content_hash: bytes
    void_target: tuple[str, str] | None
    data: dict[str, Any]


#: Types that come by the thousand; the others are always judged by their schema.
_QUICK_KINDS: Final = (ATTEMPT, PLATE, JOB, MACHINE)
_ACCEPTS: Final[dict[str, Accept]] = {
    name: accepting(schema) for name, schema in DATA_SCHEMAS.items() if EVENT_TYPES[name] in _QUICK_KINDS
}
_ACCEPTS_ENVELOPE: Final = accepting(ENVELOPE)
_FIGURES: Final = Figures()
_decode = msgspec.json.Decoder(float_hook=_FIGURES.__getitem__).decode


def taken_quickly(raw: bytes, *, now_us: int, people: People) -> Judged | None:
    """The event that these bytes are, as `judge` would judge it; None where it has to be asked.

    What it takes, `judge` takes, with the same payload and hash: tests/service/test_quick.py holds them against each
    other.
    """
    # Whatever an escape hides is left to the strict reader; so a quote begins or ends a text from here on.
    if b"\\" in raw:
        return None
    try:
        found = _decode(raw)
        if found.__class__ is not dict or (envelope := _ACCEPTS_ENVELOPE(found)) is None:
            return None
        loaded, _, given = envelope
        accept = _ACCEPTS.get(loaded["type"])
        if accept is None or (data := accept(loaded["data"])) is None:
            return None
    except (msgspec.MsgspecError, NumberUnfit, ValidationError, RecursionError):
        return None
    payload = msgspec.json.format(raw, indent=-1)
    # A name given twice would be decoded once. -0 is a whole number that is kept as 0.
    if payload.count(b'":') != given + data[2] or b":-0" in payload:
        return None
    time_us, told = loaded["time"], data[0].get
    # As in `_faults_across`; what voids another event is not taken here.
    if time_us > now_us + MOST_AHEAD_US:
        return None
    for name in EARLIER_FIELDS:
        if told(name, time_us) > time_us:
            return None
    return _quickly_judged(loaded, data[0], data[1], people, payload)


def _quickly_judged(
    envelope: dict[str, Any], data: dict[str, Any], hashed: dict[str, Any], people: People, payload: bytes
) -> Judged | None:
    for name in PEOPLE_FIELDS:
        if name not in data:
            continue
        if hashed is data:
            hashed = dict(data)
        person = _person(people.setting, people.key, people.generation, name, data[name])
        hashed[name] = person.stand_in
        if people.setting != "keep":
            # The field stands there once: another that is named so would have made the schema refuse it.
            if person.kept is None or payload.count(person.sent) != 1:
                return None
            payload = payload.replace(person.sent, person.stored)
            data[name] = person.kept
    kind, subject, time_us = envelope["type"], envelope["subject"], envelope["time"]
    content_hash = _content_hash([kind, subject, time_us, hashed])
    return Judged(envelope["source"], envelope["id"], kind, subject, time_us, payload, content_hash, None, data)


def judge(item: object, *, now_us: int, people: People, pointer: str) -> Judged | list[Fault]:
    """The event that `item` is, or what is wrong with it, with pointers below `pointer`.

    `item` is JSON as strict_json reads it; `now_us` the server's clock in microseconds since 1970 UTC.
    """
    try:
        envelope = ENVELOPE.read(item)
        data = DATA_SCHEMAS[envelope["type"]].read(envelope["data"])
    except ValidationError:
        envelope, data, faults = _by_marshmallow(item, pointer)
    else:
        faults = []
    faults = first_faults((*faults, *_faults_across(envelope, data, now_us, pointer)))
    return faults or _judged(envelope, data, people, item)


def _by_marshmallow(item: object, pointer: str) -> tuple[dict[str, Any], dict[str, Any], list[Fault]]:
    if not isinstance(item, dict):
        return {}, {}, [Fault(pointer, f"must be an event, a JSON object; found {shown(item)}")]
    envelope, faults = _loaded(ENVELOPE, item, pointer)
    # The data is judged even when the envelope is faulty, so that all can be mended at once.
    schema = DATA_SCHEMAS.get(envelope.get("type", ""))
    if schema is None or "data" not in envelope:
        return envelope, {}, faults
    data, more = _loaded(schema, envelope["data"], below(pointer, "data"))
    return envelope, data, faults + more


def _loaded(schema: StrictSchema, value: dict[str, Any], pointer: str) -> tuple[dict[str, Any], list[Fault]]:
    try:
        return schema.load(value), []
    except ValidationError as error:
        valid = error.valid_data if isinstance(error.valid_data, dict) else {}
        return valid, first_faults(faults_of(error.messages, pointer))


def _faults_across(envelope: Mapping[str, Any], data: Mapping[str, Any], now_us: int, pointer: str) -> Iterator[Fault]:
    time_us = envelope.get("time")
    if time_us is None:
        return
    if time_us > now_us + MOST_AHEAD_US:
        clock = datetime.fromtimestamp(now_us // 1_000_000, UTC).isoformat()
        ahead = (time_us - now_us) // HOUR_US
        yield Fault(
            below(pointer, "time"),
            f"is {ahead} h ahead of the server's clock ({clock}), at most 24 h are taken; set the sender's clock",
        )
    for name in EARLIER_FIELDS:
        if data.get(name, time_us) > time_us:
            found = shown(envelope["data"][name])
            yield Fault(f"{pointer}/data/{name}", f"is later than the event's time; found {found}; correct one of them")
    target = _target(data)
    if envelope.get("type") == VOIDED and None not in target and target == (envelope.get("source"), envelope.get("id")):
        yield Fault(f"{pointer}/data/id", "is this event itself; name the event that never should have been")


def _judged(envelope: dict[str, Any], data: dict[str, Any], people: People, item: Any) -> Judged:
    kind, subject, time_us = envelope["type"], envelope["subject"], envelope["time"]
    names = [name for name in PEOPLE_FIELDS if name in data]
    content = [kind, subject, time_us, data]
    if names:
        content[3] = data | {name: people.stand_in(data[name]) for name in names}
    if names and people.setting != "keep":
        kept = {name: people.kept(data[name]) for name in names}
        item = item | {"data": _with_names(item["data"], kept)}
        data = _with_names(data, kept)
    return Judged(
        source=envelope["source"],
        id=envelope["id"],
        type=kind,
        subject=subject,
        time_us=time_us,
        payload=orjson.dumps(item, default=_as_written),
        content_hash=_content_hash(content),
        void_target=_target(data) if kind == VOIDED else None,
        data=data,
    )


def _target(data: Mapping[str, Any]) -> tuple[Any, Any]:
    return data.get("source"), data.get("id")


def _with_names(data: dict[str, Any], kept: dict[str, str | None]) -> dict[str, Any]:
    renamed: dict[str, Any] = data | kept
    for name, value in kept.items():
        if value is None:
            del renamed[name]
    return renamed


class _Person(NamedTuple):
    """A name in a field: what stands for it where contents are compared, what is kept; field and name as JSON."""

    stand_in: str
    kept: str | None
    sent: bytes
    stored: bytes


# A shop has a few dozen names, and each comes with every event.
@lru_cache(maxsize=1024)
def _person(setting: str, key: bytes, generation: int, field: str, name: str) -> _Person:
    people = People(setting, key, generation)
    kept = people.kept(name)
    return _Person(people.stand_in(name), kept, _member(field, name), _member(field, kept))


def _member(name: str, value: str | None) -> bytes:
    """A field and its value in compact JSON."""
    return b'"%b":%b' % (name.encode(), orjson.dumps(value))


@lru_cache(maxsize=1024)
def _pseudonym(key: bytes, generation: int, name: str) -> str:
    folded = unicodedata.normalize("NFC", unicodedata.normalize("NFC", name.strip()).casefold())
    return pseudonym(hmac.digest(key, folded.encode(), "sha256"), generation)


@lru_cache(maxsize=1024)
def _stand_in(key: bytes, name: str) -> str:
    # The NUL, which no name holds, keeps this apart from the digest that pseudonyms are cut from.
    return hmac.digest(key, b"\0" + name.encode(), "sha256").hex()


def _content_hash(content: list[Any]) -> bytes:
    canonical = orjson.dumps(content, default=_by_value, option=orjson.OPT_SORT_KEYS)
    return blake2b(canonical, digest_size=16).digest()


def _by_value(value: Any) -> orjson.Fragment:
    if not isinstance(value, Decimal):
        raise TypeError(type(value).__name__)
    return orjson.Fragment(canonical(value))


def _as_written(value: Any) -> orjson.Fragment:
    if not isinstance(value, Decimal):
        raise TypeError(type(value).__name__)
    return orjson.Fragment(value.text if isinstance(value, Written) else str(value))
