"""Intervals for a proportion."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist


@lru_cache(maxsize=64)
def normal_quantile(confidence: float) -> float:
    """Two-sided standard normal quantile of a confidence in (0, 1): 1.96 for 0.95."""
    return NormalDist().inv_cdf((1 + confidence) / 2)


def wilson(x: float, n: float, *, confidence: float) -> tuple[float, float] | None:
    """Wilson score interval of x successes among n; None when there are none to judge.

    x and n may be effective counts, 0 <= x <= n. The limits lie in [0, 1], contain x/n, and are exactly 0 at x = 0 and
    exactly 1 at x = n. Wilson EB (1927), J. Amer. Statist. Assoc. 22, 209-212.
    """
    if n <= 0:
        return None
    z = normal_quantile(confidence)
    share = x / n
    centre = share + z * z / (2 * n)
    spread = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    whole = 1 + z * z / n
    low = 0.0 if x <= 0 else (centre - spread) / whole
    high = 1.0 if x >= n else (centre + spread) / whole
    return max(0.0, min(low, share)), min(1.0, max(high, share))
