"""Two groups over strata, exactly: given the margins of each table, for counts too small for a chi-square."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from worker.sentences import sentence

NOTHING_LEFT: Final = sentence("effective counts, rounded to whole ones, leave no stratum with information")
NO_LARGEST: Final = sentence("the data allow no more: the odds ratio has no upper limit")

#: The logarithms of odds ratios that are searched.
_FAR: Final = 60.0

#: Cells of a table: x and the others of the first group, x and the others of the second.
Table = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Conditional:
    """Odds ratio (conditional maximum likelihood), exact interval, and two-sided and one-sided p values.

    An odds ratio or upper limit without bound is None, with the reason; so are all where no table is left.
    """

    odds_ratio: float | None
    low: float | None
    high: float | None
    p: float | None
    p_less: float | None
    p_greater: float | None
    reason: str | None = None


def conditional(tables: Sequence[Table], *, confidence: float) -> Conditional:
    """Exact inference for the odds ratio common to the tables. Cells that are not whole are rounded to whole ones.

    Two-sided p: all outcomes no likelier than the one seen. Gart JJ (1970), Biometrika 57, 471-475; Mehta CR, Patel NR,
    Gray R (1985), J. Amer. Statist. Assoc. 80, 969-973.
    """
    whole = sorted(table for table in map(_whole, tables) if _tells(table))
    if not whole:
        return Conditional(None, None, None, None, None, None, NOTHING_LEFT)
    seen, least, weights = _outcomes(whole)
    place, last = seen - least, len(weights) - 1
    chances = _chances(weights, 0.0)
    likely = float(chances[place]) * (1 + 1e-7)
    tail = (1 - confidence) / 2

    def below(log_ratio: float) -> float:
        return _sum(_chances(weights, log_ratio)[: place + 1])

    def above(log_ratio: float) -> float:
        return _sum(_chances(weights, log_ratio)[place:])

    def excess(log_ratio: float) -> float:
        return float(np.arange(last + 1) @ _chances(weights, log_ratio)) - place

    return Conditional(
        odds_ratio=0.0 if place == 0 else None if place == last else _rising_root(excess),
        low=0.0 if place == 0 else _rising_root(lambda log_ratio: above(log_ratio) - tail),
        high=None if place == last else _rising_root(lambda log_ratio: tail - below(log_ratio)),
        p=min(1.0, _sum(chances[chances <= likely])),
        p_less=below(0.0),
        p_greater=above(0.0),
        reason=NO_LARGEST if place == last else None,
    )


def _whole(table: Table) -> tuple[int, int, int, int]:
    """Whole counts, with each group's size rounded and its share kept as nearly as can be.

    Rounding x by itself would shift the share: 3.75 good of 3.75 would become 4 of 4, but 3.4 of 3.75 only 3 of 4.
    """
    a, b, c, d = table
    return (*_rounded(a, a + b), *_rounded(c, c + d))


def _rounded(x: float, n: float) -> tuple[int, int]:
    whole = round(n)
    kept = round(x * whole / n) if n > 0 else 0
    return kept, whole - kept


def _tells(table: tuple[int, int, int, int]) -> bool:
    a, b, c, d = table
    return min(a + b, c + d, a + c, b + d) > 0


def _outcomes(tables: Sequence[tuple[int, int, int, int]]) -> tuple[int, int, Any]:
    """Sum of the first cells as seen, its least value, and the logarithms of the weights of all its values."""
    seen, least, weights = 0, 0, np.zeros(1)
    for a, b, c, d in tables:
        n1, n2, m = a + b, c + d, a + c
        x = np.arange(max(0, m - n2), min(n1, m) + 1)
        weights = _convolved(weights, _log_choose(n1, x) + _log_choose(n2, m - x))
        seen, least = seen + a, least + int(x[0])
    return seen, least, weights


def _log_choose(n: int, x: Any) -> Any:
    from scipy import special

    return special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1)


def _convolved(one: Any, other: Any) -> Any:
    """Log weights of the sum of two independent counts. In logarithms, so that no weight is lost."""
    short, long = (one, other) if len(one) <= len(other) else (other, one)
    result = np.full(len(short) + len(long) - 1, -np.inf)
    for place, weight in enumerate(short):
        span = slice(place, place + len(long))
        result[span] = np.logaddexp(result[span], long + weight)
    return result - result.max()


def _chances(weights: Any, log_ratio: float) -> Any:
    tilted = weights + log_ratio * np.arange(len(weights))
    chances = np.exp(tilted - tilted.max())
    return chances / chances.sum()


def _sum(chances: Any) -> float:
    return min(1.0, float(chances.sum()))


def _rising_root(rising: Callable[[float], float]) -> float:
    """e to the place where a rising function of the logarithm passes 0."""
    low, high = -_FAR, _FAR
    while high - low > 1e-13 * max(1.0, abs(low)):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (low, middle) if rising(middle) > 0 else (middle, high)
    return math.exp((low + high) / 2)
