"""When a share changed: the likeliest moment of one step in a series of counts."""

from __future__ import annotations

import math
from collections.abc import Sequence


def likeliest_step(counts: Sequence[tuple[float, float]]) -> int | None:
    """Index of the first point after the likeliest step upward of x over n; None where no later share is larger.

    counts: (x, n) in time order, 0 <= x <= n. Of all ways to split the series in two shares the one under which the
    counts are most likely, the later share being the larger; the earliest of equals. Samuel TR, Pignatiello JJ (2001),
    Identifying the time of a step change in the process fraction nonconforming, Quality Engineering 13, 357-365
    (from memory), where the share before is known; here it is estimated too.
    """
    best, place = -math.inf, None
    whole_x, whole_n = math.fsum(x for x, _ in counts), math.fsum(n for _, n in counts)
    before_x = before_n = 0.0
    for index in range(1, len(counts)):
        before_x += counts[index - 1][0]
        before_n += counts[index - 1][1]
        after_x, after_n = whole_x - before_x, whole_n - before_n
        if before_n <= 0 or after_n <= 0 or after_x * before_n <= before_x * after_n:
            continue
        fit = _fit(before_x, before_n) + _fit(after_x, after_n)
        if fit > best + 1e-12 * max(1.0, abs(best) if math.isfinite(best) else 1.0):
            best, place = fit, index
    return place


def _fit(x: float, n: float) -> float:
    """Log likelihood of x of n at its own share, without what does not depend on the share."""
    from scipy.special import xlogy

    good = max(0.0, n - x)
    return float(xlogy(x, x / n) + xlogy(good, good / n))
