"""Production day, ISO week and shift of an instant, in the site's own clock."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache
from operator import itemgetter
from zoneinfo import ZoneInfo

MICROSECONDS = 1_000_000


def minutes_of(clock: str) -> int:
    """Minutes after midnight of a clock time "HH:MM"."""
    hours, minutes = clock.split(":")
    return int(hours) * 60 + int(minutes)


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """Time zone of an IANA name; raises zoneinfo.ZoneInfoNotFoundError for another."""
    return ZoneInfo(name)


def wall_clock(instant_us: int, zone: str) -> datetime:
    """Local date and time of an instant, to the second."""
    return datetime.fromtimestamp(instant_us // MICROSECONDS, zone_named(zone))


def production_day(wall: datetime, *, day_start_minutes: int) -> date:
    """Production day of a local wall time: its date, less one day before the start of day."""
    day = wall.date()
    return day - timedelta(days=1) if wall.hour * 60 + wall.minute < day_start_minutes else day


def shift_at(wall: datetime, shifts: Sequence[tuple[int, str]]) -> str:
    """Name of the shift that was the last to start at or before the local wall time.

    `shifts` are (start in minutes after midnight, name), sorted; before the first start of a day the last shift of the
    day before still runs.
    """
    return shifts[bisect_right(shifts, wall.hour * 60 + wall.minute, key=_start) - 1][1]


_start = itemgetter(0)


@lru_cache(maxsize=4096)
def iso_week(day: date) -> str:
    """ISO 8601 week of a day, such as "2026-W10": Monday first, week 1 holds the first Thursday."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def monday_of(week: str) -> date:
    """First day of an ISO week "2026-W10"; raises ValueError for a week that its year does not have."""
    year, number = week.split("-W")
    return date.fromisocalendar(int(year), int(number), 1)
