"""Report retries: how many attempts a piece takes, and whether it comes in the end. Through the door."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest
from sqlalchemy import select

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.reports.tried_pieces import GIVEN_UP_DAYS
from worker.stats.survival import kaplan_meier
from worker.tables import LIVE

FIRST_MONDAY = date(2026, 1, 5)
WINDOW = {"from_": "2026-01-05", "to": "2026-06-30"}
OVER_ALL = {**WINDOW, "by": ""}
GOOD, SCRAP = {"good": 1}, {"scrap": 1}


def at(day: int, minute: int = 0) -> str:
    """An instant so many days after the first Monday."""
    return f"{FIRST_MONDAY + timedelta(days=day)}T{10 + minute // 60:02d}:{minute % 60:02d}:00Z"


def tries(piece: str, failed: int, *, came: bool, start: int = 0, **data: Any) -> list[dict[str, Any]]:
    """So many failed attempts on a piece of one part, then a good one, or none: an attempt a minute."""
    verdicts = [SCRAP] * failed + [GOOD] * came
    return [
        cut(f"{piece}-{number}", job="J", piece=piece, time=at(start, number), **verdict, **data)
        for number, verdict in enumerate(verdicts, start=1)
    ]


def step(row: dict[str, Any]) -> tuple[int, int, int, int]:
    return row["attempt"], row["pieces_at_risk"], row["pieces_right"], row["pieces_censored"]


# --- the curve --------------------------------------------------------------------------------------------------


def test_retries_counts_the_attempts_that_pieces_take(door: Door) -> None:
    # (failed attempts, came): three come at the first, one at the second, one at the third; two are censored.
    pieces = [(0, True)] * 3 + [(1, True), (2, True), (1, False), (2, False)]
    door.told(
        *(each for number, (failed, came) in enumerate(pieces) for each in tries(f"p{number}", failed, came=came))
    )
    rows = door.rows("retries", **OVER_ALL)
    assert [step(row) for row in rows] == [(1, 7, 3, 1), (2, 3, 1, 1), (3, 1, 1, 0)]
    assert [row["not_right_share"] for row in rows] == pytest.approx([4 / 7, 4 / 7 * 2 / 3, 0])
    # Each piece is a cluster of its own: the limits are those of pieces that know nothing of each other.
    plain = kaplan_meier([(failed + came, came) for failed, came in pieces], confidence=0.95)
    for row, expected in zip(rows, plain.steps, strict=True):
        shown = (row["not_right_share_low"], row["not_right_share_high"], row["design_effect"])
        assert shown == pytest.approx((expected.lower, expected.upper, 1.0))
    assert [row["median_attempts"] for row in rows] == [2, 2, 2]


def test_retries_that_follow_by_name_by_retry_of_or_both(door: Door) -> None:
    door.told(
        # By name, in the order in which they began, whatever they are called.
        cut("z", job="J", piece="1", time=at(0, 1), **SCRAP), cut("a", job="J", piece="1", time=at(0, 2), **GOOD),
        # By name on a plate, no job being known.
        cut("b1", plate="P", piece="1", time=at(0, 1), **SCRAP), cut("b2", plate="P", piece="1", time=at(0, 2), **GOOD),
        # By retry_of alone; then by the name of the first.
        cut("c1", time=at(0, 1), **SCRAP), cut("c2", retry_of="c1", time=at(0, 2), **SCRAP),
        cut("c3", retry_of="c2", job="other", time=at(0, 3), **GOOD),
        cut("d1", job="J", piece="4", time=at(0, 1), **SCRAP), cut("d2", retry_of="d1", time=at(0, 2), **SCRAP),
        cut("d3", job="J", piece="4", time=at(0, 3), **GOOD),
        # Alone: the name says nothing without job or plate.
        cut("e1", piece="9", time=at(0, 1), **SCRAP), cut("e2", piece="9", time=at(0, 2), **GOOD),
    )  # fmt: skip
    report = door.report("retries", **OVER_ALL)
    # Six pieces: a, b, c, d, e1, e2.
    assert [step(row) for row in report["rows"]] == [(1, 6, 1, 1), (2, 4, 2, 0), (3, 2, 2, 0)]
    details = report["details"]
    assert (details["pieces_without_name"], details["pieces_without_first"]) == (3, 0)
    assert any(note.startswith("3 of 6 pieces have no name") for note in report["notes"])


@pytest.mark.parametrize(
    ("second", "steps"),
    [
        ("open", [(1, 1, 0, 1)]),
        ("pending", [(1, 1, 0, 1)]),
        ("nothing reached", [(1, 1, 0, 1)]),
        ("scrap", [(1, 1, 0, 0), (2, 1, 0, 0), (3, 1, 1, 0)]),
        ("rework", [(1, 1, 0, 0), (2, 1, 0, 0), (3, 1, 1, 0)]),
    ],
)
def test_retries_censors_a_piece_before_an_attempt_that_is_not_judged(
    door: Door, second: str, steps: list[tuple[int, int, int, int]]
) -> None:
    on_piece = {"job": "J", "piece": "1", "time": at(0, 2)}
    attempts = {
        "open": event("attempt.started", "A2", **on_piece),
        "pending": cut("A2", quantity=1, **on_piece),
        "nothing reached": cut("A2", outcome="aborted", stop_reason="power", **on_piece),
        "scrap": cut("A2", **on_piece, **SCRAP),
        "rework": cut("A2", **on_piece, rework=1),
    }
    door.told(
        cut("A1", job="J", piece="1", time=at(0, 1), **SCRAP), attempts[second],
        cut("A3", job="J", piece="1", time=at(0, 3), **GOOD),
    )  # fmt: skip
    report = door.report("retries", **OVER_ALL)
    assert [step(row) for row in report["rows"]] == steps
    # What came of it later is known all the same.
    assert (report["details"]["pieces_good"], report["details"]["final_yield"]) == (1, 1.0)


def test_retries_takes_a_piece_of_several_parts_for_right_only_when_all_are(door: Door) -> None:
    door.told(
        cut("A1", job="J", piece="1", quantity=4, good=3, scrap=1, time=at(0, 1)),
        # The retry cuts what was missing.
        cut("A2", job="J", piece="1", quantity=1, good=1, time=at(0, 2)),
        cut("B1", job="J", piece="2", quantity=4, good=4, time=at(0, 1)),
        # Of four parts one was reached: not all are good.
        cut("C1", job="J", piece="3", quantity=4, tried=1, good=1, outcome="aborted", time=at(0, 1)),
    )
    rows = door.rows("retries", **OVER_ALL)
    assert [step(row) for row in rows] == [(1, 3, 1, 1), (2, 1, 1, 0)]


def test_retries_has_no_curve_while_no_first_attempt_is_judged(door: Door) -> None:
    door.told(cut("A", job="J", piece="1", quantity=1, time=at(0)))
    report = door.report("retries", **OVER_ALL)
    (row,) = report["rows"]
    assert step(row) == (1, 0, 0, 0)
    assert (row["not_right_share"], row["final_yield"], row["median_attempts"]) == (None, None, None)
    assert (row["pieces"], report["details"]["pieces_not_begun"]) == (1, 1)
    assert any("no first attempt is judged yet" in note for note in report["notes"])


# --- in the end -------------------------------------------------------------------------------------------------


def closed(kind: str, subject: str, reason: str) -> dict[str, Any]:
    return event(f"{kind}.closed", subject, time=at(1), reason=reason)


ENDS: dict[str, tuple[list[dict[str, Any]], tuple[int, int]]] = {
    # name: (events beside a first attempt of job J on plate P that failed, (pieces decided, pieces good))
    "nothing else": ([], (0, 0)),
    "tried again, good": ([cut("A2", job="J", plate="P", piece="1", time=at(0, 2), **GOOD)], (1, 1)),
    "tried again, good after rework": (
        [
            cut("A2", job="J", plate="P", piece="1", time=at(0, 2), rework=1),
            event("attempt.reworked", "A2", time=at(0, 9), operation="grinding", minutes=5, parts=1, recovered=1),
        ],
        (1, 1),
    ),
    "tried again, in rework, job closed": (
        [cut("A2", job="J", plate="P", piece="1", time=at(0, 2), rework=1), closed("job", "J", "complete")],
        (0, 0),
    ),
    "tried again, pending, job closed": (
        [cut("A2", job="J", plate="P", piece="1", quantity=1, time=at(0, 2)), closed("job", "J", "complete")],
        (0, 0),
    ),
    "job closed": ([closed("job", "J", "cancelled")], (1, 0)),
    "plate closed, job open": ([opened("J", time=at(0)), closed("plate", "P", "used")], (0, 0)),
    "plate closed, job not known": ([closed("plate", "P", "used")], (1, 0)),
    "went on in a job that is closed": (
        [cut("A2", job="K", retry_of="A1", time=at(0, 2), **SCRAP), closed("job", "K", "complete")],
        (1, 0),
    ),
    "went on in a job that is open": (
        [cut("A2", job="K", retry_of="A1", time=at(0, 2), **SCRAP), closed("job", "J", "complete")],
        (0, 0),
    ),
    "not tried again for long": ([cut("B", time=at(GIVEN_UP_DAYS + 1), purpose="trial", **GOOD)], (1, 0)),
    "not tried again for not so long": ([cut("B", time=at(GIVEN_UP_DAYS), purpose="trial", **GOOD)], (0, 0)),
}


@pytest.mark.parametrize("end", ENDS)
def test_retries_decides_a_piece_when_it_came_or_was_given_up(door: Door, end: str) -> None:
    events, (decided, good) = ENDS[end]
    door.told(cut("A1", job="J", plate="P", piece="1", time=at(0, 1), **SCRAP), *events)
    details = door.report("retries", **OVER_ALL)["details"]
    assert (details["pieces"], details["pieces_decided"], details["pieces_good"]) == (1, decided, good)
    assert (details["pieces_given_up"], details["pieces_waiting"]) == (decided - good, 1 - decided)
    assert details["final_yield"] == (good / decided if decided else None)


def test_retries_first_attempt_that_came_after_rework_is_finally_good_and_not_right(door: Door) -> None:
    door.told(
        cut("A1", job="J", piece="1", time=at(0, 1), rework=1),
        event("attempt.reworked", "A1", time=at(0, 9), operation="grinding", minutes=5, parts=1, recovered=1),
    )
    report = door.report("retries", **OVER_ALL)
    assert [step(row) for row in report["rows"]] == [(1, 1, 0, 1)]
    assert (report["rows"][0]["pieces_good"], report["rows"][0]["final_yield"]) == (1, 1.0)


def test_retries_final_yield_knows_that_pieces_of_one_plate_stand_or_fall_together(door: Door) -> None:
    # On six plates all five pieces come, on two none does.
    for plate in range(8):
        door.post(
            [
                received(f"P{plate}", time=at(0)),
                *(
                    cut(f"A{plate}-{n}", job="J", plate=f"P{plate}", piece=f"{plate}-{n}", time=at(1, n), **verdict)
                    for n, verdict in enumerate([SCRAP if plate < 2 else GOOD] * 5)
                ),
            ]
        )
    door.told(closed("job", "J", "complete"))
    report = door.report("retries", **OVER_ALL)
    details, (row,) = report["details"], report["rows"]
    assert (details["final_yield"], details["pieces_decided"], details["clusters"]) == (0.75, 40, 8)
    assert details["final_yield_design_effect"] == pytest.approx(5, rel=0.1)
    # 40 pieces that know nothing of each other would give 0.60 to 0.86.
    assert details["final_yield_low"] < 0.5
    assert (row["design_effect"], row["clusters"]) == (pytest.approx(5, rel=0.1), 8)
    assert row["not_right_share_high"] > 0.5
    assert any(note.startswith("30 of 40 pieces that are decided came in the end") for note in report["notes"])


# --- window, division, filters ----------------------------------------------------------------------------------


def test_retries_counts_pieces_whose_first_attempt_lies_in_the_window_with_all_that_followed(door: Door) -> None:
    door.told(
        cut("A1", job="J", piece="1", time=at(0), **SCRAP), cut("A2", job="J", piece="1", time=at(40), **GOOD),
        cut("B1", job="J", piece="2", time=at(40), **GOOD),
    )  # fmt: skip
    early = door.report("retries", by="", from_="2026-01-05", to="2026-01-11")
    assert [step(row) for row in early["rows"]] == [(1, 1, 0, 0), (2, 1, 1, 0)]
    late = door.report("retries", by="", from_="2026-02-01", to="2026-02-28")
    assert [step(row) for row in late["rows"]] == [(1, 1, 1, 0)]


def test_retries_is_divided_and_filtered_by_the_first_attempt(door: Door) -> None:
    door.told(
        cut("A1", job="J", piece="1", machine="one", time=at(0, 1), **SCRAP),
        cut("A2", job="J", piece="1", machine="two", time=at(0, 2), **GOOD),
        cut("B1", job="J", piece="2", machine="two", thickness_mm=30, time=at(0, 1), **GOOD),
        cut("T1", job="J", piece="3", machine="two", purpose="trial", time=at(0, 1), **SCRAP),
    )
    by_machine = door.report("retries", by="machine", **WINDOW)
    assert [(row["machine"], *step(row)) for row in by_machine["rows"]] == [
        ("one", 1, 1, 0, 0), ("one", 2, 1, 1, 0), ("two", 1, 1, 1, 0),
    ]  # fmt: skip
    assert by_machine["by"] == ["machine"]
    assert [(row["thickness_mm"], row["attempt"]) for row in door.rows("retries", **WINDOW)] == [
        (20, 1),
        (20, 2),
        (30, 1),
    ]
    assert door.report("retries", machine="two", **WINDOW)["details"]["pieces"] == 1
    assert door.report("retries", purpose="all", **WINDOW)["details"]["pieces"] == 3


def test_retries_divided_by_what_splits_a_plate_says_the_same_of_the_whole(door: Door) -> None:
    for plate in range(3):
        door.post([
            cut(f"A{plate}-{n}", job=f"J{n % 2}", plate=f"P{plate}", piece=f"{plate}-{n}", time=at(1, n),
                **(GOOD if (plate + n) % 3 else SCRAP))
            for n in range(6)
        ])  # fmt: skip
    door.count()
    whole = door.report("retries", **OVER_ALL)["details"]
    for by in ("job", "thickness", "plate"):
        assert door.report("retries", by=by, **WINDOW)["details"] == whole


def test_retries_leaves_out_what_was_cut_again_without_a_known_first_attempt(door: Door) -> None:
    door.told(
        opened("J2", recut_of="J", time=at(0)),
        cut("A", job="J2", piece="1", time=at(0, 1), **SCRAP), cut("B", job="J2", piece="1", time=at(0, 2), **GOOD),
        cut("C", retry_of="never told", time=at(0, 1), **GOOD),
    )  # fmt: skip
    report = door.report("retries", **OVER_ALL)
    assert report["rows"] == []
    assert (report["details"]["pieces"], report["details"]["pieces_without_first"]) == (0, 2)
    # With the first attempt all take their places.
    door.told(cut("A0", job="J", piece="1", time=at(0), **SCRAP), cut("never told", time=at(0), **SCRAP))
    details = door.report("retries", **OVER_ALL)["details"]
    assert (details["pieces"], details["pieces_good"], details["pieces_without_first"]) == (2, 1, 1)


def test_retries_in_a_circle_ends(door: Door) -> None:
    door.told(
        cut("A", job="J", piece="1", retry_of="B", time=at(0, 1), **SCRAP),
        cut("B", job="J", piece="1", retry_of="A", time=at(0, 2), **SCRAP),
        cut("C", job="J", piece="1", retry_of="B", time=at(0, 3), **GOOD),
    )
    assert [step(row) for row in door.rows("retries", **OVER_ALL)] == [(1, 1, 0, 0), (2, 1, 0, 0), (3, 1, 1, 0)]


# --- against an independent walk over the attempts --------------------------------------------------------------


def shop(seed: int, *, parts: int) -> list[dict[str, Any]]:
    """Attempts on few pieces of few jobs and plates, some retries of others, some open or pending: all in disorder."""
    rng = Random(seed)
    events = [opened(f"J{number}", time=at(0)) for number in range(3)]
    for number in range(45):
        given: dict[str, Any] = {"time": at(rng.randrange(3), rng.randrange(300)), "plate": f"P{rng.randrange(4)}"}
        if rng.random() < 0.7:
            given |= {"job": f"J{rng.randrange(3)}", "piece": f"{rng.randrange(5)}"}
        if number and rng.random() < 0.3:
            given["retry_of"] = f"A{rng.randrange(number + 2)}"
        if rng.random() < 0.1:
            given["mode"] = rng.choice(["resume", "recut"])
        quantity = rng.randint(1, parts)
        good = rng.choice([0, 0, quantity, rng.randint(0, quantity)])
        became = rng.choice(["scrap", "scrap", "scrap", "rework", "pending", "nothing", "open"])
        counts = {"good": good, **({became: quantity - good} if became in ("scrap", "rework") else {})}
        if became == "open":
            events.append(event("attempt.started", f"A{number}", **given, quantity=quantity))
        elif became == "nothing":
            events.append(cut(f"A{number}", **given, outcome="aborted", stop_reason="power", quantity=quantity))
        else:
            events.append(cut(f"A{number}", **given, quantity=quantity, **counts))
    events.append(event("job.closed", "J0", time=at(2), reason="complete"))
    rng.shuffle(events)
    return events


def walked(door: Door) -> tuple[dict[int, tuple[int, int]], int, int, int]:
    """({attempt: (at risk, right)}, pieces, decided, good), from the stored attempts, one by one."""
    a = LIVE.attempts
    with door.database.read() as connection:
        rows = {row.attempt: row for row in connection.execute(select(a).where(a.c.site == door.site))}
        state = dict(
            connection.execute(select(LIVE.jobs.c.job, LIVE.jobs.c.state).where(LIVE.jobs.c.site == door.site)).all()
        )
    first_of_piece = {row.piece_key: row.attempt for row in rows.values() if row.attempt_no == 1 and row.piece_key}
    followers = defaultdict(list)
    for row in rows.values():
        if row.attempt_no > 1:
            followers[row.retry_of if row.retry_of in rows else first_of_piece.get(row.piece_key)].append(row)
    risks: dict[int, tuple[int, int]] = {}
    pieces = decided = good = 0
    for root in (row for row in rows.values() if row.attempt_no == 1):
        piece, queue = [root], [root]
        while queue:
            found = followers[queue.pop().attempt]
            piece += found
            queue += found
        piece.sort(key=lambda row: (row.attempt_no, row.started_us, row.attempt.encode()))
        for number, row in enumerate(piece, start=1):
            if row.state == "open" or row.pending or not row.tried:
                break
            at_risk, right = risks.get(number, (0, 0))
            is_right = row.good == row.quantity
            risks[number] = (at_risk + 1, right + is_right)
            if is_right:
                break
        came = any(row.state == "finished" and row.good + row.recovered == row.quantity for row in piece)
        waits = any(row.state == "open" or row.pending or row.in_rework for row in piece)
        pieces, good = pieces + 1, good + came
        decided += came or (not waits and state.get(piece[-1].job) == "closed")
    return risks, pieces, decided, good


@pytest.mark.parametrize("seed", range(8))
def test_retries_is_what_a_walk_over_the_attempts_says(door: Door, seed: int) -> None:
    door.told(*shop(seed, parts=3))
    report = door.report("retries", **OVER_ALL)
    risks, pieces, decided, good = walked(door)
    shown = {row["attempt"]: (row["pieces_at_risk"], row["pieces_right"]) for row in report["rows"]}
    assert shown == risks
    details = report["details"]
    assert (details["pieces"], details["pieces_decided"], details["pieces_good"]) == (pieces, decided, good)
    assert details["pieces_not_begun"] == pieces - risks[1][0]


@pytest.mark.parametrize("seed", range(4))
def test_share_not_right_after_one_attempt_is_what_the_first_pass_yield_leaves(door: Door, seed: int) -> None:
    door.told(*shop(seed, parts=1))
    for by in ("", "shift", "plate"):
        yields = door.report("yield", by=by, **WINDOW)
        retries = door.report("retries", by=by, **WINDOW)
        groups = [row for row in yields["rows"] if row["first_attempts"]]
        firsts = [row for row in retries["rows"] if row["attempt"] == 1]
        named = {row.get(by): row for row in firsts}
        assert groups
        for group in groups:
            row = named[group.get(by)]
            assert (row["pieces_at_risk"], row["pieces_right"]) == (
                group["parts_judged_first"],
                group["first_pass_good"],
            )
            if group["parts_judged_first"]:
                assert row["not_right_share"] == pytest.approx(1 - group["first_pass_yield"])


# --- the answer -------------------------------------------------------------------------------------------------


def test_retries_does_not_depend_on_the_order_of_arrival(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    events = shop(99, parts=2)
    door.told(*events)
    Random(5).shuffle(events)
    for each in events:
        other.post(each)
    other.count()
    one, two = (where.report("retries", **WINDOW) for where in (door, other))
    assert {key: one[key] for key in ("rows", "details", "notes")} == {
        key: two[key] for key in ("rows", "details", "notes")
    }


def test_retries_csv_has_the_rows_of_the_json(door: Door) -> None:
    door.told(*shop(1, parts=2))
    rows = door.rows("retries", by="thickness,machine", **WINDOW)
    answer = door.get(
        "/v1/reports/retries", format="csv", by="thickness,machine", **{"from": "2026-01-05", "to": "2026-06-30"}
    )
    lines = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in rows]


def test_retries_is_described_with_each_column(door: Door) -> None:
    door.told(*tries("p", 1, came=True))
    (entry,) = [entry for entry in door.read("/v1/reports")["reports"] if entry["name"] == "retries"]
    report = door.report("retries", **WINDOW)
    assert [column["name"] for column in entry["columns"]] == [
        name for name in report["rows"][0] if name != "thickness_mm"
    ]
    assert [column["name"] for column in entry["details"]] == list(report["details"])
    assert entry["by"] == ["thickness"]


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({"by": "colour"}, "by"),
        ({"chart": "p"}, "chart"),
        ({"confidence": "2"}, "confidence"),
        ({"gas": "steam"}, "gas"),
    ],
)
def test_retries_refuses_what_it_cannot_answer(door: Door, asked: dict[str, str], parameter: str) -> None:
    answer = door.get("/v1/reports/retries", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


def test_retries_of_nothing_is_empty(door: Door) -> None:
    report = door.report("retries", **WINDOW)
    assert (report["rows"], report["totals"], report["details"]["final_yield"]) == ([], {}, None)
    assert report["notes"] == ["no first attempt lies in this window: nothing can be said of pieces"]


def test_retries_says_what_may_not_be_concluded(door: Door) -> None:
    door.told(*tries("p", 1, came=True), *tries("q", 2, came=False), *tries("r", 0, came=True))
    notes = door.report("retries", **OVER_ALL)["notes"]
    assert notes[0].startswith("1 of 3 pieces were right at the first attempt, which lies between ")
    assert any("final_yield says that" in note for note in notes)
    assert any(note.startswith("1 piece not decided: ") for note in notes)
    assert any(note.startswith("all thicknesses stand together here") for note in notes)
    assert not any("all thicknesses" in note for note in door.report("retries", **WINDOW)["notes"])
