"""Logistic regression of x good among n: by maximum likelihood, and by Firth's penalised likelihood where that fails.

Counts may be effective ones (x/deff, n/deff), so that the likelihood is scaled by the design effect. Limits come from
the profile of the likelihood: with separated data standard errors are those of nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from worker.sentences import sentence

Vector = NDArray[np.floating[Any]]
Matrix = NDArray[np.floating[Any]]

MAXIMUM_LIKELIHOOD: Final = sentence("maximum likelihood")
FIRTH: Final = sentence("Firth's penalised likelihood")

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
_MOST_STEPS: Final = 200
#: Of a bend, as a share of the rough one.
_HARDLY_BENT: Final = 1e-3
#: No step moves log-odds by more than so much and half of what they are: far out nothing bends any more.
_LONGEST_STEP: Final = 4.0
#: Elemental sets looked at; where there are more, those of the rows with the least log-odds.
_MOST_SETS: Final = 600
#: So many of the likeliest elemental fits are looked at for another peak.
_MOST_STARTS: Final = 8
#: Places on the way from a start to a peak where the height is looked at.
_ON_THE_WAY: Final = np.linspace(0.0, 1.0, 9)
#: Share of the height that is no dip, and no difference between two peaks.
_LEVEL: Final = 1e-9
#: Squared distance in standard errors below which two peaks are one.
_SAME_PEAK: Final = 1e-6


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
    `others`: lower peaks, which a penalised likelihood can have: of separated data, hardly ever of others.
    """

    data: Binomial
    method: str
    coefficients: Vector
    covariance: Matrix
    height: float
    others: tuple[Fit, ...] = ()

    @property
    def deviance(self) -> float:
        """Twice the log-likelihood that a share of its own for each row would gain."""
        from scipy.special import expit, xlogy

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
    from scipy.optimize import linprog

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
    along, summits = np.asarray(regressors, dtype=float), []
    for peak in (fit, *fit.others):
        spread = peak.covariance @ along
        variance = float(along @ spread)
        if variance > 0:
            start = peak.coefficients + spread * ((value - peak.value(regressors)) / variance)
            summits.append(_summit(fit.data, fit.method, start, along, still=_HEIGHT_STILL))
    if not any(summits):
        # Held far out, the nearest place may be where no row tells anything: start where the log-odds are small
        start = along * (value / float(along @ along))
        summits = [_summit(fit.data, fit.method, start, along, still=_HEIGHT_STILL)]
    return max((summit for summit in summits if summit), key=lambda summit: summit.height, default=None)


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
    from scipy.optimize import brentq

    return float(brentq(distance, inside, outside, xtol=1e-10, rtol=1e-12))


def _edge(fit: Fit, regressors: Sequence[float], errors: float, quantile: float) -> float | None:
    """From the estimate outward, first so many standard errors as `errors` has with its sign, then further."""

    def distance(value: float) -> float:
        return min(root_drop(fit, regressors, value), 1e6) - quantile

    # Between two peaks the likelihood may fall too low and rise again: the limits are beyond the outermost
    peaks = [fit, *(peak for peak in fit.others if peak.height > fit.height - quantile**2 / 2)]
    outermost = (min if errors < 0 else max)(peaks, key=lambda peak: peak.value(regressors))
    best, error = outermost.value(regressors), math.sqrt(max(0.0, outermost.covary(regressors, regressors)))
    inside, outside = best, best + error * errors
    for _ in range(60):
        if distance(outside) > 0:
            return crossing(distance, inside, outside)
        inside, outside = outside, outside + 0.5 * (outside - best)
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Coefficients, with the log-likelihood there and its slope, penalty included, and the inverse of the information.

    `curvatures`: that of the likelihood, with its penalty if it has one; then one that bends down everywhere.
    """

    coefficients: Vector
    height: float
    score: Vector
    inverse: Matrix
    curvatures: tuple[Matrix, ...]


def _fit(data: Binomial, method: str) -> Fit | None:
    first = _summit(data, method, np.zeros(data.design.shape[1]))
    places = _peaks(data, first) if method == FIRTH else [first] if first else []
    fits = [Fit(data, method, place.coefficients, place.inverse, place.height) for place in places]
    if not fits:
        return None
    level = max(fit.height for fit in fits)
    best = next(fit for fit in fits if fit.height >= level - _LEVEL * (1 + abs(level)))
    return replace(best, others=tuple(fit for fit in fits if fit is not best))


def _peaks(data: Binomial, first: _Place | None) -> list[_Place]:
    """The peaks of the penalised likelihood: that which was climbed first, and those beyond a dip.

    Its square is a sum over elemental sets, as many rows as coefficients (Cauchy and Binet's formula for the
    determinant of the information). Each term has one peak, where the rows of the set have the log-odds of x + 1/2 to
    n - x + 1/2: the peaks of the sum are near the likeliest of these.
    """
    starts = _elemental_fits(data, None if first is None else first.coefficients)
    peaks: list[_Place] = []
    if first is not None and _is_peak(first):
        peaks, starts = [first], _beyond_a_dip(data, starts, first.coefficients)
    while len(starts):
        peak, starts = _summit(data, FIRTH, starts[0]), starts[1:]
        if peak is not None and _is_peak(peak) and not any(_same(peak, known) for known in peaks):
            peaks.append(peak)
            starts = _beyond_a_dip(data, starts, peak.coefficients)
    return peaks or ([] if first is None else [first])


def _is_peak(place: _Place) -> bool:
    """No saddle, where a climb may come to rest that began on a line of symmetry."""
    return _inverse(place.curvatures[0]) is not None


def _same(one: _Place, other: _Place) -> bool:
    apart = one.coefficients - other.coefficients
    return float(apart @ other.curvatures[-1] @ apart) < _SAME_PEAK


def _elemental_fits(data: Binomial, near: Vector | None) -> Matrix:
    """Coefficients that fit as many rows as there are coefficients exactly; the likeliest first."""
    design, which = np.unique(data.design, axis=0, return_inverse=True)
    good, bad = (np.bincount(which.ravel(), parts) for parts in (data.x, data.n - data.x))
    rows, width = design.shape
    while math.comb(rows, width) > _MOST_SETS and rows > width + 1:
        rows -= 1
    if rows < len(design):
        # Whatever is good or bad far from where the one turns to the other is so by each peak
        odds = np.zeros(len(design)) if near is None else design @ near
        kept = np.sort(np.argsort(np.abs(odds), kind="stable")[:rows])
        design, good, bad = design[kept], good[kept], bad[kept]
    sets = np.array(list(combinations(range(rows), width)))
    regular = np.abs(np.linalg.det(design[sets] / np.abs(data.design).max(axis=0))) > _APART
    sets, odds = sets[regular], np.log((good + 0.5) / (bad + 0.5))
    found = np.linalg.solve(design[sets], odds[sets][:, :, None])[:, :, 0]
    likeliest = np.argsort(-_heights(data, found), kind="stable")[:_MOST_STARTS]
    return np.asarray(found[likeliest])


def _beyond_a_dip(data: Binomial, starts: Matrix, peak: Vector) -> Matrix:
    """The starts from which the penalised likelihood does not rise all the way to the peak."""
    ways = starts[:, None, :] + _ON_THE_WAY[None, :, None] * (peak - starts)[:, None, :]
    heights = _heights(data, ways.reshape(-1, len(peak))).reshape(len(starts), len(_ON_THE_WAY))
    falls = heights[:, 1:] < heights[:, :-1] - _LEVEL * (1 + np.abs(heights[:, -1:]))
    return np.asarray(starts[falls.any(axis=1)])


def _heights(data: Binomial, coefficients: Matrix) -> Vector:
    """The penalised log-likelihood at each row of coefficients; minus infinity where the information is singular."""
    good, bad, told = told_by(coefficients @ data.design.T, data.x, data.n)
    information = ((data.n * good * bad)[:, None, :] * data.design.T) @ data.design
    sign, determinant = np.linalg.slogdet(information)
    return np.where(sign > 0, told + 0.5 * determinant, -math.inf)


def _summit(
    data: Binomial, method: str, start: Vector, along: Vector | None = None, *, still: float = _STILL
) -> _Place | None:
    """The largest likelihood by scoring with halved steps, with `along` times the coefficients held at start."""
    here, gain = _place(data, method, start), math.inf
    free = np.eye(len(start)) if along is None else _across(along)
    for _ in range(_MOST_STEPS):
        if here is None:
            return None
        # Where hardly a row tells anything the step may be longer than a number can say: as good as none
        with np.errstate(over="ignore", invalid="ignore"):
            step = _step(here, free)
            gain = math.nan if step is None else float(step @ here.score)
        if step is None or not math.isfinite(gain):
            return None
        if gain < still:
            return here
        slack = _SLACK * (1 + abs(here.height)) if gain < _NEAR else 0.0
        following = _higher(data, method, here, step, slack)
        if following is None:
            return here if gain < _NEARLY_STILL else None
        here = following
    return here if gain < _NEARLY_STILL else None


def _across(along: Vector) -> Matrix:
    """A basis, by columns, of all directions that leave what is multiplied with `along` as it is."""
    return np.asarray(np.linalg.svd(along[None, :])[2][1:].T)


def _step(here: _Place, free: Matrix) -> Vector | None:
    """Newton's step along the columns of `free`. None where nothing is told in some direction of them.

    Where the likelihood bends up, on a saddle between two summits, the step goes on to the higher ground as far as
    Newton's would go back.
    """
    from scipy.linalg import eigh

    slope, (bent, *rough) = here.score @ free, (free.T @ curvature @ free for curvature in here.curvatures)
    inverse = _inverse(bent)
    if inverse is not None:
        return np.asarray(free @ (inverse @ slope))
    if not rough:
        return None
    try:
        bends, axes = eigh(bent, rough[0])
    except (np.linalg.LinAlgError, ValueError):
        return None
    return np.asarray(free @ (axes @ ((slope @ axes) / np.maximum(np.abs(bends), _HARDLY_BENT))))


def _higher(data: Binomial, method: str, here: _Place, step: Vector, slack: float) -> _Place | None:
    share = min(1.0, float(longest_share(data.design @ here.coefficients, data.design @ step)))
    for _ in range(40):
        there = _place(data, method, here.coefficients + share * step)
        if there is not None and there.height > here.height - slack:
            return there
        share /= 2
    return None


def _place(data: Binomial, method: str, coefficients: Vector) -> _Place | None:
    """None where the information is singular: too far out for any row to tell."""
    design, x, n = data.design, data.x, data.n
    good, bad, told = told_by(design @ coefficients, x, n)
    information = design.T @ ((n * good * bad)[:, None] * design)
    inverse = _inverse(information)
    curvatures: tuple[Matrix, ...] = (information,)
    if inverse is None:
        return None
    height = float(told)
    residuals = x * bad - (n - x) * good
    if method == FIRTH:
        sign, determinant = np.linalg.slogdet(information)
        height += 0.5 * float(determinant) if sign > 0 else -math.inf
        penalty = Penalty.at(design, n, good[None, :], bad[None, :], information[None, :, :])
        residuals = residuals + penalty.leverage[0] * (0.5 - good)
        curvatures = (penalty.curvature[0], penalty.rough[0])
    if not math.isfinite(height):
        return None
    return _Place(coefficients, height, design.T @ residuals, inverse, curvatures)


@dataclass(frozen=True, slots=True, eq=False)
class Penalty:
    """Firth's penalty, half the logarithm of the information's determinant, at each of several places.

    `leverage` of each row of the data; `curvature` of the likelihood with the penalty, which need not bend down
    everywhere; `rough` is one that does: as if each unit of leverage were half a part good and half a part bad.
    """

    leverage: Matrix
    curvature: Matrix
    rough: Matrix

    @classmethod
    def at(cls, design: Matrix, n: Vector, good: Matrix, bad: Matrix, information: Matrix) -> Penalty:
        """good, bad: shares, a row for each place. information: a matrix for each place."""
        rows, width = design.shape
        weights, tilt = n * good * bad, bad - good
        inverse = solved(information, np.broadcast_to(np.eye(width), information.shape))
        leverage = weights * np.einsum("zia,ia->zi", design @ inverse, design)
        # Derivatives of the information by each coefficient, and by how much two of them turn it alike
        triples = np.einsum("ia,ib,ic->iabc", design, design, design).reshape(rows, -1)
        turned = np.einsum("zab,zkbc->zkac", inverse, ((weights * tilt) @ triples).reshape(-1, width, width, width))
        alike = np.einsum("zkab,zlba->zkl", turned, turned)
        bent = ((leverage * (tilt**2 - 2 * good * bad))[:, None, :] * design.T) @ design
        rough = (((n + leverage) * good * bad)[:, None, :] * design.T) @ design
        return cls(leverage, information - (bent - alike) / 2, rough)


def solved(matrices: Matrix, right: Matrix) -> Matrix:
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


def told_by(odds: Matrix, x: Vector, n: Vector) -> tuple[Matrix, Matrix, Vector]:
    """(share of good parts, share of bad ones, log-likelihood of x good among n); rows of the data in the last axis."""
    less = np.exp(-np.abs(odds))
    likely, unlikely = 1 / (1 + less), less / (1 + less)
    good, bad = np.where(odds > 0, likely, unlikely), np.where(odds > 0, unlikely, likely)
    against = np.where(odds > 0, n - x, x) * np.abs(odds)
    return good, bad, -(against + n * np.log1p(less)).sum(axis=-1)


def longest_share(odds: Matrix, moved: Matrix) -> Vector:
    """Share of a step that moves log-odds, along the last axis, as far as one step may; infinite for no step."""
    with np.errstate(divide="ignore"):
        return np.asarray(1 / (np.abs(moved) / (_LONGEST_STEP + np.abs(odds) / 2)).max(axis=-1))


def _inverse(matrix: Matrix) -> Matrix | None:
    """By way of its root, so that no rounding makes a variance negative. None where the matrix is singular."""
    try:
        half = np.linalg.inv(np.linalg.cholesky(matrix))
    except np.linalg.LinAlgError:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        inverse = half.T @ half
    return inverse if bool(np.isfinite(inverse).all()) else None
