"""Report coverage: what entries lack, and what looks unlike life. Through the door."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened
from worker.folding import instant_us
from worker.reports import entry_counts
from worker.reports.entry_counts import LACKS, silence

FIRST_MONDAY = date(2026, 1, 5)
WINDOW = {"from_": "2026-01-05", "to": "2026-06-30"}
BAY_1, BAY_2, BAY_3 = (f"/terminals/bay-{number}" for number in (1, 2, 3))
FULL: dict[str, Any] = {
    "plate": "P", "job": "J", "pierces": 5, "failed_pierces": 0, "seconds": 60, "quantity": 1, "good": 1,
    "machine": "Laser 1",
}  # fmt: skip


def at(day: int, clock: str = "10:00") -> str:
    """An instant of a clock time, UTC, so many days after the first Monday."""
    return f"{FIRST_MONDAY + timedelta(days=day)}T{clock}:00Z"


def told_fully(name: str, **data: Any) -> dict[str, Any]:
    """An attempt of which everything is told; a value of ... leaves a field out."""
    return cut(name, **{**FULL, "piece": name, "time": at(0), **data})


def criteria(report: dict[str, Any], name: str | None = None, scope: str = "site") -> dict[str, dict[str, Any]]:
    """The rows of the site, or of a name, by their criterion."""
    return {row["criterion"]: row for row in report["rows"] if (row["scope"], row["name"]) == (scope, name)}


def amiss(row: dict[str, Any]) -> tuple[int, int, str | None]:
    return row["x"], row["n"], row["verdict"]


# --- what entries lack ------------------------------------------------------------------------------------------

WITHOUT: dict[str, dict[str, Any]] = {
    "no_plate": {"plate": ...},
    "no_piece": {"piece": ...},
    "no_pierces": {"pierces": ..., "failed_pierces": ...},
    "no_seconds": {"seconds": ...},
    "no_verdict": {"good": ...},
}


@pytest.mark.parametrize("lack", LACKS)
def test_coverage_counts_attempts_that_lack_something(door: Door, lack: str) -> None:
    door.told(*(told_fully(f"A{n}", **(WITHOUT[lack] if n == 0 else {})) for n in range(10)))
    report = door.report("coverage", **WINDOW)
    rows = criteria(report)
    assert {name: amiss(rows[name]) for name in LACKS} == {
        name: (1, 10, "doubtful") if name == lack else (0, 10, "good") for name in LACKS
    }
    assert (rows[lack]["share"], rows[lack]["counted"]) == (0.1, "attempts")
    assert rows[lack]["share_low"] < 0.1 < rows[lack]["share_high"]
    assert criteria(report, BAY_1, "terminal")[lack]["x"] == 1
    assert (report["details"]["criteria_doubtful"], report["details"]["names_doubtful"]) == (1, 1)
    (note,) = [note for note in report["notes"] if note.startswith("10 % of the attempts ")]
    assert note


def test_coverage_takes_a_retry_for_named_and_a_piece_without_job_or_plate_for_none(door: Door) -> None:
    door.told(
        told_fully("A", piece=..., retry_of="before"),
        told_fully("B", plate=..., job=..., piece="1"),
    )
    assert amiss(criteria(door.report("coverage", **WINDOW))["no_piece"]) == (1, 2, "doubtful")


def test_coverage_tells_whose_entries_lack_something(door: Door) -> None:
    door.set(aliases=[{"kind": "machine", "name": "Laser One", "also": ["laser 1"]}])
    door.told(
        told_fully("A", source=BAY_1), told_fully("B", source=BAY_2, plate=..., machine="laser 2"),
        told_fully("C", source=BAY_2, time=at(0, "15:00"), machine=...),
    )  # fmt: skip
    found = {
        who: [
            (row["scope"], row["name"], row["x"], row["n"])
            for row in door.report("coverage", who=who, **WINDOW)["rows"]
            if row["criterion"] == "no_plate"
        ]
        for who in ("terminal", "machine", "shift")
    }
    assert found == {
        "terminal": [("site", None, 1, 3), ("terminal", BAY_1, 0, 1), ("terminal", BAY_2, 1, 2)],
        "machine": [
            ("site", None, 1, 3), ("machine", "Laser One", 0, 1), ("machine", "laser 2", 1, 1), ("machine", None, 0, 1),
        ],
        "shift": [("site", None, 1, 3), ("shift", "early", 1, 2), ("shift", "late", 0, 1)],
    }  # fmt: skip


def test_coverage_knows_that_entries_of_one_day_stand_or_fall_together(door: Door) -> None:
    # On two of eight days nobody told the plate, of any of five attempts.
    door.told(
        *(
            told_fully(f"A{day}-{n}", time=at(day), **({"plate": ...} if day < 2 else {}))
            for day in range(8)
            for n in range(5)
        )
    )
    row = criteria(door.report("coverage", **WINDOW))["no_plate"]
    assert (row["share"], row["clusters"]) == (0.25, 8)
    assert row["design_effect"] == pytest.approx(5, rel=0.1)
    # 40 entries that know nothing of each other would give 0.14 to 0.40.
    assert row["share_low"] < 0.11
    assert row["share_high"] > 0.45


# --- times ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "clocks", "doubtful"),
    [
        ({}, ["13:50", "13:55", "14:00"], 3),
        ({}, ["13:49", "13:55", "14:00"], 0),
        ({}, ["13:55", "13:59"], 0),
        # Told after the end: in the shift that follows.
        ({}, ["14:01", "14:05", "14:10"], 3),
        ({}, ["14:01", "14:05", "14:11"], 0),
        # The night shift ends on the next date.
        ({}, ["05:52", "05:55", "05:58"], 3),
        ({"plausibility": {"shift_end_minutes": 15}}, ["13:45", "13:55", "13:59"], 3),
        ({"plausibility": {"shift_end_entries": 4}}, ["13:55", "13:56", "13:59"], 0),
        # 14:00 in Berlin is 13:00 UTC in winter.
        ({"zone": "Europe/Berlin"}, ["12:52", "12:55", "12:58"], 3),
        ({"zone": "Europe/Berlin"}, ["13:52", "13:55", "13:58"], 0),
        ({"shifts": [{"name": "day", "start": "07:30"}]}, ["07:25", "07:31", "07:39"], 3),
        ({"shifts": [{"name": "day", "start": "07:30"}]}, ["07:25", "07:31", "07:41"], 0),
    ],
)
def test_coverage_doubts_times_that_all_lie_at_the_end_of_a_shift(
    door: Door, settings: dict[str, Any], clocks: list[str], doubtful: int
) -> None:
    if settings:
        door.set(**settings)
    door.told(*(told_fully(f"A{n}", time=at(3, clock), seconds=...) for n, clock in enumerate(clocks)))
    row = criteria(door.report("coverage", **WINDOW))["at_shift_end"]
    assert row["x"] == doubtful
    if not row["n"]:
        assert (row["verdict"], row["share"]) == (None, None)
        assert row["reason"].startswith("no shift in which a terminal told of")


@pytest.mark.parametrize(
    ("day", "wall", "doubtful"),
    [
        # Day 82 is Saturday, 2026-03-28: 14:00 in Berlin is 13:00 UTC; the shift before it ended at 05:00 UTC.
        (82, "12:55", 3), (82, "11:55", 0), (82, "05:05", 3),
        # In the night clocks go forward: its shift ends at 04:00 UTC, the early one of Sunday at 12:00 UTC.
        (83, "03:55", 3), (83, "11:55", 3), (83, "12:55", 0), (83, "13:55", 0),
    ],
)  # fmt: skip
def test_coverage_follows_the_change_of_clocks(door: Door, day: int, wall: str, doubtful: int) -> None:
    door.set(zone="Europe/Berlin")
    door.told(*(told_fully(f"A{n}", time=at(day, wall), seconds=...) for n in range(3)))
    assert criteria(door.report("coverage", **WINDOW))["at_shift_end"]["x"] == doubtful


def test_coverage_looks_at_each_terminal_and_shift_alone(door: Door) -> None:
    # At bay 1 the early shift is told around its end, the late one as it goes; at bay 2 all as it goes.
    walls = ["13:56", "13:59", "14:01", "14:05", "15:30", "16:30", "17:30", "18:30"]
    early = [told_fully(f"L{n}", source=BAY_1, time=at(0, wall), seconds=...) for n, wall in enumerate(walls)]
    live = [told_fully(f"E{n}", source=BAY_2, time=at(0, f"{n + 6:02d}:30"), seconds=...) for n in range(8)]
    door.told(*early, *live)
    report = door.report("coverage", **WINDOW)
    found = {name: amiss(criteria(report, name, "terminal")["at_shift_end"]) for name in (BAY_1, BAY_2)}
    assert found == {BAY_1: (4, 8, "doubtful"), BAY_2: (0, 8, "good")}
    assert amiss(criteria(report)["at_shift_end"]) == (4, 16, "doubtful")
    assert any(
        note.startswith("25 % of the attempts were told within minutes of a shift's end") for note in report["notes"]
    )


# --- completed jobs ---------------------------------------------------------------------------------------------


def closed(job: str, day: int, reason: str = "complete") -> dict[str, Any]:
    return event("job.closed", job, time=at(day), reason=reason)


def test_coverage_misses_parts_that_completed_jobs_asked_for(door: Door) -> None:
    door.told(
        # Six good, one of two recovered; nothing of K, more than asked of L.
        opened("J", quantity=10, time=at(0)),
        cut("A", job="J", quantity=9, good=6, rework=2, scrap=1, time=at(1)),
        event("attempt.reworked", "A", time=at(1, "12:00"), operation="grinding", minutes=5, parts=2, recovered=1),
        closed("J", 2), opened("K", quantity=5, time=at(0)), closed("K", 2),
        opened("L", quantity=5, time=at(0)), cut("B", job="L", quantity=7, good=7, time=at(1)), closed("L", 2),
        # Not completed, not in the window, not production: not asked for.
        opened("M", quantity=100, time=at(0)), closed("M", 2, "cancelled"), opened("N", quantity=100, time=at(0)),
        opened("O", quantity=100, time=at(-30)), closed("O", -1),
        opened("T", quantity=100, purpose="trial", time=at(0)), closed("T", 2),
    )  # fmt: skip
    report = door.report("coverage", **WINDOW)
    row = criteria(report)["parts_not_recorded"]
    assert amiss(row) == (3 + 5, 10 + 5 + 5, "doubtful")
    assert (row["counted"], row["clusters"], report["details"]["jobs_completed"]) == ("parts", 3, 3)
    assert any(note.startswith("40 % of the parts that completed jobs asked for") for note in report["notes"])
    assert criteria(door.report("coverage", purpose="all", **WINDOW))["parts_not_recorded"]["n"] == 120
    filtered = door.report("coverage", thickness_mm="20", **WINDOW)
    assert "parts_not_recorded" not in criteria(filtered)
    assert filtered["details"]["jobs_completed"] is None
    assert any("without filters other than purpose" in note for note in filtered["notes"])


# --- clocks -----------------------------------------------------------------------------------------------------


def test_coverage_finds_a_clock_that_is_ahead(door: Door) -> None:
    door.clock.now_us = instant_us(at(10, "10:00"))
    door.told(
        *(told_fully(f"A{n}", source=BAY_1, time=at(10, "09:00")) for n in range(3)),
        told_fully("late", source=BAY_1, time=at(2, "09:00")),
        told_fully("just", source=BAY_1, time=at(10, "10:01")),
        told_fully("ahead", source=BAY_2, time=at(10, "10:02")),
    )
    report = door.report("coverage", **WINDOW)
    found = {name: amiss(criteria(report, name, "terminal")["clock_ahead"]) for name in (BAY_1, BAY_2)}
    assert found == {BAY_1: (0, 5, "good"), BAY_2: (1, 1, "doubtful")}
    row = criteria(report)["clock_ahead"]
    assert (amiss(row), row["counted"], row["share_low"]) == ((1, 6, "doubtful"), "events", None)
    assert "clock_ahead" not in criteria(door.report("coverage", who="machine", **WINDOW))


def test_coverage_reads_the_events_that_were_received_in_the_window_and_no_more_than_so_many(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in range(6):
        door.clock.now_us = instant_us(at(day, "10:00"))
        door.told(told_fully(f"A{day}", time=at(day, "09:00")), told_fully(f"B{day}", time=at(day, "10:30")))

    def of_events(first: int, last: int) -> tuple[int, int, str | None]:
        window = {"from_": str(FIRST_MONDAY + timedelta(days=first)), "to": str(FIRST_MONDAY + timedelta(days=last))}
        return amiss(criteria(door.report("coverage", **window))["clock_ahead"])

    assert of_events(0, 5) == (6, 12, "doubtful")
    assert of_events(0, 2) == (3, 6, "doubtful")
    assert of_events(2, 3) == (2, 4, "doubtful")
    monkeypatch.setattr(entry_counts, "MOST_EVENTS", 3)
    assert of_events(0, 2) == (2, 3, "doubtful")


# --- perfect records and silence --------------------------------------------------------------------------------


def plates(source: str, goods: list[int], *, mm: int = 20) -> list[dict[str, Any]]:
    """A plate a day, each with an attempt of five parts of which so many were good."""
    return [
        told_fully(
            f"{source}-{mm}-{day}", source=source, plate=f"P{source}-{mm}-{day}", time=at(day), quantity=5, good=good,
            scrap=5 - good, thickness_mm=mm,
        )
        for day, good in enumerate(goods)
    ]  # fmt: skip


def test_coverage_doubts_a_record_without_a_failure_that_chance_does_not_give(door: Door) -> None:
    # Bay 3 is much better than bay 1 too, but it does tell of a failure.
    door.told(*plates(BAY_1, [3, 4, 3, 4, 2] * 8), *plates(BAY_2, [5] * 20), *plates(BAY_3, [5] * 19 + [4]))
    report = door.report("coverage", **WINDOW)
    found = {name: criteria(report, name, "terminal")["perfect_record"] for name in (BAY_1, BAY_2, BAY_3)}
    assert {name: amiss(row) for name, row in found.items()} == {
        BAY_1: (72, 200, "good"), BAY_2: (0, 100, "doubtful"), BAY_3: (1, 100, "good"),
    }  # fmt: skip
    assert found[BAY_2]["p_value"] < 1e-6
    site = criteria(report)["perfect_record"]
    assert (amiss(site), site["counted"]) == ((1, 3, "doubtful"), "terminals")
    assert any(note.startswith(f"terminal {BAY_2}: all of 100 parts good at once") for note in report["notes"])


def test_coverage_does_not_doubt_a_perfect_record_where_others_are_as_good_or_cut_thicker(door: Door) -> None:
    door.told(*plates(BAY_1, [5] * 12), *plates(BAY_2, [5] * 12), *plates(BAY_1, [2, 3] * 6, mm=40))
    report = door.report("coverage", **WINDOW)
    assert criteria(report, BAY_2, "terminal")["perfect_record"]["verdict"] == "good"
    assert criteria(report)["perfect_record"]["x"] == 0


def test_coverage_finds_a_terminal_that_fell_silent(door: Door) -> None:
    door.told(
        *plates(BAY_1, [5] * 30),
        *plates(BAY_2, [5] * 20),
        # Only every fifth day, and not yet for longer than ever.
        *(told_fully(f"S{day}", source=BAY_3, time=at(day)) for day in range(0, 26, 5)),
        # Repaired for nine days before; new, and known for three days.
        *(told_fully(f"R{day}", source="/repaired", time=at(day)) for day in (*range(3), *range(12, 22))),
        *(told_fully(f"N{day}", source="/new", time=at(day)) for day in range(26, 29)),
    )
    report = door.report("coverage", **WINDOW)
    names = (BAY_1, BAY_2, BAY_3, "/repaired", "/new")
    found = {name: criteria(report, name, "terminal")["silent"] for name in names}
    assert {name: amiss(row) for name, row in found.items()} == {
        BAY_1: (0, 30, "good"), BAY_2: (10, 30, "doubtful"), BAY_3: (4, 30, "good"),
        "/repaired": (8, 30, "good"), "/new": (1, 4, "good"),
    }  # fmt: skip
    assert found["/repaired"]["p_value"] < 0.01
    assert found[BAY_2]["p_value"] == pytest.approx(silence_chance(known=20, idle=0, silent=10))
    assert any(
        note.startswith(f"terminal {BAY_2}: nothing told on the last 10 working days") for note in report["notes"]
    )
    # A machine can fall silent, a shift that is not worked is no silence.
    assert "silent" in criteria(door.report("coverage", who="machine", **WINDOW))
    assert "silent" not in criteria(door.report("coverage", who="shift", **WINDOW))


def silence_chance(*, known: int, idle: int, silent: int) -> float:
    """Laplace's rule of succession, one silent day after the other."""
    chance = 1.0
    for further in range(silent):
        chance *= (idle + further + 1) / (known + further + 2)
    return chance


def test_silence_is_counted_in_working_days() -> None:
    days = [f"2026-01-{day:02d}" for day in (5, 6, 7, 8, 9, 12, 13, 14, 15, 16)]
    # Began on the second day, left out the third and fourth, was last seen on the seventh.
    found = silence([days[1], days[4], days[5], days[6]], days)
    assert (found.silent, found.since_first, found.longest) == (3, 9, 2)
    # Of 6 days known 2 were without a word: 3/8 x 4/9 x 5/10.
    assert found.chance == pytest.approx(3 / 8 * 4 / 9 * 5 / 10)
    assert silence(days, days).chance == 1.0


# --- the answer -------------------------------------------------------------------------------------------------


def some_entries() -> list[dict[str, Any]]:
    rng = Random(7)
    events = [opened("J", quantity=50, time=at(0)), closed("J", 9)]
    for number in range(60):
        lacking = WITHOUT[rng.choice(LACKS)] if rng.random() < 0.3 else {}
        source, clock = rng.choice((BAY_1, BAY_2)), f"{rng.randrange(6, 22):02d}:{rng.randrange(60):02d}"
        events.append(told_fully(f"A{number}", source=source, time=at(rng.randrange(8), clock), **lacking))
    return events


def test_coverage_does_not_depend_on_the_order_of_arrival(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    events = some_entries()
    door.told(*events)
    Random(5).shuffle(events)
    for each in events:
        other.post(each)
    other.count()
    one, two = (where.report("coverage", **WINDOW) for where in (door, other))
    assert {key: one[key] for key in ("rows", "details", "notes")} == {
        key: two[key] for key in ("rows", "details", "notes")
    }


def test_coverage_csv_has_the_rows_of_the_json(door: Door) -> None:
    door.told(*some_entries())
    rows = door.rows("coverage", **WINDOW)
    answer = door.get("/v1/reports/coverage", format="csv", **{key.rstrip("_"): value for key, value in WINDOW.items()})
    lines = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in rows]
    assert [int(line["n"]) for line in lines] == [row["n"] for row in rows]


def test_coverage_is_described_with_each_column(door: Door) -> None:
    door.told(*some_entries())
    (entry,) = [entry for entry in door.read("/v1/reports")["reports"] if entry["name"] == "coverage"]
    report = door.report("coverage", **WINDOW)
    assert [column["name"] for column in entry["columns"]] == list(report["rows"][0])
    assert [column["name"] for column in entry["details"]] == list(report["details"])
    assert [option["name"] for option in entry["options"]] == ["who"]


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [({"who": "operator"}, "who"), ({"by": "machine"}, "by"), ({"per": "day"}, "per"), ({"last": "8 weeks"}, "last")],
)
def test_coverage_refuses_what_it_cannot_answer(door: Door, asked: dict[str, str], parameter: str) -> None:
    answer = door.get("/v1/reports/coverage", **asked)
    assert answer.status_code == 422
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


@pytest.mark.parametrize(
    "window", [{}, {"from_": "9999-12-30", "to": "9999-12-31"}, {"from_": "0001-01-01", "to": "0001-01-02"}]
)
def test_coverage_of_nothing_is_empty(door: Door, window: dict[str, str]) -> None:
    door.set(zone="Asia/Tokyo")
    report = door.report("coverage", **window)
    assert (report["rows"], report["totals"], report["details"]["attempts"]) == ([], {}, 0)
    assert report["notes"] == ["no attempt was finished in this window: there is nothing to trust or to doubt"]


def test_coverage_says_that_nothing_found_proves_nothing(door: Door) -> None:
    door.told(*(told_fully(f"A{n}", time=at(n)) for n in range(4)))
    report = door.report("coverage", **WINDOW)
    assert report["notes"] == [
        "nothing that is looked at speaks against these figures; that does not prove what was entered"
    ]
    assert report["details"]["criteria_doubtful"] == 0
