"""Logistic regression of x good among n: by maximum likelihood, and by Firth's penalised likelihood where that fails.

Counts may be effective ones (x/deff, n/deff), so that the likelihood is scaled by the design effect. Limits come from
the profile of the likelihood: with separated data standard errors are those of nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, linprog
from scipy.special import expit, xlogy

Vector = NDArray[np.floating[Any]]
Matrix = NDArray[np.floating[Any]]

MAXIMUM_LIKELIHOOD: Final = "maximum likelihood"
FIRTH: Final = "Firth's penalised likelihood"

_GUARD: Final = 1e-12
#: Larger than what linear programming leaves undecided (1e-7), smaller than the step from one thickness to the next.
_APART: Final = 1e-6
#: Squared length of the last step, in standard errors. The likelihood alone is known sooner than where it is largest.
_STILL: Final = 1e-18
_HEIGHT_STILL: Final = 1e-12
#: Good enough where rounding keeps any further step from gaining.
_NEARLY_STILL: Final = 1e-10
#: So near to the summit, and no wonder if rounding hides by this share of the height that a step gains.
_NEAR: Final = 1e-6
_SLACK: Final = 1e-13
_MOST_STEPS: Final = 500
#: No step moves any log-odds by more.
_LONGEST_STEP: Final = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Binomial:
    """Rows of x good among n, 0 <= x <= n, n above 0, with a design of as many rows and of full column rank."""

    design: Matrix
    x: Vector
    n: Vector

    @classmethod
    def of(cls, rows: Sequence[tuple[Sequence[float], float, float]]) -> Binomial:
        """Rows of (regressors, x, n), with a 1 among the regressors where an intercept is wanted; none with n = 0.

        Sorted, so that their order does not matter.
        """
        kept = sorted((tuple(map(float, regressors)), float(x), float(n)) for regressors, x, n in rows if n > 0)
        return cls(
            np.array([row[0] for row in kept]), np.array([row[1] for row in kept]), np.array([row[2] for row in kept])
        )


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Where the likelihood is largest. `height` is its logarithm there, with the penalty when `method` is Firth's.

    `covariance` is the inverse of the information. Under Firth's method it serves as a start for the profile alone.
    """

    data: Binomial
    method: str
    coefficients: Vector
    covariance: Matrix
    height: float

    @property
    def deviance(self) -> float:
        """Twice the log-likelihood that a share of its own for each row would gain."""
        data, share = self.data, expit(self.data.design @ self.coefficients)
        bad = data.n - data.x
        terms = xlogy(data.x, data.x / data.n / share) + xlogy(bad, bad / data.n / (1 - share))
        return 2 * math.fsum(terms.tolist())

    def value(self, regressors: Sequence[float]) -> float:
        """The log-odds at these regressors."""
        return float(np.asarray(regressors, dtype=float) @ self.coefficients)

    def covary(self, one: Sequence[float], other: Sequence[float]) -> float:
        """Covariance of the log-odds at two places, as the information has it; at one and the same, the variance."""
        return float(np.asarray(one, dtype=float) @ self.covariance @ np.asarray(other, dtype=float))


def full_rank(design: Sequence[Sequence[float]]) -> bool:
    """No column of the design follows from the others."""
    columns = np.array(design, dtype=float)
    if columns.size == 0:
        return False
    largest = np.abs(columns).max(axis=0)
    if not bool(largest.all()):
        return False
    return bool(np.linalg.matrix_rank(columns / largest, tol=_APART) == columns.shape[1])


def separated(data: Binomial) -> bool:
    """Some plane has all good parts on or above it and all others on or below, not all on it.

    Then the likelihood has no largest value at finite coefficients (complete or quasi-complete separation). Decided by
    linear programming: is there a direction in which no row's likelihood falls, and one row's rises? Albert A, Anderson
    JA (1984), Biometrika 71, 1-10.
    """
    good, bad = data.x > _GUARD * data.n, data.n - data.x > _GUARD * data.n
    mixed, pure = good & bad, good ^ bad
    # No direction but none at all leaves the log-odds of so many mixed rows as they are
    if mixed.any() and full_rank(data.design[mixed].tolist()):
        return False
    largest = np.abs(data.design).max(axis=0)
    design = data.design / np.where(largest > 0, largest, 1.0)
    signed = np.where(good, 1.0, -1.0)[pure][:, None] * design[pure]
    if not len(signed):
        return False
    found = linprog(
        -signed.sum(axis=0),
        A_ub=-signed,
        b_ub=np.zeros(len(signed)),
        A_eq=design[mixed] if mixed.any() else None,
        b_eq=np.zeros(int(mixed.sum())) if mixed.any() else None,
        bounds=(-1, 1),
        method="highs",
    )
    return not found.success or bool(-found.fun > _APART)


def fitted(data: Binomial) -> Fit | None:
    """By maximum likelihood where the data overlap, else by Firth's method. None where neither comes to rest."""
    if not separated(data):
        plain = maximum_likelihood(data)
        if plain is not None:
            return plain
    return firth(data)


def maximum_likelihood(data: Binomial) -> Fit | None:
    """Ordinary logistic regression, of data that are not `separated`. None where it does not come to rest."""
    return _fit(data, MAXIMUM_LIKELIHOOD)


def firth(data: Binomial) -> Fit | None:
    """The likelihood times the root of the determinant of its information: finite even for separated data.

    Firth D (1993), Biometrika 80, 27-38; Heinze G, Schemper M (2002), Statistics in Medicine 21, 2409-2419.
    """
    return _fit(data, FIRTH)


def drop(fit: Fit, regressors: Sequence[float], value: float) -> float:
    """How much the log-likelihood falls, penalty included, when the log-odds at these regressors are held at a value.

    At least 0; infinite where the constrained fit does not come to rest.
    """
    summit = _held(fit, regressors, value)
    return math.inf if summit is None else max(0.0, fit.height - summit.height)


def held(fit: Fit, regressors: Sequence[float], value: float) -> Vector:
    """The likeliest coefficients that give this value of the log-odds at these regressors.

    NaN where the constrained fit does not come to rest.
    """
    summit = _held(fit, regressors, value)
    return np.full(len(fit.coefficients), np.nan) if summit is None else summit.coefficients


def _held(fit: Fit, regressors: Sequence[float], value: float) -> _Place | None:
    along = np.asarray(regressors, dtype=float)
    spread = fit.covariance @ along
    variance, summit = float(along @ spread), None
    if variance > 0:
        start = fit.coefficients + spread * ((value - fit.value(regressors)) / variance)
        summit = _summit(fit.data, fit.method, start, along, still=_HEIGHT_STILL)
    if summit is None:
        # Held far out, the nearest place may be where no row tells anything: start where the log-odds are small
        start = along * (value / float(along @ along))
        summit = _summit(fit.data, fit.method, start, along, still=_HEIGHT_STILL)
    return summit


def profile_limits(fit: Fit, regressors: Sequence[float], *, quantile: float) -> tuple[float | None, float | None]:
    """Lowest and highest log-odds at these regressors that the data allow: twice the drop is the quantile squared.

    Regressors (0, 1, 0) ask for the coefficient of the second column. None on a side without a limit.
    """
    return lower_limit(fit, regressors, quantile=quantile), upper_limit(fit, regressors, quantile=quantile)


def lower_limit(fit: Fit, regressors: Sequence[float], *, quantile: float) -> float | None:
    """The lowest of the `profile_limits`."""
    return _edge(fit, regressors, -quantile, quantile)


def upper_limit(fit: Fit, regressors: Sequence[float], *, quantile: float) -> float | None:
    """The highest of the `profile_limits`."""
    return _edge(fit, regressors, quantile, quantile)


def root_drop(fit: Fit, regressors: Sequence[float], value: float) -> float:
    """Root of twice the `drop`: how many standard errors away the value is, as the likelihood has it."""
    return math.sqrt(2 * drop(fit, regressors, value))


def crossing(distance: Callable[[float], float], inside: float, outside: float) -> float:
    """Where a distance passes 0, from below 0 at `inside` to above at `outside`."""
    return float(brentq(distance, inside, outside, xtol=1e-10, rtol=1e-12))


def _edge(fit: Fit, regressors: Sequence[float], errors: float, quantile: float) -> float | None:
    """From the estimate outward, first so many standard errors as `errors` has with its sign, then further."""

    def distance(value: float) -> float:
        return min(root_drop(fit, regressors, value), 1e6) - quantile

    best, error = fit.value(regressors), math.sqrt(max(0.0, fit.covary(regressors, regressors)))
    inside, outside = best, best + error * errors
    for _ in range(60):
        if distance(outside) > 0:
            return crossing(distance, inside, outside)
        inside, outside = outside, outside + 0.5 * (outside - best)
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Coefficients, with the log-likelihood there and its slope, penalty included, and the inverse of the information.

    `stride` times the score is the next step. The penalty is as good as half a part good and half a part bad for each
    unit of leverage, so that under Firth's method the inverse itself would step too far, up to twice.
    """

    coefficients: Vector
    height: float
    score: Vector
    inverse: Matrix
    stride: Matrix


def _fit(data: Binomial, method: str) -> Fit | None:
    summit = _summit(data, method, np.zeros(data.design.shape[1]))
    return None if summit is None else Fit(data, method, summit.coefficients, summit.inverse, summit.height)


def _summit(
    data: Binomial, method: str, start: Vector, along: Vector | None = None, *, still: float = _STILL
) -> _Place | None:
    """The largest likelihood by Fisher scoring with halved steps, with `along` times the coefficients held at start."""
    here, gain = _place(data, method, start), math.inf
    for _ in range(_MOST_STEPS):
        if here is None:
            return None
        step = here.stride @ here.score
        if along is not None:
            spread = here.stride @ along
            variance = float(along @ spread)
            if not variance > 0:
                return None
            step = step - spread * (float(along @ step) / variance)
        gain = float(step @ here.score)
        if gain < still:
            return here
        slack = _SLACK * (1 + abs(here.height)) if gain < _NEAR else 0.0
        following = _higher(data, method, here, step, slack)
        if following is None:
            return here if gain < _NEARLY_STILL else None
        here = following
    return here if gain < _NEARLY_STILL else None


def _higher(data: Binomial, method: str, here: _Place, step: Vector, slack: float) -> _Place | None:
    longest = float(np.abs(data.design @ step).max())
    share = min(1.0, _LONGEST_STEP / longest) if longest > 0 else 1.0
    for _ in range(40):
        there = _place(data, method, here.coefficients + share * step)
        if there is not None and there.height > here.height - slack:
            return there
        share /= 2
    return None


def _place(data: Binomial, method: str, coefficients: Vector) -> _Place | None:
    """None where the information is singular: too far out for any row to tell."""
    design, x, n = data.design, data.x, data.n
    odds = design @ coefficients
    good, bad = expit(odds), expit(-odds)
    weights = n * good * bad
    information = design.T @ (weights[:, None] * design)
    inverse = stride = _inverse(information)
    if inverse is None or stride is None:
        return None
    height = -float(np.sum(x * np.logaddexp(0, -odds) + (n - x) * np.logaddexp(0, odds)))
    residuals = x * bad - (n - x) * good
    if method == FIRTH:
        sign, determinant = np.linalg.slogdet(information)
        height += 0.5 * float(determinant) if sign > 0 else -math.inf
        leverage = weights * np.einsum("ij,jk,ik->i", design, inverse, design)
        residuals = residuals + leverage * (0.5 - good)
        stride = _inverse(design.T @ (((n + leverage) * good * bad)[:, None] * design))
    if stride is None or not math.isfinite(height):
        return None
    return _Place(coefficients, height, design.T @ residuals, inverse, stride)


def _inverse(matrix: Matrix) -> Matrix | None:
    """By way of its root, so that no rounding makes a variance negative. None where the matrix is singular."""
    try:
        half = np.linalg.inv(np.linalg.cholesky(matrix))
    except np.linalg.LinAlgError:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        inverse = half.T @ half
    return inverse if bool(np.isfinite(inverse).all()) else None
