"""One attempt at one piece: which parts fail, how, and how the run ends."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from demo.orders import Piece
from demo.sayings import Saying
from demo.steel import Plate

NEVER: Final = datetime.max.replace(tzinfo=UTC)
GOOD, REWORK, SCRAP, NOT_MADE = "good", "rework", "scrap", "not_made"
PIERCE_TERM: Final = "pierce_deviation"
LOST_TERM: Final = "lost_cut"
#: How a part fails whose pierces all went through: (fate, defect term) -> weight.
FAILURES: Final = {
    (REWORK, "slag_lower_edge"): 34,
    (REWORK, "excessive_drag"): 10,
    (REWORK, "dimensional_deviation"): 8,
    (REWORK, "heat_distortion"): 4,
    (SCRAP, "gouging"): 7,
    (SCRAP, "dimensional_deviation"): 6,
    (SCRAP, "surface_burning"): 4,
    (NOT_MADE, LOST_TERM): 27,
}
PIERCE_FAILURES: Final = {(NOT_MADE, PIERCE_TERM): 55, (SCRAP, PIERCE_TERM): 25, (REWORK, PIERCE_TERM): 20}
#: A part with a failed pierce is so many times as likely as another to be one of the plate's failing parts.
PIERCE_WEIGHT: Final = 6
#: Reasons to stop that say nothing of the process.
OUTSIDE_REASONS: Final = ("gas_supply", "machine_fault", "power", "shift_end", "priority", "wrong_program")
OUTSIDE_SHARE: Final = 0.015


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of one part: its verdict, the defect's term (None: good), and its failed pierces."""

    verdict: str
    term: str | None
    failed_pierces: int


@dataclass(frozen=True, slots=True)
class Chances:
    """Of one plate on its turn: success share of a part, failure share of a pierce, pierces of a part."""

    success: float
    failed_pierce: float
    pierces: int


@dataclass(slots=True)
class Cut:
    """One attempt as it truly was; counts are parts, seconds machine time, minutes person-time of unplanned rework.

    First verdicts are complete at judged_at; at settled_at the last has been said of their rework.
    """

    id: str
    machine: str
    plate: Plate
    piece: Piece
    run: str
    started_at: datetime
    attempt_no: int
    retry_of: str | None
    mode: str | None
    operator: str
    source: str
    fates: tuple[Fate, ...]
    quantity: int
    outcome: str = "severed"
    stop_reason: str | None = None
    resumable: bool = False
    interruptions: int = 0
    seconds: float = 0.0
    finished_at: datetime = NEVER
    judged_at: datetime = NEVER
    settled_at: datetime = NEVER
    recovered: int = 0
    scrapped: int = 0
    rework_minutes: float = 0.0
    said: list[Saying] = field(default_factory=list)

    def count(self, verdict: str) -> int:
        """Parts of one verdict: good, rework, scrap or not_made."""
        return sum(fate.verdict == verdict for fate in self.fates)

    @property
    def tried(self) -> int:
        """Parts that the run reached."""
        return len(self.fates)

    @property
    def pierces(self) -> int:
        """Starting points of the parts reached."""
        return self.tried * self.piece.job.part.pierces

    @property
    def failed_pierces(self) -> int:
        """Pierces that did not go through at the first try."""
        return sum(fate.failed_pierces for fate in self.fates)

    @property
    def missing(self) -> int:
        """Parts that the piece still lacks and that are known to be lost when the run ends."""
        return self.quantity - self.tried + self.count(NOT_MADE)

    def terms(self, verdict: str) -> list[str]:
        """Return the defect terms of the parts of one verdict, one for each part."""
        return [fate.term for fate in self.fates if fate.verdict == verdict and fate.term]


def draw_fates(rng: random.Random, parts: int, *, chances: Chances) -> list[Fate]:
    """Draw what becomes of so many parts of one plate.

    How many fail depends on the plate's success share alone; failed pierces only decide which ones.
    """
    pierces = range(chances.pierces)
    failed = [sum(rng.random() < chances.failed_pierce for _ in pierces) for _ in range(parts)]
    failing = sum(rng.random() >= chances.success for _ in range(parts))
    # Sampling without replacement by weight: the largest of u ** (1 / weight) (Efraimidis and Spirakis 2006).
    order = sorted(range(parts), key=lambda at: -(rng.random() ** (1 / (PIERCE_WEIGHT if failed[at] else 1))))
    lost = set(order[:failing])
    return [_fate(rng, failed[at], fails=at in lost) for at in range(parts)]


def _fate(rng: random.Random, failed_pierces: int, *, fails: bool) -> Fate:
    if not fails:
        return Fate(GOOD, None, failed_pierces)
    ways = PIERCE_FAILURES if failed_pierces else FAILURES
    verdict, term = rng.choices(list(ways), list(ways.values()))[0]
    return Fate(verdict, term, failed_pierces)


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended: the parts it reached, its outcome, and what the operator gave as the reason."""

    fates: tuple[Fate, ...]
    outcome: str = "severed"
    stop_reason: str | None = None


def ending(rng: random.Random, fates: Sequence[Fate], *, may_stop: bool) -> Ending:
    """Decide how far the run came through the given parts.

    With may_stop it is now and then stopped by something outside the process before the next part.
    """
    lost = [at for at, fate in enumerate(fates) if fate.verdict == NOT_MADE]
    # What stops a run from outside may depend on the parts before it only, else the yield would be biased.
    if may_stop and rng.random() < OUTSIDE_SHARE:
        stopped_at = rng.randrange(len(fates))
        if not lost or stopped_at <= lost[0]:
            return Ending(tuple(fates[:stopped_at]), "aborted", rng.choice(OUTSIDE_REASONS))
    if not lost:
        return Ending(tuple(fates))
    if len(fates) > 1 and rng.random() < 0.5:
        return Ending(tuple(fates), "not_severed")
    reached = tuple(fates[: lost[0] + 1])
    if reached[-1].term == PIERCE_TERM:
        return Ending(reached, "pierce_failed")
    if len(fates) == 1 and rng.random() < 0.6:
        return Ending(reached, "not_severed")
    return Ending(reached, "aborted", "collision" if rng.random() < 0.1 else "lost_cut")
