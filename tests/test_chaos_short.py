"""The kill harness (tests/chaos), shortened: it runs, finds all as it should be, and sees a planted fault."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.chaos import embedded, full_disk, grown, sensitivity
from tests.chaos.figures import Figures
from tests.chaos.posting import Teller
from tests.chaos.servers import ServerMissing, postgres_programs, redis_program
from tests.conftest import THOROUGH
from tests.grown import NEEDED

#: That the harness sees faults changes with the harness alone; `make chaos` looks whether it does, too.
SIGHT = pytest.mark.skipif(not THOROUGH, reason="a minute of both cores: make test-thorough")


def needs_servers() -> None:
    """Skip, and say why, on a machine that cannot start a PostgreSQL and a Redis."""
    try:
        postgres_programs()
        redis_program()
    except ServerMissing as missing:
        if NEEDED:
            pytest.fail(str(missing))
        pytest.skip(str(missing))


def assert_good(figures: Figures) -> None:
    assert figures.is_good, (figures.judgement.found(), figures.missed, figures.values)
    # There was a load: a slow machine takes a few batches between two kills.
    assert figures.values["acknowledged_events"] >= 100


def test_stories_of_the_long_run_stay_cold() -> None:
    tellers = [Teller(client, grown.CLIENTS, grown.SITES, 1, grown.BATCH) for client in range(grown.CLIENTS)]
    # Half as many again as the long run must have: a fast machine posts more.
    requests = grown.WANTED_ACKS * 3 // 2 // grown.BATCH // grown.CLIENTS
    found = grown.touches([teller.request() for teller in tellers for _ in range(requests)])
    assert found["cold_share_of_events"] >= grown.WANTED_COLD
    assert found["cold_share_of_site_days"] >= grown.WANTED_COLD


def test_grown_loses_nothing_when_things_die() -> None:
    needs_servers()
    plan = grown.Plan(seconds=5, seed=11, events_a_second=300, services=2, workers=2, pause_seconds=(1.2, 1.8))
    figures = grown.run(replace(plan, last_kills=1, batch=50))
    assert_good(figures)
    assert figures.values["kills"] >= 2


def test_embedded_loses_nothing_under_sigkill() -> None:
    figures = embedded.run(embedded.Plan(seed=11, kills=3, events_a_second=400, batch=50))
    assert_good(figures)
    assert figures.values["kills"] == 3


def test_a_full_disk_is_answered_with_503_and_overcome() -> None:
    figures = full_disk.run(11, mounted=False, file_mib=3, full_seconds=2.0)
    assert_good(figures)
    assert figures.values["refused_while_full"] > 0


@SIGHT
@pytest.mark.parametrize("fault", ["no fault", "deferred-begin"])
def test_the_harness_sees_a_fault_on_sqlite_and_none_where_none_is(fault: str) -> None:
    trial = sensitivity.trials(11)["deferred-begin"]
    assert isinstance(trial.plan, embedded.Plan)
    name = "" if fault == "no fault" else fault
    figures = sensitivity.Trial(replace(trial.plan, seconds=4), trial.signs).run(name)
    assert bool(figures.judgement.found()) is bool(name), figures.judgement.found()
    assert not name or figures.judgement.needless_503


@SIGHT
def test_the_harness_sees_that_the_feed_misses_events() -> None:
    needs_servers()
    trial = sensitivity.trials(11)["feed-on-sequence"]
    assert isinstance(trial.plan, grown.Plan)
    # Nobody counts: the feed tells what was taken.
    short = replace(trial.plan, seconds=4, services=2, workers=0, schedule=False, events_a_second=200)
    short = replace(short, counting_seconds=0.1)
    assert sensitivity.Trial(short, trial.signs).run("feed-on-sequence").judgement.feed_missed
