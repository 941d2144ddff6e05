"""The invented shop's calendar: where it stands, when its day begins, when its people work."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

ZONE_NAME: Final = "Europe/Berlin"
ZONE: Final = ZoneInfo(ZONE_NAME)
DAY_START: Final = time(6)
#: Shift name -> local wall time at which it begins.
SHIFTS: Final = {"early": time(6), "late": time(14), "night": time(22)}
SATURDAY: Final = 5
SUNDAY: Final = 6


def moment(day: date, *, minutes: float) -> datetime:
    """Instant (UTC, whole seconds) so many minutes after the start of the production day."""
    begins = datetime.combine(day, DAY_START, ZONE).astimezone(UTC)
    return begins + timedelta(seconds=round(minutes * 60))


def production_day(at: datetime) -> date:
    """Production day of an aware instant: its local date, less one before the start of day."""
    local = at.astimezone(ZONE)
    return local.date() - timedelta(days=local.time() < DAY_START)


def shift(at: datetime) -> str:
    """Name of the shift into which an aware instant falls."""
    wall = at.astimezone(ZONE).time()
    begun = [name for name, begins in SHIFTS.items() if begins <= wall]
    return begun[-1] if begun else "night"


def last_complete_week(day: date) -> date:
    """Monday of the ISO week before the one that holds the production day."""
    return day - timedelta(days=day.weekday() + 7)


def week_name(day: date) -> str:
    """ISO week of a production day as reports take it: `2026-W10`."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


def bench_time(at: datetime) -> datetime:
    """The instant itself when early or late shift work from Monday to Saturday, else the next such morning.

    Inspection, dressing bench and store do not work nights and Sundays; the lasers do.
    """
    day = production_day(at)
    if shift(at) == "night":
        day += timedelta(days=1)
    elif day.weekday() != SUNDAY:
        return at
    if day.weekday() == SUNDAY:
        day += timedelta(days=1)
    into_the_hour = (at.minute * 60 + at.second) / 60
    return moment(day, minutes=10 + into_the_hour)
