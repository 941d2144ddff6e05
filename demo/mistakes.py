"""Two entries that never should have been: voided, and stated anew under another id."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Final

from demo.sayings import Saying, say, time_ordered_id

NOTICED_AFTER: Final = timedelta(minutes=35)
STATED_AFTER: Final = timedelta(minutes=37)


@dataclass(frozen=True, slots=True)
class Mistake:
    """A wrong entry, the void that takes it back, and the right entry."""

    wrong: Saying
    void: Saying
    right: Saying


def make_mistakes(rng: random.Random, said: Sequence[Saying]) -> list[Mistake]:
    """Spoil one rework entry and one finished attempt among what was said; each mistake's `right` is the original."""
    kinds: list[tuple[str, Callable[[Saying], dict[str, Any] | None], str]] = [
        ("attempt.reworked", _ten_times_the_minutes, "minutes typed with one digit too many"),
        ("attempt.finished", _all_scrap, "good parts typed in the scrap field"),
    ]
    mistakes = []
    for kind, spoilt, reason in kinds:
        choices = [(saying, data) for saying in said if saying.kind == kind and (data := spoilt(saying)) is not None]
        if choices:
            saying, data = rng.choice(choices)
            mistakes.append(_mistake(rng, saying, wrong=data, reason=reason))
    return mistakes


def _mistake(rng: random.Random, original: Saying, *, wrong: dict[str, Any], reason: str) -> Mistake:
    noticed_at, stated_at = original.at + NOTICED_AFTER, original.at + STATED_AFTER
    void = say(
        rng,
        noticed_at,
        source=original.source,
        kind="event.voided",
        subject=original.subject,
        data={"source": original.source, "id": original.id, "reason": reason},
    )
    right = replace(original, id=time_ordered_id(rng, at=stated_at), told_at=stated_at)
    return Mistake(replace(original, data=wrong), void, right)


def _ten_times_the_minutes(saying: Saying) -> dict[str, Any] | None:
    if saying.data.get("planned") or saying.data["minutes"] < 4:
        return None
    return {**saying.data, "minutes": round(saying.data["minutes"] * 10, 1)}


def _all_scrap(saying: Saying) -> dict[str, Any] | None:
    plain = saying.data["outcome"] == "severed" and saying.data.get("good") and not saying.data.get("rework")
    if not plain or saying.data.get("scrap"):
        return None
    return {**saying.data, "good": None, "scrap": saying.data["good"]}
