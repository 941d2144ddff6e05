"""Sizes against their tolerance: how far off on average, why, and how well the spread fits within."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from scipy import special

from worker.stats.lognormal import ClusterLogs, log_correlation
from worker.stats.proportions import normal_quantile, quantile

NO_VALUES: Final = "no values"
ONE_VALUE: Final = "one value: its spread is not known"
ALL_ALIKE: Final = "all values are alike: their spread is not known"
TOO_FEW: Final = "too few independent values: their spread is not known"
NO_TOLERANCE: Final = "no tolerance given"
NOT_APART: Final = "offset and scale cannot be told apart: all sizes are of one length and side"
NO_SIDE: Final = "no size has a kerf in it: there is no offset to be seen"

#: Deviations are differences of sizes: so far apart they are the same, in any unit that a size is told in.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Deviations:
    """n deviations from nominal, their mean and their standard deviation (over n - 1; None below two values).

    `effective_n` independent ones would tell as much: n over the design effect of values of one plate, at least 1.
    `alike`: they are all the same value, but for rounding. `degrees` of freedom are those of the mean.
    """

    n: int
    mean: float | None
    deviation: float | None
    effective_n: float
    alike: bool = False
    most_degrees: float = math.inf

    @classmethod
    def of(cls, values: Iterable[float], *, design_effect: float = 1.0, clusters: int | None = None) -> Deviations:
        """Of values in any one unit and any order. clusters: plates that they are of, where these make a difference."""
        ordered = sorted(values)
        n = len(ordered)
        if not n:
            return cls(0, None, None, 0.0)
        mean = min(max(math.fsum(ordered) / n, ordered[0]), ordered[-1])
        squares = math.fsum((value - mean) ** 2 for value in ordered)
        deviation = math.sqrt(squares / (n - 1)) if n > 1 else None
        return cls(
            n,
            mean,
            deviation,
            n / max(1.0, design_effect),
            n > 1 and ordered[-1] - ordered[0] <= _ROUNDING,
            degrees_between(design_effect, clusters),
        )

    @property
    def degrees(self) -> float:
        """Degrees of freedom of the mean: effective values less one, at most those between the plates."""
        return min(self.effective_n - 1, self.most_degrees)

    @property
    def reason(self) -> str | None:
        """Why nothing can be said of their spread; None when it can."""
        if self.n < 2:
            return ONE_VALUE if self.n else NO_VALUES
        if self.alike or not self.deviation:
            return ALL_ALIKE
        # Below two the degrees of freedom would fall below one
        return TOO_FEW if self.degrees < 1 - 1e-12 else None


def degrees_between(design_effect: float, clusters: int | None) -> float:
    """Degrees of freedom between plates, where values of one plate are alike; else they set no limit."""
    return math.inf if clusters is None or design_effect <= 1 else float(clusters - 1)


def value_correlation(groups: Iterable[Iterable[Collection[float]]]) -> float | None:
    """Intra-cluster correlation of values, within the groups, in [-1, 1]; a group is the values of its clusters.

    By the analysis of variance of `log_correlation`, of the values as they are; None where it is not defined. Any order
    gives the same.
    """
    return log_correlation([[_spread(values) for values in clusters if values] for clusters in groups])


def _spread(values: Collection[float]) -> ClusterLogs:
    mean = math.fsum(values) / len(values)
    return ClusterLogs(len(values), mean, math.fsum((value - mean) ** 2 for value in values))


@dataclass(frozen=True, slots=True)
class MeanDeviation:
    """A mean with its interval; where the limits are None, `reason` says why."""

    mean: float | None
    low: float | None
    high: float | None
    reason: str | None

    @property
    def excludes_zero(self) -> bool:
        """The values are off by more than chance explains."""
        return self.low is not None and self.high is not None and (self.low > 1e-12 or self.high < -1e-12)


def mean_deviation(values: Deviations, *, confidence: float) -> MeanDeviation:
    """Two-sided interval of the mean by Student's t, of effective values.

    Student (1908), Biometrika 6, 1-25.
    """
    if values.reason or values.mean is None or values.deviation is None:
        return MeanDeviation(values.mean, None, None, values.reason)
    half = quantile(confidence, values.degrees) * values.deviation / math.sqrt(values.effective_n)
    return MeanDeviation(values.mean, values.mean - half, values.mean + half, None)


@dataclass(frozen=True, slots=True)
class Index:
    """An index of performance with its two-sided interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Performance:
    """Pp: tolerance over spread; Ppk: room to the nearer limit over half the spread. Both None with a `reason`."""

    pp: Index | None
    ppk: Index | None
    reason: str | None


def performance(values: Deviations, *, tolerance: float | None, confidence: float) -> Performance:
    """How well deviations from nominal fit within plus and minus a tolerance in their unit.

    Spread is six standard deviations of all values, which holds drifts too: hence Pp and Ppk, not Cp and Cpk. Ppk is
    below 0 when the mean lies outside. The interval of Pp is that of a standard deviation, by chi square; that of Ppk
    is Bissell AF (1990), How reliable is your capability index?, Applied Statistics 39, 331-340. Both take the values
    for normal.
    """
    if tolerance is None or tolerance <= 0:
        return Performance(None, None, NO_TOLERANCE)
    if values.reason or values.mean is None or values.deviation is None:
        return Performance(None, None, values.reason)
    n, degrees = values.effective_n, values.degrees
    pp = tolerance / (3 * values.deviation)
    tail = (1 - confidence) / 2
    least, most = (math.sqrt(float(special.chdtri(degrees, upper)) / degrees) for upper in (1 - tail, tail))
    ppk = (tolerance - abs(values.mean)) / (3 * values.deviation)
    half = normal_quantile(confidence) * math.sqrt(1 / (9 * n) + ppk * ppk / (2 * degrees))
    return Performance(Index(pp, pp * least, pp * most), Index(ppk, ppk - half, ppk + half), None)


@dataclass(frozen=True, slots=True)
class Size:
    """A size measured: `side` 1 for an outside, -1 for an inside one, 0 for a distance; length and deviation, any unit.

    A kerf that is narrower than the path allows for leaves outside sizes too large and inside ones too small.
    """

    side: int
    length: float
    deviation: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Deviation = side x offset + length x scale, each with its interval; `together`: the offset beside the scale.

    Where the scale is not told from 0 the offset is that of the sizes as they are.
    """

    offset: MeanDeviation
    scale: MeanDeviation
    together: bool


def offset_and_scale(
    sizes: Iterable[Size], *, confidence: float, design_effect: float = 1.0, clusters: int | None = None
) -> Fit:
    """What of the deviations is the kerf's, the same at any length, and what grows with the length.

    Least squares through 0, since a kerf is the same to both sides and a scale moves no point. Intervals by Student's
    t; design_effect and clusters as in `Deviations`: values of a plate are alike, which makes both less certain.
    """
    ordered = sorted(sizes, key=lambda size: (size.side, size.length, size.deviation))
    design_effect = max(1.0, design_effect)
    most = degrees_between(design_effect, clusters)
    with_side = [size for size in ordered if size.side]
    if not with_side:
        offset = MeanDeviation(None, None, None, NO_SIDE if ordered else NO_VALUES)
        return Fit(offset, _scale(ordered, design_effect, most, confidence=confidence), together=False)
    offset, scale = _offset_and_scale(ordered, design_effect, most, confidence=confidence)
    if scale.excludes_zero:
        return Fit(offset, scale, together=True)
    alone = Deviations.of(
        (size.side * size.deviation for size in with_side), design_effect=design_effect, clusters=clusters
    )
    return Fit(mean_deviation(alone, confidence=confidence), scale, together=False)


def _scale(sizes: Sequence[Size], design_effect: float, most_degrees: float, *, confidence: float) -> MeanDeviation:
    """Of sizes without a side: deviation = length x scale."""
    squares = math.fsum(size.length**2 for size in sizes)
    if not squares:
        return MeanDeviation(None, None, None, NO_VALUES)
    scale = math.fsum(size.length * size.deviation for size in sizes) / squares
    left = [size.deviation - scale * size.length for size in sizes]
    error = _error(left, design_effect, most_degrees, fitted=1, confidence=confidence)
    return _interval(scale, error, math.sqrt(1 / squares))


def _offset_and_scale(
    sizes: Sequence[Size], design_effect: float, most_degrees: float, *, confidence: float
) -> tuple[MeanDeviation, MeanDeviation]:
    """Of sizes some of which have a side: deviation = side x offset + length x scale."""
    sides = math.fsum(size.side**2 for size in sizes)
    mixed = math.fsum(size.side * size.length for size in sizes)
    lengths = math.fsum(size.length**2 for size in sizes)
    determinant = sides * lengths - mixed * mixed
    if determinant <= 1e-9 * sides * lengths:
        unknown = MeanDeviation(None, None, None, NOT_APART)
        return unknown, unknown
    by_side = math.fsum(size.side * size.deviation for size in sizes)
    by_length = math.fsum(size.length * size.deviation for size in sizes)
    offset = (lengths * by_side - mixed * by_length) / determinant
    scale = (sides * by_length - mixed * by_side) / determinant
    left = [size.deviation - offset * size.side - scale * size.length for size in sizes]
    error = _error(left, design_effect, most_degrees, fitted=2, confidence=confidence)
    return (
        _interval(offset, error, math.sqrt(lengths / determinant)),
        _interval(scale, error, math.sqrt(sides / determinant)),
    )


def _error(
    left: Sequence[float], design_effect: float, most_degrees: float, *, fitted: int, confidence: float
) -> float | str:
    """Half the interval of a fitted value, but for its own factor; or the reason why it is not known."""
    free = len(left) - fitted
    degrees = min(len(left) / design_effect - fitted, most_degrees)
    if free < 1 or degrees < 1 - 1e-12:
        return TOO_FEW
    if max(map(abs, left)) <= _ROUNDING:
        return ALL_ALIKE
    variance = math.fsum(one * one for one in left) / free
    return quantile(confidence, degrees) * math.sqrt(variance * design_effect)


def _interval(value: float, error: float | str, factor: float) -> MeanDeviation:
    if isinstance(error, str):
        return MeanDeviation(value, None, None, error)
    return MeanDeviation(value, value - error * factor, value + error * factor, None)
