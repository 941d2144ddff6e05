from __future__ import annotations

import hashlib
import hmac
import json
import re
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.acceptance import Judged, People, judge
from service.bodies import parse_items
from service.schemas.examples import EXAMPLES
from tests.service.sent import (
    FINISHED,
    INSPECTED,
    JOB,
    KEY,
    MINIMAL,
    NOW_US,
    PEOPLE,
    REWORKED,
    STARTED,
    VOIDED,
    accepted,
    door,
    event,
    full,
    job,
    raw,
    refused,
    with_data,
)  # fmt: skip
from worker.events import EVENT_TYPES

ALL_TYPES = sorted(EVENT_TYPES)


def test_all_faults_of_an_event_are_told_at_once() -> None:
    sent = event(
        FINISHED,
        {"outcome": "cut", "goood": 1, "recipe": {"power_w": "x"}, "started_at": "2027-01-01T00:00:00Z"},
        id="",
        time="2026-04-01T00:00:00Z",
    )
    pointers = [fault.pointer for fault in refused(sent)]
    assert sorted(pointers) == [
        "/data/goood", "/data/outcome", "/data/recipe/power_w", "/data/started_at", "/id", "/time",
    ]  # fmt: skip


def test_faults_of_one_event_are_bounded_and_in_the_order_sent() -> None:
    sent = with_data(STARTED, **{f"f{number}": 1 for number in range(1000)})
    assert [fault.pointer for fault in refused(sent)] == [f"/data/f{number}" for number in range(10)]


def test_pointers_start_at_the_body() -> None:
    (item,) = parse_items(json.dumps([event(data={})]).encode(), "application/json").items
    faults = judge(item.value, now_us=NOW_US, people=PEOPLE, pointer="/17")
    assert isinstance(faults, list)
    assert [fault.pointer for fault in faults] == ["/17/data/outcome"]


def test_time_may_be_24_h_ahead_and_the_bounds_of_seconds_are_inside() -> None:
    assert accepted(event(time="2026-03-10T12:00:00Z")).time_us == NOW_US + 24 * 3_600_000_000
    assert refused(event(time="2026-03-10T12:00:00.000001Z"))
    same = event(FINISHED, {"outcome": "severed", "started_at": "2026-03-02T05:15:00Z"})
    assert accepted(same).data["started_at"] == accepted(same).time_us


def test_counts_that_just_fit_are_accepted() -> None:
    fits = {"quantity": 4, "tried": 4, "good": 2, "rework": 1, "scrap": 1, "pierces": 3, "failed_pierces": 3}
    assert accepted(with_data(FINISHED, **fits)).data.items() >= fits.items()
    assert accepted(with_data(FINISHED, failed_pierces=3, tried=4, good=1))
    assert accepted(with_data(REWORKED, parts=3, recovered=2, scrapped=1))


def test_an_accepted_event_carries_its_envelope_and_its_data_loaded() -> None:
    judged = accepted(full(JOB))
    assert (judged.source, judged.subject, judged.void_target) == ("/erp/orders", "J-1042", None)
    assert judged.data["thickness_mm"] == 20_000_000
    assert judged.data["part_mass_kg"] == Decimal("7.85")
    assert len(judged.content_hash) == 16
    assert accepted(full(VOIDED)).void_target == ("/terminals/bay-2", "0197c1f2-5b7e-7c10-9a52-000000000007")


def test_payload_is_the_event_as_sent_but_compact() -> None:
    sent = raw('"seconds": 4.120e2, "recipe": {"power_w": 12000.0, "name": null}, "good": 1E0, "machine": "L\\u00e4"')
    sent = sent.replace('"specversion"', '"traceparent": "00-1", "seq": 7, "late": false, "specversion"')
    payload = accepted(sent).payload.decode()
    assert payload == re.sub(r'(?<=[:,]) (?=[\d"{nft])', "", sent).replace("\\u00e4", "ä")


@pytest.mark.parametrize(("kind", "field"), [(STARTED, "operator"), (FINISHED, "operator"), (INSPECTED, "inspector")])
def test_names_of_people_are_kept_as_the_site_says(kind: str, field: str) -> None:
    sent = with_data(kind, **{field: " ÅSA  Berg"})
    digest = hmac.digest(KEY, "åsa  berg".encode(), "sha256")
    pseudonym = "p-" + "".join("abcdefghijklmnopqrstuvwxyz234567"[int(five, 2)] for five in _fives(digest))[:12]
    for setting, kept in (("keep", " ÅSA  Berg"), ("pseudonym", pseudonym), ("drop", None)):
        judged = accepted(sent, People(setting, KEY))
        assert json.loads(judged.payload)["data"].get(field) == judged.data.get(field) == kept
        assert judged.content_hash == accepted(sent).content_hash
    assert accepted(with_data(kind, **{field: "åsa  BERG "})).data[field] == pseudonym
    assert json.loads(accepted(with_data(kind, **{field: None})).payload)["data"][field] is None


def _fives(digest: bytes) -> list[str]:
    bits = "".join(f"{byte:08b}" for byte in digest)
    return [bits[at : at + 5] for at in range(0, 60, 5)]


def test_the_content_hash_tells_names_apart_but_not_without_the_key() -> None:
    ann, bob = (accepted(with_data(STARTED, operator=name)).content_hash for name in ("Ann", "Bob"))
    other_site = accepted(with_data(STARTED, operator="Ann"), People("pseudonym", b"another secret key")).content_hash
    spaced = accepted(with_data(STARTED, operator="Ann ")).content_hash
    assert len({ann, bob, other_site, spaced}) == 4
    assert PEOPLE.stand_in("ann") != hmac.digest(KEY, b"ann", "sha256").hex()  # whose start is the pseudonym
    guessed = json.dumps([STARTED, "A-1", 1_772_428_500_000_000, {"operator": "Ann"}], separators=(",", ":"))
    assert ann != hashlib.blake2b(guessed.encode(), digest_size=16).digest()


def test_people_need_a_known_setting_and_a_key() -> None:
    for setting, key in (("hash", KEY), ("keep", b"short")):
        with pytest.raises(ValueError, match="at least 16 bytes"):
            People(setting, key)


def test_content_is_the_same_by_value_and_other_by_anything_else() -> None:
    base = job(thickness_in="3/4", part_mass_kg=7.5, cut_length_mm=0)
    same = [
        job(thickness_in=0.75, part_mass_kg=7.50, cut_length_mm=-0.0, order=None),
        base | {"time": "2026-03-02T05:15:00.0Z", "id": "other", "source": "/other", "traceparent": "00-9"},
    ]
    other = [
        base | {"time": "2026-03-02T06:15:00.000001+01:00"},
        base | {"subject": "A-2"},
        job(thickness_mm=19.05, part_mass_kg=7.5, cut_length_mm=0),
        job(thickness_in="3/4", part_mass_kg=7.5),
        job(thickness_in="3/4", part_mass_kg=7.5, cut_length_mm=0, order="0"),
    ]
    content = accepted(base).content_hash
    assert {accepted(each).content_hash for each in same} == {content}
    assert len({accepted(each).content_hash for each in other} | {content}) == 6


def test_the_order_of_lists_is_content() -> None:
    first, second = (accepted(with_data(INSPECTED, rz5_um=each)) for each in ([1, 2], [2, 1]))
    assert first.content_hash != second.content_hash


@st.composite
def rewritten(draw: st.DrawFn, value: Any, names: tuple[str, ...] = ()) -> str:
    """JSON text of the same value: other order of names, other spelling of numbers and instants, other spaces."""
    space = draw(st.sampled_from(["", " ", "\n\t"]))
    if isinstance(value, dict):
        nulls = {name: None for name in names if name not in value and draw(st.booleans())}
        members = draw(st.permutations(list((value | nulls).items())))
        inner = [f"{json.dumps(name)}:{space}{draw(rewritten(each))}" for name, each in members]
        return "{" + f"{space},".join(inner) + "}"
    if isinstance(value, list):
        return "[" + ",".join(space + draw(rewritten(each)) for each in value) + "]"
    if isinstance(value, bool) or value is None:
        return json.dumps(value)
    if isinstance(value, int | float):
        return draw(spellings(Decimal(str(value))))
    if re.fullmatch(r"\d{4}-\d\d-\d\dT.*", value):
        offset = timezone(timedelta(minutes=draw(st.integers(-1439, 1439))))
        value = datetime.fromisoformat(value).astimezone(offset).isoformat()
    return json.dumps(value, ensure_ascii=draw(st.booleans()))


def spellings(number: Decimal) -> st.SearchStrategy[str]:
    plain = f"{number:f}"
    fraction = plain if "." in plain else plain + "."
    sign, digits, exponent = number.as_tuple()
    assert isinstance(exponent, int)
    scientific = f"{'-' if sign else ''}{''.join(map(str, digits))}e{exponent}"
    return st.sampled_from([plain, fraction + "0", fraction + "000", scientific, scientific.replace("e", "E")])


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_duplicate_content_hashes_equal_however_it_is_written(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(ALL_TYPES))
    sent = full(kind)
    absent = ("note", "operator", "sizes", "defects", "order", "gas")
    body = data.draw(rewritten(sent["data"], tuple(name for name in absent if name in EXAMPLES[kind]["data"])))
    envelope = json.dumps(sent | {"data": "HERE"}).replace('"HERE"', body)
    assert accepted(envelope).content_hash == accepted(full(kind)).content_hash


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_other_content_hashes_otherwise(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(ALL_TYPES))
    sent = full(kind)
    optional = [name for name in sent["data"] if name not in MINIMAL[kind]]
    left_out = data.draw(st.sampled_from(optional)) if optional else None
    changed = sent | {"data": {k: v for k, v in sent["data"].items() if k != left_out}, "subject": "other"}
    for each in (changed, sent | {"subject": "other"}):
        judged = door(each)
        if isinstance(judged, Judged):
            assert judged.content_hash != accepted(sent).content_hash


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.decimals() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_judge_raises_nothing_unforeseen_for_any_value(data: st.DataObject) -> None:
    sent: Any = full(data.draw(st.sampled_from(ALL_TYPES)))
    place = data.draw(st.sampled_from([sent, sent["data"]]))
    place[data.draw(st.sampled_from([*place, "odd", "x"]))] = data.draw(JSON_VALUES)
    judged = judge(data.draw(st.sampled_from([sent, place])), now_us=NOW_US, people=PEOPLE, pointer="")
    if isinstance(judged, Judged):
        assert json.loads(judged.payload)["id"] == judged.id
    else:
        assert judged
        json.dumps([(fault.pointer, fault.detail) for fault in judged], ensure_ascii=False).encode()
