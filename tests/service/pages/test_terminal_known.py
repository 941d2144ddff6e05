"""What the terminal keeps for when the network is gone: stock, jobs, runs, what is left open; whose, and how much."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, statements, void
from tests.service.test_sessions import Browser
from worker import terminals
from worker.sentences import sentence

KNOWN = "/terminal/known"
NOW_US = 1_772_632_800_000_000  # 2026-03-04T14:00:00Z, a few hours after the builders' events


@pytest.fixture
def door(door: Door) -> Door:
    door.clock.now_us = NOW_US
    return door


def known(door: Door, *, key: str = "admin", headers: Mapping[str, str] = {}, **asked: str) -> dict[str, Any]:
    answer = door.get(KNOWN, key=key, headers=headers, site=door.site, **asked)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def at(hour: int, minute: int = 0) -> str:
    return f"2026-03-04T{hour:02}:{minute:02}:00Z"


def test_it_tells_steel_jobs_and_what_is_still_to_make(door: Door) -> None:
    door.told(
        received("P", heat_number="H1", rust_grade="A"),
        received("P2"), event("plate.closed", "P2", reason="used"),
        opened("J", quantity=10, due="2026-03-20"), opened("K"), event("job.closed", "K", reason="cancelled"),
        cut("A", job="J", plate="P", machine="Laser 1", quantity=4, good=2, rework=1, time=at(8)),
        cut("B", job="J", plate="P", machine="Laser 1", quantity=3, tried=3, time=at(9)),
    )  # fmt: skip
    told = known(door)
    assert told["plates"] == [
        {
            "plate": "P", "material": "S355", "thickness_mm": 20, "surface": "tight_scale",
            "thermal_history": "unknown", "heat_number": "H1", "last_job": "J",
        }
    ]  # fmt: skip
    (job,) = told["jobs"]
    assert job["job"] == "J"
    assert (job["good"], job["in_rework"], job["pending"], job["still_to_make"]) == (2, 1, 4, 3)
    assert (job["due"], job["run_quantity"], job["part_number"]) == ("2026-03-20", 3, "BR-1")
    assert told["machines"] == ["Laser 1"]
    assert (told["now"], told["zone"], told["site"]) == ("2026-03-04T14:00:00Z", "UTC", door.site)


def test_it_tells_the_last_runs_of_each_plate_and_of_each_thickness_on_each_machine(door: Door) -> None:
    door.told(
        received("P"), received("Q"),
        *(cut(f"A{n}", plate="P", machine="Laser 1", time=at(8, n)) for n in range(5)),
        *(cut(f"B{n}", machine="Laser 2", thickness_mm=30, time=at(9, n)) for n in range(5)),
        cut("C", plate="Q", machine="Laser 1", time=at(7)),
    )  # fmt: skip
    runs = [run["attempt"] for run in known(door)["runs"]]
    assert runs == ["B4", "B3", "B2", "A4", "A3", "A2", "C"]
    assert [run["attempt"] for run in known(door, machine="laser 1")["runs"]] == ["A4", "A3", "A2", "C"]
    (newest, *_) = known(door)["runs"]
    assert (newest["machine"], newest["thickness_mm"], newest["outcome"]) == ("Laser 2", 30, "severed")
    assert newest["ended_at"] is None or newest["started_at"] <= newest["ended_at"]


def test_it_tells_what_is_left_open(door: Door) -> None:
    door.told(
        event("attempt.started", "A", time=at(8), machine="Laser 1", job="J", quantity=4),
        cut("B", quantity=4, rework=1, good=1, machine="Laser 1", time=at(9)),
        cut("C", quantity=2, good=2, machine="Laser 1", time=at(10)),
    )
    told = known(door)
    assert [(run["attempt"], run["quantity"]) for run in told["open_runs"]] == [("A", 4)]
    assert [(run["attempt"], run["in_rework"]) for run in told["in_rework"]] == [("B", 1)]
    assert [(run["attempt"], run["pending"]) for run in told["unjudged"]] == [("B", 2)]


def test_a_terminal_is_told_of_its_own_attempts_alone(door: Door) -> None:
    bay = door.key("terminal", prefix="/terminals/bay-1")
    other = door.key("terminal", prefix="/terminals/bay-2")
    unbound = door.key("terminal")
    door.told(received("P"), opened("J"), cut("A", job="J", plate="P", quantity=2, tried=2, rework=1))
    for key, attempts in ((bay, ["A"]), (other, []), (unbound, []), ("erp", ["A"])):
        told = known(door, key=key)
        for part in ("runs", "in_rework", "unjudged"):
            assert [run["attempt"] for run in told[part]] == attempts, (key, part)
        assert [plate["last_job"] for plate in told["plates"]] == (["J"] if attempts else [None])
    assert known(door, key=bay)["source"] == "/terminals/bay-1"
    assert known(door, key=unbound)["source"] == f"/terminals/{unbound.split('_')[1]}"


def test_services_are_the_last_of_each_kind_on_each_machine(door: Door) -> None:
    door.told(
        event("machine.serviced", "Laser 1", time=at(5), what="nozzle"),
        event("machine.serviced", "laser 1", time=at(7), what="nozzle"),
        event("machine.serviced", "Laser 1", time=at(6), what="lens"),
        event("machine.serviced", "Laser 2", time=at(4), what="lens"),
        cut(machine="Laser 1"),
    )
    assert known(door)["services"] == [
        {"machine": "Laser 1", "what": "nozzle", "at": at(7)},
        {"machine": "Laser 1", "what": "lens", "at": at(6)},
        {"machine": "Laser 2", "what": "lens", "at": at(4)},
    ]
    assert [one["at"] for one in known(door, machine="LASER 2")["services"]] == [at(4)]


def test_handovers_are_the_last_notes_that_stand(door: Door) -> None:
    notes = [event("shift.handed_over", "Laser 1", time=at(hour), note=f"at {hour}\nof two lines") for hour in (5, 6)]
    door.told(*notes, event("shift.handed_over", "laser 2", time=at(7), note="elsewhere"), cut(machine="Laser 1"))
    door.told(void(notes[1]))
    assert known(door)["handovers"] == [
        {"machine": "laser 2", "note": "elsewhere", "at": at(7)},
        {"machine": "Laser 1", "note": "at 5\nof two lines", "at": at(5)},
    ]
    assert [one["note"] for one in known(door, machine="laser 1")["handovers"]] == ["at 5\nof two lines"]


def test_a_note_changes_no_figure_and_no_service(door: Door) -> None:
    door.told(event("machine.serviced", "Laser 1", time=at(5), what="nozzle"), cut(machine="Laser 1", good=1))
    before = (door.rows(), known(door)["services"])
    told = event("shift.handed_over", "Laser 1", time=at(6), note="the nozzle is new")
    door.told(told)
    assert (door.rows(), known(door)["services"]) == before
    assert [item["event"] for item in door.read("/v1/events", type="cutledger.shift.handed_over")["items"]] == [told]


def test_causes_are_those_named_on_most_lost_parts_then_the_usual_ones(door: Door) -> None:
    door.told(
        cut("A", quantity=5, scrap=5, causes=[{"term": "plate_hot", "certainty": "suspected"}]),
        cut("B", quantity=2, scrap=2, causes=[{"term": "slats", "certainty": "confirmed"}]),
        cut("C", quantity=9, scrap=9, causes=[{"term": "other", "certainty": "suspected"}]),
    )
    causes = known(door)["causes"]
    assert (causes[:2], len(causes), len(set(causes))) == (["plate_hot", "slats"], 6, 6)
    assert "other" not in causes


def test_findings_are_those_about_its_machines_and_plates(door: Door) -> None:
    job = opened("J", thickness_mm=30)
    door.told(received("P"), job, cut("A", job="J", plate="P", machine="Laser 1"))
    assert known(door)["findings"] == []  # a disagreement of an attempt is about the attempt


def test_findings_are_told_in_the_language_of_the_terminal(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    told = [sentence("is no parameter here"), "a finding of an older release"]
    found = [{"id": f"F-{number}", "kind": "drift", "detail": detail} for number, detail in enumerate(told)]
    monkeypatch.setattr(terminals, "_findings", lambda *_: found)
    assert [(one["detail"], one["lang"]) for one in known(door)["findings"]] == [(detail, "en") for detail in told]
    german = known(door, headers={"Accept-Language": "de"})["findings"]
    assert [one["lang"] for one in german] == ["de", "en"]
    assert [one["detail"] == detail for one, detail in zip(german, told, strict=True)] == [False, True]


def test_it_is_bounded(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terminals, "MOST_STOCK", 2)
    monkeypatch.setattr(terminals, "MOST_RUNS", 2)
    door.told(
        *(received(f"P{n}", time=f"2026-03-0{n}T10:00:00Z") for n in range(1, 4)),
        *(opened(f"J{n}") for n in range(3)),
        *(cut(f"A{n}", plate="P3", quantity=2, tried=2) for n in range(3)),
    )
    told = known(door)
    assert [plate["plate"] for plate in told["plates"]] == ["P2", "P3"]  # received last
    assert [len(told[part]) for part in ("jobs", "runs", "unjudged")] == [2, 2, 2]


def test_it_asks_few_statements_however_much_there_is(door: Door) -> None:
    door.told(
        *(received(f"P{n}") for n in range(20)),
        *(cut(f"A{n}", plate=f"P{n}", job=f"J{n}", machine=f"M{n}") for n in range(20)),
    )
    known(door)
    with statements(door.database) as asked:
        known(door)
    assert len(asked) <= 28


def test_nobody_keeps_it_and_a_script_of_a_session_finds_its_token(door: Door, service: Any) -> None:
    browser = Browser(service)
    browser.sign_in(door.keys["terminal"])
    answer = browser.get(KNOWN, headers={})
    assert answer.headers["Cache-Control"] == "no-store"
    assert "ETag" not in answer.headers
    assert answer.get_json()["token"] == browser.token()
    assert known(door)["token"] is None


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"machin": "Laser 1"}, "machin is no parameter here"),
        ({"machine": "x" * 129}, "machine must be a name of at most 128"),
        ({"machine": ["a", "b"]}, "machine is given 2 times"),
    ],
    ids=str,
)
def test_what_it_cannot_answer_is_refused_by_name(door: Door, asked: Any, said: str) -> None:
    answer = door.get(KNOWN, site=door.site, **asked)
    assert answer.status_code == 422
    assert said in answer.json["detail"]


def test_a_machine_that_nobody_knows_has_nothing(door: Door) -> None:
    door.told(cut(machine="Laser 1"))
    told = known(door, machine="Plasma 9")
    assert (told["runs"], told["services"], told["handovers"], told["machines"]) == ([], [], [], ["Laser 1"])
