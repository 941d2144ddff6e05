"""Sizes against their tolerance: how far off on average, and how well the spread fits within."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from scipy import special

from worker.stats.proportions import normal_quantile, quantile

NO_VALUES: Final = "no values"
ONE_VALUE: Final = "one value: its spread is not known"
ALL_ALIKE: Final = "all values are alike: their spread is not known"
TOO_FEW: Final = "too few independent values: their spread is not known"
NO_TOLERANCE: Final = "no tolerance given"

#: Deviations are differences of sizes: so far apart they are the same, in any unit that a size is told in.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Deviations:
    """n deviations from nominal, their mean and their standard deviation (over n - 1; None below two values).

    `effective_n` independent ones would tell as much: n over the design effect of values of one plate, at least 1.
    `alike`: they are all the same value, but for rounding.
    """

    n: int
    mean: float | None
    deviation: float | None
    effective_n: float
    alike: bool = False

    @classmethod
    def of(cls, values: Iterable[float], *, design_effect: float = 1.0) -> Deviations:
        """Of values in any one unit and any order."""
        ordered = sorted(values)
        n = len(ordered)
        if not n:
            return cls(0, None, None, 0.0)
        mean = min(max(math.fsum(ordered) / n, ordered[0]), ordered[-1])
        squares = math.fsum((value - mean) ** 2 for value in ordered)
        deviation = math.sqrt(squares / (n - 1)) if n > 1 else None
        return cls(n, mean, deviation, n / max(1.0, design_effect), n > 1 and ordered[-1] - ordered[0] <= _ROUNDING)

    @property
    def reason(self) -> str | None:
        """Why nothing can be said of their spread; None when it can."""
        if self.n < 2:
            return ONE_VALUE if self.n else NO_VALUES
        if self.alike or not self.deviation:
            return ALL_ALIKE
        # Below two the degrees of freedom would fall below one
        return TOO_FEW if self.effective_n < 2 - 1e-12 else None


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
    """Two-sided interval of the mean by Student's t, with `effective_n` - 1 degrees of freedom.

    Student (1908), Biometrika 6, 1-25.
    """
    if values.reason or values.mean is None or values.deviation is None:
        return MeanDeviation(values.mean, None, None, values.reason)
    half = quantile(confidence, values.effective_n - 1) * values.deviation / math.sqrt(values.effective_n)
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
    n, degrees = values.effective_n, values.effective_n - 1
    pp = tolerance / (3 * values.deviation)
    tail = (1 - confidence) / 2
    least, most = (math.sqrt(float(special.chdtri(degrees, upper)) / degrees) for upper in (1 - tail, tail))
    ppk = (tolerance - abs(values.mean)) / (3 * values.deviation)
    half = normal_quantile(confidence) * math.sqrt(1 / (9 * n) + ppk * ppk / (2 * degrees))
    return Performance(Index(pp, pp * least, pp * most), Index(ppk, ppk - half, ppk + half), None)
