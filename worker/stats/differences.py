"""The difference of two shares."""

from __future__ import annotations

import math
from dataclasses import dataclass

from worker.stats.clustering import NOTHING_JUDGED, Effective, estimate, joint_reason


@dataclass(frozen=True, slots=True)
class Difference:
    """First share less second, in [-1, 1]; all three are None, with the reason, when one has nothing judged."""

    difference: float | None
    low: float | None
    high: float | None
    reason: str | None = None

    @property
    def excludes_zero(self) -> bool:
        """The interval lies on one side of no difference."""
        return self.low is not None and self.high is not None and (self.low > 1e-12 or self.high < -1e-12)


def newcombe(first: Effective, second: Effective, *, confidence: float) -> Difference:
    """Difference of two shares with its hybrid score interval, on effective counts.

    Each share's Wilson limits, with its own design effect and degrees of freedom, are squared and added. Newcombe RG
    (1998), Statistics in Medicine 17, 873-890, method 10.
    """
    one, other = estimate(first, confidence=confidence), estimate(second, confidence=confidence)
    if one.share is None or one.low is None or one.high is None:
        return Difference(None, None, None, NOTHING_JUDGED)
    if other.share is None or other.low is None or other.high is None:
        return Difference(None, None, None, NOTHING_JUDGED)
    difference = one.share - other.share
    low = difference - math.hypot(one.share - one.low, other.high - other.share)
    high = difference + math.hypot(one.high - one.share, other.share - other.low)
    return Difference(difference, max(-1.0, low), min(1.0, high), joint_reason((first, second)))
