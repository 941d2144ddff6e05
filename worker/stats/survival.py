"""Kaplan-Meier: in how many attempts a piece comes, when some are still open or were given up.

Kaplan EL, Meier P (1958), J. American Statistical Association 53, 457-481. Standard errors are Greenwood's; the limits
those of the log of minus the log, Kalbfleisch JD, Prentice RL (1980), The Statistical Analysis of Failure Time Data.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from worker.sentences import figure, sentence
from worker.stats.clustering import Clustered, effective, joint_reason
from worker.stats.proportions import normal_quantile, quantile

NOT_JUDGED: Final = sentence("no piece has a judged attempt")

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
    design_effect: float = 1.0


@dataclass(frozen=True, slots=True)
class Survival:
    """The curve at each time seen, and the median with its limits.

    not_begun: subjects censored at time 0, which were never at risk. median is None when more than half are still
    without the event at the end; reason then says so. median_upper is None when it is not known how late it may be.
    certainty: what the limits rest on, where the parts' correlation is not their own.
    """

    steps: tuple[SurvivalStep, ...]
    subjects: int
    not_begun: int
    median: int | None
    median_lower: int | None
    median_upper: int | None
    reason: str | None = None
    certainty: str | None = None

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
        return _nothing(not_begun)
    steps = _steps(_counted(counts, at_risk), normal_quantile(confidence))
    return _summed_up(steps, subjects=at_risk + not_begun, not_begun=not_begun)


@dataclass(frozen=True, slots=True)
class Crossed:
    """Sums over clusters of products of counts at an earlier and a later time: at risk (n) and with the event (x).

    `n_x` is that of the earlier n and the later x, `x_n` that of the earlier x and the later n. All add over groups.
    """

    n_n: float
    x_x: float
    n_x: float
    x_n: float

    @classmethod
    def total(cls, several: Iterable[Crossed]) -> Crossed:
        """Several groups together."""
        kept = list(several)
        return cls(*(math.fsum(getattr(one, name) for one in kept) for name in ("n_n", "x_x", "n_x", "x_n")))

    def covariance(self, earlier: Clustered, later: Clustered) -> float:
        """Covariance of the logs of the shares that the two times leave, each below its event in all; else 0."""
        first, second = (counts.x / counts.n for counts in (earlier, later))
        if first >= 1 or second >= 1:
            return 0.0
        excess = self.x_x - second * self.x_n - first * self.n_x + first * second * self.n_n
        return excess / (earlier.n * (1 - first) * later.n * (1 - second))


def clustered_kaplan_meier(
    risks: Sequence[Clustered],
    crossed: Mapping[tuple[int, int], Crossed],
    *,
    not_begun: int = 0,
    confidence: float,
    pooled: float | None,
) -> Survival:
    """The same of subjects that stand or fall together: for each time from 1 on the events (x) among those at risk (n).

    Each step of Greenwood's sum is multiplied by the design effect of its own counts, with the correlation `pooled`
    over all times. A cluster whose subjects fail at one time fails at the next: what `crossed`, by (earlier, later)
    time, says of that is added, where it widens the limits. Student's t of the clusters at time 1 takes the place of
    the normal where they are few. Subjects that are each a cluster of their own give `kaplan_meier`. From memory:
    Williams RL (1995), Lifetime Data Analysis 1, 171-186.
    """
    if not risks:
        return _nothing(not_begun)
    each = [effective(counts, pooled=pooled, own=False) for counts in risks]
    left = [round(counts.n) for counts in risks] + [0]
    steps = [
        _Counts(
            time,
            now,
            round(counts.x),
            now - round(counts.x) - then,
            known.design_effect,
            math.fsum(
                2 * crossed[earlier, time].covariance(risks[earlier - 1], counts)
                for earlier in range(1, time)
                if (earlier, time) in crossed
            ),
        )
        for time, ((now, then), counts, known) in enumerate(zip(pairwise(left), risks, each, strict=True), start=1)
    ]
    return _summed_up(
        _steps(steps, quantile(confidence, each[0].degrees)),
        subjects=left[0] + not_begun,
        not_begun=not_begun,
        certainty=joint_reason(each),
    )


@dataclass(frozen=True, slots=True)
class _Counts:
    time: int
    at_risk: int
    events: int
    censored: int
    design_effect: float = 1.0
    covariance: float = 0.0


def _counted(counts: Counter[tuple[int, bool]], at_risk: int) -> Iterable[_Counts]:
    for time in sorted({time for time, _ in counts}):
        step = _Counts(time, at_risk, counts[time, True], counts[time, False])
        yield step
        at_risk -= step.events + step.censored


def _nothing(not_begun: int) -> Survival:
    return Survival((), not_begun, not_begun, None, None, None, reason=NOT_JUDGED)


def _summed_up(
    steps: tuple[SurvivalStep, ...], *, subjects: int, not_begun: int, certainty: str | None = None
) -> Survival:
    median = _first_at_half([(step.time, step.survival) for step in steps])
    return Survival(
        steps,
        subjects=subjects,
        not_begun=not_begun,
        median=median,
        median_lower=_first_at_half([(step.time, step.lower) for step in steps]) if median is not None else None,
        median_upper=_first_at_half([(step.time, step.upper) for step in steps]),
        reason=None if median is not None else _no_median(steps[-1].survival),
        certainty=certainty,
    )


def _no_median(left: float) -> str:
    return sentence("%(share)s are without it at the end: no median", share=figure(left, ".0%"))


def _steps(counts: Iterable[_Counts], z: float) -> tuple[SurvivalStep, ...]:
    steps, survival, variance, shared = [], 1.0, 0.0, 0.0
    for at in counts:
        left = at.at_risk - at.events
        survival *= left / at.at_risk
        variance += at.design_effect * at.events / (at.at_risk * left) if left else 0.0
        shared += at.covariance
        error, lower, upper = _limits(survival, variance + max(0.0, shared), z)
        steps.append(
            SurvivalStep(at.time, at.at_risk, at.events, at.censored, survival, error, lower, upper, at.design_effect)
        )
    return tuple(steps)


def _limits(survival: float, variance: float, z: float) -> tuple[float | None, float | None, float | None]:
    """Greenwood's standard error, and the log-log limits; variance is that of the log of the share."""
    if not 0 < survival < 1:
        return None, None, None
    spread = math.exp(z * math.sqrt(variance) / -math.log(survival))
    return survival * math.sqrt(variance), survival**spread, survival ** (1 / spread)


def _first_at_half(curve: list[tuple[int, float | None]]) -> int | None:
    return next((time for time, share in curve if share is not None and share <= 0.5 + GUARD), None)
