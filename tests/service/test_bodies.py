from __future__ import annotations

import gzip
import io
import json
import re
import tracemalloc
import zlib
from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service import bodies
from service.bodies import (
    ARRAY,
    LINES,
    MEDIA_TYPES,
    MOST_ITEMS,
    ONE_EVENT,
    BodyTooLarge,
    BodyUnreadable,
    EncodingUnknown,
    EventTooLong,
    MediaTypeUnknown,
    TooManyItems,
    TooManyValues,
    parse_items,
    read_body,
)
from service.faults import MOST_FAULTS
from service.schemas.examples import EXAMPLES
from service.strict_json import Written
from tests.fuzz.bodies import decode, seeds

LIMIT = 1000
MIB = 1024 * 1024
JSON = "application/json"


class Trickle(io.BytesIO):
    """A stream that gives a few bytes at a time, as a slow chunked sender does."""

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(min(size or 0, 7))


def read(packed: bytes, *, encoding: str | None = None, length: int | None = None, limit: int = LIMIT) -> bytes:
    return read_body(Trickle(packed), content_length=length, encoding=encoding, limit=limit)


def test_read_body_takes_what_fits_with_and_without_length() -> None:
    assert read(b"x" * LIMIT) == b"x" * LIMIT
    assert read(b"{}", length=2) == b"{}"
    assert read(b"", length=0) == b""
    assert read(b"{}", encoding=" Identity ") == b"{}"


def test_read_body_reads_at_most_one_byte_more_than_the_limit() -> None:
    stream = io.BytesIO(b"x" * 100_000)
    with pytest.raises(BodyTooLarge) as caught:
        read_body(stream, content_length=None, encoding=None, limit=LIMIT)
    assert stream.tell() == LIMIT + 1
    assert caught.value.limit == LIMIT


@pytest.mark.parametrize("stated", [None, 5, -1, LIMIT])
def test_read_body_trusts_no_stated_length(stated: int | None) -> None:
    with pytest.raises(BodyTooLarge):
        read(b"x" * (LIMIT + 1), length=stated)


def test_read_body_refuses_a_stated_length_over_the_limit_unread() -> None:
    stream = io.BytesIO(b"x")
    with pytest.raises(BodyTooLarge):
        read_body(stream, content_length=LIMIT + 1, encoding=None, limit=LIMIT)
    assert stream.tell() == 0


def test_read_body_refuses_a_body_shorter_than_stated() -> None:
    with pytest.raises(BodyUnreadable, match="ended after 3 of 9 bytes"):
        read(b"[1]", length=9)


@pytest.mark.parametrize("encoding", ["gzip", "x-gzip", "GZIP"])
def test_read_body_unpacks_gzip_of_one_or_several_members(encoding: str) -> None:
    assert read(gzip.compress(b"abc"), encoding=encoding) == b"abc"
    assert read(gzip.compress(b"abc") + gzip.compress(b"") + gzip.compress(b"de"), encoding=encoding) == b"abcde"


def test_read_body_bounds_gzip_by_what_comes_out() -> None:
    assert len(read(gzip.compress(b"x" * LIMIT), encoding="gzip")) == LIMIT
    with pytest.raises(BodyTooLarge):
        read(gzip.compress(b"x" * (LIMIT + 1)), encoding="gzip")


@pytest.mark.parametrize(
    "packed",
    [
        b"",
        b"{}",
        gzip.compress(b"abc")[:-1],
        gzip.compress(b"abc")[:5],
        gzip.compress(b"abc") + b"junk",
        gzip.compress(b"abc")[:-6] + b"\0" * 6,
        gzip.compress(b"abc") + gzip.compress(b"abc")[:9],
        zlib.compress(b"abc"),
        gzip.compress(b"") * 1001,
    ],
    ids=["empty", "plain", "cut", "cut head", "tail", "checksum", "cut member", "zlib", "thousands of members"],
)
def test_read_body_refuses_bad_gzip(packed: bytes) -> None:
    with pytest.raises(BodyUnreadable, match="gzip"):
        read(packed, encoding="gzip", limit=100_000)


@pytest.mark.parametrize("encoding", ["br", "deflate", "gzip, gzip", "zstd"])
def test_read_body_refuses_other_encodings(encoding: str) -> None:
    with pytest.raises(EncodingUnknown, match="send gzip"):
        read(b"x", encoding=encoding)


def test_read_body_refuses_a_bomb_of_2_gb_in_bounded_memory() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    head = packer.compress(b"\0" * MIB) + packer.flush(zlib.Z_FULL_FLUSH)
    # After a full flush the same megabyte of zeros packs into the same bytes again.
    again = packer.compress(b"\0" * MIB) + packer.flush(zlib.Z_FULL_FLUSH)
    bomb = head + again * 2047
    tracemalloc.start()
    try:
        with pytest.raises(BodyTooLarge):
            read_body(io.BytesIO(bomb), content_length=len(bomb), encoding="gzip", limit=16 * MIB)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 40 * MIB


def test_parse_items_reads_one_event_an_array_and_lines() -> None:
    one, two = b'{"id": "1"}', b'{"id": "2"}'
    single = parse_items(one, ONE_EVENT)
    assert single.single
    assert [(item.pointer, item.id) for item in single.items] == [("", "1")]
    for media_type, body in (
        (ARRAY, b" [" + one + b" , " + two + b"] \r\n"),
        (JSON, b"[" + one + b"," + two + b"]"),
        (LINES, b"\n \t\r\n" + one + b"\r\n\n  " + two),
    ):
        batch = parse_items(body, media_type)
        assert not batch.single
        assert [(item.pointer, item.id) for item in batch.items] == [("/0", "1"), ("/1", "2")]


@pytest.mark.parametrize(("media_type", "body"), [(ARRAY, b"[ ]"), (JSON, b"[]"), (LINES, b""), (LINES, b"\n\n")])
def test_parse_items_takes_no_events_at_all(media_type: str, body: bytes) -> None:
    assert parse_items(body, media_type).items == []


def test_parse_items_keeps_numbers_exact_and_as_written() -> None:
    (item,) = parse_items(b"[[1, 2.50, 1E2, 1e-7, -0.0, 9007199254740992]]", JSON).items
    numbers = item.value
    assert numbers == [1, Decimal("2.5"), 100, Decimal("1e-7"), 0, 2**53]
    assert [type(each) for each in numbers] == [int, Decimal, Written, Written, Decimal, int]
    assert [each.text for each in numbers[2:4]] == ["1E2", "1e-7"]


def test_parse_items_tolerates_a_byte_order_mark_and_parameters() -> None:
    for media_type in (f"{JSON}; charset=UTF-8", f' {JSON.upper()};charset="utf-8"', f"{LINES};x=1"):
        assert len(parse_items(b'\xef\xbb\xbf{"id": "1"}', media_type).items) == 1


@pytest.mark.parametrize("media_type", ["", "text/csv", "application/jsonx", f"{JSON}; charset=latin-1"])
def test_parse_items_refuses_other_media_types(media_type: str) -> None:
    with pytest.raises(MediaTypeUnknown, match="application/x-ndjson"):
        parse_items(b"{}", media_type)


@pytest.mark.parametrize(
    ("media_type", "body", "reason"),
    [
        (JSON, b"", "line 1, column 1: .*; found the end"),
        (JSON, b'{"id": "1",\n "id2" 3}', 'line 2, column 8: .*; found "3}"'),
        (JSON, b"[{}\n,]", 'line 2, column 2: .*; found "]"'),
        (JSON, b"[{} {}]", 'line 1, column 5: a comma or the end of the array is missing; found "{}]"'),
        (JSON, b"[{}", "line 1, column 4: .*; found the end"),
        (JSON, b"{} {}", "send one event a line as application/x-ndjson"),
        (JSON, b"[] []", "more after the end"),
        (JSON, b'{"a": "tab\there"}', "line 1, column 11"),
        (JSON, b'{"a": 01}', "column 8"),
        (JSON, b"\xff\xfe{\0}\0", "not in UTF-8: found byte 0xff at offset 0"),
        (JSON, b'{"a": "\xed\xa0\x80"}', "not in UTF-8"),
        (JSON, b"[" * 100_000, "nested too deeply; at most 32"),
        (ONE_EVENT, b'{"a":' * 100_000, "nested too deeply"),
        (ARRAY, b"{}", f"must be an array of events; send one event as {ONE_EVENT.replace('+', '.')}"),
        (ONE_EVENT, b"[]", f"must be one event; send an array of events as {ARRAY.replace('+', '.')}"),
    ],
)
def test_parse_items_refuses_a_body_that_is_no_json(media_type: str, body: bytes, reason: str) -> None:
    with pytest.raises(BodyUnreadable, match=reason):
        parse_items(body, media_type)


@pytest.mark.parametrize(
    ("line", "detail"),
    [
        (b'{"id": }', 'line 3, column 8: .*; found "}"'),
        (b"{} {}", "line 3, column 4"),
        (b'{"id": "\xff"}', "line 3 is not in UTF-8: found byte 0xff at offset 8"),
        (b"[" * 100_000, "nested too deeply"),
        (b"\x0c", "line 3, column 1"),
    ],
)
def test_a_bad_line_is_a_faulty_item_and_holds_up_no_other(line: bytes, detail: str) -> None:
    batch = parse_items(b'{"id": "1"}\n\n' + line + b'\n{"id": "3"}', LINES)
    assert [item.id for item in batch.items] == ["1", None, "3"]
    (fault,) = batch.items[1].faults
    assert fault.pointer == "/1"
    assert re.search(detail, fault.detail)


@pytest.mark.parametrize(
    ("member", "pointer", "mend"),
    [
        ('"a": NaN', "/a", "leave the field out"),
        ('"a": -Infinity', "/a", "is -Infinity"),
        ('"a": 1, "a": 2', "/a", "more than once; keep one"),
        ('"a/b~": {"c": [0, NaN]}', "/a~1b~0/c/1", "NaN"),
        (f'"a": {"9" * 10_000}', "/a", "a number of 10000 characters"),
        (f'"a": 0.{"3" * 10_000}', "/a", "at most 28"),
        ('"a": 9007199254740993', "/a", r"larger than 2\^53"),
        ('"a": -9007199254740993', "/a", r"larger than 2\^53"),
        ('"a": 1e400', "/a", "exponent"),
        ('"a": 1e-41', "/a", "exponent"),
        ('"a": 1e9999999999999999999', "/a", "exponent"),
        ('"a": "x\\u0000"', "/a", "NUL character .*; remove it"),
        ('"a": "\\ud83d"', "/a", "half of a surrogate pair"),
        ('"a": "\\ude00\\ud83d"', "/a", "half of a surrogate pair"),
        ('"b\\u0000": 1', "", "field name.*NUL"),
        ('"b\\udc00": {"c": NaN}', "", "half of a surrogate"),
        (f'"a": {"[" * 40}{"]" * 40}', "/a" + "/0" * 31, "deeper than 32"),
        (f'"a": {"[" * 500}{"]" * 500}', "/a" + "/0" * 31, "deeper than 32"),
    ],
)
def test_what_cannot_be_kept_is_a_fault_of_its_item_with_its_place(member: str, pointer: str, mend: str) -> None:
    good, bad = '{"id": "ok", "a": "\\ud83d\\ude00 \\u00e9"}', f'{{"id": "bad", {member}}}'
    for media_type, body in ((JSON, f"[{good}, {bad}, {good}]"), (LINES, f"{good}\n{bad}\n{good}")):
        batch = parse_items(body.encode(), media_type)
        assert [item.id for item in batch.items] == ["ok", "bad", "ok"]
        assert [bool(item.faults) for item in batch.items] == [False, True, False]
        fault = batch.items[1].faults[0]
        assert fault.pointer == "/1" + pointer
        assert re.search(mend, fault.detail)
    assert parse_items(bad.encode(), JSON).items[0].faults[0].pointer == pointer


def test_of_many_doubled_names_only_the_first_are_kept() -> None:
    item = parse_items(b'{"x": [' + b",".join([b'{"a": 0, "a": 0}'] * 10_000) + b'], "y": 0, "y": 0}', JSON).items[0]
    assert len(item.faults) == MOST_FAULTS
    assert sum(bool(each.names) for each in item.value["x"]) == MOST_FAULTS


def test_a_doubled_name_is_a_fault_even_where_others_hid_the_rest() -> None:
    hidden = "[" + ",".join(['{"a": 0, "a": 0}'] * 20) + "]"
    (item,) = parse_items(f'{{"x": {hidden}, "x": 0}}'.encode(), JSON).items
    assert [(fault.pointer, fault.detail) for fault in item.faults] == [
        ("", "gives a name more than once; keep one of each")
    ]


def test_depth_of_32_is_taken() -> None:
    (item,) = parse_items(('{"a": ' + "[" * 31 + "]" * 31 + "}").encode(), JSON).items
    assert item.faults == []


def test_faults_of_one_item_are_bounded() -> None:
    (item,) = parse_items(b'{"a": [' + b"NaN," * 100_000 + b"1]}", JSON).items
    assert len(item.faults) == 10


@pytest.mark.parametrize(("media_type", "pattern"), [(JSON, "[{}{}]"), (LINES, "{}{}")])
def test_parse_items_takes_no_more_than_50_000_items(media_type: str, pattern: str) -> None:
    mark = "," if media_type == JSON else "\n"
    most = ("1" + mark) * (MOST_ITEMS - 1)
    assert len(parse_items(pattern.format(most, "1").encode(), media_type).items) == MOST_ITEMS
    with pytest.raises(TooManyItems, match="smaller parts"):
        parse_items(pattern.format(most, f"1{mark}1").encode(), media_type)


def test_item_gives_back_only_an_id_that_can_be_sent() -> None:
    bodies = ['{"id": 5}', '{"id": ""}', '{"id": "\\u0000"}', f'{{"id": "{"x" * 129}"}}', "[7]", "7", '{"id": "a"}']
    assert [parse_items(each.encode(), LINES).items[0].id for each in bodies] == [None] * 6 + ["a"]


KNOWN = (BodyUnreadable, TooManyItems)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.sampled_from(MEDIA_TYPES))
def test_parse_items_raises_nothing_unforeseen_for_any_bytes(body: bytes, media_type: str) -> None:
    with suppress(*KNOWN):
        parse_items(body, media_type)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet='[]{},:"\\u0dD89eE+-.1ntrufalsNI \n\t', max_size=80), st.sampled_from(MEDIA_TYPES))
def test_parse_items_raises_nothing_unforeseen_for_nearly_json(text: str, media_type: str) -> None:
    try:
        batch = parse_items(text.encode(), media_type)
    except KNOWN:
        return
    if all(not item.faults for item in batch.items):
        for item in batch.items:
            json.dumps(item.value, default=str).encode()


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(EXAMPLES)), st.integers(0, 10_000), st.binary(max_size=3), st.sampled_from(MEDIA_TYPES))
def test_parse_items_raises_nothing_unforeseen_for_damaged_events(
    kind: str, place: int, damage: bytes, media_type: str
) -> None:
    body = json.dumps(EXAMPLES[kind]).encode()
    at = place % len(body)
    with suppress(*KNOWN):
        parse_items(body[:at] + damage + body[at + 1 :], media_type)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 200), st.binary(max_size=4))
def test_read_body_raises_nothing_unforeseen_for_any_gzip(content: bytes, place: int, damage: bytes) -> None:
    packed = gzip.compress(content, mtime=0)
    at = place % len(packed)
    for sent in (content, packed[:at] + damage + packed[at:], packed[:at]):
        with suppress(BodyTooLarge, BodyUnreadable):
            read(sent, encoding="gzip")


# --- bounds -----------------------------------------------------------------------------------------------------


def test_values_of_a_body_are_bounded_before_they_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "MOST_VALUES", 5)
    assert len(parse_items(b"[1,2,3,4,5]", JSON).items) == 5
    for body, kind in ((b"[1,2,3,4,5,6]", JSON), (b'{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6}\n', LINES)):
        with pytest.raises(TooManyValues, match="more than 5 values"):
            parse_items(body, kind)


def test_an_event_longer_than_any_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "LONGEST_EVENT", 50)
    long = b'{"id": "' + b"x" * 60 + b'"}'
    for body, kind, pointer in ((long, ONE_EVENT, "the event"), (b"[{},%s,{}]" % long, ARRAY, "/1")):
        with pytest.raises(EventTooLong, match=f"^{pointer} is longer than 50 characters"):
            parse_items(body, kind)
    items = parse_items(b"{}\n%s\n{}" % long, LINES).items
    assert [[fault.detail for fault in item.faults] for item in items] == [[], ["line 2 is longer than 50 bytes"], []]


@pytest.mark.parametrize("long", [b"[" * 200, b"[" + b"1," * 100, b"7" * 200, b'"' + b"x" * 200, b'{"a":' * 50])
def test_whatever_is_long_is_told_to_be(long: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "LONGEST_EVENT", 50)
    with pytest.raises(EventTooLong):
        parse_items(b"[0,%s" % long, ARRAY)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.recursive(st.none() | st.integers(-99, 99) | st.text(max_size=5), lambda one: st.lists(one, max_size=3))
    ),
    st.integers(64, 200),
    st.sampled_from([None, 2, ""]),
)
def test_an_array_reads_alike_in_one_piece_and_in_several(values: list[object], longest: int, indent: object) -> None:
    body = json.dumps(values, indent=indent).encode()  # type: ignore[arg-type]
    whole = parse_items(body, ARRAY)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bodies, "LONGEST_EVENT", longest)
        with suppress(EventTooLong):
            assert parse_items(body, ARRAY) == whole
            return
    assert max(len(json.dumps(value, indent=indent)) for value in values) > longest / 2  # type: ignore[arg-type]


@pytest.mark.parametrize("body", [b"[" * 100_000, b'{"a":' * 100_000, b"[" * 100_000 + b"]" * 100_000])
def test_nesting_is_refused_by_its_depth(body: bytes) -> None:
    with pytest.raises(BodyUnreadable, match="nested too deeply"):
        parse_items(body, JSON)


def test_five_million_members_take_no_more_memory_than_their_text() -> None:
    body = b"{" + b'"":0,' * 5_000_000 + b"}"
    tracemalloc.start()
    try:
        with pytest.raises(TooManyValues):
            parse_items(body, JSON)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < MIB


def mangled(body: bytes) -> st.SearchStrategy[bytes]:
    """The body with a few bytes put in the place of others."""
    places = st.tuples(st.integers(0, len(body)), st.integers(0, 8), st.binary(max_size=8))
    return places.map(lambda found: body[: found[0]] + found[2] + body[found[0] + found[1] :])


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 255), st.binary(max_size=200) | st.sampled_from(seeds()).flatmap(mangled))
def test_whatever_comes_is_a_batch_or_a_declared_refusal(form: int, body: bytes) -> None:
    decode(bytes([form]) + body)
