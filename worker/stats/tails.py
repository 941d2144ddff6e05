"""Exact tails of a binomial count, for effective counts too.

x of n may be no whole numbers, 0 <= x <= n: then the incomplete beta function runs smoothly between the whole ones.
"""

from __future__ import annotations

import numpy as np


def at_least(x: float, n: float, share: float) -> float:
    """Probability of x or more among n, each with probability `share`."""
    from scipy.special import betainc

    return 1.0 if x <= 0 else float(betainc(x, n - x + 1, share)) if x <= n else 0.0


def at_most(x: float, n: float, share: float) -> float:
    """Probability of x or fewer among n, each with probability `share`."""
    return at_least(n - x, n, 1 - share)


def at_least_like(k: int, n: int, bad: float, good: float) -> float:
    """Probability of k or more among n whose share is a draw of a beta distribution: as in bad of bad + good before."""
    from scipy.special import betaln

    counts = np.arange(max(k, 0), n + 1)
    ways = -np.log(n + 1) - betaln(n - counts + 1, counts + 1)
    chances = np.exp(ways + betaln(counts + bad, n - counts + good) - betaln(bad, good))
    return min(1.0, float(chances.sum()))


def normal_score(x: float, n: float, share: float) -> float:
    """Standard normal value as far out as the count: from the mid-p tail, half the chance of x itself in each.

    Unlike (x - n p) / sigma it is not skewed when n p is small, where its variance is below 1: it errs towards caution.
    """
    upper = (at_least(x, n, share) + at_least(x + 1, n, share)) / 2
    lower = (at_most(x, n, share) + at_most(x - 1, n, share)) / 2
    return -_quantile(upper) if upper < lower else _quantile(lower)


def _quantile(tail: float) -> float:
    # Tails below the smallest float are as far out as that float
    from scipy.special import ndtri

    return float(ndtri(max(tail, 5e-324)))
