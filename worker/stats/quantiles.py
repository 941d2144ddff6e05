"""Percentiles of values."""

from __future__ import annotations

import math
from collections.abc import Iterable


def quantile_of(values: Iterable[float], share: float) -> float | None:
    """The value below which this share (0-1) of them lies; None without values. Half is the median.

    Between two values it lies in proportion: type 7 of Hyndman RJ, Fan Y (1996), American Statistician 50, 361-365.
    """
    ordered = sorted(values)
    if not ordered:
        return None
    place = (len(ordered) - 1) * share
    below = min(math.floor(place + 1e-12), len(ordered) - 1)
    above = min(below + 1, len(ordered) - 1)
    part = max(0.0, place - below)
    between = ordered[below] + (ordered[above] - ordered[below]) * part
    return float(min(max(between, ordered[below]), ordered[above]))
