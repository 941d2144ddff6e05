"""Which news of jobs there is: increments are ready, a job ended, a job runs short; told once each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from sqlalchemy import Connection, bindparam, insert, select, update

from worker.confirming.amounts import Amounts, Place
from worker.jobs import to_make
from worker.pushes.saying import CONFIRMATIONS_READY, JOB_ENDED, JOB_SHORT, say
from worker.tables import told_jobs, webhooks

CLOSED: Final = "closed"
_LEFT: Final = ("good", "recovered", "in_rework", "pending")


@dataclass
class Standing:
    """How a job stands: what was stated of it, and all that it made."""

    job: str
    state: str = "unknown"
    close_reason: str | None = None
    quantity: int | None = None
    operation: str | None = None
    order: str | None = None
    made: Amounts = field(default_factory=Counter)

    @property
    def to_make(self) -> int | None:
        """Parts that still have to be cut; None while the quantity is not known."""
        if self.quantity is None:
            return None
        return to_make(quantity=self.quantity, **{name: self.made[name] for name in _LEFT})

    @property
    def short(self) -> bool:
        """Open, as many parts tried as were ordered or more, and still some to make: more have to be started."""
        if self.quantity is None or self.state == CLOSED:
            return False
        return self.made["tried"] >= self.quantity and bool(self.to_make)

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
    to_make: int | None = None
    short: int = 0
    confirmations: int = 0
    changes: int = 0


class Telling:
    """Compares jobs with what was told of them, within one counting transaction."""

    def __init__(self, connection: Connection, site: str, *, now_us: int) -> None:
        self.connection = connection
        self.site = site
        self.now_us = now_us
        self._told: dict[str, _Told] = {}
        self._anybody_listens: bool | None = None

    def numbered(self, standings: Mapping[str, Standing], changes: Mapping[Place, Amounts]) -> dict[str, Increments]:
        """The numbers that the new increments of each job get: they go on without a gap."""
        t = told_jobs.c
        columns = (t.state, t.to_make, t.short, t.confirmations, t.changes)
        query = select(t.job, *columns).where(t.site == self.site, t.job.in_(list(standings)))
        self._told = {job: _Told(*told) for job, *told in self.connection.execute(query)}
        counts = Counter(job for job, _, _ in changes)
        numbers: dict[str, Increments] = {}
        for job, count in counts.items():
            before = self._before(job).confirmations
            numbers[job] = Increments(before + 1, before + count)
        return numbers

    def tell(self, standings: Mapping[str, Standing], increments: Mapping[str, Increments]) -> None:
        """Push what is news, and keep what was told."""
        rows: list[dict[str, Any]] = []
        for job, standing in standings.items():
            before = self._before(job)
            news = self._news(standing, before)
            now = _Told(
                standing.state,
                standing.to_make,
                int(standing.short),
                increments[job].last if job in increments else before.confirmations,
                before.changes + len(news),
            )
            if job in increments:
                self._say(CONFIRMATIONS_READY, f"{job}\x1f{now.confirmations}", _ready(standing, increments[job]))
            for topic, figures in news:
                self._say(topic, f"{job}\x1f{now.changes}", figures)
            if now != before:
                rows.append({"of_site": self.site, "of_job": job, **vars(now)})
        self._keep(rows)

    def _before(self, job: str) -> _Told:
        return self._told.get(job, _Told())

    @staticmethod
    def _news(standing: Standing, before: _Told) -> list[tuple[str, dict[str, Any]]]:
        """A job ends when it is closed; it is short anew when more are missing than was told."""
        news: list[tuple[str, dict[str, Any]]] = []
        if standing.state == CLOSED != before.state:
            news.append((JOB_ENDED, standing.news | {"reason": standing.close_reason}))
        if standing.short and (not before.short or (standing.to_make or 0) > (before.to_make or 0)):
            news.append((JOB_SHORT, standing.news))
        return news

    def _say(self, topic: str, key: str, data: Mapping[str, Any]) -> None:
        if self._anybody_listens is None:
            w = webhooks.c
            there = select(w.webhook).where(w.site == self.site, w.removed_us.is_(None)).limit(1)
            self._anybody_listens = self.connection.execute(there).first() is not None
        if self._anybody_listens:
            say(self.connection, self.site, topic, key, data, self.now_us)

    def _keep(self, rows: list[dict[str, Any]]) -> None:
        known = [row for row in rows if row["of_job"] in self._told]
        new = [
            {"site": self.site, "job": row["of_job"]} | {name: row[name] for name in _COLUMNS}
            for row in rows
            if row["of_job"] not in self._told
        ]
        if known:
            self.connection.execute(_CHANGE, known)
        if new:
            self.connection.execute(insert(told_jobs), new)


def _ready(standing: Standing, numbers: Increments) -> dict[str, Any]:
    return {
        "job": standing.job,
        "order": standing.order,
        "first": numbers.first,
        "last": numbers.last,
        "path": f"{_path(standing.job)}/confirmations?after={numbers.first - 1}",
    }


def _path(job: str) -> str:
    return f"/v1/jobs/{quote(job, safe='')}"


_COLUMNS: Final = ("state", "to_make", "short", "confirmations", "changes")
_CHANGE: Final = update(told_jobs).where(
    told_jobs.c.site == bindparam("of_site"), told_jobs.c.job == bindparam("of_job")
)
