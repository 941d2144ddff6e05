"""Profile limits of the log-odds at many places of one fit, all at once: what a curve with a band takes.

At the limit of the log-odds at a place the slope of the likelihood points along that place's regressors, and the
likelihood has dropped by half the squared quantile. Both are solved together by Newton's method: Venzon DJ, Moolgavkar
SH (1988), Applied Statistics 37, 87-94. Where that does not come to rest, `logistic` seeks the limit step by step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from worker.stats.logistic import FIRTH, Fit, Matrix, Vector, held, lower_limit, upper_limit

Side = Literal["lower", "upper"]

_MOST_STEPS: Final = 25
#: Squared length of the last step, in standard errors.
_STILL: Final = 1e-20
#: So near the summit its own rounding hides where the likelihood has dropped.
_NO_QUANTILE: Final = 1e-6
#: Share of the likelihood's height by which its drop may miss what is meant.
_MEANT: Final = 1e-9
#: No step moves any log-odds by more.
_LONGEST_STEP: Final = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """The log-odds at each limit, and the coefficients with which they are reached; NaN on a side without one."""

    values: Vector
    coefficients: Matrix


def limits_at(fit: Fit, regressors: Matrix, quantiles: Vector, *, side: Side, start: Matrix | None = None) -> Limits:
    """The lowest or highest log-odds that the data allow at each row of regressors, each with a quantile of its own.

    regressors: one row a place, neighbours next to each other. quantiles: not below 0. start: coefficients to begin
    with, such as those of places near by.
    """
    sign = 1.0 if side == "upper" else -1.0
    first = np.repeat(fit.coefficients[None, :], len(regressors), axis=0)
    if start is not None:
        first = np.where(np.isfinite(start), start, first)
    there, found = _sought(fit, regressors, quantiles, sign, first)
    missing = np.flatnonzero(~found)
    if len(missing) and found.any():
        # The limit of a neighbour leads there sooner than the summit does
        known = np.flatnonzero(found)
        nearest = known[np.abs(known[None, :] - missing[:, None]).argmin(axis=1)]
        there[missing], found[missing] = _sought(fit, regressors[missing], quantiles[missing], sign, there[nearest])
    values = np.einsum("ij,ij->i", regressors, there)
    for place in np.flatnonzero(~found):
        limit = _step_by_step(fit, regressors[place], float(quantiles[place]), side)
        values[place] = math.nan if limit is None else limit
        there[place] = math.nan if limit is None else held(fit, regressors[place].tolist(), limit)
    return Limits(values, there)


def _sought(
    fit: Fit, regressors: Matrix, quantiles: Vector, sign: float, start: Matrix
) -> tuple[Matrix, NDArray[np.bool_]]:
    """(coefficients at the limit of each place, whether they are)."""
    found = quantiles < _NO_QUANTILE
    there = np.where(found[:, None], fit.coefficients, start)
    wanted = fit.height - quantiles**2 / 2
    running = np.flatnonzero(~found)
    for _ in range(_MOST_STEPS):
        if not len(running):
            break
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            # Where hardly any row tells anything a step may be beyond all numbers: it is not taken
            step, height, length = _steps(fit, there[running], regressors[running], wanted[running], sign)
        meant = np.abs(height - wanted[running]) <= _MEANT * (1 + np.abs(wanted[running]))
        found[running] = (length < _STILL) & meant
        goes_on = ~found[running] & np.isfinite(length)
        running, step = running[goes_on], step[goes_on]
        there[running] += step
    beyond = sign * (np.einsum("ij,ij->i", regressors, there) - regressors @ fit.coefficients)
    return there, found & (beyond >= -_MEANT)


def _step_by_step(fit: Fit, regressors: Vector, quantile: float, side: Side) -> float | None:
    seek = lower_limit if side == "lower" else upper_limit
    return seek(fit, regressors.tolist(), quantile=quantile)


def _steps(
    fit: Fit, coefficients: Matrix, regressors: Matrix, wanted: Vector, sign: float
) -> tuple[Matrix, Vector, Vector]:
    """(Newton's step from each row of coefficients, the log-likelihood there, the squared length of the step).

    The length is not finite where the information is singular.
    """
    design, x, n = fit.data.design, fit.data.x, fit.data.n
    odds = coefficients @ design.T
    good, bad = expit(odds), expit(-odds)
    weights = n * good * bad
    curvature = (weights[:, None, :] * design.T) @ design
    height = -(x * np.logaddexp(0, -odds) + (n - x) * np.logaddexp(0, odds)).sum(axis=1)
    residuals = x * bad - (n - x) * good
    if fit.method == FIRTH:
        height = height + 0.5 * np.linalg.slogdet(curvature)[1]
        penalty = _Penalty.at(design, n, good, bad, curvature)
        residuals = residuals + penalty.leverage * (0.5 - good)
        bends = _is_summit(penalty.curvature, regressors)
        curvature = np.where(bends[:, None, None], penalty.curvature, penalty.rough)
    score = residuals @ design
    both = _solved(curvature, np.stack([score, regressors], axis=2))
    upward, along = both[:, :, 0], both[:, :, 1]
    variance = np.einsum("ij,ij->i", regressors, along)
    room = 2 * (height - wanted) + np.einsum("ij,ij->i", score, upward)
    multiplier = np.sqrt(np.maximum(0.0, room / variance))
    step = upward + sign * multiplier[:, None] * along
    length = np.einsum("ij,ijk,ik->i", step, curvature, step)
    longest = np.abs(step @ design.T).max(axis=1)
    step = step * np.minimum(1.0, _LONGEST_STEP / longest)[:, None]
    return np.where(np.isfinite(step), step, 0.0), height, np.where(variance != 0, np.abs(length), np.nan)


def _is_summit(curvature: Matrix, regressors: Matrix) -> Vector:
    """Whether the likelihood bends down in all directions that leave the log-odds at the regressors as they are."""
    finite = np.asarray(np.isfinite(curvature).all(axis=(1, 2)))
    safe = np.where(finite[:, None, None], curvature, np.eye(curvature.shape[1]))
    lowest: Matrix = np.linalg.eigvalsh(safe)
    along = _solved(safe, regressors[:, :, None])[:, :, 0]
    variance = np.einsum("ij,ij->i", regressors, along)
    upward = np.count_nonzero(lowest <= 0, axis=1)
    return np.asarray(finite & ((upward == 0) | ((upward == 1) & (variance < 0))))


@dataclass(frozen=True, slots=True, eq=False)
class _Penalty:
    """Firth's penalty, half the logarithm of the information's determinant, at each of several places.

    `leverage` of each row of the data; `curvature` of the likelihood with the penalty, which need not bend down
    everywhere; `rough` is one that does: as if each unit of leverage were half a part good and half a part bad.
    """

    leverage: Matrix
    curvature: Matrix
    rough: Matrix

    @classmethod
    def at(cls, design: Matrix, n: Vector, good: Matrix, bad: Matrix, information: Matrix) -> _Penalty:
        """good, bad: shares, a row for each place. information: a matrix for each place."""
        rows, width = design.shape
        weights, tilt = n * good * bad, bad - good
        inverse = _solved(information, np.broadcast_to(np.eye(width), information.shape))
        leverage = weights * np.einsum("zia,ia->zi", design @ inverse, design)
        # Derivatives of the information by each coefficient, and by how much two of them turn it alike
        triples = np.einsum("ia,ib,ic->iabc", design, design, design).reshape(rows, -1)
        turned = np.einsum("zab,zkbc->zkac", inverse, ((weights * tilt) @ triples).reshape(-1, width, width, width))
        alike = np.einsum("zkab,zlba->zkl", turned, turned)
        bent = ((leverage * (tilt**2 - 2 * good * bad))[:, None, :] * design.T) @ design
        rough = (((n + leverage) * good * bad)[:, None, :] * design.T) @ design
        return cls(leverage, information - (bent - alike) / 2, rough)


def _solved(matrices: Matrix, right: Matrix) -> Matrix:
    """Each matrix's equations with its right sides; NaN where one is singular."""
    try:
        return np.linalg.solve(matrices, right)
    except np.linalg.LinAlgError:
        found = np.full(right.shape, np.nan)
        for place, (matrix, sides) in enumerate(zip(matrices, right, strict=True)):
            try:
                found[place] = np.linalg.solve(matrix, sides)
            except np.linalg.LinAlgError:
                continue
        return found
