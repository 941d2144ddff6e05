"""Tallies by steel and by part: the same sums as the attempts themselves, whatever is asked of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import delete

from tests import builders
from tests.conftest import ENGINES, installation_on
from tests.demo.shop_floor import shop_of
from worker import tallies
from worker.database import Database
from worker.reports import reading
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import attempt_groups, open_site, tallies_for
from worker.tables import LIVE

LAST = date(2026, 3, 29)


@pytest.fixture(scope="module", params=ENGINES)
def shop(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Two weeks of the invented shop."""
    with installation_on(request.param, tmp_path_factory.mktemp("finer"), name="finer") as database:
        builders.told(database, *shop_of(5, weeks=2).events)
        yield database


def question(*by: str, **filters: tuple[str | None, ...]) -> Question:
    dimensions = tuple(DIMENSIONS[name] for name in by)
    return Question(LAST - timedelta(days=20), LAST, dimensions, filters, {}, 0.95)


ASKED = {
    "heat": question("heat_number"),
    "mill and heat": question("mill", "heat_number", "thickness", "machine", "day"),
    "supplier by week": question("supplier", "week"),
    "part": question("part_number"),
    "part by month": question("part_number", "month", "surface_group"),
    "one mill": question("thickness", mill=("mill a",)),
    "known and unknown heats": question("mill", heat_number=(None,)),
    "production by part": question("part_number", "machine", purpose=("production",)),
}


@pytest.mark.parametrize("name", ASKED)
def test_finer_tallies_give_the_sums_of_the_attempts(
    shop: Database, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with shop.read() as connection:
        reader = open_site(connection, builders.SITE)
        finer = tallies_for(reader.tables, ASKED[name])
        assert finer in (LIVE.steel_tallies, LIVE.part_tallies)
        by_tallies = attempt_groups(reader, ASKED[name])
        monkeypatch.setattr(reading, "tallies_for", lambda *_: None)
        assert by_tallies == attempt_groups(reader, ASKED[name])


@pytest.mark.parametrize(
    "asked",
    [
        question("heat_number", "part_number"),
        question("plate"),
        question("mill", job=("J",)),
        question("run"),
        question("mill", heat_number=("H",)),
        question("machine", part_number=("P",)),
    ],
)
def test_what_no_tally_carries_is_read_from_attempts(asked: Question) -> None:
    assert tallies_for(LIVE, asked) is None


def test_finer_tallies_add_up_to_the_tallies(shop: Database) -> None:
    with shop.read() as connection:
        reader = open_site(connection, builders.SITE)
        whole = attempt_groups(reader, question())[()]
        for by in ("heat_number", "part_number"):
            groups = attempt_groups(reader, question(by)).values()
            for name in ("attempts", "parts_tried", "first_pass_good", "pierces", "rework_minutes_e3"):
                assert sum(group[name] for group in groups) == whole[name] > 0, (by, name)


def test_an_audit_sees_a_finer_tally_that_is_wrong(tmp_path: Path) -> None:
    database = builders.embedded(tmp_path)
    builders.told(
        database, builders.event("attempt.finished", "A", outcome="severed", material="S355", thickness_mm=20)
    )
    with database.write() as connection:
        connection.execute(delete(LIVE.steel_tallies))
    assert [one.table for one in tallies.audit(database, builders.SITE).differences] == ["steel_tallies"]
    tallies.rebuild(database, builders.SITE, now_us=builders.NOW_US)
    assert tallies.audit(database, builders.SITE).equal
    database.close()
