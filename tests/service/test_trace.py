"""Traces through the door: exactly one start, both ways, as JSON and as rows, by indexes, of one's own site alone."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, Service, cut, opened, received, statements, void
from worker.events import CHECKS

WRONG_INSTANTS = ("noon", "2026-03-05", "1999-12-31T00:00:00Z", "9999-12-31T23:59:59-01:00", "2026-03-05T00:00:00")
ALL_RIGHT = [{"what": what, "found": "in_order"} for what in CHECKS]


@pytest.fixture
def shop(door: Door) -> Door:
    """Two plates of one heat, a remnant of the first, two jobs of one order, a run of two attempts."""
    door.told(
        opened("J-1", order="4711", part_number="BR-1"),
        opened("J-2", order="4711", part_number="BR-2"),
        opened("J-3", order="4712"),
        received("P-1", heat_number="H1", mill="Nordhelm", supplier="Stockist", certificate="EN 10204 3.1"),
        received("P-1-a", parent="P-1"),
        received("P-2", heat_number="H1", mill="Nordhelm"),
        cut("A-1", job="J-1", plate="P-1", run="R-1", quantity=4, good=3, scrap=1, machine="Laser 1", seconds=60),
        cut("A-2", job="J-2", plate="P-1", run="R-1", quantity=2, good=2, machine="Laser 1", seconds=60),
        cut("A-3", job="J-2", plate="P-1-a", quantity=2, machine="Laser 1", time="2026-03-05T10:00:00Z", seconds=60),
        cut("A-4", job="J-3", plate="P-2", quantity=1, good=1, machine="Laser 2", time="2026-03-06T10:00:00Z"),
    )
    return door


def ids(told: Any) -> dict[str, list[str]]:
    names = {"heats": "heat_number"} | {f"{kind}s": kind for kind in ("plate", "run", "attempt", "job", "order")}
    return {kind: [one[name] for one in told[kind]] for kind, name in names.items()}


# --- both ways --------------------------------------------------------------------------------------------------


def test_a_part_is_traced_back_to_its_mill_and_certificate(shop: Door) -> None:
    told = shop.read("/v1/trace", job="J-2", direction="back", key="reader")
    assert ids(told) == {
        "heats": ["H1"], "plates": ["P-1", "P-1-a"], "runs": ["R-1"], "attempts": ["A-2", "A-3"], "jobs": ["J-2"],
        "orders": [],
    }  # fmt: skip
    (heat,) = told["heats"]
    assert (heat["mill"], heat["suppliers"], heat["certificates"]) == ("Nordhelm", ["Stockist"], ["EN 10204 3.1"])
    assert {(link["kind"], link["parent"], link["child"]) for link in told["links"]} == {
        ("heat_plate", "H1", "P-1"), ("heat_plate", "H1", "P-1-a"), ("plate_plate", "P-1", "P-1-a"),
        ("plate_attempt", "P-1", "A-2"), ("plate_attempt", "P-1-a", "A-3"), ("run_attempt", "R-1", "A-2"),
        ("attempt_job", "A-2", "J-2"), ("attempt_job", "A-3", "J-2"),
    }  # fmt: skip


def test_steel_is_traced_forward_to_orders_with_what_became_of_the_parts(shop: Door) -> None:
    told = shop.read("/v1/trace", heat_number="H1", direction="forward")
    assert ids(told) == {
        "heats": ["H1"], "plates": ["P-1", "P-1-a", "P-2"], "runs": ["R-1"],
        "attempts": ["A-1", "A-2", "A-3", "A-4"], "jobs": ["J-1", "J-2", "J-3"], "orders": ["4711", "4712"],
    }  # fmt: skip
    counts = {name: told["counts"][name] for name in ("attempts", "tried", "good", "rework", "scrap", "pending")}
    assert counts == {"attempts": 4, "tried": 9, "good": 6, "rework": 0, "scrap": 1, "pending": 2}
    by_order = {one["order"]: (one["made"]["good"], one["made"]["pending"]) for one in told["orders"]}
    assert by_order == {"4711": (5, 2), "4712": (1, 0)}


def test_each_start_finds_what_hangs_on_it(shop: Door) -> None:
    def attempts(**start: Any) -> list[str]:
        return ids(shop.read("/v1/trace", **start))["attempts"]

    assert attempts(order="4711") == ["A-1", "A-2", "A-3"]
    assert attempts(run="R-1") == ["A-1", "A-2"]
    assert attempts(attempt="A-1") == ["A-1"]
    assert attempts(plate="P-1") == ["A-1", "A-2", "A-3"]
    assert attempts(plate="P-1", direction="back") == []
    assert attempts(machine="LASER 1") == ["A-1", "A-2", "A-3"]
    assert attempts(machine="Laser 1", to="2026-03-04") == ["A-1", "A-2"]
    assert attempts(**{"machine": "Laser 1", "from": "2026-03-05", "to": "2026-03-05"}) == ["A-3"]


def test_what_was_taken_back_is_in_no_trace(shop: Door) -> None:
    again = cut("A-9", id="typed-twice", job="J-1", plate="P-2", quantity=1)
    shop.told(again)
    assert "A-9" in ids(shop.read("/v1/trace", job="J-1"))["attempts"]
    shop.told(void(again))
    assert ids(shop.read("/v1/trace", job="J-1"))["plates"] == ["P-1"]
    assert shop.get("/v1/trace", attempt="A-9").status_code == 404


# --- since it was in order --------------------------------------------------------------------------------------


def test_what_was_cut_since_the_last_check_and_since_the_last_inspected_attempt(shop: Door) -> None:
    def since(**asked: Any) -> Any:
        return shop.read("/v1/trace/since-check", machine="laser 1", **asked)

    shop.told(
        event("machine.checked", "Laser 1", time="2026-03-04T08:00:00Z", checks=ALL_RIGHT),
        event("attempt.inspected", "A-2", time="2026-03-07T08:00:00Z", good=2),
    )
    told = since()
    assert ids(told)["attempts"] == ["A-3"]
    assert ids(told)["orders"] == ["4711"]
    assert ids(told)["heats"] == ["H1"]
    assert told["since"]["since_at"] == told["since"]["last_inspected"]["at"] == "2026-03-04T10:00:00Z"
    assert told["since"]["last_check"]["at"] == "2026-03-04T08:00:00Z"
    assert ids(since(by="inspection"))["attempts"] == ["A-3"]
    assert ids(since(by="check"))["attempts"] == ["A-1", "A-2", "A-3"]
    assert ids(since(by="check", until="2026-03-05T00:00:00+01:00"))["attempts"] == ["A-1", "A-2"]
    assert since(until="2026-03-04T08:00:00Z")["since"]["since_at"] is None
    # A part of the attempt that is found faulty later makes it no proof any more.
    shop.told(event("attempt.inspected", "A-2", time="2026-03-08T08:00:00Z", stage="downstream", scrap=1))
    assert ids(since())["attempts"] == ["A-1", "A-2", "A-3"]


# --- what is refused --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "wrong"),
    [
        ({}, "job"),
        ({"job": "J-1", "plate": "P-1"}, "plate"),
        ({"plate": "P-1", "mill": "Nordhelm"}, "mill"),
        ({"plate": "P-1", "from": "2026-03-01"}, "from"),
        ({"machine": "Laser 1", "from": "2026-03-02", "to": "2026-03-01"}, "to"),
        ({"machine": "Laser 1", "from": "soon"}, "from"),
        ({"plate": "P-1", "direction": "up"}, "direction"),
        ({"plate": "P-1", "format": "xlsx"}, "format"),
        ({"plate": "P-1", "colour": "red"}, "colour"),
        ({"plate": ""}, "plate"),
    ],
)
def test_a_question_that_is_not_one_start_is_refused_with_its_place(
    shop: Door, query: dict[str, str], wrong: str
) -> None:
    answer = shop.ask("GET", "/v1/trace", query_string=query)
    assert answer.status_code == 422
    assert [one["parameter"] for one in answer.get_json()["errors"]] == [wrong]


@pytest.mark.parametrize(
    ("query", "wrong"),
    [({}, "machine"), *(({"machine": "Laser 1", "until": until}, "until") for until in WRONG_INSTANTS)],
)
def test_a_machine_is_needed_and_an_instant_has_its_form(shop: Door, query: dict[str, str], wrong: str) -> None:
    answer = shop.ask("GET", "/v1/trace/since-check", query_string=query)
    assert answer.status_code == 422
    assert [one["parameter"] for one in answer.get_json()["errors"]] == [wrong]


def test_what_is_not_known_or_of_another_site_is_not_found_in_the_same_words(shop: Door, service: Service) -> None:
    other = service.door(shop.clock)
    starts = {"job": "J-1", "attempt": "A-1", "plate": "P-1", "heat_number": "H1", "order": "4711", "run": "R-1"}
    for name, value in starts.items():
        assert shop.get("/v1/trace", **{name: value}).status_code == 200
        for door, asked in ((shop, "X-9"), (other, value)):
            answer = door.get("/v1/trace", **{name: asked})
            assert (answer.status_code, answer.get_json()["type"]) == (404, "urn:cutledger:problem:not-found")
            assert answer.get_json()["detail"].replace(asked, "?") == (
                f"no {name.replace('_number', '')} '?' is known here; it may be spelled otherwise"
            )
    for path in ("/v1/trace", "/v1/trace/since-check"):
        assert other.get(path, machine="Laser 1").status_code == 404
        assert shop.get(path, machine="Laser 1", key="terminal").status_code == 403


def test_rows_of_a_trace_that_is_cut_off_are_refused_and_json_says_so(
    shop: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.routes.tracing.MOST_NODES", 5)
    told = shop.read("/v1/trace", heat_number="H1")
    assert (told["cut_off"], told["most"]) == (True, 5)
    assert sum(len(found) for found in ids(told).values()) == 5
    assert told["notes"][0].startswith("it is cut off")
    answer = shop.get("/v1/trace", heat_number="H1", format="csv")
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["parameter"] == "heat_number"


# --- how it is sent ---------------------------------------------------------------------------------------------


def test_rows_hold_each_attempt_with_its_steel_and_its_order_and_no_formula(shop: Door) -> None:
    shop.told(
        opened("=1+1", order="@SUM(1)"),
        received("-P", heat_number="H9", supplier='+Süd, "Ost";=1+1'),
        cut("A-x", job="=1+1", plate="-P", quantity=1, good=1),
    )
    answer = shop.get("/v1/trace", plate="-P", format="csv")
    assert answer.content_type == "text/csv; charset=utf-8; header=present"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{shop.site}-trace--P.csv"'
    (row,) = csv.DictReader(io.StringIO(answer.text, newline=""))
    assert (row["attempt"], row["job"], row["order"], row["plate"]) == ("A-x", "'=1+1", "'@SUM(1)", "'-P")
    assert row["supplier"] == "'+Süd, \"Ost\";'=1+1"
    assert (row["heat_number"], row["good"], row["thickness_mm"]) == ("H9", "1", "20")
    told = csv.DictReader(io.StringIO(shop.get("/v1/trace", order="4711", format="csv").text))
    assert [(one["attempt"], one["plate"], one["parent"], one["order"], one["heat_number"]) for one in told] == [
        ("A-1", "P-1", "", "4711", "H1"), ("A-2", "P-1", "", "4711", "H1"), ("A-3", "P-1-a", "P-1", "4711", "H1"),
    ]  # fmt: skip


@pytest.mark.parametrize("path", ["/v1/trace?plate=P-1", "/v1/trace/since-check?machine=Laser+1"])
def test_an_answer_is_not_sent_twice_until_something_is_counted(shop: Door, path: str) -> None:
    first = shop.get(path)
    held = {"If-None-Match": first.headers["ETag"]}
    assert shop.get(path, headers=held).status_code == 304
    assert shop.get(f"{path}&format=csv", headers=held).status_code == 200
    shop.told(event("machine.checked", "Laser 1", time="2026-03-07T08:00:00Z", checks=ALL_RIGHT))
    assert shop.get(path, headers=held).status_code == 200


# --- what is read -----------------------------------------------------------------------------------------------

#: The columns by which attempts are found, each the second of an index.
FOUND_BY = ("attempt", "plate", "job", "run", "piece_key", "retry_of", "machine")


@pytest.mark.parametrize(
    "path",
    [
        "/v1/trace?heat_number=H1", "/v1/trace?plate=P-1", "/v1/trace?job=J-2", "/v1/trace?order=4711",
        "/v1/trace?run=R-1", "/v1/trace?attempt=A-1", "/v1/trace?machine=Laser+1&from=2026-03-04&to=2026-03-05",
        "/v1/trace/since-check?machine=Laser+1", "/v1/trace/since-check?machine=Laser+1&until=2026-03-05T00:00:00Z",
    ],
)  # fmt: skip
def test_a_trace_reads_no_attempts_but_by_their_index(shop: Door, path: str) -> None:
    if not shop.database.is_sqlite:
        pytest.skip("PostgreSQL decides by what the tables hold")
    shop.told(event("machine.checked", "Laser 1", time="2026-03-04T08:00:00Z", checks=ALL_RIGHT))
    with statements(shop.database) as asked:
        assert shop.get(path).status_code == 200
    with shop.database.read() as connection:
        plans = [
            row[3]
            for one in asked
            if "FROM attempts" in one.text or "FROM plates" in one.text
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {one.text}", one.values)
        ]
    attempts = [plan for plan in plans if " attempts" in plan]
    assert attempts
    for plan in attempts:
        assert any(f"(site=? AND {column}=?" in plan for column in FOUND_BY), plan
    for plan in (each for each in plans if " plates" in each):
        assert any(f"(site=? AND {column}=?" in plan for column in ("plate", "parent", "heat_number")), plan
