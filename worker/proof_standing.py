"""How a series of cuts stands under its plan: trial by trial, until it has passed or failed. Pure.

A trial is a first attempt, good when all parts that it tried were good at the first verdict. Trials count in the order
in which they started. One that is not judged yet holds up those after it, else it could be left waiting until the
others had decided. What is cut after the decision proves nothing here. The same trials give the same standing, in
whatever order they became known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from worker.proof_plans import SEQUENTIAL, Plan, Practice, least_more_good, practice_of
from worker.stats.clustering import POOLED_CORRELATION, Clustered, Effective, effective
from worker.stats.demonstration import one_sided
from worker.stats.sequential import NOT_ENDED, Boundary, lower_bound

Outcome = Literal["good", "failed", "pending", "open", "void", "untried"]
State = Literal["planned", "running", "passed", "failed"]
PLANNED: Final = "planned"
RUNNING: Final = "running"
PASSED: Final = "passed"
FAILED: Final = "failed"
STATES: Final[tuple[State, ...]] = (PLANNED, RUNNING, PASSED, FAILED)
DECIDED: Final = (PASSED, FAILED)
GOOD: Final = "good"
PENDING: Final = "pending"
OPEN: Final = "open"
VOID: Final = "void"
UNTRIED: Final = "untried"
OUTCOMES: Final[tuple[Outcome, ...]] = (GOOD, FAILED, PENDING, OPEN, VOID, UNTRIED)
#: Why a decided series has no bound.
NO_PATH: Final = "a cut on a plate that was counted before changed what it counted for; no bound is known for such ends"
KNOWN_ALIKE: Final = "trials of one plate are taken to be as alike as cuts on one plate were before the plan"
_GUARD: Final = 1e-9


def outcome_of(*, state: str, tried: int, good: int, pending: int, lost_otherwise: int) -> Outcome:
    """What an attempt is as a trial.

    `lost_otherwise`: its parts that were lost to a confirmed cause that is not the process. Where all that it lost was
    lost so, it says nothing of the process: void. One bad part is a failure at once, whatever the others become.
    """
    if state == "open":
        return "open"
    if not tried:
        return "untried"
    lost = tried - good - pending
    if lost > lost_otherwise:
        return "failed"
    if pending:
        return "pending"
    return "void" if lost else "good"


@dataclass(frozen=True, slots=True)
class Trial:
    """An attempt as a trial. `cluster`: its plate, else its run, else itself; None is not known.

    `parts` were tried, `good` of them good, `pending` not judged yet. `day`: its production day, ISO.
    """

    attempt: str
    cluster: str
    plate: str | None
    mill: str | None
    heat_number: str | None
    day: str
    started_us: int
    outcome: Outcome
    parts: int = 1
    good: int = 1
    pending: int = 0

    @property
    def heat(self) -> str | None:
        """Its heat, whose number is one only within its mill."""
        return None if self.heat_number is None else f"{self.mill or ''}\x1f{self.heat_number}"

    @property
    def order(self) -> tuple[int, str]:
        """By when it started; of those that started at once by their ids."""
        return (self.started_us, self.attempt)


@dataclass(frozen=True, slots=True)
class Spread:
    """Plates, heats and production days of a series; those that are not known are none."""

    plates: int = 0
    heats: int = 0
    days: int = 0

    def missing(self, plan: Plan) -> Spread:
        """What a plan asks for beyond this."""
        return Spread(
            max(0, (plan.least_plates or 0) - self.plates),
            max(0, (plan.least_heats or 0) - self.heats),
            max(0, (plan.least_days or 0) - self.days),
        )

    @property
    def is_none(self) -> bool:
        """Nothing of any."""
        return not (self.plates or self.heats or self.days)

    @property
    def most(self) -> int:
        """The largest of the three: so many trials can make them up."""
        return max(self.plates, self.heats, self.days)


@dataclass(frozen=True, slots=True)
class Step:
    """A series after a trial. `remaining`: good ones still to come at least; None when decided, or never to be."""

    trial: Trial
    state: Literal["running", "passed", "failed"]
    remaining: int | None


@dataclass(frozen=True, slots=True)
class Standing:
    """How a series stands.

    `trials` were counted, `failures` of them failed; of a sequential rule both are plates, since those of one plate
    stand or fall together. `effective_trials`: so many independent ones tell as much. `blocked_by` holds up `waiting`
    others. `left_over` were cut after the decision. `void` and `untried` attempts are no trials. `lower`: exact
    one-sided lower bound of the reliability at the plan's confidence, that counts when the series was allowed to end;
    None with the reason. `assumed`: what the effective trials rest on where it is not the series itself.
    """

    state: State
    steps: tuple[Step, ...]
    trials: int
    failures: int
    effective_trials: float
    design_effect: float
    spread: Spread
    missing: Spread
    remaining: int | None
    blocked_by: Trial | None
    waiting: int
    left_over: int
    void: int
    untried: int
    lower: float | None
    reason: str | None
    assumed: str | None

    @property
    def decided(self) -> Trial | None:
        """The trial that decided it."""
        return self.steps[-1].trial if self.state in DECIDED else None

    @property
    def cuts(self) -> int:
        """Attempts that were counted; of a sequential rule several may make a trial."""
        return len(self.steps)


def standing(plan: Plan, trials: Iterable[Trial], *, alike: float | None = None) -> Standing:
    """How the series of these attempts stands, in any order.

    alike: correlation of trials on one plate, known from elsewhere; None: that of the series itself.
    """
    series = _Series(plan, practice_of(plan.rule), alike)
    for trial in sorted(trials, key=lambda each: each.order):
        series.take(trial)
    return series.standing()


@dataclass
class _Series:
    """A series as it goes on."""

    plan: Plan
    practice: Practice | None
    alike: float | None
    steps: list[Step] = field(default_factory=list)
    failed_cuts: int = 0
    #: By cluster: (good, cuts).
    clusters: dict[str, tuple[int, int]] = field(default_factory=dict)
    failed_clusters: set[str] = field(default_factory=set)
    #: Sums over the clusters, as `Clustered` has them, kept up from trial to trial.
    cuts2: int = 0
    good2_over_cuts: float = 0.0
    plates: set[str] = field(default_factory=set)
    heats: set[str] = field(default_factory=set)
    days: set[str] = field(default_factory=set)
    #: Numbers of trials after which it was spread widely enough to pass.
    wide: set[int] = field(default_factory=set)
    no_trials: dict[str, int] = field(default_factory=lambda: dict.fromkeys((VOID, UNTRIED), 0))
    blocked_by: Trial | None = None
    waiting: int = 0
    left_over: int = 0

    def take(self, trial: Trial) -> None:
        """The next attempt by its start."""
        if self.is_decided:
            self.left_over += trial.outcome != OPEN
        elif trial.outcome in (VOID, UNTRIED):
            self.no_trials[trial.outcome] += 1
        elif self.blocked_by is not None:
            self.waiting += 1
        elif trial.outcome in (PENDING, OPEN):
            self.blocked_by = trial
        else:
            self._count(trial)

    def _count(self, trial: Trial) -> None:
        is_good = trial.outcome == GOOD
        good, cuts = self.clusters.get(trial.cluster, (0, 0))
        self.clusters[trial.cluster] = (good + is_good, cuts + 1)
        self.cuts2 += 2 * cuts + 1
        self.good2_over_cuts += (good + is_good) ** 2 / (cuts + 1) - (good * good / cuts if cuts else 0.0)
        if not is_good:
            self.failed_clusters.add(trial.cluster)
        self.failed_cuts += not is_good
        for known, one in ((self.plates, trial.plate), (self.heats, trial.heat), (self.days, trial.day)):
            if one is not None:
                known.add(one)
        self.steps.append(Step(trial, "running", None))
        if self.missing.is_none:
            self.wide.add(self.trials)
        self.steps[-1] = self._judged(trial)

    def _judged(self, trial: Trial) -> Step:
        if self.practice is None:
            return Step(trial, "running", None)
        if self.failures >= self.practice.fails_at(self.trials):
            return Step(trial, "failed", None)
        remaining = self._remaining(self.practice)
        return Step(trial, "running", remaining) if remaining else Step(trial, "passed", None)

    def _remaining(self, practice: Practice) -> int:
        """Good trials still to come at least; 0 where it passes."""
        by_rule = least_more_good(practice, trials=self.trials, failures=self.failures)
        if practice.needed is not None and self.steps:
            told = self.effective
            by_rule = max(by_rule, math.ceil((practice.needed - told.n) * told.design_effect - _GUARD))
        return max(by_rule, self.missing.most)

    @property
    def is_decided(self) -> bool:
        return bool(self.steps) and self.steps[-1].state in DECIDED

    @property
    def by_plate(self) -> bool:
        """A sequential rule takes a plate for one trial: its lines are for independent ones."""
        return self.plan.rule.kind == SEQUENTIAL

    @property
    def trials(self) -> int:
        return len(self.clusters) if self.by_plate else len(self.steps)

    @property
    def failures(self) -> int:
        return len(self.failed_clusters) if self.by_plate else self.failed_cuts

    @property
    def spread(self) -> Spread:
        return Spread(len(self.plates), len(self.heats), len(self.days))

    @property
    def missing(self) -> Spread:
        return self.spread.missing(self.plan)

    @property
    def effective(self) -> Effective:
        """Good trials of all, as independent ones."""
        if self.by_plate:
            return Effective(self.trials - self.failures, self.trials, clusters=self.trials)
        cuts = len(self.steps)
        good = cuts - self.failed_cuts
        return self._as_independent(Clustered(good, cuts, len(self.clusters), self.cuts2, self.good2_over_cuts))

    def _as_independent(self, counts: Clustered) -> Effective:
        told = effective(counts, pooled=self.alike, own=self.alike is None)
        return replace(told, reason=KNOWN_ALIKE) if told.reason == POOLED_CORRELATION else told

    # --- the bound ----------------------------------------------------------------------------------------------

    def _lower(self) -> tuple[float | None, str | None]:
        """(exact lower bound of the reliability, why it is None or what it assumes)."""
        if self.practice is None or not self.is_decided:
            return None, NOT_ENDED
        confidence = self.plan.rule.confidence
        if not self.by_plate and len(self.clusters) < len(self.steps):
            counts = Clustered.of(self._clusters_of_bound().values())
            bounds = one_sided(self._as_independent(counts), confidence=confidence)
            return bounds.lower or 0.0, bounds.reason
        trials = self.trials
        # A plate that failed late may have ended the series where no path leads; an earlier failure is worse
        ends = range(trials, 0, -1) if self.steps[-1].state == FAILED else (trials,)
        boundary = self._as_it_was(self.practice)
        bounds_found = (lower_bound(boundary, failures=self.failures, trials=n, confidence=confidence) for n in ends)
        found = next((bound for bound in bounds_found if bound is not None), None)
        return found, None if found is not None else NO_PATH

    def _as_it_was(self, practice: Practice) -> Boundary:
        """The rule's boundary without the places where it could not pass, since it was not spread as planned."""
        last = max(practice.longest, self.trials + 1)
        return Boundary(
            passes=tuple(
                practice.passes_at(n) if n > self.trials or n in self.wide else -1 for n in range(1, last + 1)
            ),
            fails=tuple(practice.fails_at(n) for n in range(1, last + 1)),
        )

    def _clusters_of_bound(self) -> Mapping[str, tuple[int, int]]:
        """Trials of one plate together: all of them; without the last where that failed and ended the series.

        As good as a series that ends with its failure at trial n is whatever has no more failures in n - 1 trials.
        """
        last = self.steps[-1]
        if last.state == PASSED:
            return self.clusters
        good, cuts = self.clusters[last.trial.cluster]
        return self.clusters | {last.trial.cluster: (good, cuts - 1)}

    def standing(self) -> Standing:
        """As far as it goes."""
        known, (lower, reason) = bool(self.steps or self.blocked_by), self._lower()
        told, last = self.effective, self.steps[-1] if self.steps else None
        first_remaining = None if self.practice is None else self._remaining(self.practice)
        return Standing(
            state=last.state if last else RUNNING if known else PLANNED,
            steps=tuple(self.steps),
            trials=self.trials,
            failures=self.failures,
            effective_trials=told.n,
            design_effect=told.design_effect,
            spread=self.spread,
            missing=self.missing,
            remaining=last.remaining if last else first_remaining,
            blocked_by=self.blocked_by,
            waiting=self.waiting,
            left_over=self.left_over,
            void=self.no_trials[VOID],
            untried=self.no_trials[UNTRIED],
            lower=lower,
            reason=reason,
            assumed=told.reason if self.trials else None,
        )
