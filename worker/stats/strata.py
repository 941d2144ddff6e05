"""Like with like: two groups compared within strata, and the strata taken together.

A stratum without information (one group empty, or all its parts alike) says nothing of an odds ratio: it is left out,
and counted. What cannot be told is None with a reason, never NaN and never infinite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from worker.sentences import sentence
from worker.stats.clustering import Effective, joint_degrees, joint_reason, weighted
from worker.stats.conditional import Conditional, conditional
from worker.stats.differences import Difference, newcombe
from worker.stats.proportions import by_student, quantile

NO_INFORMATION: Final = sentence("no stratum where both groups have parts and some of them differ")
NO_COMMON_STRATUM: Final = sentence("no stratum where both groups have parts")
ONE_SIDED: Final = sentence("in every stratum one group is all good or all bad: the odds ratio has no finite estimate")
CHI_SQUARE: Final = sentence("Cochran-Mantel-Haenszel")
EXACT: Final = sentence("exact conditional")
ONE_STRATUM: Final = sentence("sameness needs two strata with information")

#: Least room above and below the expected count for the chi-square to hold (Mantel N, Fleiss JL (1980), Amer. J.
#: Epidemiology 112, 129-134).
_ROOM: Final = 5.0


@dataclass(frozen=True, slots=True)
class Stratum:
    """Two groups under the same conditions: x of n each, in effective counts."""

    first: Effective
    second: Effective

    @classmethod
    def of(cls, x1: float, n1: float, x2: float, n2: float) -> Stratum:
        """Independent parts."""
        return cls(Effective(x1, n1), Effective(x2, n2))

    @property
    def has_both(self) -> bool:
        """Both groups have parts."""
        return self.first.n > 0 and self.second.n > 0

    @property
    def has_information(self) -> bool:
        """Something can be learnt of an odds ratio."""
        good = self.first.x + self.second.x
        return self.has_both and self.n > 1 and 1e-12 < good < self.n - 1e-12

    @property
    def n(self) -> float:
        """Parts of both."""
        return self.first.n + self.second.n

    @property
    def margins(self) -> tuple[float, float, float]:
        """Parts of the first, parts of the second, x of both."""
        return self.first.n, self.second.n, self.first.x + self.second.x

    @property
    def cells(self) -> tuple[float, float, float, float]:
        """The table: x and the others of the first, x and the others of the second."""
        a, c = self.first.x, self.second.x
        return a, max(0.0, self.first.n - a), c, max(0.0, self.second.n - c)

    @property
    def expected(self) -> float:
        """The first's x if both groups had the same share."""
        n1, _, m = self.margins
        return n1 * m / self.n

    @property
    def variance(self) -> float:
        """Variance of the first's x, given the margins."""
        n1, n2, m = self.margins
        return n1 * n2 * m * (self.n - m) / (self.n**2 * (self.n - 1))

    @property
    def range(self) -> tuple[float, float]:
        """Least and largest x of the first, given the margins."""
        n1, n2, m = self.margins
        return max(0.0, m - n2), min(n1, m)


@dataclass(frozen=True, slots=True)
class Association:
    """Test of no effect (Cochran-Mantel-Haenszel), with and without the correction for continuity."""

    chi2: float
    p: float
    chi2_corrected: float
    p_corrected: float


@dataclass(frozen=True, slots=True)
class OddsRatio:
    """Odds of the first over those of the second. None with a reason where there is no finite value."""

    odds_ratio: float | None
    low: float | None
    high: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Sameness:
    """Test of one odds ratio in all strata: a small p says that they differ. `degrees` are those of the chi-square."""

    chi2: float | None
    degrees: int | None
    p: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups over all strata. `p` is that of `method`; the exact one stands only where the strata are sparse.

    Where few clusters tell the design effect, `p` is larger than that of `exact`, which takes it for known.
    """

    strata: int
    dropped: int
    sparse: bool
    method: str | None
    p: float | None
    common: OddsRatio
    association: Association | None
    exact: Conditional | None
    sameness: Sameness
    difference: Difference
    reason: str | None


def informative(strata: Sequence[Stratum]) -> list[Stratum]:
    """The strata from which an odds ratio can be learnt, in an order of their own."""
    kept = [stratum for stratum in strata if stratum.has_information]
    return sorted(kept, key=lambda stratum: stratum.cells)


def cochran_mantel_haenszel(strata: Sequence[Stratum], *, degrees: float | None = None) -> Association | None:
    """Test of no effect over the strata; None without information. With degrees, Student's t squared for chi-square.

    Cochran WG (1954), Biometrics 10, 417-451; Mantel N, Haenszel W (1959), J. National Cancer Institute 22, 719-748.
    """
    kept = informative(strata)
    variance = math.fsum(stratum.variance for stratum in kept)
    if variance <= 0:
        return None
    gap = abs(math.fsum(stratum.first.x - stratum.expected for stratum in kept))
    plain, corrected = gap**2 / variance, max(0.0, gap - 0.5) ** 2 / variance
    return Association(plain, _tail(plain, degrees), corrected, _tail(corrected, degrees))


def _tail(chi2: float, degrees: float | None) -> float:
    from scipy import special

    if degrees is None:
        return float(special.chdtrc(1, chi2))
    return min(1.0, 2 * float(special.stdtr(degrees, -math.sqrt(chi2))))


def mantel_haenszel(strata: Sequence[Stratum], *, confidence: float, degrees: float | None = None) -> OddsRatio:
    """Common odds ratio with the interval of Robins, Breslow and Greenland.

    Robins J, Breslow N, Greenland S (1986), Biometrics 42, 311-323.
    """
    kept = informative(strata)
    if not kept:
        return OddsRatio(None, None, None, NO_INFORMATION)
    terms = [_terms(stratum) for stratum in kept]
    above, below = (math.fsum(term[place] for term in terms) for place in (2, 3))
    if above <= 1e-12 or below <= 1e-12:
        return OddsRatio(0.0 if below > 1e-12 else None, None, None, ONE_SIDED)
    variance = math.fsum(
        p * r / (2 * above**2) + (p * s + q * r) / (2 * above * below) + q * s / (2 * below**2) for p, q, r, s in terms
    )
    ratio, spread = above / below, quantile(confidence, degrees) * math.sqrt(variance)
    return OddsRatio(ratio, *_around(ratio, spread))


def _terms(stratum: Stratum) -> tuple[float, float, float, float]:
    """P, Q, R, S of the three authors: the agreeing and the disagreeing share, and what the odds ratio is made of."""
    a, b, c, d = stratum.cells
    n = stratum.n
    return (a + d) / n, (b + c) / n, a * d / n, b * c / n


def _around(ratio: float, spread: float) -> tuple[float, float | None]:
    """Limits of a ratio whose logarithm has this spread; no upper one where it is beyond all numbers."""
    log = math.log(ratio)
    return math.exp(log - spread), math.exp(log + spread) if log + spread < 700 else None


def breslow_day_tarone(strata: Sequence[Stratum], *, odds_ratio: float | None) -> Sameness:
    """Test of one odds ratio in all strata, that of all together.

    Breslow NE, Day NE (1980), IARC Scientific Publications 32; Tarone RE (1985), Biometrika 72, 91-95.
    """
    from scipy import special

    kept = informative(strata)
    if len(kept) < 2:
        return Sameness(None, None, None, ONE_STRATUM)
    if odds_ratio is None or odds_ratio <= 0:
        return Sameness(None, None, None, ONE_SIDED)
    fitted = [(stratum.first.x, *_fitted(stratum, odds_ratio)) for stratum in kept]
    each = math.fsum((x - mean) ** 2 / variance for x, mean, variance in fitted)
    together = math.fsum(x - mean for x, mean, _ in fitted) ** 2 / math.fsum(variance for _, _, variance in fitted)
    chi2 = max(0.0, each - together)
    return Sameness(chi2, len(kept) - 1, float(special.chdtrc(len(kept) - 1, chi2)))


def _fitted(stratum: Stratum, odds_ratio: float) -> tuple[float, float]:
    """The first's x, and its variance, that margins and odds ratio call for."""
    n1, n2, m = stratum.margins
    least, most = stratum.range
    # x (n2 - m + x) = odds ratio (n1 - x)(m - x): the root between least and most, in the form without cancellation.
    square, line, constant = 1 - odds_ratio, n2 - m + odds_ratio * (n1 + m), -odds_ratio * n1 * m
    root = math.sqrt(max(0.0, line * line - 4 * square * constant))
    x = -2 * constant / (line + root) if line >= 0 else (root - line) / (2 * square)
    edge = 1e-9 * (most - least)
    x = min(most - edge, max(least + edge, x))
    return x, 1 / (1 / x + 1 / (n1 - x) + 1 / (m - x) + 1 / (n2 - m + x))


def is_sparse(strata: Sequence[Stratum]) -> bool:
    """Too few parts for the chi-square: little room between expected and least or largest counts (Mantel-Fleiss)."""
    kept = informative(strata)
    expected = math.fsum(stratum.expected for stratum in kept)
    least, most = (math.fsum(stratum.range[side] for stratum in kept) for side in (0, 1))
    return min(expected - least, most - expected) < _ROOM


def pooled_difference(strata: Sequence[Stratum], *, confidence: float) -> Difference:
    """First share less second over all strata where both have parts, weighted as Mantel and Haenszel do.

    The interval is Newcombe's on the weighted shares, so it does not shrink to a point when nothing failed (Yan X, Su
    XG (2010), Statistics in Biopharmaceutical Research 2, 329-335).
    """
    kept = [stratum for stratum in strata if stratum.has_both]
    if not kept:
        return Difference(None, None, None, NO_COMMON_STRATUM)
    weights = [stratum.first.n * stratum.second.n / stratum.n for stratum in kept]
    first = weighted([(weight, stratum.first) for weight, stratum in zip(weights, kept, strict=True)])
    second = weighted([(weight, stratum.second) for weight, stratum in zip(weights, kept, strict=True)])
    return newcombe(first, second, confidence=confidence)


def compared(strata: Sequence[Stratum], *, confidence: float) -> Comparison:
    """All that can be said of two groups over strata. The exact conditional test stands in where parts are few."""
    kept = informative(strata)
    groups = [group for stratum in kept for group in (stratum.first, stratum.second)]
    degrees = joint_degrees(groups)
    association = cochran_mantel_haenszel(kept, degrees=degrees)
    common = mantel_haenszel(kept, confidence=confidence, degrees=degrees)
    sparse = bool(kept) and is_sparse(kept)
    exact = conditional([stratum.cells for stratum in kept], confidence=confidence) if sparse else None
    method, p = _verdict(association, exact, degrees)
    return Comparison(
        strata=len(kept),
        dropped=len(strata) - len(kept),
        sparse=sparse,
        method=method,
        p=p,
        common=common,
        association=association,
        exact=exact,
        sameness=breslow_day_tarone(kept, odds_ratio=common.odds_ratio),
        difference=pooled_difference(strata, confidence=confidence),
        reason=common.reason or joint_reason(groups),
    )


def _verdict(
    association: Association | None, exact: Conditional | None, degrees: float | None
) -> tuple[str | None, float | None]:
    # The exact test takes the design effect for known; that few plates tell it poorly is left to Student's t.
    if exact is not None and exact.p is not None:
        return EXACT, by_student(exact.p, degrees)
    return (None, None) if association is None else (CHI_SQUARE, association.p)
