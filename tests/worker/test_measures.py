"""Every measure from sums: its arithmetic, its nulls, its words."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.measures import MEASURES, ratio, rolled_throughput_yield, scaled
from worker.stats.proportions import wilson
from worker.tables import REWORK_SUMS, TALLY_SUMS

NOTHING = dict.fromkeys((*TALLY_SUMS, *REWORK_SUMS), 0)
#: 10 first attempts and 2 retries: of 60 parts tried, 50 by first attempts.
SUMS: dict[str, int] = NOTHING | {
    "attempts": 12, "first_attempts": 10, "open_attempts": 1,
    "parts_tried": 60, "parts_started": 50, "parts_judged_first": 45, "pending_first": 5, "first_pass_good": 36,
    "good": 40, "rework": 8, "scrap": 4, "not_made": 3, "pending": 5,
    "recovered": 5, "scrapped": 1, "in_rework": 2, "released": 6, "hidden": 2,
    "pierces": 400, "failed_pierces": 14, "attempts_without_pierces": 2,
    "rework_minutes_e3": 90_300, "cutting_ms": 7_200_500, "lost_us": 360_025_001, "attempts_without_seconds": 1,
    "interruptions": 3, "scrap_mass_mg": 37_500_001, "cost_e6": 69_916_667,
    "lost_pierce": 2, "lost_sever": 3, "lost_surface": 5, "lost_size": 3, "lost_unstated": 2,
    "first_lost_pierce": 1, "first_lost_sever": 2, "first_lost_surface": 3, "first_lost_size": 2,
    "first_lost_unstated": 1,
    "rework_entries": 7, "booked_rework_minutes_e3": 100, "finishing_minutes_e3": 200, "parts_reworked": 11,
    "booked_rework_cost_e6": 1_500_000,
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("judged_share", 45 / 50),
        ("first_pass_yield", 36 / 45),
        ("first_pass_yield_if_pending_bad", 36 / 50),
        ("first_pass_yield_if_pending_good", 41 / 50),
        ("yield_after_rework", 45 / 55),  # (40 + 5) / (40 + 8 + 4 + 3)
        ("rework_ratio", 8 / 55),
        ("scrap_ratio", 8 / 55),  # (4 + 3 + 1) / 55
        ("attempts_per_good_part", 60 / 45),
        ("failed_pierce_rate", 14 / 400),
        ("failed_pierces_per_1000", 35.0),
        ("rework_minutes", Decimal("90.3")),
        ("rework_minutes_per_good_part", 90.3 / 45),
        ("cutting_seconds", Decimal("7200.5")),
        ("lost_seconds", Decimal("360.025001")),
        ("scrap_mass_kg", Decimal("37.500001")),
        ("cost_of_poor_quality", Decimal("69.916667")),
        ("booked_rework_minutes", Decimal("0.1")),
        ("finishing_minutes", Decimal("0.2")),
        ("booked_rework_cost", Decimal("1.5")),
        ("released_by_sample", 6),
        ("hidden_rework", 2),
        ("pierce_yield", 44 / 45),
        ("sever_yield", 42 / 44),
        ("surface_yield", 39 / 42),
        ("size_yield", 37 / 39),
        ("unstated_yield", 36 / 37),
        ("rolled_throughput_yield", 36 / 45),
    ],
)
def test_measure(name: str, value: Any) -> None:
    assert MEASURES[name].make(SUMS) == value
    assert type(MEASURES[name].make(SUMS)) is type(value)


@pytest.mark.parametrize(
    "name",
    [
        "attempts", "first_attempts", "open_attempts", "parts_tried", "parts_started", "parts_judged_first",
        "pending_first", "first_pass_good", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped",
        "in_rework", "pierces", "failed_pierces", "attempts_without_pierces", "attempts_without_seconds",
        "interruptions", "rework_entries", "parts_reworked",
        *(f"{which}_{stage}" for which in ("lost", "first_lost")
          for stage in ("pierce", "sever", "surface", "size", "unstated")),
    ],
)  # fmt: skip
def test_count_is_the_sum_of_its_name(name: str) -> None:
    assert MEASURES[name].make(SUMS) == SUMS[name]


def test_every_measure_says_its_unit_and_definition_and_has_its_columns() -> None:
    columns = [column for measure in MEASURES.values() for column in measure.columns]
    assert len(columns) == len(set(columns))
    for name, measure in MEASURES.items():
        assert measure.name == name
        assert measure.unit
        assert measure.definition
        assert tuple(measure.values(SUMS, confidence=0.95)) == measure.columns


def test_a_share_with_an_interval_carries_it_at_the_confidence_asked_for() -> None:
    with_intervals = {name for name, measure in MEASURES.items() if measure.share_of}
    assert with_intervals == {"first_pass_yield", "failed_pierce_rate"}
    for confidence in (0.8, 0.95):
        values = MEASURES["first_pass_yield"].values(SUMS, confidence=confidence)
        limits = (values["first_pass_yield_low"], values["first_pass_yield_high"])
        assert limits == wilson(36, 45, confidence=confidence)
        assert (values["design_effect"], values["clusters"]) == (1, SUMS["clusters"])


def test_a_ratio_with_nothing_under_it_is_none_and_a_sum_over_nothing_is_0() -> None:
    ratios = {
        name
        for name, measure in MEASURES.items()
        if any(value is None for value in measure.values(NOTHING, confidence=0.95).values())
    }
    shares = {name for name in MEASURES if name.endswith(("_yield", "_ratio", "_rate", "_share", "_part"))}
    assert ratios == shares | {
        "first_pass_yield_if_pending_bad", "first_pass_yield_if_pending_good", "failed_pierces_per_1000",
        "yield_after_rework",
    }  # fmt: skip
    for name in MEASURES.keys() - ratios:
        assert MEASURES[name].make(NOTHING) == 0


def test_cost_is_none_where_a_rate_is_not_set_for_any_attempt_or_entry() -> None:
    assert MEASURES["cost_of_poor_quality"].make(SUMS | {"attempts_without_cost": 1}) is None
    assert MEASURES["booked_rework_cost"].make(SUMS | {"entries_without_cost": 1}) is None


def test_what_the_standard_defines_names_it() -> None:
    named = {name: measure.standard for name, measure in MEASURES.items() if measure.standard}
    assert named["first_pass_yield"] == "first pass yield, ISO 22400-2:2014"
    assert named["rolled_throughput_yield"] == "rolled throughput yield, ISO 13053-1"
    assert named.keys() == {
        "parts_judged_first", "first_pass_good", "first_pass_yield", "rework_ratio", "scrap_ratio",
        "rolled_throughput_yield",
    }  # fmt: skip


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=50))
def test_sums_leave_as_exact_decimals(minutes_e3: list[int]) -> None:
    exact = scaled(sum(minutes_e3), 1_000)
    assert Fraction(exact) == Fraction(sum(minutes_e3), 1_000)
    assert sum((scaled(one, 1_000) for one in minutes_e3), Decimal()) == exact


def test_a_tenth_and_two_tenths_are_three_tenths() -> None:
    assert scaled(100, 1_000) + scaled(200, 1_000) == scaled(300, 1_000) == Decimal("0.3")


def test_ratio_is_the_nearest_float() -> None:
    assert ratio(1, 3) == 1 / 3
    assert ratio(Fraction(1, 3), 7) == float(Fraction(1, 21))
    assert ratio(5, 0) is None


STAGE_LOSSES = st.tuples(*[st.integers(0, 1_000)] * 5)


@given(STAGE_LOSSES, st.integers(0, 1_000))
def test_the_product_of_the_stage_yields_is_the_first_pass_yield_exactly(lost: tuple[int, ...], good: int) -> None:
    stages = ("pierce", "sever", "surface", "size", "unstated")
    judged = good + sum(lost)
    sums = NOTHING | {"parts_judged_first": judged, "first_pass_good": good}
    sums |= {f"first_lost_{stage}": parts for stage, parts in zip(stages, lost, strict=True)}
    assert rolled_throughput_yield(sums) == MEASURES["first_pass_yield"].make(sums)
    shares = [MEASURES[f"{stage}_yield"].make(sums) for stage in stages]
    # A stage that nothing enters has no yield; it is not 0.
    assert all(share is None or 0 <= share <= 1 for share in shares)
    entering = judged
    for share, parts in zip(shares, lost, strict=True):
        assert (share is None) == (entering == 0)
        entering -= parts
