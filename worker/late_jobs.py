"""Which open jobs are late, or will be, because of cutting: due, and parts of them still to be cut, reworked or judged.

Late is what `worker.jobs.is_late` calls so: the day has passed while parts are short, in rework or not judged. Held is
a job that is due within DUE_SOON_DAYS, of which cutting has begun and not gone as it should: parts are in rework, not
judged, or were lost and have to be cut anew. A job due soon that nobody has begun is held by no cut. All is told as it
stands now.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import Connection

from worker.jobs import is_late
from worker.state import jobs

#: How soon a day is soon.
DUE_SOON_DAYS: Final = 7
#: Open jobs that are looked at; a site with more of them closes none.
MOST_JOBS: Final = 2_000
_AT_ONCE: Final = 500


@dataclass(frozen=True, slots=True)
class LateJob:
    """An open job with the parts that keep it. `is_late`: its day has passed; else it is held."""

    job: str
    part_number: str | None
    due: date
    is_late: bool
    quantity: int | None
    to_make: int
    in_rework: int
    pending: int


@dataclass(frozen=True)
class LateJobs:
    """Late jobs and held ones, each by the day they are due.

    without_due: open jobs that are due on no day, of which nothing can be told. is_all: no open job was left out.
    """

    late: tuple[LateJob, ...]
    held: tuple[LateJob, ...]
    without_due: int
    is_all: bool


def late_jobs(connection: Connection, site: str, *, today: date) -> LateJobs:
    """Late and held jobs of a site. today: its running production day."""
    found: list[LateJob] = []
    read = without_due = 0
    for job in _open_jobs(connection, site):
        read += 1
        if job.get("due") is None:
            without_due += 1
        elif (kept := _kept_by_cutting(job, today)) is not None:
            found.append(kept)
    found.sort(key=lambda one: (one.due, one.job))
    late, held = (tuple(one for one in found if one.is_late is is_late) for is_late in (True, False))
    return LateJobs(late, held, without_due, is_all=read < MOST_JOBS)


def _open_jobs(connection: Connection, site: str) -> Iterator[Mapping[str, Any]]:
    after: str | None = None
    for _ in range(MOST_JOBS // _AT_ONCE):
        page = jobs(connection, site, state="open", after=after, limit=_AT_ONCE)
        yield from page.items
        if (after := page.next) is None:
            return


def _kept_by_cutting(job: Mapping[str, Any], today: date) -> LateJob | None:
    due = date.fromisoformat(job["due"])
    to_make, in_rework, pending = job["to_make"] or 0, job["in_rework"], job["pending"]
    lost = job["parts_tried"] - job["good"] - job["recovered"] - in_rework - pending
    late = is_late(job, today)
    is_soon = today <= due <= today + timedelta(days=DUE_SOON_DAYS)
    if not late and not (is_soon and (in_rework or pending or (lost > 0 and to_make))):
        return None
    return LateJob(job["job"], job.get("part_number"), due, late, job.get("quantity"), to_make, in_rework, pending)
