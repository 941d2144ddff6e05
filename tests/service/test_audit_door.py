"""The audit over HTTP: started by who administers, one a site at a time, its result kept."""

from __future__ import annotations

import time
from typing import Any

from sqlalchemy import update

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void
from worker import audits
from worker.tables import LIVE

PATH = "/v1/audit"


def ended(door: Door) -> dict[str, Any]:
    """The last audit, once none runs."""
    for _ in range(1_000):
        found: dict[str, Any] = door.read(PATH)
        if not found["running"]:
            return found
        time.sleep(0.005)
    raise AssertionError("the audit did not end")


def audited(door: Door) -> dict[str, Any]:
    answer = door.ask("POST", PATH)
    assert answer.status_code == 202, answer.text
    found: dict[str, Any] = ended(door)["last"]
    return found


def a_shop(door: Door) -> None:
    mistaken = cut("C", good=1)
    door.told(
        opened(),
        received(rust_grade="B"),
        cut("A", job="J", plate="P", machine="L1", quantity=4),
        cut("B", job="J", plate="P", good=1, retry_of="A", time="2026-03-04T11:00:00Z"),
        event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=3, rework=1),
        event("attempt.reworked", "A", time="2026-03-04T13:00:00Z", operation="grinding", minutes=5, parts=1),
        mistaken,
        void(mistaken),
    )


def test_a_site_that_was_never_audited_has_no_audit(door: Door) -> None:
    answer = door.get(PATH)
    assert (answer.status_code, answer.content_type) == (404, "application/problem+json")
    assert "POST" in answer.get_json()["detail"]


def test_an_audit_is_started_and_its_result_read(door: Door) -> None:
    a_shop(door)
    answer = door.ask("POST", PATH)
    assert (answer.status_code, answer.headers["Location"]) == (202, PATH)
    assert answer.get_json() == {"site": door.site, "number": 1, "running": True}
    found = ended(door)
    assert found["site"] == door.site
    last = found["last"]
    assert (last["number"], last["equal"], last["differences"], last["events"]) == (1, True, [], 8)
    assert last["position"] == door.read("/v1/events", limit=1000)["items"][-1]["position"]
    assert last["started_at"] == last["ended_at"] == "2027-01-15T08:00:00Z"
    assert audited(door)["number"] == 2


def test_an_audit_counts_counted_events_only(door: Door) -> None:
    a_shop(door)
    door.post(cut("later"))
    last = audited(door)
    assert (last["equal"], last["events"]) == (True, 8)


def test_an_audit_of_an_empty_site_is_equal(door: Door) -> None:
    last = audited(door)
    assert (last["equal"], last["events"], last["position"]) == (True, 0, 0)


def test_an_audit_names_the_tables_that_the_ledger_does_not_bear_out(door: Door) -> None:
    a_shop(door)
    with door.database.write() as connection:
        t = LIVE.tallies
        connection.execute(update(t).where(t.c.site == door.site, t.c.good == 3).values(good=t.c.good + 1))
    last = audited(door)
    assert last["equal"] is False
    assert last["differences"] == [{"table": "tallies", "only_stored": 1, "only_recounted": 1}]


def test_one_audit_of_a_site_runs_at_a_time(door: Door, service: Any) -> None:
    a_shop(door)
    with door.database.write() as connection:
        number = audits.begin(connection, door.site, now_us=door.clock.now_us)
    answer = door.ask("POST", PATH)
    assert (answer.status_code, answer.content_type) == (409, "application/problem+json")
    found = door.read(PATH)
    assert (found["running"], found["last"]) == (True, None)
    assert audited(service.door(door.clock))["equal"] is True  # another site's may
    audits.run(door.database, door.site, number, clock=lambda: door.clock.now_us)
    assert ended(door)["last"]["number"] == number
    assert audited(door)["number"] == number + 1


def test_an_audit_that_a_crash_left_behind_bars_no_other_for_longer_than_an_hour(door: Door) -> None:
    with door.database.write() as connection:
        audits.begin(connection, door.site, now_us=door.clock.now_us)
    door.clock.now_us += 3_600_000_000
    assert door.ask("POST", PATH).status_code == 202
    assert ended(door)["last"]["equal"] is True


def test_audits_belong_to_their_site(door: Door, service: Any) -> None:
    audited(door)
    assert service.door(door.clock).get(PATH).status_code == 404


def test_an_audit_takes_no_unknown_parameter(door: Door) -> None:
    for method in ("GET", "POST"):
        answer = door.ask(method, PATH, query_string={"sites": door.site})
        assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, "sites")
