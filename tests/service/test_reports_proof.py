"""Report proof and the finding that a proof was decided. Through the door."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, Service, received, void
from tests.service.test_proofs import PLAN, SEQUENTIAL, START, minutes, planned, proof, tell_at, trial, trials
from worker.findings import look
from worker.folding import instant_us
from worker.reports.catalogue import REPORTS

DAY = 24 * 60


def rows(door: Door, **asked: Any) -> dict[str, dict[str, Any]]:
    return {row["proof"]: row for row in door.rows("proof", **asked)}


# --- the report -------------------------------------------------------------------------------------------------


def test_a_row_says_what_was_planned_how_it_stands_and_what_the_rule_does(door: Door) -> None:
    recipe = {"name": "Thick", "revision": "B"}
    plates = (received(f"P-{number:04}", thickness_mm=28, rust_grade="A", time="2026-03-01T06:00:00Z")
              for number in range(22))  # fmt: skip
    door.told(*plates)
    how = {"gas": "oxygen", "surface_group": "clean", "recipe": recipe, "least_plates": 3}
    planned(door, reliability=0.9, confidence=0.9, **how)
    door.told(*trials(22, gas="oxygen", recipe=recipe))
    report = door.report("proof")
    assert list(report["rows"][0]) == [column.name for column in REPORTS["proof"].columns]
    assert report["rows"] == [{
        "proof": "PR-1", "planned_day": "2026-03-02", "thickness_mm": 28, "material": "S355", "machine": "Laser 2",
        "gas": "oxygen", "surface_group": "clean", "thermal_history": None, "recipe": "Thick / B", "kind": "fixed",
        "reliability": 0.9, "confidence": 0.9, "unacceptable_reliability": None, "failures_allowed": 0, "needed": 22,
        "longest": 22, "state": "passed", "trials": 22, "good": 22, "failed": 0, "effective_trials": 22, "plates": 22,
        "heats": 0, "days": 1, "least_plates": 3, "least_heats": None, "least_days": None, "remaining": None,
        "decided_day": "2026-03-02", "lower": pytest.approx(0.1 ** (1 / 22)), "producer_risk": None,
        "real_producer_risk": None, "consumer_risk": 0.1, "real_consumer_risk": pytest.approx(0.9**22),
        "reason": "passed on 2026-03-02: 22 of 22 trials good, which shows a reliability of at least 90.06 % at a "
        "confidence of 90 %",
    }]  # fmt: skip
    assert report["details"] == {"planned": 0, "running": 0, "passed": 1, "failed": 0}
    assert report["filters"] == {"purpose": ["production", "proof"]}
    assert len(report["cautions"]) == 6


def test_a_sequential_row_has_its_real_risks_beside_the_planned_ones(door: Door) -> None:
    rule = planned(door, reliability=0.9, confidence=0.9, sequential=SEQUENTIAL)["rule"]
    report = door.report("proof")
    (row,) = report["rows"]
    assert (row["kind"], row["needed"], row["failures_allowed"], row["unacceptable_reliability"]) == (
        "sequential", None, None, 0.7,
    )  # fmt: skip
    assert (row["longest"], row["state"], row["lower"]) == (rule["longest"], "planned", None)
    for risk in ("producer_risk", "consumer_risk"):
        assert (row[risk], row[f"real_{risk}"]) == (rule[risk]["planned"], rule[risk]["real"])
        assert 0 < row[f"real_{risk}"] <= row[risk]
    (told,) = [note for note in report["notes"] if "real risks" in note]
    assert told.startswith("proof PR-1: real risks: 4.31 % to fail a process of 90 % (5 % planned), 9.96 % to pass")


def test_the_window_has_proofs_planned_in_it_or_not_decided_before_it_as_they_stood_at_its_end(door: Door) -> None:
    quick = {"reliability": 0.8, "confidence": 0.9}
    planned(door, "early", thickness_mm=20, **quick)
    planned(door, "open", thickness_mm=25, **quick)
    planned(door, "late", thickness_mm=30, at=START + timedelta(days=14), **quick)
    door.told(
        *(trial(number, thickness_mm=20) for number in range(11)),
        *(trial(100 + number, thickness_mm=25, minute=10 * DAY * (number > 5) + number) for number in range(11)),
    )
    first, second, third = ({"from_": start, "to": end} for start, end in (
        ("2026-03-02", "2026-03-08"), ("2026-03-09", "2026-03-15"), ("2026-03-16", "2026-03-22"),
    ))  # fmt: skip
    assert {name: row["state"] for name, row in rows(door, **first).items()} == {"early": "passed", "open": "running"}
    assert rows(door, **first)["open"]["trials"] == 6
    assert {name: row["state"] for name, row in rows(door, **second).items()} == {"open": "passed"}
    assert rows(door, **second)["open"]["decided_day"] == "2026-03-12"
    assert {name: row["state"] for name, row in rows(door, **third).items()} == {"late": "planned"}
    assert list(rows(door, month="2026-03")) == ["early", "open", "late"]
    empty = door.report("proof", month="2026-01")
    assert (empty["rows"], empty["details"]["planned"]) == ([], 0)
    assert "no proof was planned" in empty["notes"][0]


def test_filters_are_about_what_is_to_be_proven(door: Door) -> None:
    door.set(aliases=[{"kind": "machine", "name": "Laser 2", "also": ["L2"]}])
    planned(door, "a", thickness_mm=..., thickness_in="3/4", gas="oxygen", recipe={"name": "Thick", "revision": "B"})
    planned(door, "b", machine="Laser 1", surface_group="clean", thermal_history="as_supplied")
    asked: list[tuple[dict[str, Any], list[str]]] = [
        ({}, ["a", "b"]), ({"thickness_in": "3/4"}, ["a"]), ({"thickness_mm": ["28", "19.05"]}, ["a", "b"]),
        ({"machine": "l2"}, ["a"]), ({"machine": "laser 1"}, ["b"]), ({"material": "S235"}, []),
        ({"gas": "oxygen"}, ["a"]), ({"gas": "unknown"}, ["b"]), ({"surface_group": "clean"}, ["b"]),
        ({"thermal_history": "hardened"}, []), ({"recipe": "thick / b"}, ["a"]), ({"recipe": "thick"}, []),
    ]  # fmt: skip
    for filters, found in asked:
        assert list(rows(door, **filters)) == found, filters


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [({"plate": "P"}, "plate"), ({"surface": "rusted"}, "surface"), ({"shift": "early"}, "shift"),
     ({"purpose": "trial"}, "purpose"), ({"purpose": "all"}, "purpose"), ({"by": "machine"}, "by")],
)  # fmt: skip
def test_what_a_proof_is_not_planned_for_is_refused(door: Door, asked: dict[str, Any], parameter: str) -> None:
    answer = door.get("/v1/reports/proof", month="2026-03", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


def test_as_it_stood_at_a_position(door: Door) -> None:
    (item,) = door.told(trial(500, thickness_mm=20))
    before = item["position"]
    after_plan = planned(door, reliability=0.8, confidence=0.9)["position"]
    items = door.told(*trials(11))
    assert door.rows("proof", at=before) == []
    assert door.rows("proof", at=after_plan)[0]["state"] == "planned"
    assert door.rows("proof", at=items[4]["position"])[0]["trials"] == 5
    assert door.rows("proof", at=items[-1]["position"])[0]["state"] == "passed"
    (told,) = door.read("/v1/events", type="cutledger.proof.planned")["items"]
    door.told(void(told["event"], time=minutes(60)))
    assert door.rows("proof") == []
    assert door.rows("proof", at=items[-1]["position"])[0]["state"] == "passed"


def test_a_table_has_the_same_cells(door: Door) -> None:
    planned(door, "=1+1", sequential=SEQUENTIAL)
    door.told(*trials(3))
    (row,) = door.rows("proof")
    text = door.get("/v1/reports/proof", month="2026-03", format="csv").text
    (line,) = csv.DictReader(io.StringIO(text, newline=""))
    assert list(line) == list(row)
    assert (line["proof"], line["lower"], line["needed"]) == ("'=1+1", "", "")
    assert float(line["real_consumer_risk"]) == row["real_consumer_risk"]


def test_it_says_the_same_in_whatever_order_all_was_told(door: Door, service: Service) -> None:
    other = service.door(door.clock)
    plan = event("proof.planned", "PR-1", time=START.isoformat(), **PLAN | {"reliability": 0.8, "least_days": 2})
    mistaken = trial(20, 0, minute=5.5)
    told = [*trials(9), trial(9, quantity=3, good=2, scrap=0), mistaken, void(mistaken),
            *(trial(number, int(number != 14), minute=DAY + number) for number in range(10, 20)),
            event("attempt.inspected", "A-0009", time=minutes(DAY), good=1)]  # fmt: skip
    for each in (door, other):
        tell_at(each, START, plan)
    door.told(*told)
    late = told[::-1]
    for start in range(0, len(late), 4):
        other.told(*late[start : start + 4])
    one, another = ({**each.report("proof"), "site": "", "as_of": None} for each in (door, other))
    assert one == another
    shown = [proof(each) for each in (door, other)]
    assert shown[0]["trials"] == shown[1]["trials"]
    assert (shown[0]["state"], shown[0]["cuts"], shown[0]["left_over"]) == ("passed", 14, 6)


# --- the finding ------------------------------------------------------------------------------------------------


def looked(door: Door, days: float) -> list[dict[str, Any]]:
    """Look for findings so many days after the plan."""
    door.clock.now_us = instant_us((START + timedelta(days=days)).isoformat())
    look(door.database, door.site, now_us=door.clock.now_us)
    return door.findings(kind="proof")


def test_a_decided_proof_is_a_finding_until_it_is_old(door: Door) -> None:
    planned(door, reliability=0.8, confidence=0.9)
    door.told(*trials(10))
    assert looked(door, 0.5) == []
    door.told(trial(10))
    (found,) = looked(door, 1)
    assert (found["code"], found["subject_kind"], found["subject"], found["state"]) == (
        "proof_decided", "proof", "PR-1", "open",
    )  # fmt: skip
    assert found["detail"].startswith("28 mm S355 on Laser 2: passed on 2026-03-02: 11 of 11 trials good, which shows")
    assert found["figures"] == {
        "state": "passed", "thickness_mm": 28, "material": "S355", "machine": "Laser 2", "reliability": 0.8,
        "confidence": 0.9, "trials": 11, "good": 11, "plates": 11, "heats": 0, "days": 1,
        "kind": "fixed", "unacceptable_reliability": None, "producer_risk": None, "real_producer_risk": None,
        "consumer_risk": 0.1, "real_consumer_risk": pytest.approx(0.8**11),
        "lower": pytest.approx(0.1 ** (1 / 11)), "decided_by": "A-0010", "decided_day": "2026-03-02",
    }  # fmt: skip
    assert found["window"] == {"first_day": "2026-03-02", "last_day": "2026-03-02"}
    (same,) = looked(door, 55)
    assert (same["id"], same["times_opened"], same["updated_at"]) == (found["id"], 1, found["updated_at"])
    assert looked(door, 56) == []
    (closed,) = door.findings(kind="proof", state="closed")
    assert closed["id"] == found["id"]


def test_a_late_event_closes_the_finding_or_turns_it(door: Door) -> None:
    planned(door, reliability=0.8, confidence=0.9)
    door.told(*trials(11))
    (passed,) = looked(door, 1)
    late = trial(99, -1, minute=0.5)
    door.told(late)
    assert looked(door, 2) == []
    door.told(event("attempt.inspected", "A-0099", time=minutes(DAY), scrap=1))
    (failed,) = looked(door, 3)
    assert (failed["id"], failed["figures"]["state"], failed["times_opened"]) == (passed["id"], "failed", 2)
    assert ": failed on 2026-03-02: 0 of 1 trial good" in failed["detail"]


def test_the_finding_of_a_sequential_proof_says_what_was_ruled_out(door: Door) -> None:
    rule = planned(door, reliability=0.9, confidence=0.9, sequential=SEQUENTIAL)["rule"]
    door.told(*trials(10))
    (found,) = looked(door, 1)
    assert ": passed on 2026-03-02: 9 of 9 trials good, which rules out 70 % (real risk 9.96 %) and" in found["detail"]
    figures = found["figures"]
    assert (figures["kind"], figures["unacceptable_reliability"]) == ("sequential", 0.7)
    for risk in ("producer_risk", "consumer_risk"):
        assert (figures[risk], figures[f"real_{risk}"]) == (rule[risk]["planned"], rule[risk]["real"])
