"""A stored event as the folds read it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any


@dataclass(frozen=True)
class Event:
    """One event of the ledger. `data` is the stored JSON; numbers in it are ints and floats, times are texts."""

    time_us: int
    source: str
    id: str
    type: str
    subject: str
    data: dict[str, Any]

    @cached_property
    def order(self) -> tuple[int, str, str]:
        """Fold order. Python compares text by code point, which is the order of the UTF-8 bytes."""
        return (self.time_us, self.source, self.id)

    def __lt__(self, other: Event) -> bool:
        return self.order < other.order


def by_value(value: Any) -> Any:
    """JSON in which a number without a fraction is an int, however it was written: 4.0 and 4e0 are 4 parts."""
    kind = type(value)
    if kind is str or kind is int:
        return value
    if kind is float:
        return int(value) if value.is_integer() else value
    if kind is dict:
        return {name: by_value(member) for name, member in value.items()}
    if kind is list:
        return [by_value(member) for member in value]
    return value
