"""Profile limits of the log-odds at many places of one fit, all at once: what a curve with a band takes.

At the limit of the log-odds at a place the slope of the likelihood points along that place's regressors, and the
likelihood has dropped by half the squared quantile. Both are solved together by Newton's method: Venzon DJ, Moolgavkar
SH (1988), Applied Statistics 37, 87-94. Where that does not come to rest, `logistic` seeks the limit step by step.
Where the penalised likelihood has several peaks, they are sought from each: the outermost are meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from worker.stats.logistic import (
    FIRTH,
    Fit,
    Matrix,
    Penalty,
    Vector,
    held,
    longest_share,
    lower_limit,
    solved,
    told_by,
    upper_limit,
)

_MOST_STEPS: Final = 25
#: Squared length of the last step, in standard errors.
_STILL: Final = 1e-20
#: So near the summit its own rounding hides where the likelihood has dropped.
_NO_QUANTILE: Final = 1e-6
#: Share of the likelihood's height by which its drop may miss what is meant.
_MEANT: Final = 1e-9
#: Shares of a quantile that lead to it.
_ON_THE_WAY: Final = (0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """The log-odds at each limit, and the coefficients with which they are reached; NaN on a side without one."""

    values: Vector
    coefficients: Matrix


def limits_at(fit: Fit, regressors: Matrix, quantiles: Vector, *, start: Matrix | None = None) -> Limits:
    """How low or how high the log-odds can be at each row of regressors, as the data have it.

    regressors: one row a place, neighbours next to each other. quantiles: one a place; below 0 the lowest log-odds are
    sought, above 0 the highest. start: coefficients to begin with, such as those of places near by.
    """
    first = np.repeat(fit.coefficients[None, :], len(regressors), axis=0)
    if start is not None:
        first = np.where(np.isfinite(start), start, first)
    there, found = _sought(fit, regressors, quantiles, first)
    for lead in (_by_neighbours, _by_and_by):
        missing = np.flatnonzero(~found)
        if len(missing):
            there[missing], found[missing] = lead(fit, regressors, quantiles, there, found)
    there, found = _outermost(fit, regressors, quantiles, there, found)
    values = np.einsum("ij,ij->i", regressors, there)
    for place in np.flatnonzero(~found):
        limit = _step_by_step(fit, regressors[place], float(quantiles[place]))
        values[place] = math.nan if limit is None else limit
        there[place] = math.nan if limit is None else held(fit, regressors[place].tolist(), limit)
    return Limits(values, there)


def _outermost(
    fit: Fit, regressors: Matrix, quantiles: Vector, there: Matrix, found: NDArray[np.bool_]
) -> tuple[Matrix, NDArray[np.bool_]]:
    """Of the limits sought from each peak those furthest out; not found where a peak that is high enough is beyond.

    Between two peaks the likelihood may fall too low and rise again.
    """
    sign = np.sign(quantiles)
    for peak in fit.others:
        further, known = _sought(fit, regressors, quantiles, np.repeat(peak.coefficients[None, :], len(there), axis=0))
        outer = sign * np.einsum("ij,ij->i", regressors, further - there) > 0
        there = np.where((known & (outer | ~found))[:, None], further, there)
        found = found | known
    for peak in fit.others:
        beyond = sign * np.einsum("ij,ij->i", regressors, peak.coefficients - there) > 0
        found = found & ~(beyond & (peak.height > fit.height - quantiles**2 / 2))
    return there, found


def _by_neighbours(
    fit: Fit, regressors: Matrix, quantiles: Vector, there: Matrix, found: NDArray[np.bool_]
) -> tuple[Matrix, NDArray[np.bool_]]:
    """What is not found, from the limit of the nearest neighbour on the same side."""
    missing, known = np.flatnonzero(~found), np.flatnonzero(found)
    if not len(known):
        return there[missing], found[missing]
    other_side = np.signbit(quantiles[known])[None, :] != np.signbit(quantiles[missing])[:, None]
    away = np.abs(known[None, :] - missing[:, None]) + len(found) * other_side
    return _sought(fit, regressors[missing], quantiles[missing], there[known[away.argmin(axis=1)]])


def _by_and_by(
    fit: Fit, regressors: Matrix, quantiles: Vector, there: Matrix, found: NDArray[np.bool_]
) -> tuple[Matrix, NDArray[np.bool_]]:
    """What is not found, from the summit outward by way of smaller quantiles."""
    missing = np.flatnonzero(~found)
    reached, done = np.repeat(fit.coefficients[None, :], len(missing), axis=0), found[missing]
    for share in _ON_THE_WAY:
        further, done = _sought(fit, regressors[missing], share * quantiles[missing], reached)
        reached = np.where(done[:, None], further, reached)
    return reached, done


def _sought(fit: Fit, regressors: Matrix, quantiles: Vector, start: Matrix) -> tuple[Matrix, NDArray[np.bool_]]:
    """(coefficients at the limit of each place, whether they are)."""
    found = np.abs(quantiles) < _NO_QUANTILE
    there = np.where(found[:, None], fit.coefficients, start)
    wanted, sign = fit.height - quantiles**2 / 2, np.sign(quantiles)
    running = np.flatnonzero(~found)
    for _ in range(_MOST_STEPS):
        if not len(running):
            break
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            # Where hardly any row tells anything a step may be beyond all numbers: it is not taken
            step, height, length = _steps(fit, there[running], regressors[running], wanted[running], sign[running])
        meant = np.abs(height - wanted[running]) <= _MEANT * (1 + np.abs(wanted[running]))
        found[running] = (length < _STILL) & meant
        goes_on = ~found[running] & np.isfinite(length)
        running, step = running[goes_on], step[goes_on]
        there[running] += step
    beyond = sign * (np.einsum("ij,ij->i", regressors, there) - regressors @ fit.coefficients)
    return there, found & (beyond >= -_MEANT)


def _step_by_step(fit: Fit, regressors: Vector, quantile: float) -> float | None:
    seek = lower_limit if quantile < 0 else upper_limit
    return seek(fit, regressors.tolist(), quantile=abs(quantile))


def _steps(
    fit: Fit, coefficients: Matrix, regressors: Matrix, wanted: Vector, sign: Vector
) -> tuple[Matrix, Vector, Vector]:
    """(Newton's step from each row of coefficients, the log-likelihood there, the squared length of the step).

    sign: -1 or 1 a row, on which side of the estimate the limit is. The length is not finite where the information is
    singular.
    """
    design, x, n = fit.data.design, fit.data.x, fit.data.n
    odds = coefficients @ design.T
    good, bad, height = told_by(odds, x, n)
    curvature = ((n * good * bad)[:, None, :] * design.T) @ design
    residuals = x * bad - (n - x) * good
    if fit.method == FIRTH:
        height = height + 0.5 * np.linalg.slogdet(curvature)[1]
        penalty = Penalty.at(design, n, good, bad, curvature)
        residuals = residuals + penalty.leverage * (0.5 - good)
        bends = _is_summit(penalty.curvature, regressors)
        curvature = np.where(bends[:, None, None], penalty.curvature, penalty.rough)
    score = residuals @ design
    both = solved(curvature, np.stack([score, regressors], axis=2))
    upward, along = both[:, :, 0], both[:, :, 1]
    variance = np.einsum("ij,ij->i", regressors, along)
    room = 2 * (height - wanted) + np.einsum("ij,ij->i", score, upward)
    multiplier = np.sqrt(np.maximum(0.0, room / variance))
    step = upward + (sign * multiplier)[:, None] * along
    length = np.einsum("ij,ijk,ik->i", step, curvature, step)
    step = step * np.minimum(1.0, longest_share(odds, step @ design.T))[:, None]
    return np.where(np.isfinite(step), step, 0.0), height, np.where(variance != 0, np.abs(length), np.nan)


def _is_summit(curvature: Matrix, regressors: Matrix) -> Vector:
    """Whether the likelihood bends down in all directions that leave the log-odds at the regressors as they are."""
    finite = np.asarray(np.isfinite(curvature).all(axis=(1, 2)))
    safe = np.where(finite[:, None, None], curvature, np.eye(curvature.shape[1]))
    lowest: Matrix = np.linalg.eigvalsh(safe)
    along = solved(safe, regressors[:, :, None])[:, :, 0]
    variance = np.einsum("ij,ij->i", regressors, along)
    upward = np.count_nonzero(lowest <= 0, axis=1)
    return np.asarray(finite & ((upward == 0) | ((upward == 1) & (variance < 0))))
