"""What was said: events as their senders word them, and the ids that senders choose."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from demo.hours import ZONE

ERP: Final = "/erp"
STORE: Final = "/terminals/store"
QUALITY: Final = "/terminals/quality"
BENCH: Final = "/terminals/bench"
ENGINEERING: Final = "/engineering"
PREFIX: Final = "cutledger."

Event = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Saying:
    """One event: when it happened, who says it, of what kind (type without prefix), about which subject.

    `told_at` is when it is said, where that is later than when it happened.
    """

    at: datetime
    source: str
    kind: str
    subject: str
    data: Mapping[str, Any]
    id: str
    told_at: datetime

    def event(self) -> Event:
        """Return the CloudEvents 1.0 dict, its time in the shop's offset, with what is not given left out."""
        return {
            "specversion": "1.0",
            "id": self.id,
            "source": self.source,
            "type": PREFIX + self.kind,
            "subject": self.subject,
            "time": stated(self.at),
            "datacontenttype": "application/json",
            "data": {name: value for name, value in self.data.items() if value is not None},
        }


def say(
    rng: random.Random,
    at: datetime,
    *,
    source: str,
    kind: str,
    subject: str,
    data: Mapping[str, Any],
    told_at: datetime | None = None,
) -> Saying:
    """Word an event under a new time-ordered id drawn from rng."""
    at = at.replace(microsecond=at.microsecond // 1000 * 1000)
    told_at = told_at or at
    return Saying(at, source, kind, subject, data, time_ordered_id(rng, at=told_at), told_at)


def stated(at: datetime) -> str:
    """RFC 3339 text of an aware instant, in the shop's offset, to the millisecond."""
    return at.astimezone(ZONE).isoformat(timespec="milliseconds")


def time_ordered_id(rng: random.Random, *, at: datetime) -> str:
    """UUID of version 7: 48 bits of Unix milliseconds, then chance; the same rng state gives the same id."""
    milliseconds = round(at.timestamp() * 1000)
    value = milliseconds << 80 | 7 << 76 | rng.getrandbits(12) << 64 | 0b10 << 62 | rng.getrandbits(62)
    return str(UUID(int=value))
