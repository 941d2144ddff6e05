"""Do the intervals of first-pass yield cover the truth as often as they say?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from tests.calibrate import asked
from tests.calibrate.figures import Figure
from tests.calibrate.plates import ALIKE, SIZES, as_if_independent, chance_of, good_parts, sizes, sums_of
from worker.measures import FIRST_PASS

QUESTION: Final = "yield: 95 % interval covers the truth"
YIELDS: Final = (0.8, 0.9, 0.95)
#: Yields of a report of four thicknesses.
FOUR: Final = (0.95, 0.9, 0.85, 0.8)
#: Plates from which coverage is demanded; fewer are printed.
ENOUGH: Final = 20
PLATES: Final = (3, 5, 8, 12, 19, 20, 25, 30, 50, 100)
#: Other correlations, printed.
OTHERS: Final = (0.05, 0.4)


def figures(seed: int, *, trials: int, plates: tuple[int, ...] = PLATES) -> Iterator[Figure]:
    """One figure for each number of plates, kind of plates, and report of one or of four thicknesses."""
    for kind in SIZES:
        for many in plates:
            alone = [_covered(seed, kind, many, (share,), trials=trials) for share in YIELDS]
            yield _figure(f"one thickness, {many} plates, {kind}", alone, trials, many >= ENOUGH)
        for many in plates:
            four = _covered(seed, kind, many, FOUR, trials=trials)
            yield _figure(f"four thicknesses, {many} plates each, {kind}", [four], trials, many >= ENOUGH)
        for alike in OTHERS:
            alone = [_covered(seed, kind, 30, (share,), trials=trials, alike=alike) for share in YIELDS]
            yield _figure(f"one thickness, 30 plates, {kind}, correlation {alike}", alone, trials, demanded=False)


def _figure(case: str, covered: list[tuple[list[float], list[float]]], trials: int, demanded: bool) -> Figure:
    found = tuple(share for own, _ in covered for share in own)
    plain = tuple(share for _, of_plain in covered for share in of_plain)
    least, most, below = (0.93, 0.97, 0.9) if demanded else (None, None, None)
    return Figure(QUESTION, case, found, trials, least, most, "plain Wilson", plain, below)


def _covered(
    seed: int, kind: str, many: int, shares: tuple[float, ...], *, trials: int, alike: float = ALIKE
) -> tuple[list[float], list[float]]:
    """How often the rows' intervals cover the true share of each thickness: (as reported, plain Wilson)."""
    chance = chance_of(seed, "coverage", kind, many, shares, alike)
    parts = sizes(chance, kind, (trials, len(shares), many))
    good = good_parts(chance, np.array(shares)[None, :, None], parts, alike=alike)
    sums = sums_of(good, parts)
    covered = np.zeros((2, len(shares)))
    for trial in range(trials):
        groups = sums[trial * len(shares) : (trial + 1) * len(shares)]
        rows = asked.yields(groups).rows
        for place, (share, row, group) in enumerate(zip(shares, rows, groups, strict=True)):
            covered[0, place] += row["first_pass_yield_low"] <= share <= row["first_pass_yield_high"]
            plain = FIRST_PASS.estimate(as_if_independent(group), confidence=asked.CONFIDENCE)
            assert plain.low is not None
            assert plain.high is not None
            covered[1, place] += plain.low <= share <= plain.high
    found, plain_found = covered / trials
    return found.tolist(), plain_found.tolist()
