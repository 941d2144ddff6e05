"""What the counted attempts, rework and plates of a site say that jobs made."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import orjson
from sqlalchemy import Connection, and_, bindparam, case, func, select

from worker.batches import in_batches
from worker.confirming.amounts import (
    ATTEMPTS,
    CUTTING,
    FINISHING_MINUTES,
    MACHINE_MINUTES,
    PARTS,
    PLATE_PARTS,
    REWORK_MINUTES,
    TIMED,
    UNTIMED,
    Amounts,
    Place,
    Scope,
    key_of,
    lost_reasons,
    minutes_e3,
)
from worker.confirming.plate_shares import Sheet, is_steel, shares_of
from worker.placing import E6, exact
from worker.prepared import Lists, Prepared
from worker.sites import SiteCalendar
from worker.sums import total
from worker.tables import LIVE

#: Plate -> parts tried from it by job, None for attempts that name none.
Taken = dict[str, dict[str | None, int]]
#: Job -> amounts by posting day
Used = dict[str, list[tuple[str, Amounts]]]
USED: Final = "used"


class Started(NamedTuple):
    """Parts of a job that attempts were started for, and how many of them are of attempts that have not finished."""

    parts: int = 0
    under_way: int = 0


class Counted:
    """Reads the derived tables of a site, in few statements for many jobs."""

    def __init__(self, connection: Connection, site: str, calendar: SiteCalendar) -> None:
        self.connection = connection
        self.site = site
        self.calendar = calendar

    def amounts(
        self, jobs: Sequence[str], operations: Mapping[str, str], scope: Scope, used: Used | None = None
    ) -> dict[Place, Amounts]:
        """What jobs made, by operation and posting day.

        operations: that of each job's cuts, where it names one; used: what jobs took of the plates of the scope, where
        that was reckoned before.
        """
        found: defaultdict[Place, Amounts] = defaultdict(Counter)

        def of_cut(job: str, day: str) -> Amounts:
            return found[job, operations.get(job, CUTTING), day]

        days = None if scope.days is None else sorted(scope.days)
        cut = self._cut(jobs, days)
        lost = any(amounts[name] for _, _, amounts in cut for name in _SCRAP)
        for job, day, amounts in (*cut, *(self._scrapped(jobs, days) if lost else ())):
            of_cut(job, day).update(amounts)
        if used is None:
            used = self.used_up(self._cut_for(jobs) if scope.plates is None else scope.plates)
        for job in jobs:
            for day, amounts in used.get(job, ()):
                of_cut(job, day).update(amounts)
        if scope.reworked:
            for place, amounts in self._reworked(jobs, days):
                found[place].update(amounts)
        return found

    def operations(self, jobs: Sequence[str]) -> dict[str, str]:
        """The operation of each job's cuts, where it names one."""
        rows = _stated(self.connection, {"of_site": self.site, "jobs": list(jobs)})
        told = {job: orjson.loads(stated).get("operation") for job, stated in rows}
        return {job: operation for job, operation in told.items() if operation is not None}

    def started(self, jobs: Sequence[str]) -> dict[str, Started]:
        """What was started for jobs, by what each attempt says it is to make."""
        if not jobs:
            return {}
        rows = _started(self.connection, {"of_site": self.site, "jobs": list(jobs)})
        return {job: Started(*parts) for job, *parts in rows}

    def taken_from(self, plates: Iterable[str]) -> Taken:
        """What was cut from plates; one without finished attempts is not in it."""
        found: Taken = {}
        for some in in_batches(sorted(plates)):
            for plate, job, tried in _taken_from(self.connection, {"of_site": self.site, "plates": some}):
                found.setdefault(plate, {})[job] = tried
        return found

    def used_among(self, plates: Iterable[str]) -> set[str]:
        """Those of some plates that are closed as used."""
        found: set[str] = set()
        for some in in_batches(sorted(plates)):
            rows = _used_among(self.connection, {"of_site": self.site, "plates": some})
            found.update(plate for (plate,) in rows)
        return found

    # --- cutting ------------------------------------------------------------------------------------------------

    def _of_jobs(self, statement: Prepared, jobs: Sequence[str], days: Sequence[str] | None) -> Sequence[Any]:
        """Rows of a statement on jobs, on these days where they are named."""
        given: dict[str, Any] = {"of_site": self.site, "jobs": list(jobs)}
        if days is not None:
            given["days"] = list(days)
        return statement(self.connection, given, days is not None)

    def _cut(self, jobs: Sequence[str], days: Sequence[str] | None) -> list[tuple[str, str, Amounts]]:
        found: defaultdict[tuple[str, str], Amounts] = defaultdict(Counter)
        milliseconds: Counter[tuple[str, str, str | None]] = Counter()
        rows = self._of_jobs(_cut, jobs, days)
        for job, day, machine, plate, heat_number, attempts, seconds_ms, without, *parts in rows:
            amounts = found[job, day]
            told = dict(zip(PARTS, parts, strict=True))
            amounts.update(told)
            amounts[ATTEMPTS] += attempts
            amounts[key_of(TIMED, machine)] += attempts - without
            amounts[key_of(UNTIMED, machine)] += without
            milliseconds[job, day, machine] += seconds_ms
            if plate is not None:
                amounts[key_of(PLATE_PARTS, plate, heat_number)] += told["tried"]
        for (job, day, machine), whole in milliseconds.items():
            found[job, day][key_of(MACHINE_MINUTES, machine)] = minutes_e3(whole)
        return [(job, day, amounts) for (job, day), amounts in found.items()]

    def _scrapped(self, jobs: Sequence[str], days: Sequence[str] | None) -> list[tuple[str, str, Amounts]]:
        attempts = {attempt: rest for attempt, *rest in self._of_jobs(_scrapped, jobs, days)}
        told: dict[str, dict[str, dict[str, int]]] = {}
        for some in in_batches(attempts):
            for attempt, sort, word, parts in _lost_by(self.connection, {"of_site": self.site, "attempts": some}):
                if sort in _REASONS and parts > 0:
                    told.setdefault(attempt, {reason: {} for reason in _REASONS})[sort][word] = parts
        return [
            (job, day, lost_reasons(
                outcome=outcome, scrapped=scrapped, not_made=not_made, lost_by_term=by["term"], causes=by["cause"]
            ))
            for attempt, by in told.items()
            for job, day, outcome, scrapped, not_made in [attempts[attempt]]
        ]  # fmt: skip

    # --- rework -------------------------------------------------------------------------------------------------

    def _reworked(self, jobs: Sequence[str], days: Sequence[str] | None) -> list[tuple[Place, Amounts]]:
        return [
            ((job, operation, day), Counter({REWORK_MINUTES: rework, FINISHING_MINUTES: finishing}))
            for job, operation, day, rework, finishing in self._of_jobs(_reworked, jobs, days)
        ]

    # --- plates -------------------------------------------------------------------------------------------------

    def used_up(self, plates: Iterable[str]) -> Used:
        """What jobs took of those plates that are closed as used, on the production day of that."""
        used = sorted(self.used_among(plates))
        found: Used = {}
        if not used:
            return found
        taken = self.taken_from(used)
        part_mg = self._part_masses({job for by_job in taken.values() for job in by_job if job is not None})
        remnants = self._remnants(used)
        for sheet, closed_us in self._sheets(used):
            day = self.calendar.place(closed_us).day.isoformat()
            shares = shares_of(sheet, remnants.get(sheet.plate, []), taken.get(sheet.plate, {}), part_mg)
            for job, amounts in shares.items():
                found.setdefault(job, []).append((day, amounts))
        return found

    def _cut_for(self, jobs: Sequence[str]) -> set[str]:
        return {plate for (plate,) in self._of_jobs(_cut_for, jobs, None) if plate is not None}

    def _part_masses(self, jobs: Iterable[str]) -> dict[str, int]:
        found: dict[str, int] = {}
        for some in in_batches(sorted(jobs)):
            for job, stated in _stated(self.connection, {"of_site": self.site, "jobs": some}):
                if (mass_kg := orjson.loads(stated).get("part_mass_kg")) is not None:
                    found[job] = round(exact(mass_kg) * E6)
        return found

    def _sheets(self, plates: Sequence[str]) -> list[tuple[Sheet, int]]:
        p = LIVE.plates.c
        return [
            (_sheet(row), row.closed_us)
            for some in in_batches(plates)
            for row in self.connection.execute(_SHEETS.where(p.site == self.site, p.plate.in_(some)))
        ]

    def _remnants(self, plates: Sequence[str]) -> dict[str, list[Sheet]]:
        """Remnants of plates that were received, in order."""
        p = LIVE.plates.c
        found: dict[str, list[Sheet]] = {}
        for some in in_batches(plates):
            # One that was entered as its own parent is no remnant.
            received = (p.received_us.is_not(None), p.parent != p.plate)
            query = _SHEETS.where(p.site == self.site, p.parent.in_(some), *received)
            for row in self.connection.execute(query.order_by(p.plate)):
                found.setdefault(row.parent, []).append(_sheet(row))
        return found


def _finished(lists: Lists, has_days: bool) -> tuple[Any, ...]:
    """Conditions on finished attempts of jobs, on days where these are given."""
    a = LIVE.attempts.c
    mine = (a.site == bindparam("of_site"), a.state == "finished", lists.has(a.job, "jobs"))
    return (*mine, lists.has(a.day, "days")) if has_days else mine


@Prepared
def _cut(lists: Lists, has_days: bool) -> Any:
    a = LIVE.attempts.c
    by = (a.job, a.day, a.machine_name, a.plate, a.heat_number)
    untimed = case((a.seconds_ms.is_(None), 1), else_=0)
    sums = (func.count(), total(a.seconds_ms), total(untimed), *(total(a[name]) for name in PARTS))
    return select(*by, *sums).where(*_finished(lists, has_days)).group_by(*by)


@Prepared
def _scrapped(lists: Lists, has_days: bool) -> Any:
    a = LIVE.attempts.c
    columns = (a.attempt, a.job, a.day, a.outcome, a.scrap + a.scrapped, a.not_made)
    return select(*columns).where(*_finished(lists, has_days), a.scrap + a.scrapped + a.not_made > 0)


@Prepared
def _lost_by(lists: Lists) -> Any:
    # Whatever the sort: SQLite would take one for a reason to read all that a site lost.
    lost = LIVE.lost_parts.c
    columns = (lost.attempt, lost.sort, lost.word, lost.parts_lost)
    return select(*columns).where(lost.site == bindparam("of_site"), lists.has(lost.attempt, "attempts"))


@Prepared
def _reworked(lists: Lists, has_days: bool) -> Any:
    a, r = LIVE.attempts.c, LIVE.rework.c
    by = (a.job, r.operation, r.day)
    minutes = (total(case((r.planned == planned, r.minutes_e3), else_=0)) for planned in (0, 1))
    query = (
        select(*by, *minutes)
        .select_from(LIVE.attempts.join(LIVE.rework, and_(r.site == a.site, r.attempt == a.attempt)))
        .where(a.site == bindparam("of_site"), lists.has(a.job, "jobs"))
        .group_by(*by)
    )
    return query.where(lists.has(r.day, "days")) if has_days else query


@Prepared
def _cut_for(lists: Lists, has_days: bool) -> Any:
    a = LIVE.attempts.c
    # None and all that is there twice are left to who asks: SQLite would read a whole site to leave them out.
    return select(a.plate).where(*_finished(lists, has_days))


@Prepared
def _started(lists: Lists) -> Any:
    a = LIVE.attempts.c
    under_way = total(case((a.state == "open", a.quantity), else_=0))
    mine = (a.site == bindparam("of_site"), lists.has(a.job, "jobs"), a.state.in_(("open", "finished")))
    return select(a.job, total(a.quantity), under_way).where(*mine).group_by(a.job)


@Prepared
def _taken_from(lists: Lists) -> Any:
    a = LIVE.attempts.c
    mine = (a.site == bindparam("of_site"), lists.has(a.plate, "plates"), a.state == "finished")
    return select(a.plate, a.job, total(a.tried)).where(*mine).group_by(a.plate, a.job)


@Prepared
def _used_among(lists: Lists) -> Any:
    p = LIVE.plates.c
    mine = (p.site == bindparam("of_site"), lists.has(p.plate, "plates"), p.close_reason == USED)
    return select(p.plate).where(*mine)


@Prepared
def _stated(lists: Lists) -> Any:
    j = LIVE.jobs.c
    return select(j.job, j.stated).where(j.site == bindparam("of_site"), lists.has(j.job, "jobs"))


_REASONS: Final = ("term", "cause")
_SCRAP: Final = ("scrap", "scrapped", "not_made")
_SHEETS: Final = select(
    *(
        LIVE.plates.c[name]
        for name in ("plate", "parent", "heat_number", "material", "thickness_nm", "stated", "closed_us")
    )
)


def _sheet(row: Any) -> Sheet:
    stated = orjson.loads(row.stated)
    sides = (stated.get("length_mm"), stated.get("width_mm"), row.thickness_nm)
    return Sheet(row.plate, row.heat_number, *sides, steel=is_steel(row.material))
