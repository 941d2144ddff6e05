"""Report standing through the door: what may be promised at each thickness, and when it no longer may."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, Service, cut, opened, received, void
from worker.reports.catalogue import REPORTS
from worker.reports.standings import TARGET

FIRST = date(2026, 1, 5)
#: 26 weeks.
WINDOW = {"from_": "2026-01-05", "to": "2026-07-05"}
Event = dict[str, Any]


def at(day: int) -> str:
    return f"{FIRST + timedelta(days=day)}T12:00:00Z"


def on(day: int) -> str:
    return f"{FIRST + timedelta(days=day)}"


def told(door: Door, events: Iterable[Event]) -> None:
    """Post all in one body of lines and count them."""
    answer = door.post(list(events), kind="application/x-ndjson")
    assert answer.status_code == 202, answer.text
    assert {item["status"] for item in answer.get_json()["items"]} == {"accepted"}
    door.count()


def singles(good: int, bad: int = 0, *, day: int = 0, name: str = "S", **data: Any) -> list[Event]:
    """Parts each on a plate of its own, on one day."""
    return [
        cut(
            f"{name} {day} {part}", plate=f"{name} {day} {part}", time=at(day), quantity=1,
            good=int(part < good), scrap=int(part >= good), **data,
        )
        for part in range(good + bad)
    ]  # fmt: skip


def only(door: Door, **asked: Any) -> dict[str, Any]:
    (row,) = door.rows("standing", **(WINDOW | asked))
    return row


def standings(door: Door, **asked: Any) -> dict[float, str]:
    """The standing of each thickness."""
    return {row["thickness_mm"]: row["standing"] for row in door.rows("standing", **(WINDOW | asked))}


# --- the zero-failure table -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("target", "confidence", "n"),
    # QUA-01 [from memory]: success-run sample sizes of standard reliability tables; ceil(ln(1 - C) / ln(R))
    [("0.95", "0.95", 59), ("0.9", "0.9", 22), ("0.9", "0.95", 29), ("0.99", "0.95", 299)],
    ids=["59", "22", "29", "299"],
)
def test_qua_01_so_many_good_parts_without_a_failure_prove_it_and_one_fewer_does_not(
    door: Door, target: str, confidence: str, n: int
) -> None:
    asked = {"target": target, "confidence": confidence}
    *almost, last = singles(n)
    told(door, almost)
    row = only(door, **asked)
    assert (row["standing"], row["parts"], row["good"], row["plates"]) == ("open", n - 1, n - 1, n - 1)
    assert (row["more_good_parts"], row["on_plates"]) == (1, 1)
    assert row["lower"] == pytest.approx((1 - float(confidence)) ** (1 / (n - 1)), abs=1e-12)
    assert row["lower"] < float(target)
    told(door, [last])
    row = only(door, **asked)
    assert (row["standing"], row["parts"], row["since"]) == ("proven", n, on(0))
    assert (row["more_good_parts"], row["on_plates"], row["reason"]) == (0, 0, None)
    assert row["lower"] == pytest.approx((1 - float(confidence)) ** (1 / n), abs=1e-12)
    assert (row["upper"], row["yield"]) == (1, 1)


def test_qua_03_a_failure_takes_more_parts(door: Door) -> None:
    # QUA-03 [from memory]: Wilks SS (1941), Annals of Mathematical Statistics 12, 91-96; one-sided 95/95: 59, 93, 124
    told(door, singles(91, 1))
    assert only(door, target="0.95")["standing"] == "open"
    assert only(door, target="0.95")["more_good_parts"] == 1
    told(door, singles(1, name="more"))
    assert only(door, target="0.95")["standing"] == "proven"


def test_the_advice_holds_when_it_is_followed(door: Door) -> None:
    told(door, singles(20, 1))
    before = only(door)
    told(door, singles(before["more_good_parts"] - 1, day=1))
    assert only(door)["standing"] == "open"
    told(door, singles(1, day=2))
    assert (only(door)["standing"], only(door)["since"]) == ("proven", on(2))


# --- what an answer says ----------------------------------------------------------------------------------------


def shop() -> list[Event]:
    """20 mm proven, 25 mm open, 40 mm ruled out on one laser; 30 mm proven on another."""
    return [
        *singles(40, machine="Laser 1", gas="oxygen", name="a"),
        *singles(12, machine="Laser 1", gas="oxygen", name="b", thickness_mm=25),
        *singles(10, 10, machine="Laser 1", gas="oxygen", name="c", thickness_mm=40),
        *singles(40, machine="Laser 2", gas="nitrogen", name="d", thickness_mm=30),
    ]


def test_each_thickness_stands_by_itself_with_what_would_prove_it(door: Door) -> None:
    told(door, shop())
    report = door.report("standing", **WINDOW)
    assert [(row["thickness_mm"], row["machine"], row["gas"], row["standing"]) for row in report["rows"]] == [
        (20, "Laser 1", "oxygen", "proven"), (25, "Laser 1", "oxygen", "open"), (30, "Laser 2", "nitrogen", "proven"),
        (40, "Laser 1", "oxygen", "ruled_out"),
    ]  # fmt: skip
    ruled_out = report["rows"][3]
    # 10 of 20: scipy.stats.binomtest(10, 20).proportion_ci(0.9, "exact") is 0.30196 to 0.69804
    assert (ruled_out["lower"], ruled_out["upper"]) == pytest.approx((0.301954, 0.698046), abs=1e-6)
    assert (ruled_out["more_good_parts"], ruled_out["on_plates"]) == (None, None)
    assert report["details"] == {
        "target": 0.9, "proven": 2, "ruled_out": 1, "open": 1, "correlation": None, "parts_lost_otherwise": 0,
        "bevelled_attempts": 0, "parts_without_thickness": 0,
        "thickest_proven": [
            {"material": "S355", "machine": "Laser 1", "gas": "oxygen", "thickness_mm": 20},
            {"material": "S355", "machine": "Laser 2", "gas": "nitrogen", "thickness_mm": 30},
        ],
    }  # fmt: skip
    assert report["notes"][:2] == [
        "2 proven, 1 ruled out, 1 open, against a first-pass yield of 90 % at a one-sided confidence of 95 %, each row "
        "by itself",
        "prove 25 mm of S355 on Laser 1 (oxygen) with 17 more good parts, on at least 17 plates",
    ]
    assert any(note.startswith("ruled out is said of the settings tried") for note in report["notes"])
    assert report["cautions"]
    assert report["by"] == []


def test_plate_and_recipe_are_told_apart(door: Door) -> None:
    plates = [
        received("P1", preparation_grade="Sa 2.5", time=at(-1)),
        received("P2", rust_grade="C", time=at(-1)),
        received("P3", time=at(-1)),
    ]
    recipes = [{"name": "S355-20", "revision": "A"}, {"name": "S355-20"}, ...]
    cuts = [
        cut(f"{plate['subject']}{place}", plate=plate["subject"], recipe=recipe, good=1, time=at(0))
        for plate in plates
        for place, recipe in enumerate(recipes)
    ]
    told(door, [*plates, *cuts])
    rows = door.rows("standing", **WINDOW)
    assert [(row["surface_group"], row["recipe"]) for row in rows] == [
        (surface, recipe) for surface in ("clean", "disturbed", None) for recipe in ("S355-20", "S355-20 / A", None)
    ]
    assert door.rows("standing", surface_group="disturbed", **WINDOW) == rows[3:6]
    assert door.rows("standing", recipe="S355-20 / A", **WINDOW) == rows[1::3]


def test_target_and_confidence_are_those_of_the_site_unless_told(door: Door) -> None:
    told(door, singles(30))
    assert door.report("standing", **WINDOW)["details"]["target"] == 0.9
    assert only(door)["standing"] == "proven"
    door.set(targets={"first_pass_yield": 0.95, "confidence": 0.99})
    report = door.report("standing", **WINDOW)
    assert (report["details"]["target"], report["confidence"]) == (0.95, 0.99)
    assert only(door)["standing"] == "open"
    assert only(door, target="0.85", confidence="0.9")["standing"] == "proven"


def test_the_window_is_26_weeks_unless_told(door: Door) -> None:
    told(door, singles(40))
    door.clock.now_us = 1_767_700_000_000_000
    report = door.report("standing", last="26w")
    plain = door.read("/v1/reports/standing")
    assert plain["window"] == report["window"] == {"from": "2025-07-14", "to": "2026-01-11"}
    assert [row["standing"] for row in plain["rows"]] == ["proven"]


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({"target": "1"}, "target"),
        ({"target": "0"}, "target"),
        ({"target": "90%"}, "target"),
        ({"target": ""}, "target"),
        ({"confidence": "0.3"}, "confidence"),
        ({"by": "machine"}, "by"),
        ({"from": "2026-07-05", "to": "2026-01-05"}, "to"),
        ({"gas": "steam"}, "gas"),
    ],
)
def test_what_cannot_be_answered_is_refused_by_name(door: Door, asked: dict[str, Any], parameter: str) -> None:
    answer = door.get("/v1/reports/standing", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


def test_more_rows_than_anybody_reads_are_refused(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    told(door, [*singles(1), *singles(1, name="t", thickness_mm=25)])
    assert len(door.rows("standing", **WINDOW)) == 2
    monkeypatch.setattr("worker.reports.standing.MOST_ROWS", 1)
    asked: dict[str, Any] = {name.rstrip("_"): day for name, day in WINDOW.items()}
    answer = door.get("/v1/reports/standing", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == ["last"]


def test_a_target_is_the_same_in_all_reports() -> None:
    targets = {option for entry in REPORTS.values() for option in entry.options if option.name == "target"}
    assert targets == {TARGET}


def test_nothing_cut_is_no_row(door: Door) -> None:
    report = door.report("standing", **WINDOW)
    assert (report["rows"], report["details"]["thickest_proven"]) == ([], [])
    assert report["notes"][0] == "nothing was cut here that a promise could rest on"
    told(door, [cut("later", time=at(1), quantity=3)])
    assert door.report("standing", **WINDOW)["notes"][0] == "nothing was judged here that a promise could rest on"
    # Days before all days
    assert door.report("standing", from_="0001-01-01", to="0001-01-02")["rows"] == []
    assert door.report("standing", from_="9999-12-01", to="9999-12-31")["rows"] == []


def test_csv_has_the_rows_of_the_json(door: Door) -> None:
    told(door, shop())
    rows = door.report("standing", **WINDOW)["rows"]
    asked: dict[str, Any] = {name.rstrip("_"): day for name, day in WINDOW.items()}
    answer = door.get("/v1/reports/standing", format="csv", **asked)
    lines = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in rows]
    assert [line["standing"] for line in lines] == ["proven", "open", "proven", "ruled_out"]


def test_the_order_of_arrival_changes_no_byte(door: Door, service: Service) -> None:
    other = service.door(door.clock)
    events = [
        *shop(),
        *(
            event
            for day in (3, 90, 200)
            for event in singles(15, 1, day=day, recipe={"name": "R", "revision": f"{day}"})
        ),
    ]
    told(door, events)
    Random(5).shuffle(events)
    told(other, events)
    one, two = (each.report("standing", from_="2026-03-01", to="2026-08-30") for each in (door, other))
    assert {key: one[key] for key in ("rows", "details", "notes")} == {
        key: two[key] for key in ("rows", "details", "notes")
    }


# --- which parts count ------------------------------------------------------------------------------------------


def test_production_and_proofs_count_and_trials_do_not(door: Door) -> None:
    told(door, [*singles(15), *singles(14, name="p", purpose="proof"), *singles(0, 9, name="t", purpose="trial")])
    report = door.report("standing", **WINDOW)
    assert report["filters"]["purpose"] == ["production", "proof"]
    assert [(row["standing"], row["parts"]) for row in report["rows"]] == [("proven", 29)]
    assert any("15 of production, 14 of proof" in note for note in report["notes"])
    assert [(row["standing"], row["parts"]) for row in door.rows("standing", purpose="production", **WINDOW)] == [
        ("open", 15)
    ]
    assert only(door, purpose="all")["parts"] == 38


def test_parts_lost_to_a_confirmed_cause_that_is_not_the_process_do_not_count(door: Door) -> None:
    def lost(name: str, certainty: str, term: str = "handling") -> list[Event]:
        return singles(0, 1, name=name, causes=[{"term": term, "certainty": certainty}])

    told(door, [*singles(29), *lost("x", "confirmed"), *lost("y", "confirmed", "wrong_plate")])
    report = door.report("standing", **WINDOW)
    assert [(row["standing"], row["parts"]) for row in report["rows"]] == [("proven", 29)]
    assert report["details"]["parts_lost_otherwise"] == 2
    told(door, lost("z", "suspected"))
    assert only(door)["standing"] == "open"


def test_a_day_that_is_not_judged_yet_does_not_count(door: Door) -> None:
    pending = cut("later", time=at(1), quantity=3)
    told(door, [*singles(20), *singles(20, day=1, name="n"), pending])
    report = door.report("standing", **WINDOW)
    assert [(row["standing"], row["parts"]) for row in report["rows"]] == [("open", 20)]
    assert any(note.startswith("1 production day is left out") and on(1) in note for note in report["notes"])
    told(door, [void(pending)])
    assert only(door)["standing"] == "proven"
    # The same among the days before the window
    told(door, [cut("older", time=at(-10), quantity=3), *singles(5, day=-10, name="m")])
    assert any("1 production day before the window" in note for note in door.report("standing", **WINDOW)["notes"])


def test_bevelled_cuts_do_not_count(door: Door) -> None:
    told(door, [opened("B", bevel_deg=30), *singles(29), *singles(0, 4, name="b", job="B")])
    report = door.report("standing", **WINDOW)
    assert [(row["standing"], row["parts"]) for row in report["rows"]] == [("proven", 29)]
    assert report["details"]["bevelled_attempts"] == 4
    assert only(door, bevel="30")["parts"] == 4


def test_parts_of_unknown_thickness_stand_nowhere(door: Door) -> None:
    told(door, [*singles(29), *singles(3, name="u", thickness_mm=...)])
    report = door.report("standing", **WINDOW)
    assert [row["parts"] for row in report["rows"]] == [29]
    assert report["details"]["parts_without_thickness"] == 3
    assert "3 parts are left out: nobody told their thickness" in report["notes"]


# --- plates -----------------------------------------------------------------------------------------------------


UNKNOWN = "nothing tells how alike parts of one plate are: they are taken to stand or fall together"


def plate(name: Any, parts: int, good: int, *, day: int = 0, **data: Any) -> Event:
    """A cut of one plate; ... for none."""
    attempt = f"{name}-{data.get('time', day)}-{data.get('thickness_mm', 20)}"
    counts = {"quantity": parts, "good": good, "scrap": parts - good}
    return cut(attempt, plate=name, **counts, **({"time": at(day)} | data))


def test_one_plate_proves_nothing_however_often_it_is_cut(door: Door) -> None:
    told(door, [plate("P", 30, 30), plate("P", 30, 30, day=1), plate("P", 5, 5, time=f"{FIRST}T20:00:00Z")])
    # What is cut again on another plate is no first attempt there
    told(door, [plate("Q", 1, 1, day=1, retry_of="P-0-20")])
    row = only(door)
    assert (row["standing"], row["parts"], row["plates"]) == ("open", 65, 1)
    assert (row["more_good_parts"], row["on_plates"], row["reason"]) == (28, 28, UNKNOWN)
    told(door, singles(row["more_good_parts"] - 1, day=2))
    assert (only(door)["standing"], only(door)["plates"]) == ("open", 28)
    told(door, [plate("R", 1, 1, day=3)])
    row = only(door)
    assert (row["standing"], row["plates"], row["since"], row["reason"]) == ("proven", 29, on(3), UNKNOWN)


def test_one_plate_cut_on_many_days_is_one_plate(door: Door) -> None:
    told(door, [plate("ONE", 1, 1, day=day, run="R") for day in range(30)])
    row = only(door)
    assert (row["standing"], row["parts"], row["plates"], row["more_good_parts"]) == ("open", 30, 1, 28)
    # The same of a run where no plate is named; without either each attempt is for itself
    told(door, [plate(..., 1, 1, day=day, run="R", thickness_mm=25) for day in range(30)])
    told(door, [plate(..., 1, 1, day=day, thickness_mm=30) for day in range(30)])
    rows = {row["thickness_mm"]: row for row in door.rows("standing", **WINDOW)}
    assert [(mm, row["standing"], row["plates"]) for mm, row in rows.items()] == [
        (20, "open", 1), (25, "open", 1), (30, "proven", 30)
    ]  # fmt: skip


def test_how_a_plate_is_spread_over_days_changes_nothing(door: Door, service: Service) -> None:
    # Plates of 25 mm say that parts of a plate are somewhat alike; two plates of 30 mm with 40 good parts each
    chance = Random(3)
    thin = [plate(f"T{number}", 6, 6 if chance.random() > 0.15 else 0, day=number % 20) for number in range(40)]
    lost = plate("Q", 2, 1, day=30, thickness_mm=30, causes=[{"term": "handling", "certainty": "confirmed"}])
    days = {"X": range(20), "Y": [3] * 20}
    both = []
    for cut_on in days.values():
        other = service.door(door.clock)
        thick = [
            cut(f"{name} {place}", plate=name, time=at(day), quantity=2, good=2, thickness_mm=30)
            for name in "PQ" for place, day in enumerate(cut_on)
        ]  # fmt: skip
        told(other, [*thin, *thick, lost])
        (row,) = other.rows("standing", thickness_mm="30", **WINDOW)
        both.append({key: row[key] for key in row if key not in ("since", "on_plates")})
    assert both[0] == both[1]
    assert (both[0]["standing"], both[0]["parts"], both[0]["plates"]) == ("open", 81, 2)


def test_nothing_is_proven_on_parts_of_few_plates_while_nothing_tells_how_alike_they_are(door: Door) -> None:
    told(door, [plate(f"P{number}", 10, 10) for number in range(4)])
    row = only(door)
    assert (row["standing"], row["parts"], row["plates"], row["reason"]) == ("open", 40, 4, UNKNOWN)
    assert row["lower"] == pytest.approx(0.05 ** (1 / 4))
    assert (row["more_good_parts"], row["on_plates"]) == (25, 25)
    assert UNKNOWN in door.report("standing", **WINDOW)["notes"]
    told(door, [plate(f"Q{number}", 3, 3) for number in range(25)])
    assert only(door)["standing"] == "proven"
    # What rests on whole plates is not taken away by a correlation that is learnt later
    told(door, [plate(f"T{number}", 10, 10 * (number > 0), day=30, thickness_mm=25) for number in range(4)])
    report = door.report("standing", **WINDOW)
    assert report["details"]["correlation"] == pytest.approx(1)
    assert [(row["standing"], row["since"]) for row in report["rows"]] == [("proven", on(0)), ("open", on(30))]


def test_what_one_plate_rules_out_is_said_to_be_of_one_plate(door: Door) -> None:
    told(door, [plate("P", 20, 5)])
    assert (only(door)["standing"], only(door)["reason"]) == ("open", UNKNOWN)
    # From enough other plates it is known that parts of one plate are no more alike than any
    told(door, [plate(f"T{number}", 12, 11 + number % 2, thickness_mm=30) for number in range(30)])
    row = only(door, thickness_mm="20")
    assert row["standing"] == "ruled_out"
    assert row["reason"].startswith("all parts are of one plate")


def test_parts_of_a_plate_that_stand_or_fall_together_prove_less(door: Door) -> None:
    # Thin plate fails plate by plate: correlation 1. So 8 plates of 5 parts of 30 mm tell as much as 8 parts.
    thin = [plate(f"T{number}", 5, 5 * (number % 2)) for number in range(40)]
    thick = [plate(f"K{number}", 5, 5, thickness_mm=30) for number in range(8)]
    told(door, [*thin, *thick])
    report = door.report("standing", **WINDOW)
    row = report["rows"][1]
    assert (row["thickness_mm"], row["parts"], row["standing"]) == (30, 40, "open")
    assert report["details"]["correlation"] == pytest.approx(1)
    assert row["lower"] == pytest.approx(0.05 ** (1 / 8))
    assert (row["more_good_parts"], row["on_plates"]) == (21, 21)
    # The same, however it is asked for
    alone = only(door, thickness_mm="30")
    assert alone == row


# --- history ----------------------------------------------------------------------------------------------------


def test_a_proven_one_falls_back_two_points_under_the_target_and_no_sooner(door: Door) -> None:
    # Lower bounds at 95 %: 60 of 61 0.924, 66 of 69 0.891, 67 of 72 0.860
    told(door, singles(60, 1))
    assert only(door)["standing"] == "proven"
    told(door, singles(6, 2, day=10))
    row = only(door)
    assert (row["standing"], row["since"]) == ("proven", on(0))
    assert 0.88 < row["lower"] < 0.9
    assert row["reason"] == "still holds: its lower bound is under the target by no more than 0.02"
    assert row["more_good_parts"] > 0
    # Nothing but the same counts would not have proven it
    assert only(door, from_=on(1), to=on(182))["standing"] == "open"
    told(door, singles(1, 2, day=20))
    row = only(door)
    assert (row["standing"], row["since"]) == ("open", on(20))
    assert row["reason"] == f"fell back on {on(20)}: its lower bound came more than 0.02 under the target"
    # Proven again at the target alone
    told(door, singles(row["more_good_parts"] - 1, day=30))
    assert only(door)["standing"] == "open"
    told(door, singles(1, day=31))
    assert (only(door)["standing"], only(door)["since"]) == ("proven", on(31))


def test_a_proof_lapses_with_age(door: Door) -> None:
    told(door, [*singles(40), *singles(2, day=150)])
    assert only(door)["standing"] == "proven"
    row = only(door, from_=on(10), to=on(191))
    assert (row["standing"], row["since"], row["parts"]) == ("open", on(182), 2)
    assert row["reason"] == f"lapsed on {on(182)}: parts that proved it are older than the window is long"
    assert (row["more_good_parts"], row["on_plates"]) == (27, 27)
    # Of nothing at all it is asked what would prove it anew, and after another half year nothing is left to say
    row = only(door, from_=on(160), to=on(341))
    assert (row["standing"], row["parts"], row["yield"], row["lower"]) == ("open", 0, None, None)
    assert (row["more_good_parts"], row["plates"]) == (29, 0)
    assert door.rows("standing", from_=on(400), to=on(581)) == []


def test_another_window_takes_the_place_of_26_weeks(door: Door) -> None:
    told(door, singles(40))
    assert only(door, from_=on(0), to=on(27))["standing"] == "proven"
    row = only(door, from_=on(5), to=on(32))
    assert (row["standing"], row["since"]) == ("open", on(28))


REVISIONS = {letter: {"name": "S355-20", "revision": letter} for letter in "ABC"}


def test_a_proof_lapses_with_a_newer_revision_on_the_same(door: Door) -> None:
    same: dict[str, Any] = {"machine": "Laser 1", "gas": "oxygen"}
    told(
        door,
        [
            *singles(40, recipe=REVISIONS["A"], **same, name="a"),
            *singles(40, recipe=REVISIONS["A"], **same, name="t", thickness_mm=25),
            *singles(40, recipe=REVISIONS["A"], **same | {"machine": "Laser 2"}, name="m"),
            *singles(40, recipe={"name": "S355-20"}, **same, name="n"),
            *singles(40, recipe={"name": "other", "revision": "A"}, **same, name="o"),
        ],
    )
    assert {row["standing"] for row in door.rows("standing", **WINDOW)} == {"proven"}
    told(door, singles(1, day=30, recipe=REVISIONS["B"], **same, name="b"))
    rows = {(row["thickness_mm"], row["machine"], row["recipe"]): row for row in door.rows("standing", **WINDOW)}
    assert {key for key, row in rows.items() if row["standing"] == "open"} == {
        (20, "Laser 1", "S355-20 / A"), (20, "Laser 1", "S355-20 / B"),
    }  # fmt: skip
    lapsed = rows[20, "Laser 1", "S355-20 / A"]
    assert (lapsed["since"], lapsed["reason"]) == (on(30), f"lapsed: revision B is cut since {on(30)}")
    assert (lapsed["more_good_parts"], lapsed["lower"] > 0.9) == (None, True)
    # On the same day the newer one counts
    told(door, singles(1, day=30, recipe=REVISIONS["A"], **same, name="again"))
    assert only(door, recipe="S355-20 / A", thickness_mm="20", machine="Laser 1")["standing"] == "open"
    # A trial of a revision takes no proof away
    told(door, singles(1, day=40, recipe=REVISIONS["C"], **same, name="c", thickness_mm=25, purpose="trial"))
    assert only(door, thickness_mm="25")["standing"] == "proven"


def test_newer_is_what_was_cut_first_later_whatever_its_name(door: Door) -> None:
    told(door, [*singles(40, recipe=REVISIONS["B"]), *singles(40, day=30, name="a", recipe=REVISIONS["A"])])
    rows = {row["recipe"]: row for row in door.rows("standing", **WINDOW)}
    assert {recipe: row["standing"] for recipe, row in rows.items()} == {
        "S355-20 / A": "proven", "S355-20 / B": "open"
    }  # fmt: skip
    assert rows["S355-20 / B"]["reason"] == f"lapsed: revision A is cut since {on(30)}"


@pytest.mark.parametrize("purpose", ["trial", "proof"])
def test_what_is_not_cut_in_production_takes_no_proof_away(door: Door, purpose: str) -> None:
    told(door, singles(40, recipe=REVISIONS["A"]))
    told(door, singles(1, day=30, recipe=REVISIONS["B"], purpose=purpose, name="b"))
    opened_alone = event(
        "attempt.started", "open", time=at(31), recipe=REVISIONS["B"], material="S355", thickness_mm=20
    )
    told(door, [opened_alone])
    for asked in ({}, {"purpose": "production"}):
        assert only(door, recipe="S355-20 / A", **asked)["standing"] == "proven"
    # What is cut in production does, whatever purpose is asked for
    told(door, singles(1, day=40, recipe=REVISIONS["B"], name="p"))
    for asked in ({}, {"purpose": "production"}, {"purpose": "all"}):
        assert only(door, recipe="S355-20 / A", **asked)["since"] == on(40)


def test_a_proof_holds_again_when_the_older_revision_is_cut_again(door: Door) -> None:
    told(door, singles(60, name="a", recipe=REVISIONS["A"]))
    told(door, singles(0, 1, day=10, name="b", recipe=REVISIONS["B"]))
    assert only(door, recipe="S355-20 / A")["standing"] == "open"
    assert only(door, recipe="S355-20 / B")["more_good_parts"] > 0
    told(door, singles(2, day=11, name="c", recipe=REVISIONS["A"]))
    report = door.report("standing", **WINDOW)
    older, newer = report["rows"]
    assert (older["standing"], older["since"], older["reason"]) == ("proven", on(11), None)
    # Nobody is to prove what was given up
    assert (newer["standing"], newer["more_good_parts"], newer["on_plates"]) == ("open", None, None)
    assert newer["reason"] == f"given up: revision A is cut again since {on(11)}"
    assert not any(note.startswith("prove ") for note in report["notes"])
    # Until it is cut once more
    told(door, singles(1, day=20, name="d", recipe=REVISIONS["B"]))
    rows = {row["recipe"]: row for row in door.rows("standing", **WINDOW)}
    assert rows["S355-20 / A"]["reason"] == f"lapsed: revision B is cut since {on(20)}"
    assert rows["S355-20 / B"]["more_good_parts"] > 0


def test_a_newer_revision_is_forgotten_when_it_was_not_cut_for_a_window(door: Door) -> None:
    # Parts for proof do not bring the older one back, nor does the newer one stand in its way for ever
    told(
        door,
        [
            *singles(1, day=-3, name="first", recipe=REVISIONS["A"]),
            *singles(1, day=-2, name="b", recipe=REVISIONS["B"]),
            *singles(40, day=100, recipe=REVISIONS["A"], purpose="proof"),
        ],
    )
    assert only(door, recipe="S355-20 / A", from_="2026-01-01", to="2026-07-01")["standing"] == "open"
    row = only(door, recipe="S355-20 / A")
    assert (row["standing"], row["since"], row["more_good_parts"]) == ("proven", on(180), 0)


def test_a_name_that_holds_a_slash_is_no_revision(door: Door) -> None:
    names: list[dict[str, str]] = [{"name": "S355 / O2"}, {"name": "S355 / N2"}, {"name": "S355"}]
    for day, recipe in enumerate(names):
        told(door, singles(40, day=day, name=f"{day}", recipe=recipe))
    assert {row["recipe"]: row["standing"] for row in door.rows("standing", **WINDOW)} == {
        "S355": "proven", "S355 / N2": "proven", "S355 / O2": "proven"
    }  # fmt: skip
    # Its revisions are, and a revision may hold one too
    told(door, singles(40, day=10, name="a", recipe={"name": "S355 / O2", "revision": "A"}))
    told(door, singles(40, day=11, name="b", recipe={"name": "s355 / o2", "revision": "B / 2"}))
    rows = {row["recipe"]: row for row in door.rows("standing", **WINDOW)}
    assert {name for name, row in rows.items() if row["standing"] == "open"} == {"S355 / O2 / A"}
    assert rows["S355 / O2 / A"]["reason"] == f"lapsed: revision B / 2 is cut since {on(11)}"


def test_the_same_position_gives_the_same_standing_later(door: Door) -> None:
    told(door, singles(40))
    then = door.report("standing", **WINDOW)
    told(door, singles(0, 20, day=3))
    assert only(door)["standing"] == "ruled_out"
    again = door.report("standing", at=str(then["as_of"]["position"]), **WINDOW)
    assert again["rows"] == then["rows"]
