"""What was measured: each figure beside its floor or counterpart, and what is wanted of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Final

SECONDS: Final = "s"
MILLISECONDS: Final = "ms"
A_SECOND: Final = "/s"
MEGABYTES: Final = "MB"
BYTES: Final = "B"
MEGA: Final = 1_000_000


@dataclass(frozen=True)
class Figure:
    """One figure. `beside` says what its counterpart is, whose unit is the same.

    `below`, `above`: the figure must be less, or more, than this; `ratio_below`, `ratio_above`: its ratio to the
    counterpart must.
    """

    measure: str
    name: str
    value: float
    unit: str
    beside: str = ""
    counterpart: float | None = None
    below: float | None = None
    ratio_below: float | None = None
    above: float | None = None
    ratio_above: float | None = None

    @property
    def ratio(self) -> float | None:
        """The figure over its counterpart."""
        return self.value / self.counterpart if self.counterpart else None

    @property
    def met(self) -> bool | None:
        """True when the figure is as wanted; None when nothing is wanted of it."""
        most = [(self.value, self.below), (self.ratio, self.ratio_below)]
        least = [(self.value, self.above), (self.ratio, self.ratio_above)]
        judged = [found < limit for found, limit in most if found is not None and limit is not None]
        judged += [found > limit for found, limit in least if found is not None and limit is not None]
        return all(judged) if judged else None

    def plain(self) -> dict[str, Any]:
        """As JSON takes it."""
        return {
            "measure": self.measure,
            "figure": self.name,
            "value": self.value,
            "unit": self.unit,
            "beside": self.beside or None,
            "counterpart": self.counterpart,
            "ratio": self.ratio,
            "below": self.below,
            "ratio_below": self.ratio_below,
            "above": self.above,
            "ratio_above": self.ratio_above,
            "met": self.met,
        }


def percentile(values: Iterable[float], share: float) -> float:
    """The smallest value that at least this share (0-1) of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def in_ms(seconds: float) -> float:
    """Milliseconds of seconds."""
    return seconds * 1_000


def spread(
    measure: str, name: str, seconds: Sequence[float], *, beside: str, counterparts: Sequence[float], below: float
) -> list[Figure]:
    """p50, p90, p99 and max in ms of times in seconds, beside the same of others; `below` is wanted of the p99."""
    figures = []
    for label, share in (("p50", 0.5), ("p90", 0.9), ("p99", 0.99), ("max", 1.0)):
        value, counterpart = (in_ms(percentile(times, share)) for times in (seconds, counterparts))
        wanted = below if label == "p99" else None
        figures.append(
            Figure(measure, f"{name}, {label}", value, MILLISECONDS, f"{beside}, {label}", counterpart, below=wanted)
        )
    return figures


def rate(count: int, seconds: Sequence[float]) -> float:
    """Things a second: `count` of them in the median of the repeats."""
    return count / median(seconds)
