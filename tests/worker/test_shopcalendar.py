"""Production day, week and shift of an instant in the site's own clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.shopcalendar import iso_week, minutes_of, monday_of, production_day, shift_at, wall_clock, zone_named
from worker.sites import DEFAULTS, Settings, SiteCalendar

SIX = minutes_of("06:00")
THREE = ((SIX, "early"), (minutes_of("14:00"), "late"), (minutes_of("22:00"), "night"))
ZONES = st.sampled_from(["UTC", "Europe/Berlin", "America/Chicago", "Asia/Kathmandu", "Australia/Lord_Howe"])
INSTANTS = st.integers(946_684_800, 2_000_000_000).map(lambda seconds: seconds * 1_000_000)
CLOCKS = st.times().map(lambda time: f"{time:%H:%M}")


def us(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * 1_000_000


def version(valid_from: date = date.min, **settings: Any) -> Settings:
    return Settings(valid_from, {**DEFAULTS, **settings})


@pytest.mark.parametrize(
    ("local", "day"),
    [
        ("2026-03-10T05:59:59", "2026-03-09"),
        ("2026-03-10T06:00:00", "2026-03-10"),
        ("2026-03-10T02:30:00", "2026-03-09"),
        ("2026-03-11T00:00:00", "2026-03-10"),
        ("2026-03-01T05:00:00", "2026-02-28"),
    ],
)
def test_production_day_is_the_local_date_less_one_before_the_start_of_day(local: str, day: str) -> None:
    assert production_day(datetime.fromisoformat(local), day_start_minutes=SIX).isoformat() == day


def test_production_day_that_starts_at_midnight_is_the_date() -> None:
    assert production_day(datetime(2026, 3, 10), day_start_minutes=0) == date(2026, 3, 10)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("clock", "shift"),
    [
        ("06:00", "early"), ("13:59", "early"), ("14:00", "late"), ("21:59", "late"), ("22:00", "night"),
        ("23:59", "night"), ("00:00", "night"), ("05:59", "night"),
    ],
)  # fmt: skip
def test_shift_is_the_last_one_to_start_at_or_before_the_wall_time(clock: str, shift: str) -> None:
    assert shift_at(datetime.fromisoformat(f"2026-03-10T{clock}:59"), THREE) == shift


def test_a_single_shift_lasts_all_day() -> None:
    assert {shift_at(datetime(2026, 3, 10, hour), [(SIX, "all")]) for hour in range(24)} == {"all"}  # noqa: DTZ001


def test_shifts_are_taken_by_their_start_however_they_are_listed() -> None:
    listed = [{"name": "b", "start": "18:00"}, {"name": "a", "start": "05:30"}]
    assert version(shifts=listed).shifts == ((330, "a"), (1080, "b"))


@pytest.mark.parametrize(
    ("instant", "zone", "wall"),
    [
        ("2026-03-29T00:59:59Z", "Europe/Berlin", "01:59:59"),
        ("2026-03-29T01:00:00Z", "Europe/Berlin", "03:00:00"),  # the clock jumps over 02
        ("2026-10-25T00:30:00Z", "Europe/Berlin", "02:30:00"),  # 02:30 twice
        ("2026-10-25T01:30:00Z", "Europe/Berlin", "02:30:00"),
        ("2026-03-10T12:00:00Z", "Asia/Kathmandu", "17:45:00"),
    ],
)
def test_wall_clock_follows_the_zone_over_its_changes(instant: str, zone: str, wall: str) -> None:
    assert wall_clock(us(instant), zone).time().isoformat() == wall


def test_wall_clock_of_an_instant_within_a_second_is_that_second() -> None:
    assert wall_clock(us("2026-03-10T05:59:59Z") + 999_999, "UTC").time().isoformat() == "05:59:59"


def test_a_start_of_day_within_the_hour_that_comes_twice_counts_by_the_wall() -> None:
    # Berlin, 2026-10-25: 02:30 starts the day at 00:30Z; at 01:00Z the wall is back at 02:00, before the start.
    calendar = SiteCalendar([version(zone="Europe/Berlin", day_start="02:30")])
    days = [
        calendar.place(us(f"2026-10-25T{clock}:00Z")).day.day for clock in ("00:29", "00:30", "00:59", "01:00", "01:30")
    ]
    assert days == [24, 25, 25, 24, 25]


def test_a_start_of_day_that_the_clock_jumps_over_begins_after_the_jump() -> None:
    calendar = SiteCalendar([version(zone="Europe/Berlin", day_start="02:30")])
    assert calendar.place(us("2026-03-29T00:59:59Z")).day == date(2026, 3, 28)
    assert calendar.place(us("2026-03-29T01:00:00Z")).day == date(2026, 3, 29)


@given(INSTANTS, ZONES, CLOCKS)
def test_a_production_day_is_its_date_or_the_one_before(instant: int, zone: str, day_start: str) -> None:
    wall = wall_clock(instant, zone)
    assert wall == datetime.fromtimestamp(instant // 1_000_000, UTC).astimezone(ZoneInfo(zone))
    day = production_day(wall, day_start_minutes=minutes_of(day_start))
    before = f"{wall:%H:%M}" < day_start
    assert wall.date() - day == timedelta(days=int(before))


@given(st.dates(date(1999, 1, 1), date(2100, 12, 31)))
def test_iso_week_and_its_monday_agree(day: date) -> None:
    week = iso_week(day)
    monday = monday_of(week)
    assert monday.weekday() == 0
    assert monday <= day < monday + timedelta(days=7)
    # Week 1 holds the first Thursday
    thursday = monday + timedelta(days=3)
    assert week == f"{thursday.year}-W{(thursday.timetuple().tm_yday - 1) // 7 + 1:02d}"


@pytest.mark.parametrize("week", ["2025-W53", "2026-W54", "2026-W00"])
def test_monday_of_a_week_that_its_year_does_not_have_is_an_error(week: str) -> None:
    with pytest.raises(ValueError, match="Invalid week"):
        monday_of(week)


def test_2026_has_53_weeks() -> None:
    assert monday_of("2026-W53") == date(2026, 12, 28)


def test_an_unknown_zone_is_an_error() -> None:
    with pytest.raises(ZoneInfoNotFoundError):
        zone_named("Europe/Nowhere")


def test_place_takes_the_newest_settings_under_whose_own_clock_the_day_is_not_before_them() -> None:
    old, new = version(), version(date(2026, 3, 10), day_start="22:00", shifts=[{"name": "n", "start": "22:00"}])
    calendar = SiteCalendar([new, old])
    # 21:59 on the 10th is production day 9 under the new start of day, so the old settings place it: day 10, late.
    found = [calendar.place(us(f"2026-03-10T{clock}:00Z")) for clock in ("21:59", "22:00")]
    assert [(place.day.day, place.shift) for place in found] == [(10, "late"), (10, "n")]
    assert calendar.place(us("2026-03-11T21:59:00Z")).day == date(2026, 3, 10)


@given(INSTANTS, ZONES, CLOCKS, ZONES, CLOCKS, st.dates(date(2000, 1, 1), date(2033, 1, 1)))
def test_each_instant_has_one_place_on_a_day_on_which_its_settings_hold(
    instant: int, zone: str, start: str, other_zone: str, other_start: str, changed: date
) -> None:
    calendar = SiteCalendar(
        [version(zone=zone, day_start=start), version(changed, zone=other_zone, day_start=other_start)]
    )
    place = calendar.place(instant)
    assert place.settings.valid_from <= place.day
    assert place.settings.valid_from in (date.min, changed)
    # Settings that begin later under their own clock do not place it
    wall = wall_clock(instant, other_zone)
    is_later = production_day(wall, day_start_minutes=minutes_of(other_start)) >= changed
    assert (place.settings.valid_from == changed) is is_later
