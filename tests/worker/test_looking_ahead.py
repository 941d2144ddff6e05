"""What is read and folded before a claim is what the claim would have found; what no longer holds is not used."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.conftest import Sites, of_many
from tests.event_sets import arrival_order, event_sets
from tests.independent_recount import recount as judged
from tests.worker.state import against
from tests.worker.test_disorder import at_site
from worker import recount, tallies
from worker.folding import fold_attempt
from worker.recount import Ahead
from worker.sites import settings_told
from worker.tables import LIVE
from worker.tables import sites as site_table

Event = dict[str, Any]
CUT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}


def look(sites: Sites, site: str, limit: int = 2_000) -> Ahead | None:
    with sites.database.read() as connection:
        return tallies.look_ahead(connection, site, limit=limit, least=1)


def claim(sites: Sites, site: str, ahead: Ahead | None, limit: int = 2_000) -> int:
    with sites.database.write() as connection:
        return tallies.bring_up_to_date(connection, site, now_us=builders.NOW_US, limit=limit, ahead=ahead)


@pytest.mark.parametrize("part", range(2))
def test_whatever_comes_between_the_look_and_the_claim_the_state_is_right(sites: Sites, part: int) -> None:
    @settings(max_examples=of_many(80))
    @given(told=event_sets(mismatched_voids=False), random=st.randoms(use_true_random=False))
    def check(told: list[Event], random: Random) -> None:
        site = sites.new()
        batches = [at_site(batch, site) for batch in arrival_order(told, random=random)]
        while batches:
            builders.append(sites.database, batches.pop(0), site=site)
            ahead = look(sites, site, random.choice((1, 3, 2_000)))
            if batches and random.random() < 0.3:
                builders.append(sites.database, batches.pop(0), site=site)
            if random.random() < 0.3:
                claim(sites, site, None, limit=random.choice((1, 2)))
            claim(sites, site, ahead, limit=2_000)
        while claim(sites, site, look(sites, site)):
            pass
        with sites.database.read() as connection:
            against(connection, site, judged(at_site(told, site), site=site))
        assert tallies.audit(sites.database, site).equal

    check()


def test_what_was_foreseen_is_neither_read_nor_folded_again(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    site = sites.new()
    told = [builders.event("job.opened", "j", quantity=2), builders.event("plate.received", "p", thickness_mm=20)]
    cuts = [builders.event("attempt.finished", f"a{number}", job="j", plate="p", **CUT) for number in range(3)]
    builders.append(sites.database, [*told, *cuts], site=site)
    ahead = look(sites, site)
    assert ahead is not None
    folded: list[str] = []
    monkeypatch.setattr(recount, "fold_attempt", lambda name, events: folded.append(name) or fold_attempt(name, events))
    monkeypatch.setattr(recount, "settings_told", lambda view: folded.append("settings") or settings_told(view))
    assert claim(sites, site, ahead) == 5
    assert folded == []
    assert tallies.audit(sites.database, site).equal


def test_a_claim_takes_no_more_than_was_looked_at(sites: Sites) -> None:
    site = sites.new()
    builders.append(sites.database, [builders.event("attempt.finished", "a", **CUT)], site=site)
    ahead = look(sites, site)
    builders.append(sites.database, [builders.event("attempt.finished", "b", **CUT)], site=site)
    assert claim(sites, site, ahead) == 1
    assert claim(sites, site, None) == 1


def test_what_is_older_than_the_figures_is_not_used(sites: Sites) -> None:
    site = sites.new()
    builders.append(sites.database, [builders.event("attempt.finished", "a", **CUT)], site=site)
    ahead = look(sites, site)
    assert ahead is not None
    claim(sites, site, None)
    # Owed again, at the same position: but the figures are others by now.
    with sites.database.write() as connection:
        connection.execute(site_table.update().where(site_table.c.site == site).values(counted_position=0))
        connection.execute(LIVE.attempts.update().where(LIVE.attempts.c.site == site).values(good=9))
    assert claim(sites, site, ahead) == 1
    assert tallies.audit(sites.database, site).equal


@pytest.mark.parametrize("what", ["settings", "void"])
def test_what_bears_on_more_than_its_own_subject_is_left_to_the_claim(sites: Sites, what: str) -> None:
    site = sites.new()
    builders.append(sites.database, [builders.event("attempt.finished", "a", id="1", **CUT)], site=site)
    claim(sites, site, None)
    if what == "void":
        later = builders.event("event.voided", "a", id="2", reason="wrong")
        later["data"] |= {"source": later["source"], "id": "1"}
    else:
        later = builders.event("site.set", site, valid_from="2026-01-01", day_start="05:00")
    builders.append(sites.database, [later], site=site)
    assert look(sites, site) is None
    assert look(sites, sites.new()) is None


def test_few_events_are_not_looked_at(sites: Sites) -> None:
    site = sites.new()
    few = [builders.event("attempt.finished", f"a{number}", **CUT) for number in range(tallies.LEAST_AHEAD - 1)]
    builders.append(sites.database, few, site=site)
    with sites.database.read() as connection:
        assert tallies.look_ahead(connection, site) is None
    builders.append(sites.database, [builders.event("attempt.finished", "b", **CUT)], site=site)
    with sites.database.read() as connection:
        assert tallies.look_ahead(connection, site) is not None


def test_more_attempts_than_are_folded_together_are_not_looked_at(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recount, "CHUNK_ATTEMPTS", 2)
    site = sites.new()
    for attempt, more in (("a", {}), ("b", {"retry_of": "a"}), ("c", {"retry_of": "b"})):
        builders.append(sites.database, [builders.event("attempt.finished", attempt, **CUT, **more)], site=site)
    assert look(sites, site) is None
    assert look(sites, site, limit=2) is not None
    assert claim(sites, site, look(sites, site, limit=2)) == 2
    assert claim(sites, site, None) == 1
    assert tallies.audit(sites.database, site).equal
