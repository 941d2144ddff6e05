"""The migrations: they give exactly the tables of the code, upward and downward, on both databases, and once."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from click.testing import CliRunner
from sqlalchemy import Connection, inspect, text

from service.cli import main
from tests import builders
from tests.conftest import ENGINES
from tests.grown import fresh_postgres
from worker import ledger, schema, tallies
from worker.database import Database
from worker.installing import install
from worker.loop import count_owed
from worker.schema import HEAD, REVISIONS, SchemaBehind, SchemaNotOurs
from worker.tables import metadata

VERSIONS = Path(__file__).parents[1] / "worker" / "migrations"


@pytest.fixture(params=ENGINES)
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """A database without a table."""
    if request.param == "sqlite":
        opened = Database(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
        yield opened
        opened.close()
        return
    with fresh_postgres("migrations") as url:
        opened = Database(url)
        yield opened
        opened.close()


def shape(connection: Connection) -> list[tuple[Any, ...]]:
    """All that the database knows of its tables, columns, constraints and indexes, Alembic's own aside."""
    if connection.dialect.name == "sqlite":
        query = "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' ORDER BY 1, 2"
        rows = [(*row[:3], " ".join((row[3] or "").split())) for row in connection.execute(text(query))]
    else:
        rows = [
            tuple(row)
            for query in (
                "SELECT table_name, column_name, data_type, collation_name, character_maximum_length, is_nullable, "
                "column_default FROM information_schema.columns WHERE table_schema = 'public' ORDER BY 1, 2",
                "SELECT tablename, indexname, indexdef FROM pg_indexes WHERE schemaname = 'public' ORDER BY 1, 2",
                "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint "
                "WHERE connamespace = 'public'::regnamespace ORDER BY 1, 2",
                "SELECT tgrelid::regclass::text, tgname, pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal "
                "ORDER BY 1, 2",
                "SELECT proname, '', prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace ORDER BY 1",
            )
            for row in connection.execute(text(query))
        ]
    return [row for row in rows if not any("alembic_version" in str(value) for value in row)]


def columns_sorted(rows: list[tuple[Any, ...]]) -> list[Any]:
    """The shape without the order of columns and constraints within a table, which SQLite keeps in its text."""
    return [
        (*row[:-1], sorted(part.strip() for part in str(row[-1]).replace("(", ",").replace(")", ",").split(",")))
        for row in rows
    ]


def test_the_migrations_give_exactly_the_tables_of_the_code(empty: Database) -> None:
    assert schema.migrate(empty) == (None, HEAD)
    with empty.write() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
        migrated = shape(connection)
        connection.execute(text("DROP TABLE alembic_version"))
        metadata.drop_all(connection)
        assert shape(connection) == []
        metadata.create_all(connection)
        assert columns_sorted(shape(connection)) == columns_sorted(migrated)
    assert len(migrated) > 30


def test_every_revision_goes_downward_and_up_again(empty: Database) -> None:
    schema.migrate(empty)
    with empty.read() as connection:
        first = shape(connection)
    for revision in [*reversed(REVISIONS[:-1]), *REVISIONS[1:]]:
        schema.migrate(empty, to=revision)
    with empty.read() as connection:
        assert shape(connection) == first
    schema.erase(empty)
    with empty.read() as connection:
        assert shape(connection) == []
    schema.migrate(empty)
    with empty.read() as connection:
        assert shape(connection) == first


def test_what_was_marked_on_each_event_is_told_by_a_position_and_back(empty: Database) -> None:
    """Of two sites: counted, set aside, owed again among what is counted, owed; and one in which nothing is counted."""
    marks = {"main": "c2cc0cc00", "new": "02"}
    schema.migrate(empty, to="0010")
    states = {"c": 1, "0": 0, "2": 2}
    with empty.write() as connection:
        position = 0
        for site, marked in marks.items():
            connection.execute(
                text("INSERT INTO sites (site, people_key, created_us, revision, counted_position) "
                     "VALUES (:site, :key, 1, 1, 0)"),
                {"site": site, "key": b"k" * 32},
            )  # fmt: skip
            for mark in marked:
                position += 1
                row = {"site": site, "id": f"{position}", "position": position, "state": states[mark], "bytes": b"{}"}
                connection.execute(
                    text("INSERT INTO events (position, site, source, id, type, kind, subject, time_us, received_us, "
                         "state, content_hash, payload) VALUES (:position, :site, '/a', :id, 'x', 'attempt', 'A', 1, "
                         "1, :state, :bytes, :bytes)"),
                    row,
                )  # fmt: skip
                if mark == "2":
                    connection.execute(
                        text("INSERT INTO set_asides (site, position, reason, set_aside_us) VALUES (:site, :position, "
                             "'odd', 1)"),
                        row,
                    )  # fmt: skip

    def told() -> dict[str, tuple[ledger.Front, tuple[int, int], list[int]]]:
        with empty.read() as connection:
            return {
                site: (
                    ledger.front(connection, site),
                    ledger.waiting(connection, site),
                    [head.position for head in ledger.owed(connection, site, limit=99)],
                )
                for site in marks
            }

    expected = {
        "main": (ledger.Front(7, True, True), (3, 1), [5, 8, 9]),
        "new": (ledger.Front(0, True, False), (1, 1), [10]),
    }
    schema.migrate(empty)
    assert told() == expected
    schema.migrate(empty, to="0010")
    with empty.read() as connection:
        rows = connection.execute(text("SELECT state FROM events ORDER BY position")).scalars()
        assert list(rows) == [states[mark] for marked in marks.values() for mark in marked]
        aside = connection.execute(text("SELECT position FROM set_asides ORDER BY position")).scalars()
        assert list(aside) == [2, 11]
    schema.migrate(empty)
    assert told() == expected


def test_the_list_of_revisions_is_that_of_the_files() -> None:
    config = Config()
    config.set_main_option("script_location", str(VERSIONS))
    config.set_main_option("path_separator", "os")
    known = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(known)) == REVISIONS


def test_a_migrated_database_is_left_as_it_is(empty: Database) -> None:
    schema.migrate(empty)
    with empty.write() as connection:
        install(connection, now_us=builders.NOW_US)
    builders.told(empty, builders.event("attempt.finished", "a", outcome="severed", material="S355", thickness_mm=20))
    assert schema.migrate(empty) == (HEAD, HEAD)
    assert tallies.audit(empty, "main").events == 1


def test_several_that_migrate_at_once_do_it_once(empty: Database) -> None:
    found: list[Any] = []

    def migrate() -> None:
        own = Database(empty.url)
        try:
            found.append(schema.migrate(own))
        except Exception as error:  # noqa: BLE001 - what a thread raises is what the test is about
            found.append(error)
        finally:
            own.close()

    threads = [threading.Thread(target=migrate) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(found, key=str) == [(HEAD, HEAD)] * 3 + [(None, HEAD)]


def test_tables_behind_or_unknown_are_told_apart(empty: Database) -> None:
    with empty.read() as connection, pytest.raises(SchemaBehind, match="cutledger migrate"):
        schema.check(connection)
    with empty.read() as connection:
        assert not schema.is_current(connection)
    schema.migrate(empty)
    with empty.read() as connection:
        schema.check(connection)
        assert schema.is_current(connection)
    with empty.write() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with empty.read() as connection:
        assert not schema.is_current(connection)
        with pytest.raises(SchemaNotOurs, match="9999"):
            schema.check(connection)
    with pytest.raises(SchemaNotOurs):
        schema.migrate(empty)


def test_a_table_of_something_else_is_not_touched(empty: Database) -> None:
    with empty.write() as connection:
        connection.execute(text("CREATE TABLE events (something TEXT)"))
    with pytest.raises(SchemaNotOurs, match="tables without a revision"):
        schema.migrate(empty)
    with empty.read() as connection:
        assert inspect(connection).get_table_names() == ["events"]


def test_a_file_of_the_first_release_is_taken_over_with_all_that_is_in_it(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite3"
    database = Database(f"sqlite:///{path}")
    schema.migrate(database)
    with database.write() as connection:
        install(connection, now_us=builders.NOW_US)
    builders.told(
        database,
        builders.event("attempt.finished", "a", outcome="pierce_failed", material="S355", thickness_mm=20),
        builders.event("machine.serviced", "Laser 1", what="nozzle"),
    )
    schema.migrate(database, to="0001")
    with database.write() as connection:
        connection.execute(text("DROP TABLE alembic_version"))
    database.close()
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA user_version = 1")
    raw.close()
    database = Database(f"sqlite:///{path}")
    assert schema.migrate(database) == ("0001", HEAD)
    with database.read() as connection:
        schema.check(connection)
    assert not tallies.audit(database, "main").equal
    assert count_owed(database) == 0
    assert tallies.audit(database, "main").equal
    assert tallies.audit(database, "main").events == 2
    database.close()


# --- the command ------------------------------------------------------------------------------------------------


def run(*arguments: str, **environment: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, arguments, env=environment)
    return result.exit_code, result.output


def test_a_grown_installation_is_refused_until_it_is_migrated() -> None:
    with fresh_postgres("grown") as url:
        for command in (["serve", "--port", "1"], ["key", "list"], ["audit"]):
            status, said = run(*command, CUTLEDGER_DATABASE_URL=url)
            assert (status, "cutledger migrate" in said) == (1, True), (command, said)
        assert run("migrate", CUTLEDGER_DATABASE_URL=url) == (0, f"revision none -> {HEAD}\n")
        assert run("migrate", CUTLEDGER_DATABASE_URL=url) == (0, f"nothing to do: revision {HEAD}\n")
        status, said = run("audit", CUTLEDGER_DATABASE_URL=url)
        assert (status, "equal" in said) == (0, True)


def test_a_worker_refuses_an_unmigrated_database_before_it_asks_for_the_broker() -> None:
    with fresh_postgres("worker") as url:
        for command in ("worker", "schedule"):
            status, said = run(command, CUTLEDGER_DATABASE_URL=url, CUTLEDGER_BROKER_URL="redis://127.0.0.1:1/0")
            assert (status, "cutledger migrate" in said) == (1, True)


def test_an_embedded_installation_migrates_itself(tmp_path: Path) -> None:
    status, said = run("audit", "--data", str(tmp_path / "shop"))
    assert (status, "equal" in said) == (0, True)


@pytest.mark.parametrize(
    ("environment", "said"),
    [
        ({"CUTLEDGER_DATABASE_URL": "nonsense"}, "is no database address"),
        ({"CUTLEDGER_DATABASE_URL": "mysql://localhost/x"}, "names a database of the kind mysql"),
        (
            {"CUTLEDGER_DATABASE_URL": "postgresql://u@h/d", "CUTLEDGER_DATABASE_PASSWORD_FILE": "/nowhere/secret"},
            "CUTLEDGER_DATABASE_PASSWORD_FILE names /nowhere/secret, which cannot be read",
        ),
    ],
)
def test_a_wrong_setting_is_one_clear_sentence(environment: dict[str, str], said: str) -> None:
    for command in ("migrate", "audit", "serve"):
        status, output = run(command, **environment)
        assert (status, said in output) == (1, True), output


def test_a_password_comes_from_its_file(tmp_path: Path) -> None:
    from worker.settings import Installation

    (tmp_path / "password").write_text("s:e/c@ret\n")
    found = Installation.from_environment(
        {
            "CUTLEDGER_DATABASE_URL": "postgresql://cutledger@db:5432/cutledger",
            "CUTLEDGER_DATABASE_PASSWORD_FILE": str(tmp_path / "password"),
        }
    )
    assert found.database_url == "postgresql://cutledger:s%3Ae%2Fc%40ret@db:5432/cutledger"
