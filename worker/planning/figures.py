"""The figures of a plan: amounts with their ranges, plates, setups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from worker.planning.orders import Order
from worker.reports.expected_yield import CONFIDENCE, ExpectedYield
from worker.sentences import sentence
from worker.stats.ratios import Rate, limits_of
from worker.stats.starts import Starts, TopUp

#: Nothing of an amount so far, and nothing that tells how much there would be.
NONE_YET: Final = sentence("none so far, with this material: no upper limit")


@dataclass(frozen=True, slots=True)
class Amount:
    """An amount expected, with the range that holds 90 %, and the past parts it rests on. None with a `reason`."""

    expected: float | None = None
    low: float | None = None
    high: float | None = None
    n: float | None = None
    reason: str | None = None


def amount(
    rate: Rate | None, *, parts: int, past_parts: int, unit: float = 1.0, usual: float | None = None, missing: str
) -> Amount:
    """What so many parts will take at a rate of the past, by part; `unit` of the rate make one of the answer.

    usual: the rate where there is any, which limits one of 0: see `limits_of`.

    How far the rate itself may be off is the variance v of its logarithm, over `past_parts`. Parts to come vary by as
    much as those of the past: so the logarithm of their amount has the variance v (1 + past_parts / parts).
    """
    if rate is None:
        return Amount(reason=missing)
    spread = None if rate.variance is None else rate.variance * (1 + past_parts / parts)
    found = limits_of(replace(rate, variance=spread), confidence=CONFIDENCE, usual=usual)
    reason = NONE_YET if rate.rate <= 0 and found.high is None else found.reason

    def scaled(value: float | None) -> float | None:
        return None if value is None else value * parts / unit

    return Amount(scaled(found.value), scaled(found.low), scaled(found.high), past_parts, reason)


def added(amounts: Sequence[tuple[Amount, float]]) -> Amount:
    """Amounts, each at its price, together: their distances to the limits are squared and added (MOVER).

    One of which there is none so far, with no limit, is left out of the upper limit; the reason says that.
    """
    expected = math.fsum((one.expected or 0.0) * price for one, price in amounts)
    counted = [(one, price) for one, price in amounts if price]

    def limit(name: str) -> float | None:
        ends = [(one, getattr(one, name), price) for one, price in counted if one.reason != NONE_YET]
        if any(end is None for _, end, _ in ends):
            return None
        return math.hypot(*(((one.expected or 0.0) - end) * price for one, end, price in ends))

    down, up = limit("low"), limit("high")
    reason = next((one.reason for one, _ in counted if one.low is None or one.high is None), None)
    rests_on = min((one.n for one, _ in counted if one.n is not None), default=None)
    return Amount(
        expected,
        None if down is None else max(0.0, expected - down),
        None if up is None else expected + up,
        rests_on,
        reason,
    )


@dataclass(frozen=True, slots=True)
class PlatesNeeded:
    """How many plates it takes. `source` says where the parts a plate come from; None with a `reason`."""

    parts_a_plate: int | None
    source: str | None
    needed: int | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class Alternative:
    """A setup that cuts the material, and what it promises; the chosen one is among them."""

    machine: str | None
    gas: str | None
    share: float | None
    low: float | None
    high: float | None
    effective_n: float | None
    source: str | None
    reason: str | None


#: So many setups are listed.
MOST_ALTERNATIVES: Final = 10


@dataclass(frozen=True)
class Plan:
    """How an order may be cut. Without a yield there are no starts, and `reason` says why.

    `alternatives` are those that promise most, best first; `more_alternatives` are not listed.
    """

    order: Order
    assurance: float
    expected: ExpectedYield | None
    standing: str | None
    correlation: float | None
    correlation_ahead: float | None
    starts: Starts | None
    top_up: TopUp | None
    plates: PlatesNeeded | None
    machine_minutes: Amount
    rework_minutes: Amount
    scrap_mass_kg: Amount
    cost: Amount
    currency: str | None
    machine: str | None
    gas: str | None
    bevel_mdeg: int | None
    alternatives: tuple[Alternative, ...]
    more_alternatives: int
    reason: str | None
    notes: tuple[str, ...]
