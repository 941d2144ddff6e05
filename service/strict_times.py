"""Fields that take instants, days, clock times and time zones strictly."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any, Final
from zoneinfo import available_timezones

from marshmallow import ValidationError, fields

from service.faults import shown
from service.strict_fields import About, Matching, Strict, with_nearest
from worker.sentences import Sentence, joined, sentence

_FIRST_YEAR: Final = 2000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_FIRST_INSTANT: Final = (datetime(_FIRST_YEAR, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND

_CLOCK = r"([01][0-9]|2[0-3]):([0-5][0-9])"
_INSTANT = re.compile(
    rf"[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}[Tt]{_CLOCK}:[0-5][0-9](?:\.[0-9]{{1,9}})?(?:[Zz]|[+-]{_CLOCK})"
)
_LEAP_SECOND = re.compile(r"[^T]{10}T[0-9]{2}:[0-9]{2}:60.*", re.IGNORECASE)
_NO_OFFSET = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
#: Names in a zone database that depend on the machine, or name no place.
_NO_ZONES: Final = frozenset({"localtime", "posixrules", "Factory"})


class Instant(Strict, fields.String):
    """An RFC 3339 date-time with an offset, read as whole microseconds since 1970 UTC; finer digits are cut off."""

    def __init__(self, *, metadata: About, required: bool = False) -> None:
        super().__init__(metadata=metadata, required=required, limits={"format": "date-time"})

    def read(self, value: Any) -> int:  # noqa: D102
        instant = _microseconds(value) if isinstance(value, str) and _INSTANT.fullmatch(value) else None
        if instant is None:
            raise ValidationError(_why_no_instant(value))
        if instant < _FIRST_INSTANT:
            must = sentence("is before the year 2000; found %(found)s; set the sender's clock", found=shown(value))
            raise ValidationError(must)
        return instant


class Day(Strict, fields.String):
    """A calendar day, YYYY-MM-DD, from 2000 to 2099."""

    def __init__(self, *, metadata: About, required: bool = False) -> None:
        super().__init__(metadata=metadata, required=required, limits={"format": "date"})

    def read(self, value: Any) -> date:  # noqa: D102
        try:
            day = date.fromisoformat(value) if isinstance(value, str) and _DAY.fullmatch(value) else None
        except ValueError:
            day = None
        if day and _FIRST_YEAR <= day.year < _FIRST_YEAR + 100:
            return day
        must = sentence("must be a day from 2000 to 2099 such as 2026-03-02; found %(found)s", found=shown(value))
        raise ValidationError(must)


class ClockTime(Matching):
    """A wall clock time, HH:MM."""

    def __init__(self, *, metadata: About, required: bool = False) -> None:
        form = sentence("a time from 00:00 to 23:59 with two digits each, such as 06:00")
        super().__init__(_CLOCK, form, metadata=metadata, required=required)


class Zone(Strict, fields.String):
    """The IANA name of a time zone."""

    def read(self, value: Any) -> str:  # noqa: D102
        if isinstance(value, str) and value in _zones():
            return value
        must = sentence("must be an IANA time zone such as Europe/Berlin or UTC; found %(found)s", found=shown(value))
        raise ValidationError(with_nearest(must, value, _like_zones(value)) if isinstance(value, str) else must)


def _microseconds(text: str) -> int | None:
    """Of a text of the right form; None where there is no such day."""
    try:
        return (datetime.fromisoformat(text.upper()) - _EPOCH) // _MICROSECOND
    except (ValueError, OverflowError):
        return None


def _why_no_instant(value: object) -> Sentence:
    must = sentence(
        "must be an RFC 3339 instant with an offset such as 2026-03-02T06:15:00+01:00; found %(found)s",
        found=shown(value),
    )
    if isinstance(value, str) and _NO_OFFSET.fullmatch(value):
        return joined("; ", (must, sentence("add the offset, +01:00 or Z")))
    if isinstance(value, str) and _LEAP_SECOND.fullmatch(value):
        return joined("; ", (must, sentence("write second 59 for a leap second")))
    return must


@lru_cache(maxsize=1)
def _zones() -> dict[str, str]:
    """Zone -> the place in its name."""
    return {zone: _place(zone) for zone in sorted(available_timezones() - _NO_ZONES)}


def _like_zones(name: str) -> tuple[str, ...]:
    # To compare a name with all six hundred takes milliseconds.
    near, initial = _place(name), _place(name)[:1]
    return tuple(zone for zone, place in _zones().items() if place[0] == initial and abs(len(place) - len(near)) < 3)


def _place(zone: str) -> str:
    return zone.rpartition("/")[2].capitalize()
