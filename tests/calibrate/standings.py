"""How often is a cell called proven whose true yield lies under its target?

One look errs in no more than what the confidence leaves. Who looks for a year looks often, and a proof that was once
reached holds for a while: so more cells are called proven at some time than at one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from tests.calibrate.figures import Figure
from tests.calibrate.plates import ALIKE, EQUAL, SIZES, chance_of, good_parts, sums_of
from worker.measures import FIRST_PASS
from worker.reports.holding import LEAST_PLATES, PROVEN, Again, Change, Course, Daily, Rule, changes, courses
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
    """Target, plates that each cell is cut on in a week, and days on which each of these is cut, part by part."""

    target: float
    plates: int
    days: int = 1

    @property
    def words(self) -> str:
        """The case in words."""
        several = f", each cut on {self.days} days" if self.days > 1 else ""
        return f"target {self.target:.0%}, {self.plates} {'plate' if self.plates == 1 else 'plates'} a week{several}"


CASES: Final = (Case(0.9, 1), Case(0.9, 5), Case(0.95, 1), Case(0.95, 5), Case(0.9, 1, days=4), Case(0.9, 5, days=4))


def figures(seed: int, *, shops: int, cases: tuple[Case, ...] = CASES) -> Iterator[Figure]:
    """Over so many shops of eight cells, each cut in every week of a year and a half."""
    cells = shops * CELLS
    for case in cases:
        for under, where in UNDER.items():
            once, daily, ever, apart = _proven(seed, case, case.target - under, shops)
            words = f"{case.words}, true yield {where}"
            most = None if under else MOST_AT_TARGET
            told = ("each day a plate of its own", (apart,)) if case.days > 1 else ("", ())
            yield Figure(AT_ONE_LOOK, words, (once,), cells, most=most, beside=told[0], plain=told[1])
            yield Figure(ON_A_DAY, words, (daily,), cells, beside="by that day's window alone", plain=(once,))
            yield Figure(WITHIN_A_YEAR, words, (ever,), cells, beside="by one window", plain=(once,))


def _proven(seed: int, case: Case, share: float, shops: int) -> tuple[float, float, float, float]:
    """Shares of cells: (proven by the last window, called proven on a day, at some time, by the last window if each day
    of a plate were a plate)."""
    chance = chance_of(seed, "standing", case, share)
    once, days, ever, apart = 0, 0, 0, 0
    for _ in range(shops):
        rule, cells = _shop(chance, case, share)
        for course in courses(cells, rule):
            once += _at_the_end(course)
            proven = _days_proven(changes(course, rule), rule)
            days += proven
            ever += proven > 0
        if case.days > 1:
            apart += sum(_at_the_end(course) for course in courses([replace(cell, again=None) for cell in cells], rule))
    in_all = shops * CELLS
    return once / in_all, days / (in_all * (YEAR + 1)), ever / in_all, apart / in_all


def _at_the_end(course: Course) -> bool:
    return bool(course.found.proven[-1] and course.counts.clusters[-1] >= LEAST_PLATES)


def _days_proven(told: Sequence[Change], rule: Rule) -> int:
    ends = [*(change.day for change in told[1:]), rule.last + 1]
    return sum(end - change.day for change, end in zip(told, ends, strict=True) if change.after == PROVEN)


def _shop(chance: np.random.Generator, case: Case, share: float) -> tuple[Rule, list[Daily]]:
    """What is asked, and cells that are cut every seventh day, and on the days after it where plates take several."""
    weeks, (size,) = (WINDOW + YEAR) // 7, SIZES[EQUAL]
    shape = (CELLS, weeks, case.days, case.plates)
    parts = np.full(shape, size // case.days)
    for_one = (1 - ALIKE) / ALIKE
    luck = chance.beta(share * for_one, (1 - share) * for_one, (CELLS, weeks, 1, case.plates))
    good = good_parts(chance, np.broadcast_to(luck, shape), parts, alike=0)
    cells = (CELLS, weeks * case.days * case.plates)
    pooled = correlation([FIRST_PASS.counts(sums) for sums in sums_of(good.reshape(cells), parts.reshape(cells))])
    rule = Rule(case.target, CONFIDENCE, pooled, window=WINDOW, first=WINDOW, last=WINDOW + YEAR)
    days = np.arange(1, weeks + 1)[:, None] * 7 + np.arange(case.days)
    told = (good.sum(-1), parts.sum(-1), np.full(shape[:-1], case.plates), (parts * parts).sum(-1))
    again = _again(days, parts[0]) if case.days > 1 else None
    return rule, [
        Daily(days.ravel(), Counts(*(values[cell].ravel().astype(float) for values in told)), again=again)
        for cell in range(CELLS)
    ]


def _again(days: Any, parts: Any) -> Again:
    """Days by week and day of it; parts by these and the plate of the week."""
    weeks, _, plates = parts.shape
    numbers = np.arange(weeks * plates).reshape(weeks, 1, plates)
    each = (np.broadcast_to(values, parts.shape).ravel() for values in (numbers, days[:, :, None], parts))
    return Again(*each)
