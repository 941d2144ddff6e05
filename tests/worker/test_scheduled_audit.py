"""Audits by schedule: when one is due, who runs it, what it leaves as a finding, and the embedded thread."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import update

from tests import builders
from tests.builders import NOW_US, SITE
from worker import audits
from worker.auditing import AUDIT_HOURS, Auditor, audit_hours
from worker.audits import AuditRunning, audit_when_due, begin
from worker.database import Database
from worker.findings import findings
from worker.installing import add_site
from worker.noticing.finding import Finding
from worker.reports.reading import open_site
from worker.settings import SettingWrong
from worker.tables import LIVE, sites

HOUR_US = 3_600_000_000
CUT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}


def audited(database: Database, *, hours_later: float, every_hours: float = 24) -> list[str]:
    found = audit_when_due(database, now_us=NOW_US + int(hours_later * HOUR_US), every_hours=every_hours)
    return [one.site for one in found]


def audit_findings(database: Database) -> list[Finding]:
    with database.read() as connection:
        found, _ = findings(open_site(connection, SITE), now_us=NOW_US, kind="audit")
    return [one.finding for one in found]


def spoil(database: Database) -> None:
    with database.write() as connection:
        connection.execute(update(LIVE.tallies).values(good=LIVE.tallies.c.good + 1))


def told_one(database: Database) -> None:
    builders.told(database, builders.event("attempt.finished", "a", **CUT))


@pytest.mark.parametrize(("hours_later", "due"), [(17, False), (18.1, True), (24, True)])
def test_a_quiet_site_is_audited_once_three_quarters_of_the_interval_have_passed(
    database: Database, hours_later: float, due: bool
) -> None:
    told_one(database)
    assert audited(database, hours_later=hours_later) == ([SITE] if due else [])


def test_a_site_that_still_counts_is_audited_at_the_end_of_the_interval_only(database: Database) -> None:
    builders.append(database, [builders.event("attempt.finished", "a", **CUT)])
    assert audited(database, hours_later=23) == []
    assert audited(database, hours_later=24) == [SITE]


def test_a_site_that_hears_of_things_is_not_quiet(database: Database) -> None:
    told_one(database)
    with database.write() as connection:
        connection.execute(update(sites).values(created_us=NOW_US - 20 * HOUR_US))
    assert audited(database, hours_later=0.1) == []
    assert audited(database, hours_later=0.2) == [SITE]


def test_zero_hours_are_never(database: Database) -> None:
    assert audited(database, hours_later=9_000, every_hours=0) == []


def test_an_audit_on_record_puts_the_next_one_off_by_the_interval(database: Database) -> None:
    assert audited(database, hours_later=24) == [SITE]
    assert audited(database, hours_later=24 + 17) == []
    assert audited(database, hours_later=24 + 19) == [SITE]


def test_each_site_is_audited_by_its_own_clock(database: Database) -> None:
    with database.write() as connection:
        add_site(connection, "north", now_us=NOW_US + 20 * HOUR_US)
    assert audited(database, hours_later=24) == [SITE]
    assert audited(database, hours_later=39) == ["north"]


def test_an_unequal_audit_opens_a_finding_and_an_equal_one_closes_it(database: Database) -> None:
    told_one(database)
    assert audit_findings(database) == []
    spoil(database)
    assert audited(database, hours_later=24) == [SITE]
    (found,) = audit_findings(database)
    assert (found.code, found.subject_kind, found.subject) == ("audit_not_equal", "site", SITE)
    assert "1 events" in found.detail
    assert "tallies" in found.detail
    assert found.figures["differences"] == [{"table": "tallies", "only_stored": 1, "only_recounted": 1}]
    with database.write() as connection:
        begin(connection, SITE, now_us=NOW_US + 25 * HOUR_US)
        audits.give_up(connection, now_us=NOW_US + 25 * HOUR_US)
    assert audit_findings(database) == [found], "an audit that told nothing closes nothing"
    with database.write() as connection:
        connection.execute(update(LIVE.tallies).values(good=LIVE.tallies.c.good - 1))
    assert audited(database, hours_later=48) == [SITE]
    assert audit_findings(database) == []


def test_an_audit_that_runs_elsewhere_is_left_alone(database: Database) -> None:
    with database.write() as connection:
        begin(connection, SITE, now_us=NOW_US + 24 * HOUR_US)
    assert audited(database, hours_later=24.5) == []


def test_one_that_a_crash_left_is_begun_again_after_an_hour(database: Database) -> None:
    with database.write() as connection:
        begin(connection, SITE, now_us=NOW_US + 24 * HOUR_US)
    assert audited(database, hours_later=25.1) == [SITE]


def test_an_audit_that_fails_is_closed_and_the_other_sites_are_audited(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    with database.write() as connection:
        add_site(connection, "north", now_us=NOW_US)
    real = audits.audit

    def failing(over: Database, site: str, progress: object = None) -> object:
        if site == SITE:
            raise ArithmeticError("no such sum")
        return real(over, site)

    monkeypatch.setattr(audits, "audit", failing)
    assert audited(database, hours_later=24) == ["north"]
    with database.read() as connection:
        last = audits.last(connection, SITE)
    assert last is not None
    assert (last["running"], last["last"]["equal"]) == (False, None)
    assert audited(database, hours_later=24.5) == []
    monkeypatch.undo()
    assert audited(database, hours_later=25.1) == [SITE]


def test_of_many_that_come_at_once_one_runs_the_audit(database: Database) -> None:
    told_one(database)
    barrier = threading.Barrier(6)
    ran: list[str] = []

    def come() -> None:
        barrier.wait()
        ran.extend(audited(database, hours_later=24))

    threads = [threading.Thread(target=come) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert ran == [SITE]


def test_two_that_begin_an_audit_at_once_are_told_apart(database: Database) -> None:
    barrier = threading.Barrier(5)
    said: list[object] = []

    def come() -> None:
        barrier.wait()
        try:
            with database.write() as connection:
                said.append(begin(connection, SITE, now_us=NOW_US))
        except AuditRunning as error:
            said.append(type(error))

    threads = [threading.Thread(target=come) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(map(str, said)) == ["1", *[str(AuditRunning)] * 4]


# --- the embedded thread ------------------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path) -> Database:
    return builders.embedded(tmp_path)


def ended(database: Database) -> bool:
    with database.read() as connection:
        last = audits.last(connection, SITE)
    return last is not None and not last["running"]


def wait_until_ended(database: Database) -> None:
    deadline = time.monotonic() + 30
    while not ended(database):
        assert time.monotonic() < deadline, "no audit ended in time"
        time.sleep(0.01)


def an_audit_is_due(database: Database) -> None:
    with database.write() as connection:
        connection.execute(update(sites).values(created_us=0))


def test_the_auditor_audits_what_is_due(file: Database) -> None:
    an_audit_is_due(file)
    auditor = Auditor(file, every_hours=24, check_seconds=0.01)
    auditor.start()
    wait_until_ended(file)
    auditor.stop()
    with file.read() as connection:
        last = audits.last(connection, SITE)
    assert last is not None
    assert last["last"]["equal"] is True
    file.close()


def test_the_auditor_goes_on_after_a_fault(
    file: Database, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    an_audit_is_due(file)
    failed = threading.Event()
    real = audit_when_due

    def failing_once(*given: object, **named: object) -> object:
        if failed.is_set():
            return real(*given, **named)  # type: ignore[arg-type]
        failed.set()
        raise ArithmeticError("no such sum")

    monkeypatch.setattr("worker.auditing.audit_when_due", failing_once)
    auditor = Auditor(file, every_hours=24, check_seconds=0.01)
    auditor.start()
    wait_until_ended(file)
    auditor.stop()
    assert "no such sum" in caplog.text
    file.close()


def test_an_auditor_that_is_stopped_gives_its_audit_up(file: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    builders.told(file, *(builders.event("attempt.finished", f"a{n}", **CUT) for n in range(20)))
    monkeypatch.setattr("worker.recount.CHUNK_ATTEMPTS", 1)
    an_audit_is_due(file)
    auditor = Auditor(file, every_hours=24, check_seconds=0.01)
    began, go_on = threading.Event(), threading.Event()
    real = auditor._step

    def waiting(count: int) -> None:
        began.set()
        go_on.wait(30)
        real(count)

    monkeypatch.setattr(auditor, "_step", waiting)
    auditor.start()
    assert began.wait(30)
    threading.Timer(0.1, go_on.set).start()
    auditor.stop()
    assert not auditor._thread.is_alive()
    with file.read() as connection:
        last = audits.last(connection, SITE)
    assert last is not None
    assert (last["running"], last["last"]["equal"]) == (False, None)
    file.close()


def test_an_auditor_of_zero_hours_starts_nothing(file: Database) -> None:
    auditor = Auditor(file, every_hours=0, check_seconds=0.01)
    auditor.start()
    auditor.stop()
    assert not auditor._thread.is_alive()
    file.close()


@pytest.mark.parametrize(("given", "hours"), [({}, AUDIT_HOURS), ({"CUTLEDGER_AUDIT_HOURS": "0"}, 0.0),
                                              ({"CUTLEDGER_AUDIT_HOURS": " 6.5 "}, 6.5)])  # fmt: skip
def test_the_interval_is_read_from_the_environment(given: dict[str, str], hours: float) -> None:
    assert audit_hours(given) == hours


@pytest.mark.parametrize("given", ["daily", "-1", "nan", "1e9"])
def test_an_interval_that_is_none_is_refused_with_what_would_do(given: str) -> None:
    with pytest.raises(SettingWrong, match="hours from 0"):
        audit_hours({"CUTLEDGER_AUDIT_HOURS": given})
