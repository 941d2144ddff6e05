"""Published weeks: when a week is published, what is stored of it, and that nothing changes it."""

from __future__ import annotations

import logging
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random
from typing import Any

import orjson
import pytest
from sqlalchemy import insert, select, update

from tests.builders import append, count, event, installed
from tests.conftest import Sites
from worker.database import Database
from worker.folding import instant_us
from worker.publishing import DIVISIONS, LATEST_WEEKS, RELEASE, divisions, publish_due, publish_site, weeks_published
from worker.reports.catalogue import REPORTS
from worker.reports.reading import open_site
from worker.tables import published_reports, published_weeks
from worker.tables import sites as sites_table

#: The builders' events happen on 2026-03-04, in week 2026-W10: Monday 2 to Sunday 8 March.
WEEK = "2026-W10"
#: A day after the end of that week, which is on Monday at 06:00 UTC.
DUE = instant_us("2026-03-10T06:00:00Z")
Event = dict[str, Any]


def cut(attempt: str = "A", **data: Any) -> Event:
    time = data.pop("time", "2026-03-04T10:00:00Z")
    said = {"outcome": "severed", "material": "S355", "thickness_mm": 20, "machine": "L1", "quantity": 4, "good": 3}
    return event("attempt.finished", attempt, time=time, **said | data)


@pytest.fixture
def site(sites: Sites) -> str:
    return sites.new()


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two reports, where it does not matter which: a week is published the sooner."""
    monkeypatch.setattr("worker.publishing.REPORTS", {name: REPORTS[name] for name in ("yield", "rework")})


def told(database: Database, site: str, *events: Event) -> None:
    assert set(append(database, events, site=site)) == {"accepted"}
    count(database, site=site)


def published(database: Database, site: str, *, now_us: int = DUE, **how: int) -> list[str]:
    return list(publish_site(database, site, now_us=now_us, **how))


def bodies(database: Database, site: str, week: str = WEEK) -> dict[tuple[str, str], Any]:
    """(report, question) -> what is stored, as JSON."""
    p = published_reports.c
    query = select(p.report, p.question, p.body).where(p.site == site, p.week == week)
    with database.read() as connection:
        return {(report, question): orjson.loads(body) for report, question, body in connection.execute(query)}


# --- when -------------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("few")
def test_a_week_is_published_a_day_after_its_last_production_day(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    assert published(sites.database, site, now_us=DUE - 1) == []
    assert published(sites.database, site, now_us=DUE) == [WEEK]


@pytest.mark.usefixtures("few")
def test_the_day_ends_by_the_clock_of_the_site(sites: Sites, site: str) -> None:
    # In New York it is four hours earlier from 8 March 2026 on: 05:30 there is 09:30 in UTC.
    clock = event("site.set", site, valid_from="2000-01-01", zone="America/New_York", day_start="05:30")
    told(sites.database, site, clock, cut())
    due = instant_us("2026-03-10T09:30:00Z")
    assert published(sites.database, site, now_us=due - 1) == []
    assert published(sites.database, site, now_us=due) == [WEEK]


@pytest.mark.usefixtures("few")
def test_a_cut_before_the_start_of_day_belongs_to_the_week_before(sites: Sites, site: str) -> None:
    told(sites.database, site, cut(time="2026-03-09T05:59:59Z"))
    assert published(sites.database, site) == [WEEK]
    assert bodies(sites.database, site)["yield", "by=week"]["totals"]["attempts"] == 1


@pytest.mark.usefixtures("few")
def test_nothing_is_published_while_an_event_waits(sites: Sites, site: str) -> None:
    told(sites.database, site, cut("A"))
    append(sites.database, [cut("B")], site=site)
    assert published(sites.database, site) == []
    count(sites.database, site=site)
    assert published(sites.database, site) == [WEEK]
    assert bodies(sites.database, site)["yield", "by=thickness"]["totals"]["attempts"] == 2


@pytest.mark.usefixtures("few")
def test_nothing_is_published_of_figures_that_an_older_release_counted(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    with sites.database.write() as connection:
        connection.execute(update(sites_table).where(sites_table.c.site == site).values(fold=1))
    assert published(sites.database, site) == []


@pytest.mark.usefixtures("few")
def test_weeks_without_a_cut_are_not_published_and_one_with_rework_alone_is(sites: Sites, site: str) -> None:
    reworked = event("attempt.reworked", "A", time="2026-03-18T10:00:00Z", operation="grinding", minutes=5, parts=1)
    told(sites.database, site, cut(good=3, rework=1), reworked)
    assert published(sites.database, site, now_us=instant_us("2026-05-01T00:00:00Z")) == [WEEK, "2026-W12"]
    assert bodies(sites.database, site, "2026-W12")["rework", "by=operation"]["totals"]["booked_rework_minutes"] == 5


@pytest.mark.usefixtures("few")
def test_weeks_are_published_oldest_first_and_so_many_a_call(sites: Sites, site: str) -> None:
    told(sites.database, site, *(cut(day, time=f"2026-03-{day}T10:00:00Z") for day in ("18", "04", "11")))
    now_us = instant_us("2026-05-01T00:00:00Z")
    assert published(sites.database, site, now_us=now_us, most=2) == ["2026-W10", "2026-W11"]
    assert published(sites.database, site, now_us=now_us, most=2) == ["2026-W12"]
    assert published(sites.database, site, now_us=now_us, most=2) == []


@pytest.mark.usefixtures("few")
def test_a_week_of_long_ago_is_not_published(sites: Sites, site: str) -> None:
    told(sites.database, site, cut("A"), cut("B", time="2026-03-11T10:00:00Z"))
    later = DUE + LATEST_WEEKS * 7 * 86_400_000_000
    # W10 ended 26 weeks and a day ago: the oldest that is published is W11.
    assert published(sites.database, site, now_us=later) == ["2026-W11"]


# --- what -------------------------------------------------------------------------------------------------------


def test_each_report_is_stored_under_each_of_its_questions(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    published(sites.database, site)
    stored = bodies(sites.database, site)
    wanted = {(name, f"by={','.join(by)}" if by else "") for name, entry in REPORTS.items() for by in divisions(entry)}
    assert set(stored) == wanted
    assert {("yield", f"by={name}") for name in ("thickness", *DIVISIONS)} <= wanted
    assert {("rework", "by=operation"), ("trend", ""), ("lots", "")} <= wanted
    for (name, question), body in stored.items():
        assert (body["report"], body["site"]) == (name, site)
        assert body["window"] == {"from": "2026-03-02", "to": "2026-03-08"}
        assert question == (f"by={','.join(body['by'])}" if body["by"] else "")


@pytest.mark.usefixtures("few")
def test_a_week_says_up_to_which_event_it_counts_and_when_it_was_published(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    published(sites.database, site, now_us=DUE + 5)
    with sites.database.read() as connection:
        (week,) = weeks_published(connection, site)
        position = open_site(connection, site).as_of.position
    assert (week.week, week.position, week.published_us, week.release) == (WEEK, position, DUE + 5, RELEASE)
    assert {body["as_of"]["position"] for body in bodies(sites.database, site).values()} == {position}


@pytest.mark.usefixtures("few")
def test_nothing_changes_what_was_published(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    published(sites.database, site)
    before = bodies(sites.database, site)
    told(sites.database, site, cut("B", good=0, scrap=4), event("attempt.inspected", "A", good=4))
    assert published(sites.database, site, now_us=DUE + 86_400_000_000) == []
    assert bodies(sites.database, site) == before


def test_what_is_stored_is_the_same_for_the_same_events_in_any_order(sites: Sites) -> None:
    events = [cut(f"A{number}", plate=f"P{number % 3}", good=number % 4, quantity=4) for number in range(12)]
    events += [event("plate.received", f"P{number}", material="S355", thickness_mm=20) for number in range(3)]
    events += [event("attempt.inspected", f"A{number}", good=3, scrap=1) for number in range(4)]
    stored = []
    for seed in (1, 5):
        site, shuffled = sites.new(), Random(seed).sample(events, len(events))
        for some in (shuffled[:seed], shuffled[seed:]):
            told(sites.database, site, *some)
        published(sites.database, site)
        found = bodies(sites.database, site)
        stored.append({key: body | {"site": "", "as_of": {}} for key, body in found.items()})
    assert stored[0] == stored[1]
    assert stored[0]["yield", "by=machine"]["totals"]["attempts"] == 12


# --- by whom ----------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("few")
def test_of_several_that_publish_at_once_one_is_first(sites: Sites, site: str) -> None:
    told(sites.database, site, cut())
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda _: published(sites.database, site), range(2)))
    assert sorted(found) == [[], [WEEK]]
    assert bodies(sites.database, site)["yield", "by=machine"]["totals"]["attempts"] == 1


@pytest.fixture
def plant(tmp_path: Path) -> Any:
    database = installed(f"sqlite:///{tmp_path / 'test.sqlite3'}", sites=("main", "a", "b"))
    yield database
    database.close()


@pytest.mark.usefixtures("few")
def test_due_weeks_of_all_sites_are_published_so_many_a_call(plant: Database) -> None:
    told(plant, "a", cut(), cut("B", time="2026-03-11T10:00:00Z"))
    told(plant, "b", cut())
    now_us = instant_us("2026-05-01T00:00:00Z")
    assert publish_due(plant, now_us=now_us, most=1) == [("a", "2026-W10")]
    assert publish_due(plant, now_us=now_us) == [("a", "2026-W11"), ("b", "2026-W10")]
    assert publish_due(plant, now_us=now_us) == []


@pytest.mark.usefixtures("few")
def test_a_site_that_fails_is_said_and_holds_up_no_other(plant: Database, caplog: pytest.LogCaptureFixture) -> None:
    told(plant, "a", cut())
    told(plant, "b", cut())
    # A report without its week: no transaction of ours leaves that.
    stray = {"site": "a", "week": WEEK, "report": "yield", "question": "by=thickness", "body": "{}"}
    with plant.write() as connection:
        connection.execute(insert(published_reports), stray)
    with caplog.at_level(logging.ERROR):
        assert publish_due(plant, now_us=DUE) == [("b", WEEK)]
    assert "a week of site a cannot be published" in caplog.text
    with plant.read() as connection:
        assert connection.execute(select(published_weeks.c.site)).scalars().all() == ["b"]
