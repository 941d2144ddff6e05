"""Appends what jobs made since, in the transaction that counts it: the sum of a job's increments is always its state.

An increment is the difference between what the counted events say and what was confirmed before. So voids, late events
and corrections come as negative amounts, and counting again what did not change appends nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

import orjson
from sqlalchemy import Connection, bindparam, delete, select, update

from worker.batches import in_batches
from worker.confirming.amounts import Amounts, Place, Scope, added, difference
from worker.confirming.counted import Counted, Used
from worker.confirming.said import EVERYTHING, jobs_together, kept_of, said_of
from worker.confirming.telling import Increments, Standing, Telling
from worker.prepared import Lists, Prepared, insert_rows
from worker.recount import Touched
from worker.sites import SiteCalendar
from worker.tables import LIVE, confirmations, confirmed

#: More days than this are read without naming them.
MOST_DAYS: Final = 1_000


class Confirming:
    """Appends to the confirmations of a site, whose lock the caller holds; the caller commits.

    position: up to which event of the ledger is counted; series: the name of the site's numbers.
    """

    def __init__(
        self, connection: Connection, site: str, calendar: SiteCalendar, *, position: int, series: str, now_us: int
    ) -> None:
        self.connection = connection
        self.site = site
        self.counted = Counted(connection, site, calendar)
        self.telling = Telling(connection, site, series=series, now_us=now_us)
        self.position = position
        self.now_us = now_us

    def of_touched(self, touched: Touched) -> None:
        """Confirm what a recount may have changed."""
        plates = touched.changed_plates | self.counted.used_among(touched.plates.keys() - touched.changed_plates)
        taken = self.counted.taken_from(plates)
        plates &= taken.keys() | touched.plates.keys()
        jobs = set(touched.jobs)
        for plate in plates:
            jobs |= touched.plates.get(plate, set()) | {job for job in taken.get(plate, {}) if job is not None}
        days = touched.days if len(touched.days) <= MOST_DAYS else None
        # Once, not for each batch of jobs: which of them a plate was cut for is not known before.
        used = self.counted.used_up(plates)
        for some in in_batches(sorted(jobs)):
            self._confirm(some, Scope(days, plates, touched.reworked or days is None), used)

    def of_everything(self) -> None:
        """Confirm what all jobs made, as after a rebuild; what is kept of their confirmations is added up anew."""
        for some in jobs_together(self.connection, self.site):
            self._add_up_again(some)
            self._confirm(some, EVERYTHING)

    def _add_up_again(self, jobs: Sequence[str]) -> None:
        said, last = said_of(self.connection, self.site, jobs)
        kept = kept_of(self.connection, self.site, jobs)
        wrong = (place for place in said.keys() | kept.keys() if said.get(place) != kept.get(place))
        self._keep(kept, {place: said.get(place, Counter()) for place in wrong})
        self.telling.go_on_from(jobs, last)

    def _confirm(self, jobs: Sequence[str], scope: Scope, used: Used | None = None) -> None:
        standings = self._standings(jobs)
        kept = kept_of(self.connection, self.site, jobs)
        changes = difference(self.counted.amounts(jobs, _operations(standings), scope, used), kept, scope)
        sums = {place: added(kept.get(place, {}), change) for place, change in changes.items()}
        for (job, _, day), amounts in (kept | sums).items():
            standings[job].made.update(amounts)
            standings[job].last_day = max(standings[job].last_day, day)
        for job, started in self.counted.started([job for job in jobs if standings[job].to_make]).items():
            standings[job].started = started
        increments = self.telling.numbered(standings, changes)
        self._append(standings, changes, increments)
        self._keep(kept, sums)
        self.telling.tell(standings, increments)

    def _standings(self, jobs: Sequence[str]) -> dict[str, Standing]:
        """How jobs stand, by name; one that only attempts name is not known."""
        found = {job: Standing(job) for job in jobs}
        rows = _standings(self.connection, {"of_site": self.site, "jobs": list(jobs)})
        for job, state, closed_us, close_reason, quantity, stated in rows:
            told = orjson.loads(stated)
            words = {name: told.get(name) for name in ("operation", "order")}
            found[job] = Standing(job, state, closed_us, close_reason, quantity, **words)
        return found

    def _append(
        self, standings: Mapping[str, Standing], changes: Mapping[Place, Amounts], increments: Mapping[str, Increments]
    ) -> None:
        rows: list[dict[str, Any]] = []
        numbers = {job: told.first for job, told in increments.items()}
        for job, operation, day in sorted(changes, key=lambda place: (place[0], place[2], place[1])):
            rows.append(
                {
                    "site": self.site,
                    "job": job,
                    "number": numbers[job],
                    "operation": operation,
                    "posting_day": day,
                    "position": self.position,
                    "made_us": self.now_us,
                    "amounts": _json(changes[job, operation, day]),
                    "stated": orjson.dumps(standings[job].stated).decode(),
                }
            )
            numbers[job] += 1
        insert_rows(self.connection, confirmations, rows)

    def _keep(self, kept: Mapping[Place, Amounts], sums: Mapping[Place, Amounts]) -> None:
        gone = [_keyed(self.site, place) for place, amounts in sums.items() if not amounts]
        new = [
            {"site": self.site, "job": place[0], "operation": place[1], "posting_day": place[2], "amounts": _json(sum_)}
            for place, sum_ in sums.items()
            if sum_ and place not in kept
        ]
        changed = [_keyed(self.site, place) | {"amounts": _json(sum_)} for place, sum_ in sums.items()
                   if sum_ and place in kept]  # fmt: skip
        _forget.each(self.connection, gone)
        insert_rows(self.connection, confirmed, new)
        _change.each(self.connection, changed)


def _operations(standings: Mapping[str, Standing]) -> dict[str, str]:
    return {job: one.operation for job, one in standings.items() if one.operation is not None}


def _json(amounts: Amounts) -> str:
    return orjson.dumps(amounts, option=orjson.OPT_SORT_KEYS).decode()


def _keyed(site: str, place: Place) -> dict[str, Any]:
    return {"of_site": site, "of_job": place[0], "of_operation": place[1], "of_day": place[2]}


def _mine() -> tuple[Any, ...]:
    c = confirmed.c
    job = (c.site == bindparam("of_site"), c.job == bindparam("of_job"))
    return (*job, c.operation == bindparam("of_operation"), c.posting_day == bindparam("of_day"))


@Prepared
def _forget(_: Lists) -> Any:
    return delete(confirmed).where(*_mine())


@Prepared
def _change(_: Lists) -> Any:
    return update(confirmed).where(*_mine()).values(amounts=bindparam("amounts"))


@Prepared
def _standings(lists: Lists) -> Any:
    j = LIVE.jobs.c
    columns = (j.job, j.state, j.closed_us, j.close_reason, j.quantity, j.stated)
    return select(*columns).where(j.site == bindparam("of_site"), lists.has(j.job, "jobs"))
