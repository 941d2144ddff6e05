"""The ledger: once per (source, id), owed until counted, read in the order of commits."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from contextlib import closing
from itertools import pairwise
from typing import Any

import orjson
import pytest
from sqlalchemy import Connection, update
from sqlalchemy.event import listen, remove

from tests.builders import NOW_US, SITE, count, event, installed, posted
from tests.grown import fresh_postgres
from worker import ledger
from worker.database import Database
from worker.events import ATTEMPT
from worker.installing import add_site
from worker.ledger import CursorUnreadable, Verdict, View
from worker.loop import count_owed
from worker.prepared import run
from worker.tables import set_asides

Event = Mapping[str, Any]


def cut(attempt: str = "A", **data: Any) -> dict[str, Any]:
    envelope = {name: data.pop(name) for name in ("id", "time", "source") if name in data}
    return event("attempt.finished", attempt, **envelope, **({"outcome": "severed"} | data))


def void(target: Event, *, subject: str | None = None, id: str | None = None) -> dict[str, Any]:  # noqa: A002
    said = {"source": target["source"], "id": target["id"], "reason": "a mistake"}
    return event("event.voided", subject or target["subject"], id=id) | {"data": said}


def append(database: Database, *sent: Event, site: str = SITE) -> list[Verdict]:
    with database.write() as connection:
        return ledger.append(connection, site, [posted(each) for each in sent], received_us=NOW_US)


def statuses(database: Database, *sent: Event, site: str = SITE) -> list[str]:
    return [verdict.status for verdict in append(database, *sent, site=site)]


def kept(connection: Connection, site: str = SITE) -> list[tuple[str, str]]:
    items, _, _ = ledger.feed(connection, site)
    return [(told["source"], told["id"]) for told in (orjson.loads(item.payload) for item in items)]


# --- append -----------------------------------------------------------------------------------------------------


def test_append_answers_each_event_in_its_order(database: Database) -> None:
    there, new, other = cut(id="1"), cut("B", id="2"), cut(id="1", good=1)
    (first,) = append(database, there)
    verdicts = append(database, new, there, other, new)
    assert [verdict.status for verdict in verdicts] == ["accepted", "duplicate", "conflict", "duplicate"]
    positions = [verdict.position for verdict in verdicts]
    assert positions[1] == positions[2] == first.position
    assert positions[0] == positions[3] != first.position


def test_append_gives_positions_in_the_order_of_the_batch(database: Database) -> None:
    verdicts = append(database, *(cut(f"A{number}") for number in (3, 1, 2)))
    positions = [verdict.position or 0 for verdict in verdicts]
    assert all(one < other for one, other in pairwise(positions))


def test_append_keeps_the_first_content_within_a_batch_and_across(database: Database) -> None:
    assert statuses(database, cut(id="1", good=1), cut(id="1", scrap=1)) == ["accepted", "conflict"]
    assert statuses(database, cut(id="1", scrap=1), cut(id="1", good=1)) == ["conflict", "duplicate"]
    with database.read() as connection:
        ((item,), _, _) = ledger.feed(connection, SITE)
    assert orjson.loads(item.payload)["data"] == {"outcome": "severed", "good": 1}


def test_append_says_how_to_mend_a_conflict(database: Database) -> None:
    append(database, cut(id="1"))
    (verdict,) = append(database, cut("B", id="1"))
    assert "void that event and send the right one under a new id" in verdict.reason


def test_append_tells_events_apart_by_site_source_and_id_as_they_are(database: Database) -> None:
    with database.write() as connection:
        add_site(connection, "other", now_us=NOW_US)
    sent = [
        cut(id="1", source="/a"),
        cut(id="1", source="/A"),
        cut(id=" 1", source="/a"),
        cut(id="\u00e9"),
        cut(id="e\u0301"),
    ]
    assert statuses(database, *sent) == ["accepted"] * 5
    assert statuses(database, *sent, site="other") == ["accepted"] * 5
    assert statuses(database, *sent) == ["duplicate"] * 5


def test_append_refuses_a_void_of_a_known_void(database: Database) -> None:
    mistaken = cut()
    gone = void(mistaken)
    assert statuses(database, mistaken, gone) == ["accepted", "accepted"]
    (verdict,) = append(database, void(gone))
    assert (verdict.status, verdict.pointer) == ("refused", "/data/id")
    assert verdict.position is None


def test_append_refuses_a_void_that_names_another_subject_than_its_known_target(database: Database) -> None:
    mistaken = cut("A")
    verdicts = append(database, mistaken, void(mistaken, subject="B"))
    assert [verdict.status for verdict in verdicts] == ["accepted", "refused"]
    assert verdicts[1].pointer == "/subject"


def test_append_takes_a_void_whose_target_is_not_known_and_one_of_another_site(database: Database) -> None:
    with database.write() as connection:
        add_site(connection, "other", now_us=NOW_US)
    mistaken = cut("A")
    append(database, mistaken, site="other")
    assert statuses(database, void(mistaken, subject="B")) == ["accepted"]


def test_append_judges_a_repeated_void_as_a_repeat_before_all_else(database: Database) -> None:
    mistaken = cut("A")
    early = void(mistaken, subject="B")
    assert statuses(database, early, mistaken, early) == ["accepted", "accepted", "duplicate"]


def test_append_that_is_not_committed_leaves_nothing(database: Database) -> None:
    class Died(Exception):
        pass

    def die() -> None:
        with database.write() as connection:
            ledger.append(connection, SITE, [posted(cut())], received_us=NOW_US)
            raise Died

    pytest.raises(Died, die)
    with database.read() as connection:
        assert kept(connection) == []


def test_append_of_more_events_than_one_statement_takes(database: Database) -> None:
    sent = [cut(f"A{number}", source=f"/t/{number % 3}") for number in range(2_500)]
    assert set(statuses(database, *sent)) == {"accepted"}
    assert set(statuses(database, *reversed(sent))) == {"duplicate"}


@pytest.mark.parametrize("known", [(0,), (9,), (19,), (0, 19), (3, 9, 12)])
def test_append_tells_what_is_known_among_many_from_what_is_new(database: Database, known: tuple[int, ...]) -> None:
    """Where the first or the last is known, what is known is looked up before; else the database says that some are."""
    sent = [cut(f"A{number}", id=f"{number}") for number in range(20)]
    before = {number: append(database, sent[number])[0].position for number in known}
    verdicts = append(database, *sent)
    assert [verdict.status for verdict in verdicts] == [
        "duplicate" if number in known else "accepted" for number in range(20)
    ]
    assert {number: verdicts[number].position for number in known} == before
    new = [verdict.position or 0 for number, verdict in enumerate(verdicts) if number not in known]
    assert all(one < other for one, other in pairwise(new))
    with database.read() as connection:
        assert sorted(kept(connection)) == sorted((each["source"], each["id"]) for each in sent)
        assert ledger.waiting(connection, SITE) == (20, 0)


def test_append_keeps_when_each_event_was_received_when_it_is_told(database: Database) -> None:
    sent = [posted(cut(f"A{number}")) for number in range(3)]
    with database.write() as connection:
        ledger.append(connection, SITE, [sent[0]], received_us=NOW_US)
        verdicts = ledger.append(connection, SITE, [sent[2], sent[0], sent[1]], received_us=[30, 31, 32])
        items, _, _ = ledger.feed(connection, SITE)
    assert [verdict.status for verdict in verdicts] == ["accepted", "duplicate", "accepted"]
    assert [item.received_us for item in items] == [NOW_US, 30, 32]


def test_append_refuses_receipts_that_are_not_one_for_each_event(database: Database) -> None:
    with database.write() as connection, pytest.raises(ValueError, match="receipts"):
        ledger.append(connection, SITE, [posted(cut()), posted(cut())], received_us=[1])


def test_append_knows_what_is_there_under_many_sources(database: Database) -> None:
    sent = [cut(f"A{number}", id="1", source=f"/t/{number}") for number in range(1_200)]
    assert set(statuses(database, *sent)) == {"accepted"}
    gone = [void(each, id=f"v{number}") for number, each in enumerate(sent[:600])]
    assert set(statuses(database, *gone)) == {"accepted"}
    assert set(statuses(database, *(void(each) for each in gone))) == {"refused"}
    assert set(statuses(database, *sent)) == {"duplicate"}


def test_postgresql_looks_into_the_index_for_each_id_also_without_statistics() -> None:
    with fresh_postgres("plan", with_tables=True) as url, closing(installed(url)) as opened:
        append(opened, *(cut(f"A{number}") for number in range(3_000)))
        with opened.read() as connection:
            given = {"site": SITE, "sources": ["/terminals/bay-1"] * 2, "ids": ["x", "y"]}
            compiled = ledger._HELD_UNDER_KEYS.compile(connection.engine)
            plan = connection.exec_driver_sql(f"EXPLAIN {compiled}", compiled.params | given).scalars().all()
        assert any("uq_events_site_source_id" in line for line in plan), plan
        assert not any("Seq Scan" in line or "Bitmap" in line for line in plan), plan


# --- what is owed -----------------------------------------------------------------------------------------------


def test_an_event_is_owed_from_its_append_until_it_is_counted(database: Database) -> None:
    append(database, cut("A"), cut("B"), cut("C"))
    with database.read() as connection:
        assert (ledger.waiting(connection, SITE), ledger.sites_owed(connection)) == ((3, 0), [SITE])
    assert count(database) == 3
    with database.read() as connection:
        assert (ledger.waiting(connection, SITE), ledger.sites_owed(connection)) == ((0, 0), [])


def test_claim_takes_the_oldest_first_and_each_once(database: Database) -> None:
    positions = [verdict.position for verdict in append(database, *(cut(f"A{number}") for number in range(5)))]
    with database.write() as connection:
        heads = [ledger.Head(position, ATTEMPT, f"A{number}") for number, position in enumerate(positions)]
        assert ledger.claim(connection, SITE, limit=2) == heads[:2]
        assert ledger.claim(connection, SITE, limit=9) == heads[2:]
        assert ledger.claim(connection, SITE, limit=9) == []


def test_a_claim_is_undone_with_its_transaction(database: Database) -> None:
    append(database, cut())

    def claim_and_die() -> None:
        with database.write() as connection:
            ledger.claim(connection, SITE, limit=9)
            raise KeyError

    pytest.raises(KeyError, claim_and_die)
    with database.read() as connection:
        assert ledger.waiting(connection, SITE) == (1, 0)


def test_events_set_aside_neither_wait_nor_are_read(database: Database) -> None:
    append(database, cut("A"), cut("B"))
    with database.write() as connection:
        ledger.set_aside(connection, SITE, reason="it is too odd", now_us=NOW_US)
    assert count(database) == 1
    with database.read() as connection:
        assert ledger.waiting(connection, SITE) == (0, 1)
        assert ledger.sites_owed(connection) == []
        assert View(connection, SITE).of_subjects(ATTEMPT, ["A"]) == {"A": []}


def test_events_set_aside_are_owed_again_in_their_order(database: Database) -> None:
    append(database, *(cut(name) for name in "ABCDE"))
    with database.write() as connection:
        for _ in "AB":
            ledger.set_aside(connection, SITE, reason="it is too odd", now_us=NOW_US)
        assert [head.subject for head in ledger.claim(connection, SITE, limit=2)] == ["C", "D"]
        assert (ledger.waiting(connection, SITE), ledger.owe_again(connection, SITE)) == ((1, 2), 2)
        assert (ledger.waiting(connection, SITE), ledger.owe_again(connection, SITE)) == ((3, 0), 0)
        assert [head.subject for head in ledger.owed(connection, SITE, limit=9)] == ["A", "B", "E"]
        assert View(connection, SITE).of_subjects(ATTEMPT, ["A", "C"])["A"] == []
        assert [head.subject for head in ledger.claim(connection, SITE, limit=1)] == ["A"]
        # The next one in vain once more.
        assert ledger.set_aside(connection, SITE, reason="B is too odd still", now_us=NOW_US) is not None
        assert (ledger.waiting(connection, SITE), ledger.sites_owed(connection)) == ((1, 1), [SITE])
        assert [head.subject for head in ledger.claim(connection, SITE, limit=9)] == ["E"]
        found = View(connection, SITE).of_subjects(ATTEMPT, list("ABCDE"))
        assert {name: len(told) for name, told in found.items()} == {"A": 1, "B": 0, "C": 1, "D": 1, "E": 1}
        assert ledger.waiting_at_each(connection) == {SITE: (0, 1)}
        assert ledger.sites_owed(connection) == []


def test_what_is_owed_again_while_a_claim_is_made_waits_for_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    found = ledger.owed
    with fresh_postgres("ledger", with_tables=True) as url, closing(installed(url)) as database:
        append(database, *(cut(name) for name in "ABC"))
        with database.write() as connection:
            for _ in "AB":
                ledger.set_aside(connection, SITE, reason="it is too odd", now_us=NOW_US)
            first = ledger.owed(connection, SITE, limit=1)[0].position - 2
            of_first = set_asides.c.position == first
            connection.execute(update(set_asides).where(of_first).values(is_owed=1))

        def beside(*args: Any, **options: Any) -> list[ledger.Head]:
            heads = found(*args, **options)
            with database.write() as other:
                assert ledger.owe_again(other, SITE) == 1
            return heads

        with database.write() as connection, monkeypatch.context() as patched:
            patched.setattr(ledger, "owed", beside)
            assert [head.subject for head in ledger.claim(connection, SITE, limit=9)] == ["A", "C"]
        with database.read() as connection:
            assert [head.subject for head in ledger.owed(connection, SITE, limit=9)] == ["B"]


def test_an_event_that_was_the_last_is_owed_again_before_what_came_after_it(database: Database) -> None:
    append(database, cut("A"))
    with database.write() as connection:
        assert ledger.set_aside(connection, SITE, reason="it is too odd", now_us=NOW_US) is not None
        assert ledger.set_aside(connection, SITE, reason="there is none", now_us=NOW_US) is None
    append(database, cut("B"))
    with database.write() as connection:
        assert ledger.owe_again(connection, SITE) == 1
        assert [head.subject for head in ledger.claim(connection, SITE, limit=1)] == ["A"]
        assert ledger.waiting(connection, SITE) == (1, 0)
        assert [head.subject for head in ledger.claim(connection, SITE, limit=1)] == ["B"]
        assert ledger.claim(connection, SITE, limit=1) == []


# --- what a fold may read ---------------------------------------------------------------------------------------


def test_a_view_reads_counted_events_that_are_not_voided(database: Database) -> None:
    mistaken, right = cut("A", id="1"), cut("A", id="2")
    append(database, mistaken, right, void(mistaken, id="3"))
    count(database)
    append(database, cut("A", id="4"))
    with database.read() as connection:
        found = View(connection, SITE).of_subjects(ATTEMPT, ["A", "B"])
    assert {subject: [each.id for each in these] for subject, these in found.items()} == {"A": ["2"], "B": []}


def test_a_view_up_to_a_position_knows_nothing_later(database: Database) -> None:
    mistaken = cut("A", id="1")
    first, last = append(database, mistaken, void(mistaken, id="2"))
    count(database)
    with database.read() as connection:
        for upto, ids in ((first.position, ["1"]), (last.position, [])):
            found = View(connection, SITE, upto=upto).of_subjects(ATTEMPT, ["A"])
            assert [each.id for each in found["A"]] == ids


def test_a_void_is_not_heard_before_it_is_counted(database: Database) -> None:
    mistaken = cut("A", id="1")
    append(database, mistaken)
    count(database)
    append(database, void(mistaken))
    with database.read() as connection:
        assert [each.id for each in View(connection, SITE).of_subjects(ATTEMPT, ["A"])["A"]] == ["1"]


def test_numbers_are_read_by_value(database: Database) -> None:
    append(database, cut("A", good=4.0, recipe={"power_w": 1.5e4, "focus_mm": -2.5}))
    count(database)
    with database.read() as connection:
        (read,) = View(connection, SITE).of_subjects(ATTEMPT, ["A"])["A"]
    assert read.data["good"] == 4
    assert isinstance(read.data["good"], int)
    assert read.data["recipe"] == {"power_w": 15_000, "focus_mm": -2.5}


# --- the feed and the history -----------------------------------------------------------------------------------


def test_the_feed_goes_on_where_its_cursor_stopped(database: Database) -> None:
    append(database, *(cut(f"A{number}", id=f"{number}") for number in range(5)))
    seen: list[str] = []
    cursor: str | None = None
    more = True
    with database.read() as connection:
        while more:
            items, cursor, more = ledger.feed(connection, SITE, after=cursor, limit=2)
            seen += [orjson.loads(item.payload)["id"] for item in items]
    assert seen == ["0", "1", "2", "3", "4"]
    with database.read() as connection:
        assert ledger.feed(connection, SITE, after=cursor) == ([], cursor, False)
    append(database, cut(id="5"))
    with database.read() as connection:
        items, _, _ = ledger.feed(connection, SITE, after=cursor)
    assert [orjson.loads(item.payload)["id"] for item in items] == ["5"]


def test_the_feed_begins_at_the_start_and_holds_what_is_not_counted_yet(database: Database) -> None:
    append(database, cut(id="1"))
    count(database)
    append(database, cut(id="2"))
    with database.read() as connection:
        assert [id_ for _, id_ in kept(connection)] == ["1", "2"]


def test_the_feed_filters_by_types_and_subjects(database: Database) -> None:
    mistaken = cut("A", id="1")
    append(database, mistaken, cut("B", id="2"), event("attempt.started", "B", id="3"), void(mistaken, id="4"))
    finished, voided = "cutledger.attempt.finished", "cutledger.event.voided"
    with database.read() as connection:
        for asked, ids in (
            ({"types": [finished]}, "12"),
            ({"types": [finished, voided]}, "124"),
            ({"subjects": ["B"]}, "23"),
            ({"types": [finished], "subjects": ["B"]}, "2"),
            ({"subjects": ["nobody"]}, ""),
        ):
            items, _, _ = ledger.feed(connection, SITE, **asked)  # type: ignore[arg-type]
            assert "".join(orjson.loads(item.payload)["id"] for item in items) == ids, asked


@pytest.mark.parametrize(
    "cursor",
    ["", "7", "f1:7", "ZjE6NDE3x", "ZjE6NDE3=", "ZjE6MDc", "ZjI6Nw", "ZjE6LTc", "ZjE6", "é", "A" * 1024,
     base64.urlsafe_b64encode("f1:\u0663".encode()).decode().rstrip("=")],
)  # fmt: skip
def test_a_cursor_that_the_ledger_did_not_give_is_refused(database: Database, cursor: str) -> None:
    with database.read() as connection, pytest.raises(CursorUnreadable):
        ledger.feed(connection, SITE, after=cursor)


def test_the_history_of_a_subject_is_in_fold_order_with_its_voids(database: Database) -> None:
    early, late = cut("A", id="2", time="2026-03-04T09:00:00Z"), cut("A", id="1", time="2026-03-04T11:00:00Z")
    gone = void(early, id="3")
    append(database, late, early, gone, cut("B", id="4"), event("plate.closed", "A", id="5", reason="used"))
    with database.read() as connection:
        found = ledger.history(connection, SITE, ATTEMPT, "A")
    assert [(orjson.loads(item.payload)["id"], voided) for item, voided in found] == [
        ("2", True), ("3", False), ("1", False),
    ]  # fmt: skip


def test_what_is_owed_is_found_without_reading_what_is_counted(database: Database) -> None:
    """The statements that every report and every count asks, by the plan that the database makes of them."""
    append(database, *(cut(f"A{number}") for number in range(300)))
    with database.write() as connection:
        add_site(connection, "other", now_us=NOW_US)
    # More, lest to read those of all sites costs no more than to read those of one.
    append(database, *(cut(f"A{number}") for number in range(2_000)), site="other")
    count_owed(database)
    append(database, cut("B"))
    asked: list[tuple[str, Any]] = []

    def note(_conn: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if statement.startswith("SELECT"):
            asked.append((statement, parameters))

    with database.write() as connection:
        if not database.is_sqlite:
            connection.exec_driver_sql("ANALYZE events")
            # With values not known at planning, as from a statement's sixth execution on.
            connection.exec_driver_sql("SET LOCAL plan_cache_mode = force_generic_plan")
        listen(connection, "before_cursor_execute", note)
        assert ledger.waiting(connection, SITE) == (1, 0)
        assert ledger.sites_owed(connection) == [SITE]
        assert ledger.claim(connection, SITE, limit=10)
        remove(connection, "before_cursor_execute", note)
        for statement, parameters in asked:
            explain = "EXPLAIN QUERY PLAN " if database.is_sqlite else "EXPLAIN "
            numbered = not database.is_sqlite and "$1" in statement
            ask = run if numbered else Connection.exec_driver_sql
            plan = "\n".join(str(row) for row in ask(connection, explain + statement, parameters))
            if "events" in statement:
                # From the last counted position on.
                assert "ix_events_site_position" in plan, plan
                assert re.search(r"position\W* ?>", plan), plan
