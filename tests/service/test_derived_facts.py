"""Derived facts through the door: what each attempt found, and what reports say of those that failures go with."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.builders import append, event
from tests.service.conftest import Door, Service, cut, opened, void
from worker.events import NOT_THE_PROCESS
from worker.reports import derived_facts
from worker.reports.derived_facts import judged_with_facts
from worker.reports.dimensions import DIMENSIONS
from worker.reports.fact_bands import CORNER, FACTS, HOLE, HOURS, MINUTES, NOT_KNOWN, ORDER, PIERCES, WEB
from worker.reports.questions import LeftOut, Question
from worker.reports.reading import open_site

MONDAY = datetime(2026, 3, 2, 6, tzinfo=UTC)
QUESTION = Question(date(2026, 3, 1), date(2026, 3, 31), (), {}, {}, 0.95)


def at(minute: int, day: int = 0) -> str:
    """So many minutes after six o'clock (UTC) of a day of the week."""
    return (MONDAY + timedelta(days=day, minutes=minute)).isoformat().replace("+00:00", "Z")


def began(name: str, minute: int, day: int = 0, **data: Any) -> dict[str, Any]:
    """An attempt of one good part on plate P by Laser 1 that began then, unless told otherwise."""
    told = {"machine": "Laser 1", "plate": "P", "quantity": 1, "seconds": 60, "pierces": 10, "failed_pierces": 0}
    told |= data if data.get("rework") else {"good": 1} | data
    return cut(name, time=at(minute + 1, day), **told)


def serviced(minute: int, day: int = 0, what: str = "nozzle", machine: str = "Laser 1") -> dict[str, Any]:
    return event("machine.serviced", machine, time=at(minute, day), what=what)


def facts(
    door: Door, *, first: date = date(2026, 3, 1), left_out: tuple[LeftOut, ...] = (), **filters: tuple[Any, ...]
) -> dict[str, list[int]]:
    """The values of each fact over the judged attempts of a question, in the order in which these began."""
    question = replace(QUESTION, first_day=first, filters=filters, left_out=left_out)
    with door.database.read() as connection:
        judged = judged_with_facts(open_site(connection, door.site), question)
    assert judged is not None
    return {name: value.tolist() for name, value in judged.values.items()}


# --- each fact, by hand -----------------------------------------------------------------------------------------


def test_order_and_minutes_count_from_the_first_cut_of_the_plate(door: Door) -> None:
    door.told(
        began("A", 0), began("B", 20), began("C", 75), began("D", 80, plate="Q"), began("E", 100, plate=...),
        began("F", 60, day=1, machine="Laser 2"),
    )  # fmt: skip
    found = facts(door)
    assert found[ORDER] == [1, 2, 3, 1, NOT_KNOWN, 4]
    assert found[MINUTES] == [0, 20, 75, 0, NOT_KNOWN, 25 * 60]


def test_what_was_cut_before_the_window_and_whatever_is_not_counted_comes_before(door: Door) -> None:
    door.told(
        began("A", 0), began("B", 10, purpose="trial"), began("C", 30, day=1, piece="C"),
        began("D", 40, day=1, piece="C", retry_of="C"), began("E", 50, day=1), began("open", 55, day=1, good=...),
    )  # fmt: skip
    found = facts(door, first=date(2026, 3, 3), purpose=("production",))
    # C is the third, D is no first attempt and not judged as such, E the fifth.
    assert found[ORDER] == [3, 5]
    assert found[MINUTES] == [24 * 60 + 30, 24 * 60 + 50]


def test_what_few_people_cut_comes_before_nothing(door: Door) -> None:
    door.told(
        began("A", 0, machine="Laser 2"), began("B", 20), began("C", 30, day=1, machine="Laser 2"),
        began("D", 60, day=1),
    )  # fmt: skip
    of_few = (LeftOut((DIMENSIONS["machine"],), frozenset({("laser 2",)})),)
    for first, told in ((date(2026, 3, 1), [1, 2]), (date(2026, 3, 3), [2])):
        assert facts(door, first=first, left_out=of_few)[ORDER] == told
    assert facts(door, left_out=of_few)[MINUTES] == [0, 24 * 60 + 40]


def test_attempts_that_begin_at_one_instant_stand_in_the_order_of_their_ids(door: Door) -> None:
    door.told(began("B", 5, rework=1), began("A", 5))
    with door.database.read() as connection:
        judged = judged_with_facts(open_site(connection, door.site), QUESTION)
    assert judged is not None
    assert (judged.failures.tolist(), judged.values[ORDER].tolist()) == ([0, 1], [1, 2])


def test_hours_count_from_the_first_cut_of_the_machine_on_the_production_day(door: Door) -> None:
    door.told(
        began("A", 0), began("B", 59), began("C", 60), began("D", 200, machine="Laser 2"), began("E", 330),
        began("F", 30, day=1), began("G", 95, day=1), began("H", 96, day=1, machine=...),
    )  # fmt: skip
    assert facts(door)[HOURS] == [0, 0, 1, 0, 5, 0, 1, NOT_KNOWN]


def test_pierces_count_from_the_nozzle_and_what_a_check_mended_is_one(door: Door) -> None:
    check = event("machine.checked", "Laser 1", time=at(45), checks=[{"what": "nozzle", "found": "replaced"}])
    door.told(
        began("A", 0), serviced(5), began("B", 10), began("C", 20, pierces=3), serviced(25, what="lens"),
        began("D", 30), check, began("E", 50), began("F", 60, machine="Laser 2"), began("G", 60, day=1),
    )  # fmt: skip
    assert facts(door)[PIERCES] == [NOT_KNOWN, 0, 10, 13, 0, NOT_KNOWN, 10]
    assert facts(door, first=date(2026, 3, 3))[PIERCES] == [10]
    door.told(void(check))
    assert facts(door)[PIERCES] == [NOT_KNOWN, 0, 10, 13, 23, NOT_KNOWN, 33]


def test_ratios_are_those_of_the_job_by_the_thickness_of_the_plate(door: Door) -> None:
    door.told(
        opened("J", min_hole_mm=14, min_web_mm=20.5, min_corner_radius_mm=1), opened("K", min_hole_mm=30),
        began("A", 0, job="J"), began("B", 1, job="J", thickness_mm=10), began("C", 2, job="K"), began("D", 3, job="X"),
        began("E", 4),
    )  # fmt: skip
    found = facts(door)
    # 14 of 20 mm is 0.7, inside of the band that begins there.
    assert found[HOLE] == [700, 1400, 1500, NOT_KNOWN, NOT_KNOWN]
    assert found[WEB] == [1025, 2050, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN]
    assert found[CORNER] == [50, 100, NOT_KNOWN, NOT_KNOWN, NOT_KNOWN]


# --- any ledger, any order --------------------------------------------------------------------------------------

CUTS = st.lists(
    st.tuples(
        st.sampled_from("PQ"), st.sampled_from(["L1", "L2"]), st.integers(0, 2), st.integers(0, 300), st.integers(0, 9)
    ),
    min_size=1,
    max_size=12,
)
NOZZLES = st.lists(
    st.tuples(st.sampled_from(["L1", "L2"]), st.integers(0, 2), st.integers(0, 300)), max_size=4, unique=True
)


@settings(max_examples=12)
@given(cuts=CUTS, nozzles=NOZZLES, seed=st.integers(0, 99), first=st.integers(0, 2))
def test_facts_equal_a_walk_over_the_attempts_in_any_order_of_arrival(
    service: Service, cuts: list[Any], nozzles: list[Any], seed: int, first: int
) -> None:
    door = service.door()
    events = [
        began(f"A{number:02d}", minute, day, plate=plate, machine=machine, pierces=pierces)
        for number, (plate, machine, day, minute, pierces) in enumerate(cuts)
    ] + [serviced(minute, day, machine=machine) for machine, day, minute in nozzles]
    shuffled = random.Random(seed).sample(events, len(events))
    append(door.database, shuffled, site=door.site)
    door.count()
    walked: dict[str, list[int]] = {name: [] for name in (ORDER, MINUTES, HOURS, PIERCES)}
    in_order = sorted(range(len(cuts)), key=lambda number: (cuts[number][2:4], number))
    for place, number in enumerate(in_order):
        plate, machine, day, minute, _ = cuts[number]
        if day < first:
            continue
        before = [cuts[other] for other in in_order[:place]]
        on_plate = [each for each in before if each[0] == plate]
        of_day = [each for each in before if each[1] == machine and each[2] == day] + [cuts[number]]
        began_first = (on_plate or [cuts[number]])[0]
        services = [each[1:] for each in nozzles if each[0] == machine and each[1:] <= (day, minute)]
        since = [each for each in before if each[1] == machine and services and each[2:4] >= max(services)]
        walked[ORDER].append(1 + len(on_plate))
        walked[MINUTES].append((day - began_first[2]) * 1_440 + minute - began_first[3])
        walked[HOURS].append((minute - of_day[0][3]) // 60)
        walked[PIERCES].append(sum(each[4] for each in since) if services else NOT_KNOWN)
    found = facts(door, first=MONDAY.date() + timedelta(days=first))
    assert {name: found[name] for name in walked} == walked


# --- what reports say -------------------------------------------------------------------------------------------


def shop(failing: Iterable[int] = (4, 5, 6), *, plates: int = 24, **data: Any) -> list[dict[str, Any]]:
    """Plates of six attempts, ten minutes apart, of four parts: one of them fails at these, more on every third plate.

    Three plates a day; each on its own machine.
    """
    told = []
    for plate in range(plates):
        day, lane = divmod(plate, 3)
        for order in range(1, 7):
            bad = (1 + (plate % 3 == 0)) if order in failing else int((plate + order) % 12 == 0)
            words = {"quantity": 4, "rework": bad, "good": 4 - bad} | data
            told.append(began(f"{plate}-{order}", 10 * order, day, plate=f"P{plate}", machine=f"L{lane}", **words))
    return told


def explained(report: dict[str, Any], fact: str) -> list[dict[str, Any]]:
    return [row for row in report["details"]["explained_by"] if row["fact"] == fact]


@pytest.mark.parametrize("asked", [{}, {"by": "term"}, {"by": "machine,cause", "purpose": "all"}])
def test_losses_name_the_fact_that_failures_go_with(door: Door, asked: dict[str, str]) -> None:
    door.told(*shop())
    report = door.report("losses", **asked)
    rows = explained(report, ORDER)
    assert [(row["band_from"], row["band_to"], row["plates"], row["parts"]) for row in rows] == [
        (1, 2, 24, 96), (2, 4, 24, 192), (4, None, 24, 288),
    ]  # fmt: skip
    # At 4, 5 and 6 one part of each plate fails, on every third plate two.
    assert [row["failures"] for row in rows] == [2, 4, 3 * (24 + 8)]
    assert [row["share"] for row in rows] == pytest.approx([2 / 96, 4 / 192, 96 / 288])
    assert rows[-1]["more"] == pytest.approx(96 / 288 - 2 / 96)
    assert rows[0]["q_value"] < 0.001
    assert (rows[0]["trend"], rows[0]["unit"]) == ("rises", "attempts")
    (said,) = (note for note in report["notes"] if note.startswith("order of the attempt on its plate: "))
    assert "the higher, the more parts are not good at once" in said
    assert "in the last band 33.3%, where the first would give 2.1% at its mix" in said


def test_whatever_the_order_of_arrival_the_same_is_said(service: Service) -> None:
    events = [*shop(job="J"), opened("J", min_hole_mm=14), serviced(0), serviced(25, 2, machine="L1")]
    answers = []
    for seed in range(3):
        door = service.door()
        append(door.database, random.Random(seed).sample(events, len(events)), site=door.site)
        while door.count():
            pass
        report = door.report("losses", by="term")
        answers.append((report["rows"], report["details"], report["notes"]))
    assert answers[0] == answers[1] == answers[2]
    assert answers[0][1]["explained_by"]


def test_nothing_is_said_where_nothing_goes_with_failures_or_little_was_cut(door: Door) -> None:
    door.told(*shop((1, 2, 3, 4, 5, 6)))
    report = door.report("losses")
    assert report["details"]["explained_by"] == []
    # Bands of the order on the plate, and of minutes; all within the first hour of the day, no nozzle, no job.
    assert report["details"]["facts_tested"] == 2
    assert not any("the higher" in note for note in report["notes"])
    few = door.report("losses", machine="L0", week="2026-W10")
    assert few["details"] == {"explained_by": [], "facts_tested": 0}


def test_parts_lost_to_what_is_not_the_process_explain_nothing(door: Door) -> None:
    door.told(*shop(causes=[{"term": NOT_THE_PROCESS[0], "certainty": "confirmed"}]))
    assert door.report("losses")["details"]["explained_by"] == []


@pytest.mark.parametrize("name", ["limit", "recipes"])
def test_comparisons_name_what_they_do_not_hold_equal(door: Door, name: str) -> None:
    door.told(*shop(recipe={"name": "R", "revision": "A"}))
    report = door.report(name)
    assert len(explained(report, ORDER)) == 3
    (said,) = (note for note in report["notes"] if note.startswith("nothing here is held equal in this: "))
    assert "order of the attempt on its plate" in said


def test_a_window_with_too_many_attempts_is_not_looked_at_and_says_so(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(derived_facts, "MOST_ATTEMPTS", 100)
    door.told(*shop())
    report = door.report("losses")
    assert report["details"] == {"explained_by": [], "facts_tested": 0}
    assert any(note.startswith("too many attempts to look for facts") for note in report["notes"])


def test_the_catalogue_names_the_facts(door: Door) -> None:
    (told,) = (each for each in door.read("/v1/reports")["reports"] if each["name"] == "losses")
    (column,) = (each for each in told["details"] if each["name"] == "explained_by")
    named = next(item["definition"] for item in column["items"] if item["name"] == "fact")
    assert all(fact.name in named for fact in FACTS)
