"""The quick way in: of each strict schema a function is made that takes what is right, and leaves the rest alone.

There is one definition, the marshmallow schema. What is made of it here says yes to a part of what the schema takes,
with the same values, and never to anything that it refuses; whoever gets no answer asks the schema, which also says
what is wrong. Checks of which there are thousands in a second are written out; all others call the field's own `read`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
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
#: Forms of the objects of a schema that have a function of their own.
MOST_FORMS: Final = 256

#: What the parts of an instant after its date add to it, in microseconds.
_HOURS: Final = {f"{hour:02}": hour * 3_600_000_000 for hour in range(24)}
_MINUTES: Final = {f":{minute:02}": minute * 60_000_000 for minute in range(60)}
_SECONDS: Final = {f":{second:02}": second * 1_000_000 for second in range(60)}
#: Of an instant with an offset and without a fraction of a second: of fractions there are too many to remember.
_LONGEST_WHOLE: Final = len("2026-03-02T06:15:00+01:00")
_VARIABLE: Final = re.compile(r"\b[VH]\b")

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

    A sender names the same few fields in the same order again and again. For each such form a function is made that
    looks at these alone; what comes in ever other forms, or with nulls, is taken by one that looks for all fields.
    """
    writing = _Writing(schema)
    of_any_form = writing.of_any_form()
    required = frozenset(name for name, one in schema.fields.items() if one.required)
    known: dict[tuple[str, ...], Accept] = {}

    def learnt(names: tuple[str, ...]) -> Accept:
        if len(known) >= MOST_FORMS or not required <= set(names) <= schema.fields.keys():
            return of_any_form
        made = known[names] = writing.of_form(names)
        return made

    def accept(found: dict[str, Any]) -> Accepted | None:
        names = tuple(found)
        return (known.get(names) or learnt(names))(found) or of_any_form(found)

    return accept


# --- writing it -------------------------------------------------------------------------------------------------


@dataclass
class _Writing:
    """The source of functions for one schema, and the objects that it names."""

    schema: StrictSchema
    names: dict[str, Any] = field(default_factory=lambda: {"Figure": Figure})

    def __post_init__(self) -> None:
        self.names |= {"FIELDS": frozenset(self.schema.fields), "disagreements": self.schema.disagreements}
        self._reads = {name: self._reading(index, one) for index, (name, one) in enumerate(self.schema.fields.items())}

    def of_any_form(self) -> Accept:
        """The function for objects that name any of the fields."""
        return self._compiled(
            "loaded = {}",
            "hashed = {}",
            "given, get = len(found), found.get",
            *(line for name, one in self.schema.fields.items() for line in self._looked_for(name, one.required)),
            "if len(loaded) != len(found) and not found.keys() <= FIELDS:",
            "    return None",
            *self._compared(),
            "return loaded, (loaded | hashed if hashed else loaded), given",
        )

    def of_form(self, names: tuple[str, ...]) -> Accept:
        """The function for objects that name these fields in this order, none of them null; no required one misses."""
        values = [f"value_{index}" for index, _ in enumerate(names)]
        hashes = [f"as_hashed_{index}" if self._reads[name].hashes else value
                  for index, (name, value) in enumerate(zip(names, values, strict=True))]  # fmt: skip
        reads = (self._reads[name].lines(*into) for name, *into in zip(names, values, hashes, strict=True))
        return self._compiled(
            *([f"{', '.join(values)}, = found.values()"] if names else []),
            f"given = {len(names)}",
            *(line for lines in reads for line in lines),
            f"loaded = {_display(names, values)}",
            *self._compared(),
            f"return loaded, {'loaded' if hashes == values else _display(names, hashes)}, given",
        )

    def _looked_for(self, name: str, is_required: bool) -> Iterator[str]:
        read = self._reads[name]
        yield f"value = get({name!r})"
        yield "if value is not None:"
        yield from (f"    {line}" for line in read.lines("value", "as_hashed"))
        yield f"    loaded[{name!r}] = value"
        if read.hashes:
            yield "    if as_hashed is not value:"
            yield f"        hashed[{name!r}] = as_hashed"
        if is_required:
            yield "else:"
            yield "    return None"

    def _compared(self) -> list[str]:
        if type(self.schema).disagreements is StrictSchema.disagreements:
            return []
        return ["if disagreements(loaded):", "    return None"]

    def _compiled(self, *lines: str) -> Accept:
        source = "\n".join(("def accept(found):", *(f"    {line}" for line in lines)))
        made: dict[str, Any] = {}
        exec(compile(source, f"<{type(self.schema).__name__}>", "exec"), self.names, made)  # noqa: S102
        accept: Accept = made["accept"]
        return accept

    def _named(self, index: int, what: str, value: Any) -> str:
        name = f"{what}_{index}"
        self.names[name] = value
        return name

    def _reading(self, index: int, one: Any) -> _Reading:
        """How a field is read."""
        assert isinstance(one, Strict)
        kind = type(one)
        if kind in (Text, Identifier):
            return _Reading(
                f"if V.__class__ is not str or not 0 < len(V) <= {one.most} or not V.isprintable() or V.isspace():",  # type: ignore[attr-defined]
                "    return None",
            )
        if isinstance(one, Choice) and kind is Choice:
            words = self._named(index, "words", frozenset(one.words))
            return _Reading(f"if V.__class__ is not str or V not in {words}:", "    return None")
        if kind is Flag:
            return _Reading("if V is not True and V is not False:", "    return None")
        if isinstance(one, Whole) and kind is Whole:
            return _Reading(f"if V.__class__ is not int or not {one.low} <= V <= {one.high}:", "    return None")
        if isinstance(one, Number) and kind is Number:
            return self._number(index, one)
        if isinstance(one, Record):
            accept = self._named(index, "record", accepting(_schema_of(one)))
            return _Reading(
                "if V.__class__ is not dict:",
                "    return None",
                f"inner = {accept}(V)",
                "if inner is None:",
                "    return None",
                "V, H, more = inner",
                "given += more",
                hashes=True,
            )
        if isinstance(one, Rows) and kind is Rows:
            return self._rows(index, one)
        return self._asked(index, one)

    def _number(self, index: int, one: Number) -> _Reading:
        low, high = self._named(index, "low", one.low), self._named(index, "high", one.high)
        # Of numbers of two kinds one is made anew each time that they are compared.
        least, most = self._named(index, "least", Decimal(one.low)), self._named(index, "most", Decimal(one.high))
        decimals = "" if one.decimals is None else f" or V.decimals > {one.decimals}"
        return _Reading(
            "if V.__class__ is int:",
            f"    if not {low} <= V <= {high}:",
            "        return None",
            "    H = V",
            "elif V.__class__ is Figure:",
            f"    if not {least} <= V.number <= {most}{decimals}:",
            "        return None",
            "    H = V.canonical",
            "    V = V.number",
            "else:",
            "    return None",
            hashes=True,
        )

    def _rows(self, index: int, one: Rows) -> _Reading:
        inner = one.inner
        if isinstance(inner, Record):
            accept = self._named(index, "record", accepting(_schema_of(inner)))
        else:
            accept = self._named(index, "entry", _entry(inner))  # type: ignore[arg-type]
        return _Reading(
            f"if V.__class__ is not list or len(V) > {one.most}:",
            "    return None",
            "rows, hashes = [], []",
            "for entry in V:",
            *(["    if entry.__class__ is not dict:", "        return None"] if isinstance(inner, Record) else []),
            f"    inner = {accept}(entry)",
            "    if inner is None:",
            "        return None",
            "    rows.append(inner[0])",
            "    hashes.append(inner[1])",
            "    given += inner[2]",
            "V, H = rows, hashes",
            hashes=True,
        )

    def _asked(self, index: int, one: Strict) -> _Reading:
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
        fits = "V is not None" if kinds is None else f"V.__class__ in ({kinds},)"
        return _Reading(f"if not ({fits}):", "    return None", f"V = {reader}(V)")


class _Reading:
    """Lines that read the value V of a field, or return None; `hashes`: they tell as H what stands for it in a hash."""

    def __init__(self, *lines: str, hashes: bool = False) -> None:
        self._lines = lines
        self.hashes = hashes

    def lines(self, value: str, as_hashed: str) -> Iterator[str]:
        """The same of variables with these names."""
        names = {"V": value, "H": as_hashed}
        return (_VARIABLE.sub(lambda found: names[found[0]], line) for line in self._lines)


def _display(names: Sequence[str], values: Sequence[str]) -> str:
    return f"{{{', '.join(f'{name!r}: {value}' for name, value in zip(names, values, strict=True))}}}"


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
        # It may have been -0, which is a whole number that is kept as 0.
        if value == 0 and value.__class__ is int:
            return None
        try:
            if value.__class__ is Figure:
                return one.read(value.number), value.canonical, 0
            read = one.read(value)
        except ValidationError:
            return None
        return read, value, 0

    return accept if type(one) is Number else lambda value: None
