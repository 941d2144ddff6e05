"""`cutledger import` of a shop's old table and of events one a line: judged as at the door, and mended line by line."""

from __future__ import annotations

import csv
import gzip
import io
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from service import import_notes, taking
from service.acceptance import People, taken_quickly
from service.column_maps import map_of
from service.commands.importing import import_
from service.old_tables import Form, RefusedRows, Table
from service.taking import Line, Outcome, Said, of_lines, of_table, take
from tests.builders import NOW_US, SITE, embedded, event, installed
from tests.conftest import ENGINES, installation_on
from tests.service.sent import NOW_US as SENT_NOW_US
from tests.service.sent import PEOPLE
from tests.service.test_quick import mutants
from worker import ledger
from worker.database import Database, DatabaseUnavailable
from worker.installing import add_site
from worker.tables import events
from worker.tallies import audit

EXAMPLES = Path(__file__).parents[2] / "demo" / "old_table"
README = Path(__file__).parents[2] / "README.md"
#: A map whose table has a time, an id, a thickness, and a count.
MAP = """
[table]
source = "/imports/old"
zone = "Europe/Berlin"
{table}
[[event]]
type = "attempt.finished"
id = "Nr"
subject = "Nr"
time = "When"
[event.data]
outcome = {{ constant = "severed" }}
thickness_mm = "Plate"
good = "Good"
{data}
"""
HEADER = "Nr;When;Plate;Good"
WHEN = "2026-03-04T10:00:00Z"
ROW = "1;2026-03-04 10:00;20;3"


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with closing(installed(f"sqlite:///{tmp_path / 'd' / 'cutledger.sqlite3'}")) as opened:
        yield opened


def run(database: Database, *arguments: str | Path) -> Result:
    env = {"CUTLEDGER_DATABASE_URL": database.url, "CUTLEDGER_DATA": None}
    return CliRunner(env=env).invoke(import_, [str(each) for each in arguments])


class Shop:
    """A folder with a table and a map, and an installation to import into."""

    def __init__(self, database: Database, folder: Path) -> None:
        self.database, self.folder = database, folder

    def brings(
        self, table: str | bytes, *options: str | Path, table_map: str = MAP, in_table: str = "", in_data: str = ""
    ) -> Result:
        file = self.folder / "old.csv"
        file.write_bytes(table if isinstance(table, bytes) else table.encode())
        (self.folder / "map.toml").write_text(table_map.format(table=in_table, data=in_data))
        return run(self.database, file, "--map", self.folder / "map.toml", *options)

    def told(self) -> list[dict[str, Any]]:
        with self.database.read() as connection:
            items, _, _ = ledger.feed(connection, SITE)
        return [orjson.loads(item.payload) for item in items]


@pytest.fixture
def shop(database: Database, tmp_path: Path) -> Shop:
    return Shop(database, tmp_path)


def lines(*rows: str) -> str:
    return "".join(f"{row}\r\n" for row in rows)


# --- a table ----------------------------------------------------------------------------------------------------


def test_the_example_imports_and_imports_again_for_free(database: Database) -> None:
    table, told_map = EXAMPLES / "cut-log.csv", EXAMPLES / "cut-log.toml"
    result = run(database, table, "--map", told_map)
    assert result.exit_code == 0, result.output
    assert result.output.splitlines() == [
        "site main: 5 lines, 0 refused; 6 events accepted, 0 there before",
        "  attempt.finished: 5",
        "  attempt.reworked: 1",
    ]
    assert "0 events accepted, 6 there before" in run(database, table, "--map", told_map).output
    assert audit(database, SITE).equal


def test_the_readme_shows_the_example() -> None:
    table, told_map = EXAMPLES / "cut-log.csv", EXAMPLES / "cut-log.toml"
    assert told_map.read_text() in README.read_text()
    assert "\n".join(table.read_text().splitlines()[:3]) in README.read_text()


def test_a_row_becomes_the_event_that_its_map_says(shop: Shop) -> None:
    shop.brings(lines(HEADER, ROW))
    assert shop.told() == [
        {
            "specversion": "1.0",
            "source": "/imports/old",
            "type": "cutledger.attempt.finished",
            "id": "1",
            "subject": "1",
            "time": "2026-03-04T10:00:00+01:00",
            "data": {"outcome": "severed", "thickness_mm": 20, "good": 3},
        }
    ]


def test_a_table_with_a_byte_order_mark_tabs_quotes_and_blank_rows_is_read(shop: Shop) -> None:
    table = "\ufeff" + lines('"Nr"\tWhen\tPlate\t"Good\nparts"', "", "\t\t\t", '"7"\t2026-03-04 10:00\t" 20 "\t2\t')
    told_map = MAP.replace('good = "Good"', 'good = """Good\nparts"""')
    result = shop.brings(table, table_map=told_map)
    assert "1 lines, 0 refused" in result.output
    assert shop.told()[0]["data"] == {"outcome": "severed", "thickness_mm": 20, "good": 2}


def test_a_compressed_table_in_another_encoding_is_read_when_the_map_says_so(shop: Shop) -> None:
    table = lines("Nr;When;Plate;Güte", "1;2026-03-04 10:00;20;S355 für Brücken").encode("cp1252")
    told_map = MAP.replace('good = "Good"', 'material = "Güte"')
    shop.brings(gzip.compress(table, mtime=0), table_map=told_map, in_table='encoding = "cp1252"')
    assert shop.told()[0]["data"]["material"] == "S355 für Brücken"


def test_a_line_is_refused_as_a_whole_and_holds_up_no_other(shop: Shop, tmp_path: Path) -> None:
    refused = tmp_path / "refused.csv"
    rows = (ROW, "2;2026-03-04 11:00;2000;1", "3;2026-03-04 12:00;20;-1", "4;soon;20;1", "5;2026-03-04;20;1", "6;;20;1")
    result = shop.brings(lines(HEADER, *rows), "--refused", refused)
    assert result.exit_code == 1
    assert "6 lines, 5 refused; 1 events accepted" in result.output
    assert f"5 lines were refused; they are in {refused}" in result.output
    reasons = [row["refused_reason"] for row in csv.DictReader(io.StringIO(refused.read_text()), delimiter=";")]
    assert [reason.partition(";")[0] for reason in reasons] == [
        "thickness_mm (column Plate) must be a number from 0.1 to 500",
        "good (column Good) must be a whole number from 0 to 100000",
        "time (column When) must be a time written YYYY-MM-DD HH:MM",
        'time (column When) says a day and no time of day',
        "time (column When) is empty",
    ]  # fmt: skip


def test_refused_lines_are_mended_in_their_file_and_imported_from_it(shop: Shop, tmp_path: Path) -> None:
    refused = tmp_path / "refused.csv"
    shop.brings(lines(HEADER, ROW, '"2";2026-03-04 11:00;2o;1', "3;2026-03-04 11:00;20"), "--refused", refused)
    text = refused.read_text()
    assert text.splitlines()[0] == "refused_line;refused_reason;" + HEADER
    assert [row.split(";")[0] for row in text.splitlines()[1:]] == ["3", "4"]
    refused.write_text(text.replace(";2o;", ";20;").replace("11:00;20\n", "11:00;20;1\n"))
    result = run(shop.database, refused, "--map", tmp_path / "map.toml", "--refused", tmp_path / "second.csv")
    assert "2 lines, 0 refused; 2 events accepted" in result.output
    assert (tmp_path / "second.csv").read_text() == text.splitlines()[0] + "\n"
    assert {told["subject"] for told in shop.told()} == {"1", "2", "3"}


def test_a_dry_run_judges_all_finds_ids_given_twice_and_writes_nothing(shop: Shop) -> None:
    table = lines(HEADER, ROW, ROW, "1;2026-03-04 10:00;20;4", "2;2026-03-04 10:00;0;4")
    result = shop.brings(table, "--dry-run")
    assert result.exit_code == 1
    assert "4 lines, 2 would be refused; would be 1 events accepted, 1 there before, 1 refused" in result.output
    assert "line 4: event 1 of /imports/old: an earlier line has this id and says otherwise" in result.output
    assert shop.told() == []


def test_a_line_with_another_content_than_the_ledger_holds_is_refused(shop: Shop) -> None:
    shop.brings(lines(HEADER, ROW))
    result = shop.brings(lines(HEADER, ROW.replace("20;3", "20;4"), ROW))
    assert result.exit_code == 1
    assert "line 2: event 1 of /imports/old: this source and id already hold another content" in result.output
    assert "0 events accepted, 1 there before, 1 refused" in result.output


def test_of_a_row_with_several_events_none_is_taken_when_one_is_refused(shop: Shop) -> None:
    second = '[[event]]\ntype = "attempt.reworked"\nid = "r{{Nr}}"\nsubject = "Nr"\ntime = "When"\n[event.data]\n'
    second += 'operation = {{ constant = "grinding" }}\nminutes = "Good"\nparts = "Good"\n'
    result = shop.brings(lines(HEADER, ROW, "2;2026-03-04 10:00;20;0"), table_map=MAP + second)
    assert "2 lines, 1 refused; 2 events accepted" in result.output
    assert "line 3: attempt.reworked: minutes (column Good) must be a number from 0.001" in result.output


def test_a_condition_decides_which_events_come_of_a_row(shop: Shop) -> None:
    told_map = MAP.replace('type = "attempt.finished"', 'type = "attempt.finished"\nwhen = [{cond}]')
    table = lines(HEADER, ROW, "2;2026-03-04 10:00;-;1", "3;2026-03-04 10:00;20;0")
    cond = '{ column = "Plate" }, { column = "Good", is_not = ["0"] }'
    result = shop.brings(table, table_map=told_map.replace("{cond}", cond.replace("{", "{{").replace("}", "}}")),
                         in_table='empty = ["-"]')  # fmt: skip
    assert "3 lines, 0 refused, 2 say nothing; 1 events accepted" in result.output


def test_people_of_a_table_are_kept_as_the_site_says(shop: Shop) -> None:
    shop.brings(lines(HEADER + ";Who", ROW + ";K. Varga"), in_data='operator = "Who"')
    assert shop.told()[0]["data"]["operator"].startswith("p-")


@pytest.mark.parametrize(
    ("table", "in_table", "reason"),
    [
        (b"", "", "the file is empty"),
        (b"\r\n\r\n", "", "the file is empty"),
        (b";;\r\n1;2;3\r\n", "", "no header"),
        (lines("Nr;When;Plate;Good;Plate", ROW).encode(), "", 'names column "Plate" twice (columns 3, 5)'),
        (lines("Nr;When;Plates;Good", ROW).encode(), "", 'has no column "Plate"; nearest: Plates'),
        (lines(HEADER, ROW).encode("utf-16"), "", "looks like UTF-16"),
        (lines(HEADER, ROW).encode("utf-16-le"), "", "looks like UTF-16"),
        (lines(HEADER + ";Güte", ROW).encode("cp1252"), "", 'header is not in utf-8; save the table as utf-8, or say'),
        (lines(HEADER, '2;"2026', ROW).encode(), "", "line 2: the row cannot be read"),
        (lines(HEADER, '2;"a"b";3;4', ROW).encode(), "", "was probably opened and not closed"),
        (gzip.compress(lines(HEADER, ROW).encode(), mtime=0)[:-6], "", "cut short or damaged"),
        ((HEADER + "\n" + "1" * 1_100_000).encode(), "", "it has more than 1000000 characters"),
        (lines(HEADER, ROW).encode("utf-16")[:-1], 'encoding = "utf-16"', "is not in utf-16"),
    ],
)  # fmt: skip
def test_a_table_that_cannot_be_read_is_told_in_one_sentence(
    shop: Shop, table: bytes, in_table: str, reason: str
) -> None:
    result = shop.brings(table, in_table=in_table)
    assert result.exit_code == 1
    assert reason in result.output
    assert result.output.count("\n") == 1
    assert shop.told() == []


def test_a_byte_of_another_encoding_refuses_its_line_and_is_kept_for_mending(shop: Shop, tmp_path: Path) -> None:
    row = b"2;2026-03-04 10:00;20;1;" + "für".encode("cp1252")
    table = lines(HEADER + ";Note", ROW + ";-").encode() + row + b"\r\n"
    result = shop.brings(table, "--refused", tmp_path / "refused.csv")
    assert "2 lines, 1 refused; 1 events accepted" in result.output
    assert "line 3: holds the byte 0xfc, which is not in utf-8; save the table as utf-8" in result.output
    assert row in (tmp_path / "refused.csv").read_bytes()


def test_a_table_needs_a_map_and_events_take_none(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(lines(HEADER, ROW))
    assert "a table needs --map FILE" in run(shop.database, tmp_path / "t.csv").output
    (tmp_path / "e.ndjson").write_text("{}\n")
    result = run(shop.database, tmp_path / "e.ndjson", "--map", EXAMPLES / "cut-log.toml")
    assert "holds events, no table; leave --map out" in result.output


def test_the_file_of_refused_lines_may_not_be_the_file_that_is_read(shop: Shop, tmp_path: Path) -> None:
    result = shop.brings(lines(HEADER, ROW), "--refused", tmp_path / "old.csv")
    assert "--refused names the file that is imported" in result.output
    assert (tmp_path / "old.csv").read_text() == lines(HEADER, ROW).replace("\r\n", "\n")


def test_where_there_are_several_sites_one_is_named(shop: Shop) -> None:
    with shop.database.write() as connection:
        add_site(connection, "halle-2", now_us=NOW_US)
    assert "name one: --site halle-2 or --site main" in shop.brings(lines(HEADER, ROW)).output
    assert "site halle-2: 1 lines" in shop.brings(lines(HEADER, ROW), "--site", "halle-2").output
    assert "nowhere" in shop.brings(lines(HEADER, ROW), "--site", "nowhere").output


# --- events one a line ------------------------------------------------------------------------------------------


def test_events_one_a_line_are_judged_as_at_the_door(database: Database, tmp_path: Path) -> None:
    good = event("attempt.finished", "A", outcome="severed", thickness_mm=20, material="S355")
    told = [
        orjson.dumps(good),
        b"",
        orjson.dumps(event("attempt.finished", "B", outcome="sliced")),
        b'{"id": "x",}',
        b'{"id": "\xff"}',
        orjson.dumps(good) + b" {}",
        b'{"id": 1, "id": 2}',
        b"[1]",
        orjson.dumps(event("site.set", "other", valid_from="2026-01-01", zone="UTC")),
        orjson.dumps(good),
    ]
    file, refused = tmp_path / "events", tmp_path / "refused.csv"
    file.write_bytes(b"\xef\xbb\xbf" + b"\n".join(told))
    result = run(database, file, "--refused", refused)
    assert result.exit_code == 1
    assert "9 lines, 7 refused; 1 events accepted, 1 there before" in result.output
    rows = list(csv.reader(io.StringIO(refused.read_bytes().decode("utf-8", "surrogateescape"))))
    assert [row[0] for row in rows[1:]] == ["3", "4", "5", "6", "7", "8", "9"]
    assert rows[1][1].startswith("/data/outcome must be one of severed")
    assert rows[2][1].startswith("is no JSON: column 12")
    assert rows[3][1].startswith("is not in UTF-8: column 9")
    assert [row[2].encode("utf-8", "surrogateescape") for row in rows[1:]] == told[2:9]


def test_refused_events_are_mended_in_their_file_and_imported_without_a_map(database: Database, tmp_path: Path) -> None:
    file, refused = tmp_path / "events", tmp_path / "refused.csv"
    file.write_bytes(orjson.dumps(event("attempt.finished", "B", outcome="sliced")))
    run(database, file, "--refused", refused)
    refused.write_text(refused.read_text().replace("sliced", "severed"))
    assert "1 lines, 0 refused; 1 events accepted" in run(database, refused).output


def test_lines_that_are_taken_quickly_come_to_the_same_as_those_read_strictly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    odd = [b"", b" \t", b"\xef\xbb\xbf{}", b'{"id": "\xff"}', b"[1]", b"{} {}", b"\x00", "\u00a0{}".encode()]
    file = b"\n".join([*odd, *(text.encode("utf-8", "replace") for text in mutants(2_000, seed=5)), *odd])

    def brought(folder: str, *, dry_run: bool) -> tuple[list[tuple[int, str, list[str]]], Outcome, list[Any]]:
        refused: list[tuple[int, str, list[str]]] = []

        def refuse(found: Said | Line, reason: str) -> None:
            refused.append((found.line, reason, found.as_was))

        with closing(embedded(tmp_path / folder)) as database:
            outcome = take(database, SITE, of_lines(io.BytesIO(file)), refuse=refuse, dry_run=dry_run)
            with database.read() as connection:
                kept = connection.execute(select(events.c.payload, events.c.content_hash).order_by(events.c.position))
                return refused, outcome, list(kept)

    # Else each installation has a key of its own.
    monkeypatch.setattr(taking, "people_of", lambda *_, **__: PEOPLE)
    monkeypatch.setattr(taking, "refuse_old_key", lambda *_: None)
    monkeypatch.setattr(taking, "now_us", lambda: SENT_NOW_US)
    taken = []

    def quickly(raw: bytes, *, now_us: int, people: People) -> Any:
        taken.append(taken_quickly(raw, now_us=now_us, people=people))
        return taken[-1]

    monkeypatch.setattr(taking, "taken_quickly", quickly)
    quick = [brought(f"quick-{dry_run}", dry_run=dry_run) for dry_run in (False, True)]
    assert any(taken)
    monkeypatch.setattr(taking, "taken_quickly", lambda raw, **how: None)
    strict = [brought(f"strict-{dry_run}", dry_run=dry_run) for dry_run in (False, True)]
    assert quick == strict


# --- broken off -------------------------------------------------------------------------------------------------

#: The command, with transactions of ten lines, killed before it notes how far it came with one of them.
KILLED = """
import os, signal, sys
from service import import_notes, taking
from service.cli import main

left, note = int(sys.argv.pop(1)), import_notes.ImportNote.write

def write(self, came):
    global left
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    left -= 1
    note(self, came)

taking.AT_ONCE = 10
import_notes.ImportNote.write = write
main()
"""


class Broken:
    """A file of 50 lines, one in seven of them no event, and an installation to import it into by tens."""

    def __init__(self, database: Database, folder: Path) -> None:
        self.database, self.folder = database, folder
        self.file, self.refused = folder / "said.ndjson", folder / "refused.csv"
        self.ids = [f"b{number:02}" for number in range(1, 51) if number % 7]
        self.lines = [
            orjson.dumps(event("attempt.started", f"A{number}", id=f"b{number:02}")) if number % 7 else b'{"id": 1}'
            for number in range(1, 51)
        ]
        self.put(b"\n".join(self.lines) + b"\n")

    def put(self, told: bytes) -> None:
        self.file.write_bytes(told)
        os.utime(self.file, ns=(1_790_000_000_000_000_000, 1_790_000_000_000_000_000))

    def brings(self, *options: str | Path) -> Result:
        return run(self.database, self.file, "--no-count", *options)

    def is_broken_off(self, *options: str | Path, after: int = 2) -> Result:
        """Import until the database is away."""
        with pytest.MonkeyPatch.context() as patch:
            left = iter(range(after))

            def append(*given: Any, **how: Any) -> Any:
                if next(left, None) is None:
                    raise DatabaseUnavailable("the disk is full")
                return appended(*given, **how)

            appended = ledger.append
            patch.setattr("service.taking.ledger.append", append)
            return self.brings(*options)

    def told(self) -> list[str]:
        with self.database.read() as connection:
            return list(connection.execute(select(events.c.id).order_by(events.c.position)).scalars())

    def refused_lines(self) -> list[int]:
        return [int(row["refused_line"]) for row in csv.DictReader(io.StringIO(self.refused.read_text()))]

    def left_behind(self) -> list[str]:
        folders = {self.folder, self.database.path.parent} if self.database.is_sqlite else {self.folder}
        return sorted(path.name for folder in folders for path in folder.iterdir() if path.suffix in (".note", ".part"))


@pytest.fixture
def broken(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Broken:
    monkeypatch.setattr(taking, "AT_ONCE", 10)
    return Broken(database, tmp_path)


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "packed"])
def test_an_import_that_was_killed_goes_on_behind_the_last_line_that_it_noted(broken: Broken, packed: bool) -> None:
    if packed:
        broken.put(gzip.compress(broken.file.read_bytes(), mtime=0))
    command = ["import", str(broken.file), "--no-count", "--refused", str(broken.refused)]
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, "2", *command],
        env=os.environ | {"CUTLEDGER_DATABASE_URL": broken.database.url},
        capture_output=True,
        timeout=120,
    )
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    # The third ten are in the ledger, and not noted: they are taken again.
    assert broken.told() == [name for name in broken.ids if name <= "b30"]
    assert not broken.refused.exists()
    result = broken.brings("--refused", broken.refused)
    assert result.exit_code == 1
    assert "goes on at line 21; --from-start reads it all again" in result.output
    assert "site main: 30 lines, 5 refused; 17 events accepted, 8 there before" in result.output
    assert (
        f"7 lines were refused, 2 of them before the import was broken off; they are in {broken.refused}"
        in result.output
    )
    assert broken.told() == broken.ids
    assert broken.refused_lines() == [7, 14, 21, 28, 35, 42, 49]
    assert broken.left_behind() == []
    assert "50 lines, 7 refused; 0 events accepted, 43 there before" in broken.brings().output


@pytest.mark.parametrize("engine", ENGINES)
def test_an_import_whose_database_was_away_says_that_it_goes_on_and_does(
    engine: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(taking, "AT_ONCE", 10)
    (tmp_path / "data").mkdir()
    with installation_on(engine, tmp_path / "data", name="import") as database:
        broken = Broken(database, tmp_path)
        result = broken.is_broken_off()
        assert result.exit_code == 1
        assert "broken off behind line 20; the same command goes on there" in result.output
        assert len(broken.left_behind()) == 1
        again = broken.is_broken_off(after=1)
        assert "goes on at line 21" in again.output
        assert "broken off behind line 30" in again.output
        assert "20 lines, 3 refused; 17 events accepted, 0 there before" in broken.brings().output
        assert broken.told() == broken.ids
        assert broken.left_behind() == []


def test_read_from_its_start_an_import_that_was_broken_off_says_all_of_it_again(broken: Broken) -> None:
    broken.is_broken_off("--refused", broken.refused)
    result = broken.brings("--refused", broken.refused, "--from-start")
    assert "goes on" not in result.output
    assert "50 lines, 7 refused; 25 events accepted, 18 there before" in result.output
    assert broken.refused_lines() == [7, 14, 21, 28, 35, 42, 49]
    assert broken.left_behind() == []


def _other_end(broken: Broken) -> None:
    broken.put(broken.file.read_bytes().replace(b"A50", b"A5X"))
    os.utime(broken.file)


def _other_beginning(broken: Broken) -> None:
    broken.put(broken.file.read_bytes().replace(b'"A1"', b'"AX"'))


def _other_last_line(broken: Broken) -> None:
    # Behind what is looked at of the beginning.
    broken.put(broken.file.read_bytes().replace(b"A20", b"AXX"))


def _longer(broken: Broken) -> None:
    broken.put(broken.file.read_bytes() + b"\n")


def _refused_lines_gone(broken: Broken) -> None:
    (part,) = broken.folder.glob(".*.part")
    part.write_bytes(part.read_bytes()[:50])


def _events_gone(broken: Broken) -> None:
    with broken.database.write() as connection:
        connection.execute(events.delete().where(events.c.id == "b20"))


def _note_torn(broken: Broken) -> None:
    (note,) = broken.database.path.parent.glob(".*.note")
    note.write_bytes(note.read_bytes()[:200])


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (_other_end, "the file is another than it was when its import was broken off"),
        (_other_beginning, "the file is another than it was when its import was broken off"),
        (_other_last_line, "the file is another than it was when its import was broken off"),
        (_longer, "the file is another than it was when its import was broken off"),
        (_refused_lines_gone, "the refused lines of the import that was broken off are gone"),
        (_events_gone, "the ledger does not hold what the import that was broken off had taken"),
        (_note_torn, ""),
    ],
)
def test_what_is_not_as_it_was_when_it_was_broken_off_is_read_from_its_start(
    broken: Broken, monkeypatch: pytest.MonkeyPatch, change: Callable[[Broken], None], reason: str
) -> None:
    monkeypatch.setattr(import_notes, "_HEAD_BYTES", 1_000)
    broken.is_broken_off("--refused", broken.refused)
    change(broken)
    result = broken.brings("--refused", broken.refused)
    assert "goes on" not in result.output
    assert (f"{reason}: it is read from its start" in result.output) == bool(reason)
    assert "site main: 50 lines, " in result.output
    assert set(broken.told()) == set(broken.ids)
    assert {7, 14, 21, 28, 35, 42, 49} <= set(broken.refused_lines())
    assert broken.left_behind() == []


def test_an_import_with_another_file_of_refused_lines_has_all_of_them_in_it(broken: Broken) -> None:
    broken.is_broken_off()
    result = broken.brings("--refused", broken.refused)
    assert "its import was broken off with another --refused: it is read from its start" in result.output
    assert broken.refused_lines() == [7, 14, 21, 28, 35, 42, 49]


def test_a_dry_run_and_standard_input_leave_a_note_alone_and_make_none(broken: Broken) -> None:
    broken.is_broken_off()
    assert "50 lines, 7 would be refused" in broken.brings("--dry-run").output
    env = {"CUTLEDGER_DATABASE_URL": broken.database.url}
    result = CliRunner(env=env).invoke(import_, ["-", "--no-count"], input=broken.file.read_bytes())
    assert "50 lines, 7 refused" in result.output
    assert "goes on at line 21" in broken.brings().output


def test_beside_another_import_of_the_file_one_reads_all_and_leaves_its_note(broken: Broken) -> None:
    broken.is_broken_off()
    with import_notes.noted(broken.database, SITE, broken.file, None) as held:
        assert held is not None
        held.read(broken.database, SITE, broken.file, None)
        result = broken.brings("--refused", broken.refused)
        assert "50 lines, 7 refused" in result.output
        assert broken.refused_lines() == [7, 14, 21, 28, 35, 42, 49]
        assert len(broken.left_behind()) == 1


def test_what_went_wrong_at_the_first_lines_leaves_nothing_behind(broken: Broken) -> None:
    result = broken.is_broken_off("--refused", broken.refused, after=0)
    assert "goes on" not in result.output
    assert broken.left_behind() == []
    assert not broken.refused.exists()


def test_help_says_how_an_import_goes_on(broken: Broken) -> None:
    told = " ".join(run(broken.database, "--help").output.split())
    assert "go on behind the last line that was done with" in told
    assert "--from-start" in told


# --- properties -------------------------------------------------------------------------------------------------

_WORDS = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=20).filter(
    lambda text: text.strip() == text and text.isprintable()
)
_ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "thickness": st.integers(100, 500_000),
            "good": st.integers(0, 100_000) | st.none(),
            "material": _WORDS | st.none(),
            "minute": st.integers(0, 60 * 24 * 365),
            "odd": st.sampled_from(["fits", "fits", "fits", "short", "unknown"]),
        }
    ),
    max_size=8,
)


@given(_ROWS, st.sampled_from([";", ",", "\t", "|"]), st.sampled_from([".", ","]), st.sampled_from(["utf-8", "utf-16"]))
@settings(max_examples=150)
def test_what_is_written_into_a_table_comes_out_as_events_and_the_rest_as_it_was(
    rows: list[dict[str, Any]], delimiter: str, decimal: str, encoding: str
) -> None:
    file = io.StringIO(newline="")
    writer = csv.writer(file, delimiter=delimiter)
    writer.writerow(["No", "At", "Plate", "Good", "Steel", "Result"])
    expected, unfit = {}, []
    for number, row in enumerate(rows):
        at = datetime(2025, 1, 1) + timedelta(minutes=row["minute"])  # noqa: DTZ001
        stamp = at.isoformat(sep=" ", timespec="minutes")
        plate = f"{row['thickness'] // 1000}{decimal}{row['thickness'] % 1000:03}"
        result = "unheard of" if row["odd"] == "unknown" else "OK"
        good = "" if row["good"] is None else str(row["good"])
        cells = [f"n{number}", stamp, plate, good, row["material"] or "", result]
        cells = cells[:4] if row["odd"] == "short" else cells
        writer.writerow(cells)
        if row["odd"] != "fits":
            unfit.append(cells)
            continue
        data = {"thickness_mm": row["thickness"] / 1000, "good": row["good"], "material": row["material"]}
        told = {name: value for name, value in data.items() if value is not None}
        expected[f"n{number}"] = (stamp.replace(" ", "T") + ":00+00:00", told | {"outcome": "severed"})
    columns = map_of(
        {
            "table": {"decimal": decimal, "zone": "UTC", "source": "/i", "encoding": encoding, "delimiter": delimiter},
            "event": [
                {
                    "type": "attempt.finished", "id": "No", "subject": "No", "time": "At",
                    "data": {
                        "thickness_mm": "Plate", "good": "Good", "material": "Steel",
                        "outcome": {"column": "Result", "words": {"ok": "severed"}},
                    },
                }
            ],
        }
    )  # fmt: skip
    table = Table(io.BytesIO(file.getvalue().encode(encoding)), encoding=encoding, delimiter=delimiter)
    columns.check_header(table.header)
    kept = io.BytesIO()
    refused = RefusedRows(kept, header=table.header, form=table.form)
    made = {}
    for said in of_table(table, columns):
        if said.fault:
            refused.write(said.line, said.fault, said.as_was)
        for _, told in said.events:
            made[told["id"]] = (told["time"], {name: _plain(value) for name, value in told["data"].items()})
    refused.close()
    assert made == expected
    again = Table(io.BytesIO(kept.getvalue()), encoding=encoding, delimiter=delimiter)
    assert [row.as_was for row in again] == unfit


def _plain(value: Any) -> Any:
    return value if isinstance(value, str) else float(value) if value != int(value) else int(value)


@given(st.lists(st.lists(st.text(), min_size=2, max_size=5), max_size=5), st.sampled_from([";", ","]))
def test_refused_rows_come_back_as_they_were_whatever_is_in_them(rows: list[list[str]], delimiter: str) -> None:
    whole = [[cell.encode("utf-8", "replace").decode() for cell in row] for row in rows]
    told = [row for row in whole if any(cell.strip() for cell in row)]
    kept = io.BytesIO()
    refused = RefusedRows(kept, header=["a", "b"], form=Form("utf-8", delimiter))
    for row in told:
        refused.write(7, "why", row)
    refused.close()
    table = Table(io.BytesIO(kept.getvalue()), encoding="utf-8", delimiter=delimiter)
    assert [row.as_was for row in table] == told


def test_a_long_table_is_taken_in_pieces_of_bounded_size(tmp_path: Path) -> None:
    columns = map_of(
        {
            "table": {"zone": "UTC", "source": "/i"},
            "event": [{"type": "attempt.started", "id": "N", "subject": "N", "time": {"constant": WHEN}}],
        }
    )
    pieces: list[int] = []
    with closing(embedded(tmp_path)) as database:
        table = Table(
            io.BytesIO(("N\n" + "".join(f"{n}\n" for n in range(2_500))).encode()), encoding="utf-8", delimiter=None
        )
        take(database, SITE, of_table(table, columns), refuse=pytest.fail, progress=pieces.append)
        with database.read() as connection:
            assert connection.execute(select(func.count()).select_from(events)).scalar_one() == 2_500
    assert pieces == [1_000, 1_000, 500]
