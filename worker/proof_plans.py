"""What a proof is planned to show, by which rule it ends, and what that rule really does. Pure.

A proof is a series of cuts that is planned before it starts. A fixed rule makes a number of trials and allows so many
failures; a sequential one (Wald's) may end after any trial. A trial is good or it failed; what makes it so is told by
`worker.proof_standing`.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

from worker.events import thickness_nm
from worker.sentences import Sentence, figure, sentence
from worker.stats.demonstration import trials_needed
from worker.stats.sequential import MOST_TRIALS, TOO_LONG, Boundary, Lines, conduct, sequential_plan

Kind = Literal["fixed", "sequential"]
FIXED: Final[Kind] = "fixed"
SEQUENTIAL: Final[Kind] = "sequential"
KINDS: Final = (FIXED, SEQUENTIAL)
TOO_MANY: Final = sentence(
    "it takes more than %(trials)s trials, which nobody will cut; plan a lower reliability, a lower confidence or "
    "fewer failures allowed",
    trials=MOST_TRIALS,
)
#: True shares of failures at which a rule's conduct is told, as multiples of the one that is planned.
_AROUND_FIXED: Final = (2.0, 1.0, 0.5, 0.2, 0.1)
_DECIMALS: Final = 6


class PlanImpossible(ValueError):
    """A plan that no series of cuts can carry out. `field`: of the plan, by which it could be mended."""

    def __init__(self, field: str, detail: str) -> None:
        super().__init__(f"{field} {detail}")
        self.field = field
        self.detail = detail


@dataclass(frozen=True, slots=True)
class Risks:
    """What a sequential rule is planned with: both risks, and the reliability that it is to rule out."""

    producer: float
    consumer: float
    unacceptable_reliability: float


@dataclass(frozen=True, slots=True)
class Rule:
    """By what a series is decided. `failures_allowed` is of a fixed one; `sequential` makes it a sequential one."""

    reliability: float
    confidence: float
    failures_allowed: int = 0
    sequential: Risks | None = None

    @property
    def kind(self) -> Kind:
        """Fixed or sequential."""
        return FIXED if self.sequential is None else SEQUENTIAL

    @property
    def consumer_risk(self) -> float:
        """Planned chance to pass what has just the reliability (fixed) or the unacceptable one (sequential)."""
        # As it is written: 1 - 0.95 has more digits than anyone planned
        return round(1 - self.confidence, 9) if self.sequential is None else self.sequential.consumer


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """What a rule does where the true share of good trials is `reliability`: exact.

    `passes`: chance to pass; `expected_trials`: mean length; `trials_90`: length that 90 % of series do not exceed.
    """

    reliability: float
    passes: float
    expected_trials: float
    trials_90: int


@dataclass(frozen=True, slots=True)
class Practice:
    """A rule as it is carried out.

    `needed`: trials of a fixed rule, `lines` of a sequential one, else None. `consumer_risk`: real chance to pass what
    has just the reliability (fixed) or the unacceptable one (sequential). `producer_risk`: real chance to fail what has
    the reliability; None for a fixed rule, which names no reliability that should pass.
    """

    boundary: Boundary
    needed: int | None
    lines: Lines | None
    producer_risk: float | None
    consumer_risk: float
    operating: tuple[OperatingPoint, ...]

    @property
    def longest(self) -> int:
        """Trials after which every series has ended, if it is spread as widely as planned by then."""
        return self.boundary.longest

    def passes_at(self, trials: int) -> int:
        """So many failures or fewer pass after so many trials; below 0 when none do. Past the last it stays there."""
        return self.boundary.passes[min(trials, self.longest) - 1] if trials else -1

    def fails_at(self, trials: int) -> int:
        """So many failures or more fail after so many trials. Past the last trial it stays there."""
        return self.boundary.fails[min(max(trials, 1), self.longest) - 1]


@lru_cache(maxsize=256)
def practice_of(rule: Rule) -> Practice | None:
    """How a rule is carried out; None when nobody can: `impossibility` says why."""
    return _fixed(rule) if rule.sequential is None else _sequential(rule, rule.sequential)


def _fixed(rule: Rule) -> Practice | None:
    allowed = rule.failures_allowed
    needed = trials_needed(
        reliability=rule.reliability, confidence=rule.confidence, failures_allowed=allowed, most=MOST_TRIALS
    )
    if needed is None:
        return None
    boundary = Boundary(passes=(*(-1 for _ in range(needed - 1)), allowed), fails=(allowed + 1,) * needed)
    shares = [(1 - rule.reliability) * times for times in _AROUND_FIXED]
    return Practice(
        boundary=boundary,
        needed=needed,
        lines=None,
        producer_risk=None,
        consumer_risk=conduct(boundary, reliability=rule.reliability).passes,
        operating=_operating(boundary, shares),
    )


def _sequential(rule: Rule, risks: Risks) -> Practice | None:
    plan = sequential_plan(
        reliability=rule.reliability,
        unacceptable_reliability=risks.unacceptable_reliability,
        producer_risk=risks.producer,
        consumer_risk=risks.consumer,
    )
    if plan is None:
        return None
    good, bad = 1 - rule.reliability, 1 - risks.unacceptable_reliability
    return Practice(
        boundary=plan.boundary,
        needed=None,
        lines=plan.lines,
        producer_risk=plan.producer_risk,
        consumer_risk=plan.consumer_risk,
        operating=_operating(plan.boundary, [bad, (good + bad) / 2, good, good / 2, good / 10]),
    )


def _operating(boundary: Boundary, failure_shares: list[float]) -> tuple[OperatingPoint, ...]:
    reliabilities = [round(1 - share, _DECIMALS) for share in failure_shares]
    found = [(at, conduct(boundary, reliability=at)) for at in reliabilities if 0 < at < 1]
    return tuple(OperatingPoint(at, told.passes, told.expected_trials, told.trials_90) for at, told in found)


def impossibility(rule: Rule) -> PlanImpossible | None:
    """Why nobody can carry the rule out; None when somebody can."""
    if rule.sequential is not None and rule.sequential.unacceptable_reliability >= rule.reliability:
        detail = sentence(
            "is %(unacceptable)s, not below reliability %(reliability)s",
            unacceptable=figure(rule.sequential.unacceptable_reliability, "g"),
            reliability=figure(rule.reliability, "g"),
        )
        return PlanImpossible("sequential/unacceptable_reliability", detail)
    if practice_of(rule) is not None:
        return None
    if rule.sequential is not None:
        return PlanImpossible("sequential", sentence("cannot be carried out: %(why)s", why=TOO_LONG))
    return PlanImpossible("reliability", sentence("cannot be shown: %(why)s", why=TOO_MANY))


@dataclass(frozen=True, slots=True)
class Plan:
    """A proof as it was planned. Names are as written; None: any will do, for the spread: none is asked for."""

    rule: Rule
    thickness_nm: int
    machine: str
    material: str
    gas: str | None = None
    surface_group: str | None = None
    thermal_history: str | None = None
    recipe: str | None = None
    recipe_revision: str | None = None
    least_plates: int | None = None
    least_heats: int | None = None
    least_days: int | None = None
    note: str | None = None


def plan_of(data: Mapping[str, Any]) -> Plan:
    """The plan that the data of an event of type cutledger.proof.planned states."""
    sequential, recipe = data.get("sequential"), data.get("recipe") or {}
    rule = Rule(
        reliability=float(data["reliability"]),
        confidence=float(data["confidence"]),
        # A sequential test has lines instead
        failures_allowed=0 if sequential else data.get("failures_allowed") or 0,
        sequential=sequential
        and Risks(
            producer=float(sequential["producer_risk"]),
            consumer=float(sequential["consumer_risk"]),
            unacceptable_reliability=float(sequential["unacceptable_reliability"]),
        ),
    )
    named = ("gas", "surface_group", "thermal_history", "least_plates", "least_heats", "least_days", "note")
    return Plan(
        rule=rule,
        # Its schema asks for one
        thickness_nm=thickness_nm(dict(data)) or 0,
        machine=data["machine"],
        material=data["material"],
        recipe=recipe.get("name"),
        recipe_revision=recipe.get("revision"),
        **{name: data.get(name) for name in named},
    )


def least_more_good(practice: Practice, *, trials: int, failures: int) -> int:
    """So many more trials, all good, and the series passes; 0 where it does. The failures are fewer than fail it."""
    first = bisect_left(practice.boundary.passes, failures) + 1
    return max(0, first - trials)


def percent(share: float) -> Sentence:
    """A share as people say it: 95 %, 99.5 %."""
    return sentence("%(share)s %%", share=figure(100 * share, ".6g"))
