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
from typing import Any, Final

import orjson
from marshmallow import ValidationError

from service.faults import Fault, below, first_faults, shown
from service.schemas.events import DATA_SCHEMAS, ENVELOPE
from service.schemas.strict import StrictSchema, faults_of
from service.strict_json import Written
from worker.events import PEOPLE_SETTINGS, VOIDED
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


@dataclass(frozen=True, slots=True)
class Judged:
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


# A shop has a few dozen names, and each comes with every event.
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
    # 20, 20.0 and 2e1 are one number, and -0 is 0. Exact: what is read has at most 28 digits.
    return orjson.Fragment(f"{value.normalize():f}" if value else "0")


def _as_written(value: Any) -> orjson.Fragment:
    if not isinstance(value, Decimal):
        raise TypeError(type(value).__name__)
    return orjson.Fragment(value.text if isinstance(value, Written) else str(value))
