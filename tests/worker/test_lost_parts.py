"""What was lost by stage, term, location and cause: each sort of word divides the same parts, minutes and money."""

from __future__ import annotations

from collections import Counter
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.conftest import Sites
from tests.event_sets import event_sets
from tests.independent_recount import recount
from tests.worker.state import against, rows_of
from worker.losses import UNSTATED
from worker.lost_parts import SEVERAL, SORTS
from worker.placing import MOST_COST_E6

Event = dict[str, Any]
Row = dict[str, Any]
STEEL = {"material": "S355", "thickness_mm": 20}
RATES = {"currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 3600, "material_per_kg": 1}


def at(clock: str) -> str:
    return f"2026-03-04T{clock}:00Z"


def finished(clock: str = "11:00", **data: Any) -> Event:
    return builders.event("attempt.finished", "A", time=at(clock), **({"outcome": "severed", **STEEL} | data))


def inspected(clock: str = "12:00", **data: Any) -> Event:
    return builders.event("attempt.inspected", "A", time=at(clock), **data)


def reworked(clock: str = "13:00", **data: Any) -> Event:
    work = {"operation": "grinding", "minutes": 5, "parts": 1} | data
    return builders.event("attempt.reworked", "A", time=at(clock), **work)


def found(sites: Sites, *events: Event, rates: Row | None = RATES) -> list[Row]:
    """Rows of the only attempt, in an installation with these rates."""
    site = sites.new()
    told = list(events)
    if rates is not None:
        told.append(builders.event("site.set", site, valid_from="2000-01-01", rates=rates))
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        return rows_of(connection, "lost_parts", site)


def parts(rows: list[Row], sort: str) -> dict[str, int]:
    """Parts lost by word, those with none left out."""
    return {row["word"]: row["parts_lost"] for row in rows if row["sort"] == sort and row["parts_lost"]}


def named(rows: list[Row], sort: str) -> dict[str, int]:
    return {row["word"]: row["parts_named"] for row in rows if row["sort"] == sort and row["parts_named"]}


def bearers(rows: list[Row]) -> dict[str, str]:
    """By sort the word that bears the minutes."""
    return {row["sort"]: row["word"] for row in rows if row["rework_minutes_e3"]}


SLAG = {"term": "slag_lower_edge"}
DRAG = {"term": "excessive_drag"}
KERF = {"term": "wide_kerf"}
LOST_CUT = {"term": "lost_cut"}
BURNT = {"term": "surface_burning"}


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        # The stage takes the most of one of its terms, 3; the largest term takes them all.
        ({"rework": 4, "defects": [SLAG | {"parts": 3}, DRAG | {"parts": 2}]}, {"slag_lower_edge": 3, UNSTATED: 1}),
        # Equal counts: by name.
        ({"rework": 2, "defects": [SLAG | {"parts": 2}, DRAG | {"parts": 2}]}, {"excessive_drag": 2}),
        # Counts of one term add up over its entries.
        (
            {"rework": 5, "defects": [SLAG | {"parts": 2}, DRAG | {"parts": 3}, SLAG | {"parts": 2}]},
            {"slag_lower_edge": 4, UNSTATED: 1},
        ),
        # Without a count it stands for all that are left.
        ({"rework": 5, "defects": [SLAG, DRAG | {"parts": 2}]}, {"excessive_drag": 2, "slag_lower_edge": 3}),
        # Nobody says which of two.
        ({"rework": 5, "defects": [SLAG, DRAG]}, {SEVERAL: 5}),
        # Each stage on its own: 2 at the surface, the rest by size.
        ({"scrap": 3, "defects": [KERF, SLAG | {"parts": 2}]}, {"slag_lower_edge": 2, "wide_kerf": 1}),
        # Burning that ate into the part stands at another stage, under the same term.
        ({"rework": 2, "scrap": 1, "defects": [BURNT | {"parts": 2}]}, {"surface_burning": 2, UNSTATED: 1}),
        # What was not made has the outcome for its word, as far as no term explains it.
        ({"outcome": "not_severed", "good": 1}, {"not_severed": 3}),
        (
            {"outcome": "not_severed", "good": 1, "defects": [LOST_CUT | {"parts": 2}]},
            {"lost_cut": 2, "not_severed": 1},
        ),
        ({"outcome": "not_severed", "good": 1, "defects": [LOST_CUT]}, {"lost_cut": 3}),
        ({"outcome": "pierce_failed", "defects": [{"term": "pierce_deviation"}]}, {"pierce_deviation": 4}),
        ({"outcome": "pierce_failed", "good": 1, "scrap": 1}, {"pierce_failed": 2, UNSTATED: 1}),
        ({"outcome": "aborted", "tried": 3, "good": 1}, {"aborted": 2}),
    ],
)
def test_terms_divide_the_parts_of_each_stage(sites: Sites, data: Event, expected: dict[str, int]) -> None:
    assert parts(found(sites, finished(quantity=4 if "outcome" in data else 5, **data)), "term") == expected


def test_the_last_finished_explains_what_was_not_made_without_a_count_of_its_own(sites: Sites) -> None:
    events = (
        finished("11:00", quantity=3, good=1, defects=[SLAG]),
        finished("11:10", outcome="not_severed", defects=[LOST_CUT, SLAG]),
    )
    rows = found(sites, *events)
    # 1 good, 2 not made: lost_cut explains them; the slag is of no part that was lost.
    assert parts(rows, "term") == {"lost_cut": 2}
    assert named(rows, "term") == {"lost_cut": 2, "slag_lower_edge": 2}
    assert parts(rows, "stage") == {"sever": 2}


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ({"rework": 3, "defects": [SLAG | {"location": "corner", "parts": 2}]}, {"corner": 2, UNSTATED: 1}),
        # Two terms at one place; the stage takes 2, the place has them both.
        (
            {
                "rework": 2,
                "defects": [
                    SLAG | {"location": "corner", "parts": 1},
                    DRAG | {"location": "corner", "parts": 1},
                    DRAG | {"location": "face", "parts": 1},
                ],
            },
            {"corner": 2},
        ),
        ({"rework": 2, "defects": [SLAG]}, {UNSTATED: 2}),
        # Nobody says where a part was not made.
        (
            {"outcome": "not_severed", "defects": [LOST_CUT | {"location": "corner", "parts": 1}]},
            {"corner": 1, UNSTATED: 2},
        ),
    ],
)
def test_locations_divide_the_parts_of_each_stage(sites: Sites, data: Event, expected: dict[str, int]) -> None:
    assert parts(found(sites, finished(quantity=3, **data)), "location") == expected


def causes(*told: tuple[str, str | None]) -> list[Row]:
    return [{"term": term} | ({"certainty": certainty} if certainty else {}) for term, certainty in told]


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ((), {(UNSTATED, ""): 2}),
        ((("slats", None),), {("slats", "suspected"): 2}),
        ((("slats", "confirmed"),), {("slats", "confirmed"): 2}),
        # Said both ways, in any order, it is confirmed.
        ((("slats", "confirmed"), ("slats", "suspected")), {("slats", "confirmed"): 2}),
        ((("slats", "suspected"), ("slats", "confirmed")), {("slats", "confirmed"): 2}),
        ((("slats", "confirmed"), ("handling", "suspected")), {(SEVERAL, ""): 2}),
    ],
)
def test_all_parts_go_to_the_one_cause(sites: Sites, told: Any, expected: dict[tuple[str, str], int]) -> None:
    rows = [row for row in found(sites, finished(scrap=2, causes=causes(*told))) if row["sort"] == "cause"]
    assert {(row["word"], row["certainty"]): row["parts_lost"] for row in rows if row["parts_lost"]} == expected
    # Each cause was named for all of them.
    assert {row["word"]: row["parts_named"] for row in rows if row["parts_named"]} == {term: 2 for term, _ in told}


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ((reworked(causes=causes(("slats", "suspected"))),), {"slats"}),
        ((inspected(stage="after_rework", good=1, causes=causes(("slats", None))),), {"slats"}),
        ((inspected(stage="downstream", scrap=1, causes=causes(("slats", None))),), {"slats"}),
        # Planned finishing tells nothing of what was wrong; an inspection of too many parts does not count.
        ((reworked(planned=True, causes=causes(("slats", "suspected"))),), set()),
        ((inspected(good=9, causes=causes(("slats", None))),), set()),
        # Of several finished the last that names causes, of the others all.
        ((finished("10:00", causes=causes(("handling", None))), finished("11:30", causes=causes(("slats", None)))),
         {"slats"}),
        ((finished("10:00", causes=causes(("handling", None))), inspected(scrap=1, causes=causes(("slats", None)))),
         {"handling", "slats"}),
    ],
)  # fmt: skip
def test_causes_are_those_of_the_events_that_say_what_was_wrong(sites: Sites, events: Any, expected: set[str]) -> None:
    rows = found(sites, finished(quantity=4, good=2, rework=1, scrap=1), *events)
    assert set(named(rows, "cause")) == expected


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (
            {"defects": [SLAG | {"location": "face", "parts": 1}], "causes": causes(("slats", None))},
            {"stage": "surface", "term": "slag_lower_edge", "location": "face", "cause": "slats"},
        ),
        ({}, dict.fromkeys(SORTS, UNSTATED)),
        (
            {"defects": [SLAG | {"location": "face"}, KERF], "causes": causes(("slats", None), ("other", None))},
            {"stage": SEVERAL, "term": SEVERAL, "location": "face", "cause": SEVERAL},
        ),
    ],
)
def test_minutes_and_cost_go_to_the_only_word(sites: Sites, data: Event, expected: dict[str, str]) -> None:
    rows = found(sites, finished(quantity=4, good=1, rework=2, scrap=1, seconds=8, **data), reworked(minutes=2.5))
    assert bearers(rows) == expected
    for sort in SORTS:
        of_sort = [row for row in rows if row["sort"] == sort]
        assert sum(row["rework_minutes_e3"] for row in of_sort) == 2_500
        # 2.5 min at 60 an hour, and 1 of 4 parts of 8 s at 1 a second
        assert {row["word"]: row["cost_e6"] for row in of_sort if row["cost_e6"]} == {expected[sort]: 4_500_000}


def test_what_was_not_made_is_a_stage_and_a_word_beside_what_is_named(sites: Sites) -> None:
    rows = found(sites, finished(outcome="not_severed", quantity=4, good=1, rework=1, defects=[SLAG]), reworked())
    assert parts(rows, "stage") == {"sever": 2, "surface": 1}
    assert bearers(rows) == {"stage": SEVERAL, "term": SEVERAL, "location": UNSTATED, "cause": UNSTATED}


def test_work_on_parts_that_no_one_judged_is_lost_time_without_parts(sites: Sites) -> None:
    # Nothing is good, so nothing of it can have been rework: all parts are pending.
    rows = found(sites, finished(quantity=4), reworked(minutes=3))
    assert {(row["sort"], row["word"], row["parts_lost"], row["rework_minutes_e3"]) for row in rows} == {
        (sort, UNSTATED, 0, 3_000) for sort in SORTS
    }


def test_time_that_came_to_nothing_is_lost_without_parts(sites: Sites) -> None:
    rows = found(sites, finished(outcome="aborted", stop_reason="power", seconds=5, tried=0))
    assert {(row["word"], row["parts_lost"], row["cost_e6"]) for row in rows} == {(UNSTATED, 0, 5_000_000)}


def test_cost_that_is_not_known_is_null_where_it_stands_and_nothing_elsewhere(sites: Sites) -> None:
    rows = found(sites, finished(scrap=2, causes=causes(("slats", None), ("other", None))), rates=None)
    assert {row["word"]: row["cost_e6"] for row in rows if row["sort"] == "cause"} == {
        SEVERAL: None, "slats": 0, "other": 0,
    }  # fmt: skip


@pytest.mark.parametrize(
    "data", [{"good": 4}, {"quantity": 4}, {"good": 4, "defects": [SLAG], "causes": causes(("slats", None))}]
)
def test_an_attempt_that_lost_nothing_has_no_rows(sites: Sites, data: Event) -> None:
    assert found(sites, finished(**data)) == []


def test_a_void_takes_the_rows_with_it(sites: Sites) -> None:
    cut = finished(scrap=2)
    void = builders.event("event.voided", "A", source=cut["source"], id="void", reason="mistyped")
    void["data"] = {"source": cut["source"], "id": cut["id"], "reason": "mistyped"}
    assert found(sites, cut, void) == []


# --- any set of events ------------------------------------------------------------------------------------------


def test_every_sort_divides_what_the_attempts_lost(sites: Sites) -> None:
    @settings(max_examples=sites.examples(30))
    @given(events=event_sets(mismatched_voids=False), random=st.randoms(use_true_random=False))
    def check(events: list[Event], random: Random) -> None:
        add_up(sites, events, random)

    check()


def add_up(sites: Sites, events: list[Event], random: Random) -> None:
    site = sites.new()
    told = [each | {"subject": site} if each["subject"] == "main" else each for each in events]
    random.shuffle(told)
    for some in (told[: len(told) // 2], told[len(told) // 2 :]):
        builders.append(sites.database, some, site=site)
        builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        against(connection, site, recount(told, site=site))
        attempts = {row["attempt"]: row for row in rows_of(connection, "attempts", site)}
        rows = rows_of(connection, "lost_parts", site)
    sums: dict[tuple[str, str], Counter[str]] = {}
    for row in rows:
        whole = attempts[row["attempt"]]
        amounts = sums.setdefault((row["attempt"], row["sort"]), Counter())
        amounts.update({name: row[name] for name in ("parts_lost", "rework_minutes_e3")})
        amounts["cost_e6"] += MOST_COST_E6 * 2 if row["cost_e6"] is None else row["cost_e6"]
        lost = whole["rework"] + whole["scrap"] + whole["not_made"]
        assert row["parts_named"] <= lost
        if row["word"] not in (SEVERAL, UNSTATED):
            assert row["parts_lost"] <= row["parts_named"]
        if row["sort"] == "stage":
            assert row["parts_lost"] == whole.get(f"lost_{row['word']}", 0)
    for attempt, whole in attempts.items():
        lost = sum(whole[name] for name in ("rework", "scrap", "not_made"))
        cost = MOST_COST_E6 * 2 if whole["cost_e6"] is None else whole["cost_e6"]
        expected = {"parts_lost": lost, "rework_minutes_e3": whole["rework_minutes_e3"], "cost_e6": cost}
        for sort in SORTS:
            if (attempt, sort) in sums:
                assert sums[attempt, sort] == expected
            else:
                # Only what lost nothing has no rows; its cost is nothing, or not known like all of its kind.
                assert (lost, whole["rework_minutes_e3"], whole["lost_us"] or 0) == (0, 0, 0) or cost == 0
