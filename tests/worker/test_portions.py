"""A whole ledger folded in portions, by this process or by several, gives what was counted event by event."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import bindparam, select

from tests import builders
from tests.conftest import Sites, of_many
from tests.event_sets import event_sets
from tests.worker.state import state
from tests.worker.test_disorder import deliver
from worker import recount, tallies
from worker.prepared import Lists, Prepared
from worker.tables import LIVE

Event = dict[str, Any]


@Prepared
def _having(lists: Lists) -> Any:
    t = LIVE.rework_tallies.c
    return select(t.day, t.combination).where(
        t.site == bindparam("of_site"), lists.has_pair(t.day, t.combination, "wanted")
    )


@settings(max_examples=of_many(60))
@given(events=event_sets(), random=st.randoms(use_true_random=False))
def test_portions_of_any_size_give_what_was_counted(sites: Sites, events: list[Event], random: Random) -> None:
    site = sites.new()
    deliver(sites, site, [events], random=random)
    with sites.database.read() as connection:
        before = state(connection, site)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recount, "CHUNK_ATTEMPTS", random.choice((1, 2, 3)))
        assert tallies.audit(sites.database, site).differences == []
        # What is stored is left as it is, and a rebuild would write it again: so something of it is made wrong.
        with sites.database.write() as connection:
            connection.execute(LIVE.attempts.update().where(LIVE.attempts.c.site == site).values(quantity=77))
            connection.execute(LIVE.tallies.delete().where(LIVE.tallies.c.site == site))
        tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    with sites.database.read() as connection:
        assert state(connection, site) == before


def _families(count: int) -> list[Event]:
    """Attempts of which each second one is the retry of the one before, on one piece each."""
    data = {"outcome": "severed", "quantity": 2, "good": 1, "rework": 1, "machine": "L1", "thickness_mm": 20}
    events = [builders.event("job.opened", "j", part_number="p", quantity=count, material="S355", thickness_mm=20)]
    events.append(builders.event("plate.received", "p", material="S355", thickness_mm=20))
    for number in range(count):
        more = {"retry_of": f"a{number - 1:03d}", "mode": "recut"} if number % 2 else {}
        of_run = {"job": "j", "plate": "p", "piece": f"{number // 2}", **data, **more}
        events.append(builders.event("attempt.finished", f"a{number:03d}", **of_run))
    return events


def test_several_processes_give_the_same_and_share_families_out(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    site = sites.new()
    deliver(sites, site, [_families(60)], random=Random(1))
    with sites.database.read() as connection:
        before = state(connection, site)
    assert {row["attempt_no"] for row in before["attempts"]} == {1, 2}
    monkeypatch.setattr(tallies, "FEWEST_FOR_PROCESSES", 1)
    monkeypatch.setattr(recount, "CHUNK_ATTEMPTS", 7)
    with sites.database.write() as connection:
        connection.execute(LIVE.attempts.update().where(LIVE.attempts.c.site == site).values(good=9))
    done: list[int] = []
    count = tallies.rebuild(sites.database, site, done.append, now_us=builders.NOW_US, processes=2)
    assert count == 62
    assert sum(done) == 60
    assert len(done) > 1
    with sites.database.read() as connection:
        assert state(connection, site) == before
    assert tallies.audit(sites.database, site, processes=2).differences == []


def test_an_event_that_cannot_be_folded_ends_a_rebuild_with_nothing_changed(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = sites.new()
    deliver(sites, site, [_families(8)], random=Random(1))
    with sites.database.read() as connection:
        before = state(connection, site)
    monkeypatch.setattr(tallies, "FEWEST_FOR_PROCESSES", 1)
    monkeypatch.setattr(tallies, "fold_portions", _failing)
    with pytest.raises(ZeroDivisionError):
        tallies.rebuild(sites.database, site, now_us=builders.NOW_US, processes=2)
    with sites.database.read() as connection:
        assert state(connection, site) == before


def _failing(*_: object, **__: object) -> list[Any]:
    raise ZeroDivisionError


@pytest.mark.parametrize("pairs", [[], [("2026-01-01", -5)], [("2026-01-01", 2), ("2026-01-02", 1)]], ids=len)
def test_pairs_are_found_as_pairs(sites: Sites, pairs: list[tuple[str, int]]) -> None:
    site = sites.new()
    table = LIVE.rework_tallies
    sums = dict.fromkeys((c.name for c in table.c if not c.primary_key and c.name != "week"), 0)
    with sites.database.write() as connection:
        for day, number in (("2026-01-01", 1), ("2026-01-01", 2), ("2026-01-02", 1), ("2026-01-02", 2)):
            row = {"site": site, "day": day, "combination": number, "operation": "g", "week": "2026-W01", **sums}
            connection.execute(table.insert(), row)
        found = _having(connection, {"of_site": site, **Lists(connection.dialect.name).given("wanted", pairs, 2)})
    assert sorted(map(tuple, found)) == [pair for pair in pairs if pair[1] > 0]
