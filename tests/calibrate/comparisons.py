"""How often do `conditions` and `recipes` see a difference where there is none, the best so far picked by looking?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from tests.calibrate import asked
from tests.calibrate.figures import Figure
from tests.calibrate.plates import SIZES, Sums, as_if_independent, chance_of, good_parts, sizes, sums_of

CONDITIONS: Final = "conditions: a true null is rejected"
RECIPES: Final = "recipes: a true null is rejected"
BEST: Final = "recipes: the best so far is called better without cause"
SEEN: Final = "conditions: a true difference is seen"
MOST_REJECTED: Final = 0.07


@dataclass(frozen=True)
class Case:
    """True yield of each thickness, and plates of the first and the second group at it."""

    yields: tuple[float, ...]
    first: tuple[int, ...]
    second: tuple[int, ...]

    @property
    def words(self) -> str:
        """The case in words."""
        shares = "/".join(f"{100 * share:.0f}" for share in self.yields)
        return f"yield {shares} %, plates {'/'.join(map(str, self.first))} and {'/'.join(map(str, self.second))}"


CASES: Final = (
    Case((0.8,), (3,), (3,)),
    Case((0.95,), (20,), (20,)),
    Case((0.95, 0.9, 0.8), (2, 2, 2), (2, 2, 2)),
    Case((0.95, 0.9, 0.8), (4, 4, 4), (4, 4, 4)),
    Case((0.95, 0.9, 0.8), (20, 20, 20), (5, 5, 5)),
    Case((0.95, 0.9, 0.85, 0.8), (3, 6, 10, 2), (8, 2, 3, 6)),
    Case((0.95, 0.9, 0.8), (30, 30, 30), (30, 30, 30)),
    Case((0.9, 0.85, 0.8, 0.9, 0.85, 0.8, 0.9, 0.85), (8,) * 8, (1,) * 8),
)
#: Recipes to pick the best from, and plates of each surface that each was cut on.
BEST_OF: Final = ((2, 20), (3, 20), (5, 20))


def figures(seed: int, *, trials: int, cases: tuple[Case, ...] = CASES) -> Iterator[Figure]:
    """Rejections of both reports, beside those of the same report taking all parts for independent."""
    for kind in SIZES:
        for case in cases:
            yield _conditions(seed, kind, case, trials)
        for case in cases:
            yield _recipes(seed, kind, case, trials)
        for recipes, plates in BEST_OF:
            yield _best(seed, kind, recipes, plates, trials // 2)
        yield _seen(seed, kind, Case((0.95, 0.9, 0.85), (12, 12, 12), (6, 6, 6)), trials // 4)


def _conditions(seed: int, kind: str, case: Case, trials: int) -> Figure:
    rejected, plain = 0, 0
    for pairs in _pairs(chance_of(seed, "conditions", kind, case), kind, case, trials):
        rejected += _rejects(asked.conditions(pairs).details["p_value"])
        alone = [(as_if_independent(one), as_if_independent(other)) for one, other in pairs]
        plain += _rejects(asked.conditions(alone).details["p_value"])
    return Figure(
        CONDITIONS, f"{case.words}, {kind}", (rejected / trials,), trials, most=MOST_REJECTED,
        beside="parts taken for independent", plain=(plain / trials,),
    )  # fmt: skip


def _recipes(seed: int, kind: str, case: Case, trials: int) -> Figure:
    by_test, by_difference = 0, 0
    for pairs in _pairs(chance_of(seed, "recipes", kind, case), kind, case, trials):
        found = asked.recipes(pairs)
        by_test += _rejects(found.p)
        by_difference += found.difference.excludes_zero
    shares = (by_test / trials, by_difference / trials)
    return Figure(RECIPES, f"{case.words}, {kind}", shares, trials, most=MOST_REJECTED)


def _best(seed: int, kind: str, recipes: int, plates: int, trials: int) -> Figure:
    """Of recipes that are alike one is picked as the best: does the report call any other worse?"""
    chance = chance_of(seed, "best", kind, recipes, plates)
    yields = (0.9, 0.75)
    groups: list[list[Sums]] = []
    for true in yields * recipes:
        parts = sizes(chance, kind, (trials, plates))
        groups.append(sums_of(good_parts(chance, true, parts), parts))
    by_q, by_p = 0, 0
    for one in zip(*groups, strict=True):
        q_values, p_values = asked.best_so_far([(one[place], one[place + 1]) for place in range(0, len(one), 2)])
        by_q += any(map(_rejects, q_values))
        by_p += any(map(_rejects, p_values))
    return Figure(
        BEST, f"{recipes} recipes, {plates} plates of each surface, {kind}", (by_q / trials,), trials,
        most=MOST_REJECTED, beside="without regard to the picking", plain=(by_p / trials,),
    )  # fmt: skip


def _seen(seed: int, kind: str, case: Case, trials: int) -> Figure:
    seen = 0
    for pairs in _pairs(chance_of(seed, "seen", kind, case), kind, case, trials, costs=0.2):
        seen += _rejects(asked.conditions(pairs).details["p_value"])
    return Figure(SEEN, f"20 points less, {case.words}, {kind}", (seen / trials,), trials)


def _rejects(p: Any) -> bool:
    return p is not None and p < 1 - asked.CONFIDENCE


def _pairs(
    chance: np.random.Generator, kind: str, case: Case, trials: int, *, costs: float = 0.0
) -> Iterator[list[tuple[Sums, Sums]]]:
    """Trial by trial the sums of both groups at each thickness."""
    groups: list[list[Sums]] = []
    for share, *plates in zip(case.yields, case.first, case.second, strict=True):
        for many, true in zip(plates, (share, share - costs), strict=True):
            parts = sizes(chance, kind, (trials, many))
            groups.append(sums_of(good_parts(chance, true, parts), parts))
    for one in zip(*groups, strict=True):
        yield [(one[place], one[place + 1]) for place in range(0, len(one), 2)]
