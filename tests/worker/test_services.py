"""Services of machines: placed by the site's calendar and names, in any order, taken back by a void."""

from __future__ import annotations

from itertools import permutations
from typing import Any

from sqlalchemy import select

from tests.builders import append as take
from tests.builders import count, event
from tests.conftest import Sites
from worker.tables import LIVE

NAMED = {"kind": "machine", "name": "Laser 1", "also": ["bay one"]}


def services(sites: Sites, site: str) -> list[tuple[Any, ...]]:
    s = LIVE.services.c
    query = select(s.machine, s.machine_name, s.day, s.week, s.what).where(s.site == site).order_by(s.time_us, s.id)
    with sites.database.read() as connection:
        return [tuple(row) for row in connection.execute(query)]


def test_services_stand_under_their_day_and_name_in_any_order_and_any_claims(sites: Sites) -> None:
    story = [
        event("machine.serviced", "Bay One", id="a", time="2026-03-09T04:30:00Z", what="nozzle"),
        event("machine.serviced", "laser 1", id="b", time="2026-03-09T12:00:00Z", what="lens"),
        event("site.set", "main", id="s", valid_from="2026-01-01", zone="Europe/Berlin", aliases=[NAMED]),
        event("event.voided", "laser 1", id="v", source="/terminals/bay-1") | {
            "data": {"source": "/terminals/bay-1", "id": "b", "reason": "a mistake"}
        },
    ]  # fmt: skip
    for order in permutations(range(4)):
        for together in (True, False):
            site = sites.new()
            told = [story[place] | ({"subject": site} if place == 2 else {}) for place in order]
            for batch in [told] if together else [[one] for one in told]:
                take(sites.database, batch, site=site)
                count(sites.database, site=site)
            # 05:30 in Berlin: still Sunday's production day
            assert services(sites, site) == [("laser 1", "Laser 1", "2026-03-08", "2026-W10", "nozzle")], order
