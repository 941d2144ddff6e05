"""Work on parts after the cut: rework that makes them good or ends in scrap, and finishing that was planned."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from demo.cuts import GOOD, PIERCE_TERM, REWORK, Cut
from demo.hours import bench_time
from demo.sayings import BENCH, QUALITY, say


@dataclass(frozen=True, slots=True)
class Mending:
    """Where a defect sits, the operation that mends it, and its mean person-minutes a part."""

    location: str
    operation: str
    minutes: float


MENDING: Final = {
    "slag_lower_edge": Mending("lower_edge", "dross_removal", 6.0),
    "excessive_drag": Mending("face", "grinding", 9.0),
    "dimensional_deviation": Mending("contour", "grinding", 8.0),
    "heat_distortion": Mending("contour", "straightening", 14.0),
    PIERCE_TERM: Mending("hole", "weld_repair", 18.0),
}
HIDDEN: Final = Mending("lower_edge", "deburring", 4.0)
GROUND_FIRST: Final = Mending("lower_edge", "grinding", 4.0)
#: Nobody spends longer on a part than this; dearer ones are scrapped.
MOST_MINUTES_A_PART: Final = 28.0
SCRAPPED_IN_REWORK: Final = 0.07
NEVER_ENDED: Final = 0.03
INSPECTED_AFTER: Final = 0.35


def say_rework(rng: random.Random, cut: Cut) -> None:
    """Mend the parts that were declared rework; each operation ends it, or an inspection after the last, or nobody."""
    at, recovered, scrapped = cut.judged_at, 0, 0
    inspected = rng.random() < INSPECTED_AFTER
    never_ended = not inspected and rng.random() < NEVER_ENDED
    for term, parts in Counter(cut.terms(REWORK)).items():
        at = bench_time(at + timedelta(hours=rng.uniform(0.5, 20)))
        if term == "slag_lower_edge" and rng.random() < 0.2:
            _say_operation(rng, cut, at, mending=GROUND_FIRST, parts=parts)
            at += timedelta(minutes=25)
        lost = sum(rng.random() < SCRAPPED_IN_REWORK for _ in range(parts))
        ended = {} if inspected or never_ended else {"recovered": parts - lost, "scrapped": lost or None}
        _say_operation(rng, cut, at, mending=MENDING[term], parts=parts, **ended)
        recovered, scrapped = recovered + parts - lost, scrapped + lost
    if inspected:
        at = bench_time(at + timedelta(hours=rng.uniform(0.2, 9)))
        data = {"stage": "after_rework", "good": recovered, "scrap": scrapped or None}
        cut.said.append(say(rng, at, source=QUALITY, kind="attempt.inspected", subject=cut.id, data=data))
    cut.settled_at = at
    if not never_ended:
        cut.recovered, cut.scrapped = recovered, scrapped


def say_hidden_rework(rng: random.Random, cut: Cut) -> None:
    """Mend parts that the operator had called good: only the minutes on the bench tell that they were not.

    All parts in one operation, because the largest operation is what shows how many they were.
    """
    parts = cut.count(REWORK)
    at = bench_time(cut.judged_at + timedelta(hours=rng.uniform(0.5, 20)))
    _say_operation(rng, cut, at, mending=HIDDEN, parts=parts)
    cut.recovered, cut.judged_at, cut.settled_at = parts, at, at


def say_finishing(rng: random.Random, cut: Cut) -> None:
    """Say the edge rounding that the routing asks for: work, but no rework."""
    at, parts = bench_time(cut.judged_at + timedelta(hours=rng.uniform(1, 24))), cut.count(GOOD)
    minutes = round(parts * rng.uniform(0.8, 1.6), 1)
    data = {"operation": "edge_rounding", "minutes": minutes, "parts": parts, "planned": True}
    cut.said.append(say(rng, at, source=BENCH, kind="attempt.reworked", subject=cut.id, data=data))


def _say_operation(
    rng: random.Random, cut: Cut, at: datetime, *, mending: Mending, parts: int, **ended: int | None
) -> None:
    minutes_a_part = min(MOST_MINUTES_A_PART, mending.minutes * rng.lognormvariate(0, 0.35))
    minutes = round(minutes_a_part * parts, 1)
    data: dict[str, Any] = {"operation": mending.operation, "minutes": minutes, "parts": parts, **ended}
    cut.rework_minutes = round(cut.rework_minutes + minutes, 1)
    cut.said.append(say(rng, at, source=BENCH, kind="attempt.reworked", subject=cut.id, data=data))
