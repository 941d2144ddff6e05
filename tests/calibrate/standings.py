"""How often is a cell called proven whose true yield lies under its target?

One look errs in no more than what the confidence leaves. Who looks for a year looks often, and a proof that was once
reached holds for a while: so more cells are called proven at some time than at one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.calibrate.figures import Figure
from tests.calibrate.plates import EQUAL, chance_of, good_parts, sizes, sums_of
from worker.measures import FIRST_PASS
from worker.reports.holding import LEAST_PLATES, PROVEN, Change, Daily, Rule, changes, courses
from worker.stats.against_target import Counts
from worker.stats.clustering import correlation

AT_ONE_LOOK: Final = "standing: the parts of one window prove the target"
ON_A_DAY: Final = "standing: called proven on a day, over a year"
WITHIN_A_YEAR: Final = "standing: called proven at some time within a year of weekly looks"
CONFIDENCE: Final = 0.95
#: What the confidence leaves at the target itself, and somewhat for the correlation that has to be estimated.
MOST_AT_TARGET: Final = 0.06
#: So far under the target, in words.
UNDER: Final = {0.0: "at it", 0.01: "1 point under it", 0.02: "2 points under it"}
#: Days that a window holds, and days on which its end is looked at.
WINDOW, YEAR = 26 * 7, 52 * 7
CELLS: Final = 8


@dataclass(frozen=True)
class Case:
    """Target, and plates that each cell is cut on in a week."""

    target: float
    plates: int

    @property
    def words(self) -> str:
        """The case in words."""
        return f"target {self.target:.0%}, {self.plates} {'plate' if self.plates == 1 else 'plates'} a week"


CASES: Final = (Case(0.9, 1), Case(0.9, 5), Case(0.95, 1), Case(0.95, 5))


def figures(seed: int, *, shops: int, cases: tuple[Case, ...] = CASES) -> Iterator[Figure]:
    """Over so many shops of eight cells, each cut in every week of a year and a half."""
    cells = shops * CELLS
    for case in cases:
        for under, where in UNDER.items():
            once, daily, ever = _proven(seed, case, case.target - under, shops)
            words = f"{case.words}, true yield {where}"
            yield Figure(AT_ONE_LOOK, words, (once,), cells, most=None if under else MOST_AT_TARGET)
            yield Figure(ON_A_DAY, words, (daily,), cells, beside="by that day's window alone", plain=(once,))
            yield Figure(WITHIN_A_YEAR, words, (ever,), cells, beside="by one window", plain=(once,))


def _proven(seed: int, case: Case, share: float, shops: int) -> tuple[float, float, float]:
    """Shares of cells: (proven by the last window, called proven on a day, called proven at some time)."""
    chance = chance_of(seed, "standing", case, share)
    once, days, ever = 0, 0, 0
    for _ in range(shops):
        rule, cells = _shop(chance, case, share)
        for course in courses(cells, rule):
            once += bool(course.found.proven[-1] and course.plates[-1] >= LEAST_PLATES)
            proven = _days_proven(changes(course, rule), rule)
            days += proven
            ever += proven > 0
    cells_in_all = shops * CELLS
    return once / cells_in_all, days / (cells_in_all * (YEAR + 1)), ever / cells_in_all


def _days_proven(told: Sequence[Change], rule: Rule) -> int:
    ends = [*(change.day for change in told[1:]), rule.last + 1]
    return sum(end - change.day for change, end in zip(told, ends, strict=True) if change.after == PROVEN)


def _shop(chance: np.random.Generator, case: Case, share: float) -> tuple[Rule, list[Daily]]:
    """What is asked, and cells that are cut every seventh day."""
    weeks = (WINDOW + YEAR) // 7
    parts = sizes(chance, EQUAL, (CELLS, weeks, case.plates))
    good = good_parts(chance, np.full((1, 1, 1), share), parts)
    cells = (parts.shape[0], weeks * case.plates)
    pooled = correlation([FIRST_PASS.counts(sums) for sums in sums_of(good.reshape(cells), parts.reshape(cells))])
    rule = Rule(case.target, CONFIDENCE, pooled, window=WINDOW, first=WINDOW, last=WINDOW + YEAR)
    days = np.arange(1, weeks + 1) * 7
    told = (good.sum(-1), parts.sum(-1), np.full(parts.shape[:-1], case.plates), (parts * parts).sum(-1))
    return rule, [
        Daily(days, Counts(*(values[cell].astype(float) for values in told))) for cell in range(parts.shape[0])
    ]
