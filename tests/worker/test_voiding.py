"""`cutledger void`: all events of one source within a time, in one step, once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import orjson
import pytest
from click.testing import CliRunner, Result
from sqlalchemy import select

from service.commands.voiding import void, void_id
from tests.builders import NOW_US, SITE, append, count, event, installed
from tests.conftest import ENGINES
from tests.grown import fresh_postgres
from tests.worker.state import rows_of
from worker import ledger
from worker.database import Database
from worker.installing import add_site
from worker.tables import events
from worker.tallies import audit
from worker.voiding import find, sources

BAY = "/terminals/bay-1"
SHIFT = ("--source", BAY, "--from", "2026-03-04T06:00", "--to", "2026-03-04T14:00")


@pytest.fixture(params=ENGINES)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    with ExitStack() as stack:
        file = f"sqlite:///{tmp_path / 'd' / 'cutledger.sqlite3'}"
        url = file if request.param == "sqlite" else stack.enter_context(fresh_postgres("voiding", with_tables=True))
        yield stack.enter_context(closing(installed(url)))


def run(database: Database, *arguments: str) -> Result:
    env = {"CUTLEDGER_DATABASE_URL": database.url, "CUTLEDGER_DATA": None}
    return CliRunner(env=env).invoke(void, list(arguments))


def a_shift(database: Database) -> None:
    """Three cuts of bay 1 within the shift, one before, one at its end, one of bay 2; all counted."""
    steel = {"outcome": "severed", "material": "S355", "thickness_mm": 20, "good": 1}
    append(
        database,
        [
            event("site.set", SITE, id="set", source=BAY, time="2026-03-04T07:00:00Z", valid_from="2026-01-01"),
            event("attempt.finished", "A0", id="0", time="2026-03-04T05:59:59.999999Z", **steel),
            event("attempt.finished", "A1", id="1", time="2026-03-04T06:00:00Z", **steel),
            event("attempt.started", "A2", id="2", time="2026-03-04T08:00:00+01:00", **steel | {"outcome": None}),
            event("attempt.finished", "A3", id="3", time="2026-03-04T13:59:59.999999Z", **steel),
            event("attempt.finished", "A4", id="4", time="2026-03-04T14:00:00Z", **steel),
            event("attempt.finished", "A5", id="5", time="2026-03-04T10:00:00Z", source="/terminals/bay-2", **steel),
        ],
    )
    count(database)


def voided(database: Database) -> set[str]:
    with database.read() as connection:
        return set(connection.execute(select(events.c.void_id).where(events.c.void_id.is_not(None))).scalars())


def left(database: Database) -> set[str]:
    with database.read() as connection:
        return {row["attempt"] for row in rows_of(connection, "attempts", SITE)}


def test_void_voids_a_source_s_events_within_the_time_and_counts_them_out(database: Database) -> None:
    a_shift(database)
    result = run(database, *SHIFT, "--reason", "typed into the wrong day")
    assert result.exit_code == 0, result.output
    assert result.output.splitlines() == [
        f"site main: 3 events of {BAY} voided, 1 left out (voids, settings, notes, proofs)",
        "  attempt.finished: 2",
        "  attempt.started: 1",
        "  first: 2026-03-04T06:00:00+00:00 attempt.finished A1 (id 1)",
        "  last: 2026-03-04T13:59:59+00:00 attempt.finished A3 (id 3)",
    ]
    assert voided(database) == {"1", "2", "3"}
    assert left(database) == {"A0", "A4", "A5"}
    assert audit(database, SITE).equal
    with database.read() as connection:
        items, _, _ = ledger.feed(connection, SITE, types=["cutledger.event.voided"])
    said = orjson.loads(items[0].payload)
    assert (said["source"], said["id"], said["subject"]) == ("/keys/command-line", void_id(BAY, "1"), "A1")
    assert said["data"] == {"source": BAY, "id": "1", "reason": "typed into the wrong day"}


def test_void_again_finds_nothing_to_do(database: Database) -> None:
    a_shift(database)
    run(database, *SHIFT)
    before = len(voided(database))
    result = run(database, *SHIFT, "--reason", "another")
    assert result.exit_code == 0
    assert f"0 events of {BAY} voided, 3 were before" in result.output
    assert len(voided(database)) == before


def test_a_dry_run_says_what_would_be_voided_and_writes_nothing(database: Database) -> None:
    a_shift(database)
    result = run(database, *SHIFT, "--dry-run")
    assert f"3 events of {BAY} would be voided" in result.output
    assert "first: 2026-03-04T06:00:00+00:00" in result.output
    assert voided(database) == set()


def test_voids_of_others_hold_and_voids_are_not_voided(database: Database) -> None:
    a_shift(database)
    gone = event("event.voided", "A1", id="v", time="2026-03-04T09:00:00Z") | {
        "data": {"source": BAY, "id": "1", "reason": "x"}
    }
    append(database, [gone])
    with database.read() as connection:
        found = find(connection, SITE, BAY, from_us=0, to_us=NOW_US)
    assert [target.id for target in found.targets] == ["0", "2", "3", "4"]
    assert (found.voided, found.left_out) == (1, 2)
    assert "2 events of" in run(database, *SHIFT).output


def test_times_are_on_the_clock_of_the_site_unless_they_have_an_offset(database: Database) -> None:
    a_shift(database)
    zone = event("site.set", SITE, id="z", source="/keys/x", valid_from="2026-01-01", zone="Europe/Berlin")
    append(database, [zone])
    count(database)
    assert "first: 2026-03-04T06:59:59+01:00 attempt.finished A0" in run(database, *SHIFT, "--dry-run").output
    with_offset = ("--source", BAY, "--from", "2026-03-04T06:00Z", "--to", "2026-03-04T14:00+00:00", "--dry-run")
    assert "first: 2026-03-04T07:00:00+01:00 attempt.finished A1" in run(database, *with_offset).output


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("--source", "/terminals/bay1", *SHIFT[2:]), "source '/terminals/bay1'; nearest: /terminals/bay-1"),
        (("--source", BAY, "--from", "today", *SHIFT[4:]), "--from must be a time such as 2026-03-02T06:00"),
        (("--source", BAY, *SHIFT[2:4], "--to", "2026-03-04T05:00"), "--from 2026-03-04T06:00 is not before --to"),
        ((*SHIFT, "--reason", " "), "reason is blank"),
        ((*SHIFT, "--site", "halle-9"), "halle-9"),
    ],
)  # fmt: skip
def test_void_refuses_what_it_cannot_do_and_voids_nothing(
    tmp_path: Path, arguments: tuple[str, ...], reason: str
) -> None:
    with closing(installed(f"sqlite:///{tmp_path / 'cutledger.sqlite3'}")) as database:
        a_shift(database)
        result = run(database, *arguments)
        assert result.exit_code == 1
        assert reason in result.output
        assert voided(database) == set()


def test_void_asks_for_the_site_where_there_are_several_and_stays_within_it(database: Database) -> None:
    a_shift(database)
    with database.write() as connection:
        add_site(connection, "halle-2", now_us=NOW_US)
    append(database, [event("attempt.finished", "A1", id="1", time="2026-03-04T07:00:00Z")], site="halle-2")
    assert "name one: --site halle-2" in run(database, *SHIFT).output
    assert "site halle-2: 1 events" in run(database, *SHIFT, "--site", "halle-2").output
    assert left(database) == {"A0", "A1", "A2", "A3", "A4", "A5"}


def test_more_events_than_one_statement_takes_are_voided_in_one_step(tmp_path: Path) -> None:
    with closing(installed(f"sqlite:///{tmp_path / 'cutledger.sqlite3'}")) as database:
        append(
            database, (event("machine.serviced", "L", time="2026-03-04T07:00:00Z", what="lens") for _ in range(2_300))
        )
        assert "2,300 events" in run(database, *SHIFT, "--no-count").output
        assert len(voided(database)) == 2_300


def test_sources_are_found_one_after_the_other(database: Database) -> None:
    append(database, [event("attempt.started", "A", source=f"/t/{number % 3}") for number in range(9)])
    with database.read() as connection:
        assert sources(connection, SITE, limit=9) == ["/t/0", "/t/1", "/t/2"]
        assert sources(connection, SITE, limit=2) == ["/t/0", "/t/1"]
