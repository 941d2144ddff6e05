"""Plates that fail as a whole leave a longer tail than their design effect tells, and limits that stand too high.

With few plates the bad one is often not among them: yield is overestimated, and its variance is underestimated with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from worker.stats.clustering import Effective

_GUARD = 1e-12


def surplus_skewness(terms: Iterable[tuple[float, float, Effective]]) -> float:
    """Skewness of a weighted sum of good parts beyond that of a likelihood scaled by the design effect.

    Terms are (weight, true share, effective counts). Plates are taken for beta-binomial with the design effect of their
    counts and equal sizes; moments of the beta-binomial by Skellam JG (1948), J. Royal Statistical Society B 10,
    257-261. 0 for parts that are independent, below 0 where plates fail rarely but together.
    """
    kept = [term for term in terms if term[2].n > 0]
    cumulants = [(weight, *surplus_cumulants(share, counts)) for weight, share, counts in kept]
    spread = math.fsum(weight**2 * second for weight, second, _ in cumulants)
    if spread <= 0:
        return 0.0
    cumulant = math.fsum(weight**3 * third for weight, _, third in cumulants)
    return cumulant / (spread * math.sqrt(spread))


def cautious(quantile: float, skewness: float) -> float:
    """The quantile for a lower limit, larger where the estimate is skewed to the left and its variance estimated too.

    Studentised, a mean of skewness k exceeds q by chance as often as a normal value exceeds q + k (2 q^2 + 1) / 6. Hall
    P (1992), The Bootstrap and Edgeworth Expansion, section 2.6. Never smaller: a skew to the right earns nothing.
    """
    return quantile + max(0.0, -skewness) * (2 * quantile**2 + 1) / 6


def surplus_cumulants(share: float, counts: Effective) -> tuple[float, float]:
    """Of good parts among effective counts, at their true share: (variance, surplus third cumulant).

    The surplus is what it exceeds that of as many independent parts by.
    """
    return counts.n * share * (1 - share), _surplus(share, counts)


def _surplus(share: float, counts: Effective) -> float:
    varies, tilt = share * (1 - share), 1 - 2 * share
    size = counts.parts / counts.clusters if counts.clusters else 1.0
    if counts.design_effect <= 1 + _GUARD or size <= 1 + _GUARD or varies <= 0:
        return 0.0
    alike = min(1.0, (counts.design_effect - 1) / (size - 1))
    # Beta-binomial, per part: variance pq (1 + (m-1) r), third cumulant pq (q-p) (1 + (m-1) r) (1 + (2m-1) r) / (1 + r)
    longer = (1 + (size - 1) * alike) * (1 + (2 * size - 1) * alike) / (1 + alike)
    return counts.n * varies * tilt * (longer / counts.design_effect**2 - 1)
