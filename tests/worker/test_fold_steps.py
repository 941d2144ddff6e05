"""Each step of the fold of an attempt, in its order: events in, the row that is counted out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import orjson
import pytest

from tests import builders
from tests.conftest import Sites
from tests.worker.state import rows_of
from worker.database import Database
from worker.findings import findings
from worker.folding import instant_us
from worker.reports.reading import open_site, spellings

Event = dict[str, Any]
Row = dict[str, Any]
STEEL = {"material": "S355", "thickness_mm": 20}
PARTS = ("quantity", "tried", "good", "rework", "scrap", "not_made", "pending")


@dataclass(frozen=True)
class Shop:
    """A site of its own."""

    database: Database
    site: str


@pytest.fixture
def shop(sites: Sites) -> Shop:
    return Shop(sites.database, sites.new())


def told(shop: Shop, *events: Event) -> None:
    """Append events and count them; settings are about the shop's site."""
    own = [event | {"subject": shop.site} if event["subject"] == "main" else event for event in events]
    builders.append(shop.database, own, site=shop.site)
    builders.count(shop.database, site=shop.site)


def at(clock: str, *, day: str = "2026-03-04") -> str:
    return f"{day}T{clock}:00Z" if len(clock) == 5 else f"{day}T{clock}Z"


def started(clock: str = "10:00", attempt: str = "A", **data: Any) -> Event:
    return builders.event("attempt.started", attempt, time=at(clock), **data)


def finished(clock: str = "11:00", attempt: str = "A", **data: Any) -> Event:
    return builders.event("attempt.finished", attempt, time=at(clock), **({"outcome": "severed", **STEEL} | data))


def inspected(clock: str = "12:00", attempt: str = "A", **data: Any) -> Event:
    return builders.event("attempt.inspected", attempt, time=at(clock), **data)


def reworked(clock: str = "13:00", attempt: str = "A", **data: Any) -> Event:
    work = {"operation": "grinding", "minutes": 5, "parts": 1} | data
    return builders.event("attempt.reworked", attempt, time=at(clock), **work)


def job(name: str = "J", clock: str = "08:00", **data: Any) -> Event:
    stated = {"part_number": "BR-1", "quantity": 10, **STEEL} | data
    return builders.event("job.opened", name, time=at(clock), **stated)


def plate(name: str = "P", clock: str = "08:00", **data: Any) -> Event:
    return builders.event("plate.received", name, time=at(clock), **(STEEL | data))


def assessed(clock: str = "09:00", name: str = "P", **data: Any) -> Event:
    return builders.event("plate.assessed", name, time=at(clock), **data)


def settings(valid_from: str = "2000-01-01", **data: Any) -> Event:
    return builders.event("site.set", "main", valid_from=valid_from, **data)


def attempts(shop: Shop, *events: Event) -> dict[str, Row]:
    told(shop, *events)
    with shop.database.read() as connection:
        return {row["attempt"]: row for row in rows_of(connection, "attempts", shop.site)}


def fold(shop: Shop, *events: Event, attempt: str = "A") -> Row:
    return attempts(shop, *events)[attempt]


def seen(row: Row, *names: str) -> tuple[Any, ...]:
    return tuple(row[name] for name in names)


def codes(shop: Shop) -> list[tuple[str, str]]:
    with shop.database.read() as connection:
        return [(row["code"], row["subject"]) for row in rows_of(connection, "findings", shop.site)]


def tallied(shop: Shop, name: str) -> int:
    with shop.database.read() as connection:
        return sum(row[name] for row in rows_of(connection, "tallies", shop.site))


# --- step 1: what is said of the cut ----------------------------------------------------------------------------


def test_step_1_the_last_value_given_counts_over_started_and_finished(shop: Shop) -> None:
    row = fold(
        shop,
        started("10:00", machine="L1", gas="air", run="r1", operator="p-one"),
        finished("11:00", gas="oxygen", job="J", interruptions=2),
        started("11:30", machine="L2", piece="7"),
        finished("12:00", run="r2", plate="P"),
    )
    assert seen(row, "machine", "gas", "run", "operator", "job", "piece", "plate") == (
        "l2", "oxygen", "r2", "p-one", "J", "7", "P",
    )  # fmt: skip
    assert row["interruptions"] == 2


@pytest.mark.parametrize(
    ("events", "clock"),
    [
        # the last started, even when a finished gives another instant
        ([started("09:00"), started("10:00"), finished("11:00", started_at=at("08:00"))], "10:00"),
        ([finished("11:00", started_at=at("08:00"), seconds=60), finished("12:00")], "08:00"),
        ([finished("11:00", started_at=at("08:00")), finished("12:00", started_at=at("09:00"))], "09:00"),
        # 11:00 - 90 s, of the last finished that gives seconds
        ([finished("11:00", seconds=90), finished("12:00")], "10:58:30"),
        ([finished("11:00"), finished("12:00")], "12:00"),
    ],
)
def test_step_1_started_at(shop: Shop, events: list[Event], clock: str) -> None:
    assert fold(shop, *events)["started_us"] == instant_us(at(clock))


@pytest.mark.parametrize(
    ("events", "milliseconds"),
    [
        ([started("10:00"), finished("11:00", seconds=412.5)], 412_500),
        ([started("10:00"), finished("11:00", seconds=10), finished("12:00")], 10_000),
        ([started("10:00"), started("10:30"), finished("11:00"), finished("12:00")], 5_400_000),  # 12:00 - 10:30
        ([finished("11:00", started_at=at("10:00"))], None),
        ([finished("11:00"), started("11:30")], None),  # not negative
    ],
)
def test_step_1_seconds_are_given_or_from_start_to_finish(
    shop: Shop, events: list[Event], milliseconds: int | None
) -> None:
    assert fold(shop, *events)["seconds_ms"] == milliseconds


def test_step_1_outcome_and_stop_reason_are_those_of_the_last_finished(shop: Shop) -> None:
    row = fold(shop, finished("11:00", outcome="aborted", stop_reason="power"), finished("12:00"))
    assert seen(row, "outcome", "stop_reason") == ("severed", None)


def test_step_1_pierces_and_failed_pierces_come_together(shop: Shop) -> None:
    given = [
        finished("11:00", pierces=9, failed_pierces=3),
        finished("12:00", pierces=8, failed_pierces=1),
        finished("13:00"),
    ]
    assert seen(fold(shop, *given), "pierces", "failed_pierces") == (8, 1)
    # Of the last that gives either: pierces alone tell no rate
    assert seen(fold(shop, finished("14:00", pierces=7)), "pierces", "failed_pierces") == (None, None)


# --- step 2: quantity and tried ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "quantity", "tried"),
    [
        ({}, 1, 1),
        ({"quantity": 5}, 5, 5),
        ({"tried": 3}, 3, 3),
        ({"good": 2, "scrap": 2}, 4, 4),
        ({"quantity": 6, "tried": 4, "good": 3}, 6, 4),
        ({"quantity": 5, "tried": 0, "outcome": "pierce_failed"}, 5, 0),
        ({"quantity": 5, "outcome": "not_severed"}, 5, 5),
        # aborted: 2 counted + the one being cut when the process stopped it
        ({"quantity": 5, "good": 2, "outcome": "aborted", "stop_reason": "lost_cut"}, 5, 3),
        ({"quantity": 5, "good": 2, "outcome": "aborted", "stop_reason": "pierce"}, 5, 3),
        ({"quantity": 5, "good": 2, "outcome": "aborted", "stop_reason": "collision"}, 5, 3),
        ({"quantity": 5, "good": 2, "outcome": "aborted"}, 5, 3),
        # aborted for another reason: 2 counted + 0
        ({"quantity": 5, "good": 2, "outcome": "aborted", "stop_reason": "power"}, 5, 2),
        ({"quantity": 5, "good": 2, "outcome": "aborted", "stop_reason": "shift_end"}, 5, 2),
        # at most the quantity: 2 + 1 > 2
        ({"quantity": 2, "good": 2, "outcome": "aborted"}, 2, 2),
    ],
)
def test_step_2_quantity_and_tried(shop: Shop, data: Event, quantity: int, tried: int) -> None:
    assert seen(fold(shop, finished(**data)), "quantity", "tried") == (quantity, tried)


def test_step_2_quantity_is_the_largest_of_what_is_given_tried_and_the_operators_counts(shop: Shop) -> None:
    # quantity 2 as last given, tried 3, operator 1 + 3 = 4 (the last that gives any)
    row = fold(
        shop,
        started("10:00", quantity=9),
        finished("11:00", quantity=2, good=2),
        finished("11:10", tried=3),
        finished("11:20", good=1, scrap=3),
        finished("11:30"),
    )
    assert seen(row, "quantity", "tried", "good", "scrap") == (4, 4, 1, 3)


def test_step_2_tried_is_at_least_what_is_counted(shop: Shop) -> None:
    # Said to have reached 1 of 4; 3 were inspected
    row = fold(shop, finished(quantity=4, tried=1), inspected(good=3))
    assert seen(row, *PARTS) == (4, 3, 3, 0, 0, 0, 0)


def test_step_2_counted_of_an_aborted_run_holds_the_inspections(shop: Shop) -> None:
    # 1 by the operator + 1 by inspection, + 1 lost; the other 2 of 5 are outside everything
    row = fold(shop, finished(quantity=5, outcome="aborted", good=1), inspected(rework=1))
    assert seen(row, *PARTS) == (5, 3, 1, 1, 0, 1, 0)


# --- steps 3 and 4: the first verdict ---------------------------------------------------------------------------


def test_step_3_an_inspection_above_the_quantity_is_left_out_and_a_contradiction(shop: Shop) -> None:
    # 2 of 4, then 3 more would be 5, then 2 more are 4
    row = fold(
        shop,
        finished(quantity=4),
        inspected("12:00", good=2),
        inspected("12:10", scrap=3),
        inspected("12:20", rework=2),
    )
    assert seen(row, "good", "rework", "scrap") == (2, 2, 0)
    assert codes(shop) == [("more_inspected_than_cut", "A")]


def test_step_3_inspections_count_in_fold_order(shop: Shop) -> None:
    late, early = inspected("12:20", scrap=3), inspected("12:00", good=2)
    assert seen(fold(shop, finished(quantity=4), late), "good", "scrap") == (0, 3)
    assert seen(fold(shop, early), "good", "scrap") == (2, 0)


@pytest.mark.parametrize(
    ("own", "found", "verdict"),
    [
        # 4 parts; the operator judged 2, the inspection 2 others
        ({"good": 1, "rework": 1}, {"good": 1, "scrap": 1}, (2, 1, 1)),
        # excess 2 + 3 - 4 = 1: like from like, a good one
        ({"good": 2}, {"good": 2, "scrap": 1}, (3, 0, 1)),
        # excess 4 + 4 - 4 = 4: all of the operator's counts are judged again
        ({"good": 3, "rework": 1}, {"good": 2, "scrap": 2}, (2, 0, 2)),
        # excess 4 + 1 - 4 = 1: the inspection has a scrap, the operator none; the remainder from its good
        ({"good": 3, "rework": 1}, {"scrap": 1}, (2, 1, 1)),
        # excess 4 + 2 - 4 = 2: like from like takes 1 scrap, the remainder 1 good
        ({"good": 1, "rework": 2, "scrap": 1}, {"rework": 0, "scrap": 2}, (0, 2, 2)),
        # excess 4 + 3 - 4 = 3: like from like 1 rework; the remainder 1 good, then 1 rework
        ({"good": 1, "rework": 3}, {"rework": 1, "scrap": 2}, (0, 2, 2)),
        # excess 4 + 1 - 4 = 1: no good, no rework; the remainder from its scrap
        ({"scrap": 4}, {"good": 1}, (1, 0, 3)),
    ],
)
def test_step_4_what_the_sums_exceed_the_quantity_by_is_taken_out_of_the_operators(
    shop: Shop, own: Event, found: Event, verdict: tuple[int, ...]
) -> None:
    row = fold(shop, finished(quantity=4, **own), inspected(**found))
    assert seen(row, "good", "rework", "scrap") == verdict


def test_step_4_rest_released_makes_parts_of_tried_good(shop: Shop) -> None:
    # 6 tried of 8: 1 scrap, 5 good, of which 4 were judged by nobody
    row = fold(
        shop,
        finished(quantity=8, tried=6),
        inspected("12:00", good=1, scrap=1),
        inspected(good=0, rest_released=True),
    )
    assert seen(row, *PARTS, "released") == (8, 6, 5, 0, 1, 0, 0, 4)


def test_step_4_rest_released_by_an_inspection_left_out_releases_nothing(shop: Shop) -> None:
    row = fold(shop, finished(quantity=2), inspected(good=3, rest_released=True))
    assert seen(row, "good", "pending", "released") == (0, 2, 0)


# --- step 5: downstream, and parts without a verdict ------------------------------------------------------------


def test_step_5_downstream_moves_its_rework_and_scrap_out_of_good(shop: Shop) -> None:
    row = fold(
        shop,
        finished(quantity=6, good=5, scrap=1),
        inspected("12:00", stage="downstream", rework=1, scrap=2, good=2),
        inspected("12:10", stage="downstream", rework=1),
    )
    # good 5 - 1 - 2 - 1; its good confirms what is good already
    assert seen(row, "good", "rework", "scrap") == (1, 2, 3)


def test_step_5_downstream_moves_at_most_the_good_rework_before_scrap(shop: Shop) -> None:
    row = fold(shop, finished(quantity=3, good=3), inspected(stage="downstream", rework=2, scrap=2))
    # 2 of 3 to rework, 1 that is left to scrap
    assert seen(row, "good", "rework", "scrap") == (0, 2, 1)


@pytest.mark.parametrize(
    ("outcome", "not_made", "pending"),
    [("severed", 0, 3), ("not_severed", 3, 0), ("pierce_failed", 3, 0), ("aborted", 1, 0)],
)
def test_step_5_parts_without_a_verdict_are_pending_or_not_made(
    shop: Shop, outcome: str, not_made: int, pending: int
) -> None:
    # 1 of 4 judged: 3 left; an aborted run reached 1 + 1
    row = fold(shop, finished(quantity=4, good=1, outcome=outcome))
    assert seen(row, "not_made", "pending") == (not_made, pending)


# --- steps 6 and 7: rework --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "work", "good", "rework", "hidden"),
    [
        # Largest sum over an operation: grinding 2 + 1 = 3; declared 1: hidden 2
        ({"good": 4, "rework": 1}, [("grinding", 2), ("grinding", 1), ("deburring", 2)], 2, 3, 2),
        ({"good": 4, "rework": 3}, [("grinding", 3)], 4, 3, 0),
        # At most the good
        ({"good": 1, "scrap": 2}, [("grinding", 3)], 0, 1, 1),
        # Parts without a verdict yet are not good
        ({"quantity": 4}, [("grinding", 2)], 0, 0, 0),
    ],
)
def test_step_6_rework_that_no_one_declared_is_rework_all_the_same(
    shop: Shop, said: Event, work: list[tuple[str, int]], good: int, rework: int, hidden: int
) -> None:
    events = [reworked(f"13:0{index}", operation=name, parts=parts) for index, (name, parts) in enumerate(work)]
    assert seen(fold(shop, finished(**said), *events), "good", "rework", "hidden") == (good, rework, hidden)


def test_step_6_planned_finishing_hides_nothing(shop: Shop) -> None:
    row = fold(shop, finished(good=4), reworked(parts=4, planned=True, minutes=9))
    assert seen(row, "good", "rework", "hidden", "rework_minutes_e3") == (4, 0, 0, 0)


def test_step_6_released_parts_are_at_most_the_good_that_remain(shop: Shop) -> None:
    # 5 released; downstream scraps 2 and grinding worked on 2 undeclared: 1 good remains
    row = fold(
        shop,
        finished(quantity=5),
        inspected(good=0, rest_released=True),
        inspected("14:00", stage="downstream", scrap=2),
        reworked(parts=2),
    )
    assert seen(row, "good", "rework", "scrap", "released", "hidden") == (1, 2, 2, 1, 2)


@pytest.mark.parametrize(
    ("events", "recovered", "scrapped", "in_rework"),
    [
        ([], 0, 0, 4),
        ([reworked(parts=4, recovered=2, scrapped=1)], 2, 1, 1),
        ([reworked("13:00", parts=2, recovered=1), reworked("13:10", parts=3, recovered=1, scrapped=1)], 2, 1, 1),
        ([inspected("14:00", stage="after_rework", good=3, scrap=1)], 3, 1, 0),
        ([reworked(parts=4, recovered=1), inspected("14:00", stage="after_rework", good=1, scrap=1)], 2, 1, 1),
        # scrapped = min(4, 3 + 3), recovered = min(4 - 4, 2)
        (
            [reworked(parts=4, recovered=1, scrapped=3), inspected("14:00", stage="after_rework", good=1, scrap=3)],
            0, 4, 0,
        ),
        # planned finishing that ends with a verdict ends the rework too
        ([reworked(parts=4, planned=True, recovered=3)], 3, 0, 1),
        # after_rework that sends back to rework ends nothing
        ([inspected("14:00", stage="after_rework", rework=2)], 0, 0, 4),
    ],
)  # fmt: skip
def test_step_7_what_became_of_four_parts_in_rework(
    shop: Shop, events: list[Event], recovered: int, scrapped: int, in_rework: int
) -> None:
    row = fold(shop, finished(rework=4), *events)
    assert seen(row, "rework", "recovered", "scrapped", "in_rework") == (4, recovered, scrapped, in_rework)


@pytest.mark.parametrize(("scrapped", "recovered", "in_rework"), [(0, 2, 1), (1, 1, 1), (2, 0, 1)])
def test_step_7_hidden_rework_that_was_not_scrapped_is_recovered(
    shop: Shop, scrapped: int, recovered: int, in_rework: int
) -> None:
    # 1 declared + 2 hidden = 3 rework; recovered = max(0, 2 - scrapped)
    row = fold(shop, finished(good=4, rework=1), reworked(parts=3, scrapped=scrapped))
    assert seen(row, "rework", "hidden", "scrapped", "recovered", "in_rework") == (
        3, 2, scrapped, recovered, in_rework,
    )  # fmt: skip


# --- step 8: which attempt it is --------------------------------------------------------------------------------


def numbers(shop: Shop, *events: Event) -> dict[str, int | None]:
    return {name: row["attempt_no"] for name, row in attempts(shop, *events).items()}


def test_step_8_the_rank_on_a_piece_is_by_started_at_then_id(shop: Shop) -> None:
    piece = {"job": "J", "piece": "1"}
    events = [
        finished("10:00", "Z", **piece),
        finished("11:00", "b", **piece),
        finished("11:00", "a10", **piece),
        finished("11:00", "a2", **piece),
    ]
    assert numbers(shop, *events) == {"Z": 1, "a10": 2, "a2": 3, "b": 4}


def test_step_8_a_piece_is_named_within_its_job_else_its_plate_else_it_stands_alone(shop: Shop) -> None:
    events = [
        finished("10:00", "A", job="J", plate="P", piece="1"),
        finished("10:10", "B", job="K", plate="P", piece="1"),
        finished("10:20", "C", plate="P", piece="1"),
        finished("10:30", "D", plate="P", piece="1"),
        finished("10:40", "E", piece="1"),
        finished("10:50", "F", piece="1"),
        finished("11:00", "G", job="J"),
        finished("11:10", "H", job="J"),
    ]
    assert numbers(shop, *events) == {"A": 1, "B": 1, "C": 1, "D": 2, "E": 1, "F": 1, "G": 1, "H": 1}


def test_step_8_a_retry_is_one_more_than_what_it_repeats_and_takes_no_rank(shop: Shop) -> None:
    piece = {"job": "J", "piece": "1"}
    events = [
        finished("10:00", "A", **piece),
        finished("10:10", "B", retry_of="A", **piece),
        finished("10:20", "C", **piece),
        finished("10:30", "D", retry_of="B"),
        finished("09:00", "E", retry_of="not known"),
    ]
    assert numbers(shop, *events) == {"A": 1, "B": 2, "C": 2, "D": 3, "E": 2}


def test_step_8_an_unfinished_attempt_counts_as_not_known(shop: Shop) -> None:
    assert numbers(shop, inspected("09:00", "U", good=1), finished("10:00", "A", retry_of="U")) == {
        "A": 2, "U": None,
    }  # fmt: skip


def test_step_8_a_circle_counts_as_no_retry_of_for_its_members_alone(shop: Shop) -> None:
    events = [finished("10:00", "A", retry_of="B"), finished("10:10", "B", retry_of="A"),
              finished("10:20", "C", retry_of="B"), finished("10:30", "D", retry_of="D")]  # fmt: skip
    assert numbers(shop, *events) == {"A": 1, "B": 1, "C": 2, "D": 1}


def test_step_8_resume_recut_and_a_recut_job_make_at_least_a_second(shop: Shop) -> None:
    events = [
        job("K", recut_of="J"),
        finished("10:00", "A", mode="resume"),
        finished("10:10", "B", mode="recut"),
        finished("10:20", "C", job="K"),
        finished("10:30", "D", mode="recut", retry_of="C"),
        finished("10:40", "E", retry_of="D"),
    ]
    assert numbers(shop, *events) == {"A": 2, "B": 2, "C": 2, "D": 3, "E": 4}


def test_step_8_open_attempts_take_their_rank(shop: Shop) -> None:
    piece = {"job": "J", "piece": "1"}
    assert numbers(shop, started("10:00", "A", **piece), finished("11:00", "B", **piece)) == {"A": 1, "B": 2}
    assert tallied(shop, "first_attempts") == 0


def test_step_8_numbers_follow_a_late_event_and_its_void(shop: Shop) -> None:
    piece = {"job": "J", "piece": "1"}
    assert numbers(shop, finished("11:00", "B", **piece)) == {"B": 1}
    late = finished("10:00", "A", **piece)
    assert numbers(shop, late) == {"A": 1, "B": 2}
    gone = builders.event("event.voided", "A", source=late["source"]) | {
        "data": {"source": late["source"], "id": late["id"], "reason": "x"}
    }
    assert numbers(shop, gone) == {"B": 1}


# --- step 9: thickness, material, purpose -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("events", "nanometres", "material"),
    [
        ([plate(thickness_mm=30, material="P"), job(thickness_mm=10, material="J")], 30_000_000, "p"),
        ([job(thickness_mm=10, material="J")], 25_000_000, "a"),
        ([assessed(rust_grade="A")], 25_000_000, "a"),  # a plate that was never received is not known
    ],
)
def test_step_9_the_plates_then_what_the_attempt_says(
    shop: Shop, events: list[Event], nanometres: int, material: str
) -> None:
    row = fold(shop, finished(job="J", plate="P", thickness_mm=25, material="A"), *events)
    assert seen(row, "thickness_nm", "material") == (nanometres, material)


def test_step_9_else_the_jobs_else_the_attempt_is_unresolved(shop: Shop) -> None:
    said = builders.event("attempt.finished", "A", job="J", outcome="severed", good=1)
    assert seen(fold(shop, said), "thickness_nm", "material", "state") == (None, None, "finished")
    assert tallied(shop, "good") == 1
    assert seen(fold(shop, job(thickness_mm=12, material="J")), "thickness_nm", "material") == (12_000_000, "j")


def test_step_9_thickness_and_material_are_taken_each_for_itself(shop: Shop) -> None:
    said = builders.event("attempt.finished", "A", job="J", outcome="severed", material="A")
    assert seen(fold(shop, said, job(thickness_mm=12)), "thickness_nm", "material") == (12_000_000, "a")


def test_step_9_purpose_is_the_attempts_then_the_jobs_then_production(shop: Shop) -> None:
    found = attempts(
        shop,
        job("T", purpose="trial"),
        finished("10:00", "A", job="T", purpose="proof"),
        finished("10:10", "B", job="T"),
        finished("10:20", "C"),
    )
    assert [found[name]["purpose"] for name in "ABC"] == ["proof", "trial", "production"]


def test_step_9_bevelled_attempts_are_kept_apart_under_the_plates_thickness(shop: Shop) -> None:
    found = attempts(shop, job(bevel_deg=22.5), finished("10:00", "A", job="J"), finished("10:10", "B"))
    assert [seen(found[name], "bevel_mdeg", "thickness_nm") for name in "AB"] == [
        (22_500, 20_000_000), (None, 20_000_000),
    ]  # fmt: skip


# --- step 10: the plate's condition -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "surface"),
    [
        ([plate()], "unknown"),
        ([plate(rust_grade="A")], "tight_scale"),
        ([plate(rust_grade="B")], "loose_scale"),
        ([plate(rust_grade="C")], "rusted"),
        ([plate(rust_grade="D")], "pitted"),
        ([plate(rust_grade="A", coating="shop_primer")], "primed"),
        ([plate(preparation_grade="Sa 3", coating="zinc")], "primed"),
        ([plate(rust_grade="A", coating="oil")], "tight_scale"),
        ([plate(rust_grade="A", coating="none")], "tight_scale"),
        ([plate(rust_grade="A", coating="paint"), assessed(coating="none")], "tight_scale"),
        *(([plate(preparation_grade=grade)], "cleaned") for grade in ("Sa 2", "Sa 2.5", "Sa 3", "St 3", "laser")),
        *(([plate(preparation_grade=grade, rust_grade="B")], "loose_scale") for grade in ("Sa 1", "St 2")),
        # not older than the last rust grade: of one event is not older
        ([plate(preparation_grade="Sa 2", rust_grade="C")], "cleaned"),
        ([plate(preparation_grade="Sa 2"), assessed(rust_grade="C")], "rusted"),
        ([plate(rust_grade="C"), assessed(preparation_grade="Sa 2")], "cleaned"),
        # Sa 1 after Sa 2.5 is what holds
        ([plate(preparation_grade="Sa 2.5", rust_grade="B"), assessed(preparation_grade="Sa 1")], "loose_scale"),
    ],
)
def test_step_10_surface(shop: Shop, told: list[Event], surface: str) -> None:
    assert fold(shop, *told, finished(plate="P"))["surface"] == surface


@pytest.mark.parametrize(
    ("told", "history"),
    [
        ([plate()], "unknown"),
        ([plate(hardened=True)], "hardened"),
        ([plate(hardened=False)], "as_supplied"),
        *(([plate(edges=edges)], "as_supplied") for edges in ("mill", "sheared", "sawn", "waterjet")),
        *(([plate(edges=edges)], "thermal_edge") for edges in ("oxyfuel", "plasma", "laser")),
        *(([plate(edges=edges, cooling="water")], "hardened") for edges in ("oxyfuel", "plasma", "laser")),
        ([plate(edges="laser", cooling="air")], "thermal_edge"),
        ([plate(edges="sawn", cooling="water")], "as_supplied"),
        ([plate(edges="sawn", hardened=True)], "hardened"),
        ([plate(edges="laser", hardened=False)], "thermal_edge"),
        # cooling older than the last edges value does not count; later does
        ([plate(cooling="water"), assessed(edges="plasma")], "thermal_edge"),
        ([plate(edges="plasma"), assessed(cooling="water")], "hardened"),
    ],
)
def test_step_10_thermal_history(shop: Shop, told: list[Event], history: str) -> None:
    assert fold(shop, *told, finished(plate="P"))["thermal_history"] == history


def test_step_10_a_condition_is_that_which_held_when_the_attempt_started(shop: Shop) -> None:
    found = attempts(
        shop,
        plate(clock="08:00", rust_grade="A"),
        assessed("12:00", rust_grade="B", observed_at=at("10:00")),
        assessed("11:00", rust_grade="C"),
        finished("09:59:59.999999", "A", plate="P"),
        finished("10:00", "B", plate="P"),  # held from observed_at on
        finished("11:00", "C", plate="P"),
        finished("07:00", "D", plate="P"),  # before anything held
        started("10:30", "E", plate="P"),
        finished("12:00", "E", plate="P"),  # started at 10:30
    )
    surfaces = {name: row["surface"] for name, row in found.items()}
    assert surfaces == {"A": "tight_scale", "B": "loose_scale", "C": "rusted", "D": "unknown", "E": "loose_scale"}


def test_step_10_ties_are_settled_in_fold_order(shop: Shop) -> None:
    told = [
        plate(clock="08:00"),
        assessed("10:00", rust_grade="D", observed_at=at("09:00")),
        assessed("09:30", rust_grade="A", observed_at=at("09:00")),
    ]
    # Both held from 09:00; the one said at 10:00 is last in fold order
    assert fold(shop, *told, finished(plate="P"))["surface"] == "pitted"


def test_step_10_each_condition_field_is_taken_for_itself(shop: Shop) -> None:
    told = [plate(rust_grade="B", edges="laser"), assessed("09:00", cooling="water"), assessed("09:30", rust_grade="A")]
    row = fold(shop, *told, finished(plate="P"))
    assert seen(row, "surface", "thermal_history") == ("tight_scale", "hardened")


def test_step_10_a_late_assessment_moves_only_what_was_started_since(shop: Shop) -> None:
    before = attempts(shop, plate(rust_grade="A"), finished("10:00", "A", plate="P"), finished("12:00", "B", plate="P"))
    after = attempts(shop, assessed("15:00", rust_grade="C", observed_at=at("11:00")))
    assert after["A"] == before["A"]
    assert after["B"]["surface"] == "rusted"


# --- step 11: open, unfinished, unresolved ----------------------------------------------------------------------


def test_step_11_one_that_has_only_started_is_open_and_counted_in_open_attempts_alone(shop: Shop) -> None:
    row = fold(shop, started(job="J", quantity=4, **STEEL), inspected(good=1))
    assert seen(row, "state", "tried", "good", "pending") == ("open", 0, 0, 0)
    assert {name: tallied(shop, name) for name in ("open_attempts", "attempts", "parts_tried", "good")} == {
        "open_attempts": 1, "attempts": 0, "parts_tried": 0, "good": 0,
    }  # fmt: skip
    assert seen(fold(shop, finished(quantity=4)), "state", "tried", "good") == ("finished", 4, 1)
    assert (tallied(shop, "open_attempts"), tallied(shop, "attempts")) == (0, 1)


def test_step_11_one_of_which_only_what_followed_is_known_is_unfinished_and_counted_nowhere(
    shop: Shop,
) -> None:
    row = fold(shop, inspected(good=3), reworked("13:00", minutes=7.5, parts=1))
    assert seen(row, "state", "attempt_no", "day", "tried", "good") == ("unfinished", None, None, 0, 0)
    with shop.database.read() as connection:
        assert rows_of(connection, "tallies", shop.site) == []
        (booked,) = rows_of(connection, "rework_tallies", shop.site)
    assert (booked["day"], booked["booked_rework_minutes_e3"]) == ("2026-03-04", 7_500)


def test_step_11_an_unresolved_attempt_is_counted_under_null(shop: Shop) -> None:
    row = fold(shop, builders.event("attempt.finished", "A", outcome="severed", good=1))
    assert seen(row, "state", "thickness_nm", "material", "good") == ("finished", None, None, 1)
    assert tallied(shop, "attempts") == 1


# --- what surrounds an attempt ----------------------------------------------------------------------------------


def test_a_job_stated_anew_changes_what_its_attempts_take_from_it(shop: Shop) -> None:
    said = builders.event("attempt.finished", "A", job="J", outcome="severed", tried=2, failed_pierces=1)
    first = fold(shop, said, job(pierces_per_part=3, part_mass_kg=2, bevel_deg=30, purpose="trial"))
    # 3 x 2 tried
    assert seen(first, "pierces", "bevel_mdeg", "purpose", "thickness_nm") == (6, 30_000, "trial", 20_000_000)
    anew = fold(shop, job(clock="09:00", part_number="BR-2", thickness_mm=25))
    assert seen(anew, "pierces", "bevel_mdeg", "purpose", "thickness_nm") == (None, None, "production", 25_000_000)
    assert anew["part_number"] == "BR-2"


def test_an_ancestor_stated_anew_changes_the_origin_of_cuts_on_its_remnants(shop: Shop) -> None:
    told = [plate("P1", heat_number="H1"), plate("P2", parent="P1"), plate("P3", parent="P2"), finished(plate="P3")]
    assert fold(shop, *told)["heat_number"] == "H1"
    assert fold(shop, plate("P1", "09:00", heat_number="H2", mill="North"))["heat_number"] == "H2"
    assert seen(fold(shop, plate("P2", "09:00")), "heat_number", "mill") == (None, None)


def test_a_ring_of_parents_is_found_and_goes_with_it(shop: Shop) -> None:
    told(shop, plate("P1", parent="P2"), plate("P2", parent="P1"), plate("P3", parent="P1"))
    assert codes(shop) == [("parent_ring", "P1"), ("parent_ring", "P2")]
    told(shop, plate("P1", "09:00", parent="P0"))
    assert codes(shop) == []


def test_a_changed_start_of_day_replaces_what_lies_from_its_production_day_on(shop: Shop) -> None:
    cuts = [
        builders.event("attempt.finished", f"A{day}", outcome="severed", time=f"2026-03-0{day}T05:30:00Z")
        for day in (3, 4, 5)
    ]
    found = attempts(shop, *cuts)
    # 05:30 is before 06:00: the day before
    assert [row["day"] for row in found.values()] == ["2026-03-02", "2026-03-03", "2026-03-04"]
    found = attempts(shop, settings("2026-03-04", day_start="05:00"))
    # From production day 03-04 on the day begins at 05:00: both 03-04T05:30 and 03-05T05:30 are past it
    assert [row["day"] for row in found.values()] == ["2026-03-02", "2026-03-04", "2026-03-05"]
    assert [row["shift"] for row in found.values()] == ["night"] * 3


def test_a_changed_zone_replaces_days_weeks_and_shifts(shop: Shop) -> None:
    # Sunday 2026-03-08T23:30Z is Monday 08:30 in Tokyo
    late = builders.event("attempt.finished", "A", outcome="severed", time="2026-03-08T23:30:00Z")
    assert seen(fold(shop, late), "day", "week", "shift") == ("2026-03-08", "2026-W10", "night")
    row = fold(shop, settings("2026-03-01", zone="Asia/Tokyo"))
    assert seen(row, "day", "week", "shift") == ("2026-03-09", "2026-W11", "early")


def test_settings_hold_field_by_field_from_their_production_day(shop: Shop) -> None:
    rates = {"currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 0, "material_per_kg": 0}
    told = [
        builders.event("site.set", "main", valid_from="2026-03-02", rates=rates, time="2026-03-09T10:00:00Z"),
        builders.event("site.set", "main", valid_from="2026-03-05", pierces_by_exception=True),
        builders.event("attempt.finished", "A", time="2026-03-04T10:00:00Z", outcome="severed", pierces=4),
        builders.event("attempt.finished", "B", time="2026-03-05T10:00:00Z", outcome="severed", pierces=4),
        builders.event("attempt.finished", "C", time="2026-03-01T10:00:00Z", outcome="severed", pierces=4),
    ]
    found = attempts(shop, *told)
    assert {name: row["failed_pierces"] for name, row in found.items()} == {"A": None, "B": 0, "C": None}
    assert {name: row["cost_e6"] for name, row in found.items()} == {"A": 0, "B": 0, "C": None}


def test_a_changed_alias_regroups_old_attempts(shop: Shop) -> None:
    cuts = [finished("10:00", "A", machine="Laser 1"), finished("11:00", "B", machine="Bay two")]
    assert {row["machine"] for row in attempts(shop, *cuts).values()} == {"laser 1", "bay two"}
    aliases = [{"kind": "machine", "name": "Laser 2", "also": ["BAY TWO", "laser 1"]}]
    assert {row["machine"] for row in attempts(shop, settings(aliases=aliases)).values()} == {"laser 2"}
    with shop.database.read() as connection:
        assert spellings(open_site(connection, shop.site), "machine") == {"laser 2": "Laser 2"}
    assert {row["machine"] for row in attempts(shop, settings("2001-01-01", aliases=[])).values()} == {
        "laser 1", "bay two",
    }  # fmt: skip


def test_names_are_shown_as_first_written(shop: Shop) -> None:
    told(shop, finished("11:00", "B", machine="LASER 1"), finished("12:00", "C", machine="laser 1"))
    with shop.database.read() as connection:
        assert spellings(open_site(connection, shop.site), "machine") == {"laser 1": "LASER 1"}
    told(shop, finished("10:00", "A", machine=" Laser 1 "))
    with shop.database.read() as connection:
        assert spellings(open_site(connection, shop.site), "machine") == {"laser 1": "Laser 1"}


@pytest.mark.parametrize(
    ("one", "other", "overlaps"),
    [
        ({"seconds": 601}, {}, True),
        ({"seconds": 600}, {}, False),  # ends as the other begins
        ({"seconds": 601, "run": "r"}, {"run": "r"}, False),  # nested in one run
        ({"seconds": 601, "run": "r"}, {}, True),
        ({"seconds": 601}, {"machine": "L2"}, False),
        ({}, {}, False),  # nothing says how long it took
        ({"seconds": 3 * 86_400}, {}, True),
    ],
)
def test_two_runs_overlap_on_one_machine(shop: Shop, one: Event, other: Event, overlaps: bool) -> None:
    told(
        shop,
        finished("12:00", "A", started_at=at("10:00"), **({"machine": "L1"} | one)),
        finished("12:00", "B", started_at=at("10:10"), seconds=60, **({"machine": " l1"} | other)),
    )
    assert codes(shop) == ([("runs_overlap", "B")] if overlaps else [])


def test_an_overlap_goes_when_one_of_its_runs_does(shop: Shop) -> None:
    both = [
        finished("12:00", "A", started_at=at("10:00"), seconds=3600, machine="L1"),
        finished("12:00", "B", started_at=at("10:10"), seconds=60, machine="L1"),
    ]
    told(shop, *both)
    assert codes(shop) == [("runs_overlap", "B")]
    said = {"source": both[0]["source"], "id": both[0]["id"], "reason": "x"}
    told(shop, builders.event("event.voided", "A") | {"data": said})
    assert codes(shop) == []


def test_the_settings_of_the_recipe_used_are_kept(shop: Shop) -> None:
    recipe = {"name": "R", "power_w": 12_000, "focus_mm": -2.5}
    assert orjson.loads(fold(shop, started(recipe={"name": "old"}), finished(recipe=recipe))["settings"]) == recipe


def found_at(shop: Shop, instant: str, kind: str) -> list[tuple[str, str]]:
    with shop.database.read() as connection:
        page, _ = findings(open_site(connection, shop.site), now_us=instant_us(instant), kind=kind)
    return [(one.finding.subject_kind, one.finding.subject) for one in page]


def test_an_attempt_left_open_for_24_hours_is_a_finding_until_it_is_finished(shop: Shop) -> None:
    told(shop, started("10:00"))
    assert found_at(shop, "2026-03-05T09:59:59Z", "left_open") == []
    assert found_at(shop, "2026-03-05T10:00:01Z", "left_open") == [("attempt", "A")]
    told(shop, finished("11:00"))
    assert found_at(shop, "2026-03-05T10:00:01Z", "left_open") == []


def test_a_new_name_is_one_finding_until_the_settings_list_it(shop: Shop) -> None:
    cuts = [finished("10:00", "A", machine="Laser 1"), finished("11:00", "B", machine="LASER 1", recipe={"name": "R"})]
    told(shop, *cuts)
    now = "2026-03-06T10:00:00Z"
    assert found_at(shop, now, "new_name") == [("machine", "Laser 1"), ("material", "S355"), ("recipe", "R")]
    listed = [{"kind": "machine", "name": "L", "also": ["laser 1"]}, {"kind": "recipe", "name": "r"}]
    told(shop, settings(aliases=listed))
    assert found_at(shop, now, "new_name") == [("material", "S355")]
