"""The quick way in: of each strict schema a function is made that takes what is right, and leaves the rest alone.

There is one definition, the marshmallow schema. What is made of it here says yes to a part of what the schema takes,
with the same values, and never to anything that it refuses; whoever gets no answer asks the schema, which also says
what is wrong. Checks of which there are thousands in a second are written out; all others call the field's own `read`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final

import orjson
from marshmallow import ValidationError

from service.schemas.strict import Record, Rows, StrictSchema
from service.strict_fields import (
    Choice,
    Flag,
    Identifier,
    Matching,
    Number,
    Strict,
    Text,
    ThicknessInch,
    ThicknessMm,
    UriReference,
    Whole,
)
from service.strict_json import decimal_of
from service.strict_times import Day, Instant

#: Texts and numbers of each field that are remembered with what they were read as.
REMEMBERED: Final = 4_096
#: Numbers that are remembered by how they were written.
MOST_FIGURES: Final = 65_536

#: What the parts of an instant after its date add to it, in microseconds.
_HOURS: Final = {f"{hour:02}": hour * 3_600_000_000 for hour in range(24)}
_MINUTES: Final = {f":{minute:02}": minute * 60_000_000 for minute in range(60)}
_SECONDS: Final = {f":{second:02}": second * 1_000_000 for second in range(60)}
#: Of an instant with an offset and without a fraction of a second: of fractions there are too many to remember.
_LONGEST_WHOLE: Final = len("2026-03-02T06:15:00+01:00")

#: Values as the schema reads them, the same as they are hashed (with numbers as bytes), and how many names were given.
Accepted = tuple[dict[str, Any], dict[str, Any], int]
Accept = Callable[[dict[str, Any]], Accepted | None]


class Figure:
    """A number with a point or an exponent: its value, and the bytes that stand for it in a content hash."""

    __slots__ = ("canonical", "decimals", "number")

    def __init__(self, text: str) -> None:
        self.number = decimal_of(text)
        shortest = self.number.normalize()
        self.decimals = max(0, -int(shortest.as_tuple().exponent))
        self.canonical = orjson.Fragment(canonical(self.number))


class Figures(dict[str, Figure]):
    """Numbers by how they were written; raises strict_json.NumberUnfit for what nobody keeps."""

    def __missing__(self, text: str) -> Figure:
        if len(self) >= MOST_FIGURES:
            self.clear()
        found = self[text] = Figure(text)
        return found


def canonical(number: Decimal) -> str:
    """How a number is written where contents are compared: 20, 20.0 and 2e1 are one number, and -0 is 0."""
    # Exact: what is read has at most 28 digits.
    return f"{number.normalize():f}" if number else "0"


def accepting(schema: StrictSchema) -> Accept:
    """The function that takes what a schema takes: `Accepted`, or None where the schema has to be asked.

    Its argument is an object as JSON is decoded, with a `Figure` for each number that is no plain integer.
    """
    return _Writing(schema).function()


# --- writing it -------------------------------------------------------------------------------------------------


@dataclass
class _Writing:
    """The source of one function, and the objects that it names."""

    schema: StrictSchema
    names: dict[str, Any] = field(default_factory=lambda: {"Figure": Figure})

    def function(self) -> Accept:
        """Compile it."""
        disagree = type(self.schema).disagreements is not StrictSchema.disagreements
        self.names |= {"FIELDS": frozenset(self.schema.fields), "disagreements": self.schema.disagreements}
        lines = [
            "def accept(found):",
            "    loaded = {}",
            "    hashed = {}",
            "    given, get = len(found), found.get",
            *(f"    {line}" for line in self._fields()),
            "    if len(loaded) != len(found) and not found.keys() <= FIELDS:",
            "        return None",
            *(["    if disagreements(loaded):", "        return None"] if disagree else []),
            "    return loaded, (loaded | hashed if hashed else loaded), given",
        ]
        made: dict[str, Any] = {}
        exec(compile("\n".join(lines), f"<{type(self.schema).__name__}>", "exec"), self.names, made)  # noqa: S102
        accept: Accept = made["accept"]
        return accept

    def _fields(self) -> Iterator[str]:
        for index, (name, one) in enumerate(self.schema.fields.items()):
            assert isinstance(one, Strict)
            yield f"value = get({name!r})"
            yield "if value is not None:"
            yield from (f"    {line}" for line in self._taken(index, name, one))
            if one.required:
                yield "else:"
                yield "    return None"

    def _named(self, index: int, what: str, value: Any) -> str:
        name = f"{what}_{index}"
        self.names[name] = value
        return name

    def _taken(self, index: int, name: str, one: Strict) -> Iterator[str]:
        """Lines that put `value` into what is loaded, or return None."""
        kind = type(one)
        if kind in (Text, Identifier):
            assert isinstance(one, Text)
            yield (
                f"if value.__class__ is not str or not 0 < len(value) <= {one.most} or not value.isprintable() "
                "or value.isspace():"
            )
            yield "    return None"
            yield f"loaded[{name!r}] = value"
        elif kind is Choice:
            assert isinstance(one, Choice)
            words = self._named(index, "words", frozenset(one.words))
            yield f"if value.__class__ is not str or value not in {words}:"
            yield "    return None"
            yield f"loaded[{name!r}] = value"
        elif kind is Flag:
            yield "if value is not True and value is not False:"
            yield "    return None"
            yield f"loaded[{name!r}] = value"
        elif kind is Whole:
            assert isinstance(one, Whole)
            yield f"if value.__class__ is not int or not {one.low} <= value <= {one.high}:"
            yield "    return None"
            yield f"loaded[{name!r}] = value"
        elif kind is Number:
            assert isinstance(one, Number)
            yield from self._number(index, name, one)
        elif isinstance(one, Record):
            accept = self._named(index, "record", accepting(_schema_of(one)))
            yield from (
                "if value.__class__ is not dict:",
                "    return None",
                f"inner = {accept}(value)",
                "if inner is None:",
                "    return None",
                f"loaded[{name!r}] = inner[0]",
                "if inner[1] is not inner[0]:",
                f"    hashed[{name!r}] = inner[1]",
                "given += inner[2]",
            )
        elif kind is Rows:
            assert isinstance(one, Rows)
            yield from self._rows(index, name, one)
        else:
            yield from self._asked(index, name, one)

    def _number(self, index: int, name: str, one: Number) -> Iterator[str]:
        low, high = self._named(index, "low", one.low), self._named(index, "high", one.high)
        # Of numbers of two kinds one is made anew each time that they are compared.
        least, most = self._named(index, "least", Decimal(one.low)), self._named(index, "most", Decimal(one.high))
        decimals = "" if one.decimals is None else f" or value.decimals > {one.decimals}"
        yield "if value.__class__ is int:"
        yield f"    if not {low} <= value <= {high}:"
        yield "        return None"
        yield f"    loaded[{name!r}] = value"
        yield "elif value.__class__ is Figure:"
        yield f"    if not {least} <= value.number <= {most}{decimals}:"
        yield "        return None"
        yield f"    loaded[{name!r}] = value.number"
        yield f"    hashed[{name!r}] = value.canonical"
        yield "else:"
        yield "    return None"

    def _rows(self, index: int, name: str, one: Rows) -> Iterator[str]:
        inner = one.inner
        if isinstance(inner, Record):
            accept = self._named(index, "record", accepting(_schema_of(inner)))
        else:
            accept = self._named(index, "entry", _entry(inner))  # type: ignore[arg-type]
        yield from (
            f"if value.__class__ is not list or len(value) > {one.most}:",
            "    return None",
            "rows, hashes = [], []",
            "for entry in value:",
            *(["    if entry.__class__ is not dict:", "        return None"] if isinstance(inner, Record) else []),
            f"    inner = {accept}(entry)",
            "    if inner is None:",
            "        return None",
            "    rows.append(inner[0])",
            "    hashes.append(inner[1])",
            "    given += inner[2]",
            f"loaded[{name!r}] = rows",
            f"hashed[{name!r}] = hashes",
        )

    def _asked(self, index: int, name: str, one: Strict) -> Iterator[str]:
        """A field that reads for itself; what comes again and again is remembered."""
        kinds = "str" if isinstance(one, (Matching, UriReference, Day, Instant)) else None
        if isinstance(one, (ThicknessMm, ThicknessInch)):
            kinds = "int, Figure, str"
        read: Callable[[Any], Any] = _plainly(one)
        if isinstance(one, Instant):
            read = _by_the_day(one.read)
        elif kinds is not None:
            read = lru_cache(REMEMBERED, typed=True)(read)
        reader = self._named(index, "read", read)
        if kinds is not None:
            yield f"if value.__class__ not in ({kinds},):"
            yield "    return None"
        yield f"loaded[{name!r}] = {reader}(value)"


def _schema_of(record: Record) -> StrictSchema:
    schema: Any = record.schema
    found: StrictSchema = schema
    return found


def _plainly(one: Strict) -> Callable[[Any], Any]:
    """A field's `read`, of a figure its number. Raises ValidationError."""
    read = one.read
    return lambda value: read(value.number if value.__class__ is Figure else value)


def _by_the_day(read: Callable[[str], int]) -> Callable[[str], int]:
    """An instant's `read` that remembers days: what is right of a day's beginning is right of its whole seconds."""
    day = lru_cache(REMEMBERED)(lambda date, offset: read(f"{date}00:00:00{offset}"))

    def instant(value: str) -> int:
        hours, minutes, seconds = (
            _HOURS.get(value[11:13]),
            _MINUTES.get(value[13:16]),
            _SECONDS.get(value[16:19]),
        )
        if hours is None or minutes is None or seconds is None or len(value) > _LONGEST_WHOLE:
            return read(value)
        return day(value[:11], value[19:]) + hours + minutes + seconds

    return instant


def _entry(one: Strict) -> Callable[[Any], tuple[Any, Any, int] | None]:
    """The same as `accepting` for a single value."""

    def accept(value: Any) -> tuple[Any, Any, int] | None:
        try:
            if value.__class__ is Figure:
                return one.read(value.number), value.canonical, 0
            read = one.read(value)
        except ValidationError:
            return None
        return read, value, 0

    return accept if type(one) is Number else lambda value: None
