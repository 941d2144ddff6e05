"""How thick can it be cut at a target yield: the curve of success against thickness, turned round.

The thickness at the target yield is where the curve passes the target. Its limits are those of the profile likelihood
of that very thickness: the constrained fit has the curve pass the target there. They are sought within the thicknesses
tried; what lies outside has no number, and a reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import INDEPENDENCE_ASSUMED, Effective
from worker.stats.likelihood_limits import Limits, limits_at
from worker.stats.logistic import MAXIMUM_LIKELIHOOD, Fit, Matrix, Vector
from worker.stats.proportions import exact_bound, quantile
from worker.stats.thickness_curve import ALL_FAILED, NOTHING_FAILED, Tried, YieldCurve, check_condition

NO_FINITE_LIMIT: Final = sentence("no finite limit: chance alone may make the yield fall with thickness")
NEVER_TRIED: Final = sentence("never tried under these conditions")
PROVEN: Final = sentence("good and bad are separated: no more than the good parts prove")
NOT_PROVEN: Final = sentence("good and bad are separated, and too few good parts prove a thickness")

_GUARD: Final = 1e-12
#: Of ln(thickness): limits of the likelihood are hardly known better.
_STILL: Final = 1e-10
_MOST_STEPS: Final = 60


@dataclass(frozen=True, slots=True)
class Bound:
    """A thickness; None with the reason. With both, the reason says why it is no more than this."""

    thickness_mm: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class ThicknessLimit:
    """The thickness at which the yield equals the target, under one condition.

    `low` and `high` are limits on both sides, each erring in half of what the confidence leaves. `promised` is the
    lower limit on one side, with all of the confidence: so thick can be promised. It never exceeds what was tried;
    where good and bad are separated, good parts must prove it besides, and it may lie below `low`.
    """

    target: float
    confidence: float
    condition: tuple[int, ...]
    estimate: Bound
    low: Bound
    high: Bound
    promised: Bound
    method: str | None
    reason: str | None

    @property
    def thickness_mm(self) -> float | None:
        """The estimate; None with a reason."""
        return self.estimate.thickness_mm


def thickness_limit(
    curve: YieldCurve, *, target: float, confidence: float, condition: Sequence[int] = ()
) -> ThicknessLimit:
    """The thickness at a target yield in (0, 1), with limits at a confidence in [0.5, 1), under a condition.

    The condition has a 0 or 1 for each name of the curve. Refused with a reason: see the constants of this module.
    ValueError: a target, confidence or condition out of range.
    """
    (limit,) = thickness_limits(curve, target=target, confidence=confidence, conditions=[condition])
    return limit


def thickness_limits(
    curve: YieldCurve, *, target: float, confidence: float, conditions: Sequence[Sequence[int]]
) -> list[ThicknessLimit]:
    """The same under each of several conditions of one curve."""
    if not (0 < target < 1 and 0.5 <= confidence < 1):
        raise ValueError(f"target {target} must be in (0, 1), confidence {confidence} in [0.5, 1)")
    for condition in conditions:
        check_condition(condition, curve.names)
    tried: dict[tuple[int, ...], list[float]] = {}
    for row in curve.tried:
        tried.setdefault(row.condition, []).append(row.thickness_mm)
    fit = None if curve.reason is not None else curve.fit
    lines = [] if fit is None else [
        _Line(curve, fit, target, tuple(condition), min(here), max(here))
        for condition in conditions
        if (here := tried.get(tuple(condition)))
    ]  # fmt: skip
    found = dict(zip((line.condition for line in lines), _limits(lines, confidence), strict=True))
    return [
        found.get(tuple(condition)) or _refused(curve, target, confidence, condition, tried.get(tuple(condition), []))
        for condition in conditions
    ]


def fieller(
    curve: YieldCurve, *, target: float, confidence: float, condition: Sequence[int] = ()
) -> tuple[float, float] | None:
    """Limits of the thickness at the target from the normal approximation, to hold the profile's against.

    None without a finite interval: the slope is not significant, or the fit is Firth's, whose errors say nothing.
    Fieller EC (1954), J. Royal Statistical Society B 16, 175-185; Finney DJ (1971), Probit Analysis, 3rd ed.
    """
    fit, q = curve.fit, quantile(confidence, curve.degrees)
    if fit is None or fit.method != MAXIMUM_LIKELIHOOD:
        return None
    at_middle = curve.regressors(math.log(curve.middle_mm), condition)
    along = (0.0, 1.0, *(0.0 for _ in curve.named))
    level, slope = fit.value(at_middle) - _log_odds(target), fit.value(along)
    v_level, v_slope = fit.covary(at_middle, at_middle), fit.covary(along, along)
    both = fit.covary(at_middle, along)
    square, line, constant = slope**2 - q * q * v_slope, level * slope - q * q * both, level**2 - q * q * v_level
    if square <= _GUARD * slope**2:
        return None
    centre, spread = -line / square, math.sqrt(max(0.0, line**2 - square * constant)) / square
    low, high = (_thickness(curve.middle_mm, log) for log in (centre - spread, centre + spread))
    return None if low is None or high is None else (low, high)


def _refused(
    curve: YieldCurve, target: float, confidence: float, condition: Sequence[int], here: Sequence[float]
) -> ThicknessLimit:
    reason = curve.reason or NEVER_TRIED
    if here and reason == NOTHING_FAILED:
        reason = sentence("%(reason)s: %(where)s", reason=reason, where=_above(max(here)))
    if here and reason == ALL_FAILED:
        reason = sentence("%(reason)s: %(where)s", reason=reason, where=_below(min(here)))
    none = Bound(None, reason)
    return ThicknessLimit(target, confidence, tuple(condition), none, none, none, none, curve.method, reason)


def _at_least_told(counts: Effective) -> tuple[float, float]:
    """(x, n), a plate counting as one part where nothing tells how far its parts stand or fall together."""
    if counts.reason != INDEPENDENCE_ASSUMED or counts.parts <= counts.clusters:
        return counts.x, counts.n
    return counts.x / counts.n * counts.clusters, float(counts.clusters)


def _log_odds(share: float) -> float:
    return math.log(share) - math.log1p(-share)


def _above(thickest_mm: float) -> Sentence:
    return sentence("above the thickest tried, %(thickest)s mm", thickest=figure(thickest_mm, "g"))


def _below(thinnest_mm: float) -> Sentence:
    return sentence("below the thinnest tried, %(thinnest)s mm", thinnest=figure(thinnest_mm, "g"))


def _thickness(middle_mm: float, log: float) -> float | None:
    """None beyond all numbers."""
    return middle_mm * math.exp(log) if abs(log) < 300 else None


def _limits(lines: Sequence[_Line], confidence: float) -> list[ThicknessLimit]:
    """The limits of lines of one curve."""
    if not lines:
        return []
    curve = lines[0].curve
    both, one = quantile(confidence, curve.degrees), quantile(2 * confidence - 1, curve.degrees)
    lows, highs, promises = _reached(lines, (-both, both, -one))
    return [
        ThicknessLimit(
            target=line.target,
            confidence=confidence,
            condition=line.condition,
            estimate=(estimate := line.bound(line.estimate)),
            low=low,
            high=high,
            promised=line.promised(promised, confidence),
            method=curve.method,
            reason=estimate.reason,
        )
        for line, low, high, promised in zip(lines, lows, highs, promises, strict=True)
    ]


def _reached(lines: Sequence[_Line], quantiles: Sequence[float]) -> list[list[Bound]]:
    """For each quantile, line by line: where that limit of the yield reaches the target.

    A quantile below 0 asks for the lower limit, one above 0 for the upper. Both fall with thickness.
    """
    falls = _falls(lines[0], quantiles)
    sought = [(line, q) for q, is_falling in zip(quantiles, falls, strict=True) if is_falling for line in lines]
    bounds = iter(_bounds(sought))
    return [
        [next(bounds) for _ in lines] if is_falling else [Bound(None, NO_FINITE_LIMIT)] * len(lines)
        for is_falling in falls
    ]


def _bounds(sought: Sequence[_Sought]) -> list[Bound]:
    """Where each limit of the yield reaches the target."""
    if not sought:
        return []
    unlimited = np.array([q * math.inf for _, q in sought])
    ends = _limits_of([*sought, *sought], np.array([line.ends[end] for end in (0, 1) for line, _ in sought]))
    wanted = sought[0][0].wanted
    thin, thick = np.split(np.where(np.isnan(ends.values), np.tile(unlimited, 2), ends.values - wanted), 2)
    crossed = np.flatnonzero((thin > 0) & (thick < 0)).tolist()
    crossings = _crossings(
        [sought[place] for place in crossed], ends.coefficients[[len(sought) + place for place in crossed]]
    )
    at = dict(zip(crossed, crossings, strict=True))
    return [
        line.bound(at[place]) if place in at else Bound(None, line.below if thin[place] <= 0 else line.above)
        for place, (line, _) in enumerate(sought)
    ]


def _falls(line: _Line, quantiles: Sequence[float]) -> list[bool]:
    """The slope is significant: only then is the set of thicknesses that the data allow an interval."""
    along = np.array([[0.0, 1.0, *(0.0 for _ in line.curve.named)]])
    different = sorted({abs(q) for q in quantiles})
    slopes = limits_at(line.fit, np.repeat(along, len(different), axis=0), np.array(different)).values.tolist()
    falling = dict(zip(different, (slope < -_GUARD for slope in slopes), strict=True))
    return [falling[abs(q)] for q in quantiles]


def _limits_of(sought: Sequence[_Sought], logs: Vector, start: Matrix | None = None) -> Limits:
    """Limits of the log-odds of lines of one curve, each at its ln(thickness).

    Lower ones lie further out where plates fail whole.
    """
    curve, fit = sought[0][0].curve, sought[0][0].fit
    places = np.array(
        [curve.regressors(log, line.condition) for (line, _), log in zip(sought, logs.tolist(), strict=True)]
    )
    asked = np.array([q for _, q in sought])
    quantiles = asked.copy()
    for q in {q for _, q in sought if q < 0}:
        quantiles[asked == q] = -curve.lower_quantiles(places[asked == q], -q)
    return limits_at(fit, places, quantiles, start=start)


def _crossings(sought: Sequence[_Sought], start: Matrix) -> list[float]:
    """ln(thickness) at which each limit is the target: above it at the thinnest, below it at the thickest.

    By Newton's method within a bracket: a limit falls with thickness as its own coefficients do. start: coefficients at
    the limit of the thickest.
    """
    if not sought:
        return []
    low, high = (np.array([line.ends[end] for line, _ in sought]) for end in (0, 1))
    unlimited = np.array([q * math.inf for _, q in sought])
    log = (low + high) / 2
    for _ in range(_MOST_STEPS):
        limits = _limits_of(sought, log, start)
        above = np.where(np.isnan(limits.values), unlimited, limits.values - sought[0][0].wanted)
        low, high = np.where(above > 0, log, low), np.where(above > 0, high, log)
        following, start = log - above / limits.coefficients[:, 1], limits.coefficients
        following = np.where((following >= low) & (following <= high), following, (low + high) / 2)
        if bool((np.abs(following - log) < _STILL).all()):
            break
        log = following
    return [float(one) for one in log]


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """A falling curve under one condition, the target, and the thicknesses tried."""

    curve: YieldCurve
    fit: Fit
    target: float
    condition: tuple[int, ...]
    thinnest_mm: float
    thickest_mm: float

    @property
    def wanted(self) -> float:
        """Log-odds of the target."""
        return _log_odds(self.target)

    @property
    def ends(self) -> tuple[float, float]:
        return math.log(self.thinnest_mm), math.log(self.thickest_mm)

    @property
    def estimate(self) -> float:
        """ln(thickness) at which the line passes the target."""
        at_middle = math.log(self.curve.middle_mm)
        level = self.fit.value(self.curve.regressors(at_middle, self.condition))
        return at_middle + (self.wanted - level) / float(self.fit.coefficients[1])

    @property
    def above(self) -> str:
        return _above(self.thickest_mm)

    @property
    def below(self) -> str:
        return _below(self.thinnest_mm)

    def bound(self, log: float) -> Bound:
        """A thickness within what was tried, or on which side of it."""
        thinnest, thickest = self.ends
        if log > thickest + _GUARD:
            return Bound(None, self.above)
        if log < thinnest - _GUARD:
            return Bound(None, self.below)
        return Bound(min(self.thickest_mm, max(self.thinnest_mm, math.exp(log))))

    def promised(self, found: Bound, confidence: float) -> Bound:
        """The lower limit, or the thickest tried where even that is surpassed; no more than good parts prove."""
        if found.reason == self.above:
            found = Bound(self.thickest_mm, self.above)
        if found.thickness_mm is None or self.fit.method == MAXIMUM_LIKELIHOOD or not self.is_separated:
            return found
        # No likelihood tells how steeply the yield falls: a steep fall just above a thickness fits as well as any
        proven = self.proven_mm(confidence)
        if proven is None:
            return Bound(None, NOT_PROVEN)
        return found if found.thickness_mm <= proven else Bound(proven, PROVEN)

    @property
    def here(self) -> list[Tried]:
        return [row for row in self.curve.tried if row.condition == self.condition]

    @property
    def is_separated(self) -> bool:
        """Under this condition, good up to some thickness and bad above, which may itself be mixed; or only one."""
        good = [row.thickness_mm for row in self.here if row.counts.x > _GUARD * row.counts.n]
        bad = [row.thickness_mm for row in self.here if row.counts.n - row.counts.x > _GUARD * row.counts.n]
        if not good or not bad:
            return True
        return self.thinnest_mm < self.thickest_mm and (max(good) <= min(bad) or max(bad) <= min(good))

    def proven_mm(self, confidence: float) -> float | None:
        """The thickest with an exact lower bound at or above the target, for parts of it and of what is thicker.

        What is thicker goes as far as the share seen reaches the target: no yield up to there is above that of the
        thickness in question.
        """
        reached = [row for row in self.here if row.counts.x >= (self.target - _GUARD) * row.counts.n]
        last = max((row.thickness_mm for row in reached), default=0.0)
        for thickness in sorted({row.thickness_mm for row in reached}, reverse=True):
            rows = [_at_least_told(row.counts) for row in self.here if thickness <= row.thickness_mm <= last]
            x, n = math.fsum(x for x, _ in rows), math.fsum(n for _, n in rows)
            bound = exact_bound(min(x, n), n, side="lower", confidence=confidence)
            if bound is not None and bound >= self.target - _GUARD:
                return thickness
        return None


#: A line and a quantile: below 0 the lower limit of its yield is meant, above 0 the upper.
_Sought = tuple[_Line, float]
