"""Parts of one plate stand or fall together: how much less n parts tell than n independent ones would."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from worker.sentences import sentence
from worker.stats.proportions import wilson

#: From so many clusters on, the normal quantile stands for Student's t.
MANY_CLUSTERS: Final = 50
INDEPENDENCE_ASSUMED: Final = sentence("independence assumed")
POOLED_CORRELATION: Final = sentence("correlation of all groups together")
PLATE_AS_ONE: Final = sentence("nothing tells how alike parts of one plate are: a plate counts as one part")
NOTHING_JUDGED: Final = sentence("nothing judged")


@dataclass(frozen=True, slots=True)
class Clustered:
    """x of n parts, and what their clusters add up to. All five add over groups; a cluster has at least one part.

    `n2` is the sum of n^2 over the clusters, `x2_over_n` that of x^2/n.
    """

    x: float
    n: float
    clusters: int
    n2: float
    x2_over_n: float

    @classmethod
    def of(cls, clusters: Iterable[tuple[int, int]]) -> Clustered:
        """The sums over clusters, each given as (x, n). Those without a part are left out. Any order gives the same."""
        kept = [(x, n) for x, n in clusters if n > 0]
        return cls(
            x=sum(x for x, _ in kept),
            n=sum(n for _, n in kept),
            clusters=len(kept),
            n2=sum(n * n for _, n in kept),
            x2_over_n=math.fsum(x * x / n for x, n in kept),
        )

    @classmethod
    def singly(cls, x: float, n: int) -> Clustered:
        """Every part is a cluster of its own: independent parts."""
        return cls(x=x, n=n, clusters=n, n2=n, x2_over_n=x)

    @classmethod
    def total(cls, groups: Iterable[Clustered]) -> Clustered:
        """Several groups together. Any order gives the same."""
        kept = list(groups)
        return cls(
            x=math.fsum(group.x for group in kept),
            n=math.fsum(group.n for group in kept),
            clusters=sum(group.clusters for group in kept),
            n2=math.fsum(group.n2 for group in kept),
            x2_over_n=math.fsum(group.x2_over_n for group in kept),
        )

    def without(self, part: Clustered) -> Clustered:
        """What is left when one of the groups that make up this total is taken out."""
        return Clustered(
            x=self.x - part.x,
            n=self.n - part.n,
            clusters=self.clusters - part.clusters,
            n2=self.n2 - part.n2,
            x2_over_n=self.x2_over_n - part.x2_over_n,
        )

    @property
    def failures(self) -> Clustered:
        """The same parts, with those that are not x counted instead."""
        return Clustered(
            x=self.n - self.x,
            n=self.n,
            clusters=self.clusters,
            n2=self.n2,
            x2_over_n=self.n - 2 * self.x + self.x2_over_n,
        )

    @property
    def between(self) -> float:
        """Sum of squares between the clusters, at least 0."""
        return max(0.0, self.x2_over_n - self.x * self.x / self.n) if self.n else 0.0

    @property
    def within(self) -> float:
        """Sum of squares within the clusters, at least 0."""
        return max(0.0, self.x - self.x2_over_n)

    @property
    def mean_size(self) -> float:
        """Parts in the cluster of a part, on average over the parts: at least 1."""
        return max(1.0, self.n2 / self.n) if self.n else 1.0

    @property
    def clusters_of_equal_size(self) -> float:
        """So many clusters of equal size tell as much: at most their number, and at least 1."""
        return max(1.0, min(float(self.clusters), self.n * self.n / self.n2)) if self.n2 else 1.0

    @property
    def of_single_parts(self) -> bool:
        """No cluster has more than one part."""
        return self.n <= self.clusters


class Correlation(float):
    """Intra-cluster correlation in [-1, 1] that knows how well it is known.

    `degrees` of freedom between the clusters that it comes from: their number, less one for each group. Clusters of
    unequal size count as the n^2 / sum of n^2 equal ones that would tell as much.
    """

    degrees: float

    def __new__(cls, value: float, *, degrees: float) -> Correlation:
        """A number as any other, with its degrees of freedom."""
        made = super().__new__(cls, value)
        made.degrees = degrees
        return made


#: What is taken where nothing tells how alike parts of one plate are: nothing worse can be, so nothing was estimated.
TOGETHER: Final = Correlation(1.0, degrees=math.inf)


def correlation(groups: Iterable[Clustered]) -> Correlation | None:
    """Intra-cluster correlation, by one-way analysis of variance within the groups, in [-1, 1].

    None where it is not defined: no group of two clusters, no cluster of two parts, or all parts alike. One group gives
    the usual estimate; several give the pooled one, that differences between the groups do not raise. Ridout MS,
    Demetrio CGB, Firth D (1999), Biometrics 55, 137-148.
    """
    counts = [group for group in groups if group.n > 0]
    degrees_between = sum(g.clusters - 1 for g in counts)
    degrees_within = math.fsum(g.n - g.clusters for g in counts)
    if degrees_between <= 0 or degrees_within <= 0:
        return None
    between = math.fsum(g.between for g in counts) / degrees_between
    within = math.fsum(g.within for g in counts) / degrees_within
    size = math.fsum(g.n - g.n2 / g.n for g in counts) / degrees_between
    total = between + (size - 1) * within
    if total <= 1e-12:
        return None
    degrees = math.fsum(g.clusters_of_equal_size - 1 for g in counts)
    return Correlation(max(-1.0, min(1.0, (between - within) / total)), degrees=degrees)


@dataclass(frozen=True, slots=True)
class Effective:
    """x of n independent parts would tell as much. `degrees` of freedom are for Student's t; None: the normal."""

    x: float
    n: float
    design_effect: float = 1.0
    clusters: int = 0
    degrees: float | None = None
    reason: str | None = None

    @property
    def parts(self) -> float:
        """Parts before they were divided by the design effect."""
        return self.n * self.design_effect


def few_degrees(free: float) -> float | None:
    """Degrees of freedom for Student's t, at least 1; None from 49 on, where the normal will do."""
    return max(1.0, float(free)) if free < MANY_CLUSTERS - 1 else None


def _degrees(counts: Clustered, known: float, *, x: float, n: float) -> float | None:
    """Degrees of freedom of a variance that rests on this correlation.

    Those between the clusters, divided by 1 + kurtosis/2: how far a variance can be trusted depends on the tails of
    what varies, and few failures on few plates have long ones. Kurtosis is that of the beta distribution whose mean is
    the centre of the Wilson interval, (x + 2) / (n + 4), whose correlation the known one. Box GEP (1953), Biometrika
    40, 318-335. By the clusters' number alone, intervals at 95 % of 20 plates at a yield of 95 % held the truth in 91 %
    of simulated cases; so they do in 93 to 96 % (`make calibrate`).
    """
    free = known.degrees if isinstance(known, Correlation) else counts.clusters_of_equal_size - 1
    if free <= 0:
        return None
    centre = (x + 2) / (n + 4)
    return few_degrees(free / (1 + max(0.0, kurtosis(centre, known)) / 2))


def kurtosis(mean: Any, alike: float) -> Any:
    """Excess kurtosis of beta distributions, by their mean or means and the correlation of two draws at it."""
    varies, alike = mean * (1 - mean), min(1.0, max(0.0, alike))
    return 6 * alike * (1 - varies * (5 + alike)) / (varies * (1 + alike) * (1 + 2 * alike))


def told_by(parts: int, *, alike: float) -> float:
    """So many independent parts tell as much as these of one cluster do, at a known correlation in [-1, 1].

    Each cluster weighs what it tells, so that it is between 1 and its parts, and one more part never takes anything
    away. Kleinman JC (1973), Journal of the American Statistical Association 68, 46-54 (from memory).
    """
    return parts / (1 + (parts - 1) * min(1.0, max(0.0, alike)))


def degrees_at(mean: float, *, alike: float) -> float | None:
    """Degrees of freedom of a variance that rests on a known correlation, where the share is `mean`: see `_degrees`.

    None, the normal, for a correlation that is given as a plain number: it counts as known for certain.
    """
    if not isinstance(alike, Correlation):
        return None
    return few_degrees(alike.degrees / (1 + max(0.0, kurtosis(mean, alike)) / 2))


def effective(counts: Clustered, *, pooled: float | None = None, own: bool = True) -> Effective:
    """Counts divided by their design effect 1 + (mean size - 1) x correlation, at least 1 (Rao-Scott).

    The correlation is that of the counts themselves; where it is not defined, or is not wanted (`own=False`: few
    clusters give a poor one), `pooled` takes its place; else 0, with the reason. Degrees of freedom are those of the
    correlation that is taken. Clusters of one part have a design effect of exactly 1 and the normal quantile. Rao JNK,
    Scott AJ (1992), Biometrics 48, 577-585; Saha KK, Miller D, Wang S (2016), Int. J. Biostatistics 12.
    """
    if counts.of_single_parts:
        return Effective(counts.x, counts.n, 1.0, counts.clusters)
    found: float | None = correlation([counts]) if own else None
    reason = None
    if found is None:
        found, reason = (0.0, INDEPENDENCE_ASSUMED) if pooled is None else (pooled, POOLED_CORRELATION)
    inflation = max(1.0, 1 + (counts.mean_size - 1) * found)
    x, n = counts.x / inflation, counts.n / inflation
    return Effective(
        x=x,
        n=n,
        design_effect=inflation,
        clusters=counts.clusters,
        degrees=_degrees(counts, found, x=x, n=n),
        reason=reason,
    )


def promising(counts: Clustered, *, pooled: float | None) -> Effective:
    """`effective` with the pooled correlation; where there is none a cluster counts as one part.

    For what is promised: parts that are taken for independent, when nothing tells that they are, promise too much.
    """
    if pooled is not None or counts.of_single_parts:
        return effective(counts, pooled=pooled, own=False)
    return replace(effective(counts, pooled=TOGETHER, own=False), reason=PLATE_AS_ONE)


def joint_degrees(groups: Iterable[Effective]) -> float | None:
    """Degrees of freedom between the clusters of several groups together, for what compares or averages these.

    None (the normal) when no group has any, or all together many. Kurtosis is left out: within differences and averages
    the long tails of the groups offset each other.
    """
    counts = [group for group in groups if group.n > 0]
    known = [group.degrees for group in counts if group.degrees is not None]
    if not known:
        return None
    free = sum(max(0, group.clusters - 1) for group in counts)
    # Where each group is one cluster, all that is known of their variation comes with the correlation of others
    return few_degrees(free) if free else min(known)


def joint_reason(groups: Iterable[Effective]) -> str | None:
    """The gravest reason among the groups."""
    reasons = {group.reason for group in groups if group.n > 0}
    return next(
        (reason for reason in (PLATE_AS_ONE, INDEPENDENCE_ASSUMED, POOLED_CORRELATION) if reason in reasons), None
    )


def weighted(groups: Sequence[tuple[float, Effective]]) -> Effective:
    """The mean of shares, each with its weight, and the independent parts that would tell as much of it.

    Weights are above 0 and every group has parts. A stratified Wilson interval follows from it: Yan X, Su XG (2010),
    Statistics in Biopharmaceutical Research 2, 329-335.
    """
    if not groups:
        return Effective(0.0, 0.0)
    whole = math.fsum(weight for weight, _ in groups)
    share = math.fsum(weight / whole * (group.x / group.n) for weight, group in groups)
    n = 1 / math.fsum((weight / whole) ** 2 / group.n for weight, group in groups)
    members = [group for _, group in groups]
    return Effective(
        x=min(1.0, share) * n,
        n=n,
        design_effect=max(1.0, math.fsum(group.parts for group in members) / n),
        clusters=sum(group.clusters for group in members),
        degrees=joint_degrees(members),
        reason=joint_reason(members),
    )


@dataclass(frozen=True, slots=True)
class Estimate:
    """A share with its interval; all three are None when nothing was judged. `reason` says what to know of them."""

    share: float | None
    low: float | None
    high: float | None
    design_effect: float | None
    effective_n: float
    degrees: float | None
    reason: str | None


def estimate(counts: Effective, *, confidence: float) -> Estimate:
    """Wilson interval of effective counts."""
    limits = wilson(counts.x, counts.n, confidence=confidence, degrees=counts.degrees)
    if limits is None:
        return Estimate(None, None, None, None, 0.0, None, NOTHING_JUDGED)
    share = min(1.0, max(0.0, counts.x / counts.n))
    return Estimate(share, *limits, counts.design_effect, counts.n, counts.degrees, counts.reason)


def clustered_wilson(
    counts: Clustered, *, confidence: float, pooled: float | None = None, own: bool = True
) -> Estimate:
    """Wilson interval on the effective sample of clustered parts: see `effective` for `pooled` and `own`.

    Short MI et al. (2020), Statistical Methods in Medical Research 29, 111-121.
    """
    return estimate(effective(counts, pooled=pooled, own=own), confidence=confidence)
