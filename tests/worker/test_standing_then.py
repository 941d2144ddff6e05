"""Figures as they stood: what is counted anew up to a position is what was kept when that position was the newest."""

from __future__ import annotations

from random import Random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, select

from tests.builders import append, count
from tests.conftest import Sites
from tests.event_sets import arrival_order, event_sets
from worker.reports.reading import Reader, open_site
from worker.reports.standing_then import folded, standing_at
from worker.tables import LIVE, SHADOW

Event = dict[str, Any]


def figures(connection: Connection, reader: Reader) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of what is derived, by table; combinations that nothing uses any more stay, and do not matter."""
    found = {}
    for name in vars(LIVE).keys() - {"combinations"}:
        table = getattr(reader.tables, name)
        query = select(table).where(table.c.site == reader.site).order_by(*table.primary_key.columns)
        found[name] = [tuple(row) for row in connection.execute(query)]
    return found


def test_every_table_as_it_stood_is_what_was_kept_then(sites: Sites) -> None:
    @settings(max_examples=sites.examples(20))
    @given(events=event_sets(mismatched_voids=False), random=st.randoms(use_true_random=False))
    def check(events: list[Event], random: Random) -> None:
        database, site = sites.database, sites.new()
        kept: dict[int, tuple[Any, Any]] = {}
        for batch in arrival_order(events, random=random):
            own = [event | {"subject": site} if event["subject"] == "main" else event for event in batch]
            append(database, own, site=site)
            count(database, site=site)
            with database.read() as connection:
                reader = open_site(connection, site)
                kept[reader.as_of.position] = reader.as_of, figures(connection, reader)
        for position in random.sample(sorted(kept), k=min(2, len(kept))):
            with database.snapshot_with_scratch() as connection, database.begin_snapshot(connection):
                reader = folded(standing_at(connection, site, position))
                assert reader.tables is (LIVE if position == max(kept) else SHADOW)
                assert (reader.as_of, figures(connection, reader)) == kept[position]

    check()
