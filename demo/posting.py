"""How the shop's senders post: one stream each, in small batches, some of them twice, one of them a day late."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from demo.sayings import ENGINEERING, ERP, Event, Saying

BATCH_SIZES: Final = (1, 30)
#: Share of batches posted again as a whole, and of batches with which an earlier event is posted again.
BATCH_AGAIN: Final = 0.02
EVENT_AGAIN: Final = 0.12
#: Role of the keys of those who are no terminals.
_ROLES: Final = {ERP: "erp", ENGINEERING: "admin"}


@dataclass(frozen=True, slots=True)
class Stream:
    """One sender's batches in the order of posting; a late one posts after all the others, in one go."""

    source: str
    role: str
    late: bool
    batches: list[list[Event]]

    @property
    def posted(self) -> int:
        """Events posted, repeats counted."""
        return sum(map(len, self.batches))


def streams(said: Iterable[Saying], *, seed: str, late_source: str | None) -> list[Stream]:
    """Sort what was said into one stream a sender."""
    by_source: dict[str, list[Saying]] = {}
    for saying in said:
        by_source.setdefault(saying.source, []).append(saying)
    made = []
    for source, sayings in sorted(by_source.items()):
        sayings.sort(key=lambda saying: (saying.told_at, saying.at, saying.id))
        events = [saying.event() for saying in sayings]
        late = source == late_source
        batches = [events] if late else _batches(random.Random(f"{seed}{source}"), events)
        made.append(Stream(source, _ROLES.get(source, "terminal"), late, batches))
    return made


def _batches(rng: random.Random, events: list[Event]) -> list[list[Event]]:
    batches: list[list[Event]] = []
    posted = 0
    while posted < len(events):
        size = rng.randint(*BATCH_SIZES)
        batch = events[posted : posted + size]
        if posted and rng.random() < EVENT_AGAIN:
            # A terminal that lost an answer sends the event along with what came next.
            batch = [events[rng.randrange(posted)], *batch]
        batches.append(batch)
        posted += size
        if rng.random() < BATCH_AGAIN:
            batches.append(list(batch))
    return batches
