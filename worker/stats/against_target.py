"""Counts of plates against a target: is a share of good parts proven, nearly proven, or out of the question?

Two lower bounds hold, and the better one counts. One is that of `effective` counts; where nothing tells how alike the
parts of a plate are, they are taken to stand or fall together. The other takes a plate for one part that is good when
all on it are, and each part that is not good for a plate of its own. It rests on nothing but plates that do not depend
on each other, since a part is good at least as often as all of a plate: so no correlation that is learnt later takes it
away.

`against` says of many counts at once what `bounds` says of one; a hundred times as fast, since the tail at the target
is asked for and no bound is looked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from worker.sentences import sentence
from worker.stats.clustering import (
    MANY_CLUSTERS,
    PLATE_AS_ONE,
    TOGETHER,
    Clustered,
    Correlation,
    Effective,
    kurtosis,
    promising,
)
from worker.stats.demonstration import GUARD, Bounds, MoreGood, more_good, one_sided

TAKEN_TOGETHER: Final = sentence(
    "nothing tells how alike parts of one plate are: they are taken to stand or fall together"
)

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
    """Each of the counts against the target, as `bounds` has it with this correlation within clusters.

    target, margin: shares 0-1, 0 < target < 1. pooled None: see TOGETHER.
    """
    x, n = independent(counts, pooled=pooled, confidence=confidence)
    plates = np.asarray(counts.clusters, dtype=float)
    good = plates - np.minimum(plates, np.asarray(counts.n, dtype=float) - counts.x)
    rest, some = 1 - confidence, np.asarray(counts.n) > 0

    def reached(share: float) -> Any:
        tails = np.minimum(_at_least(x, n, share), _at_least(good, plates, share))
        return some & (tails <= rest + GUARD)

    return Against(
        proven=reached(target),
        nearly=reached(max(0.0, target - margin)),
        below=some & (_at_least(n - x, n, 1 - target) < rest - GUARD),
    )


def independent(counts: Counts, *, pooled: Correlation | None, confidence: float) -> tuple[Any, Any]:
    """(good, judged) independent parts that tell as much; see `effective` and `one_sided`. None pooled: TOGETHER."""
    from scipy import special

    x, n = (np.asarray(values, dtype=float) for values in (counts.x, counts.n))
    pooled = TOGETHER if pooled is None else pooled
    singly = n <= counts.clusters
    size = np.maximum(1.0, counts.n2 / np.maximum(n, 1))
    inflation = np.where(singly, 1.0, np.maximum(1.0, 1 + (size - 1) * float(pooled)))
    x, n = x / inflation, n / inflation
    if confidence <= 0.5 or pooled.degrees <= 0:
        return x, n
    tails = np.maximum(0.0, kurtosis((x + _MORE_GOOD) / (n + _MORE), float(pooled)))
    degrees = np.maximum(1.0, pooled.degrees / (1 + tails / 2))
    ratio = special.ndtri(confidence) / special.stdtrit(degrees, confidence)
    shrunk = np.where(singly | (degrees >= MANY_CLUSTERS - 1), 1.0, np.minimum(1.0, ratio * ratio))
    return x * shrunk, n * shrunk


def _at_least(x: Any, n: Any, share: float) -> Any:
    """Chances of x or more among n, each with this share; 1 where x is none."""
    from scipy import special

    x = np.minimum(x, n)
    return np.where(x <= 0, 1.0, special.betainc(np.maximum(x, GUARD), n - x + 1, share))


# --- one of them ------------------------------------------------------------------------------------------------


def bounds(counts: Clustered, *, pooled: Correlation | None, confidence: float) -> Bounds:
    """Exact one-sided bounds of the share of good parts, the lower one the better of two; see above.

    `n` of them is that of the effective counts. pooled None: see TOGETHER.
    """
    found = one_sided(_alike(counts, pooled), confidence=confidence)
    if found.lower is None:
        return found
    plates = _whole_plates(counts)
    by_plate = one_sided(replace(plates, x=max(0.0, plates.x)), confidence=confidence).lower or 0.0
    return replace(found, lower=max(found.lower, by_plate))


def more_to_prove(
    counts: Clustered,
    *,
    pooled: Correlation | None,
    target: float,
    confidence: float,
    least_plates: int,
    parts_a_plate: float,
) -> MoreGood:
    """The least good parts that would lift the lower bound of `bounds` to the target; see `more_good`.

    parts_a_plate: those of the cuts so far; where a plate for each part proves it with fewer parts, that is told.
    """
    asked: dict[str, Any] = {"reliability": target, "confidence": confidence, "least_plates": least_plates}
    # Together with their plate, parts tell as much as before on plates as large as before
    parts_a_plate = counts.mean_size if pooled is None else parts_a_plate
    alike = more_good(_alike(counts, pooled), **asked, parts_a_plate=parts_a_plate)
    by_plate = more_good(_whole_plates(counts), **asked, parts_a_plate=1.0)
    told = [found for found in (alike, by_plate) if found.parts is not None]
    return min(told, key=lambda found: (found.parts, found.plates), default=alike)


def _alike(counts: Clustered, pooled: Correlation | None) -> Effective:
    found = promising(counts, pooled=pooled)
    return replace(found, reason=TAKEN_TOGETHER) if found.reason == PLATE_AS_ONE else found


def _whole_plates(counts: Clustered) -> Effective:
    """Each plate one part, and each part that is not good a plate: good ones are below 0 where these are more."""
    return Effective(counts.clusters - (counts.n - counts.x), float(counts.clusters), clusters=counts.clusters)
