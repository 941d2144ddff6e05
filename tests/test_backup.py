"""Backups and taking them back, of both kinds, through the commands: under a server that writes, and with faults."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import create_engine, make_url, select, text, update

from service.commands.backing_up import backup, restore
from tests import builders
from tests.grown import fresh_postgres
from worker import tallies
from worker.backup import BackupFailed, back_up_embedded
from worker.backup_grown import _address
from worker.database import Database
from worker.keys import new_key
from worker.pushes import deliveries, webhooks
from worker.pushes.deliveries import due
from worker.pushes.saying import JOB_ENDED, say
from worker.settings import DATABASE_FILE
from worker.tables import LIVE, events

CUT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}


def run(command: Any, *arguments: object, **environment: str) -> Result:
    return CliRunner().invoke(command, [str(one) for one in arguments], env=environment)


def ok(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return result.stdout


def refused(result: Result) -> str:
    assert result.exit_code == 1, result.output
    assert isinstance(result.exception, SystemExit), "not a traceback"
    return result.stderr


def filled(database: Database, *, count: int = 40) -> Database:
    builders.told(database, *(builders.event("attempt.finished", f"a{n}", **CUT) for n in range(count)))
    return database


def folder_with_data(folder: Path, *, count: int = 40) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    filled(builders.installed(f"sqlite:///{folder / DATABASE_FILE}"), count=count).close()
    return folder


def ledger_of(url: str) -> list[tuple[Any, ...]]:
    database = Database(url)
    with database.read() as connection:
        rows = [tuple(row) for row in connection.execute(select(events).order_by(events.c.position))]
    database.close()
    return rows


def embedded_ledger(folder: Path) -> list[tuple[Any, ...]]:
    return ledger_of(f"sqlite:///{folder / DATABASE_FILE}")


# --- embedded -----------------------------------------------------------------------------------------------------


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return folder_with_data(tmp_path / "data")


def test_backup_tells_size_events_audit_and_digest_and_is_for_its_owner_alone(data: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    said = ok(run(backup, "--data", data, target))
    content = target.read_bytes()
    assert f"{len(content):,} bytes, 40 events" in said
    assert "every page of the copy was checked" in said
    assert "site main: 40 counted events up to position 40: equal" in said
    assert f"sha256 {hashlib.sha256(content).hexdigest()}" in said
    assert target.stat().st_mode & 0o777 == 0o600
    assert [one.name for one in tmp_path.iterdir() if one.is_file()] == ["copy.sqlite3"], "one file, nothing beside it"


def test_backup_takes_what_is_still_in_the_log_and_leaves_the_log_alone(data: Path, tmp_path: Path) -> None:
    database = Database(f"sqlite:///{data / DATABASE_FILE}")
    builders.append(database, [builders.event("attempt.finished", "late", **CUT)])
    wal = data / f"{DATABASE_FILE}-wal"
    before = (wal.read_bytes(), (data / DATABASE_FILE).read_bytes())
    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    assert (wal.read_bytes(), (data / DATABASE_FILE).read_bytes()) == before
    database.close()
    assert ledger_of(f"sqlite:///{tmp_path / 'copy.sqlite3'}") == embedded_ledger(data)


def test_backup_of_a_file_whose_writer_died_leaves_the_log_to_its_next_owner(data: Path, tmp_path: Path) -> None:
    write = (
        "import os, sys; from tests import builders; from worker.database import Database\n"
        "database = Database(sys.argv[1])\n"
        "builders.append(database, [builders.event('attempt.finished', 'late', outcome='severed')])\n"
        "os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", write, f"sqlite:///{data / DATABASE_FILE}"], check=False)
    wal = data / f"{DATABASE_FILE}-wal"
    before = wal.read_bytes()
    assert before
    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    assert wal.read_bytes() == before
    assert len(ledger_of(f"sqlite:///{tmp_path / 'copy.sqlite3'}")) == 41


def test_restore_gives_back_the_ledger_the_keys_and_the_counts(data: Path, tmp_path: Path) -> None:
    database = Database(f"sqlite:///{data / DATABASE_FILE}")
    with database.write() as connection:
        new_key(connection, name="n", roles=("admin",), sites=("main",), source_prefix=None, now_us=builders.NOW_US)
    database.close()
    target = tmp_path / "copy.sqlite3"
    ok(run(backup, "--data", data, target))
    said = ok(run(restore, "--data", tmp_path / "new", target))
    assert "site main: 40 counted events up to position 40: equal" in said
    assert embedded_ledger(tmp_path / "new") == embedded_ledger(data)
    with closing(sqlite3.connect(tmp_path / "new" / DATABASE_FILE)) as connection:
        assert connection.execute("SELECT count(*) FROM keys").fetchone() == (1,)
        new = connection.execute("SELECT series FROM sites").fetchone()
    with closing(sqlite3.connect(data / DATABASE_FILE)) as connection:
        assert connection.execute("SELECT series FROM sites").fetchone() != new, "confirmations go on in another series"
    restored = Database(f"sqlite:///{tmp_path / 'new' / DATABASE_FILE}")
    filled(restored, count=3)
    assert tallies.audit(restored, "main").equal
    restored.close()
    assert (tmp_path / "new" / DATABASE_FILE).stat().st_mode & 0o777 == 0o600


def test_a_restored_installation_pushes_nothing_until_it_is_told_to_and_under_other_ids(
    data: Path, tmp_path: Path
) -> None:
    def said(folder: Path) -> tuple[str, str | None]:
        """The id of a fact as it is said there, and why it is not pushed."""
        database = Database(f"sqlite:///{folder / DATABASE_FILE}")
        with database.write() as connection:
            say(connection, "main", JOB_ENDED, "J-1 2", {}, builders.NOW_US)
            (hook,) = webhooks.of_site(connection, "main")
            ((newest, *_), _) = deliveries.page(connection, "main", hook.webhook)
            assert (due(connection, now_us=builders.NOW_US) == []) == (hook.paused_us is not None)
        database.close()
        return newest.push, hook.paused_because

    database = Database(f"sqlite:///{data / DATABASE_FILE}")
    given = {"name": "n", "url": "https://erp.example.com/", "topics": [JOB_ENDED], "created_by": "k"}
    with database.write() as connection:
        webhooks.make(connection, "main", **given, now_us=builders.NOW_US)
        say(connection, "main", JOB_ENDED, "J-1 1", {}, builders.NOW_US)
    database.close()
    target = tmp_path / "copy.sqlite3"
    ok(run(backup, "--data", data, target))
    assert "1 webhooks are paused" in ok(run(restore, "--data", tmp_path / "new", target))
    (old, old_because), (new, new_because) = said(data), said(tmp_path / "new")
    assert old != new
    assert (old_because, new_because) == (None, "restored from a backup")


def test_restore_takes_the_place_of_an_installation_that_holds_nothing(data: Path, tmp_path: Path) -> None:
    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    empty = tmp_path / "empty"
    empty.mkdir()
    builders.installed(f"sqlite:///{empty / DATABASE_FILE}").close()
    ok(run(restore, "--data", empty, tmp_path / "copy.sqlite3"))
    assert embedded_ledger(empty) == embedded_ledger(data)


def test_restore_refuses_a_folder_that_holds_data(data: Path, tmp_path: Path) -> None:
    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    other = folder_with_data(tmp_path / "other", count=2)
    assert "holds events or keys already" in refused(run(restore, "--data", other, tmp_path / "copy.sqlite3"))
    assert len(embedded_ledger(other)) == 2


def test_restore_refuses_while_the_folder_is_served(data: Path, tmp_path: Path) -> None:
    from service.preparing import hold

    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    with hold(tmp_path / "served"):
        said = refused(run(restore, "--data", tmp_path / "served", tmp_path / "copy.sqlite3"))
    assert "another process serves" in said


def test_backup_never_writes_over_a_file(data: Path, tmp_path: Path) -> None:
    (tmp_path / "copy.sqlite3").write_text("precious")
    assert "exists already" in refused(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    assert (tmp_path / "copy.sqlite3").read_text() == "precious"


def test_backup_of_no_installation_says_so_and_makes_none(tmp_path: Path) -> None:
    assert "there is no" in refused(run(backup, "--data", tmp_path / "nowhere", tmp_path / "copy.sqlite3"))
    assert not (tmp_path / "nowhere" / DATABASE_FILE).exists()


def test_backup_into_no_folder_says_so(data: Path, tmp_path: Path) -> None:
    assert "there is no folder" in refused(run(backup, "--data", data, tmp_path / "no" / "copy.sqlite3"))


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\x00" + b"\x00" * 5_000, b"a,b\n1,2\n"])
def test_restore_refuses_what_is_no_backup(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "no.sqlite3").write_bytes(content)
    refused(run(restore, "--data", tmp_path / "new", tmp_path / "no.sqlite3"))
    assert not (tmp_path / "new" / DATABASE_FILE).exists()


def test_restore_refuses_a_database_of_something_else(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "other.sqlite3")) as connection:
        connection.execute("CREATE TABLE a (b)")
    assert "none of Cutledger" in refused(run(restore, "--data", tmp_path / "new", tmp_path / "other.sqlite3"))


def test_restore_refuses_a_backup_of_a_newer_release(data: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    ok(run(backup, "--data", data, target))
    with closing(sqlite3.connect(target)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    assert "newer release" in refused(run(restore, "--data", tmp_path / "new", target))


def test_a_damaged_copy_is_refused(data: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    ok(run(backup, "--data", data, target))
    size = target.stat().st_size
    with target.open("r+b") as damaged:
        damaged.seek(size // 2)
        damaged.write(os.urandom(size // 4))
    refused(run(restore, "--data", tmp_path / "new", target))
    assert not (tmp_path / "new" / DATABASE_FILE).exists()


def test_a_backup_of_older_tables_is_made_without_an_audit(data: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(data / DATABASE_FILE)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '0000'")
    assert "no audit was made of it" in ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))


def test_an_unequal_copy_is_kept_exits_1_and_prunes_nothing(data: Path, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    backups.mkdir()
    for day in (1, 2):
        (backups / f"cutledger-2026-01-0{day}T000000Z.sqlite3").touch()
    database = Database(f"sqlite:///{data / DATABASE_FILE}")
    with database.write() as connection:
        connection.execute(update(LIVE.tallies).values(good=LIVE.tallies.c.good + 1))
    database.close()
    result = run(backup, "--data", data, backups, "--keep", 1)
    assert "the copy is kept" in refused(result)
    assert "NOT equal" in result.stdout
    assert len(list(backups.iterdir())) == 3


def test_keep_removes_older_backups_of_the_same_names_alone(data: Path, tmp_path: Path) -> None:
    backups = tmp_path / "backups"
    backups.mkdir()
    old = [f"cutledger-2026-01-0{day}T000000Z.sqlite3" for day in range(1, 5)]
    others = ["cutledger-2026-01-01T000000Z.dump", "before-the-move.sqlite3", "cutledger-2999-01-01T000000Z.sqlite3"]
    for name in (*old, *others):
        (backups / name).touch()
    said = ok(run(backup, "--data", data, backups, "--keep", 3))
    left = {one.name for one in backups.iterdir()}
    assert left.issuperset({*old[2:], *others})
    assert len(left) == 6
    assert [line for line in said.splitlines() if line.startswith("removed")] == [
        f"removed {backups / name}" for name in (old[1], old[0])
    ]


def test_keep_with_a_name_of_ones_own_is_refused(data: Path, tmp_path: Path) -> None:
    assert "leave FILE out" in refused(run(backup, "--data", data, tmp_path / "copy.sqlite3", "--keep", 2))


def test_a_copy_that_cannot_be_finished_leaves_nothing(data: Path, tmp_path: Path) -> None:
    def full(_done: int, _total: int | None) -> None:
        raise OSError(28, "No space left on device", str(tmp_path))

    with pytest.raises(BackupFailed, match="No space left"):
        back_up_embedded(data / DATABASE_FILE, tmp_path / "copy.sqlite3", full)
    assert [one for one in tmp_path.iterdir() if one.is_file()] == []


# --- under a server that writes -------------------------------------------------------------------------------------


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def served(folder: Path) -> Iterator[str]:
    port = free_port()
    command = [sys.executable, "-m", "service", "serve", "--data", str(folder), "--port", str(port), "--quiet"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 30
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/livez", timeout=5).close()
                break
            except OSError:
                assert time.monotonic() < deadline
                time.sleep(0.05)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


class Writer(threading.Thread):
    """Posts small batches without a pause, and knows which were answered 202."""

    def __init__(self, url: str, key: str) -> None:
        super().__init__(daemon=True)
        self.url, self.key = url, key
        self.answered: list[str] = []
        self.ending = threading.Event()

    def run(self) -> None:
        number = 0
        while not self.ending.is_set():
            batch = [builders.event("attempt.finished", f"w{number}-{n}", **CUT) for n in range(20)]
            body = json.dumps(batch).encode()
            headers = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"}
            request = urllib.request.Request(f"{self.url}/v1/events", body, headers)
            with urllib.request.urlopen(request, timeout=30) as answer:
                assert answer.status == 202
            self.answered.extend(str(one["id"]) for one in batch)
            number += 1


def test_a_backup_under_a_server_that_writes_is_one_snapshot_and_holds_all_answered_before(tmp_path: Path) -> None:
    data = folder_with_data(tmp_path / "data", count=4_000)
    database = Database(f"sqlite:///{data / DATABASE_FILE}")
    with database.write() as connection:
        roles = ("terminal", "erp")
        key, _ = new_key(connection, name="n", roles=roles, sites=("main",), source_prefix=None, now_us=builders.NOW_US)
    database.close()
    taken: list[tuple[Path, int]] = []
    with served(data) as url:
        writer = Writer(url, key)
        writer.start()
        for number in range(3):
            time.sleep(0.3)
            known = len(writer.answered)
            copy = tmp_path / f"copy-{number}.sqlite3"
            ok(run(backup, "--data", data, copy))
            taken.append((copy, known))
        after = len(writer.answered)
        writer.ending.set()
        writer.join(30)
        assert after > taken[-1][1], "the server went on while the copy was taken"
    for copy, known in taken:
        ids = [row.id for row in ledger_rows(copy)]
        assert {*writer.answered[:known]} <= {*ids}
        assert len(ids) == len({*ids})
        assert [row.position for row in ledger_rows(copy)] == list(range(1, len(ids) + 1))


def ledger_rows(path: Path) -> list[Any]:
    database = Database(f"sqlite:///{path}")
    with database.read() as connection:
        rows = list(connection.execute(select(events.c.position, events.c.id).order_by(events.c.position)))
    database.close()
    return rows


# --- grown --------------------------------------------------------------------------------------------------------


@pytest.fixture
def url() -> Iterator[str]:
    with fresh_postgres("backup", with_tables=True) as address:
        filled(builders.installed(address, sites=("main", "north"))).close()
        yield address


def on_server(url: str, statement: str) -> list[Any]:
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        result = connection.execute(text(statement))
        rows = list(result) if result.returns_rows else []
    engine.dispose()
    return rows


def no_scratch_left(url: str) -> bool:
    """True once no database is left into which an archive was restored; another test may have one for a while."""
    found = "SELECT datname FROM pg_database WHERE datname LIKE 'cutledger_check_%'"
    until = time.monotonic() + 60
    while rows := on_server(url, found):
        if time.monotonic() > until:
            raise AssertionError(rows)
        time.sleep(0.2)
    return True


def test_a_grown_backup_is_restored_and_compared_before_it_is_called_one(url: str, tmp_path: Path) -> None:
    target = tmp_path / "copy.dump"
    said = ok(run(backup, target, CUTLEDGER_DATABASE_URL=url))
    assert "40 events" in said
    assert "restored into a database of its own, and compared" in said
    assert "site main: 40 counted events up to position 40: equal" in said
    assert "site north: 0 counted events up to position 0: equal" in said
    assert f"sha256 {hashlib.sha256(target.read_bytes()).hexdigest()}" in said
    assert target.stat().st_mode & 0o777 == 0o600
    assert no_scratch_left(url)


def test_a_grown_backup_comes_back_into_an_empty_database_alone(url: str, tmp_path: Path) -> None:
    target = tmp_path / "copy.dump"
    ok(run(backup, target, CUTLEDGER_DATABASE_URL=url))
    with fresh_postgres("restored") as empty:
        said = ok(run(restore, target, CUTLEDGER_DATABASE_URL=empty))
        assert "site main: 40 counted events up to position 40: equal" in said
        assert ledger_of(empty) == ledger_of(url)
        restored = Database(empty)
        filled(restored, count=3)
        assert tallies.audit(restored, "main").equal
        restored.close()
        assert "has tables already" in refused(run(restore, target, CUTLEDGER_DATABASE_URL=empty))


def test_a_grown_backup_while_others_write_is_compared_with_what_was_dumped(url: str, tmp_path: Path) -> None:
    database = Database(url)
    ending = threading.Event()
    written = 0

    def write() -> None:
        nonlocal written
        while not ending.is_set():
            builders.append(database, [builders.event("attempt.finished", f"w{written}", **CUT)])
            written += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        ok(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=url))
    finally:
        ending.set()
        writer.join(30)
        database.close()
    assert written > 0


def test_a_role_that_may_make_no_database_gets_the_contents_checked_and_is_told_so(url: str, tmp_path: Path) -> None:
    role = make_url(url).database
    on_server(url, f'CREATE ROLE "{role}" LOGIN')
    try:
        on_server(url, f'GRANT SELECT ON ALL TABLES IN SCHEMA public TO "{role}"')
        on_server(url, f'GRANT SELECT ON ALL SEQUENCES IN SCHEMA public TO "{role}"')
        address = make_url(url).set(username=role, password="secret-7").render_as_string(hide_password=False)
        said = ok(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=address))
        assert "only the archive's table of contents was checked: this role may not create a database" in said
        assert "equal" not in said
    finally:
        on_server(url, f'DROP OWNED BY "{role}"')
        on_server(url, f'DROP ROLE "{role}"')


def test_no_check_reads_the_contents_alone(url: str, tmp_path: Path) -> None:
    said = ok(run(backup, tmp_path / "copy.dump", "--no-check", CUTLEDGER_DATABASE_URL=url))
    assert "only the archive's table of contents was checked: no more was asked for" in said


def test_a_damaged_archive_is_refused_and_leaves_the_database_empty(url: str, tmp_path: Path) -> None:
    target = tmp_path / "copy.dump"
    ok(run(backup, target, CUTLEDGER_DATABASE_URL=url))
    target.write_bytes(target.read_bytes()[: target.stat().st_size // 2])
    with fresh_postgres("damaged") as empty:
        assert "pg_restore failed" in refused(run(restore, target, CUTLEDGER_DATABASE_URL=empty))
        assert on_server(empty, "SELECT 1 FROM pg_tables WHERE schemaname = 'public'") == []


def test_an_unmigrated_database_has_nothing_to_back_up(tmp_path: Path) -> None:
    with fresh_postgres("unmigrated") as empty:
        said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=empty))
    assert "there is nothing to back up" in said


def test_without_pg_dump_the_client_tools_are_named(url: str, tmp_path: Path) -> None:
    said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=url, PATH=str(tmp_path)))
    assert "pg_dump is not installed here; install the client tools of PostgreSQL" in said
    assert not (tmp_path / "copy.dump").exists()


def tool(folder: Path, name: str, script: str) -> None:
    (folder / name).write_text(f"#!/bin/sh\n{script}\n")
    (folder / name).chmod(0o755)


def test_a_pg_dump_older_than_the_server_is_refused_with_both_releases(url: str, tmp_path: Path) -> None:
    tool(tmp_path, "pg_dump", "echo 'pg_dump (PostgreSQL) 9.6.24'")
    path = f"{tmp_path}:{os.environ['PATH']}"
    said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=url, PATH=path))
    assert "pg_dump here is of PostgreSQL 9, the server of PostgreSQL" in said


def test_a_pg_dump_that_fails_leaves_nothing_and_its_words_are_told(url: str, tmp_path: Path) -> None:
    bin_ = tmp_path / "bin"
    bin_.mkdir()
    tool(
        bin_, "pg_dump", 'test "$1" = --version && echo 99.1 && exit; echo "pg_dump: error: no space left" >&2; exit 1'
    )
    path = f"{bin_}:{os.environ['PATH']}"
    said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=url, PATH=path))
    assert "pg_dump failed: no space left" in said
    assert [one for one in tmp_path.iterdir() if one.is_file()] == []


def test_an_archive_that_holds_less_than_the_database_is_thrown_away(url: str, tmp_path: Path) -> None:
    bin_ = tmp_path / "bin"
    bin_.mkdir()
    real = subprocess.run(["which", "pg_dump"], capture_output=True, text=True, check=True).stdout.strip()
    tool(bin_, "pg_dump", f'test "$1" = --version && echo 99.1 && exit; exec {real} --exclude-table-data=events "$@"')
    path = f"{bin_}:{os.environ['PATH']}"
    said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=url, PATH=path))
    assert "restored, the archive holds 0 events up to position 0, the database 40 up to 40" in said
    assert not (tmp_path / "copy.dump").exists()
    assert no_scratch_left(url)


def test_a_password_is_in_no_argument_of_a_tool(url: str, tmp_path: Path) -> None:
    bin_ = tmp_path / "bin"
    bin_.mkdir()
    for name in ("pg_dump", "pg_restore"):
        real = subprocess.run(["which", name], capture_output=True, text=True, check=True).stdout.strip()
        note = f'echo "$0 $@" >> {tmp_path}/arguments; echo "$PGPASSWORD" >> {tmp_path}/passwords'
        tool(bin_, name, f'{note}\ntest "$1" = --version && echo 99.1 && exit\nexec {real} "$@"')
    address = make_url(url).set(password="it's se=cret").render_as_string(hide_password=False)
    path = f"{bin_}:{os.environ['PATH']}"
    ok(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=address, PATH=path))
    arguments = (tmp_path / "arguments").read_text()
    assert "pg_dump" in arguments
    assert "pg_restore" in arguments
    assert "se=cret" not in arguments
    assert "it's se=cret" in (tmp_path / "passwords").read_text().splitlines()


def test_an_address_keeps_what_it_says_of_encryption() -> None:
    from sqlalchemy.engine import make_url as parsed

    conninfo, _ = _address(parsed("postgresql://u:p@h:5433/d?sslmode=verify-full&sslrootcert=/a%20b/ca.pem"))
    assert "sslmode=verify-full" in conninfo
    assert "sslrootcert='/a b/ca.pem'" in conninfo
    assert "host=h port=5433 user=u" in conninfo.replace("dbname=d ", "")


def test_each_kind_refuses_the_others_backup_with_the_way_out(url: str, data: Path, tmp_path: Path) -> None:
    ok(run(backup, "--data", data, tmp_path / "copy.sqlite3"))
    ok(run(backup, tmp_path / "copy.dump", "--no-check", CUTLEDGER_DATABASE_URL=url))
    said = refused(run(restore, "--data", tmp_path / "new", tmp_path / "copy.dump"))
    assert "CUTLEDGER_DATABASE_URL" in said
    assert "cutledger export" in said
    with fresh_postgres("kinds") as empty:
        said = refused(run(restore, tmp_path / "copy.sqlite3", CUTLEDGER_DATABASE_URL=empty))
    assert "embedded installation" in said


def test_a_server_that_does_not_answer_is_said_in_one_sentence(tmp_path: Path) -> None:
    address = f"postgresql://postgres@127.0.0.1:{free_port()}/x"
    said = refused(run(backup, tmp_path / "copy.dump", CUTLEDGER_DATABASE_URL=address))
    assert "refused" in said
    assert len(said.strip().splitlines()) == 1
