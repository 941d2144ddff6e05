"""Events of a job -> what is to be cut. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any, Final

from worker.events import thickness_nm
from worker.records import Event

OPENED: Final = "cutledger.job.opened"
CLOSED: Final = "cutledger.job.closed"


@dataclass
class Job:
    """A job by its events: the last opened states it as a whole. Nothing is asked of it before that is here."""

    job: str
    stated: dict[str, Any] = field(default_factory=dict)
    opened_us: int | None = None
    closed_us: int | None = None
    close_reason: str | None = None

    @property
    def state(self) -> str:
        """Open or closed."""
        return "open" if self.closed_us is None else "closed"

    @cached_property
    def thickness_nm(self) -> int | None:
        """Thickness ordered."""
        return thickness_nm(self.stated)


def fold_job(job: str, events: Iterable[Event]) -> Job:
    """What the events of a job (not voided, in any order) say of it: an opened after a closed opens it again."""
    folded = Job(job)
    for event in sorted(events):
        if event.type == OPENED:
            folded.opened_us = event.time_us
            folded.stated = {name: value for name, value in event.data.items() if value is not None}
            folded.closed_us = folded.close_reason = None
        else:
            folded.closed_us, folded.close_reason = event.time_us, event.data["reason"]
    return folded


def to_make(*, quantity: int, good: int, recovered: int, in_rework: int, pending: int) -> int:
    """Parts of a job that still have to be cut."""
    return max(0, quantity - good - recovered - in_rework - pending)


def is_short(job: Mapping[str, Any]) -> bool:
    """True for an open job, as it is shown, of which parts still have to be cut."""
    return job["state"] == "open" and bool(job["to_make"])


def is_late(job: Mapping[str, Any], today: date) -> bool:
    """True for an open job, as it is shown, whose day has passed while parts are short, in rework or not judged."""
    if job["state"] != "open" or job.get("due") is None or date.fromisoformat(job["due"]) >= today:
        return False
    return bool(job["to_make"] or job["in_rework"] or job["pending"])
