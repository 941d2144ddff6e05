"""Intervals for a proportion."""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist
from typing import Literal


@lru_cache(maxsize=64)
def normal_quantile(confidence: float) -> float:
    """Two-sided standard normal quantile of a confidence in (0, 1): 1.96 for 0.95."""
    return NormalDist().inv_cdf((1 + confidence) / 2)


@lru_cache(maxsize=1024)
def quantile(confidence: float, degrees: float | None = None) -> float:
    """Two-sided quantile of Student's t with these degrees of freedom (from 1); of the normal when they are None."""
    if degrees is None:
        return normal_quantile(confidence)
    from scipy import special

    return float(special.stdtrit(degrees, (1 + confidence) / 2))


def by_student(p: float, degrees: float | None = None) -> float:
    """A two-sided p value that took a variance for known, as Student's t has it when it is estimated.

    The normal value as far out as p is read from t with these degrees of freedom (from 1); None: p itself.
    """
    from scipy import special

    return p if degrees is None else min(1.0, 2 * float(special.stdtr(degrees, special.ndtri(p / 2))))


def wilson(x: float, n: float, *, confidence: float, degrees: float | None = None) -> tuple[float, float] | None:
    """Wilson score interval of x successes among n; None when there are none to judge.

    x and n may be effective counts, 0 <= x <= n; with degrees of freedom Student's t takes the place of the normal. The
    limits lie in [0, 1], contain x/n, and are exactly 0 at x = 0 and exactly 1 at x = n. Wilson EB (1927), J. Amer.
    Statist. Assoc. 22, 209-212.
    """
    if n <= 0:
        return None
    z = quantile(confidence, degrees)
    share = x / n
    centre = share + z * z / (2 * n)
    spread = z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    whole = 1 + z * z / n
    low = 0.0 if x <= 0 else (centre - spread) / whole
    high = 1.0 if x >= n else (centre + spread) / whole
    return max(0.0, min(low, share)), min(1.0, max(high, share))


def exact_bound(x: float, n: float, *, side: Literal["lower", "upper"], confidence: float) -> float | None:
    """Exact one-sided bound of x successes among n: all its confidence lies on one side. None when n is 0.

    x and n may be effective counts, 0 <= x <= n (Korn EL, Graubard BI (1998), Survey Methodology 24, 193-201). After 0
    of n the upper one is 1 - (1 - confidence)^(1/n). Clopper CJ, Pearson ES (1934), Biometrika 26, 404-413.
    """
    from scipy import special

    if n <= 0:
        return None
    if side == "upper":
        mirrored = exact_bound(max(0.0, n - x), n, side="lower", confidence=confidence)
        return None if mirrored is None else 1 - mirrored
    if x <= 0:
        return 0.0
    return min(x / n, float(special.betaincinv(x, max(0.0, n - x) + 1, 1 - confidence)))


def clopper_pearson(x: float, n: float, *, confidence: float) -> tuple[float, float] | None:
    """Exact two-sided interval: each limit errs in at most half of what the confidence leaves. None when n is 0."""
    each = (1 + confidence) / 2
    low = exact_bound(x, n, side="lower", confidence=each)
    high = exact_bound(x, n, side="upper", confidence=each)
    return None if low is None or high is None else (low, high)


def jeffreys(x: float, n: float, *, confidence: float) -> tuple[float, float] | None:
    """Equal-tailed interval of the posterior under Jeffreys' prior, Beta(1/2, 1/2). None when n is 0.

    Its lower limit is 0 at x = 0, its upper one 1 at x = n, as Brown LD, Cai TT, DasGupta A (2001), Statistical Science
    16, 101-133, amend it: else it would leave out the share that was seen.
    """
    from scipy import special

    if n <= 0:
        return None
    share, tail = x / n, (1 - confidence) / 2
    low = 0.0 if x <= 0 else float(special.betaincinv(x + 0.5, n - x + 0.5, tail))
    high = 1.0 if x >= n else 1 - float(special.betaincinv(n - x + 0.5, x + 0.5, tail))
    return min(low, share), max(high, share)
