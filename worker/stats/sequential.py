"""Wald's sequential test of a reliability: after each trial a series has passed, has failed, or goes on.

Wald A (1947), Sequential Analysis. Its lines keep the two risks only about, and a series could go on for ever; so the
series is cut off, and what the plan really does is computed exactly: each way in which it can end is counted over the
trials, with the number of paths that lead there. Trials are taken for independent, as on plates of their own they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np

from worker.sentences import sentence

State = Literal["passed", "failed", "open"]

#: Longer series of cuts are not planned.
MOST_TRIALS: Final = 5000
#: Why there is no plan.
TOO_LONG: Final = sentence("no series that anyone will cut keeps both risks; plan a greater difference or larger risks")
NOT_ENDED: Final = sentence("the series has not ended")
#: Of a line, in failures, and of a risk: so far beyond it is still at it.
_GUARD: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Lines:
    """Wald's parallel lines in failures over trials n.

    Passed with slope x n - to_pass failures or fewer, failed with slope x n + to_fail or more.
    """

    to_pass: float
    to_fail: float
    slope: float

    def passes_at(self, trials: int) -> int:
        """So many failures or fewer pass after so many trials; below 0 when none do."""
        return math.floor(self.slope * trials - self.to_pass + _GUARD * trials)

    def fails_at(self, trials: int) -> int:
        """So many failures or more fail after so many trials."""
        return math.ceil(self.slope * trials + self.to_fail - _GUARD * trials)


def wald_lines(
    *, reliability: float, unacceptable_reliability: float, producer_risk: float, consumer_risk: float
) -> Lines:
    """The lines of a test of a reliability against a lower, unacceptable one.

    The producer's risk is to fail what has the first, the consumer's to pass what has the second; together they are
    below 1. All four lie between 0 and 1.
    """
    given = {"reliability": reliability, "unacceptable_reliability": unacceptable_reliability}
    given |= {"producer_risk": producer_risk, "consumer_risk": consumer_risk}
    for name, share in given.items():
        if not 0 < share < 1:
            raise ValueError(f"{name} is {share}, not between 0 and 1")
    if unacceptable_reliability >= reliability:
        raise ValueError(f"unacceptable_reliability is {unacceptable_reliability}, not below {reliability}")
    if producer_risk + consumer_risk >= 1:
        raise ValueError(f"producer_risk and consumer_risk make {producer_risk + consumer_risk}, not below 1")
    of_failure = math.log1p(-unacceptable_reliability) - math.log1p(-reliability)
    of_success = math.log(reliability) - math.log(unacceptable_reliability)
    return Lines(
        to_pass=math.log((1 - producer_risk) / consumer_risk) / (of_failure + of_success),
        to_fail=math.log((1 - consumer_risk) / producer_risk) / (of_failure + of_success),
        slope=of_success / (of_failure + of_success),
    )


@dataclass(frozen=True, slots=True)
class Boundary:
    """Where a series ends: for each trial from the first, with how many failures it passes and with how many it fails.

    `passes`: so many or fewer (-1: none); `fails`: so many or more. Both never fall, and meet at the last trial: there
    `fails` is one above `passes`, so that none goes on.
    """

    passes: tuple[int, ...]
    fails: tuple[int, ...]

    @property
    def longest(self) -> int:
        """Trials after which every series has ended."""
        return len(self.passes)

    def state(self, *, failures: int, trials: int) -> State:
        """Of a series that was open until this trial."""
        if not trials:
            return "open"
        if failures <= self.passes[trials - 1]:
            return "passed"
        return "failed" if failures >= self.fails[trials - 1] else "open"


def cut_off(lines: Lines, *, longest: int, failures_allowed: int) -> Boundary:
    """Wald's lines until the last trial, where so many failures pass and more fail.

    A series ends sooner when what is left cannot change how it ends. `failures_allowed` lies between the lines at the
    last trial.
    """
    allowed = failures_allowed
    trials = range(1, longest + 1)
    return Boundary(
        passes=tuple(max(-1, lines.passes_at(n), allowed - (longest - n)) for n in trials),
        fails=tuple(min(lines.fails_at(n), allowed + 1) for n in trials),
    )


@dataclass(frozen=True, slots=True)
class Step:
    """Where a series stands after a trial, and with how many failures it would have passed or failed there."""

    trial: int
    failures: int
    passes: int
    fails: int
    state: State


def steps(boundary: Boundary, results: Iterable[bool]) -> tuple[Step, ...]:
    """The series trial by trial (True: good), until it ends. What was cut after that proves nothing here."""
    found: list[Step] = []
    failures = 0
    for trial, good in enumerate(results, start=1):
        if trial > boundary.longest or (found and found[-1].state != "open"):
            break
        failures += not good
        state = boundary.state(failures=failures, trials=trial)
        found.append(Step(trial, failures, boundary.passes[trial - 1], boundary.fails[trial - 1], state))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Ending:
    """One way in which a series can end, and the logarithm of the number of paths that lead there."""

    trials: int
    failures: int
    passed: bool
    log_paths: float

    def chance(self, reliability: float) -> float:
        """Of ending so, with a share of good trials between 0 and 1."""
        good = self.trials - self.failures
        return math.exp(self.log_paths + self.failures * math.log1p(-reliability) + good * math.log(reliability))


@lru_cache(maxsize=64)
def endings(boundary: Boundary) -> tuple[Ending, ...]:
    """All ways in which a series can end, the best first.

    That order goes along the boundary: first those that passed, the earlier the better, then those that failed, the
    later the better; of equals the one with fewer failures. Paths are counted in whole numbers, so nothing is lost.
    """
    passed: list[Ending] = []
    failed: list[Ending] = []
    going_on = {0: 1}
    for trial in range(1, boundary.longest + 1):
        reached: dict[int, int] = {}
        for failures, paths in going_on.items():
            for after in (failures, failures + 1):
                reached[after] = reached.get(after, 0) + paths
        going_on = {}
        for failures, paths in sorted(reached.items()):
            state = boundary.state(failures=failures, trials=trial)
            if state == "open":
                going_on[failures] = paths
            else:
                ends = passed if state == "passed" else failed
                ends.append(Ending(trial, failures, state == "passed", math.log(paths)))
    return (*passed, *sorted(failed, key=lambda end: (-end.trials, end.failures)))


@dataclass(frozen=True, slots=True)
class Conduct:
    """What a plan does at one reliability: exact, not Wald's approximation.

    `passes` is the chance to pass, `expected_trials` the mean length, `trials_90` the length that 90 % do not exceed.
    """

    passes: float
    expected_trials: float
    trials_90: int


def conduct(boundary: Boundary, *, reliability: float) -> Conduct:
    """How series end when the share of good trials is this one, between 0 and 1.

    Aroian LA (1968), Sequential analysis, direct method, Technometrics 10, 125-132 (from memory).
    """
    chances = [(end, end.chance(reliability)) for end in endings(boundary)]
    lasting = [0.0] * (boundary.longest + 1)
    for end, chance in chances:
        lasting[end.trials] += chance
    ended, trials_90 = 0.0, 0
    while trials_90 < boundary.longest and ended < 0.9 - _GUARD:
        trials_90 += 1
        ended += lasting[trials_90]
    return Conduct(
        passes=min(1.0, math.fsum(chance for end, chance in chances if end.passed)),
        expected_trials=math.fsum(end.trials * chance for end, chance in chances),
        trials_90=trials_90,
    )


def lower_bound(boundary: Boundary, *, failures: int, trials: int, confidence: float) -> float | None:
    """Exact one-sided lower bound of the reliability after a series ended so; None when it can not end so.

    The reliability at which an ending as good as this one, or better, has the chance 1 - confidence; better is what
    comes first in `endings`. So stopping early is counted: the plain bound of so many good of so many trials would
    forget that the series was looked at after each of them. Jennison C, Turnbull BW (1983), Technometrics 25, 49-58;
    their order as the R package CLAST (Lloyd CJ) has it, but that of equal successes a later failure is better.
    """
    ends = endings(boundary)
    place = next((i for i, end in enumerate(ends) if (end.trials, end.failures) == (trials, failures)), None)
    if place is None:
        return None
    as_good = ends[: place + 1]
    if place + 1 == len(ends):
        # Every ending is as good as the worst one
        return 0.0
    low, high = 0.0, 1.0
    # Halved until no float lies between
    while low < (middle := (low + high) / 2) < high:
        chance = math.fsum(end.chance(middle) for end in as_good)
        low, high = (middle, high) if chance <= 1 - confidence else (low, middle)
    return low


@dataclass(frozen=True, slots=True)
class Series:
    """A series as far as it goes, and the exact lower bound of the reliability; None with the reason while it is open.

    `left_over` trials were cut after its end.
    """

    steps: tuple[Step, ...]
    state: State
    left_over: int
    lower: float | None
    reason: str | None


def series(boundary: Boundary, results: Iterable[bool], *, confidence: float) -> Series:
    """How a series stands after these trials (True: good), in their order."""
    known = list(results)
    taken = steps(boundary, known)
    left_over = len(known) - len(taken)
    if not taken or taken[-1].state == "open":
        return Series(taken, "open", left_over, None, NOT_ENDED)
    last = taken[-1]
    lower = lower_bound(boundary, failures=last.failures, trials=last.trial, confidence=confidence)
    return Series(taken, last.state, left_over, lower, None)


@dataclass(frozen=True, slots=True)
class Plan:
    """A sequential plan and what it really does.

    `at_reliability` and `at_unacceptable` are its conduct there: the real producer's risk is one less the first chance
    to pass, the real consumer's risk is the second.
    """

    lines: Lines
    boundary: Boundary
    at_reliability: Conduct
    at_unacceptable: Conduct

    @property
    def producer_risk(self) -> float:
        """Real chance to fail what has the reliability."""
        return max(0.0, 1 - self.at_reliability.passes)

    @property
    def consumer_risk(self) -> float:
        """Real chance to pass what has the unacceptable one."""
        return self.at_unacceptable.passes


@lru_cache(maxsize=64)
def sequential_plan(
    *,
    reliability: float,
    unacceptable_reliability: float,
    producer_risk: float,
    consumer_risk: float,
    most: int = MOST_TRIALS,
) -> Plan | None:
    """Wald's test cut off at the first trial at which both real risks are no larger than planned.

    No series that ends sooner can keep them. None when there is none within `most` trials.
    """
    lines = wald_lines(
        reliability=reliability,
        unacceptable_reliability=unacceptable_reliability,
        producer_risk=producer_risk,
        consumer_risk=consumer_risk,
    )
    found = _first_cut(
        lines,
        failure_shares=(1 - reliability, 1 - unacceptable_reliability),
        risks=(producer_risk + _GUARD, consumer_risk + _GUARD),
        most=most,
    )
    if found is None:
        return None
    boundary = cut_off(lines, longest=found[0], failures_allowed=found[1])
    return Plan(
        lines=lines,
        boundary=boundary,
        at_reliability=conduct(boundary, reliability=reliability),
        at_unacceptable=conduct(boundary, reliability=unacceptable_reliability),
    )


def _first_cut(
    lines: Lines, *, failure_shares: tuple[float, float], risks: tuple[float, float], most: int
) -> tuple[int, int] | None:
    """The first last trial that keeps both risks, and the failures allowed there.

    Chances of the series that are still open, by their failures, once for each of the two shares of failures: from them
    follows what cutting off here would do, for every trial in one go.
    """
    shares = np.array(failure_shares)[:, np.newaxis]
    going_on, fewest = np.ones((2, 1)), 0
    passed, failed = np.zeros(2), np.zeros(2)
    for trial in range(1, most + 1):
        reached = np.zeros((2, going_on.shape[1] + 1))
        reached[:, :-1] += going_on * (1 - shares)
        reached[:, 1:] += going_on * shares
        below = min(max(0, lines.passes_at(trial) + 1 - fewest), reached.shape[1])
        beyond = min(max(below, lines.fails_at(trial) - fewest), reached.shape[1])
        passed += reached[:, :below].sum(axis=1)
        failed += reached[:, beyond:].sum(axis=1)
        going_on, fewest = reached[:, below:beyond], fewest + below
        allowed = _allowed(going_on, passed, failed, risks)
        if allowed is not None:
            return trial, fewest + allowed
        if not going_on.shape[1]:
            return None
    return None


def _allowed(going_on: Any, passed: Any, failed: Any, risks: tuple[float, float]) -> int | None:
    """The fewest of the open failures to allow, counted from the first of them (-1: none), so that both risks hold."""
    passing = passed[1] + np.concatenate(([0.0], np.cumsum(going_on[1])))
    failing = failed[0] + np.concatenate((np.cumsum(going_on[0][::-1])[::-1], [0.0]))
    places = np.flatnonzero((failing <= risks[0]) & (passing <= risks[1]))
    return int(places[0]) - 1 if places.size else None
