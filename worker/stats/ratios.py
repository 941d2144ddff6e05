"""Amounts per size over clusters: seconds per metre, minutes per part, each with its interval.

A cluster (a plate) has an amount and a size; the rate is the sum of the amounts over the sum of the sizes. What is not
known is None with a reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from worker.sentences import sentence
from worker.stats.proportions import quantile, wilson

NOTHING_MEASURED: Final = sentence("nothing measured")
ONE_CLUSTER: Final = sentence("one plate tells no spread")
NONE_SO_FAR: Final = sentence(
    "none so far: the upper limit is that of as much on as many plates as chance may have hidden"
)
SENSELESS: Final = sentence("too few plates for their spread: there is no upper limit worth the name")

#: A limit so many times the rate says nothing and is left out.
_MOST_SPREAD: Final = math.log(1e3)


@dataclass(frozen=True, slots=True)
class Rate:
    """An amount per size. `variance` is that of the rate's logarithm, with its `degrees` of freedom; None: not known.

    A rate of 0 has no variance.
    """

    rate: float
    clusters: int
    variance: float | None
    degrees: float


@dataclass(frozen=True, slots=True)
class Limits:
    """A rate, a quotient or a difference with its interval. What is not known is None, with the reason."""

    value: float | None
    low: float | None
    high: float | None
    reason: str | None = None

    def excludes(self, value: float) -> bool:
        """The interval lies on one side of a value."""
        guard = 1e-12 * max(1.0, abs(value))
        return (self.low is not None and self.low > value + guard) or (
            self.high is not None and self.high < value - guard
        )


def rate_of(clusters: Iterable[tuple[float, float]]) -> Rate | None:
    """Rate of clusters, each given as (amount, size), both at least 0; None without any size. Any order gives the same.

    The variance is that of a ratio of sums over clusters, linearised: Cochran WG (1977), Sampling Techniques, 3rd ed.,
    section 6.3 (from memory). Degrees of freedom are those between clusters, fewer where the residuals have long tails,
    as those of rework have: (k - 1) / (1 + kurtosis / 2), Box GEP (1953), Biometrika 40, 318-335. By simulation (6 to
    60 plates, rework on 15 to 100 % of them, log-normal minutes) intervals at 95 % hold the truth in 92 to 98 % of
    cases; with k - 1 degrees in 85 to 97 %.
    """
    pairs = sorted(clusters)
    size = math.fsum(size for _, size in pairs)
    if not pairs or size <= 0:
        return None
    amount, k = math.fsum(amount for amount, _ in pairs), len(pairs)
    rate = amount / size
    if rate <= 0 or k < 2:
        return Rate(rate, k, None, 0.0)
    squares = [((amount / rate - of_cluster) / size) ** 2 for amount, of_cluster in pairs]
    total = math.fsum(squares)
    tails = k * math.fsum(each**2 for each in squares) / total**2 - 3 if total > 1e-24 else 0.0
    return Rate(rate, k, k / (k - 1) * total, max(1.0, (k - 1) / (1 + max(0.0, tails) / 2)))


def weighted_rate(rates: Sequence[tuple[float, Rate]]) -> Rate | None:
    """The mean of rates of several strata, each with its weight above 0; None without any.

    A stratum of one cluster is taken to spread as the clusters of the others do. Degrees of freedom add up as
    Satterthwaite FE (1946), Biometrics Bulletin 2, 110-114, has it.
    """
    if not rates:
        return None
    whole = math.fsum(weight for weight, _ in rates)
    mean = math.fsum(weight / whole * one.rate for weight, one in rates)
    clusters = sum(one.clusters for _, one in rates)
    known = [one for _, one in rates if one.variance is not None]
    free = math.fsum(one.clusters - 1 for one in known)
    if mean <= 0 or free <= 0:
        return Rate(mean, clusters, None, 0.0)
    of_cluster = math.fsum((one.clusters - 1) * one.clusters * (one.variance or 0.0) for one in known) / free
    parts = [
        (
            (weight / whole * one.rate / mean) ** 2
            * (of_cluster / one.clusters if one.variance is None else one.variance),
            free if one.variance is None else one.degrees,
        )
        for weight, one in rates
        if one.rate > 0
    ]
    variance = math.fsum(part for part, _ in parts)
    if variance <= 0:
        return Rate(mean, clusters, 0.0, free)
    return Rate(
        mean, clusters, variance, max(1.0, variance**2 / math.fsum(part**2 / degrees for part, degrees in parts))
    )


def limits_of(rate: Rate | None, *, confidence: float, usual: float | None = None) -> Limits:
    """A rate with its interval, symmetric in the logarithm.

    usual: the rate of the clusters that have any amount, here and in what this is compared with. Where none has any so
    far, the upper limit is that rate on as many clusters as Wilson's limit of 0 of k allows.
    """
    if rate is None:
        return Limits(None, None, None, NOTHING_MEASURED)
    if rate.rate <= 0:
        share = wilson(0.0, rate.clusters, confidence=confidence)
        most = None if usual is None or share is None else usual * share[1]
        return Limits(0.0, 0.0, most, NONE_SO_FAR)
    if rate.variance is None:
        return Limits(rate.rate, None, None, ONE_CLUSTER)
    spread = quantile(confidence, rate.degrees) * math.sqrt(rate.variance)
    if spread > _MOST_SPREAD:
        return Limits(rate.rate, rate.rate * math.exp(-spread), None, SENSELESS)
    return Limits(rate.rate, rate.rate * math.exp(-spread), rate.rate * math.exp(spread))


def quotient_of(first: Rate | None, second: Rate | None, *, confidence: float) -> Limits:
    """First rate over the second, with its interval, symmetric in the logarithm."""
    if first is None or second is None or first.rate <= 0 or second.rate <= 0:
        return Limits(None, None, None, NOTHING_MEASURED)
    quotient = first.rate / second.rate
    if first.variance is None or second.variance is None:
        return Limits(quotient, None, None, ONE_CLUSTER)
    variance = first.variance + second.variance
    if variance <= 0:
        return Limits(quotient, quotient, quotient)
    parts = [(one.variance or 0.0, one.degrees) for one in (first, second)]
    degrees = max(1.0, variance**2 / math.fsum(part**2 / free for part, free in parts if part > 0))
    spread = quantile(confidence, degrees) * math.sqrt(variance)
    if spread > _MOST_SPREAD:
        return Limits(quotient, None, None, SENSELESS)
    return Limits(quotient, quotient * math.exp(-spread), quotient * math.exp(spread))


def difference_of(first: Limits, second: Limits) -> Limits:
    """First less second, from their intervals: distances to the limits are squared and added.

    Zou GY, Donner A (2008), Statistics in Medicine 27, 1693-1702 (from memory).
    """
    if first.value is None or second.value is None:
        return Limits(None, None, None, NOTHING_MEASURED)
    difference = first.value - second.value
    low = high = None
    if first.low is not None and second.high is not None:
        low = difference - math.hypot(first.value - first.low, second.high - second.value)
    if first.high is not None and second.low is not None:
        high = difference + math.hypot(first.high - first.value, second.value - second.low)
    return Limits(difference, low, high, first.reason or second.reason)
