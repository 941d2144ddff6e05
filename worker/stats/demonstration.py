"""What a number of good parts proves of a reliability, and how many more would prove it.

Reliability is a share of good parts, confidence the chance not to claim it wrongly: 29 good of 29 prove a reliability
of 90 % at a confidence of 95 %, the other way round it takes 45. So they are told by name, never as a pair.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from worker.sentences import sentence
from worker.stats.clustering import INDEPENDENCE_ASSUMED, NOTHING_JUDGED, Effective
from worker.stats.proportions import exact_bound
from worker.stats.tails import at_most

#: Of a probability: so far beyond a bound it is still at it.
GUARD: Final = 1e-12
MOST_TRIALS: Final = 1_000_000
TOO_MANY: Final = sentence("it takes more parts than anyone will cut")


@dataclass(frozen=True, slots=True)
class Bounds:
    """Exact one-sided bounds of a share of good parts, each with the whole confidence on its side.

    `n` independent parts are what they rest on. Both are None when nothing was judged.
    """

    lower: float | None
    upper: float | None
    n: float
    reason: str | None


def one_sided(counts: Effective, *, confidence: float) -> Bounds:
    """Bounds of the share of good parts (x) among those judged (n), 0 <= x <= n, real numbers.

    Where the design effect is estimated from few clusters, n shrinks by the squared ratio of the normal quantile to
    Student's t: Korn EL, Graubard BI (1998), Survey Methodology 24, 193-201. Where independence is assumed nothing was
    estimated and nothing shrinks; the reason says that it was assumed.
    """
    if counts.n <= 0:
        return Bounds(None, None, 0.0, NOTHING_JUDGED)
    shrunk = _for_few_clusters(counts, confidence=confidence)
    x, n = min(counts.x, counts.n) * shrunk, counts.n * shrunk
    lower, upper = (exact_bound(x, n, side=side, confidence=confidence) for side in ("lower", "upper"))
    return Bounds(lower, upper, n, counts.reason)


def _for_few_clusters(counts: Effective, *, confidence: float) -> float:
    """What is left of one effective part when its design effect is not known well; at most 1."""
    from scipy import special

    if counts.degrees is None or counts.reason == INDEPENDENCE_ASSUMED or confidence <= 0.5:
        return 1.0
    ratio = float(special.ndtri(confidence)) / float(special.stdtrit(counts.degrees, confidence))
    return min(1.0, ratio * ratio)


def _demonstrates(failures: float, n: float, *, reliability: float, confidence: float) -> bool:
    """So few failures would hardly come at a worse reliability."""
    return at_most(failures, n, 1 - reliability) <= 1 - confidence + GUARD


def _shares(*, reliability: float, confidence: float) -> None:
    for name, share in (("reliability", reliability), ("confidence", confidence)):
        if not 0 < share < 1:
            raise ValueError(f"{name} is {share}, not between 0 and 1")


def trials_needed(
    *, reliability: float, confidence: float, failures_allowed: int = 0, most: int = MOST_TRIALS
) -> int | None:
    """The least number of trials that, with no more failures than allowed, prove the reliability at the confidence.

    Exact binomial; both shares are within 0 and 1. None when it takes more than `most`. Without failures it is
    ln(1 - confidence) / ln(reliability), rounded up.
    """
    _shares(reliability=reliability, confidence=confidence)
    if failures_allowed < 0:
        raise ValueError(f"failures_allowed is {failures_allowed}, below 0")
    return _least(
        lambda n: _demonstrates(failures_allowed, n, reliability=reliability, confidence=confidence),
        low=failures_allowed + 1,
        most=most,
    )


def _least(holds: Callable[[int], bool], *, low: int, most: int) -> int | None:
    """The least number from low to most from which on it holds."""
    if low > most or not holds(most):
        return None
    high = most
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


Verdict = Literal["passed", "failed", "open"]


@dataclass(frozen=True, slots=True)
class Demonstration:
    """How a series with a planned number of trials stands.

    `needed`: trials in all, None when there is no number that will do. `remaining`: good ones that are still to come,
    None unless it is open. `lower`: exact one-sided lower bound of the reliability so far, None before the first trial.
    """

    verdict: Verdict
    needed: int | None
    remaining: int | None
    lower: float | None
    reason: str | None


def demonstrated(
    counts: Effective, *, failures: int, reliability: float, confidence: float, failures_allowed: int = 0
) -> Demonstration:
    """How a series stands: passed with enough trials, failed with one failure more than allowed, else open.

    counts: good trials (x) of those made (n), as independent ones; `failures` is their plain number, so that several on
    one plate count for what they are. The bound allows for few clusters, the count of trials does not.
    """
    needed = trials_needed(reliability=reliability, confidence=confidence, failures_allowed=failures_allowed)
    bounds = one_sided(counts, confidence=confidence)
    if failures > failures_allowed:
        return Demonstration("failed", needed, None, bounds.lower, bounds.reason)
    if needed is None:
        return Demonstration("open", None, None, bounds.lower, TOO_MANY)
    if counts.n >= needed - 1e-9:
        return Demonstration("passed", needed, None, bounds.lower, bounds.reason)
    remaining = math.ceil((needed - counts.n) * max(1.0, counts.design_effect) - 1e-9)
    return Demonstration("open", needed, max(1, remaining), bounds.lower, bounds.reason)


@dataclass(frozen=True, slots=True)
class MoreGood:
    """So many more parts, all good, on at least so many more plates, would prove it; None with the reason."""

    parts: int | None
    plates: int | None
    reason: str | None


def more_good(
    counts: Effective,
    *,
    reliability: float,
    confidence: float,
    least_plates: int = 2,
    parts_a_plate: float | None = None,
    most: int = 100_000,
) -> MoreGood:
    """How many more good parts would lift the exact lower bound to the reliability; 0 when it is there.

    counts: good parts (x) of those judged (n), on so many clusters; nothing judged yet will do. The design effect and
    the trust in it are taken to stay what they are. That holds with no more than `parts_a_plate` of the new ones on a
    plate (as in the past: `Clustered.mean_size`): hence the plates, which also make up for those missing to
    `least_plates`. None when it takes more than `most` parts.
    """
    _shares(reliability=reliability, confidence=confidence)
    each = _for_few_clusters(counts, confidence=confidence) / max(1.0, counts.design_effect)
    failures = max(0.0, counts.n - counts.x) * max(1.0, counts.design_effect) * each

    def proves(more: int) -> bool:
        n = (counts.parts + more) * each
        return n > 0 and _demonstrates(failures, n, reliability=reliability, confidence=confidence)

    parts = _least(proves, low=0, most=most)
    if parts is None:
        return MoreGood(None, None, TOO_MANY)
    missing = max(0, least_plates - counts.clusters)
    # A plate that is missing brings a part at least
    parts = max(parts, missing)
    spread = math.ceil(parts / max(1.0, parts_a_plate) - 1e-9) if parts_a_plate is not None else min(1, parts)
    return MoreGood(parts, max(missing, spread), counts.reason)
