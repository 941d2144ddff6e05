"""Trials through the door: drawn by lot, cut run by run, with the effects of a published factorial."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.factorial_examples import COEFFICIENTS, GERMINATION
from tests.service.conftest import Door, Service, cut, void
from worker.folding import instant_us

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
FEED, PRESSURE = {"name": "feed_mm_min", "levels": [850, 950]}, {"name": "gas_pressure_bar", "levels": [0.7, 0.9]}
PLAN = {
    "id": "TR-1", "question": "does a slower feed save the first pass?", "machine": "Laser 2", "material": "S355",
    "thickness_mm": 20, "response": "first_pass", "factors": [FEED, PRESSURE], "replicates": 3, "seed": 41,
}  # fmt: skip


def at(door: Door, when: datetime) -> None:
    door.clock.now_us = instant_us(when.isoformat())


def ask(door: Door, *, key: str = "engineer", when: datetime = START, **fields: Any) -> Any:
    """Plan a trial at a moment; a value of ... leaves a field out."""
    now_us = door.clock.now_us
    at(door, when)
    body = {name: value for name, value in {**PLAN, **fields}.items() if value is not ...}
    answer = door.ask("POST", "/v1/trials", key=key, json=body)
    door.clock.now_us = now_us
    return answer


def planned(door: Door, **how: Any) -> Any:
    answer = ask(door, **how)
    assert answer.status_code == 201, answer.text
    door.count()
    return answer.get_json()


def trial(door: Door, name: str = "TR-1") -> Any:
    return door.read(f"/v1/trials/{name}", key="reader")


def minutes(number: float) -> str:
    return (START + timedelta(minutes=number)).isoformat()


def run_cut(number: int, attempt: str | None = None, *, name: str = "TR-1", **how: Any) -> dict[str, Any]:
    """That an attempt was cut for a run."""
    told = {"run": number, "attempt": attempt or f"A-{number}"}
    return event("trial.cut", name, time=how.pop("time", minutes(10 * number + 5)), **how, **told)


def attempt(run: Mapping[str, Any], good: int, bad: int, **data: Any) -> dict[str, Any]:
    """The attempt of a run: so many good and bad parts, from the plate of its block."""
    number = run["run"]
    usual = {
        "machine": "Laser 2", "plate": f"P-{run['block']}", "purpose": "trial", "time": minutes(10 * number),
        "quantity": good + bad, "good": good, "scrap": bad,
    }  # fmt: skip
    return cut(f"A-{number}", **{**usual, **data})


def cut_all(told: Any, bad_at: Mapping[Any, int], parts: int = 6) -> list[dict[str, Any]]:
    """All runs of a sheet cut, with so many bad parts at a level of the first factor."""
    events = []
    for run in told["sheet"]:
        bad = bad_at.get(run["levels"][0], 0) + run["block"] % 2
        events += [attempt(run, parts - bad, bad), run_cut(run["run"])]
    return events


# --- planning ---------------------------------------------------------------------------------------------------


def test_a_plan_is_a_sheet_of_all_combinations_in_an_order_drawn_by_lot(door: Door) -> None:
    answer = ask(door, parts_a_run=4, note="after the new nozzle")
    assert (answer.status_code, answer.headers["Location"]) == (201, "/v1/trials/TR-1")
    told = answer.get_json()
    assert (told["state"], told["runs"], told["runs_cut"]) == ("planned", 12, 0)
    assert told["plan"] == {
        **{name: value for name, value in PLAN.items() if name not in ("id", "replicates")},
        "parts_a_run": 4, "note": "after the new nozzle", "gas": None, "stop_failed_runs": None,
    }  # fmt: skip
    assert [run["run"] for run in told["sheet"]] == list(range(1, 13))
    # Each plate holds each combination once, each in an order of its own
    by_block: dict[int, list[Any]] = defaultdict(list)
    for run in told["sheet"]:
        by_block[run["block"]].append(tuple(run["levels"]))
    assert [sorted(by_block[block]) for block in (1, 2, 3)] == [sorted(by_block[1])] * 3
    assert len({tuple(each) for each in by_block.values()}) > 1
    assert told["next_run"] == {"run": 1, "block": 1, "levels": told["sheet"][0]["levels"]}
    assert len(told["cautions"]) == 6
    for _ in range(2):
        assert trial(door) == told
        (listed,) = door.read("/v1/trials", key="reader")["items"]
        assert listed == {name: told[name] for name in listed}
        door.count()


def test_the_same_plan_again_is_there_already_another_is_409(door: Door) -> None:
    first = ask(door, seed=...)
    assert first.status_code == 201
    again = ask(door, seed=..., thickness_mm=20.0, gas=None, when=START + timedelta(hours=1))
    assert (again.status_code, again.get_json()) == (200, first.get_json())
    for other in ({"replicates": 2}, {"seed": 7}, {"note": "x"}, {"factors": [FEED]}):
        answer = ask(door, **({"seed": ...} | other))
        assert answer.status_code == 409, other
        assert "'TR-1' is planned otherwise" in answer.get_json()["detail"]
    assert len(door.read("/v1/events", type="cutledger.trial.planned")["items"]) == 1
    made = ask(door, id=...)
    assert made.status_code == 201
    assert made.get_json()["id"].startswith("TR-")


@pytest.mark.parametrize(
    ("fields", "pointer", "why"),
    [
        ({"blocks": 2}, "/blocks", "3 replicates divide among evenly"),
        ({"blocks": 7}, "/blocks", "3 replicates divide among evenly"),
        ({"factors": [FEED], "replicates": 3, "blocks": 6}, "/blocks", "two factors or more"),
        ({"replicates": 100, "factors": [FEED, PRESSURE, {"name": "focus_mm", "levels": [-1, 0, 1]}]}, "/replicates",
         "makes 1200 runs, more than 1000"),
        ({"factors": [{"name": "feed_mm_min", "levels": [850]}]}, "/factors", "two levels or more"),
        ({"factors": [FEED, FEED]}, "/factors", "names feed_mm_min twice"),
        ({"factors": []}, "/factors", "is empty"),
        ({"factors": [{"name": "colour", "levels": [1, 2]}]}, "/factors/0/name", "must be one of"),
        ({"runs": []}, "/runs", "no field"),
        ({"thickness_mm": ...}, "/thickness_mm", "thickness"),
        ({"id": ".."}, "/id", "step in a path"),
    ],
)  # fmt: skip
def test_what_makes_no_plan_is_said_at_its_field(door: Door, fields: dict[str, Any], pointer: str, why: str) -> None:
    answer = ask(door, **fields)
    assert answer.status_code == 422
    (error,) = answer.get_json()["errors"][:1]
    assert error["pointer"].startswith(pointer)
    assert why in error["detail"]


def test_halves_of_a_replicate_mix_up_no_main_effect_with_the_plates(door: Door) -> None:
    told = planned(door, replicates=2, blocks=4)
    for block in range(1, 5):
        mine = [run["levels"] for run in told["sheet"] if run["block"] == block]
        assert [Counter(levels[factor] for levels in mine).most_common()[0][1] for factor in (0, 1)] == [1, 1]


# --- cut, judged, left out --------------------------------------------------------------------------------------


def test_a_trial_runs_run_by_run_and_names_what_waits_and_what_is_left_out(door: Door) -> None:
    sheet = planned(door, stop_failed_runs=2)["sheet"]
    other = next(level for level in (0.7, 0.9) if level != sheet[6]["levels"][1])
    door.told(
        attempt(sheet[0], 6, 0), run_cut(1),
        # Not judged to the end
        attempt(sheet[1], 3, 0, quantity=6), run_cut(2),
        # Nobody told of it yet
        run_cut(3, "A-unknown"),
        # Entered for another run too
        attempt(sheet[3], 6, 0), run_cut(4), run_cut(5, "A-4"),
        attempt(sheet[5], 6, 0, machine="Laser 9"), run_cut(6),
        attempt(sheet[6], 6, 0, recipe={"name": "R", "gas_pressure_bar": other}), run_cut(7),
        # Before the plan
        attempt(sheet[7], 6, 0, time=minutes(-60)), run_cut(8),
        attempt(sheet[8], 0, 6, purpose="production"), run_cut(9),
        run_cut(77),
    )  # fmt: skip
    told = trial(door)
    states = {run["run"]: (run["state"], run["reason"]) for run in told["sheet"]}
    assert states[1] == ("counted", None)
    assert states[2] == ("waiting", "parts wait for their verdict")
    assert states[3] == ("waiting", "nothing is known of the attempt yet")
    assert states[4] == states[5] == ("left_out", "the attempt was entered for more than one run")
    assert states[6] == ("left_out", "it was cut on another machine")
    assert states[7][0] == "left_out"
    assert states[7][1] == f"gas pressure (bar) was {other}, planned {sheet[6]['levels'][1]}"
    assert states[8] == ("left_out", "it was cut before the plan")
    assert (states[9], states[10]) == (("counted", None), ("to_cut", None))
    assert (told["state"], told["runs_cut"], told["runs_counted"], told["runs_failed"]) == ("running", 9, 2, 1)
    assert told["next_run"]["run"] == 10
    notes = " / ".join(told["notes"])
    for said in ("in no effect: runs 2, 3", "runs 4, 5 (the attempt was entered", "not on the sheet: runs 77",
                 "runs 9 are not entered for the purpose trial"):  # fmt: skip
        assert said in notes
    assert told["best"] is None


def test_it_stops_by_its_own_rule_and_says_so(door: Door) -> None:
    sheet = planned(door, stop_failed_runs=2)["sheet"]
    failing = [attempt(run, 0, 6) for run in sheet[:2]]
    door.told(*failing, run_cut(1), run_cut(2))
    told = trial(door)
    assert (told["state"], told["next_run"]) == ("stopped", None)
    assert told["detail"].startswith("stop: 2 runs failed")
    assert [each["id"] for each in door.read("/v1/trials", state="stopped")["items"]] == ["TR-1"]
    # What never should have been is as if it had not
    door.told(void(failing[0]))
    assert trial(door)["state"] == "running"


def test_the_last_cut_of_a_run_that_is_not_voided_counts(door: Door) -> None:
    sheet = planned(door)["sheet"]
    again = run_cut(1, "A-again", time=minutes(60))
    door.told(attempt(sheet[0], 6, 0), run_cut(1), cut("A-again", machine="Laser 2", quantity=2, good=1, scrap=1,
                                                       time=minutes(59)), again)  # fmt: skip
    assert [trial(door)["sheet"][0][name] for name in ("attempt", "good", "of")] == ["A-again", 1, 2]
    door.told(void(again))
    assert [trial(door)["sheet"][0][name] for name in ("attempt", "good", "of")] == ["A-1", 6, 6]


def test_pierces_are_counted_where_they_are_the_question(door: Door) -> None:
    sheet = planned(door, response="pierces")["sheet"]
    door.told(
        attempt(sheet[0], 0, 1, pierces=8, failed_pierces=2), run_cut(1),
        attempt(sheet[1], 0, 1, outcome="pierce_failed", pierces=4, failed_pierces=4), run_cut(2),
        attempt(sheet[2], 1, 0), run_cut(3),
    )  # fmt: skip
    first, second, third = trial(door)["sheet"][:3]
    assert (first["good"], first["of"], first["failed"]) == (6, 8, False)
    assert (second["good"], second["of"], second["failed"]) == (0, 4, True)
    assert (third["state"], third["reason"]) == ("left_out", "its pierces are not known")


# --- effects ----------------------------------------------------------------------------------------------------


def test_effects_of_a_published_factorial_posted_as_a_trial(door: Door) -> None:
    """Crowder (1978), with the coefficients of Breslow and Clayton (1993): see tests.factorial_examples.

    Seed and extract stand as two settings, each of the 21 plates as a run on a plate of its own.
    """
    factors = [{"name": "focus_mm", "levels": [75, 73]}, {"name": "nozzle_mm", "levels": [1, 2]}]
    sheet = planned(door, factors=factors, replicates=6, blocks=1)["sheet"]
    free = defaultdict(list)
    for run in sheet:
        free[tuple(run["levels"])].append(run)
    told = []
    for plate, (seed, extract, x, n) in enumerate(GERMINATION):
        run = free[(75, 73)[seed], (1, 2)[extract]].pop(0)
        told += [attempt(run, x, n - x, plate=f"dish {plate}"), run_cut(run["run"])]
    door.told(*told)
    found = trial(door)
    _, seed, extract, both = COEFFICIENTS
    expected = (seed + both / 2, extract + both / 2, both)
    assert [math.log(each["odds_ratio"]) for each in found["effects"]] == pytest.approx(expected, abs=1e-3)
    assert [each["told"] for each in found["effects"]] == [False, True, False]
    assert found["analysis"]["overdispersion"] == pytest.approx(1.862, abs=1e-3)
    main = found["effects"][1]
    assert (main["factors"], main["against"], main["levels"]) == (["nozzle_mm"], [1], [2])
    assert (main["parts_against"], main["parts"]) == (395, 436)
    assert 0 < main["difference_low"] < main["difference"] < main["difference_high"]
    assert main["detail"].startswith("nozzle (mm) 2 instead of 1 changes parts good the first time by +25.9 percentage")
    # Three runs of the sheet were not cut: the next of them is what comes next, and nothing looks best yet
    assert found["next_run"]["run"] == min(run["run"] for some in free.values() for run in some)
    assert found["best"] is None


def test_once_all_are_cut_it_says_which_planned_level_looks_best(door: Door) -> None:
    told = planned(door, replicates=4)
    door.told(*cut_all(told, {950: 3}))
    found = trial(door)
    assert (found["analysis"]["within_plates"], found["analysis"]["interactions"]) == (True, True)
    main = found["effects"][0]
    assert (main["factors"], main["against"], main["levels"], main["told"]) == (["feed_mm_min"], [850], [950], True)
    assert (main["difference"], main["parts"]) == (pytest.approx(-0.5, abs=0.02), 48)
    assert not any(each["told"] for each in found["effects"][1:])
    assert found["best"]["levels"][0] == 850
    assert "evidence, not a permission" in found["best"]["detail"]
    assert any("not a permission to use it" in note for note in found["notes"])
    # Only what was planned is spoken of
    assert {tuple(each["levels"]) for each in found["combinations"]} == {
        (feed, pressure) for feed in FEED["levels"] for pressure in PRESSURE["levels"]
    }
    assert (found["next_run"], found["state"]) == (None, "running")
    assert found["detail"] == "16 of 16 runs cut: conclude it"


@pytest.mark.parametrize("seed", range(3))
def test_any_order_of_arrival_with_repeats_and_voids_gives_one_trial(door: Door, service: Service, seed: int) -> None:
    random, told = Random(seed), planned(door)
    events = [
        *cut_all(told, {950: 2}),
        event("trial.concluded", "TR-1", time=minutes(900), reason="complete", conclusion="slower"),
    ]
    mistakes = [
        *(run_cut(run, f"A-{13 - run}", time=minutes(500)) for run in (2, 5)),
        event("trial.concluded", "TR-1", time=minutes(950), reason="abandoned", conclusion="?"),
    ]
    door.told(*events)
    other = service.door(door.clock)
    planned(other)
    arriving = [*events, *mistakes, *map(void, mistakes), *random.sample(events, 5)]
    random.shuffle(arriving)
    while arriving:
        size = random.randint(1, 9)
        some, arriving = arriving[:size], arriving[size:]
        assert other.post(some).status_code == 202
        if random.random() < 0.5:
            other.count()
    other.count()
    expected, found = trial(door), trial(other)
    assert found["concluded"]["conclusion"] == "slower"
    assert {name: value for name, value in found.items() if name not in ("source", "position")} == {
        name: value for name, value in expected.items() if name not in ("source", "position")
    }


# --- conclusion -------------------------------------------------------------------------------------------------


def conclude(door: Door, *, name: str = "TR-1", key: str = "engineer", **fields: Any) -> Any:
    body = {"reason": "complete", "conclusion": "feed matters"} | fields
    return door.ask("POST", f"/v1/trials/{name}/conclusion", key=key, json=body)


def test_a_trial_is_concluded_once(door: Door) -> None:
    planned(door)
    answer = conclude(door)
    assert (answer.status_code, answer.headers["Location"]) == (201, "/v1/trials/TR-1")
    told = answer.get_json()
    assert (told["state"], told["next_run"]) == ("concluded", None)
    assert (told["concluded"]["reason"], told["concluded"]["conclusion"]) == ("complete", "feed matters")
    assert conclude(door).status_code == 200
    other = conclude(door, reason="abandoned")
    assert other.status_code == 409
    assert "void that event first" in other.get_json()["detail"]
    assert conclude(door, name="TR-none").status_code == 404
    assert conclude(door, reason="tired").get_json()["errors"][0]["pointer"] == "/reason"


def test_of_two_plans_under_one_id_the_one_received_first_holds(door: Door) -> None:
    first = planned(door)
    data = {"question": "?", "machine": "L", "material": "S", "thickness_mm": 9, "response": "pierces",
            "factors": [FEED], "runs": [{"levels": [850]}]}  # fmt: skip
    door.told(event("trial.planned", "TR-1", time=minutes(-500), **data))
    found = trial(door)
    assert (found["plan"], found["sheet"]) == (first["plan"], first["sheet"])
    assert any("another plan came under this id" in note for note in found["notes"])


def sheets(door: Door, names: Sequence[str]) -> list[Any]:
    return [planned(door, id=name)["sheet"] for name in names]


def test_the_seed_alone_decides_the_order(door: Door) -> None:
    one, other = sheets(door, ("TR-1", "TR-2"))
    assert one == other
    assert planned(door, id="TR-3", seed=42)["sheet"] != one


def test_a_plan_that_came_after_its_cuts_is_said_to(door: Door) -> None:
    data = {**PLAN, "runs": [{"levels": [850, 0.9]}, {"levels": [950, 0.7]}]}
    plan = {name: value for name, value in data.items() if name not in ("id", "replicates")}
    door.told(
        event("trial.planned", "TR-1", time=minutes(0), **plan), attempt({"run": 1, "block": 1}, 3, 1), run_cut(1)
    )
    found = trial(door)
    assert (found["runs_counted"], found["sheet"][0]["good"]) == (1, 3)
    assert any("after its first runs were cut" in note for note in found["notes"])


def test_the_names_of_a_plan_hold_under_aliases_that_came_since(door: Door) -> None:
    sheet = planned(door)["sheet"]
    door.set("2026-03-01", aliases=[{"kind": "machine", "name": "L2", "also": ["Laser 2"]}])
    door.told(attempt(sheet[0], 6, 0, machine="L2"), run_cut(1))
    assert trial(door)["sheet"][0]["state"] == "counted"


def test_trials_are_listed_page_by_page(door: Door) -> None:
    sheets(door, ("TR-1", "TR-2", "TR-3"))
    first = door.read("/v1/trials", limit=2)
    assert [each["id"] for each in first["items"]] == ["TR-1", "TR-2"]
    rest = door.read("/v1/trials", limit=2, after=first["next"])
    assert ([each["id"] for each in rest["items"]], rest["next"]) == (["TR-3"], None)
    assert door.get("/v1/trials", after="xyz").status_code == 422
