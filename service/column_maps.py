"""A column map: a small TOML that says which columns of an old table become which fields of which events.

A field is given by the name of a column, by a text with columns in braces, or by a table with more to say:
`column` or `constant`, and `words`, `otherwise`, `unit`, `times`, `time`, `split`.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from marshmallow import ValidationError, fields

from service.column_values import CLOCKS, UNITS, CellWrong, Change, Manner, unit_of, value_of, word_of
from service.faults import Fault, nearest, shown
from service.old_tables import nearest_column
from service.schemas.events import DATA_SCHEMAS, ENVELOPE
from service.schemas.strict import Record, Rows, StrictSchema
from worker.events import EVENT_TYPES, FINDING, PROOF, SITE

_TABLE_NAMES: Final = ("encoding", "delimiter", "decimal", "thousands", "time", "zone", "empty", "source")
_EVENT_NAMES: Final = ("type", "id", "subject", "time", "source", "when", "data")
_FIELD_NAMES: Final = ("column", "constant", "words", "otherwise", "unit", "times", "time", "split")
_WHEN_NAMES: Final = ("column", "is", "is_not")
_PREFIX: Final = "cutledger."
_BRACES: Final = re.compile(r"\{([^{}]+)\}")
_A_TIME: Final = datetime(2026, 3, 12, 13, 14, 15)  # noqa: DTZ001
Cells = Mapping[str, str]


class MapWrong(ValueError):
    """A column map that cannot be followed: where in it, and what would do."""

    def __init__(self, place: str, reason: str) -> None:
        super().__init__(f"{place}: {reason}")


class RowWrong(ValueError):
    """A row that makes no event: the field and column that are at fault."""


@dataclass(frozen=True)
class Given:
    """Where a field's value comes from. `shown`: the same in words, for messages."""

    shown: str
    columns: tuple[str, ...]
    read: Callable[[Cells], Any]
    split: str | None = None


@dataclass(frozen=True)
class Condition:
    """What a row must say for an event to come of it."""

    column: str
    allowed: frozenset[str] | None
    barred: frozenset[str]
    manner: Manner

    def holds(self, cells: Cells) -> bool:
        """True when the row says so."""
        cell = cells[self.column].casefold()
        if self.allowed is not None:
            return cell in self.allowed
        return self.manner.is_given(cells[self.column]) and cell not in self.barred


@dataclass(frozen=True)
class EventMap:
    """One event that comes of a row."""

    type: str
    source: str
    id: Given
    subject: Given
    time: Given
    when: tuple[Condition, ...]
    #: Path within data -> where it comes from.
    data: Mapping[tuple[str, ...], Given]
    lists: frozenset[str]

    def columns(self) -> Iterator[str]:
        """All columns that it reads."""
        for given in (self.id, self.subject, self.time, *self.data.values()):
            yield from given.columns
        yield from (condition.column for condition in self.when)

    def event(self, cells: Cells) -> dict[str, Any] | None:
        """The event that a row makes, None when it makes none; raises RowWrong."""
        if not all(condition.holds(cells) for condition in self.when):
            return None
        told: dict[str, Any] = {"specversion": "1.0", "source": self.source, "type": self.type}
        for name in ("id", "subject", "time"):
            told[name] = _read(getattr(self, name), name, cells)
            if told[name] is None:
                raise RowWrong(f"{name} ({getattr(self, name).shown}) is empty")
        return told | {"data": self._data(cells)}

    def _data(self, cells: Cells) -> dict[str, Any]:
        data: dict[str, Any] = {}
        parts: dict[str, dict[str, Any]] = {}
        for path, given in self.data.items():
            value = _read(given, ".".join(path), cells)
            if value is not None:
                within = data if len(path) == 1 else parts.setdefault(path[0], {})
                within[path[-1]] = value
        for name, values in parts.items():
            if name not in self.lists:
                data[name] = values
            elif any(self.data[name, part].columns for part in values):
                # Of constants alone no list is made: the row says nothing of it.
                data[name] = _rows(name, values)
        return data

    def where(self, fault: Fault) -> str:
        """A fault of the event in the words of the table: the field, and the column that it came from."""
        path = tuple(part for part in fault.pointer.split("/")[1:] if not part.isdigit())
        name = ".".join(path[1:] if path[:1] == ("data",) else path)
        given = self.data.get(path[1:]) if path[:1] == ("data",) else getattr(self, name, None)
        origin = f" ({given.shown})" if isinstance(given, Given) else ""
        return f"{name or 'the event'}{origin} {fault.detail}"


def _rows(name: str, values: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Objects of a list, the nth of the nth entries; a single entry goes with all."""
    columns = {part: value if isinstance(value, list) else [value] for part, value in values.items()}
    count = max(len(column) for column in columns.values())
    if any(len(column) not in (1, count) for column in columns.values()):
        lengths = ", ".join(f"{len(column)} of {part}" for part, column in columns.items())
        raise RowWrong(f"{name} has {lengths}; as many are needed of each, or one")
    return [{part: column[index % len(column)] for part, column in columns.items()} for index in range(count)]


def _read(given: Given, name: str, cells: Cells) -> Any:
    try:
        return given.read(cells)
    except CellWrong as error:
        raise RowWrong(f"{name} ({given.shown}) {error}") from error


@dataclass(frozen=True)
class ColumnMap:
    """How a table is read, and which events come of each row."""

    encoding: str
    delimiter: str | None
    events: tuple[EventMap, ...]

    def check_header(self, header: Sequence[str]) -> None:
        """Raise MapWrong when the map names a column that the table has not."""
        for event in self.events:
            for name in event.columns():
                if name not in header:
                    reason = f"the table has no column {shown(name)}; {nearest_column(name, header)}"
                    raise MapWrong(f"event {event.type}", reason)

    def events_of(self, cells: Cells) -> list[tuple[EventMap, dict[str, Any]]]:
        """The events that a row makes, each with the part of the map that made it; raises RowWrong."""
        made = ((event, event.event(cells)) for event in self.events)
        return [(event, told) for event, told in made if told is not None]


# --- reading the map --------------------------------------------------------------------------------------------


def read_map(path: Path) -> ColumnMap:
    """The map of a file; raises MapWrong."""
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
    except OSError as error:
        raise MapWrong(str(path), f"cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise MapWrong(str(path), "is not in UTF-8; save it so") from error
    except tomllib.TOMLDecodeError as error:
        raise MapWrong(str(path), f"is no TOML: {error}") from error
    return map_of(told)


def map_of(told: Mapping[str, Any]) -> ColumnMap:
    """The map that a loaded TOML is; raises MapWrong."""
    _known("the map", told, ("table", "event"))
    table = told.get("table", {})
    _known("[table]", table, _TABLE_NAMES)
    encoding = _text("[table]", table, "encoding") or "utf-8"
    try:
        encoding = "utf-8" if codecs.lookup(encoding).name == "utf-8" else encoding
    except LookupError:
        raise MapWrong("[table]", f"encoding {shown(encoding)} is not known; utf-8, cp1252, latin-1 are") from None
    delimiter = _text("[table]", table, "delimiter")
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '"\r\n'):
        raise MapWrong("[table]", 'delimiter must be one character, such as ";" or "\\t"')
    events = told.get("event")
    if not isinstance(events, list) or not events:
        raise MapWrong("the map", "must have at least one [[event]]: which event comes of a row")
    manner = _manner(table)
    source = _text("[table]", table, "source")
    made = tuple(_event(f"[[event]] {number}", each, manner, source) for number, each in enumerate(events, 1))
    _refuse_equal_ids(made)
    return ColumnMap(encoding, delimiter, made)


def _refuse_equal_ids(made: Sequence[EventMap]) -> None:
    seen: dict[tuple[str, str], int] = {}
    for number, event in enumerate(made, 1):
        key = (event.source, event.id.shown)
        if key in seen and not (event.when and made[seen[key] - 1].when):
            mend = 'begin each otherwise: id = "cut-{...}", id = "inspection-{...}"'
            raise MapWrong(
                f"[[event]] {number}", f"has the id of [[event]] {seen[key]}, and ids are given once; {mend}"
            )
        seen.setdefault(key, number)


def _manner(table: Mapping[str, Any]) -> Manner:
    decimal = _text("[table]", table, "decimal") or "."
    thousands = _text("[table]", table, "thousands") or ""
    if decimal not in (".", ",") or len(thousands) > 1 or thousands == decimal:
        raise MapWrong("[table]", 'decimal must be "." or ",", and thousands another character')
    empty = table.get("empty", [])
    if not isinstance(empty, list) or not all(isinstance(each, str) for each in empty):
        raise MapWrong("[table]", 'empty must be a list of what stands for nothing, such as ["-", "n/a"]')
    zone = _text("[table]", table, "zone")
    if zone is not None:
        _check_zone(zone)
    return Manner(decimal, thousands, _times("[table]", table.get("time", [])), zone, frozenset(empty))


def _check_zone(zone: str) -> None:
    try:
        DATA_SCHEMAS["cutledger.site.set"].fields["zone"].deserialize(zone)
    except ValidationError as error:
        raise MapWrong("[table]", f"zone {' '.join(str(each) for each in error.messages)}") from None


def _times(place: str, given: Any) -> tuple[str, ...]:
    forms = [given] if isinstance(given, str) else given
    if not isinstance(forms, list) or not all(isinstance(each, str) for each in forms):
        raise MapWrong(place, 'time must be how times are written, such as "%d.%m.%Y %H:%M", or a list of these')
    for form in forms:
        try:
            datetime.strptime(_A_TIME.strftime(form), form)  # noqa: DTZ007
        except ValueError:
            mend = "%Y %m %d %H %M %S are year, month, day, hour, minute, second"
            raise MapWrong(place, f"time {shown(form)} is no way to write times; {mend}") from None
    return tuple(forms)


def _event(place: str, told: Any, manner: Manner, table_source: str | None) -> EventMap:
    _known(place, told, _EVENT_NAMES)
    type_ = _type(place, told)
    place = f"{place} ({type_.removeprefix(_PREFIX)})"
    source = _text(place, told, "source") or table_source
    if source is None:
        raise MapWrong(place, 'has no source; under [table] say who says all this: source = "/imports/cut-log-2025"')
    if source.startswith("/keys/"):
        raise MapWrong(place, "source must not lie below /keys/, which is the service's own")
    for name in ("id", "subject", "time"):
        if name not in told:
            raise MapWrong(place, f'has no {name}; name the column, or give a text with columns in braces: "A-{{Nr}}"')
    data = told.get("data", {})
    if not isinstance(data, dict):
        raise MapWrong(place, "data must be a table [event.data] with the fields of the event")
    schema = DATA_SCHEMAS[type_]
    lists = frozenset(name for name, each in schema.fields.items() if isinstance(each, Rows))
    envelope = ENVELOPE.fields
    return EventMap(
        type=type_,
        source=source,
        id=_given(f"{place}, id", told["id"], envelope["id"], "id", manner),
        subject=_given(f"{place}, subject", told["subject"], envelope["subject"], "subject", manner),
        time=_given(f"{place}, time", told["time"], envelope["time"], "time", manner),
        when=_conditions(place, told.get("when", []), manner),
        data=dict(_data(place, data, schema, manner)),
        lists=lists,
    )


def _type(place: str, told: Mapping[str, Any]) -> str:
    given = _text(place, told, "type") or ""
    type_ = given if given.startswith(_PREFIX) else _PREFIX + given
    fit = tuple(each for each, kind in EVENT_TYPES.items() if kind not in (SITE, FINDING, PROOF))
    if type_ not in fit:
        like = nearest(type_, fit)
        known = ", ".join(each.removeprefix(_PREFIX) for each in fit)
        hint = f"; nearest: {like.removeprefix(_PREFIX)}" if like else ""
        raise MapWrong(place, f"type must be one of {known}; found {shown(given)}{hint}")
    return type_


def _conditions(place: str, told: Any, manner: Manner) -> tuple[Condition, ...]:
    return tuple(_condition(place, each, manner) for each in (told if isinstance(told, list) else [told]))


def _condition(place: str, told: Any, manner: Manner) -> Condition:
    _known(f"{place}, when", told, _WHEN_NAMES)
    column = _text(f"{place}, when", told, "column")
    if column is None:
        raise MapWrong(f"{place}, when", "must name a column")
    words: dict[str, frozenset[str] | None] = {}
    for name in ("is", "is_not"):
        given = told.get(name)
        listed = [given] if isinstance(given, str) else given
        if listed is not None and (not isinstance(listed, list) or not all(isinstance(each, str) for each in listed)):
            raise MapWrong(f"{place}, when", f"{name} must be a text or a list of texts, as they stand in the table")
        words[name] = None if listed is None else frozenset(each.strip().casefold() for each in listed)
    return Condition(column, words["is"], words["is_not"] or frozenset(), manner)


def _data(
    place: str, told: Mapping[str, Any], schema: StrictSchema, manner: Manner
) -> Iterator[tuple[tuple[str, ...], Given]]:
    for name, each in told.items():
        found = _field(place, schema, name)
        inner = found.inner if isinstance(found, Rows) else found
        if not isinstance(inner, Record):
            yield (name,), _given(f"{place}, {name}", each, found, name, manner)
            continue
        if not isinstance(each, dict):
            raise MapWrong(f"{place}, {name}", f"has fields of its own; give them as {name}.FIELD = ...")
        within: StrictSchema = inner.schema  # type: ignore[assignment]
        for part, given in each.items():
            where = f"{place}, {name}.{part}"
            yield (
                (name, part),
                _given(where, given, _field(where, within, part), part, manner, listed=found is not inner),
            )


def _field(place: str, schema: StrictSchema, name: str) -> fields.Field[Any]:
    found = schema.fields.get(name)
    if found is None:
        known = tuple(schema.fields)
        like = nearest(name, known)
        hint = f"nearest: {like}" if like else f"fields: {', '.join(known)}"
        raise MapWrong(place, f"{shown(name)} is no field of this event; {hint}")
    return found


# --- one field --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Spec:
    """A field's entry in the map, with what is said for the whole table."""

    place: str
    name: str
    target: fields.Field[Any]
    manner: Manner
    told: Mapping[str, Any] = field(default_factory=dict)

    @property
    def words(self) -> dict[str, Any]:
        words = self.told.get("words", {})
        if not isinstance(words, dict):
            raise MapWrong(self.place, 'words must be a table from words to values: words = { "OK" = "severed" }')
        return {word.strip().casefold(): value for word, value in words.items()}

    @property
    def change(self) -> Change:
        unit, times = self.told.get("unit"), self.told.get("times", 1)
        own = unit_of(self.name)
        known = (*UNITS.get(own or "", {}), *(CLOCKS if own in ("s", "min") else ()))
        if unit is not None and unit not in known:
            reason = f"must be one of {', '.join(known)}" if known else "does not go with a field without a unit"
            raise MapWrong(self.place, f"unit {reason}; found {shown(unit)}")
        if isinstance(times, bool) or not isinstance(times, int | Decimal):
            raise MapWrong(self.place, "times must be a number that cells are multiplied by")
        return Change(unit, Fraction(times))

    @property
    def split(self) -> str | None:
        return _text(self.place, self.told, "split")


def _given(
    place: str, told: Any, target: fields.Field[Any], name: str, manner: Manner, *, listed: bool = False
) -> Given:
    if isinstance(told, str):
        told = {"column": told}
    _known(place, told, _FIELD_NAMES)
    if ("column" in told) == ("constant" in told):
        raise MapWrong(place, "must name a column, or give a constant, and not both")
    if "constant" in told:
        if len(told) > 1:
            raise MapWrong(place, "has a constant, with which nothing else goes")
        constant = told["constant"]
        if isinstance(constant, date | datetime):
            constant = constant.isoformat()
        return Given("a constant of the map", (), lambda cells: constant)
    if "time" in told:
        manner = replace(manner, times=_times(place, told["time"]))
    scalar = target.inner if isinstance(target, Rows) else target
    spec = _Spec(place, name, scalar, manner, told)
    if spec.split is not None and not (listed or isinstance(target, Rows)):
        raise MapWrong(place, "split goes with lists only")
    return _of_column(spec, as_list=isinstance(target, Rows))


def _of_column(spec: _Spec, *, as_list: bool) -> Given:
    text = _text(spec.place, spec.told, "column") or ""
    columns = tuple(name.strip() for name in _BRACES.findall(text)) or (text.strip(),)
    words, change, split = spec.words, spec.change, spec.split
    otherwise = spec.told.get("otherwise")

    def value(cell: str) -> Any:
        if words:
            found = word_of(cell, words, otherwise)
            return None if found == "" else found
        return value_of(cell, spec.target, spec.name, spec.manner, change)

    def read(cells: Cells) -> Any:
        cell = _cell(text, columns, cells, spec.manner)
        if cell is None:
            return None
        if split is None:
            found = value(cell)
            return [found] if as_list and found is not None else found
        parts = [part.strip() for part in cell.split(split)]
        values = [each for part in parts if spec.manner.is_given(part) and (each := value(part)) is not None]
        return values or None

    shown_as = f"column {columns[0]}" if columns == (text.strip(),) else text
    return Given(shown_as, columns, read, split)


def _cell(text: str, columns: tuple[str, ...], cells: Cells, manner: Manner) -> str | None:
    """The cell, or the text with its columns put in; None when one of them says nothing."""
    if any(not manner.is_given(cells[name]) for name in columns):
        return None
    if columns == (text.strip(),):
        return cells[columns[0]]
    return _BRACES.sub(lambda found: cells[found[1].strip()], text)


def _known(place: str, told: Any, names: Sequence[str]) -> None:
    if not isinstance(told, dict):
        raise MapWrong(place, f"must be a table with {', '.join(names)}")
    for name in told:
        if name not in names:
            like = nearest(name, tuple(names))
            raise MapWrong(
                place, f"{shown(name)} is not known; " + (f"nearest: {like}" if like else f"use {', '.join(names)}")
            )


def _text(place: str, told: Mapping[str, Any], name: str) -> str | None:
    given = told.get(name)
    if given is not None and (not isinstance(given, str) or not given):
        raise MapWrong(place, f"{name} must be a text in quotes; found {shown(given)}")
    return given
