"""A stored event as the folds read it."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import msgspec

#: Numbers with a point or an exponent that are remembered by how they were written.
_MOST_NUMBERS: Final = 65_536


class Event(NamedTuple):
    """One event of the ledger. `data` is the stored JSON; numbers in it are ints and floats, times are texts.

    Events of a site compare in fold order: their first three fields tell any two of them apart, and Python compares
    text by code point, which is the order of the UTF-8 bytes.
    """

    time_us: int
    source: str
    id: str
    type: str
    subject: str
    data: dict[str, Any]

    @property
    def order(self) -> tuple[int, str, str]:
        """Fold order."""
        return self[:3]


def stored_data(payload: bytes) -> dict[str, Any]:
    """The data of an event as it was stored, its numbers read as `by_value` reads them."""
    data: dict[str, Any] = _decode(payload)["data"]
    return data


class _Numbers(dict[str, int | float]):
    """Numbers with a point or an exponent by how they were written: a shop writes a few thousand, again and again."""

    def __missing__(self, text: str) -> int | float:
        if len(self) >= _MOST_NUMBERS:
            self.clear()
        number: int | float = by_value(float(text))
        self[text] = number
        return number


_decode = msgspec.json.Decoder(float_hook=_Numbers().__getitem__).decode


def by_value(value: Any) -> Any:
    """JSON in which a number without a fraction is an int, however it was written: 4.0 and 4e0 are 4 parts.

    Mappings and lists are changed in place.
    """
    kind = type(value)
    if kind is dict:
        for name, member in value.items():
            if type(member) in _CHANGED:
                value[name] = by_value(member)
    elif kind is list:
        for index, member in enumerate(value):
            if type(member) in _CHANGED:
                value[index] = by_value(member)
    elif kind is float and value.is_integer():
        return int(value)
    return value


_CHANGED = (float, dict, list)
