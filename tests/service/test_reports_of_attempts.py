"""Reports that must read attempts: they read those that are asked for, sum what they show, and have so many rows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from sqlalchemy import event, text

from tests.service.conftest import Door, alone, cut, opened, received
from tests.service.test_kept_answers import READY
from tests.worker.test_measures import NOTHING, SUMS
from worker.answers import make_answers
from worker.measures import MEASURES
from worker.reports import reading
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import attempt_groups, attempt_totals, open_site, summed_for
from worker.tables import TALLY_SUMS

WINDOW = {"from": "2026-03-01", "to": "2026-03-31"}
#: Dimensions that only attempts carry and that one attempt in many has a value of.
FEW: tuple[str, ...] = ("job", "run", "plate", "part_number", "heat_number", "supplier")
QUESTION = Question(date(2026, 3, 1), date(2026, 3, 31), (), {}, {}, 0.95)


def some_attempts() -> list[Any]:
    """Three plates of two heats, two attempts on each; one plate is bevelled, one attempt pends."""
    told: list[Any] = [opened("J-1", part_number="BR-1"), opened("J-2", part_number="BR-2")]
    for number, heat in enumerate(("H1", "H1", "H2")):
        plate = f"P-{number}"
        told.append(received(plate, mill="Nordhelm", heat_number=heat, supplier="Stockist"))
        for turn in range(2):
            became = {"quantity": 10, "good": 6 + turn, "scrap": number, "pierces": 20, "failed_pierces": number}
            of = {"plate": plate, "job": f"J-{turn + 1}", "run": f"R-{number}"}
            told.append(cut(f"A-{number}-{turn}", **of, **became, time=f"2026-03-0{4 + number}T1{turn}:00:00Z"))
    return told


@pytest.mark.parametrize("names", [("attempts",), ("cluster_n2", "attempts"), ("good", "pierce_n2")])
@pytest.mark.parametrize("by", [(), ("thickness",), ("day", "machine"), ("plate",), ("heat_number", "job")])
def test_the_sums_that_are_asked_for_are_those_among_all(
    door: Door, by: tuple[str, ...], names: tuple[str, ...]
) -> None:
    door.told(*some_attempts())
    question = replace(QUESTION, by=tuple(DIMENSIONS[name] for name in by))
    with door.database.read() as connection:
        reader = open_site(connection, door.site)
        whole = attempt_groups(reader, question)
        some = attempt_groups(reader, question, names)
        totals = attempt_totals(reader, question, some, names)
        assert totals == {name: attempt_totals(reader, question, whole)[name] for name in names}
    assert sum(sums["attempts"] for sums in whole.values()) == 6
    assert some == {group: {name: sums[name] for name in names} for group, sums in whole.items()}


@pytest.mark.parametrize("name", list(MEASURES))
def test_a_measure_needs_no_sum_beside_those_that_are_summed_for_it(name: str) -> None:
    measure = MEASURES[name]
    some = summed_for([measure])
    for sums in (SUMS, NOTHING):
        # Sums of rework are no matter of attempts.
        known = {key: value for key, value in sums.items() if key in some or key not in TALLY_SUMS}
        assert measure.values(known, confidence=0.95) == measure.values(sums, confidence=0.95)


#: By supplier there are tallies, and no few attempts; what reads attempts all the same has its index.
ASKED = [
    (name, report)
    for name in FEW
    for report in ("yield", "pierces", "lots", "retries", "limit", "standing", "recipes", "coverage", "times")
    if name != "supplier" or report not in ("yield", "pierces", "lots")
]


@pytest.mark.parametrize(("name", "report"), ASKED)
def test_a_filter_reads_the_attempts_of_its_value_and_not_those_of_all_days(door: Door, name: str, report: str) -> None:
    if not door.database.is_sqlite:
        pytest.skip("PostgreSQL decides by what the tables hold")
    door.told(*some_attempts())
    stated: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        stated.append((statement, parameters))

    with door.database.read() as connection:
        engine = connection.engine
    event.listen(engine, "before_cursor_execute", note)
    try:
        door.report(report, **WINDOW, **{name: "P-1"})
    finally:
        event.remove(engine, "before_cursor_execute", note)
    with door.database.read() as connection:
        plans = [
            row[3]
            for statement, parameters in stated
            if "FROM attempts" in statement and f"attempts.{name} IN" in statement
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
        ]
    reads = [plan for plan in plans if " attempts " in plan]
    assert reads
    assert all(f"(site=? AND {name}=? AND day>? AND day<?)" in plan for plan in reads)


def test_an_answer_has_so_many_rows_and_no_more(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    door.told(*some_attempts())
    monkeypatch.setattr(reading, "MOST_ROWS", 3)
    assert len(door.report("yield", by="plate", **WINDOW)["rows"]) == 3
    monkeypatch.setattr(reading, "MOST_ROWS", 2)
    refused = door.get("/v1/reports/yield", by="plate", **WINDOW)
    assert refused.status_code == 422
    [wrong] = refused.get_json()["errors"]
    assert wrong["parameter"] == "by"
    assert wrong["detail"].startswith("gives 3 rows; ask for at most 2")
    assert "heat_number" in wrong["detail"]
    assert len(door.report("yield", by="plate", heat_number="H1", **WINDOW)["rows"]) == 2


def test_more_groups_than_could_be_rows_are_not_added_up(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    door.told(*some_attempts())
    monkeypatch.setattr("worker.reports.first_pass_yield.MOST_GROUPS", 2)
    refused = door.get("/v1/reports/yield", by="plate", **WINDOW)
    assert refused.status_code == 422
    [wrong] = refused.get_json()["errors"]
    assert wrong["detail"].startswith("gives more than 2 rows; ask for at most")
    monkeypatch.setattr("worker.reports.first_pass_yield.MOST_GROUPS", 3)
    assert len(door.report("yield", by="plate", **WINDOW)["rows"]) == 3


def test_a_kept_answer_that_would_have_too_many_rows_by_now_is_passed_over(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    door.told(*some_attempts())
    monkeypatch.setattr("worker.answers.KEPT_FROM_US", 0)
    door.report("yield", by="plate", **WINDOW)
    monkeypatch.setattr(reading, "MOST_ROWS", 2)
    door.told(received("P-9"), cut("A-9", plate="P-9"))
    with alone(door, "worker.answers"):
        make_answers(door.database, now_us=door.clock.now_us + 3_600_000_000, seconds=1e9)
    with door.database.read() as connection:
        query = text("SELECT report, revision FROM kept_answers WHERE site = :site ORDER BY report")
        kept = dict(connection.execute(query, {"site": door.site}).all())
    assert set(kept) == {*READY, "yield"}
    assert kept["yield"] < kept["lots"]
