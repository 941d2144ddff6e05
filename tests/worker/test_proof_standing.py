"""How a series stands under its plan: in any order, with risks and bounds that hold, by playing out every series."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.proof_plans import Plan, Risks, Rule, impossibility, percent, practice_of
from worker.proof_standing import FAILED, MOST_CUTS, OUTCOMES, PASSED, Standing, Trial, outcome_of, standing
from worker.stats.clustering import Correlation

FIXED = Rule(0.8, 0.8, failures_allowed=1)
WALD = Rule(0.9, 0.9, sequential=Risks(producer=0.1, consumer=0.1, unacceptable_reliability=0.5))
RULES = {"fixed": FIXED, "sequential": WALD}
SPREADS = {"anyhow": {}, "over days": {"least_days": 7}, "over plates": {"least_plates": 16}}


def plan(rule: Rule, **spread: Any) -> Plan:
    return Plan(rule, 28_000_000, "Laser 2", "S355", **spread)


def trial(number: int, outcome: Any = "good", *, plate: int | None = None, a_day: int = 2) -> Trial:
    """One on a plate of its own, two a day, unless told otherwise."""
    name = f"P-{number if plate is None else plate}"
    return Trial(f"A-{number:03}", f"plate:{name}", name, None, "H1", f"{number // a_day:03}", number, outcome)


def series(text: str) -> list[Trial]:
    """g good, b bad."""
    return [trial(number, "good" if letter == "g" else "failed") for number, letter in enumerate(text)]


def every_end(planned: Plan, so_far: str = "") -> Iterator[tuple[str, Standing]]:
    """Every series that can come about, up to its decision."""
    found = standing(planned, series(so_far))
    if found.decided is not None:
        yield so_far, found
        return
    for letter in "gb":
        yield from every_end(planned, so_far + letter)


# --- played out -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", RULES)
@pytest.mark.parametrize("spread", SPREADS)
def test_bounds_hold_with_their_confidence_whatever_is_true(kind: str, spread: str) -> None:
    """Of all series that a true share can bring, those whose bound is above it have 1 - confidence at most."""
    planned = plan(RULES[kind], **SPREADS[spread])
    ends = [(text, found.lower) for text, found in every_end(planned)]
    assert all(lower is not None for _, lower in ends)
    for true in (number / 40 for number in range(1, 40)):
        chances = [(lower, true ** text.count("g") * (1 - true) ** text.count("b")) for text, lower in ends]
        assert math.fsum(chance for _, chance in chances) == pytest.approx(1)
        too_high = math.fsum(chance for lower, chance in chances if lower is not None and lower > true + 1e-9)
        assert too_high <= 1 - planned.rule.confidence + 1e-9, true


@pytest.mark.parametrize("kind", RULES)
def test_what_a_rule_does_is_what_all_its_series_do(kind: str) -> None:
    planned, practice = plan(RULES[kind]), practice_of(RULES[kind])
    assert practice is not None
    ends = list(every_end(planned))
    assert max(len(text) for text, _ in ends) == practice.longest
    for at in practice.operating:
        chances = [(found, at.reliability ** text.count("g") * (1 - at.reliability) ** text.count("b"), len(text))
                   for text, found in ends]  # fmt: skip
        passes = math.fsum(chance for found, chance, _ in chances if found.state == PASSED)
        assert passes == pytest.approx(at.passes)
        assert math.fsum(chance * length for _, chance, length in chances) == pytest.approx(at.expected_trials)
        within = math.fsum(chance for _, chance, length in chances if length <= at.trials_90)
        assert within >= 0.9 - 1e-9 > math.fsum(chance for _, chance, length in chances if length < at.trials_90)


@pytest.mark.parametrize("kind", RULES)
@pytest.mark.parametrize("spread", ["over days", "over plates"])
def test_to_wait_for_the_spread_passes_nothing_that_would_not_have_passed(kind: str, spread: str) -> None:
    """So the consumer's risk is at most that of the rule."""
    rule = RULES[kind]
    practice = practice_of(rule)
    assert practice is not None
    bad = rule.reliability if rule.sequential is None else rule.sequential.unacceptable_reliability
    waiting = math.fsum(
        bad ** text.count("g") * (1 - bad) ** text.count("b")
        for text, found in every_end(plan(rule, **SPREADS[spread]))
        if found.state == PASSED
    )
    assert waiting <= practice.consumer_risk + 1e-12
    assert practice.consumer_risk <= (rule.sequential.consumer if rule.sequential else 1 - rule.confidence)


# --- whatever is told, in whatever order ------------------------------------------------------------------------

TRIALS = st.lists(
    st.builds(
        lambda plate, outcome, number: replace(trial(number, outcome, plate=plate)),
        st.integers(0, 6), st.sampled_from(OUTCOMES), st.integers(0, 40),
    ),
    max_size=30, unique_by=lambda one: one.attempt,
)  # fmt: skip
PLANS = st.builds(
    lambda rule, least: plan(rule, least_plates=least, least_days=least),
    st.sampled_from([FIXED, WALD, Rule(0.6, 0.8), Rule(0.7, 0.7, failures_allowed=3)]), st.sampled_from([None, 2, 5]),
)  # fmt: skip


@given(PLANS, TRIALS, st.randoms(use_true_random=False), st.sampled_from([None, 0.0, 0.4, 1.0]))
def test_a_standing_does_not_depend_on_the_order_of_arrival(
    planned: Plan, told: list[Trial], rng: Any, alike: float | None
) -> None:
    shuffled = rng.sample(told, len(told))
    assert standing(planned, told, alike=alike) == standing(planned, shuffled, alike=alike)


@given(PLANS, TRIALS)
def test_what_is_cut_after_the_decision_changes_nothing_but_what_is_left_over(planned: Plan, told: list[Trial]) -> None:
    found = standing(planned, told)
    later = trial(99, "failed")
    again = standing(planned, [*told, later])
    if found.decided is not None:
        assert again == replace(found, left_over=found.left_over + 1)
    elif found.blocked_by is not None:
        assert again == replace(found, waiting=found.waiting + 1)
    else:
        assert again.cuts == found.cuts + 1


@given(PLANS, TRIALS)
def test_each_attempt_is_somewhere_and_once(planned: Plan, told: list[Trial]) -> None:
    found = standing(planned, told)
    held = found.decided or found.blocked_by
    open_later = sum(one.outcome == "open" for one in told if held is not None and one.order > held.order)
    blocks = int(found.blocked_by is not None)
    assert found.cuts + found.void + found.untried + found.waiting + found.left_over + blocks + open_later == len(told)
    assert [step.trial.order for step in found.steps] == sorted(step.trial.order for step in found.steps)


@given(PLANS, st.integers(0, 12))
def test_so_many_more_good_ones_on_plates_and_days_of_their_own_pass_it_and_fewer_do_not(
    planned: Plan, before: int
) -> None:
    told = [trial(number) for number in range(before)]
    found = standing(planned, told)
    if found.remaining is None:
        assert found.state == PASSED
        return
    more = [trial(100 + number, a_day=1) for number in range(found.remaining)]
    assert standing(planned, [*told, *more]).state == PASSED
    assert standing(planned, [*told, *more[:-1]]).state not in (PASSED, FAILED)


@given(st.sampled_from([FIXED, Rule(0.9, 0.9), Rule(0.7, 0.7, failures_allowed=3)]), st.floats(0, 1), st.floats(0, 1))
def test_trials_that_are_more_alike_never_prove_more(rule: Rule, one: float, other: float) -> None:
    told = [trial(number, plate=number // 3) for number in range(21)]
    less, more = (standing(plan(rule), told, alike=alike) for alike in sorted((one, other)))
    assert (more.state, less.state) != (PASSED, "running")
    assert more.cuts >= less.cuts
    assert more.cuts > less.cuts or more.effective_trials <= less.effective_trials + 1e-9


ALIKE = st.one_of(
    st.none(), st.floats(-1, 1), st.builds(lambda value, degrees: Correlation(value, degrees=degrees),
                                           st.floats(-1, 1), st.floats(0, 80)),
)  # fmt: skip
ON_PLATES = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 9).map(bool)), max_size=40)


def on_plates(told: list[tuple[int, bool]]) -> list[Trial]:
    return [trial(number, "good" if good else "failed", plate=plate) for number, (plate, good) in enumerate(told)]


@given(PLANS, ON_PLATES, ALIKE)
def test_what_passed_has_a_bound_at_its_reliability_or_above(
    planned: Plan, told: list[tuple[int, bool]], alike: float | None
) -> None:
    found = standing(planned, on_plates(told), alike=alike)
    if found.state == PASSED and planned.rule.sequential is None:
        assert found.lower is not None
        assert found.lower >= planned.rule.reliability - 1e-9


@given(PLANS, ON_PLATES, ALIKE)
def test_so_many_more_on_plates_of_their_own_pass_it_whatever_shares_a_plate(
    planned: Plan, told: list[tuple[int, bool]], alike: float | None
) -> None:
    before = on_plates(told)
    found = standing(planned, before, alike=alike)
    if found.remaining is None:
        assert found.state in (PASSED, FAILED)
        return
    more = [trial(100 + number, a_day=1) for number in range(found.remaining)]
    assert standing(planned, [*before, *more], alike=alike).state == PASSED
    assert standing(planned, [*before, *more[:-1]], alike=alike).state not in (PASSED, FAILED)


@given(PLANS, ON_PLATES, ALIKE)
def test_a_good_trial_never_adds_to_what_remains(
    planned: Plan, told: list[tuple[int, bool]], alike: float | None
) -> None:
    steps = standing(planned, on_plates(told), alike=alike).steps
    for before, after in pairwise(steps):
        if after.trial.outcome == "good" and after.remaining is not None:
            assert before.remaining is not None
            assert after.remaining <= before.remaining


def test_a_series_that_never_ends_is_given_up() -> None:
    never = plan(FIXED, least_heats=2)
    told = [trial(number) for number in range(MOST_CUTS + 5)]
    found = standing(never, told)
    assert (found.given_up, found.cuts, found.left_over, found.remaining) == (True, MOST_CUTS, 5, None)


# --- words ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "tried", "good", "pending", "otherwise", "outcome"),
    [
        ("open", 0, 0, 0, 0, "open"),
        ("finished", 0, 0, 0, 0, "untried"),
        ("finished", 4, 4, 0, 0, "good"),
        ("finished", 4, 3, 1, 0, "pending"),
        ("finished", 4, 2, 1, 0, "failed"),
        ("finished", 4, 3, 0, 1, "good"),
        ("finished", 4, 0, 0, 4, "void"),
        ("finished", 4, 0, 0, 3, "failed"),
        ("finished", 4, 2, 0, 1, "failed"),
        ("finished", 4, 2, 1, 1, "pending"),
    ],
)
def test_an_attempt_is_a_trial_of_one_kind(
    state: str, tried: int, good: int, pending: int, otherwise: int, outcome: str
) -> None:
    assert outcome_of(state=state, tried=tried, good=good, pending=pending, lost_otherwise=otherwise) == outcome


def test_what_cannot_be_carried_out_says_why() -> None:
    assert impossibility(FIXED) is None
    assert impossibility(WALD) is None
    endless = Rule(0.9999, 0.99)
    assert "more than 5000 trials" in str(impossibility(endless))
    assert practice_of(endless) is None
    close = Rule(0.95, 0.9, sequential=Risks(0.05, 0.05, 0.949))
    assert "no series that anyone will cut" in str(impossibility(close))
    assert "not below reliability 0.9" in str(impossibility(Rule(0.9, 0.9, sequential=Risks(0.05, 0.05, 0.9))))
    assert standing(plan(endless), series("gg")).state == "running"


def test_shares_are_said_as_percent() -> None:
    assert [percent(share) for share in (0.95, 0.995, 1.0, 0.0431)] == ["95 %", "99.5 %", "100 %", "4.31 %"]
