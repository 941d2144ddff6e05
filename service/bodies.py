"""Reads the body of the event door: bounded bytes out of a stream, and events out of bytes."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import msgspec

from service.acceptance import Judged
from service.faults import LONGEST_NAME, Fault, below, shown
from service.strict_json import NotJson, Reader, after_blanks

#: What any door takes at most, in bytes, packed and unpacked.
LARGEST_BODY: Final = 16 * 1024 * 1024
MOST_ITEMS: Final = 50_000
#: In characters: many times what the longest lists make of one event.
LONGEST_EVENT: Final = 1024 * 1024
#: Of all events of a body: a few bytes can ask for a hundred of memory.
MOST_VALUES: Final = 1_500_000
ONE_EVENT: Final = "application/cloudevents+json"
ARRAY: Final = "application/cloudevents-batch+json"
LINES: Final = "application/x-ndjson"
ONE_OR_ARRAY: Final = "application/json"
MEDIA_TYPES: Final = (ONE_EVENT, ARRAY, LINES, ONE_OR_ARRAY)

_CHUNK: Final = 64 * 1024
#: "-Infinity": where a piece of a text ends within one, the fault is told at its beginning.
_LONGEST_WORD: Final = 9
#: Thousands of empty members cost time and say nothing.
_MOST_GZIP_MEMBERS: Final = 1_000
_LINE = re.compile(rb"[^ \t\r\n][^\n]*")
_CHARSET = re.compile(r";\s*charset\s*=\s*\"?([^\s;\"]+)", re.IGNORECASE)
_BOM = b"\xef\xbb\xbf"


class BodyTooLarge(Exception):
    """The body, unpacked, has more bytes than are taken."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"the body has more than {limit} bytes unpacked; send it in smaller parts")
        self.limit = limit


class BodyUnreadable(Exception):
    """The body as a whole cannot be read: broken off, badly packed, or no JSON."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class EncodingUnknown(Exception):
    """The body is packed in a way that is not taken."""

    def __init__(self, found: str) -> None:
        super().__init__(f"content encoding {shown(found)} is not taken; send gzip, or none")
        self.found = found


class MediaTypeUnknown(Exception):
    """The body is of a media type, or in a charset, that is not taken."""

    def __init__(self, found: str) -> None:
        super().__init__(f"media type {shown(found)} is not taken; send one of {', '.join(MEDIA_TYPES)}, in UTF-8")
        self.found = found


class TooManyItems(Exception):
    """The body holds more events than one request may."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"the body holds more than {limit} events; send it in smaller parts")
        self.limit = limit


class TooManyValues(Exception):
    """The events of the body have more fields than are read."""

    def __init__(self, limit: int) -> None:
        super().__init__(f"the body holds more than {limit} values; send it in smaller parts")
        self.limit = limit


class EventTooLong(Exception):
    """One event is longer than any needs to be."""

    def __init__(self, pointer: str, limit: int) -> None:
        super().__init__(f"{pointer or 'the event'} is longer than {limit} characters; an event needs far fewer")
        self.limit = limit


class ByteStream(Protocol):
    """What a body is read from."""

    def read(self, size: int, /) -> bytes:
        """At most `size` bytes; none at the end."""


@dataclass(slots=True)
class Item:
    """One event of a body as it was read; with faults it is no event, and its value may hold placeholders.

    `taken`: the event itself, where it was taken as it was read; then its value is left out.
    """

    pointer: str
    value: Any
    faults: list[Fault] = field(default_factory=list)
    taken: Judged | None = None

    @property
    def type(self) -> str | None:
        """The type that the sender gave, when it is a text."""
        if self.taken is not None:
            return self.taken.type
        given = self.value.get("type") if isinstance(self.value, dict) else None
        return given if isinstance(given, str) else None

    @property
    def id(self) -> str | None:
        """The id that the sender gave, when it is one that can be sent back."""
        if self.taken is not None:
            return self.taken.id
        given = self.value.get("id") if isinstance(self.value, dict) else None
        sendable = isinstance(given, str) and 0 < len(given) <= LONGEST_NAME and given.isprintable()
        return given if sendable else None


@dataclass(frozen=True, slots=True)
class Batch:
    """The events of one body in its order; `single` when the body is one event and no list."""

    items: list[Item]
    single: bool


def read_encoding(encoding: str | None) -> str:
    """How a body is packed: "identity", "gzip" or "x-gzip"; raises EncodingUnknown."""
    packing = (encoding or "identity").strip().lower()
    if packing not in ("identity", "gzip", "x-gzip"):
        raise EncodingUnknown(packing)
    return packing


def read_body(stream: ByteStream, *, content_length: int | None, encoding: str | None, limit: int) -> bytes:
    """Whole body, unpacked, of at most `limit` bytes, whatever its stated length says.

    Raises BodyTooLarge, EncodingUnknown, or BodyUnreadable when it is cut short or badly packed.
    """
    packing = read_encoding(encoding)
    if content_length is not None and content_length > limit:
        raise BodyTooLarge(limit)
    chunks = _chunks(stream, content_length, limit)
    parts, size = [], 0
    for part in chunks if packing == "identity" else _unpacked(chunks, limit):
        parts.append(part)
        size += len(part)
        if size > limit:
            raise BodyTooLarge(limit)
    return b"".join(parts)


def unpacks_beyond(packed: bytes, limit: int) -> bool:
    """True when a gzip body becomes more than `limit` bytes; no more than about that is unpacked."""
    size = 0
    try:
        for part in _unpacked(iter([packed]), limit):
            size += len(part)
            if size > limit:
                return True
    except BodyUnreadable:
        return False
    return False


def _chunks(stream: ByteStream, content_length: int | None, limit: int) -> Iterator[bytes]:
    size = 0
    while chunk := stream.read(min(_CHUNK, limit + 1 - size)):
        size += len(chunk)
        yield chunk
        if size > limit:
            raise BodyTooLarge(limit)
    if content_length is not None and size < content_length:
        raise BodyUnreadable(f"the body ended after {size} of {content_length} bytes; send it again")


def _unpacked(chunks: Iterator[bytes], limit: int) -> Iterator[bytes]:
    unpacker, members, begun = zlib.decompressobj(31), 1, False
    for chunk in chunks:
        rest = chunk
        while rest:
            begun = True
            yield _inflated(unpacker, rest, limit)
            rest = unpacker.unconsumed_tail or unpacker.unused_data
            if unpacker.eof:
                unpacker, members, begun = zlib.decompressobj(31), members + 1, False
            if members > _MOST_GZIP_MEMBERS:
                raise BodyUnreadable(f"the gzip body has more than {_MOST_GZIP_MEMBERS} members; pack it as one")
    if begun or members == 1:
        raise BodyUnreadable("the gzip body is cut short; send it again")


def _inflated(unpacker: zlib._Decompress, packed: bytes, limit: int) -> bytes:
    try:
        return unpacker.decompress(packed, limit + 1)
    except zlib.error:
        raise BodyUnreadable("the body is no gzip, or was damaged on its way; send it again") from None


Quickly = Callable[[bytes], Judged | None]


def parse_items(body: bytes, media_type: str, quickly: Quickly = lambda raw: None) -> Batch:
    """The events of a body of one of MEDIA_TYPES, each with the faults that its reading showed.

    quickly: takes an event out of its bytes, or gives None; then it is read strictly.

    Raises MediaTypeUnknown, TooManyItems, TooManyValues, EventTooLong, or BodyUnreadable when an array or a single
    event is no JSON.
    """
    kind = _kind_of(media_type)
    if body.count(b",") >= MOST_VALUES:
        raise TooManyValues(MOST_VALUES)
    body = body.removeprefix(_BOM)
    if kind == LINES:
        return Batch(list(_items_of_lines(body, quickly)), single=False)
    if (at_once := _read_at_once(body, kind, quickly)) is not None:
        return at_once
    text = _decoded(body)
    start = after_blanks(text, 0)
    is_array = text.startswith("[", start)
    if kind == ARRAY and not is_array:
        raise BodyUnreadable(f"the body must be an array of events; send one event as {ONE_EVENT}")
    if kind == ONE_EVENT and is_array:
        raise BodyUnreadable(f"the body must be one event; send an array of events as {ARRAY}")
    try:
        items = list(_items_of_array(text, start)) if is_array else [_only_item(text, start)]
    except NotJson as error:
        raise BodyUnreadable(f"the body is no JSON: {_place(text, error)}") from None
    return Batch(items, single=not is_array)


def _kind_of(media_type: str) -> str:
    kind = media_type.partition(";")[0].strip().lower()
    charset = _CHARSET.search(media_type)
    if kind not in MEDIA_TYPES or (charset and charset[1].lower() not in ("utf-8", "utf8", "us-ascii")):
        raise MediaTypeUnknown(media_type)
    return kind


def _decoded(body: bytes) -> str:
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BodyUnreadable(f"the body is not in UTF-8: {_odd_byte(error)}") from None


def _odd_byte(error: UnicodeDecodeError) -> str:
    return f"found byte 0x{error.object[error.start]:02x} at offset {error.start}"


def _only_item(text: str, start: int) -> Item:
    if len(text) > LONGEST_EVENT:
        raise EventTooLong("", LONGEST_EVENT)
    value, end, faults = Reader().read(text, start, "")
    _refuse_more(text, end)
    return Item("", value, faults)


def _items_of_array(text: str, start: int) -> Iterator[Item]:
    window, index = _Window(text), 0
    at = after_blanks(text, start + 1)
    is_open = not text.startswith("]", at)
    while is_open:
        if index == MOST_ITEMS:
            raise TooManyItems(MOST_ITEMS)
        pointer = below("", index)
        value, end, faults = window.read(at, pointer)
        yield Item(pointer, value, faults)
        index += 1
        at = after_blanks(text, end)
        if is_open := text.startswith(",", at):
            at = after_blanks(text, at + 1)
        elif not text.startswith("]", at):
            raise NotJson(at, "a comma or the end of the array is missing")
    _refuse_more(text, at + 1)


class _Window:
    """Reads the values of a long text, each through a piece of it: one that is longer than an event is not read."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._reader = Reader()
        self._move(0)

    def read(self, at: int, pointer: str) -> tuple[Any, int, list[Fault]]:
        """Like `Reader.read`; raises EventTooLong too."""
        try:
            value, end, faults = self._reader.read(self._piece, at - self._start, pointer)
            is_cut = end == len(self._piece)
        except NotJson as error:
            is_cut = error.is_end or error.at >= len(self._piece) - _LONGEST_WORD
            wrong: NotJson | None = NotJson(self._start + error.at, error.reason)
        else:
            wrong = None
        if is_cut and self._start + len(self._piece) < len(self._text):
            if at == self._start:
                raise EventTooLong(pointer, LONGEST_EVENT)
            self._move(at)
            return self.read(at, pointer)
        if wrong is not None:
            raise wrong
        return value, self._start + end, faults

    def _move(self, start: int) -> None:
        self._start = start
        self._piece = self._text[start : start + LONGEST_EVENT]


def _refuse_more(text: str, end: int) -> None:
    at = after_blanks(text, end)
    if at < len(text):
        raise NotJson(at, f"there is more after the end; send one event a line as {LINES}")


_as_array = msgspec.json.Decoder(list[msgspec.Raw]).decode


def _read_at_once(body: bytes, kind: str, quickly: Quickly) -> Batch | None:
    """The events of a body that is JSON in its simplest form; None where it has to be looked at more closely."""
    if kind != ARRAY and not body.lstrip().startswith(b"["):
        taken = quickly(body) if len(body) <= LONGEST_EVENT else None
        return None if taken is None else Batch([Item("", None, taken=taken)], single=True)
    if kind == ONE_EVENT:
        return None
    try:
        pieces = [bytes(piece) for piece in _as_array(body)]
    except (msgspec.MsgspecError, RecursionError):
        return None
    if len(pieces) > MOST_ITEMS or any(len(piece) > LONGEST_EVENT for piece in pieces):
        return None
    reader, items = Reader(), []
    for index, piece in enumerate(pieces):
        pointer = below("", index)
        if (taken := quickly(piece)) is not None:
            items.append(Item(pointer, None, taken=taken))
            continue
        try:
            value, _, faults = reader.read(piece.decode(), 0, pointer)
        except (UnicodeDecodeError, NotJson):
            return None
        items.append(Item(pointer, value, faults))
    return Batch(items, single=False)


def _items_of_lines(body: bytes, quickly: Quickly) -> Iterator[Item]:
    reader, line, last = Reader(), 1, 0
    for index, found in enumerate(_LINE.finditer(body)):
        if index == MOST_ITEMS:
            raise TooManyItems(MOST_ITEMS)
        raw = found[0]
        if len(raw) <= LONGEST_EVENT and (taken := quickly(raw)) is not None:
            yield Item(below("", index), None, taken=taken)
            continue
        # Counted from the last line on: from the start it would take the square of the body's length.
        line, last = line + body.count(b"\n", last, found.start()), found.start()
        yield _item_of_line(reader, raw, below("", index), line)


def _item_of_line(reader: Reader, packed: bytes, pointer: str, line: int) -> Item:
    if len(packed) > LONGEST_EVENT:
        return Item(pointer, None, [Fault(pointer, f"line {line} is longer than {LONGEST_EVENT} bytes")])
    try:
        text = packed.decode("utf-8")
        value, end, faults = reader.read(text, 0, pointer)
        _refuse_more(text, end)
    except UnicodeDecodeError as error:
        return Item(pointer, None, [Fault(pointer, f"line {line} is not in UTF-8: {_odd_byte(error)}")])
    except NotJson as error:
        return Item(pointer, None, [Fault(pointer, f"is no JSON: {_place(text, error, first_line=line)}")])
    return Item(pointer, value, faults)


def _place(text: str, error: NotJson, first_line: int = 1) -> str:
    line = first_line + text.count("\n", 0, error.at)
    column = error.at - text.rfind("\n", 0, error.at)
    found = shown(text[error.at : error.at + 20]) if error.at < len(text) else "the end"
    return f"line {line}, column {column}: {error.reason}; found {found}"
