"""Wald's test beside published figures, and beside every sequence of trials there is."""

from __future__ import annotations

import math
import random
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from worker.stats.demonstration import trials_needed
from worker.stats.proportions import exact_bound
from worker.stats.sequential import (
    NOT_ENDED,
    Boundary,
    Plan,
    conduct,
    cut_off,
    endings,
    lower_bound,
    sequential_plan,
    series,
    steps,
    wald_lines,
)


def planned(reliability: float, unacceptable: float, producer: float, consumer: float) -> Plan:
    found = sequential_plan(
        reliability=reliability,
        unacceptable_reliability=unacceptable,
        producer_risk=producer,
        consumer_risk=consumer,
    )
    assert found is not None
    return found


def test_qua_07_lines() -> None:
    # QUA-07 [from memory]: NIST/SEMATECH e-Handbook 6.2.6: p1 = 0.01, p2 = 0.10, alpha = 0.05, beta = 0.10
    lines = wald_lines(reliability=0.99, unacceptable_reliability=0.9, producer_risk=0.05, consumer_risk=0.1)
    assert (lines.to_pass, lines.to_fail, lines.slope) == pytest.approx((0.939, 1.205, 0.0397), abs=6e-4)
    # Its table of the same plan (from memory): none passes before the 24th trial, two failures fail up to the 20th,
    # then it takes three. With lines that are not rounded they do from the 20th on: 1.20538 + 20 x 0.039747 = 2.0003.
    assert next(n for n in range(1, 30) if lines.passes_at(n) >= 0) == 24
    assert [lines.fails_at(n) for n in (1, 19, 20, 21)] == [2, 2, 3, 3]


def simon(first: int, first_most: int, whole: int, most: int) -> Boundary:
    """A design of two stages: too few successes in the first stop it, at most so many in all fail it."""
    # Successes and failures change places: few of what is counted fails there, passes here
    passes = [-1] * whole
    passes[first - 1 :] = [first_most] * (whole - first + 1)
    passes[-1] = most
    # Between the stages nobody looks
    passes[first:-1] = [-1] * (whole - first - 1)
    return Boundary(tuple(passes), (*range(2, whole + 1), most + 1))


def test_design_of_two_stages_is_that_of_its_publication() -> None:
    # [read in stored copy]: R package rawr, twostg.test, example simon(0.1, 0.3): n1 = 12, r1 = 1, 23 more, r2 = 5;
    # stops after stage one with 0.6590023 under 0.1, size 0.09771828, type II error 0.09855051, expected n 19.84295
    design = simon(12, 1, 35, 5)
    under, over = conduct(design, reliability=0.9), conduct(design, reliability=0.7)
    first = math.fsum(end.chance(0.9) for end in endings(design) if end.trials == 12)
    assert first == pytest.approx(0.6590023, abs=5e-8)
    assert 1 - under.passes == pytest.approx(0.09771828, abs=5e-9)
    assert over.passes == pytest.approx(0.09855051, abs=5e-9)
    assert under.expected_trials == pytest.approx(19.84295, abs=5e-6)


# --- against every sequence -------------------------------------------------------------------------------------


def every_ending(boundary: Boundary, reliability: float) -> dict[tuple[int, int, bool], float]:
    """Chances of (trials, failures, passed) by playing every sequence of the longest length."""
    found: dict[tuple[int, int, bool], float] = {}
    for results in product((True, False), repeat=boundary.longest):
        chance = math.prod(reliability if good else 1 - reliability for good in results)
        failures = 0
        for trial, good in enumerate(results, start=1):
            failures += not good
            passed, failed = failures <= boundary.passes[trial - 1], failures >= boundary.fails[trial - 1]
            if passed or failed:
                key = (trial, failures, passed)
                found[key] = found.get(key, 0.0) + chance
                break
    return found


SMALL = (
    cut_off(
        wald_lines(reliability=0.9, unacceptable_reliability=0.5, producer_risk=0.2, consumer_risk=0.2),
        longest=12,
        failures_allowed=3,
    ),
    cut_off(
        wald_lines(reliability=0.8, unacceptable_reliability=0.6, producer_risk=0.3, consumer_risk=0.4),
        longest=13,
        failures_allowed=4,
    ),
    # A plain demonstration: 11 good of 11, or one failure allowed in 13
    Boundary((*([-1] * 10), 0), (1,) * 11),
    Boundary((*([-1] * 12), 1), (2,) * 13),
)


@pytest.mark.parametrize("boundary", SMALL, ids=["steep", "flat", "none allowed", "one allowed"])
@pytest.mark.parametrize("reliability", [0.3, 0.6, 0.9, 0.99])
def test_chances_are_those_of_every_sequence(boundary: Boundary, reliability: float) -> None:
    expected = every_ending(boundary, reliability)
    found = {(end.trials, end.failures, end.passed): end.chance(reliability) for end in endings(boundary)}
    assert found == pytest.approx(expected, abs=1e-13)
    told = conduct(boundary, reliability=reliability)
    assert told.passes == pytest.approx(sum(chance for key, chance in expected.items() if key[2]), abs=1e-12)
    assert told.expected_trials == pytest.approx(sum(key[0] * chance for key, chance in expected.items()), abs=1e-11)
    ended = [sum(c for key, c in expected.items() if key[0] <= n) for n in range(boundary.longest + 1)]
    assert told.trials_90 == next(n for n, chance in enumerate(ended) if chance >= 0.9 - 1e-9)


@pytest.mark.parametrize("boundary", SMALL, ids=["steep", "flat", "none allowed", "one allowed"])
def test_lower_bound_keeps_its_confidence_at_every_reliability(boundary: Boundary) -> None:
    bounds = {
        end: lower_bound(boundary, failures=end.failures, trials=end.trials, confidence=0.9)
        for end in endings(boundary)
    }
    # At the bounds themselves it is hardest
    hardest = [bound for bound in bounds.values() if bound]
    for reliability in [*(step / 40 for step in range(1, 40)), *(bound * (1 - 1e-9) for bound in hardest)]:
        wrong = math.fsum(end.chance(reliability) for end, bound in bounds.items() if bound > reliability)  # type: ignore[operator]
        assert wrong <= 0.1 + 1e-9
    # ... and there nothing is given away
    for bound in hardest:
        wrong = math.fsum(end.chance(bound) for end, other in bounds.items() if other >= bound)  # type: ignore[operator]
        assert wrong == pytest.approx(0.1, abs=1e-9)


def test_endings_are_ordered_along_the_boundary_and_bounds_fall_along_it() -> None:
    for boundary in (*SMALL, planned(0.95, 0.8, 0.05, 0.05).boundary):
        order = endings(boundary)
        passed, failed = [end for end in order if end.passed], [end for end in order if not end.passed]
        assert [*passed, *failed] == list(order)
        assert [end.trials for end in passed] == sorted(end.trials for end in passed)
        assert [end.trials for end in failed] == sorted((end.trials for end in failed), reverse=True)
        bounds = [
            lower_bound(boundary, failures=end.failures, trials=end.trials, confidence=0.95) or 0.0 for end in order
        ]
        assert all(better > worse for better, worse in pairwise(bounds))
        assert bounds[-1] == 0.0


# --- plans ------------------------------------------------------------------------------------------------------

PLANS = [(0.95, 0.8, 0.05, 0.05), (0.95, 0.8, 0.1, 0.1), (0.99, 0.9, 0.05, 0.1), (0.9, 0.7, 0.1, 0.05)]


@pytest.mark.parametrize(("reliability", "unacceptable", "producer", "consumer"), PLANS)
def test_plan_keeps_both_risks_and_is_shorter_on_average(
    reliability: float, unacceptable: float, producer: float, consumer: float
) -> None:
    plan = planned(reliability, unacceptable, producer, consumer)
    assert plan.producer_risk <= producer + 1e-9
    assert plan.consumer_risk <= consumer + 1e-9
    # The least fixed number of trials with the same risks
    fixed = next(
        n
        for n in range(1, 500)
        if any(
            stats.binom.sf(allowed, n, 1 - reliability) <= producer
            and stats.binom.cdf(allowed, n, 1 - unacceptable) <= consumer
            for allowed in range(n)
        )
    )
    assert plan.boundary.longest >= fixed
    assert plan.at_reliability.expected_trials < fixed
    assert plan.at_unacceptable.expected_trials < fixed
    # One trial fewer would not do
    for allowed in range(plan.boundary.longest):
        shorter = cut_off(plan.lines, longest=plan.boundary.longest - 1, failures_allowed=allowed)
        if not plan.lines.passes_at(shorter.longest) <= allowed < plan.lines.fails_at(shorter.longest):
            continue
        risks = (
            1 - conduct(shorter, reliability=reliability).passes,
            conduct(shorter, reliability=unacceptable).passes,
        )
        assert risks[0] > producer or risks[1] > consumer


@pytest.mark.parametrize(("reliability", "unacceptable", "producer", "consumer"), PLANS)
def test_ending_sooner_when_nothing_can_change_does_not_change_how_it_ends(
    reliability: float, unacceptable: float, producer: float, consumer: float
) -> None:
    plan = planned(reliability, unacceptable, producer, consumer)
    lines, longest = plan.lines, plan.boundary.longest
    allowed = plan.boundary.passes[-1]
    patient = Boundary(
        passes=(*(max(-1, lines.passes_at(n)) for n in range(1, longest)), allowed),
        fails=(*(lines.fails_at(n) for n in range(1, longest)), allowed + 1),
    )
    for share in (0.5, unacceptable, 0.85, reliability):
        early, late = (conduct(one, reliability=share) for one in (plan.boundary, patient))
        assert early.passes == pytest.approx(late.passes, abs=1e-12)
        assert early.expected_trials <= late.expected_trials + 1e-9


def test_boundaries_never_fall_and_never_meet_before_the_end() -> None:
    for given_risks in PLANS:
        boundary = planned(*given_risks).boundary
        assert list(boundary.passes) == sorted(boundary.passes)
        assert list(boundary.fails) == sorted(boundary.fails)
        assert all(low < high for low, high in zip(boundary.passes, boundary.fails, strict=True))
        assert boundary.fails[-1] == boundary.passes[-1] + 1


def test_plan_is_none_when_it_would_take_too_long() -> None:
    longest = planned(0.95, 0.8, 0.05, 0.05).boundary.longest
    asked = {"reliability": 0.95, "unacceptable_reliability": 0.8, "producer_risk": 0.05, "consumer_risk": 0.05}
    assert sequential_plan(**asked, most=longest) is not None
    assert sequential_plan(**asked, most=longest - 1) is None
    assert sequential_plan(**asked | {"unacceptable_reliability": 0.949}) is None


def test_series_of_simulated_cuts_pass_as_often_as_the_plan_says() -> None:
    plan, chance = planned(0.9, 0.7, 0.1, 0.05), random.Random(20260302)
    for share, told in ((0.9, plan.at_reliability), (0.7, plan.at_unacceptable)):
        ended = [steps(plan.boundary, (chance.random() < share for _ in range(500)))[-1] for _ in range(3000)]
        passed = sum(end.state == "passed" for end in ended) / len(ended)
        assert abs(passed - told.passes) < 4 * math.sqrt(told.passes * (1 - told.passes) / len(ended))
        assert sum(end.trial for end in ended) / len(ended) == pytest.approx(told.expected_trials, rel=0.05)


@pytest.mark.parametrize(
    ("changed", "name"),
    [
        ({"reliability": 1}, "reliability"),
        ({"unacceptable_reliability": 0}, "unacceptable_reliability"),
        ({"unacceptable_reliability": 0.95}, "unacceptable_reliability"),
        ({"producer_risk": 0}, "producer_risk"),
        ({"consumer_risk": 1.2}, "consumer_risk"),
        ({"producer_risk": 0.5, "consumer_risk": 0.5}, "producer_risk and consumer_risk"),
    ],
)
def test_what_cannot_be_planned_is_refused_by_name(changed: dict[str, float], name: str) -> None:
    asked = {"reliability": 0.95, "unacceptable_reliability": 0.8, "producer_risk": 0.05, "consumer_risk": 0.05}
    with pytest.raises(ValueError, match=name):
        wald_lines(**asked | changed)


# --- a series ---------------------------------------------------------------------------------------------------


def test_series_passes_at_the_first_trial_that_its_lines_allow() -> None:
    plan = planned(0.95, 0.8, 0.05, 0.05)
    # h to pass 1.890 over slope 0.1103: 17.1 trials, so the 18th
    found = series(plan.boundary, [True] * 20, confidence=0.95)
    assert (found.state, len(found.steps), found.left_over, found.reason) == ("passed", 18, 2, None)
    # The first pass is the best of all endings: 0.05^(1/18), as of 18 good of 18
    assert found.lower == pytest.approx(0.05 ** (1 / 18), abs=1e-12)
    assert all(step.state == "open" for step in found.steps[:-1])


def test_series_that_failed_early_proves_next_to_nothing() -> None:
    plan = planned(0.95, 0.8, 0.05, 0.05)
    found = series(plan.boundary, [True, False, False, False], confidence=0.95)
    assert (found.state, found.steps[-1].trial, found.steps[-1].failures) == ("failed", 4, 3)
    assert found.lower is not None
    assert found.lower < 0.02
    assert series(plan.boundary, [False] * 3, confidence=0.95).lower == 0.0


def test_series_that_goes_on_has_no_bound_yet() -> None:
    plan = planned(0.95, 0.8, 0.05, 0.05)
    for results in ([], [True] * 17, [True, False]):
        found = series(plan.boundary, results, confidence=0.95)
        assert (found.state, found.lower, found.reason, found.left_over) == ("open", None, NOT_ENDED, 0)
        assert [step.failures for step in found.steps] == [results[:n].count(False) for n in range(1, len(results) + 1)]


def test_bound_is_below_that_of_a_series_that_was_not_looked_at() -> None:
    plan = planned(0.95, 0.8, 0.05, 0.05)
    for end in endings(plan.boundary):
        honest = lower_bound(plan.boundary, failures=end.failures, trials=end.trials, confidence=0.95)
        plain = exact_bound(end.trials - end.failures, end.trials, side="lower", confidence=0.95)
        assert honest is not None
        assert plain is not None
        assert not end.passed or honest <= plain + 1e-12


def test_bound_of_a_plain_demonstration_is_the_plain_one() -> None:
    n = trials_needed(reliability=0.9, confidence=0.9)
    assert n == 22
    demonstration = Boundary((*([-1] * (n - 1)), 0), (1,) * n)
    found = lower_bound(demonstration, failures=0, trials=n, confidence=0.9)
    assert found == pytest.approx(exact_bound(n, n, side="lower", confidence=0.9), abs=1e-12)
    assert lower_bound(demonstration, failures=0, trials=n - 1, confidence=0.9) is None


@settings(max_examples=60)
@given(
    st.floats(0.55, 0.99),
    st.floats(0.1, 0.95),
    st.floats(0.01, 0.4),
    st.floats(0.01, 0.4),
    st.lists(st.booleans(), max_size=80),
)
def test_any_plan_holds_what_it_says(
    reliability: float, ratio: float, producer: float, consumer: float, results: list[bool]
) -> None:
    plan = sequential_plan(
        reliability=reliability,
        unacceptable_reliability=reliability * ratio,
        producer_risk=producer,
        consumer_risk=consumer,
        most=400,
    )
    if plan is None:
        return
    assert plan.producer_risk <= producer + 1e-9
    assert plan.consumer_risk <= consumer + 1e-9
    assert math.fsum(end.chance(reliability) for end in endings(plan.boundary)) == pytest.approx(1, abs=1e-9)
    assert plan.at_reliability.trials_90 <= plan.boundary.longest
    found = series(plan.boundary, results, confidence=0.9)
    assert len(found.steps) + found.left_over == len(results)
    assert (found.lower is None) == (found.state == "open")
    assert len(results) < plan.boundary.longest or found.state != "open"
