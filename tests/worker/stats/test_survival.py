"""Kaplan-Meier: published limits, two other libraries, and what must hold of it everywhere."""

from __future__ import annotations

import random
import warnings

import pytest
from scipy.stats import CensoredData, ecdf

from worker.stats.survival import kaplan_meier

with warnings.catch_warnings():
    # What the library imports may warn of its own dependencies.
    warnings.simplefilter("ignore")
    from statsmodels.duration.survfunc import SurvfuncRight


# Boston University School of Public Health, Survival Analysis module (BS704), life-table example; log-log limits from
# Mathematica; both in the scipy test suite (stats/tests/test_survival.py), read there: KM-04
def test_curve_and_limits_of_the_life_table_are_the_published_ones() -> None:
    times = [24, 3, 11, 19, 24, 13, 14, 2, 18, 17, 24, 21, 12, 1, 10, 23, 6, 5, 9, 17]
    events = [0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 0, 1, 0, 1]
    steps = kaplan_meier(zip(times, map(bool, events), strict=True), confidence=0.95).steps
    survival = [0.95, 0.95, 0.897, *[0.844] * 7, 0.76, *[0.676] * 4, 0.507, 0.507]
    lower = [0.694743, 0.694743, 0.647529, *[0.591142] * 7, 0.464605, *[0.370359] * 4, 0.160489, 0.160489]
    upper = [0.992802, 0.992802, 0.973299, *[0.947073] * 7, 0.906422, *[0.856521] * 4, 0.776724, 0.776724]
    assert [step.survival for step in steps] == pytest.approx(survival, abs=1e-3)
    assert [step.lower for step in steps] == pytest.approx(lower, abs=1e-6)
    assert [step.upper for step in steps] == pytest.approx(upper, abs=1e-6)


def random_subjects(rng: random.Random) -> list[tuple[int, bool]]:
    longest, share = rng.choice((1, 2, 4, 12)), rng.choice((0.0, 0.3, 0.8, 1.0))
    return [(rng.randint(1, longest), rng.random() < share) for _ in range(rng.choice((1, 2, 3, 8, 40)))]


def test_curves_and_limits_of_random_sets_agree_with_scipy() -> None:
    rng = random.Random(1)
    for _ in range(1000):
        subjects = random_subjects(rng)
        steps = kaplan_meier(subjects, confidence=0.9).steps
        done, censored = [t for t, event in subjects if event], [t for t, event in subjects if not event]
        reference = ecdf(CensoredData(uncensored=done, right=censored)).sf
        assert [step.time for step in steps] == list(reference.quantiles)
        assert [step.survival for step in steps] == pytest.approx(list(reference.probabilities), abs=1e-12)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            limits = reference.confidence_interval(0.9, method="log-log")
        for step, low, high in zip(steps, limits.low.probabilities, limits.high.probabilities, strict=True):
            if step.lower is not None:
                assert (step.lower, step.upper) == pytest.approx((low, high), abs=1e-9)


def test_curves_and_errors_of_random_sets_agree_with_statsmodels() -> None:
    rng = random.Random(3)
    for _ in range(500):
        subjects = [*random_subjects(rng), (1, True)]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            reference = SurvfuncRight([time for time, _ in subjects], [int(event) for _, event in subjects])
        steps = [step for step in kaplan_meier(subjects, confidence=0.95).steps if step.events]
        assert [step.time for step in steps] == list(reference.surv_times)
        assert [step.survival for step in steps] == pytest.approx(list(reference.surv_prob), abs=1e-12)
        for step, error in zip(steps, reference.surv_prob_se, strict=True):
            if step.std_error is not None:
                assert step.std_error == pytest.approx(error, abs=1e-12)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.998])
def test_what_must_hold_of_every_curve(confidence: float) -> None:
    rng = random.Random(4)
    for _ in range(1000):
        subjects = [*random_subjects(rng), *[(0, False)] * rng.choice((0, 0, 1, 5))]
        found = kaplan_meier(subjects, confidence=confidence)
        assert found == kaplan_meier(rng.sample(subjects, len(subjects)), confidence=confidence)
        before = 1.0
        for step in found.steps:
            assert 0 <= step.survival <= before
            before = step.survival
            if step.lower is not None and step.upper is not None:
                assert 0 <= step.lower <= step.survival <= step.upper <= 1
            assert (step.lower is None) == (step.survival in (0.0, 1.0))
        assert sum(step.events + step.censored for step in found.steps) + found.not_begun == found.subjects
        assert (found.median is None) == (found.reason is not None)


def test_the_share_after_one_attempt_is_exactly_the_share_of_failed_first_attempts() -> None:
    rng = random.Random(5)
    for _ in range(2000):
        pieces = [*random_subjects(rng), *[(0, False)] * rng.randint(0, 3)]
        judged = [piece for piece in pieces if piece[0] >= 1]
        failed = sum(piece != (1, True) for piece in judged)
        assert kaplan_meier(pieces, confidence=0.95).at(1) == failed / len(judged)


def test_a_piece_without_a_judged_attempt_is_counted_apart() -> None:
    found = kaplan_meier([(0, False), (0, False)], confidence=0.95)
    assert (found.steps, found.subjects, found.not_begun, found.median) == ((), 2, 2, None)
    assert found.reason == "no piece has a judged attempt"
    assert found.at(1) == 1
    assert kaplan_meier([], confidence=0.95).subjects == 0


def test_median_of_pieces_that_mostly_fail_is_none_with_a_reason() -> None:
    found = kaplan_meier([(1, True), *[(2, False)] * 9], confidence=0.95)
    assert (found.median, found.reason) == (None, "90% are without it at the end: no median")
    assert kaplan_meier([(1, True)], confidence=0.95).median == 1
    assert kaplan_meier([(1, True), (2, True)], confidence=0.95).median == 1


@pytest.mark.parametrize("subject", [(0, True), (-1, False)])
def test_times_that_cannot_be_are_refused(subject: tuple[int, bool]) -> None:
    with pytest.raises(ValueError, match="count from 1"):
        kaplan_meier([subject], confidence=0.95)
