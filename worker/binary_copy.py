"""Rows for PostgreSQL's COPY in its binary form, all at once: row by row they take longer to make than to store.

The form is the one of "COPY, Binary Format" in PostgreSQL's manual: a signature, then of each row how many fields it
has and each field after its length, then -1.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import chain
from typing import Any, Final, Literal

Kind = Literal["smallint", "integer", "bigint", "text", "bytea"]

_HEAD: Final = b"PGCOPY\n\xff\r\n\0" + struct.pack("!ii", 0, 0)
_TAIL: Final = struct.pack("!h", -1)
_NULL: Final = struct.pack("!i", -1)
_length = struct.Struct("!i").pack
_NUMBERS: Final = {
    name: struct.Struct(form) for name, form in (("smallint", "!ih"), ("integer", "!ii"), ("bigint", "!iq"))
}


def rows_in_binary(kinds: Sequence[Kind], columns: Sequence[Sequence[Any]]) -> bytes:
    """The rows of columns of one length, each of its kind: int, str or bytes, or None."""
    fields = [_packed(kind, column) for kind, column in zip(kinds, columns, strict=True)]
    count = [struct.pack("!h", len(fields))] * len(fields[0])
    return b"".join((_HEAD, *chain.from_iterable(zip(count, *fields, strict=True)), _TAIL))


def _packed(kind: Kind, values: Sequence[Any]) -> list[bytes]:
    if kind == "bytea":
        return [_NULL if value is None else _length(len(value)) + value for value in values]
    if kind == "text":
        # Most columns hold a few words again and again.
        known = {value: _packed_text(value) for value in set(values)}
        return [known[value] for value in values]
    number = _NUMBERS[kind]
    pack, size = number.pack, number.size - 4
    if None in values:
        return [_NULL if value is None else pack(size, value) for value in values]
    return [pack(size, value) for value in values]


def _packed_text(value: str | None) -> bytes:
    if value is None:
        return _NULL
    encoded = value.encode()
    return _length(len(encoded)) + encoded
