"""The door and the reports beside published figures. Each stands with its source; `from memory` where it was not read.

Numbers and ids are those of the project's list of published checks.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.builders import NOW_US, event
from tests.conftest import ENGINES, installation_on
from tests.service.conftest import Clock, Door, Service, cut, opened, received, serving
from worker.shopcalendar import iso_week, monday_of

HOUR = timedelta(hours=1)


@pytest.fixture(scope="module", params=ENGINES)
def published(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("published")
    with installation_on(request.param, folder, name="published") as opened, serving(opened) as running:
        yield running


@pytest.fixture
def door(published: Service, monkeypatch: pytest.MonkeyPatch) -> Door:
    """A site of its own. The clock stands after the last date of the checks, 2027-01-04."""
    clock = Clock(NOW_US)
    monkeypatch.setattr("service.clock.time", clock)
    return published.door(clock)


# --- shares and their intervals ---------------------------------------------------------------------------------

#: SPC-01 [read in stored copy]: Montgomery DC, Introduction to Statistical Quality Control (Wiley), orange juice cans,
#: Example 7.1 (6th ed.; 6.1 in earlier eds.); output of R package qcc (repository luca-scr/qcc, docs).
#: 30 samples of 50 cans, nonconforming cans in each.
NONCONFORMING = (
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
)  # fmt: skip
CENTRE = 0.2313333


def test_spc_01_orange_juice_cans_give_the_published_mean_fraction(door: Door) -> None:
    first = datetime(2026, 3, 2, 8, tzinfo=UTC)
    door.told(
        *(
            cut(f"sample {number}", quantity=50, good=50 - bad, scrap=bad, time=(first + number * HOUR).isoformat())
            for number, bad in enumerate(NONCONFORMING)
        )
    )
    totals = door.totals()
    assert (totals["attempts"], totals["parts_judged_first"]) == (30, 1500)
    assert 1 - totals["first_pass_yield"] == pytest.approx(CENTRE, abs=6e-8)
    assert totals["scrap_ratio"] == pytest.approx(CENTRE, abs=6e-8)


NEWCOMBE = (
    "Newcombe RG (1998), Two-sided confidence intervals for the single proportion: comparison of seven methods, "
    "Statistics in Medicine 17, 857-872, Table I"
)
RATESCI = f"{NEWCOMBE}; as asserted in the test suite of R package ratesci (file tests/testthat/test3.R)"
FAGERLAND = (
    "Fagerland MW, Lydersen S, Laake P (2017), Statistical Analysis of Contingency Tables, CRC Press; values asserted "
    "in the test suite of R package contingencytables (test-ch2.R), Ligarden et al. 2010, 13/16"
)
BINOM = (
    "R package binom, function binom.confint, output stored in the statsmodels test suite "
    "(stats/tests/results/results_proportion.py)"
)
PHE = (
    "R package PHEindicatormethods, test data for Wilson limits (testdata_Byars_Wilson.xlsx), after Public Health "
    "England technical guidance"
)
#: (id, source), x, n, confidence, limits, tolerance
WILSON: list[tuple[str, int, int, float, tuple[float, float], float]] = [
    (f"BIN-01 [from memory]: {NEWCOMBE}, example 81/263", 81, 263, 0.95, (0.2553, 0.3662), 6e-5),
    (f"BIN-02 [read]: {RATESCI}, example 15/148", 15, 148, 0.95, (0.0624, 0.1605), 6e-5),
    (f"BIN-03 [read]: {RATESCI}, example 0/20", 0, 20, 0.95, (0, 0.1611), 6e-5),
    (f"BIN-05 [read]: {FAGERLAND}", 13, 16, 0.95, (0.5699, 0.9341), 6e-5),
    (f"BIN-06 [read]: {BINOM}", 18, 20, 0.95, (0.6989663547715128, 0.972133518786232), 1e-7),
    (f"BIN-06 [read]: {BINOM}", 4, 20, 0.95, (0.0806576625797981, 0.4160174322518935), 1e-7),
    (f"BIN-06 [read]: {BINOM}", 4, 200, 0.95, (0.00780442641634947, 0.05028708690582643), 1e-7),
    (f"BIN-06 [read]: {BINOM}", 1, 30, 0.95, (0.00590859, 0.16670391), 1e-7),
    (f"BIN-12 [read]: {PHE}", 65, 100, 0.95, (0.5525444329688797, 0.7363575175690247), 1e-9),
    (f"BIN-12 [read]: {PHE}", 65, 100, 0.998, (0.4954946574070431, 0.7783540614089697), 1e-9),
    (f"BIN-12 [read]: {PHE}", 1045, 5000, 0.95, (0.19795549880013297, 0.22049130373189027), 1e-9),
    (f"BIN-12 [read]: {PHE}", 1045, 5000, 0.998, (0.19179381799015244, 0.22731562902525818), 1e-9),
]


@pytest.mark.parametrize(
    ("source", "x", "n", "confidence", "limits", "tolerance"),
    WILSON,
    ids=[f"{case[0].split()[0]}-{case[1]}-of-{case[2]}-at-{case[3]}" for case in WILSON],
)
def test_bin_wilson_limits_of_the_first_pass_yield_and_of_the_failed_pierce_rate(
    door: Door, source: str, x: int, n: int, confidence: float, limits: tuple[float, float], tolerance: float
) -> None:
    door.told(cut(quantity=n, good=x, scrap=n - x, pierces=n, failed_pierces=x))
    totals = door.totals(confidence=confidence)
    for share in ("first_pass_yield", "failed_pierce_rate"):
        assert totals[share] == x / n
        assert totals[f"{share}_low"] == pytest.approx(limits[0], abs=tolerance), source
        assert totals[f"{share}_high"] == pytest.approx(limits[1], abs=tolerance), source


# --- quality figures --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("produced", "good", "scrap", "rework", "quality_ratio", "scrap_ratio", "rework_ratio"),
    [
        (120, 105, 6, 9, 0.875, 0.05, 0.075),  # iso22400.ratios.01
        (200, 188, 2, 10, 0.94, 0.01, 0.05),  # iso22400.ratios.02
        (50, 50, 0, 0, 1.0, 0.0, 0.0),  # iso22400.ratios.03
    ],
)
def test_iso22400_ratios(
    door: Door,
    produced: int,
    good: int,
    scrap: int,
    rework: int,
    quality_ratio: float,
    scrap_ratio: float,
    rework_ratio: float,
) -> None:
    # iso22400.ratios [read in stored copy]: ISO 22400-2:2014 definitions as coded in an open university ontology:
    # GQ/PQ, SQ/PQ, RQ/PQ. Without recovered parts the yield after rework is the quality ratio.
    door.told(cut(quantity=produced, good=good, scrap=scrap, rework=rework))
    totals = door.totals()
    assert totals["yield_after_rework"] == pytest.approx(quality_ratio, abs=1e-9)
    assert totals["scrap_ratio"] == pytest.approx(scrap_ratio, abs=1e-9)
    assert totals["rework_ratio"] == pytest.approx(rework_ratio, abs=1e-9)


@pytest.mark.parametrize(
    ("good", "inspected", "share"),
    [(33, 40, 0.825), (17, 20, 0.85)],  # iso22400.first_pass_yield.01, .04
)
def test_iso22400_first_pass_yield(door: Door, good: int, inspected: int, share: float) -> None:
    # iso22400.first_pass_yield [read in stored copy]: ISO 22400-2:2014 definitions as coded in an open university
    # ontology; only serialised units passed first run without rework count as GP. So: one part an attempt, the others
    # reworked until they are good, or good at a second try.
    cuts = [cut(f"A{number}", good=int(number < good), rework=int(number >= good)) for number in range(inspected)]
    work = {"operation": "grinding", "minutes": 1, "parts": 1, "recovered": 1, "time": "2026-03-04T12:00:00Z"}
    recovered = [event("attempt.reworked", f"A{number}", **work) for number in range(good, inspected - 1)]
    door.told(*cuts, *recovered, cut("again", retry_of=f"A{inspected - 1}", good=1))
    totals = door.totals()
    assert totals["first_pass_yield"] == pytest.approx(share, abs=1e-9)
    assert totals["yield_after_rework"] > share


def test_iso22400_zero_denominator_is_null_never_0_or_1(door: Door) -> None:
    # iso22400.zero_denominator.01, .02 [from memory]: project convention, no source: an indicator with denominator 0
    # is undefined (null), never 0 or 1. Of the five parts none is judged yet: GP 0 of IP 0, SQ 0 of PQ 0.
    door.told(cut(quantity=5))
    for found in (door.totals(), *door.rows()):
        assert (found["first_pass_good"], found["parts_judged_first"], found["first_pass_yield"]) == (0, 0, None)
        assert (found["scrap"], found["scrap_ratio"], found["rework_ratio"]) == (0, None, None)


def test_yld_rolled_throughput_yield_is_the_product_of_the_stage_yields_and_the_first_pass_yield(door: Door) -> None:
    # ISO 13053-1: the rolled throughput yield is the product of the yields of the stages. 200 parts: 8 lost at the
    # pierce, 12 not severed, 20 by their surface, 10 by their size:
    # 192/200 x 180/192 x 160/180 x 150/160 = 150/200
    door.told(
        cut("A", outcome="pierce_failed", quantity=8),
        cut("B", outcome="not_severed", quantity=12),
        cut("C", good=90, scrap=20, defects=[{"term": "crack", "parts": 20}]),
        cut("D", good=60, rework=10, defects=[{"term": "wide_kerf", "parts": 10}]),
    )
    totals = door.totals("losses")
    stages = [totals[f"{stage}_yield"] for stage in ("pierce", "sever", "surface", "size")]
    assert stages == [pytest.approx(share) for share in (192 / 200, 180 / 192, 160 / 180, 150 / 160)]
    assert totals["rolled_throughput_yield"] == totals["first_pass_yield"] == 0.75


# --- calendar ---------------------------------------------------------------------------------------------------

#: calendar.iso_week.01 to .05, .07, .08 [from memory]: ISO 8601 week rule (week 1 holds the first Thursday), value
#: confirmed with the Python standard library.
ISO_WEEKS = {
    "2018-12-31": (2019, 1, 1),
    "2020-12-31": (2020, 53, 4),
    "2021-01-03": (2020, 53, 7),
    "2021-01-04": (2021, 1, 1),
    "2024-12-30": (2025, 1, 1),
    "2027-01-01": (2026, 53, 5),
    "2016-01-03": (2015, 53, 7),
}
#: WEEK-01 [read in stored copy]: R package ISOweek, inst/tests/test-ISOweek.r
LAST_DAYS = {
    "1999-12-31": "1999-W52", "2000-12-31": "2000-W52", "2001-12-31": "2002-W01", "2002-12-31": "2003-W01",
    "2003-12-31": "2004-W01", "2004-12-31": "2004-W53", "2005-12-31": "2005-W52", "2006-12-31": "2006-W52",
    "2007-12-31": "2008-W01", "2008-12-31": "2009-W01", "2009-12-31": "2009-W53", "2010-12-31": "2010-W52",
    "2011-12-31": "2011-W52",
}  # fmt: skip
#: WEEK-03 [from memory]: ISO 8601 week-date examples as tabulated in the Wikipedia article ISO week date
WEEK_DATES = {
    "2005-01-01": "2004-W53-6", "2005-01-02": "2004-W53-7", "2005-12-31": "2005-W52-6", "2006-01-01": "2005-W52-7",
    "2006-01-02": "2006-W01-1", "2006-12-31": "2006-W52-7", "2007-01-01": "2007-W01-1", "2007-12-30": "2007-W52-7",
    "2007-12-31": "2008-W01-1", "2008-01-01": "2008-W01-2", "2008-12-28": "2008-W52-7", "2008-12-29": "2009-W01-1",
}  # fmt: skip


def weeks_through_the_door(door: Door, days: list[str]) -> dict[str, str]:
    """The week of a cut at noon of each day, as the attempt says and as the report by week says."""
    door.told(*(cut(day, time=f"{day}T12:00:00Z") for day in days))
    weeks = {}
    for day in days:
        (row,) = door.rows(by="week", day=day)
        assert door.attempt(day)["week"] == row["week"]
        weeks[day] = row["week"]
        in_week = door.totals(week=row["week"])["attempts"]
        assert in_week == sum(iso_week(date.fromisoformat(other)) == row["week"] for other in days)
    return weeks


def test_calendar_iso_week(door: Door) -> None:
    expected = {day: f"{year}-W{week:02d}" for day, (year, week, _) in ISO_WEEKS.items()}
    assert weeks_through_the_door(door, list(ISO_WEEKS)) == expected
    for day, (year, week, weekday) in ISO_WEEKS.items():
        assert monday_of(f"{year}-W{week:02d}") + timedelta(days=weekday - 1) == date.fromisoformat(day)


def test_week_01_last_days_of_years(door: Door) -> None:
    # An event of 1999 is refused at the door; its week is right all the same.
    assert {day: iso_week(date.fromisoformat(day)) for day in LAST_DAYS} == LAST_DAYS
    since_2000 = {day: week for day, week in LAST_DAYS.items() if day >= "2000"}
    assert weeks_through_the_door(door, list(since_2000)) == since_2000


def test_week_03_week_dates(door: Door) -> None:
    found = weeks_through_the_door(door, list(WEEK_DATES))
    weekdays = {day: (date.fromisoformat(day) - monday_of(week)).days + 1 for day, week in found.items()}
    assert {day: f"{week}-{weekdays[day]}" for day, week in found.items()} == WEEK_DATES


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "America/Chicago"])
@pytest.mark.parametrize(
    ("local_time", "day_start", "day"),
    [
        ("2026-03-10T06:00", "06:00", "2026-03-10"),  # calendar.production_date.03
        ("2026-03-10T23:30", "06:00", "2026-03-10"),  # calendar.production_date.04
        ("2026-01-01T03:00", "06:00", "2025-12-31"),  # calendar.production_date.05
        ("2027-01-04T04:00", "06:00", "2027-01-03"),  # calendar.production_date.06
    ],
)
def test_calendar_production_date(door: Door, zone: str, local_time: str, day_start: str, day: str) -> None:
    # calendar.production_date [from memory]: common practice, no source: production day starts 06:00 local, earlier
    # hours belong to the previous day.
    door.set(zone=zone, day_start=day_start)
    at = datetime.fromisoformat(local_time).replace(tzinfo=ZoneInfo(zone))
    door.told(cut(time=at.isoformat(), good=1))
    assert door.attempt()["day"] == day
    assert [row["day"] for row in door.rows(by="day", day=day)] == [day]


@pytest.mark.parametrize(
    ("zone", "start", "end", "hours"),
    [
        ("Europe/Berlin", "2026-03-28T22:00", "2026-03-29T06:00", 7.0),  # calendar.shift_hours.01
        ("America/Chicago", "2026-03-07T22:00", "2026-03-08T06:00", 7.0),  # calendar.shift_hours.03
        ("America/Chicago", "2026-10-31T22:00", "2026-11-01T06:00", 9.0),  # calendar.shift_hours.04
    ],
)
def test_calendar_shift_hours(door: Door, zone: str, start: str, end: str, hours: float) -> None:
    # calendar.shift_hours [from memory]: elapsed hours of a 22:00-06:00 shift across clock changes (time-zone
    # database). A cut every half hour from before the shift until after it: those in the shift measure it.
    door.set(zone=zone)
    first, last = (
        datetime.fromisoformat(local).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) for local in (start, end)
    )
    assert (last - first) / HOUR == hours
    steps = [first + index * HOUR / 2 for index in range(-4, int(2 * hours) + 4)]
    door.told(*(cut(f"A{index}", time=at.isoformat()) for index, at in enumerate(steps)))
    rows = {row["shift"]: row["attempts"] for row in door.rows(by="shift", day=start[:10])}
    assert rows["night"] / 2 == hours


# --- units ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inch", "mm"),
    [
        ("3/16", 4.7625), ("1/4", 6.35), ("5/16", 7.9375), ("1/2", 12.7), ("5/8", 15.875), ("1", 25.4),
        ("1 1/4", 31.75), ("2 1/2", 63.5),
    ],
)  # fmt: skip
def test_units_inch_to_mm(door: Door, inch: str, mm: float) -> None:
    # units.inch_to_mm.01, .02, .03, .05, .06, .09, .10, .12 [from memory]: 1 in = 25.4 mm exactly
    door.told(cut("A", thickness_in=inch), opened(thickness_in=inch), received(thickness_in=inch), cut("B", plate="P"))
    states: list[Any] = [door.attempt("A"), door.attempt("B"), door.read("/v1/jobs/J"), door.read("/v1/plates/P")]
    assert [state["thickness_mm"] for state in states] == [mm] * 4
    assert [(row["thickness_mm"], row["attempts"]) for row in door.rows(thickness_mm=mm)] == [(mm, 2)]
    assert door.rows(thickness_in=inch) == door.rows()
