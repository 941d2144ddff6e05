"""The ledger as a file: from SQLite to PostgreSQL and back to an equal audit, whole or not at all."""

from __future__ import annotations

import gzip
import hashlib
import os
import stat
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import orjson
import pytest
from click.testing import CliRunner, Result
from sqlalchemy import func, insert, literal, select

from service.acceptance import Judged, judge
from service.app import create_app
from service.commands.exporting import export
from service.commands.importing import import_
from service.taking import people_of
from tests.builders import NOW_US, SITE, count, event, installed
from tests.event_sets import site_events
from tests.grown import fresh_postgres
from tests.worker.state import state
from worker import ledger, portable
from worker.administration import COMMAND_LINE
from worker.database import Database
from worker.installing import people_key, people_secret
from worker.keys import new_key
from worker.loop import count_owed
from worker.portable_reading import FileDamaged, FileNotKnown, lines_of, take, verify
from worker.portable_writing import write
from worker.reports.catalogue import REPORTS
from worker.tables import events, set_asides, sites
from worker.tallies import audit
from worker.unlinking import unlink

OTHER = "halle-2"
NAMED = {"operator": "Jos\u00e9 \U0001f600", "outcome": "severed", "thickness_mm": 20, "material": "S355", "good": 1}


def address(folder: Path) -> str:
    return f"sqlite:///{folder / 'cutledger.sqlite3'}"


def run(command: Any, url: str, *arguments: str | Path, stdin: bytes | None = None) -> Result:
    env = {"CUTLEDGER_DATABASE_URL": url, "CUTLEDGER_DATA": None}
    return CliRunner(env=env).invoke(command, [str(each) for each in arguments], input=stdin)


def ran(command: Any, url: str, *arguments: str | Path) -> str:
    result = run(command, url, *arguments)
    assert result.exit_code == 0, result.output
    return result.output


def tell(database: Database, site: str, *told: dict[str, Any], received_us: int = NOW_US) -> list[str]:
    """Append events as the door would, each received a little later than the one before."""
    with database.write() as connection:
        people = people_of(connection, site, now_us=NOW_US)
        judged = [judge(each, now_us=NOW_US, people=people, pointer="") for each in told]
        fit = [each for each in judged if isinstance(each, Judged)]
        assert len(fit) == len(judged)
        times = [received_us + 7 * number for number in range(len(fit))]
        return [each.status for each in ledger.append(connection, site, fit, received_us=times)]


def a_shop_of_two_sites(url: str) -> Database:
    """Voids before and after their targets, settings, odd numbers, people, one event set aside."""
    database = installed(url, sites=(SITE, OTHER))
    for number, site in enumerate((SITE, OTHER)):
        rng = Random(number)
        told = site_events(number, [rng.randrange(1, 2**16) for _ in range(150)])
        rng.shuffle(told)
        tell(database, site, *told, *(event("attempt.finished", f"N{each}", **NAMED) for each in range(3)))
    count_owed(database)
    with database.write() as connection:
        last = (
            select(events.c.site, events.c.position, literal(""), literal(0))
            .order_by(events.c.position.desc())
            .limit(1)
        )
        names = ["site", "position", "reason", "set_aside_us"]
        connection.execute(insert(set_asides).from_select(names, last, include_defaults=False))
    return database


def lines(path: Path) -> list[bytes]:
    return gzip.decompress(path.read_bytes()).splitlines(keepends=True)


def resealed(kept: list[bytes], *, sites: int = 1) -> bytes:
    """Lines with a closing line that fits them."""
    body = b"".join(kept)
    counts = portable.Counts(sites, len(kept) - 1 - sites)
    return body + portable.closing_line(counts, hashlib.sha256(body).hexdigest())


def reports(database: Database, site: str) -> dict[str, Any]:
    with database.write() as connection:
        key, _ = new_key(connection, name="reader", roles=["admin"], sites=[site], now_us=NOW_US)
    client = create_app(database, lambda: None).test_client()
    found = {}
    for name, entry in REPORTS.items():
        query = {"from": "2025-01-01", "to": "2026-12-31"} | ({"by": "thickness,machine"} if entry.by else {})
        answer = client.get(f"/v1/reports/{name}", query_string=query, headers={"Authorization": f"Bearer {key}"})
        assert answer.status_code == 200, answer.text
        found[name] = {part: answer.get_json()[part] for part in ("rows", "totals", "notes")}
    return found


@pytest.fixture
def exported(tmp_path: Path) -> Path:
    """The file of a small ledger: 2,500 events of one site."""
    with closing(installed(address(tmp_path / "first"))) as database:
        for start in range(0, 2_500, 500):
            tell(database, SITE, *(event("attempt.finished", f"A{n}", **NAMED) for n in range(start, start + 500)))
    file = tmp_path / "ledger.ndjson.gz"
    ran(export, address(tmp_path / "first"), file)
    return file


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Database]:
    with closing(installed(address(tmp_path / "empty"))) as database:
        yield database


def stored(database: Database) -> int:
    with database.read() as connection:
        return int(connection.execute(select(func.count()).select_from(events)).scalar_one())


# --- there and back ---------------------------------------------------------------------------------------------


def test_a_ledger_goes_to_postgresql_and_back_to_the_same_file_an_equal_audit_and_the_same_reports(
    tmp_path: Path,
) -> None:
    at_home, back = address(tmp_path / "home"), address(tmp_path / "back")
    first, second, third = (tmp_path / f"{name}.ndjson.gz" for name in ("first", "second", "third"))
    with closing(a_shop_of_two_sites(at_home)) as database, fresh_postgres("portable", with_tables=True) as abroad:
        ran(export, at_home, "--with-secrets", first)
        with closing(installed(abroad)) as grown:
            ran(import_, abroad, first)
            ran(export, abroad, "--with-secrets", second)
            ran(import_, back, second)
            ran(export, back, "--with-secrets", third)
            assert first.read_bytes() == second.read_bytes() == third.read_bytes()
            # What was set aside is tried again where it is imported; at home, too, before they are compared.
            with database.write() as connection:
                ledger.owe_again(connection, SITE)
                ledger.owe_again(connection, OTHER)
            count_owed(database)
            with closing(Database(back)) as returned:
                for site in (SITE, OTHER):
                    states, told = [], []
                    for each in (database, grown, returned):
                        assert audit(each, site).equal
                        with each.read() as connection:
                            states.append(state(connection, site))
                        told.append(reports(each, site))
                    assert states[0] == states[1] == states[2]
                    assert told[0] == told[1] == told[2]
                    assert told[0]["yield"]["rows"]


def test_an_export_is_the_same_whenever_it_is_written(tmp_path: Path) -> None:
    with closing(a_shop_of_two_sites(address(tmp_path))):
        ran(export, address(tmp_path), tmp_path / "one.gz")
        ran(export, address(tmp_path), tmp_path / "two.gz")
    assert (tmp_path / "one.gz").read_bytes() == (tmp_path / "two.gz").read_bytes()


def test_an_import_keeps_receipts_payloads_and_hashes_as_they_were(exported: Path, tmp_path: Path) -> None:
    columns = (events.c.payload, events.c.received_us, events.c.content_hash, events.c.subject, events.c.time_us)
    kept = []
    ran(import_, address(tmp_path / "other"), "--no-count", exported)
    for folder in ("first", "other"):
        with closing(Database(address(tmp_path / folder))) as database, database.read() as connection:
            kept.append(connection.execute(select(*columns).order_by(events.c.position)).all())
    assert kept[0] == kept[1]
    assert len({row.received_us for row in kept[0]}) > 100


def test_one_site_of_two_is_exported_and_imported_alone(tmp_path: Path) -> None:
    with closing(a_shop_of_two_sites(address(tmp_path))):
        ran(export, address(tmp_path), "--site", OTHER, tmp_path / "one.ndjson")
        ran(export, address(tmp_path), tmp_path / "both.ndjson")
    told = [orjson.loads(line) for line in (tmp_path / "one.ndjson").read_bytes().splitlines()]
    assert [each["site"] for each in told if "site" in each] == [OTHER]
    ran(import_, address(tmp_path / "b"), "--site", OTHER, "--no-count", tmp_path / "both.ndjson")
    ran(export, address(tmp_path / "b"), "--site", OTHER, tmp_path / "again.ndjson")
    assert (tmp_path / "again.ndjson").read_bytes() == (tmp_path / "one.ndjson").read_bytes()
    refused = run(import_, address(tmp_path / "b"), "--site", "nowhere", tmp_path / "both.ndjson")
    assert refused.exit_code == 1
    assert "holds no site 'nowhere'; it holds halle-2, main" in refused.output


def test_secrets_for_people_travel_only_when_asked(tmp_path: Path) -> None:
    home, secret, plain = address(tmp_path / "home"), tmp_path / "secret.ndjson", tmp_path / "plain.ndjson"
    said = event("attempt.finished", "A", id="again", **NAMED)
    with closing(installed(home)) as database:
        tell(database, SITE, said)
        ran(export, home, "--with-secrets", secret)
        ran(export, home, plain)
        with database.read() as connection:
            key = people_key(connection, SITE)
    assert key.hex() in secret.read_text()
    assert key.hex() not in plain.read_text()
    assert stat.S_IMODE(os.stat(secret).st_mode) == 0o600
    for file, sent_again in ((secret, "duplicate"), (plain, "conflict")):
        there = address(tmp_path / file.stem)
        ran(import_, there, file)
        with closing(Database(there)) as database:
            assert tell(database, SITE, said) == [sent_again]
            with database.read() as connection:
                assert (people_key(connection, SITE) == key) is (file is secret)


def test_of_which_generation_pseudonyms_are_travels_with_the_secret_and_is_passed_without(tmp_path: Path) -> None:
    home = address(tmp_path / "home")
    with closing(installed(home)) as database:
        assert unlink(database, SITE, actor=COMMAND_LINE, now_us=NOW_US) is None
        tell(database, SITE, event("attempt.finished", "A", **NAMED))
    # With the secret the same pseudonyms go on; without, others that say so, also where events came in before.
    for options, generations in (((), (2, 2)), (("--with-secrets",), (1, 1))):
        there, again = (address(tmp_path / f"{name}{len(options)}") for name in ("there", "again"))
        file, onward = tmp_path / "f.ndjson", tmp_path / "onward.ndjson"
        ran(export, home, *options, file)
        ran(import_, there, file)
        ran(export, there, "--with-secrets", onward)
        ran(import_, again, onward)
        for url, generation in zip((there, again), generations, strict=True):
            with closing(Database(url)) as database, database.read() as connection:
                assert people_secret(connection, SITE).generation == generation


def test_a_site_with_events_of_its_own_keeps_its_secret_and_says_so(tmp_path: Path) -> None:
    home, there = address(tmp_path / "home"), address(tmp_path / "there")
    for url in (home, there):
        with closing(installed(url)) as database:
            tell(database, SITE, event("attempt.finished", "A", **NAMED))
    ran(export, home, "--with-secrets", tmp_path / "f.gz")
    assert "keeps its own secret for people" in ran(import_, there, tmp_path / "f.gz")


# --- the file ---------------------------------------------------------------------------------------------------


def test_a_name_says_whether_the_file_is_compressed_and_an_option_overrides_it(tmp_path: Path) -> None:
    url = address(tmp_path)
    installed(url).close()
    for name, option, packed in (
        ("a.ndjson.gz", (), True),
        ("a.ndjson", (), False),
        ("a", (), True),
        ("b.ndjson", ("--gzip",), True),
        ("b.gz", ("--plain",), False),
    ):
        ran(export, url, *option, tmp_path / name)
        assert (tmp_path / name).read_bytes().startswith(b"\x1f\x8b") is packed
        assert "0 events" in ran(import_, url, tmp_path / name)


def test_an_export_to_standard_output_is_the_file_and_comes_in_by_standard_input(
    exported: Path, tmp_path: Path
) -> None:
    result = run(export, address(tmp_path / "first"), "-")
    assert result.stdout_bytes == exported.read_bytes()
    taken = run(import_, address(tmp_path / "b"), "--no-count", "-", stdin=result.stdout_bytes)
    assert "2,500 events accepted" in taken.output


def test_an_export_that_fails_leaves_the_file_before_and_no_other(
    exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = exported.read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("service.commands.exporting.write", full)
    result = run(export, address(tmp_path / "first"), exported)
    assert result.exit_code == 1
    assert result.output.endswith(f"{exported} cannot be written: No space left on device\n")
    assert exported.read_bytes() == before
    assert not list(tmp_path.glob(".*"))


def test_an_export_replaces_nothing_but_files(tmp_path: Path) -> None:
    installed(address(tmp_path)).close()
    result = run(export, address(tmp_path), "/dev/null")
    assert result.exit_code == 1
    assert "no file that could be replaced" in result.output
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_large_ledger_is_written_and_verified_in_little_memory(tmp_path: Path) -> None:
    with closing(installed(address(tmp_path))) as database:
        note = "n" * 1_900
        for start in range(0, 8_000, 2_000):
            told = (event("machine.serviced", "L1", what="lens", note=note) for _ in range(start, start + 2_000))
            tell(database, SITE, *told)
        file = tmp_path / "large.ndjson"
        tracemalloc.start()
        with file.open("wb") as sink, database.read() as connection:
            write(connection, [SITE], sink.write, release="1", people_keys=False)
        with file.open("rb") as stream:
            assert verify(lines_of(stream))[1] == portable.Counts(1, 8_000)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert file.stat().st_size > 16_000_000
    assert peak < 8_000_000


# --- not whole --------------------------------------------------------------------------------------------------


def flipped(packed: bytes) -> bytes:
    middle = len(packed) // 2
    return packed[:middle] + bytes([packed[middle] ^ 0x10]) + packed[middle + 1 :]


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda kept: gzip.compress(b"".join(kept[:-1])), "cut short"),
        (lambda kept: gzip.compress(b"".join(kept))[:-20], "cut short or damaged"),
        (lambda kept: flipped(gzip.compress(b"".join(kept))), ""),
        (lambda kept: b"".join(kept).replace(b'"good":1', b'"good":2', 1), "checksum"),
        (lambda kept: b"".join([*kept[:1500], *kept[1501:]]), "lines are missing or doubled"),
        (lambda kept: b"".join([*kept, kept[-1]]), "after the closing line"),
        (lambda kept: b"".join([kept[0], *kept[2:]]), "event before any site"),
        (lambda kept: b"".join(kept)[:-40], "no line of an exported ledger"),
        (lambda kept: resealed([*kept[:700], b"{}\n"]), "no line of an exported ledger"),
        (lambda kept: resealed([*kept[:700], kept[700].replace(b'"time":"', b'"time":"x')]), "holds no event"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_whole_is_refused_and_nothing_of_it_is_stored(
    exported: Path, empty: Database, spoil: Any, reason: str
) -> None:
    exported.write_bytes(spoil(lines(exported)))
    result = run(import_, empty.url, exported)
    assert result.exit_code == 1
    assert result.output.startswith(f"Error: {exported}: ")
    assert reason in result.output
    assert stored(empty) == 0


def test_a_file_of_a_newer_release_is_refused_with_what_to_do(exported: Path, empty: Database) -> None:
    kept = lines(exported)
    newer = [kept[0].replace(b'"version":1', b'"version":2'), *kept[1:-1]]
    exported.write_bytes(resealed(newer))
    result = run(import_, empty.url, exported)
    assert "of version 2, written by release 0.1.0; this release reads version 1" in result.output
    unknown = [*kept[:5], kept[5].replace(b"attempt.finished", b"attempt.painted")]
    exported.write_bytes(resealed(unknown))
    result = run(import_, empty.url, exported)
    assert "'cutledger.attempt.painted', which this release does not know" in result.output
    assert stored(empty) == 0


def test_a_site_id_that_no_site_may_have_is_refused(exported: Path, empty: Database) -> None:
    kept = lines(exported)
    exported.write_bytes(resealed([kept[0], kept[1].replace(b'"main"', b'"../etc"'), *kept[2:-1]]))
    result = run(import_, empty.url, exported)
    assert result.exit_code == 1
    assert stored(empty) == 0


def test_a_line_longer_than_any_event_is_refused_unread(tmp_path: Path) -> None:
    file = tmp_path / "long"
    file.write_bytes(portable.header_line("1", people_keys=False) + b"x" * (portable.LONGEST_LINE + 2))
    with file.open("rb") as stream, pytest.raises(FileDamaged, match="line 2 is longer"):
        verify(lines_of(stream))


def test_a_header_of_no_version_is_not_known() -> None:
    with pytest.raises(FileNotKnown):
        verify([b'{"format":"cutledger-ledger"}\n'])


# --- again ------------------------------------------------------------------------------------------------------


def test_an_import_that_was_broken_off_is_made_good_by_another(exported: Path, empty: Database) -> None:
    class PowerCut(Exception):
        pass

    def cut(_: int) -> None:
        raise PowerCut

    kept = lines(exported)
    with pytest.raises(PowerCut):
        take(empty, kept, refused=pytest.fail, progress=cut, now_us=NOW_US)
    assert stored(empty) == 1_000
    assert "1,500 events accepted, 1,000 there before" in ran(import_, empty.url, exported)
    assert stored(empty) == 2_500
    again = exported.with_name("again.gz")
    ran(export, empty.url, again)
    assert again.read_bytes() == exported.read_bytes()


def test_events_that_stand_against_the_ledger_are_refused_and_the_others_taken(
    exported: Path, empty: Database, tmp_path: Path
) -> None:
    told = orjson.loads(lines(exported)[2])["event"]
    tell(empty, SITE, told | {"subject": "another"})
    count(empty)
    result = run(import_, empty.url, exported, "--refused", tmp_path / "refused.csv")
    assert result.exit_code == 1
    assert "2,499 events accepted, 0 there before, 1 refused" in result.output
    assert f"line 3: event {told['id']} of {told['source']}: this source and id already hold" in result.output
    header, refused = (tmp_path / "refused.csv").read_text().splitlines()
    assert header == "refused_line,refused_reason,event"
    assert refused.startswith("3,")
    assert audit(empty, SITE).equal


def test_a_dry_run_of_a_ledger_says_that_it_is_whole_and_writes_nothing(exported: Path, empty: Database) -> None:
    assert "the file is whole: 2,500 events of main" in ran(import_, empty.url, "--dry-run", exported)
    assert stored(empty) == 0


def test_an_import_counts_what_it_brought_unless_told_not_to(exported: Path, empty: Database) -> None:
    assert "2,500 events are owed" in ran(import_, empty.url, "--no-count", exported)
    assert "owed" not in ran(import_, empty.url, exported)
    with empty.read() as connection:
        assert ledger.waiting(connection, SITE) == (0, 0)
        assert connection.execute(select(sites.c.created_us).where(sites.c.site == SITE)).scalar_one() == NOW_US
