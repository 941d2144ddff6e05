"""The quick way in beside the schemas: what it takes they take, with the same payload, hash and values."""

from __future__ import annotations

import json
import random
import re
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, Final

import msgspec
import orjson
import pytest
from marshmallow import ValidationError

from service.acceptance import Judged, People, judge, taken_quickly
from service.bodies import ARRAY, LINES, ONE_EVENT, parse_items
from service.schemas import quick
from service.schemas.events import DATA_SCHEMAS, ENVELOPE
from service.schemas.examples import EXAMPLES
from service.schemas.quick import Figures, _by_the_day, accepting
from service.strict_json import NumberUnfit
from tests.conftest import THOROUGH
from tests.service.sent import KEY, MINIMAL, NOW_US, PEOPLE, door, event, full
from worker.events import EVENT_TYPES

MUTANTS: Final = 60_000 if THOROUGH else 12_000
#: Types that are always asked of their schema.
_BY_THE_THOUSAND: Final = ("attempt", "plate", "job", "machine")
SLOW: Final = [kind for kind, subject in EVENT_TYPES.items() if subject not in _BY_THE_THOUSAND]
QUICK: Final = [kind for kind in EXAMPLES if kind not in SLOW]

#: JSON texts that a value may be replaced by: what is right here and wrong there, and what is right nowhere.
ODD_VALUES: Final = (
    "null", "true", "false", "0", "-0", "-0.0", "0.0", "1", "1.0", "2e1", "2E+1", "20.50", "1e400", "1e-400", "1e41",
    "-1", "7", "0.001", "0.0001", "12.3456789", "100000", "1e5", "9007199254740993", "123456789012345678901234567890",
    "0.1000000000000000055511151231257827", "3.140000000000000000000000000", '""', '" "', '"oxygen"', '"new"', '"B"',
    '"1 1/4"', '"3/4"', '"\\u0041"', '"\\u0000"', '"\\ud800"', '"\\n"', '"a\\"b"', '":b"', '"\u2028"', '"\u202e"',
    '"\u00e9"', '"e\u0301"', '"' + "x" * 128 + '"', '"' + "x" * 129 + '"', '"2026-03-02T06:15:00+01:00"',
    '"2026-03-02t06:15:00.123456789z"', '"2026-02-30T00:00:00Z"', '"2031-03-02T06:15:00Z"', '"1999-01-01T00:00:00Z"',
    '"2026-03-02"', '"2026-02-30"', '"ISO 9013-342"', '"urn:x"', "[]", "{}", "[1, -0, 2.50]", "[null]", '["x"]',
    '[{"term": "slag_lower_edge"}]', '[{"term": "slag_lower_edge", "parts": 1.0}]', '{"name": "a"}', '{"power_w": 1e3}',
    '{"a": 1, "a": 1}', "NaN", "Infinity", "01", "1.", ".5", "+1",
)  # fmt: skip
ODD_NAMES: Final = (
    "quantity", "thickness_mm", "thickness_in", "operator", "inspector", "gas", "good", "tried", "pierces", "recipe",
    "started_at", "comment", "x" * 200, "traceparent", "data_base64", "Gas", "id", "type", "specversion",
)  # fmt: skip
#: A member of an object, as `json.dumps` writes one with a plain value.
_MEMBER = re.compile(r'"(\w+)": ("(?:[^"\\]|\\.)*"|-?[0-9.e]+|true|false|null)')


def test_an_instant_of_a_remembered_day_is_what_its_field_reads() -> None:
    read = ENVELOPE.fields["time"].read  # type: ignore[attr-defined]
    quick, rng, taken = _by_the_day(read), random.Random(5), 0
    days = (
        "2026-03-02",
        "2024-02-29",
        "2023-02-29",
        "2000-01-01",
        "1999-12-31",
        "9999-12-31",
        "2026-3-02",
        "2026-13-01",
    )
    hours, minutes = ("00", "05", "23", "24", "2:", "٠1"), (":00", ":59", ":60", ":6", "-10")
    seconds = (":00", ":30", ":59", ":60", ":6", "", ":30.5", ":30.123456789", ":30.")
    ends = ("Z", "z", "+01:00", "-11:30", "+24:00", "", " Z", "+1:00")
    for _ in range(20_000):
        text = "".join(map(rng.choice, (days, ("T", "t", " ", ""), hours, minutes, seconds, ends)))
        try:
            instant = quick(text)
        except ValidationError:
            # The schema is asked.
            continue
        assert instant == read(text), text
        taken += 1
    assert taken > 200


def mutants(count: int, seed: int) -> Iterator[str]:
    """Events as text, most of them changed in one to three places."""
    rng = random.Random(seed)
    texts = [json.dumps(one, ensure_ascii=False) for kind in EXAMPLES for one in (full(kind), event(kind))]
    for _ in range(count):
        text = rng.choice(texts)
        for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
            text = rng.choice(CHANGES)(rng, text)
        yield text


def _other_value(rng: random.Random, text: str) -> str:
    members = list(_MEMBER.finditer(text))
    found = rng.choice(members)
    return f'{text[: found.start()]}"{found[1]}": {rng.choice(ODD_VALUES)}{text[found.end() :]}' if members else text


def _value_of_another(rng: random.Random, text: str) -> str:
    """A value that is right for another field, or nearly right for this one."""
    members = list(_MEMBER.finditer(text))
    if not members:
        return text
    found, other = rng.choice(members), rng.choice(members)
    return f'{text[: found.start()]}"{found[1]}": {other[2]}{text[found.end() :]}'


def _one_more_member(rng: random.Random, text: str) -> str:
    braces = [found.end() for found in re.finditer(r"\{", text)]
    name, value = rng.choice(ODD_NAMES), rng.choice(ODD_VALUES)
    at = rng.choice(braces)
    comma = "" if text[at : at + 1] == "}" else ", "
    return f'{text[:at]}"{name}": {value}{comma}{text[at:]}'


def _one_member_less(rng: random.Random, text: str) -> str:
    members = list(re.finditer(_MEMBER.pattern + ", ", text))
    found = rng.choice(members) if members else None
    return text if found is None else text[: found.start()] + text[found.end() :]


def _other_blanks(rng: random.Random, text: str) -> str:
    blank = rng.choice((" ", "\t", "\r", "  ", "", "\f", "\u00a0"))
    at = rng.choice([found.start() for found in re.finditer("[{}:,]", text)])
    return text[:at] + blank + text[at:]


def _other_character(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text))
    return text[:at] + rng.choice('{}[]",:\\0-9aZ\x00\x7f\u2028\u00ff') + text[at + rng.randrange(2) :]


CHANGES: Final[tuple[Callable[[random.Random, str], str], ...]] = (
    _other_value, _other_value, _other_value, _value_of_another, _one_more_member, _one_member_less, _other_blanks,
    _other_character,
)  # fmt: skip


def same(quick: Judged, strict: Judged) -> bool:
    """Two events that nothing after the door can tell apart."""
    return (
        (quick.source, quick.id, quick.type, quick.subject, quick.time_us, quick.void_target)
        == (strict.source, strict.id, strict.type, strict.subject, strict.time_us, strict.void_target)
        and (quick.payload, quick.content_hash) == (strict.payload, strict.content_hash)
        and quick.data == strict.data
    )


@pytest.mark.parametrize("setting", ["keep", "pseudonym", "drop"])
def test_what_is_taken_quickly_is_what_the_schema_takes(setting: str) -> None:
    people = People(setting, KEY)
    tally: Counter[str] = Counter()
    for text in mutants(MUTANTS // 3, seed=len(setting)):
        raw = text.encode("utf-8", "surrogatepass")
        quick = taken_quickly(raw, now_us=NOW_US, people=people)
        strict = door(raw, people) if quick is not None else None
        if quick is not None:
            assert isinstance(strict, Judged), (text, strict)
            assert same(quick, strict), (text, quick, strict)
        tally["quick" if quick is not None else "asked"] += 1
    # A way in that took nothing would pass, and so would one that was never tried with what is wrong.
    assert min(tally["quick"], tally["asked"]) > MUTANTS // 3 // 10


def test_a_form_that_is_known_is_taken_as_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """The function for the fields that an object names, and the one for any, differ in nothing that they take."""
    decode = msgspec.json.Decoder(float_hook=Figures().__getitem__).decode
    texts = list(mutants(MUTANTS // 6, seed=11))
    told: list[list[Any]] = []
    for most in (10**9, 0):
        monkeypatch.setattr(quick, "MOST_FORMS", most)
        accepts = {name: accepting(DATA_SCHEMAS[name]) for name in QUICK}
        told.append([_taken_of(accepts, decode, text) for text in texts])
    assert told[0] == told[1]
    assert sum(one is not None for one in told[0]) > MUTANTS // 6 // 10


def _taken_of(accepts: dict[str, quick.Accept], decode: Callable[[str], Any], text: str) -> Any:
    try:
        found = decode(text)
        loaded, hashed, given = accepts[found["type"]](found["data"]) or (None, None, 0)
    except (msgspec.MsgspecError, NumberUnfit, ValidationError, LookupError, TypeError, UnicodeEncodeError):
        return None
    return loaded and (loaded, orjson.dumps(hashed, default=str, option=orjson.OPT_SORT_KEYS), given)


def test_an_object_is_taken_in_any_order_and_with_nulls_but_not_without_what_it_needs() -> None:
    accept = accepting(DATA_SCHEMAS["cutledger.machine.serviced"])
    sent: tuple[dict[str, Any], ...] = (
        {"what": "nozzle", "note": "worn"}, {"note": "worn", "what": "nozzle"}, {"what": "nozzle"},
        {"what": "nozzle", "note": None},
    )  # fmt: skip
    for found in (*sent, *sent):
        loaded = {name: value for name, value in found.items() if value is not None}
        assert accept(found) == (loaded, loaded, len(found))
    for found in ({}, {"note": "worn"}, {"what": None}, {"what": "nozzle", "other": 1}):
        assert accept(found) is None


@pytest.mark.parametrize("kind", QUICK)
@pytest.mark.parametrize("setting", ["keep", "pseudonym"])
def test_what_is_right_in_its_simplest_form_is_taken_quickly(kind: str, setting: str) -> None:
    for one in (full(kind), event(kind, MINIMAL[kind])):
        raw = orjson.dumps(one)
        # What an escape hides is read strictly.
        is_taken = taken_quickly(raw, now_us=NOW_US, people=People(setting, KEY)) is not None
        assert is_taken is (b"\\" not in raw)


def test_types_that_administer_and_voids_are_always_asked_of_their_schema() -> None:
    for kind in SLOW:
        assert taken_quickly(orjson.dumps(full(kind)), now_us=NOW_US, people=PEOPLE) is None


@pytest.mark.parametrize("media_type", [ARRAY, LINES, ONE_EVENT])
def test_a_body_read_quickly_is_the_body_read_strictly(media_type: str) -> None:
    """Item by item: the same event, or the same faults at the same places."""
    rng = random.Random(7)
    some = list(mutants(MUTANTS // 4, seed=3))
    while some:
        take = 1 if media_type == ONE_EVENT else rng.randrange(1, 12)
        texts, some = some[:take], some[take:]
        body = ("[" + ", ".join(texts) + "]" if media_type == ARRAY else "\n".join(texts)).encode("utf-8", "replace")
        strict, quick = (_read(body, media_type, quickly=quickly) for quickly in (False, True))
        assert quick == strict


def _read(body: bytes, media_type: str, *, quickly: bool) -> Any:
    def taken(raw: bytes) -> Judged | None:
        return taken_quickly(raw, now_us=NOW_US, people=PEOPLE) if quickly else None

    try:
        batch = parse_items(body, media_type, taken)
    except Exception as error:
        return type(error), str(error)
    return batch.single, [
        (item.pointer, item.id, item.type, _told(item.taken or item.faults or judge(
            item.value, now_us=NOW_US, people=PEOPLE, pointer=item.pointer
        )))
        for item in batch.items
    ]  # fmt: skip


def _told(found: Judged | list[Any]) -> Any:
    return (found.payload, found.content_hash) if isinstance(found, Judged) else found
