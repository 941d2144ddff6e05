"""How a series of cuts stands under its plan: trial by trial, until it has passed or failed. Pure.

A trial is a first attempt, good when all parts that it tried were good at the first verdict. Trials count in the order
in which they started. One that is not judged yet holds up those after it, else it could be left waiting until the
others had decided. What is cut after the decision proves nothing here. The same trials give the same standing, in
whatever order they became known.

Cuts of one plate stand or fall together. A plate is one trial, good when all its cuts are, wherever that is all that is
known: such trials are independent, and no likelier to be good than a cut is, so no risk grows. Where earlier cuts tell
how alike those of one plate are, a fixed series counts cuts, by as many independent ones as they tell as much as.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

from worker.proof_plans import SEQUENTIAL, Plan, Practice, least_more_good, practice_of
from worker.sentences import sentence
from worker.stats.clustering import Effective, degrees_at, told_by
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
NO_PATH: Final = sentence(
    "a cut on a plate that was counted before changed what it counted for; no bound is known for such ends"
)
KNOWN_ALIKE: Final = sentence("trials of one plate are taken to be as alike as cuts on one plate were before the plan")
#: A series that is not decided by so many cuts, or by so many times its longest, is not counted any further.
MOST_CUTS: Final = 10_000
MOST_TIMES_LONGEST: Final = 2
_GUARD: Final = 1e-9


def outcome_of(*, state: str, tried: int, good: int, pending: int, lost_otherwise: int) -> Outcome:
    """What an attempt is as a trial.

    `lost_otherwise`: its parts that were lost to a confirmed cause that is not the process. They leave the trial, and
    the others decide; where these are none, it says nothing of the process: void. One bad part is a failure at once,
    whatever the others become.
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
    return "good" if good else "void"


@dataclass(frozen=True, slots=True)
class Trial:
    """An attempt as a trial. `cluster`: its plate, else its run, else itself; None is not known.

    `parts` were tried, `good` of them good, `pending` not judged yet, `lost_otherwise` lost to what is not the process.
    `day`: its production day, ISO.
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
    lost_otherwise: int = 0

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

    `trials` were counted, `failures` of them failed; `by_plate`: both are plates, each of which stands or falls as a
    whole. `effective_trials`: so many on plates of their own tell as much. `remaining`: so many good trials, each on a
    plate of its own, pass it at least; None when it is decided or never will be. `given_up`: no more is counted, though
    it is not decided. `blocked_by` holds up `waiting` others. `left_over` were cut after the end. `void` and `untried`
    attempts are no trials. `lower`: exact one-sided lower bound of the reliability at the plan's confidence, that
    counts when the series was allowed to end; None with the reason.
    """

    state: State
    steps: tuple[Step, ...]
    by_plate: bool
    trials: int
    failures: int
    effective_trials: float
    spread: Spread
    missing: Spread
    remaining: int | None
    given_up: bool
    blocked_by: Trial | None
    waiting: int
    left_over: int
    void: int
    untried: int
    lower: float | None
    reason: str | None

    @property
    def decided(self) -> Trial | None:
        """The trial that decided it."""
        return self.steps[-1].trial if self.state in DECIDED else None

    @property
    def cuts(self) -> int:
        """Attempts that were counted; where a plate is one trial several may make one."""
        return len(self.steps)


def standing(plan: Plan, trials: Iterable[Trial], *, alike: float | None = None) -> Standing:
    """How the series of these attempts stands, in any order.

    alike: correlation of cuts on one plate, known from elsewhere; None: not known.
    """
    series = Series(plan, alike)
    for trial in sorted(trials, key=lambda each: each.order):
        series.take(trial)
    return series.standing()


@dataclass
class Series:
    """A series as it goes on: `take` its attempts by their start, then ask how it stands."""

    plan: Plan
    alike: float | None = None
    steps: list[Step] = field(default_factory=list)
    cuts: int = 0
    failed_cuts: int = 0
    #: By cluster: (good, cuts).
    clusters: dict[str, tuple[int, int]] = field(default_factory=dict)
    failed_clusters: set[str] = field(default_factory=set)
    #: Sum over the clusters of what each tells, at the known correlation.
    told: float = 0.0
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
        if self.has_ended:
            self.left_over += trial.outcome != OPEN
        elif self.blocked_by is not None:
            self.waiting += trial.outcome != OPEN
        elif trial.outcome in (VOID, UNTRIED):
            self.no_trials[trial.outcome] += 1
        elif trial.outcome in (PENDING, OPEN):
            self.blocked_by = trial
        else:
            self._count(trial)

    def _count(self, trial: Trial) -> None:
        is_good = trial.outcome == GOOD
        good, cuts = self.clusters.get(trial.cluster, (0, 0))
        self.clusters[trial.cluster] = (good + is_good, cuts + 1)
        if self.alike is not None:
            before = told_by(cuts, alike=self.alike) if cuts else 0.0
            self.told += told_by(cuts + 1, alike=self.alike) - before
        if not is_good:
            self.failed_clusters.add(trial.cluster)
        self.failed_cuts += not is_good
        for known, one in ((self.plates, trial.plate), (self.heats, trial.heat), (self.days, trial.day)):
            if one is not None:
                known.add(one)
        self.cuts += 1
        missing = self.missing
        if missing.is_none:
            self.wide.add(self.trials)
        self.steps.append(self._judged(trial, missing))

    def _judged(self, trial: Trial, missing: Spread) -> Step:
        if self.practice is None:
            return Step(trial, "running", None)
        if self.failures >= self.practice.fails_at(self.trials):
            return Step(trial, "failed", None)
        remaining = self._remaining(self.practice, missing)
        return Step(trial, "running", remaining) if remaining else Step(trial, "passed", None)

    def _remaining(self, practice: Practice, missing: Spread) -> int:
        """Good trials, each on a plate of its own, that are still to come at least; 0 where it passes."""
        if self.by_plate or practice.needed is None:
            by_rule = least_more_good(practice, trials=self.trials, failures=self.failures)
        else:
            of_cuts = math.ceil(practice.needed / self._trust - self.told - _GUARD)
            by_rule = max(0, min(practice.needed - len(self.clusters), of_cuts))
        return max(by_rule, missing.most)

    @cached_property
    def practice(self) -> Practice | None:
        """How its rule is carried out."""
        return practice_of(self.plan.rule)

    @cached_property
    def most_cuts(self) -> int:
        """Cuts after which no more are counted."""
        return max(MOST_CUTS, MOST_TIMES_LONGEST * (self.practice.longest if self.practice else 0))

    @property
    def is_decided(self) -> bool:
        """It has passed or failed."""
        return bool(self.steps) and self.steps[-1].state in DECIDED

    @property
    def given_up(self) -> bool:
        """It is not decided, and goes on for too long."""
        return not self.is_decided and len(self.steps) >= self.most_cuts

    @property
    def has_ended(self) -> bool:
        """Nothing more counts."""
        return self.is_decided or self.given_up

    @property
    def shares_plates(self) -> bool:
        """Some of its cuts stand on one plate."""
        return len(self.clusters) < len(self.steps)

    @cached_property
    def by_plate(self) -> bool:
        """A plate is one trial: the lines of a sequential rule are for independent ones, or no more is known."""
        return self.plan.rule.kind == SEQUENTIAL or self.alike is None

    @property
    def trials(self) -> int:
        """Trials that counted."""
        return len(self.clusters) if self.by_plate else self.cuts

    @property
    def failures(self) -> int:
        """Those among them that failed."""
        return len(self.failed_clusters) if self.by_plate else self.failed_cuts

    @property
    def spread(self) -> Spread:
        """Over what it is spread so far."""
        return Spread(len(self.plates), len(self.heats), len(self.days))

    @property
    def missing(self) -> Spread:
        """What is missing to the spread that was planned."""
        return self.spread.missing(self.plan)

    @property
    def effective(self) -> float:
        """So many trials on plates of their own tell as much: a plate tells as much as one does at least."""
        return len(self.clusters) if self.by_plate else max(float(len(self.clusters)), self._trust * self.told)

    # --- several cuts on a plate, known to be so alike --------------------------------------------------------------

    @cached_property
    def _degrees(self) -> float | None:
        """Of the variance of what is tested: a process that has just the reliability."""
        return None if self.alike is None else degrees_at(self.plan.rule.reliability, alike=self.alike)

    @cached_property
    def _trust(self) -> float:
        """What is left of an independent trial where the correlation is not known well."""
        one = Effective(1.0, 1.0, degrees=self._degrees, reason=KNOWN_ALIKE)
        return one_sided(one, confidence=self.plan.rule.confidence).n

    def _as_independent(self, clusters: Mapping[str, tuple[int, int]]) -> Effective:
        """Good cuts of all, as independent ones; plates, where these tell more."""
        alike = 0.0 if self.alike is None else self.alike
        counts = [(good, cuts, told_by(cuts, alike=alike)) for good, cuts in clusters.values() if cuts]
        told = math.fsum(each for _, _, each in counts)
        if len(counts) >= self._trust * told:
            whole = sum(good == cuts for good, cuts, _ in counts)
            return Effective(whole, len(counts), clusters=len(counts), reason=KNOWN_ALIKE)
        good_told = math.fsum(each * good / cuts for good, cuts, each in counts)
        return Effective(good_told, told, clusters=len(counts), degrees=self._degrees, reason=KNOWN_ALIKE)

    # --- the bound ----------------------------------------------------------------------------------------------

    def _lower(self) -> tuple[float | None, str | None]:
        """(exact lower bound of the reliability, why it is None or what it assumes)."""
        if self.practice is None or not self.is_decided:
            return None, NOT_ENDED
        confidence = self.plan.rule.confidence
        if not self.by_plate and self.shares_plates:
            bounds = one_sided(self._as_independent(self._clusters_of_bound()), confidence=confidence)
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
        has_begun, (lower, reason) = bool(self.steps or self.blocked_by), self._lower()
        last = self.steps[-1] if self.steps else None
        first_remaining = None if self.practice is None else self._remaining(self.practice, self.missing)
        return Standing(
            state=last.state if last else RUNNING if has_begun else PLANNED,
            steps=tuple(self.steps),
            by_plate=self.by_plate,
            trials=self.trials,
            failures=self.failures,
            effective_trials=self.effective,
            spread=self.spread,
            missing=self.missing,
            remaining=None if self.given_up else last.remaining if last else first_remaining,
            given_up=self.given_up,
            blocked_by=self.blocked_by,
            waiting=self.waiting,
            left_over=self.left_over,
            void=self.no_trials[VOID],
            untried=self.no_trials[UNTRIED],
            lower=lower,
            reason=reason,
        )
