"""Success against thickness: the log-odds fall in a straight line with the logarithm of thickness.

Conditions of the plate (0 or 1 each) move the line up or down. What cannot be told is None with a reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from worker.sentences import sentence
from worker.stats.clustering import Effective, joint_degrees, joint_reason
from worker.stats.likelihood_limits import limits_at
from worker.stats.logistic import Binomial, Fit, Matrix, Vector, fitted, full_rank
from worker.stats.proportions import quantile
from worker.stats.skewness import cautious, surplus_cumulants

NOTHING_TRIED: Final = sentence("nothing tried")
TOO_FEW_PARTS: Final = sentence("too few parts")
TOO_FEW_THICKNESSES: Final = sentence("too few thicknesses tried")
NOTHING_FAILED: Final = sentence("nothing failed")
ALL_FAILED: Final = sentence("all failed")
NOT_FALLING: Final = sentence("the yield does not fall with thickness")
NO_REST: Final = sentence("the fit does not come to rest")

ONE_LEVEL: Final = sentence("all plates alike")
CONFOUNDED: Final = sentence("goes along with thickness or conditions named before")

#: A line through two thicknesses fits whatever the truth [common practice, no source].
LEAST_THICKNESSES: Final = 3
#: Independent parts, or so many that tell as much: below, almost any line fits [common practice, no source].
LEAST_PARTS: Final = 20.0

_GUARD: Final = 1e-12
#: A slope that rounding cannot tell from none.
_FLAT: Final = -1e-9


@dataclass(frozen=True, slots=True)
class Tried:
    """First-attempt parts at one thickness under one condition: x good among n. `condition` has a 0 or 1 for each name.

    The thickness may be in any unit, if it is the same for all; reasons say mm.
    """

    thickness_mm: float
    counts: Effective
    condition: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class YieldCurve:
    """The fitted line. With a `reason` no thickness is read from it; `fit` is None where there is nothing to draw.

    The log-odds are level + slope ln(thickness / middle_mm) + one shift for each condition that is 1; `named` are the
    conditions in the fit, `left_out` those that are not, with why. `degrees` are for Student's t; None: the normal.
    `counts_reason` says what the design effects rest on where that is not the parts' own correlation.
    """

    tried: tuple[Tried, ...]
    names: tuple[str, ...]
    fit: Fit | None
    middle_mm: float
    named: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    parts: float
    degrees: float | None
    counts_reason: str | None
    reason: str | None

    @property
    def method(self) -> str | None:
        """Maximum likelihood, or Firth's where the parts are separated."""
        return None if self.fit is None else self.fit.method

    @property
    def slope(self) -> float | None:
        """Log-odds per unit of the natural logarithm of thickness."""
        return None if self.fit is None else float(self.fit.coefficients[1])

    def lower_quantiles(self, regressors: Matrix, quantile: float) -> Vector:
        """The quantile for a lower limit of the log-odds at each row of regressors: for an estimate skewed to the left.

        So it is with the long tail of plates that fail as a whole.
        """
        if self.fit is None:
            return np.full(len(regressors), quantile)
        seen, variances, thirds = self._tails
        weights = regressors @ self.fit.covariance @ seen.T
        spreads, skews = weights**2 @ variances, weights**3 @ thirds
        return np.array(
            [
                cautious(quantile, skew / (spread * math.sqrt(spread)) if spread > 0 else 0.0)
                for spread, skew in zip(spreads.tolist(), skews.tolist(), strict=True)
            ]
        )

    @cached_property
    def _tails(self) -> tuple[Matrix, Vector, Vector]:
        """Of each row tried: regressors, and the variance and surplus third cumulant of its good parts."""
        seen = np.array([self.regressors(math.log(row.thickness_mm), row.condition) for row in self.tried])
        shares = [] if self.fit is None else [_share(value) for value in (seen @ self.fit.coefficients).tolist()]
        cumulants = [surplus_cumulants(share, row.counts) for share, row in zip(shares, self.tried, strict=True)]
        variances, thirds = np.array(cumulants).T
        return seen, variances, thirds

    def regressors(self, log_thickness: float, condition: Sequence[int]) -> tuple[float, ...]:
        """What the coefficients are multiplied with at ln(thickness), under a condition with a 0 or 1 for each name."""
        known = dict(zip(self.names, condition, strict=True))
        return (1.0, log_thickness - math.log(self.middle_mm), *(float(known[name]) for name in self.named))


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Yield at a thickness, with pointwise limits: each holds for its own thickness, not for the curve as a whole."""

    thickness_mm: float
    share: float
    low: float
    high: float


def yield_curve(
    tried: Sequence[Tried],
    *,
    names: Sequence[str] = (),
    least_thicknesses: int = LEAST_THICKNESSES,
    least_parts: float = LEAST_PARTS,
) -> YieldCurve:
    """Success against thickness; `names` are those of the conditions. Any order gives the same.

    By maximum likelihood on effective counts; by Firth's penalised likelihood where good and bad are separated. A
    condition that all or no plates have, or that goes along with thickness or conditions named before it, is left out.
    ValueError: a thickness not above 0 or not finite, counts not 0 <= x <= n, conditions not a 0 or 1 for each name.
    """
    rows = _checked(tried, names)
    middle = math.sqrt(rows[0].thickness_mm) * math.sqrt(rows[-1].thickness_mm) if rows else 1.0
    named, left_out = _usable(rows, names, middle)
    fit, reason = None, _too_little(rows, least_thicknesses, least_parts)
    if reason is None:
        places = [names.index(name) for name in named]
        fit = fitted(
            Binomial.of(
                [(_regressors(row, middle, places), min(row.counts.x, row.counts.n), row.counts.n) for row in rows]
            )
        )
        reason = NO_REST if fit is None else NOT_FALLING if fit.coefficients[1] > _FLAT else None
    return YieldCurve(
        tried=tuple(rows),
        names=tuple(names),
        fit=fit,
        middle_mm=middle,
        named=named,
        left_out=left_out,
        parts=math.fsum(row.counts.n for row in rows),
        degrees=joint_degrees([row.counts for row in rows]),
        counts_reason=joint_reason([row.counts for row in rows]),
        reason=reason,
    )


def band(
    curve: YieldCurve, thicknesses_mm: Sequence[float], *, confidence: float, condition: Sequence[int] = ()
) -> tuple[CurvePoint, ...]:
    """The curve at these thicknesses with the pointwise limits of its profile likelihood. Empty without a fit.

    Where the slope is significant, the lower limits pass the target at the lower limit of the thickness.
    """
    (points,) = bands(curve, [(condition, thicknesses_mm)], confidence=confidence)
    return points


def bands(
    curve: YieldCurve, wanted: Sequence[tuple[Sequence[int], Sequence[float]]], *, confidence: float
) -> list[tuple[CurvePoint, ...]]:
    """The same under each of several conditions, each with thicknesses of its own: all limits are sought at once."""
    for condition, _ in wanted:
        check_condition(condition, curve.names)
    points = [(condition, thickness) for condition, thicknesses in wanted for thickness in thicknesses]
    if curve.fit is None or not points:
        return [() for _ in wanted]
    q = quantile(confidence, curve.degrees)
    places = np.array([curve.regressors(math.log(thickness), condition) for condition, thickness in points])
    values = places @ curve.fit.coefficients
    sides = np.concatenate([-curve.lower_quantiles(places, q), np.full(len(places), q)])
    limits = limits_at(curve.fit, np.concatenate([places, places]), sides).values
    drawn = iter(
        CurvePoint(
            thickness_mm=thickness,
            share=_share(value),
            low=0.0 if math.isnan(low) else _share(min(low, value)),
            high=1.0 if math.isnan(high) else _share(max(high, value)),
        )
        for (_, thickness), value, low, high in zip(
            points, values.tolist(), limits[: len(points)].tolist(), limits[len(points) :].tolist(), strict=True
        )
    )
    return [tuple(next(drawn) for _ in thicknesses) for _, thicknesses in wanted]


def _share(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds)) if log_odds > -700 else 0.0


def check_condition(condition: Sequence[int], names: Sequence[str]) -> None:
    """ValueError unless the condition has a 0 or 1 for each name."""
    if len(condition) != len(names) or any(level not in (0, 1) for level in condition):
        raise ValueError(f"condition {tuple(condition)} must have a 0 or 1 for each of {tuple(names)}")


def _checked(tried: Sequence[Tried], names: Sequence[str]) -> list[Tried]:
    """Those with parts, in an order of their own."""
    for row in tried:
        check_condition(row.condition, names)
        if not (0 < row.thickness_mm < math.inf):
            raise ValueError(f"thickness {row.thickness_mm} must be above 0")
        if not (0 <= row.counts.x <= row.counts.n + _GUARD < math.inf):
            raise ValueError(f"counts {row.counts.x} of {row.counts.n} must be 0 <= x <= n")
    return sorted((row for row in tried if row.counts.n > 0), key=_order)


def _order(row: Tried) -> tuple[float, tuple[int, ...], float, float]:
    return row.thickness_mm, row.condition, row.counts.n, row.counts.x


def _too_little(rows: Sequence[Tried], least_thicknesses: int, least_parts: float) -> str | None:
    n, x = math.fsum(row.counts.n for row in rows), math.fsum(row.counts.x for row in rows)
    if not rows:
        return NOTHING_TRIED
    if math.fsum(row.counts.parts for row in rows) < least_parts - _GUARD:
        return TOO_FEW_PARTS
    if len({row.thickness_mm for row in rows}) < least_thicknesses:
        return TOO_FEW_THICKNESSES
    if n - x <= _GUARD * n:
        return NOTHING_FAILED
    if x <= _GUARD * n:
        return ALL_FAILED
    return TOO_FEW_PARTS if n < least_parts - _GUARD else None


def _usable(
    rows: Sequence[Tried], names: Sequence[str], middle_mm: float
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """(conditions whose shift can be told, those whose cannot, with why)."""
    named: list[str] = []
    left_out = []
    for place, name in enumerate(names):
        places = [*(names.index(one) for one in named), place]
        if len({row.condition[place] for row in rows}) < 2:
            left_out.append((name, ONE_LEVEL))
        elif not full_rank([_regressors(row, middle_mm, places) for row in rows]):
            left_out.append((name, CONFOUNDED))
        else:
            named.append(name)
    return tuple(named), tuple(left_out)


def _regressors(row: Tried, middle_mm: float, places: Sequence[int]) -> tuple[float, ...]:
    return (1.0, math.log(row.thickness_mm / middle_mm), *(float(row.condition[place]) for place in places))
