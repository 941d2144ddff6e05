"""A shop that lives: posts, repeats, counts, audits and rebuilds in any order; the invariants hold throughout."""

from __future__ import annotations

from random import Random
from typing import Any, ClassVar

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from sqlalchemy import select

from tests import builders
from tests.conftest import Sites
from tests.event_sets import site_events
from tests.independent_recount import recount
from tests.worker.state import against, rows_of
from worker import ledger, tallies
from worker.tables import sites as sites_table

Event = dict[str, Any]


class LivingShop(RuleBasedStateMachine):
    """Two sites fed from one pool of events; what each was told is remembered and judged independently."""

    shared: ClassVar[Sites]

    @initialize(shop=st.integers(0, 2**16 - 1), numbers=st.lists(st.integers(1, 2**16 - 1), min_size=15, max_size=40))
    def open_shop(self, shop: int, numbers: list[int]) -> None:
        self.names = (self.shared.new(), self.shared.new())
        self.pool = site_events(shop, numbers, mismatched_voids=False)
        self.told: dict[str, dict[tuple[str, str], Event]] = {name: {} for name in self.names}
        self.revisions = dict.fromkeys(self.names, 0)

    @rule(which=st.integers(0, 1), random=st.randoms(use_true_random=False), many=st.integers(1, 12))
    def post(self, which: int, random: Random, many: int) -> None:
        site = self.names[which]
        batch = [random.choice(self.pool) for _ in range(many)]
        batch = [event | {"subject": site} if event["subject"] == "main" else event for event in batch]
        verdicts = builders.append(self.shared.database, batch, site=site)
        for event, verdict in zip(batch, verdicts, strict=True):
            key = (event["source"], event["id"])
            # A void of a void is refused once its target is known; taken before, it has no effect.
            assert verdict in (("duplicate",) if key in self.told[site] else ("accepted", "refused"))
            if verdict == "accepted":
                self.told[site][key] = event

    @rule(which=st.integers(0, 1), limit=st.sampled_from((1, 4, 2_000)))
    def count_some(self, which: int, limit: int) -> None:
        with self.shared.database.write() as connection:
            tallies.bring_up_to_date(connection, self.names[which], now_us=builders.NOW_US, limit=limit)

    @rule(which=st.integers(0, 1))
    def lose_a_count(self, which: int) -> None:
        """A worker dies before its commit: nothing of it may remain."""
        site = self.names[which]

        class Died(Exception):
            pass

        with self.shared.database.read() as connection:
            before = ledger.waiting(connection, site), rows_of(connection, "tallies", site)
        try:
            with self.shared.database.write() as connection:
                tallies.bring_up_to_date(connection, site, now_us=builders.NOW_US)
                raise Died
        except Died:
            pass
        with self.shared.database.read() as connection:
            assert (ledger.waiting(connection, site), rows_of(connection, "tallies", site)) == before

    @rule(which=st.integers(0, 1))
    def rebuild(self, which: int) -> None:
        tallies.rebuild(self.shared.database, self.names[which], now_us=builders.NOW_US)

    @rule(which=st.integers(0, 1))
    def judge_all(self, which: int) -> None:
        site = self.names[which]
        builders.count(self.shared.database, site=site)
        with self.shared.database.read() as connection:
            against(connection, site, recount(self.told[site].values(), site=site))

    @invariant()
    def parts_add_up_and_revisions_rise(self) -> None:
        if not hasattr(self, "names"):
            return
        with self.shared.database.read() as connection:
            for site in self.names:
                for row in rows_of(connection, "attempts", site):
                    parts = ("good", "rework", "scrap", "not_made", "pending")
                    assert sum(row[name] for name in parts) == row["tried"] <= row["quantity"]
                    assert row["recovered"] + row["scrapped"] + row["in_rework"] == row["rework"]
                    assert min(row[name] for name in (*parts, "recovered", "scrapped", "in_rework")) >= 0
                    lost = sum(row[f"lost_{stage}"] for stage in ("pierce", "sever", "surface", "size", "unstated"))
                    assert lost == row["rework"] + row["scrap"] + row["not_made"]
                query = select(sites_table.c.revision).where(sites_table.c.site == site)
                revision = connection.execute(query).scalar_one()
                assert revision >= self.revisions[site]
                self.revisions[site] = revision


def test_a_living_shop_keeps_its_invariants(sites: Sites) -> None:
    class Living(LivingShop):
        shared = sites

    test = Living.TestCase()
    test.settings = settings(max_examples=sites.examples(60), stateful_step_count=25)
    test.runTest()
