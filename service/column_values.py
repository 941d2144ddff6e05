"""What a cell of an old table says, as the JSON value that a field of an event takes: numbers, units, times, words."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from marshmallow import fields

from service.faults import shown
from service.strict_fields import Flag, Number, ThicknessInch, ThicknessMm, Whole, nearest_hint
from service.strict_json import LARGEST_WHOLE, LONGEST_NUMBER
from service.strict_times import Day, Instant

_INCH: Final = Fraction(254, 10)
_LENGTHS: Final[Mapping[str, Fraction]] = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": _INCH,
    "um": Fraction(1, 1000),
}
_TIMES: Final[Mapping[str, Fraction]] = {
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
}
#: Units that a cell may be in, by the unit of the field: what a cell is multiplied by.
UNITS: Final[Mapping[str, Mapping[str, Fraction | int]]] = {
    "mm": _LENGTHS,
    "um": {unit: factor * 1000 for unit, factor in _LENGTHS.items()},
    "mm/min": {"mm/min": 1, "m/min": 1000, "mm/s": 60, "in/min": _INCH},
    "s": _TIMES,
    "min": {unit: factor / 60 for unit, factor in _TIMES.items()},
    "W": {"W": 1, "kW": 1000},
    "bar": {"bar": 1, "mbar": Fraction(1, 1000), "kPa": Fraction(1, 100), "MPa": 10, "psi": Fraction("0.0689475729")},
    "kg": {"kg": 1, "g": Fraction(1, 1000), "t": 1000, "lb": Fraction("0.45359237")},
    "Hz": {"Hz": 1, "kHz": 1000},
}
#: Times written with colons: what each place is in, by how the cell is written.
CLOCKS: Final[Mapping[str, Sequence[int]]] = {"h:min": (3600, 60), "h:min:s": (3600, 60, 1), "min:s": (60, 1)}
_FIELD_UNITS: Final = (
    ("_mm_min", "mm/min"), ("_mm", "mm"), ("_um", "um"), ("seconds", "s"), ("minutes", "min"), ("_w", "W"),
    ("_bar", "bar"), ("_kg", "kg"), ("_hz", "Hz"),
)  # fmt: skip
#: Decimals that a value is rounded to after a change of unit, where its field says none.
_DECIMALS: Final = 6
_FLAGS: Final = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_HOURS: Final = ("%H", "%I", "%X", "%c")
_CLOCK: Final = re.compile(r"[0-9]{1,5}(?::[0-5]?[0-9]){1,2}", re.ASCII)


class CellWrong(ValueError):
    """A cell that is not what its field takes; says what would do."""


@dataclass(frozen=True)
class Manner:
    """How a table writes numbers and times."""

    decimal: str = "."
    thousands: str = ""
    times: tuple[str, ...] = ()
    zone: str | None = None
    empty: frozenset[str] = frozenset()

    def is_given(self, cell: str) -> bool:
        """False for a cell that says that nothing is known."""
        return bool(cell) and cell not in self.empty


def unit_of(field_name: str) -> str | None:
    """The unit that a field's name ends in; None for a field without."""
    return next((unit for ending, unit in _FIELD_UNITS if field_name.endswith(ending)), None)


@dataclass(frozen=True)
class Change:
    """What is done to a number on its way: it is in another unit, or is to be multiplied."""

    unit: str | None = None
    times: Fraction = Fraction(1)


def value_of(cell: str, field: fields.Field[Any], name: str, manner: Manner, change: Change) -> Any:
    """JSON value of a cell that is given, for a field of this name; raises CellWrong."""
    if isinstance(field, Whole | Number | ThicknessMm):
        return number_of(cell, name, manner, change, decimals=getattr(field, "decimals", None))
    if isinstance(field, ThicknessInch):
        return cell if "/" in cell else number_of(cell, name, manner, change)
    if isinstance(field, Flag):
        if (found := _FLAGS.get(cell.casefold())) is None:
            raise CellWrong(
                f"must be yes or no, true or false, 1 or 0; found {shown(cell)}; give words for it in the map"
            )
        return found
    if isinstance(field, Instant):
        return instant_of(cell, manner)
    if isinstance(field, Day):
        return day_of(cell, manner).isoformat()
    return cell


def number_of(cell: str, name: str, manner: Manner, change: Change, *, decimals: int | None = None) -> int | Decimal:
    """Number of a cell in the unit of the field; raises CellWrong."""
    if change.unit in CLOCKS:
        seconds = _clock_seconds(cell, change.unit)
        return _plain(Fraction(seconds) / UNITS["s"][unit_of(name) or "s"], _DECIMALS if decimals is None else decimals)
    plain = _bare_number(cell, manner)
    factor = change.times
    if change.unit is not None:
        factor *= UNITS[unit_of(name) or ""][change.unit]
    if factor == 1:
        number = Decimal(plain)
        return int(number) if number == number.to_integral_value() and abs(number) <= LARGEST_WHOLE else number
    return _plain(Fraction(plain) * factor, _DECIMALS if decimals is None else decimals)


def _bare_number(cell: str, manner: Manner) -> str:
    form = rf"[+-]?[0-9]+(?:{re.escape(manner.decimal)}[0-9]+)?"
    text = cell
    if manner.thousands:
        groups = rf"[+-]?[0-9]{{1,3}}(?:{re.escape(manner.thousands)}[0-9]{{3}})+(?:{re.escape(manner.decimal)}[0-9]+)?"
        if re.fullmatch(groups, cell, re.ASCII):
            text = cell.replace(manner.thousands, "")
    if len(text) > LONGEST_NUMBER or not re.fullmatch(form, text, re.ASCII):
        example = f"12{manner.decimal}5"
        mend = "" if text.replace(",", ".").count(".") != 1 else "; say how the table writes decimals: decimal = "
        mend += '","' if mend and manner.decimal == "." else '"."' if mend else ""
        raise CellWrong(f"must be a bare number such as {example}; found {shown(cell)}{mend}")
    return text.replace(manner.decimal, ".")


def _plain(exact: Fraction, decimals: int) -> int | Decimal:
    scaled = round(exact * 10**decimals)
    number = Decimal(scaled).scaleb(-decimals)
    return int(number) if scaled % 10**decimals == 0 else Decimal(f"{number:f}".rstrip("0"))


def _clock_seconds(cell: str, unit: str | None) -> int:
    places = CLOCKS[unit or ""]
    parts = cell.split(":")
    if not _CLOCK.fullmatch(cell) or len(parts) != len(places):
        raise CellWrong(f"must be a time written {unit}; found {shown(cell)}")
    return sum(int(part) * seconds for part, seconds in zip(parts, places, strict=True))


def instant_of(cell: str, manner: Manner) -> str:
    """RFC 3339 instant of a cell; raises CellWrong.

    A time without an offset is on the clocks of the map's zone. Of an hour that comes twice, in autumn, it is taken
    for the first; of one that is left out, in spring, it is wrong.
    """
    found, has_hour = _moment(cell, manner)
    if not has_hour:
        mend = 'put a time of day beside it in the map: time = "{Date} 12:00"'
        raise CellWrong(f"says a day and no time of day; found {shown(cell)}; {mend}")
    if found.tzinfo is not None:
        return found.isoformat()
    if manner.zone is None:
        raise CellWrong(
            f'has no offset from UTC; found {shown(cell)}; say the zone of its clock in the map: zone = "..."'
        )
    zone = ZoneInfo(manner.zone)
    local = found.replace(tzinfo=zone)
    if datetime.fromtimestamp(local.timestamp(), zone).replace(tzinfo=None) != found:
        raise CellWrong(f"is in an hour that the clocks of {manner.zone} leave out; found {shown(cell)}")
    return local.isoformat()


def day_of(cell: str, manner: Manner) -> date:
    """Day of a cell; raises CellWrong."""
    try:
        return date.fromisoformat(cell)
    except ValueError:
        return _moment(cell, manner)[0].date()


def _moment(cell: str, manner: Manner) -> tuple[datetime, bool]:
    """(what a cell says, whether it says a time of day)."""
    for form in manner.times:
        try:
            return datetime.strptime(cell, form), any(hour in form for hour in _HOURS)  # noqa: DTZ007
        except ValueError:
            continue
    if not manner.times:
        try:
            return datetime.fromisoformat(cell), len(cell) > len("2026-03-02")
        except ValueError:
            pass
    forms = " or ".join(manner.times) or "YYYY-MM-DD HH:MM; say how the table writes times in the map: time = ..."
    raise CellWrong(f"must be a time written {forms}; found {shown(cell)}")


def word_of(cell: str, words: Mapping[str, Any], otherwise: Any) -> Any:
    """What the map makes of a word, whatever its case; raises CellWrong for one that it does not know."""
    found = words.get(cell.casefold(), otherwise)
    if found is None:
        known = tuple(words)
        raise CellWrong(f"is no word of the map ({', '.join(known)}); found {shown(cell)}{nearest_hint(cell, known)}")
    return found
