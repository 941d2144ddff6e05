"""What a walk reads of a site's plates, attempts and jobs: by indexes, never all attempts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any, Final

import orjson
from sqlalchemy import ColumnElement, Select, and_, func, or_, select

from worker.batches import in_batches
from worker.contradictions import LONGEST_RUN_US
from worker.events import MACHINE
from worker.naming import name_key
from worker.reports.reading import Reader
from worker.tables import LIVE
from worker.tracing.walk import Row

_PLATE: Final = (
    "plate", "state", "parent", "material", "thickness_nm", "mill", "heat_number", "supplier", "certificate",
    "delivery_condition", "received_us", "surface", "thermal_history",
)  # fmt: skip
#: What became of the parts of an attempt.
PARTS: Final = (
    "quantity", "tried", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework",
)  # fmt: skip
_ATTEMPT: Final = (
    "attempt", "state", "attempt_no", "job", "plate", "run", "piece", "piece_key", "retry_of", "machine_name",
    "recipe_name", "gas", "material_name", "thickness_nm", "day", "started_us", "ended_us", "outcome", "stop_reason",
    "part_number", "mill", "heat_number", "released", *PARTS,
)  # fmt: skip
_JOB: Final = ("job", "state", "part_number", "material", "thickness_nm", "quantity", "stated")
_DAY_US: Final = 24 * 3600 * 1_000_000


class SitePast:
    """The past of a site as of one snapshot."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self.site = reader.site

    # --- plates -------------------------------------------------------------------------------------------------

    def plates(self, names: Sequence[str]) -> list[Row]:
        """The known plates among these."""
        p = LIVE.plates.c
        return self._each(names, lambda some: self._plates(p.plate.in_(some)))

    def remnants(self, parents: Sequence[str], *, most: int) -> list[Row]:
        """Plates that name one of these as the one they were cut from."""
        p = LIVE.plates.c
        return self._each(parents, lambda some: self._plates(p.parent.in_(some)).limit(most))[:most]

    def of_heat(self, heat_number: str, *, most: int) -> list[Row]:
        """Plates of a heat number, of whatever mill."""
        return self.rows(self._plates(LIVE.plates.c.heat_number == heat_number).limit(most))

    def _plates(self, which: ColumnElement[bool]) -> Select[Any]:
        p = LIVE.plates.c
        order = (func.coalesce(p.received_us, 0), p.plate)
        return select(*(p[name] for name in _PLATE)).where(p.site == self.site, which).order_by(*order)

    # --- attempts -----------------------------------------------------------------------------------------------

    def attempts(self, column: str, names: Sequence[str], *, most: int) -> list[Row]:
        """Attempts of which a column is one of these."""
        a = LIVE.attempts.c
        return self._each(names, lambda some: self.attempts_where(a[column].in_(some)).limit(most))[:most]

    def on_piece(self, attempt: str, *, most: int) -> list[Row]:
        """An attempt and those that share its piece or a chain of retries with it; none where it is not known."""
        known: dict[str, Row] = {}
        names, pieces = {attempt}, set[str]()
        while (names or pieces) and len(known) <= most:
            found = chain(
                self.attempts("attempt", sorted(names), most=most + 1),
                self.attempts("retry_of", sorted(names), most=most + 1),
                self.attempts("piece_key", sorted(pieces), most=most + 1),
            )
            new = {row["attempt"]: row for row in found if row["attempt"] not in known}
            known |= new
            named = {row["retry_of"] for row in new.values() if row["retry_of"]}
            names = named - known.keys() | new.keys()
            pieces = {row["piece_key"] for row in new.values() if row["piece_key"]}
        if attempt not in known:
            return []
        return sorted(known.values(), key=lambda row: (row["started_us"] or 0, row["attempt"]))

    def on_machine(self, keys: Iterable[str], which: Sequence[ColumnElement[bool]], *, most: int) -> list[Row]:
        """Attempts on a machine that began within bounds (conditions on `started_us`)."""
        a = LIVE.attempts.c
        return self.rows(self.attempts_where(a.machine.in_(sorted(keys)), *which).limit(most))

    def attempts_where(self, *which: ColumnElement[bool]) -> Select[Any]:
        """Attempts for which all of this holds, the first first."""
        a = LIVE.attempts.c
        # Not by the bare id: to have the rows in its order for nothing, SQLite would read all attempts.
        order = (func.coalesce(a.started_us, 0), a.attempt)
        return select(*(a[name] for name in _ATTEMPT)).where(a.site == self.site, *which).order_by(*order)

    def machine_keys(self, machine: str) -> set[str]:
        """The keys under which attempts can have a machine: as it is named, and through the site's aliases."""
        return {name_key(machine), self.reader.calendar.latest.key_of(MACHINE, machine)}

    # --- jobs ---------------------------------------------------------------------------------------------------

    def jobs(self, names: Sequence[str]) -> list[Row]:
        """The known jobs among these, each with its order."""
        j = LIVE.jobs.c
        return [_with_order(row) for row in self._each(names, lambda some: self._jobs(j.job.in_(some)))]

    def of_order(self, order: str) -> list[Row]:
        """The jobs of an order; all jobs are looked through, which no index of theirs leads to."""
        said = f'"order":{orjson.dumps(order).decode()}'
        rows = self.rows(self._jobs(LIVE.jobs.c.stated.contains(said, autoescape=True)))
        return [job for job in map(_with_order, rows) if job["order"] == order]

    def _jobs(self, which: ColumnElement[bool]) -> Select[Any]:
        j = LIVE.jobs.c
        return select(*(j[name] for name in _JOB)).where(j.site == self.site, which).order_by(j.job)

    # --- rows ---------------------------------------------------------------------------------------------------

    def _each(self, names: Sequence[str], query: Any) -> list[Row]:
        return [row for some in in_batches(names) for row in self.rows(query(some))]

    def rows(self, query: Select[Any]) -> list[Row]:
        """Rows of a query as values by column."""
        return [
            {str(name): value for name, value in row.items()}
            for row in self.reader.connection.execute(query).mappings()
        ]


def ended_or_began_since(bound_us: int) -> ColumnElement[bool]:
    """Attempts that began at an instant or later, or were still being cut then.

    An end later than `LONGEST_RUN_US` after the start was entered late, and is no sign of a cut that went on.
    """
    a = LIVE.attempts.c
    was_cutting = and_(a.started_us > bound_us - LONGEST_RUN_US, or_(a.ended_us > bound_us, a.state == "open"))
    return or_(a.started_us >= bound_us, was_cutting)


def began_from(bound_us: int) -> ColumnElement[bool]:
    """The same in one bound of the index of machines."""
    return LIVE.attempts.c.started_us > bound_us - LONGEST_RUN_US


def within_days(first: str, last: str, *, first_us: int, last_us: int) -> list[ColumnElement[bool]]:
    """Attempts of production days; the instants are those of these days in UTC, by which the index is entered."""
    a = LIVE.attempts.c
    # A production day begins and ends at most two days off that of UTC, by the zone and by the start of the day.
    near = (a.started_us >= first_us - 2 * _DAY_US, a.started_us < last_us + 3 * _DAY_US)
    # Not the bare column, lest SQLite reads the attempts of all machines on these days.
    day = func.coalesce(a.day, "")
    return [day >= first, day <= last, *near]


def _with_order(row: Row) -> Row:
    stated = orjson.loads(row["stated"])
    return {**row, "order": stated.get("order"), "purpose": stated.get("purpose"), "due": stated.get("due")}
