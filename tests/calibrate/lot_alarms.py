"""How often does `lots` blame a lot that is like the others, and how many of the bad ones does it find?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.calibrate import asked
from tests.calibrate.figures import Figure
from tests.calibrate.plates import EQUAL, SIZES, as_if_independent, chance_of, good_parts, sizes, sums_of
from worker.stats.lots import Funnel

BLAMED: Final = "lots: a report without a bad lot calls one worse or better"
REJECTED: Final = "lots: p < 0.05 of a lot like the others"
FALSE_ALARMS: Final = "lots: false alarms in 100 reports"
FALSE_SHARE: Final = "lots: false share of the alarms"
FOUND: Final = "lots: bad lots that are found"
BETTER: Final = "lots: good lots that are called better, with bad ones among the others"
MOST_REJECTED: Final = 0.07
MOST_FALSE: Final = 0.05
MANY: Final = 1_000


@dataclass(frozen=True)
class Case:
    """Lots, plates of each, true yield, and how many have a worse one."""

    lots: int
    plates: int
    share: float
    bad: int = 0
    worse: float = 0.0

    @property
    def words(self) -> str:
        """The case in words."""
        said = f"{self.lots:,} lots of {self.plates} plates, yield {self.share:.0%}"
        return f"{said}, {self.bad} of them {self.worse:.0%}" if self.bad else said


#: 50 equal lots of 4 plates gave a naive funnel 3 false alarms: the figure of the page of methods.
NULLS: Final = (Case(3, 2, 0.8), Case(5, 4, 0.9), Case(50, 4, 0.9), Case(50, 4, 0.8), Case(30, 20, 0.95))
MANY_LOTS: Final = (
    Case(MANY, 4, 0.9),
    Case(MANY, 20, 0.95),
    Case(MANY, 4, 0.9, 10, 0.4),
    Case(MANY, 4, 0.9, 100, 0.4),
    Case(MANY, 20, 0.95, 50, 0.75),
    Case(MANY, 20, 0.95, 200, 0.6),
)


@dataclass(frozen=True)
class _Judged:
    """Verdicts on one set of lots: worse and better ones of lots like the others, worse ones of bad lots.

    `low_p` of `with_p` p values of lots like the others are below 0.05.
    """

    worse: int
    better: int
    found: int
    low_p: int
    with_p: int


def figures(
    seed: int, *, trials: int, large_trials: int, nulls: tuple[Case, ...] = NULLS, many: tuple[Case, ...] = MANY_LOTS
) -> Iterator[Figure]:
    """Reports of equal lots; then of a thousand lots, some of them bad."""
    for kind in SIZES:
        for case in nulls:
            yield from _of_nulls(seed, kind, case, trials)
        for case in many:
            yield from _of_many(seed, kind, case, large_trials)


def _of_nulls(seed: int, kind: str, case: Case, trials: int) -> Iterator[Figure]:
    judged = list(_judged(seed, kind, case, trials))
    plain = list(_judged(seed, kind, case, min(trials, 100), independent=True))
    words = f"{case.words}, {kind}"
    independent = "parts taken for independent"
    blamed, plain_blamed = (sum(one.worse + one.better > 0 for one in some) / len(some) for some in (judged, plain))
    yield Figure(BLAMED, words, (blamed,), trials, most=MOST_REJECTED, beside=independent, plain=(plain_blamed,))
    rejected, plain_rejected = (
        sum(one.low_p for one in some) / max(1, sum(one.with_p for one in some)) for some in (judged, plain)
    )
    # Lots of one report are not independent of each other: the reports are the trials.
    yield Figure(REJECTED, words, (rejected,), trials, most=MOST_REJECTED, beside=independent, plain=(plain_rejected,))
    if case.lots == 50 and kind == EQUAL:
        false, plain_false = (sum(one.worse + one.better for one in some) / len(some) for some in (judged, plain))
        yield Figure(FALSE_ALARMS, words, (false,), trials, beside=independent, plain=(plain_false,))


def _of_many(seed: int, kind: str, case: Case, trials: int) -> Iterator[Figure]:
    judged = list(_judged(seed, kind, case, trials))
    words = f"{case.words}, {kind}"
    if not case.bad:
        false = [float(one.worse + one.better > 0) for one in judged]
        yield Figure(FALSE_SHARE, words, (sum(false) / trials,), trials, most=MOST_FALSE)
        return
    # With bad lots among the others, a lot like most of them is better than the others are on average: that is true.
    false = [one.worse / max(1, one.worse + one.found) for one in judged]
    yield Figure(FALSE_SHARE, words, (sum(false) / trials,), trials, most=MOST_FALSE)
    found, better = (sum(each) / trials for each in ([one.found for one in judged], [one.better for one in judged]))
    yield Figure(FOUND, words, (found / case.bad,), trials)
    yield Figure(BETTER, words, (better / (case.lots - case.bad),), trials)


def _judged(seed: int, kind: str, case: Case, trials: int, *, independent: bool = False) -> Iterator[_Judged]:
    chance = chance_of(seed, "lots", kind, case)
    share = np.full(case.lots, case.share)
    share[: case.bad] = case.worse
    for _ in range(trials):
        parts = sizes(chance, kind, (case.lots, case.plates))
        sums = sums_of(good_parts(chance, share[:, None], parts), parts)
        if independent:
            sums = [as_if_independent(one) for one in sums]
        yield _of(asked.lots({asked.thickness(0): one} for one in sums), case)


def _of(found: Mapping[int, Funnel], case: Case) -> _Judged:
    sides = [(place < case.bad, one.side) for place, one in found.items() if asked.called(one)]
    p_values = [one.p for place, one in found.items() if one.p is not None and place >= case.bad]
    return _Judged(
        worse=sides.count((False, "worse")),
        better=sides.count((False, "better")),
        found=sides.count((True, "worse")),
        low_p=sum(p < 1 - asked.CONFIDENCE for p in p_values),
        with_p=len(p_values),
    )
