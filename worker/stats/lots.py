"""Which lots are worse than chance explains: each against the others, stratum for stratum."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, TypeVar

import numpy as np

from worker.sentences import sentence
from worker.stats.clustering import INDEPENDENCE_ASSUMED, Clustered, Correlation, correlation, effective, few_degrees
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.proportions import by_student

Key = TypeVar("Key", bound=Hashable)
Level = Literal["warning", "alarm"]
Side = Literal["worse", "better"]

WARNING: Final = 0.95
ALARM: Final = 0.998
#: Share of false ones among the alarms that is put up with.
FALSE_SHARE: Final = 0.05
#: Products of chances up to which they are added up one by one.
MOST_TERMS: Final = 4_000_000
#: A lot of more parts is placed as one of so many with the same share: wider limits than it has, by a hair.
MOST_PARTS: Final = 100_000
#: Chances below this are not told apart: large lots are reckoned to so many places only.
LEAST_P: Final = 1e-12
TOO_FEW: Final = sentence("too few")
NO_OTHERS: Final = sentence("no other lot in the same stratum")


@dataclass(frozen=True, slots=True)
class Limits:
    """Least and largest share of failures (0-1) that chance explains."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Funnel:
    """A lot within the funnel around the others: x failures of n parts in strata that others have too.

    `left_out` parts lie in strata of no other lot. `expected` is the share of failures that the others would have with
    the lot's mix, `p` the two-sided p value, `q` that of Benjamini and Hochberg over all lots judged. `outside` names
    the outermost limits that the lot lies beyond, `side` where. Where the lot was not judged, `reason` says why.
    """

    x: float
    n: float
    clusters: int
    left_out: float
    share: float | None = None
    expected: float | None = None
    design_effect: float | None = None
    warning: Limits | None = None
    alarm: Limits | None = None
    p: float | None = None
    q: float | None = None
    outside: Level | None = None
    side: Side | None = None
    reason: str | None = None

    @property
    def alarming(self) -> bool:
        """Worse than 99.8 % allow, and not one of many that some chance would bring."""
        return self.outside == "alarm" and self.side == "worse" and self.q is not None and self.q < FALSE_SHARE


def funnel(lots: Mapping[Key, Mapping[Hashable, Clustered]], *, least_parts: int = 5) -> dict[Key, Funnel]:
    """Each lot against the rate of the others in its strata. Lots map to strata, those to counts of failures.

    Chance is beta-binomial: plates vary, with the correlation of all lots together, and the others' rate is known from
    so many parts only. The limits take the correlation for known; where few plates tell it, p is that of Student's t as
    far out. Spiegelhalter DJ (2005), Statistics in Medicine 24, 1185-1202.
    """
    pooled = correlation(counts for strata in lots.values() for counts in strata.values())
    together: dict[Hashable, list[Clustered]] = {}
    for strata in lots.values():
        for stratum, counts in strata.items():
            together.setdefault(stratum, []).append(counts)
    totals = {stratum: Clustered.total(groups) for stratum, groups in together.items()}
    placed: dict[Key, Funnel] = {}
    for key, strata in lots.items():
        pairs = [(counts, totals[stratum].without(counts)) for stratum, counts in strata.items() if counts.n > 0]
        placed[key] = _placed(pairs, pooled=pooled, least_parts=least_parts)
    q_values = benjamini_hochberg([one.p for one in placed.values()])
    return {key: replace(one, q=q) for (key, one), q in zip(placed.items(), q_values, strict=True)}


def _placed(pairs: Sequence[tuple[Clustered, Clustered]], *, pooled: Correlation | None, least_parts: int) -> Funnel:
    """One lot, from its counts and those of the others in each of its strata."""
    compared = [pair for pair in pairs if pair[1].n > 0]
    own = Clustered.total(counts for counts, _ in compared)
    whole = math.fsum(counts.n for counts, _ in pairs)
    found = Funnel(x=own.x, n=own.n, clusters=own.clusters, left_out=whole - own.n)
    if not compared:
        return replace(found, reason=NO_OTHERS)
    found = replace(
        found,
        share=own.x / own.n,
        expected=math.fsum(counts.n * (others.x / others.n) for counts, others in compared) / own.n,
        design_effect=effective(own, pooled=pooled, own=False).design_effect,
    )
    if own.n < least_parts:
        return replace(found, reason=TOO_FEW)
    fewer = min(1.0, MOST_PARTS / own.n)
    strata = [_Stratum.of(counts, others, pooled=pooled, fewer=fewer) for counts, others in compared]
    chances = _sum_of(sorted(strata, key=lambda stratum: (stratum.n, stratum.rate, stratum.alike)))
    reason = INDEPENDENCE_ASSUMED if pooled is None and not own.of_single_parts else None
    degrees = None if pooled is None or own.of_single_parts else few_degrees(pooled.degrees)
    return replace(_within(found, *_tails(chances), degrees=degrees), reason=reason)


@dataclass(frozen=True, slots=True)
class _Stratum:
    """Failures of n parts by chance: rate, and correlation (0-1) of any two parts, are those of a beta-binomial."""

    n: int
    rate: float
    alike: float

    @classmethod
    def of(cls, counts: Clustered, others: Clustered, *, pooled: float | None, fewer: float) -> _Stratum:
        """What the others let expect: their rate has the posterior of Jeffreys' prior, the plates vary around it.

        fewer: share of the parts that are reckoned with (see MOST_PARTS).
        """
        known = effective(others, pooled=pooled, own=False)
        design_effect = effective(counts, pooled=pooled, own=False).design_effect
        weight = known.n + 1
        # Variance of the count over that of independent parts at a known rate: of the plates, and of the rate.
        inflation = (design_effect * weight + counts.n) / (weight + 1)
        alike = (inflation - 1) / (counts.n - 1) if counts.n > 1 else 0.0
        return cls(round(counts.n * fewer), (known.x + 0.5) / weight, min(1 - 1e-9, max(0.0, alike)))

    def chances(self) -> Any:
        """Chances of 0 to n failures."""
        from scipy import special

        x = np.arange(self.n + 1)
        if self.alike < 1e-9:
            logs = special.xlogy(x, self.rate) + special.xlog1py(self.n - x, -self.rate)
        else:
            for_one = (1 - self.alike) / self.alike
            a, b = self.rate * for_one, (1 - self.rate) * for_one
            logs = special.betaln(a + x, b + self.n - x) - special.betaln(a, b)
        return np.exp(logs - special.betaln(x + 1, self.n - x + 1) - math.log(self.n + 1))


def _sum_of(strata: Sequence[_Stratum]) -> Any:
    """Chances of 0 to all failures in all strata together."""
    chances = np.ones(1)
    for stratum in strata:
        chances = _convolved(chances, stratum.chances())
    return chances


def _convolved(one: Any, other: Any) -> Any:
    """Chances of the sum. Term by term, or by transforms where that would take too long: exact to about 1e-15 then."""
    if len(one) * len(other) <= MOST_TERMS:
        return np.convolve(one, other)
    # As scipy.signal's fftconvolve, whose import takes longer still.
    from scipy import fft

    size = len(one) + len(other) - 1
    fast = fft.next_fast_len(size, real=True)
    return fft.irfft(fft.rfft(one, fast) * fft.rfft(other, fast), fast)[:size].clip(0, None)


def _tails(chances: Any) -> tuple[Any, Any]:
    """For each count the chance of as few, and of as many."""
    return np.cumsum(chances).clip(0, 1), np.cumsum(chances[::-1])[::-1].clip(0, 1)


def _within(found: Funnel, few: Any, many: Any, *, degrees: float | None) -> Funnel:
    """The lot's place among the counts that chance brings."""
    x = min(len(few) - 1, round(found.x / found.n * (len(few) - 1)))
    warning, alarm = (_limits(few, many, confidence) for confidence in (WARNING, ALARM))
    low, high = float(few[x]), float(many[x])
    return replace(
        found,
        warning=warning,
        alarm=alarm,
        p=by_student(min(1.0, max(LEAST_P, 2 * min(low, high))), degrees),
        outside=_outside(x / (len(few) - 1), warning, alarm),
        side=("worse" if high < low else "better") if high != low else None,
    )


def _limits(few: Any, many: Any, confidence: float) -> Limits:
    """The outermost shares whose tails are still larger than half of what the confidence leaves."""
    tail, n = (1 - confidence) / 2 + 1e-12, len(few) - 1
    inside = np.flatnonzero((few > tail) & (many > tail))
    return Limits(float(inside[0]) / n, float(inside[-1]) / n)


def _outside(share: float, warning: Limits, alarm: Limits) -> Level | None:
    if not alarm.low <= share <= alarm.high:
        return "alarm"
    return None if warning.low <= share <= warning.high else "warning"


def poisson_limits(expected: float, *, confidence: float) -> tuple[float, float] | None:
    """Exact funnel limits for a count over its expectation, around 1, where failures are rare and fall at random.

    None when nothing is expected. Spiegelhalter DJ (2005), Statistics in Medicine 24, 1185-1202.
    """
    from scipy import special

    if expected <= 0:
        return None
    tail = (1 - confidence) / 2
    low, high = special.gammaincinv(expected, tail), special.gammaincinv(expected + 1, 1 - tail)
    return float(low) / expected, float(high) / expected
