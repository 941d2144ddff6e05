"""The mean of skewed times: many short, few very long, some none at all."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Final

from worker.sentences import sentence
from worker.stats.proportions import normal_quantile

NO_VALUES: Final = sentence("no values above zero")
ONE_VALUE: Final = sentence("one value above zero: its spread is not known")
ALL_ALIKE: Final = sentence("all values above zero are alike: their spread is not known")
NOT_LOG_NORMAL: Final = sentence("the mean lies outside its interval: the values are not log-normal")
NO_UPPER_LIMIT: Final = sentence("too few values for their spread: the mean has no upper limit worth the name")
TOO_FEW: Final = sentence("too few independent values above zero: their spread is not known")

#: An upper limit so many times the mean says nothing and is left out.
_SENSELESS: Final = math.log(1e6)


@dataclass(frozen=True, slots=True)
class PositiveMean:
    """Mean of the values above zero, with the interval of a log-normal mean; those at zero are counted apart.

    `mean` is their sum over their number, `fitted` the mean of the log-normal distribution. The interval holds both;
    where it or a limit is None, `reason` says why. `mean_with_zeros` is the mean over all values.
    """

    n: int
    zeros: int
    mean: float | None
    mean_with_zeros: float | None
    fitted: float | None
    low: float | None
    high: float | None
    reason: str | None

    @property
    def share_at_zero(self) -> float | None:
        """Values at zero over all values; None without values."""
        return self.zeros / (self.n + self.zeros) if self.n + self.zeros else None


def zou(mean_log: float, variance_log: float, n: float, *, confidence: float) -> tuple[float, float, float | None]:
    """Fitted mean, lower and upper limit of a log-normal mean; the upper one None where it says nothing.

    From mean and variance (over n - 1) of the logarithms; n > 1 may be an effective number. The interval is that of Zou
    GY, Huo CY, Taleban J (2009), Environmetrics 20, 172-180.
    """
    from scipy import special

    tail, degrees = (1 - confidence) / 2, n - 1
    centre = mean_log + variance_log / 2
    of_mean = normal_quantile(confidence) ** 2 * variance_log / n
    largest, least = (float(special.chdtri(degrees, upper)) for upper in (tail, 1 - tail))
    down = math.sqrt(of_mean + (variance_log / 2 * (1 - degrees / largest)) ** 2)
    fitted, low = math.exp(centre), math.exp(centre - down)
    if not least > 0:
        return fitted, low, None
    up = math.sqrt(of_mean + (variance_log / 2 * (degrees / least - 1)) ** 2)
    return fitted, low, math.exp(centre + up) if up < _SENSELESS else None


def positive_mean(values: Iterable[float], *, confidence: float, design_effect: float = 1.0) -> PositiveMean:
    """Mean of the values above zero with Zou's interval, and how many are at zero. No value is below zero.

    With a design effect (at least 1) the values count as n / design effect independent ones. Any order of the values
    gives the same.
    """
    ordered = sorted(values)
    positive = [value for value in ordered if value > 0]
    n, zeros = len(positive), sum(1 for value in ordered if value <= 0)
    if not n:
        return PositiveMean(0, zeros, None, 0.0 if zeros else None, None, None, None, NO_VALUES)
    total = math.fsum(positive)
    mean, over_all = total / n, total / (n + zeros)

    def without_interval(reason: str) -> PositiveMean:
        return PositiveMean(n, zeros, mean, over_all, None, None, None, reason)

    if n == 1:
        return without_interval(ONE_VALUE)
    if positive[0] == positive[-1]:
        return without_interval(ALL_ALIKE)
    if n / design_effect <= 1:
        return without_interval(TOO_FEW)
    logs = [math.log(value) for value in positive]
    mean_log = math.fsum(logs) / n
    variance_log = math.fsum((log - mean_log) ** 2 for log in logs) / (n - 1)
    fitted, low, high = zou(mean_log, variance_log, n / design_effect, confidence=confidence)
    if mean < low - 1e-12 or (high is not None and mean > high + 1e-12):
        return without_interval(NOT_LOG_NORMAL)
    if high is None:
        return PositiveMean(n, zeros, mean, over_all, fitted, min(low, mean), None, NO_UPPER_LIMIT)
    return PositiveMean(n, zeros, mean, over_all, fitted, min(low, mean), max(high, mean), None)


@dataclass(frozen=True, slots=True)
class ClusterLogs:
    """The logarithms of the values of one cluster: how many, their mean, and their squares around it."""

    n: int
    mean: float
    within: float

    @classmethod
    def of(cls, values: Collection[float]) -> ClusterLogs:
        """Of values above zero, at least one. Any order gives the same."""
        logs = [math.log(value) for value in values]
        mean = math.fsum(logs) / len(logs)
        return cls(len(logs), mean, math.fsum((log - mean) ** 2 for log in logs) if len(logs) > 1 else 0.0)


def log_correlation(groups: Iterable[Collection[ClusterLogs]]) -> float | None:
    """Intra-cluster correlation of the logarithms of values above zero, within the groups, in [-1, 1].

    A group is its clusters. None where it is not defined: no group of two clusters, no cluster of two values, or all
    alike. By one-way analysis of variance, cluster sizes being unequal: Donner A (1986), Int. Statistical Review
    54, 67-82. Any order of clusters and groups gives the same.
    """
    counts = [clusters for clusters in groups if clusters]
    sizes = [sum(cluster.n for cluster in clusters) for clusters in counts]
    between_degrees = sum(len(clusters) - 1 for clusters in counts)
    within_degrees = sum(sizes) - sum(len(clusters) for clusters in counts)
    if between_degrees <= 0 or within_degrees <= 0:
        return None
    between = math.fsum(_between(clusters) for clusters in counts) / between_degrees
    within = math.fsum(cluster.within for clusters in counts for cluster in clusters) / within_degrees
    squares = [sum(cluster.n**2 for cluster in clusters) for clusters in counts]
    size = math.fsum(n - n2 / n for n, n2 in zip(sizes, squares, strict=True)) / between_degrees
    total = between + (size - 1) * within
    return max(-1.0, min(1.0, (between - within) / total)) if total > 1e-12 else None


def _between(clusters: Collection[ClusterLogs]) -> float:
    """Squares of the clusters' means around the mean of all values."""
    centre = math.fsum(cluster.n * cluster.mean for cluster in clusters) / sum(cluster.n for cluster in clusters)
    return math.fsum(cluster.n * (cluster.mean - centre) ** 2 for cluster in clusters)


def effect_of_clusters(cluster_sizes: Collection[int], *, alike: float | None) -> float:
    """So many times fewer independent values would tell as much: 1 + (mean size - 1) x correlation, at least 1.

    The mean size is that of the cluster of a value, on average over the values. alike: the correlation; None: not
    known, then 1.
    """
    n = sum(cluster_sizes)
    if not n or alike is None:
        return 1.0
    return max(1.0, 1 + (sum(size * size for size in cluster_sizes) / n - 1) * alike)
