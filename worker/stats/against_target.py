"""Many counts at once against one target: is a share of good parts proven, nearly proven, or out of the question?

The same as the bounds that `one_sided` gives of `effective` counts, count for count; a hundred times as fast, since the
tail at the target is asked for and no bound is looked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy import special

from worker.stats.clustering import MANY_CLUSTERS, Correlation
from worker.stats.demonstration import GUARD

#: Terms that the Wilson interval at about 95 % adds to the counts: see `clustering._degrees`.
_MORE_GOOD: Final = 2
_MORE: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Arrays of equal length: good parts, judged parts, their clusters, the sum of squared parts over the clusters."""

    x: Any
    n: Any
    clusters: Any
    n2: Any

    def __len__(self) -> int:
        """How many counts they are."""
        return len(self.n)


@dataclass(frozen=True, slots=True, eq=False)
class Against:
    """Arrays of yes and no. What is proven is nearly proven too.

    `proven`: the exact one-sided lower bound is at or above the target; `nearly`: at or above the target less the
    margin; `below`: the upper bound is under the target. Of nothing judged all three are no.
    """

    proven: Any
    nearly: Any
    below: Any


def against(counts: Counts, *, pooled: Correlation | None, target: float, margin: float, confidence: float) -> Against:
    """Each of the counts against the target, as independent parts would be with this correlation within clusters.

    target, margin: shares 0-1, 0 < target < 1. pooled None: independence is assumed, as `effective` does.
    """
    x, n = independent(counts, pooled=pooled, confidence=confidence)
    rest, some = 1 - confidence, counts.n > 0
    return Against(
        proven=some & (_at_least(x, n, target) <= rest + GUARD),
        nearly=some & (_at_least(x, n, max(0.0, target - margin)) <= rest + GUARD),
        below=some & (_at_least(n - x, n, 1 - target) < rest - GUARD),
    )


def independent(counts: Counts, *, pooled: Correlation | None, confidence: float) -> tuple[Any, Any]:
    """(good, judged) independent parts that tell as much; see `effective` and `one_sided`."""
    x, n = (np.asarray(values, dtype=float) for values in (counts.x, counts.n))
    if pooled is None:
        return x, n
    singly = n <= counts.clusters
    size = np.maximum(1.0, counts.n2 / np.maximum(n, 1))
    inflation = np.where(singly, 1.0, np.maximum(1.0, 1 + (size - 1) * float(pooled)))
    x, n = x / inflation, n / inflation
    if confidence <= 0.5 or pooled.degrees <= 0:
        return x, n
    degrees = np.maximum(1.0, pooled.degrees / (1 + _kurtosis((x + _MORE_GOOD) / (n + _MORE), float(pooled)) / 2))
    ratio = special.ndtri(confidence) / special.stdtrit(degrees, confidence)
    shrunk = np.where(singly | (degrees >= MANY_CLUSTERS - 1), 1.0, np.minimum(1.0, ratio * ratio))
    return x * shrunk, n * shrunk


def _kurtosis(mean: Any, alike: float) -> Any:
    """Excess kurtosis of beta distributions, by their means and the correlation of two draws at each; at least 0."""
    varies, alike = mean * (1 - mean), max(0.0, alike)
    return np.maximum(0.0, 6 * alike * (1 - varies * (5 + alike)) / (varies * (1 + alike) * (1 + 2 * alike)))


def _at_least(x: Any, n: Any, share: float) -> Any:
    """Chances of x or more among n, each with this share; 1 where x is none."""
    x = np.minimum(x, n)
    return np.where(x <= 0, 1.0, special.betainc(np.maximum(x, GUARD), n - x + 1, share))
