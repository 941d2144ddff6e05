"""Which news of jobs there is: increments are ready, a job ended, a job runs short; told once each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from sqlalchemy import Connection, bindparam, insert, select, update

from worker.confirming.amounts import Amounts, Place
from worker.confirming.counted import Started
from worker.jobs import to_make
from worker.prepared import Lists, Prepared, insert_rows
from worker.pushes.saying import CONFIRMATIONS_READY, JOB_ENDED, JOB_SHORT, News, say_all
from worker.tables import told_jobs

CLOSED: Final = "closed"
#: What ended, or was last worked on, longer ago is history that is read in, not news: 8 weeks.
OLD_US: Final = 8 * 7 * 24 * 3_600_000_000
_LEFT: Final = ("good", "recovered", "in_rework", "pending")


@dataclass
class Standing:
    """How a job stands: what was stated of it, and all that it made."""

    job: str
    state: str = "unknown"
    closed_us: int | None = None
    close_reason: str | None = None
    quantity: int | None = None
    operation: str | None = None
    order: str | None = None
    made: Amounts = field(default_factory=Counter)
    last_day: str = ""
    started: Started = Started()

    @property
    def to_make(self) -> int | None:
        """Parts that still have to be cut; None while the quantity is not known."""
        if self.quantity is None:
            return None
        return to_make(quantity=self.quantity, **{name: self.made[name] for name in _LEFT})

    @property
    def missing(self) -> int:
        """Parts still to make beyond those under way; 0 while the quantity is not known."""
        return max(0, (self.to_make or 0) - self.started.under_way)

    @property
    def short(self) -> bool:
        """Open, as many parts started as were ordered or more, and some missing: more have to be started."""
        if self.quantity is None or self.state == CLOSED:
            return False
        return self.started.parts >= self.quantity and self.missing > 0

    @property
    def stated(self) -> dict[str, Any]:
        """What an increment says of its job beside the amounts."""
        return {"state": self.state, "to_make": self.to_make}

    @property
    def news(self) -> dict[str, Any]:
        """Its figures, as they are pushed."""
        return {
            "job": self.job,
            "order": self.order,
            "quantity": self.quantity,
            "parts_tried": self.made["tried"],
            **{name: self.made[name] for name in _LEFT},
            "to_make": self.to_make,
            "under_way": self.started.under_way,
            "path": _path(self.job),
        }


class Increments(NamedTuple):
    """The new numbers of a job."""

    first: int
    last: int


@dataclass(frozen=True)
class _Told:
    """What was told of a job before."""

    state: str = "unknown"
    closed_us: int | None = None
    close_reason: str | None = None
    missing: int = 0
    confirmations: int = 0
    changes: int = 0


class Telling:
    """Compares jobs with what was told of them, within one counting transaction."""

    def __init__(self, connection: Connection, site: str, *, series: str, now_us: int) -> None:
        self.connection = connection
        self.site = site
        self.now_us = now_us
        self._told: dict[str, _Told] = {}
        self._series = series

    def numbered(self, standings: Mapping[str, Standing], changes: Mapping[Place, Amounts]) -> dict[str, Increments]:
        """The numbers that the new increments of each job get: they go on without a gap."""
        rows = _told(self.connection, {"of_site": self.site, "jobs": list(standings)})
        self._told = {job: _Told(*told) for job, *told in rows}
        counts = Counter(job for job, _, _ in changes)
        numbers: dict[str, Increments] = {}
        for job, count in counts.items():
            before = self._before(job).confirmations
            numbers[job] = Increments(before + 1, before + count)
        return numbers

    def go_on_from(self, jobs: Sequence[str], last: Mapping[str, int]) -> None:
        """Number on from the last numbers that jobs were given, whatever is kept of them."""
        t = told_jobs.c
        query = select(t.job, t.confirmations).where(t.site == self.site, t.job.in_(jobs))
        kept = dict(self.connection.execute(query).all())
        wrong = {job: last.get(job, 0) for job in jobs if last.get(job, 0) != kept.get(job, 0)}
        for job, number in wrong.items():
            if job in kept:
                mine = (t.site == self.site, t.job == job)
                self.connection.execute(update(told_jobs).where(*mine).values(confirmations=number))
            else:
                row = {"site": self.site, "job": job} | vars(_Told(confirmations=number))
                self.connection.execute(insert(told_jobs), row)

    def tell(self, standings: Mapping[str, Standing], increments: Mapping[str, Increments]) -> None:
        """Push what is news, and keep what was told."""
        rows: list[dict[str, Any]] = []
        told: list[News] = []
        for job, standing in standings.items():
            before = self._before(job)
            news = self._news(standing, before)
            now = _Told(
                standing.state,
                standing.closed_us,
                standing.close_reason,
                _missing_told(standing, before),
                increments[job].last if job in increments else before.confirmations,
                before.changes + len(news),
            )
            if job in increments and (before.confirmations or not self._is_over(standing)):
                ready = self._ready(standing, increments[job])
                told.append(News(CONFIRMATIONS_READY, self._key(job, now.confirmations), ready))
            told += [News(topic, self._key(job, now.changes), figures) for topic, figures in news]
            if now != before:
                rows.append({"of_site": self.site, "of_job": job, **vars(now)})
        say_all(self.connection, self.site, told, self.now_us)
        self._keep(rows)

    def _before(self, job: str) -> _Told:
        return self._told.get(job, _Told())

    def _news(self, standing: Standing, before: _Told) -> list[tuple[str, dict[str, Any]]]:
        """A job's end is news, one that is stated otherwise, and one that is none any more; so are more parts missing.

        By how it ended, not by its steps: several that are counted at once leave what stands in the end.
        """
        news: list[tuple[str, dict[str, Any]]] = []
        ended = (standing.closed_us, standing.close_reason)
        if ended != (before.closed_us, before.close_reason) and not self._is_over(standing):
            news.append((JOB_ENDED, standing.news | {"state": standing.state, "reason": standing.close_reason}))
        if standing.short and standing.missing > before.missing and not self._is_history(standing.last_day):
            news.append((JOB_SHORT, standing.news | {"missing": standing.missing}))
        return news

    def _is_over(self, standing: Standing) -> bool:
        return standing.closed_us is not None and standing.closed_us < self.now_us - OLD_US

    def _is_history(self, day: str) -> bool:
        return day < datetime.fromtimestamp((self.now_us - OLD_US) // 1_000_000, UTC).date().isoformat()

    def _key(self, job: str, number: int) -> str:
        return f"{self._series}\x1f{job}\x1f{number}"

    def _ready(self, standing: Standing, numbers: Increments) -> dict[str, Any]:
        after = f"after={numbers.first - 1}&series={self._series}"
        return {
            "job": standing.job,
            "order": standing.order,
            "series": self._series,
            "first": numbers.first,
            "last": numbers.last,
            "path": f"{_path(standing.job)}/confirmations?{after}",
        }

    def _keep(self, rows: list[dict[str, Any]]) -> None:
        known = [row for row in rows if row["of_job"] in self._told]
        new = [
            {"site": self.site, "job": row["of_job"]} | {name: row[name] for name in _COLUMNS}
            for row in rows
            if row["of_job"] not in self._told
        ]
        _change.each(self.connection, known)
        insert_rows(self.connection, told_jobs, new)


def _missing_told(standing: Standing, before: _Told) -> int:
    """Parts that a job was said to be short of: until enough are under way, so that no correction says it twice."""
    if standing.short:
        return max(standing.missing, before.missing)
    return before.missing if standing.missing else 0


def _path(job: str) -> str:
    return f"/v1/jobs/{quote(job, safe='')}"


_COLUMNS: Final = ("state", "closed_us", "close_reason", "missing", "confirmations", "changes")


@Prepared
def _told(lists: Lists) -> Any:
    t = told_jobs.c
    columns = (t[name] for name in _COLUMNS)
    return select(t.job, *columns).where(t.site == bindparam("of_site"), lists.has(t.job, "jobs"))


@Prepared
def _change(_: Lists) -> Any:
    mine = (told_jobs.c.site == bindparam("of_site"), told_jobs.c.job == bindparam("of_job"))
    return update(told_jobs).where(*mine).values({name: bindparam(name) for name in _COLUMNS})
