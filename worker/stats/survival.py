"""Kaplan-Meier: in how many attempts a piece comes, when some are still open or were given up.

Kaplan EL, Meier P (1958), J. American Statistical Association 53, 457-481. Standard errors are Greenwood's; the limits
those of the log of minus the log, Kalbfleisch JD, Prentice RL (1980), The Statistical Analysis of Failure Time Data.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from worker.stats.proportions import normal_quantile

GUARD: Final = 1e-12


@dataclass(frozen=True, slots=True)
class SurvivalStep:
    """What happened at one time, and the share that is still without the event after it.

    lower and upper are None where no event came yet, and where all had it: there the log-log limits are not defined.
    """

    time: int
    at_risk: int
    events: int
    censored: int
    survival: float
    std_error: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Survival:
    """The curve at each time seen, and the median with its limits.

    not_begun: subjects censored at time 0, which were never at risk. median is None when more than half are still
    without the event at the end; reason then says so. median_upper is None when it is not known how late it may be.
    """

    steps: tuple[SurvivalStep, ...]
    subjects: int
    not_begun: int
    median: int | None
    median_lower: int | None
    median_upper: int | None
    reason: str | None = None

    def at(self, time: int) -> float:
        """Share still without the event after a time."""
        return next((step.survival for step in reversed(self.steps) if step.time <= time), 1.0)


def kaplan_meier(subjects: Iterable[tuple[int, bool]], *, confidence: float) -> Survival:
    """Kaplan-Meier curve of (time, event) pairs with whole times, in any order; event False is censored at its time.

    For attempts: time is the number of *judged* attempts of a piece, event whether the last of them was the first to
    make all its parts good. So a piece whose newest attempt is still open or pending is censored at the attempt before
    it, and the share after attempt 1 is exactly the share of first attempts that failed. Censored at a time means at
    risk at that time.
    """
    counts = Counter((time, bool(event)) for time, event in subjects)
    if any(time < (1 if event else 0) for time, event in counts):
        raise ValueError("times count from 1, or from 0 for what is censored before its first")
    not_begun = counts.pop((0, False), 0)
    at_risk = counts.total()
    if not at_risk:
        return Survival((), not_begun, not_begun, None, None, None, reason="no piece has a judged attempt")
    steps = _steps(counts, at_risk, normal_quantile(confidence))
    median = _first_at_half([(step.time, step.survival) for step in steps])
    return Survival(
        steps,
        subjects=at_risk + not_begun,
        not_begun=not_begun,
        median=median,
        median_lower=_first_at_half([(step.time, step.lower) for step in steps]) if median is not None else None,
        median_upper=_first_at_half([(step.time, step.upper) for step in steps]),
        reason=None if median is not None else f"{steps[-1].survival:.0%} are without it at the end: no median",
    )


def _steps(counts: Counter[tuple[int, bool]], at_risk: int, z: float) -> tuple[SurvivalStep, ...]:
    steps, survival, variance = [], 1.0, 0.0
    for time in sorted({time for time, _ in counts}):
        events, censored = counts[time, True], counts[time, False]
        survival *= (at_risk - events) / at_risk
        variance += events / (at_risk * (at_risk - events)) if events < at_risk else 0.0
        error, lower, upper = _limits(survival, variance, z)
        steps.append(SurvivalStep(time, at_risk, events, censored, survival, error, lower, upper))
        at_risk -= events + censored
    return tuple(steps)


def _limits(survival: float, variance: float, z: float) -> tuple[float | None, float | None, float | None]:
    """Greenwood's standard error, and the log-log limits; variance is that of the log of the share."""
    if not 0 < survival < 1:
        return None, None, None
    spread = math.exp(z * math.sqrt(variance) / -math.log(survival))
    return survival * math.sqrt(variance), survival**spread, survival ** (1 / spread)


def _first_at_half(curve: list[tuple[int, float | None]]) -> int | None:
    return next((time for time, share in curve if share is not None and share <= 0.5 + GUARD), None)
