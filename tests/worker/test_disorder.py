"""Any arrival order, any batches, any repeats: one state, and it is what an independent recount says."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from tests import builders
from tests.conftest import Sites, of_many
from tests.event_sets import arrival_order, event_sets
from tests.independent_recount import recount
from tests.worker.state import against, rows_of, state
from worker import tallies
from worker.tables import LIVE, SHADOW

Event = dict[str, Any]
RANDOMS = st.randoms(use_true_random=False)


def at_site(events: Iterable[Event], site: str) -> list[Event]:
    """The events with settings, and voids of settings, about this site."""
    return [event | {"subject": site} if event["subject"] == "main" else event for event in events]


def deliver(sites: Sites, site: str, batches: Sequence[Sequence[Event]], *, random: Random) -> None:
    """Append batches, counting now and then, in claims of any size."""
    for batch in batches:
        builders.append(sites.database, at_site(batch, site), site=site)
        if random.random() < 0.6:
            builders.count(sites.database, site=site, limit=random.choice((3, 2_000, 2_000, 2_000)))
    builders.count(sites.database, site=site)


@pytest.mark.parametrize("part", range(2))
def test_state_is_that_of_the_independent_recount_in_any_order(sites: Sites, part: int) -> None:
    @settings(max_examples=sites.examples(300))
    @given(events=event_sets(mismatched_voids=False), random=RANDOMS)
    def check(events: list[Event], random: Random) -> None:
        site = sites.new()
        deliver(sites, site, arrival_order(events, random=random), random=random)
        with sites.database.read() as connection:
            against(connection, site, recount(at_site(events, site), site=site))

    check()


@settings(max_examples=of_many(60))
@given(events=event_sets(mismatched_voids=False), random=RANDOMS)
def test_two_sites_with_the_same_events_in_other_orders_are_equal(
    sites: Sites, events: list[Event], random: Random
) -> None:
    one, other = sites.new(), sites.new()
    for batch in arrival_order(events, random=random):
        site = random.choice((one, other))
        builders.append(sites.database, at_site(batch, site), site=site)
    deliver(sites, one, arrival_order(events, random=random), random=random)
    deliver(sites, other, [events], random=random)
    with sites.database.read() as connection:
        assert state(connection, one) == state(connection, other)


@settings(max_examples=of_many(60))
@given(events=event_sets(mismatched_voids=False), random=RANDOMS)
def test_voiding_an_event_is_never_having_had_it(sites: Sites, events: list[Event], random: Random) -> None:
    gone = random.sample(events, k=min(len(events), 5))
    gone = [event for event in gone if event["type"] != "cutledger.event.voided"]
    named = {(event["source"], event["id"]) for event in gone}
    # A void of an event that is not there says nothing, so it may stay in both.
    kept = [event for event in events if (event["source"], event["id"]) not in named]
    voids = [
        {
            "specversion": "1.0",
            "id": f"v{index}",
            "source": "/voids",
            "type": "cutledger.event.voided",
            "subject": event["subject"],
            "time": "2026-06-01T00:00:00Z",
            "data": {"source": event["source"], "id": event["id"], "reason": "never happened"},
        }
        for index, event in enumerate(gone)
    ]
    with_voids, without = sites.new(), sites.new()
    deliver(sites, with_voids, arrival_order([*events, *voids], random=random), random=random)
    deliver(sites, without, [kept], random=random)
    with sites.database.read() as connection:
        assert state(connection, with_voids) == state(connection, without)


@settings(max_examples=of_many(60))
@given(events=event_sets(mismatched_voids=False), random=RANDOMS)
def test_attempts_that_do_not_change_are_not_written(sites: Sites, events: list[Event], random: Random) -> None:
    site = sites.new()
    deliver(sites, site, [events[:-3]], random=random)
    # A row that is written again, even as it was, has another place.
    place = "rowid" if sites.database.is_sqlite else "ctid"
    rows = text(f"SELECT {place} AS place, * FROM attempts WHERE site = :site")
    with sites.database.read() as connection:
        before = {tuple(row)[1:]: row.place for row in connection.execute(rows, {"site": site})}
    deliver(sites, site, [events[-3:]], random=random)
    with sites.database.read() as connection:
        after = {tuple(row)[1:]: row.place for row in connection.execute(rows, {"site": site})}
    same = before.keys() & after.keys()
    assert {row: before[row] for row in same} == {row: after[row] for row in same}


@settings(max_examples=of_many(40))
@given(events=event_sets(), random=RANDOMS)
def test_an_audit_is_equal_at_any_moment_and_a_rebuild_changes_nothing(
    sites: Sites, events: list[Event], random: Random
) -> None:
    site = sites.new()
    for batch in arrival_order(events, random=random):
        builders.append(sites.database, at_site(batch, site), site=site)
        builders.count(sites.database, site=site, limit=7)
        if random.random() < 0.3:
            assert tallies.audit(sites.database, site).differences == []
    with sites.database.read() as connection:
        before = state(connection, site)
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    with sites.database.read() as connection:
        assert state(connection, site) == before


def test_an_audit_sees_a_changed_row_in_each_table(sites: Sites) -> None:
    site = sites.new()
    data = {"outcome": "severed", "quantity": 2, "good": 3, "material": "S355", "thickness_mm": 20, "machine": "L1"}
    events = [
        builders.event("job.opened", "j", part_number="p", quantity=2, material="S355", thickness_mm=20),
        builders.event("plate.received", "p", material="S355", thickness_mm=20, parent="p"),
        builders.event("attempt.finished", "a", job="j", plate="p", **data),
        # So long a time for one part is a warning; a part that was good is lost by it.
        builders.event("attempt.reworked", "a", operation="grinding", minutes=300, parts=1),
        builders.event("attempt.inspected", "a", good=0, u_mm=[0.3]),
        builders.event("machine.serviced", "L1", what="nozzle"),
    ]
    builders.append(sites.database, events, site=site)
    builders.count(sites.database, site=site)
    assert tallies.audit(sites.database, site).equal
    other = {"names": "spelling", "lost_parts": "day", "readings": "day"}
    other |= dict.fromkeys(("jobs", "plates"), "state") | dict.fromkeys(("findings", "warnings"), "detail")
    spoiled = {name: other.get(name, "week") for name in vars(LIVE) if name != "combinations"}
    expected = {}
    with sites.database.write() as connection:
        for name, column in spoiled.items():
            table = getattr(LIVE, name)
            rows = len(rows_of(connection, name, site))
            assert rows, name
            expected[name] = (rows, rows)
            connection.execute(table.update().where(table.c.site == site).values({column: "spoiled"}))
    seen = tallies.audit(sites.database, site).differences
    assert {each.table: (each.only_stored, each.only_recounted) for each in seen} == expected
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    assert tallies.audit(sites.database, site).equal


def test_the_shadow_has_every_derived_table() -> None:
    assert [shadow.name for shadow in SHADOW.all] == [f"shadow_{live.name}" for live in LIVE.all]
