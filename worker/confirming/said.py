"""What jobs were confirmed to have made: added up from the increments, as it is kept, and beside what is counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

import orjson
from sqlalchemy import Connection, bindparam, func, select, union

from worker.batches import STATEMENT_VALUES
from worker.confirming.amounts import Amounts, Place, Scope, added
from worker.confirming.counted import Counted
from worker.prepared import Lists, Prepared
from worker.sites import SiteCalendar
from worker.tables import LIVE, confirmations, confirmed

Row = dict[str, Any]
#: Attempts that the jobs of one list may have.
MOST_ATTEMPTS: Final = 20_000
EVERYTHING: Final = Scope(days=None, plates=None, reworked=True)


class Compared(NamedTuple):
    """Sums that only one of two sides has."""

    table: str
    stored: list[Row]
    recounted: list[Row]


def jobs_named(connection: Connection, site: str) -> list[str]:
    """Jobs of a site that anything is known or was confirmed of, in order."""
    tables = (LIVE.jobs, LIVE.attempts, confirmed, confirmations)
    named = union(*(select(table.c.job).where(table.c.site == site, table.c.job.is_not(None)) for table in tables))
    return sorted(connection.execute(named).scalars())


def jobs_together(connection: Connection, site: str) -> Iterator[list[str]]:
    """All jobs named, in order, in lists of which no more attempts tell than fit into memory with ease.

    A job that more tell of stands alone.
    """
    a = LIVE.attempts.c
    counted = select(a.job, func.count()).where(a.site == site, a.job.is_not(None)).group_by(a.job)
    attempts = {job: int(count) for job, count in connection.execute(counted)}
    some: list[str] = []
    told = 0
    for job in jobs_named(connection, site):
        if some and (len(some) >= STATEMENT_VALUES or told + attempts.get(job, 0) > MOST_ATTEMPTS):
            yield some
            some, told = [], 0
        some.append(job)
        told += attempts.get(job, 0)
    if some:
        yield some


def kept_of(connection: Connection, site: str, jobs: Sequence[str]) -> dict[Place, Amounts]:
    """The sums of jobs' increments, as they are kept."""
    rows = _kept_of(connection, {"of_site": site, "jobs": list(jobs)})
    return {(job, operation, day): Counter(orjson.loads(amounts)) for job, operation, day, amounts in rows}


@Prepared
def _kept_of(lists: Lists) -> Any:
    c = confirmed.c
    query = select(c.job, c.operation, c.posting_day, c.amounts)
    return query.where(c.site == bindparam("of_site"), lists.has(c.job, "jobs"))


def said_of(connection: Connection, site: str, jobs: Sequence[str]) -> tuple[dict[Place, Amounts], dict[str, int]]:
    """The sums of jobs' increments, added up; and the last number of each."""
    c = confirmations.c
    columns = (c.job, c.operation, c.posting_day, c.number, c.amounts)
    query = select(*columns).where(c.site == site, c.job.in_(jobs)).order_by(c.job, c.number)
    sums: dict[Place, Amounts] = {}
    last: dict[str, int] = {}
    for job, operation, day, number, amounts in connection.execute(query):
        sums.setdefault((job, operation, day), Counter()).update(orjson.loads(amounts))
        last[job] = number
    return _without_zeros(sums), last


def compared(connection: Connection, site: str, calendar: SiteCalendar) -> list[Compared]:
    """The increments beside what is counted, and what is kept beside the increments; both the same is the rule."""
    counted = Counted(connection, site, calendar)
    found = [Compared("confirmations", [], []), Compared("confirmed", [], [])]
    for jobs in jobs_together(connection, site):
        said, _ = said_of(connection, site, jobs)
        kept = kept_of(connection, site, jobs)
        operations = counted.operations(jobs)
        now = _without_zeros(counted.amounts(jobs, operations, EVERYTHING))
        for one, stored, right in ((found[0], said, now), (found[1], kept, said)):
            differing = sorted(place for place in stored.keys() | right.keys() if stored.get(place) != right.get(place))
            one.stored.extend(_row(place, stored[place]) for place in differing if place in stored)
            one.recounted.extend(_row(place, right[place]) for place in differing if place in right)
    return [one for one in found if one.stored or one.recounted]


def _without_zeros(sums: dict[Place, Amounts]) -> dict[Place, Amounts]:
    plain = {place: added(amounts, {}) for place, amounts in sums.items()}
    return {place: amounts for place, amounts in plain.items() if amounts}


def _row(place: Place, amounts: Amounts) -> Row:
    return dict(zip(("job", "operation", "posting_day"), place, strict=True)) | {"amounts": dict(amounts)}
