"""Sizes against their tolerance: how far off on average, why, and how well the spread fits within."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from worker.sentences import sentence
from worker.stats.lognormal import ClusterLogs, log_correlation
from worker.stats.proportions import normal_quantile, quantile

NO_VALUES: Final = sentence("no values")
ONE_VALUE: Final = sentence("one value: its spread is not known")
ALL_ALIKE: Final = sentence("all values are alike: their spread is not known")
TOO_FEW: Final = sentence("too few independent values: their spread is not known")
NO_TOLERANCE: Final = sentence("no tolerance given")
GAUGE_STEP: Final = sentence("all values are alike: half a step of the gauge is taken for their spread")
ONE_LENGTH: Final = sentence("no scale to be seen: all sizes of a side are of one length, and there are no distances")
ONE_PLATE: Final = sentence("one plate brings nearly all of what there is to see of a scale")

#: Deviations are differences of sizes: so far apart they are the same, in any unit that a size is told in.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Deviations:
    """n deviations from nominal, their mean and their standard deviation (over n - 1; None below two values).

    `effective_n` independent ones would tell as much: n over the design effect of values of one plate, at least 1.
    `alike`: they are all the same value, but for rounding; `least_spread`, if above 0, is then the standard deviation
    that their mean is known by. `degrees` of freedom are those of the mean.
    """

    n: int
    mean: float | None
    deviation: float | None
    effective_n: float
    alike: bool = False
    most_degrees: float = math.inf
    least_spread: float = 0.0

    @classmethod
    def of(
        cls,
        values: Iterable[float],
        *,
        design_effect: float = 1.0,
        clusters: int | None = None,
        least_spread: float = 0.0,
    ) -> Deviations:
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
            least_spread,
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
    """A mean with its interval; where the limits are None, `reason` says why.

    `error` is its standard error, `degrees` of freedom those by which that is known; both None without limits.
    """

    mean: float | None
    low: float | None
    high: float | None
    reason: str | None
    error: float | None = None
    degrees: float | None = None

    @property
    def p_value(self) -> float | None:
        """Chance of a mean as far from 0, were the truth 0; two-sided. None where it is not known."""
        from scipy import special

        if self.mean is None or not self.error or self.degrees is None:
            return None
        return min(1.0, 2 * float(special.stdtr(self.degrees, -abs(self.mean) / self.error)))

    @property
    def excludes_zero(self) -> bool:
        """The values are off by more than chance explains."""
        return self.low is not None and self.high is not None and (self.low > 1e-12 or self.high < -1e-12)


def mean_deviation(values: Deviations, *, confidence: float) -> MeanDeviation:
    """Two-sided interval of the mean by Student's t, of effective values.

    Student (1908), Biometrika 6, 1-25.
    """
    deviation, reason = values.deviation, values.reason
    if reason == ALL_ALIKE and values.least_spread and values.degrees >= 1:
        deviation, reason = values.least_spread, GAUGE_STEP
    elif reason:
        deviation = None
    if values.mean is None or deviation is None:
        return MeanDeviation(values.mean, None, None, reason)
    error = deviation / math.sqrt(values.effective_n)
    return _interval(values.mean, error, values.degrees, confidence=confidence, reason=reason)


def _interval(
    mean: float, error: float, degrees: float, *, confidence: float, reason: str | None = None
) -> MeanDeviation:
    half = quantile(confidence, degrees) * error
    return MeanDeviation(mean, mean - half, mean + half, reason, error, degrees)


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
    from scipy import special

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


# --- offset and scale -------------------------------------------------------------------------------------------


class Size(NamedTuple):
    """A size measured: `side` 1 for an outside, -1 for an inside one, 0 for a distance; length and deviation, any unit.

    A kerf that is narrower than the path allows for leaves outside sizes too large and inside ones too small. `cluster`
    is the plate that it is of; None: no other size is of it.
    """

    side: int
    length: float
    deviation: float
    cluster: Hashable = None


#: So many plates, by how much each brings, must tell of a scale: of two, one may bring up to four fifths of it.
_LEAST_BRINGING: Final = 1.47


def scale_of(sizes: Iterable[Size], *, confidence: float) -> MeanDeviation:
    """By how much deviations grow with the length: the slope within each side, and that of distances through 0.

    Not from one side to the other: outside sizes are long and holes small, so that whatever the sides differ by would
    pass for a scale. A distance has no kerf in it and a scale moves no point, so that distances go through 0. Least
    squares; interval by Student's t. Its error is that of independent values, and no less than the plates themselves
    show (Liang KY, Zeger SL (1986), Biometrika 73, 13-22); degrees of freedom are at most the plates that tell of it,
    less one.
    """
    # Sums are exact, so that the order does not matter
    measured = list(sizes)
    if not measured:
        return MeanDeviation(None, None, None, NO_VALUES)
    centred = _centred(measured)
    squares = math.fsum(length * length for length, _, _ in centred)
    if squares <= 1e-9 * math.fsum(size.length**2 for size in measured):
        return MeanDeviation(None, None, None, ONE_LENGTH)
    slope = math.fsum(length * deviation for length, deviation, _ in centred) / squares
    left = [(length, deviation - slope * length, cluster) for length, deviation, cluster in centred]
    free = len(measured) - 1 - len({size.side for size in measured if size.side})
    if free < 1:
        return MeanDeviation(slope, None, None, TOO_FEW)
    if max(abs(rest) for _, rest, _ in left) <= _ROUNDING:
        return MeanDeviation(slope, None, None, ALL_ALIKE)
    variance = math.fsum(rest * rest for _, rest, _ in left) / free / squares
    plates = _plates(left)
    bringing = squares**2 / math.fsum(brought**2 for brought, _ in plates)
    if bringing < _LEAST_BRINGING:
        return MeanDeviation(slope, None, None, ONE_PLATE)
    if len(plates) == len(left):
        return _interval(slope, math.sqrt(variance), free, confidence=confidence)
    shown = math.fsum(score**2 for _, score in plates) / squares**2 * len(plates) / (len(plates) - 1)
    degrees = max(1.0, min(free, bringing - 1))
    return _interval(slope, math.sqrt(max(variance, shown)), degrees, confidence=confidence)


def _centred(sizes: Sequence[Size]) -> list[tuple[float, float, Hashable]]:
    """(length, deviation, plate) of each size, the first two less their mean on its side; of distances as they are."""
    found: list[tuple[float, float, Hashable]] = []
    for side in (1, -1, 0):
        mine = [size for size in sizes if size.side == side]
        n = len(mine) if side else 0
        length = math.fsum(size.length for size in mine) / n if n else 0.0
        deviation = math.fsum(size.deviation for size in mine) / n if n else 0.0
        found += [(size.length - length, size.deviation - deviation, size.cluster) for size in mine]
    return found


def _plates(left: Sequence[tuple[float, float, Hashable]]) -> list[tuple[float, float]]:
    """(squares of length, sum of length x rest) of each plate."""
    of_plates: dict[Hashable, list[tuple[float, float]]] = defaultdict(list)
    for place, (length, rest, cluster) in enumerate(left):
        of_plates[(place,) if cluster is None else cluster].append((length, rest))
    return [
        (math.fsum(length * length for length, _ in plate), math.fsum(length * rest for length, rest in plate))
        for plate in of_plates.values()
    ]


@dataclass(frozen=True, slots=True)
class Offset:
    """By how much a kerf makes outside sizes too large and inside ones too small, as its own sizes tell it.

    `without` is its mean deviation with its error, the scale taken off; `bears` times the scale was taken off. `shares`
    are what each plate moves the mean by.
    """

    without: MeanDeviation
    bears: float
    scale: MeanDeviation | None
    found: MeanDeviation
    shares: Mapping[Hashable, float]


def offset_of(
    sizes: Iterable[Size],
    *,
    scale: MeanDeviation | None,
    confidence: float,
    design_effect: float = 1.0,
    clusters: int | None = None,
    least_spread: float = 0.0,
) -> Offset:
    """Of sizes of one side, or of both where they agree; scale: one that was told from 0, and is taken off.

    Lengths and deviations are turned to that of an outside size. The scale was found within the sides, so that its
    error and that of the mean are independent, and add; degrees of freedom by Satterthwaite FE (1946), Biometrics
    Bulletin 2, 110-114. The others as in `Deviations`.
    """
    sided = [size for size in sizes if size.side]
    slope = 0.0 if scale is None or scale.mean is None else scale.mean
    turned = [(size.cluster, size.side * (size.deviation - slope * size.length)) for size in sided]
    values = Deviations.of(
        (value for _, value in turned),
        design_effect=design_effect,
        clusters=clusters,
        least_spread=least_spread,
    )
    without = mean_deviation(values, confidence=confidence)
    bears = math.fsum(size.side * size.length for size in sided) / len(sided) if sided else 0.0
    shares = _shares(turned, values.mean or 0.0)
    without = _no_less_than(without, shares.values(), confidence=confidence)
    found = without
    if without.mean is not None and without.error is not None and scale is not None:
        found = _with_scale(without.mean, [without], bears, scale, confidence=confidence, reason=without.reason)
    return Offset(without, bears, scale, found, shares)


def _no_less_than(known: MeanDeviation, shares: Collection[float], *, confidence: float) -> MeanDeviation:
    """A mean with the error that the plates show, by what each of them moves it, where that is the larger one."""
    n = len(shares)
    if known.mean is None or known.error is None or n < 2:
        return known
    shown = math.sqrt(math.fsum(share * share for share in shares) * n / (n - 1))
    if shown <= known.error:
        return known
    return _interval(known.mean, shown, min(n - 1, known.degrees or 1.0), confidence=confidence, reason=known.reason)


def _shares(turned: Sequence[tuple[Hashable, float]], mean: float) -> dict[Hashable, float]:
    of_plates: dict[Hashable, list[float]] = defaultdict(list)
    for place, (cluster, value) in enumerate(turned):
        of_plates[(place,) if cluster is None else cluster].append(value - mean)
    return {cluster: math.fsum(values) / len(turned) for cluster, values in of_plates.items()}


def difference_of(outside: Offset, inside: Offset, *, confidence: float) -> MeanDeviation:
    """Offset of the outside sizes less that of the inside ones, which no kerf makes.

    Errors add as in `offset_of`; but a plate that is off on both sides alike widens both and their difference, so that
    its error is no less than the plates show, as in `scale_of`.
    """
    first, second = outside.without, inside.without
    if first.mean is None or second.mean is None:
        return MeanDeviation(None, None, None, first.reason or second.reason)
    mean = first.mean - second.mean
    reason = first.reason or second.reason
    if first.error is None or second.error is None:
        return MeanDeviation(mean, None, None, reason)
    apart = _with_scale(mean, [first, second], 0.0, None, confidence=confidence, reason=reason)
    plates = outside.shares.keys() | inside.shares.keys()
    moved = [outside.shares.get(plate, 0.0) - inside.shares.get(plate, 0.0) for plate in plates]
    apart = _no_less_than(apart, moved, confidence=confidence)
    bears = outside.bears - inside.bears
    return _with_scale(mean, [apart], bears, outside.scale, confidence=confidence, reason=reason)


def _with_scale(
    mean: float,
    parts: Sequence[MeanDeviation],
    bears: float,
    scale: MeanDeviation | None,
    *,
    confidence: float,
    reason: str | None,
) -> MeanDeviation:
    """A mean whose error is that of its parts and, so many times, that of the scale."""
    errors = [(part.error, part.degrees) for part in parts]
    if scale is not None and scale.error is not None:
        errors.append((bears * scale.error, scale.degrees))
    known = [(error * error, degrees) for error, degrees in errors if error is not None and degrees is not None]
    variance = math.fsum(part for part, _ in known)
    degrees = variance**2 / math.fsum(part**2 / degrees for part, degrees in known)
    return _interval(mean, math.sqrt(variance), max(1.0, degrees), confidence=confidence, reason=reason)
