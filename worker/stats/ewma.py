"""Exponentially weighted moving average of z scores, tuned to how seldom it may cry wolf.

Points are standardised residuals in time order, one sigma each, whatever their n. The average starts at 0, and its
limits are those of its true variance, narrow at first: L sqrt(lambda / (2 - lambda) (1 - (1 - lambda)^2i)). Run lengths
follow from the integral equation of Crowder SV (1987), Technometrics 29, 401-407, solved on Gauss-Legendre nodes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from worker.sentences import sentence
from worker.stats.charts import Chart
from worker.stats.tails import normal_score

Vector = NDArray[np.floating[Any]]

#: Small enough for the average to be nearly normal over skewed counts, large enough to see a shift within days.
WEIGHT: Final = 0.1
#: Points in control from one false signal to the next.
RUN_LENGTH: Final = 5_000.0
NODES: Final = 60
#: From here on narrow limits and steady ones are the same.
STEADY: Final = 1e-9
WIDEST: Final = 6.0
GUARD: Final = 1e-12


@dataclass(frozen=True, slots=True)
class EwmaDesign:
    """How the chart is tuned: weight of the newest point, limits in sigmas of the average, run length in control."""

    weight: float
    limit_sigmas: float
    run_length: float


@dataclass(frozen=True, slots=True)
class EwmaPoint:
    """The average after a point, in sigmas of a point; it signals beyond plus or minus its limit."""

    index: int
    average: float
    limit: float

    @property
    def signals(self) -> bool:
        """Is the average beyond its limit?"""
        return abs(self.average) > self.limit + GUARD


@dataclass(frozen=True, slots=True)
class EwmaSignal:
    """The average is beyond its limit from the first to the last point; side 1 is above, -1 below.

    since: the first point from which the average stayed on that side of 0: there the change likely began.
    """

    first: int
    last: int
    side: int
    since: int


@dataclass(frozen=True, slots=True)
class Ewma:
    """The chart. p_value: chance that a series in control, as long, strays as far anywhere; None without points."""

    design: EwmaDesign
    points: tuple[EwmaPoint, ...]
    signals: tuple[EwmaSignal, ...]
    p_value: float | None
    reason: str | None = None


def ewma(z: Sequence[float], *, design: EwmaDesign | None = None, indices: Sequence[int] | None = None) -> Ewma:
    """The average of z scores in time order, and where it signals. indices: names of the points, else 0, 1, 2, ..."""
    tuned = design or tuned_to()
    names = range(len(z)) if indices is None else indices
    points, average = [], 0.0
    for name, value, sigma in zip(names, z, _sigmas(tuned.weight), strict=False):
        average = tuned.weight * value + (1 - tuned.weight) * average
        points.append(EwmaPoint(name, average, tuned.limit_sigmas * sigma))
    if not points:
        return Ewma(tuned, (), (), None, reason=sentence("no points"))
    farthest = max(abs(point.average) / point.limit for point in points) * tuned.limit_sigmas
    return Ewma(tuned, tuple(points), _signals(points), signal_probability(farthest, tuned.weight, len(points)))


def chart_ewma(chart: Chart, *, design: EwmaDesign | None = None) -> Ewma:
    """The average over the points of a p or p' chart, as normal scores in the sigmas of that chart.

    Scores, since plain z scores of few failures are so skewed that false signals come up to ten times as often.
    """
    if chart.centre is None or not chart.sigma_z:
        return Ewma(design or tuned_to(), (), (), None, reason=chart.reason or sentence("no variation to measure by"))
    inflation = chart.sigma_z**2
    scores = [normal_score(point.x / inflation, point.n / inflation, chart.centre) for point in chart.points]
    return ewma(scores, design=design, indices=[point.index for point in chart.points])


@lru_cache(maxsize=64)
def tuned_to(run_length: float = RUN_LENGTH, weight: float = WEIGHT) -> EwmaDesign:
    """The narrowest limits, to a thousandth, that in control give on average at least so many points to a signal."""
    from scipy.optimize import brentq

    if not (0.05 <= weight <= 1 and 10 <= run_length <= 1e5):
        raise ValueError(f"weight {weight} must be from 0.05 to 1, run length {run_length} from 10 to 100,000")
    exact = brentq(lambda limit: math.log(average_run_length(limit, weight) / run_length), 0.1, 5.0, xtol=1e-6)
    limit = math.ceil(float(exact) * 1000) / 1000
    return EwmaDesign(weight, limit, average_run_length(limit, weight))


@lru_cache(maxsize=256)
def average_run_length(limit_sigmas: float, weight: float, shift: float = 0.0) -> float:
    """Mean number of points until the first signal, from the start; shift: of the mean, in sigmas of a point."""
    survivals = _survivals(limit_sigmas, weight, shift)
    ahead = next(survivals)
    total = 1 + ahead.probability
    while not ahead.steady:
        ahead = next(survivals)
        total += ahead.probability
    return total + float(ahead.density @ (_steady_run_length(limit_sigmas, weight, shift) - 1))


@lru_cache(maxsize=256)
def steady_limit_run_length(limit_sigmas: float, weight: float, shift: float = 0.0) -> float:
    """The same for limits that are as wide at the start as later: what most published tables give."""
    reach = limit_sigmas * math.sqrt(weight / (2 - weight))
    nodes, weights = _nodes(reach)
    lengths = _steady_run_length(limit_sigmas, weight, shift)
    kernel = _density((nodes - 0.0) / weight - shift) / weight
    return 1 + float((kernel * weights) @ lengths)


def signal_probability(limit_sigmas: float, weight: float, points: int) -> float:
    """Chance that a series in control of so many points passes such limits anywhere; at most 6 are looked at."""
    # Wider than that the kernel would fall between the nodes
    limit_sigmas = min(limit_sigmas, WIDEST)
    if points < 1 or limit_sigmas <= GUARD:
        return 1.0 if points else 0.0
    probability = 1.0
    for step, ahead in enumerate(_survivals(limit_sigmas, weight, 0.0), start=1):
        probability = ahead.probability
        if step == points:
            break
        if ahead.steady:
            probability = _after_steady(ahead.density, limit_sigmas, weight, points - step)
            break
    return min(1.0, max(0.0, 1 - probability))


@dataclass(frozen=True, slots=True)
class _Survival:
    """Chance to have come so far without a signal, as masses on the nodes of the newest limits."""

    density: Vector
    probability: float
    steady: bool


def _survivals(limit_sigmas: float, weight: float, shift: float) -> Iterator[_Survival]:
    masses: Vector = np.ones(1)
    places: Vector = np.zeros(1)
    for step, sigma in enumerate(_sigmas(weight), start=1):
        nodes, weights = _nodes(limit_sigmas * sigma)
        masses, places = masses @ _kernel(places, nodes, weight, shift) * weights, nodes
        steady = (1 - weight) ** (2 * step) < STEADY
        yield _Survival(masses, _first_step(limit_sigmas, shift) if step == 1 else float(masses.sum()), steady)


def _first_step(limit_sigmas: float, shift: float) -> float:
    """The first average is one normal value: its chance in closed form."""
    from scipy.special import ndtr

    return float(ndtr(limit_sigmas - shift) - ndtr(-limit_sigmas - shift))


def _after_steady(masses: Vector, limit_sigmas: float, weight: float, points: int) -> float:
    nodes, weights = _nodes(limit_sigmas * math.sqrt(weight / (2 - weight)))
    step = _kernel(nodes, nodes, weight, 0.0) * weights
    return float((masses @ np.linalg.matrix_power(step, points)).sum())


@lru_cache(maxsize=64)
def _steady_run_length(limit_sigmas: float, weight: float, shift: float) -> Vector:
    """Mean number of points to a signal from each node, with steady limits."""
    nodes, weights = _nodes(limit_sigmas * math.sqrt(weight / (2 - weight)))
    step = _kernel(nodes, nodes, weight, shift) * weights
    return np.linalg.solve(np.eye(NODES) - step, np.ones(NODES))


def _kernel(places: Vector, nodes: Vector, weight: float, shift: float) -> Vector:
    """Density of the next average at the nodes, from each place."""
    return _density((nodes[None, :] - (1 - weight) * places[:, None]) / weight - shift) / weight


def _density(values: Vector) -> Vector:
    return np.exp(-values * values / 2) / math.sqrt(2 * math.pi)


@lru_cache(maxsize=1)
def _legendre() -> tuple[Vector, Vector]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def _nodes(reach: float) -> tuple[Vector, Vector]:
    nodes, weights = _legendre()
    return nodes * reach, weights * reach


def _sigmas(weight: float) -> Iterator[float]:
    """Sigma of the average after 1, 2, 3, ... points."""
    left = 1.0
    while True:
        left *= (1 - weight) ** 2
        yield math.sqrt(weight / (2 - weight) * (1 - left))


def _signals(points: Sequence[EwmaPoint]) -> tuple[EwmaSignal, ...]:
    found: list[EwmaSignal] = []
    since, side_before, open_signal = 0, 0, False
    for point in points:
        side = 1 if point.average > 0 else -1
        if side != side_before:
            since, open_signal = point.index, False
        if not point.signals:
            open_signal = False
        elif open_signal:
            found[-1] = EwmaSignal(found[-1].first, point.index, side, found[-1].since)
        else:
            found.append(EwmaSignal(point.index, point.index, side, since))
            open_signal = True
        side_before = side
    return tuple(found)
