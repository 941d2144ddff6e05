"""The tallies: which were touched, and their recount from attempts and rework in set-based statements."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Table, bindparam, delete, insert, select

from worker.batches import in_batches
from worker.sums import attempt_sums, rework_sums
from worker.tables import DIMENSIONS, REWORK_SUMS, TALLY_SUMS, Derived

#: Tallies of attempts: as they are, and divided further by what fewer reports ask for.
_TALLIES: Final = ("tallies", "steel_tallies", "part_tallies")
_REWORK_TALLIES: Final = "rework_tallies"
NAMED: Final = ("material", "machine", "recipe")


class Counting:
    """Collects what one recomputation touches, then counts it anew."""

    def __init__(self, connection: Connection, site: str, derived: Derived) -> None:
        self.connection = connection
        self.site = site
        self.derived = derived
        self._tally_keys: set[tuple[str, int]] = set()
        self._rework_keys: set[tuple[str, int]] = set()
        self._names: set[tuple[str, str]] = set()
        self._combinations: dict[int, dict[str, Any]] = {}

    def touch_attempt(self, row: Mapping[str, Any]) -> None:
        """Take in an attempt's row as it was, or as it is."""
        if row["day"] is not None:
            self._tally_keys.add((row["day"], row["combination"]))
            self._combinations.setdefault(row["combination"], {name: row[name] for name in DIMENSIONS})
        self._names.update((kind, row[kind]) for kind in NAMED if row[kind] is not None)

    def touch_combination(self, combination: int, dimensions: Mapping[str, Any]) -> None:
        """Take in the dimensions of a combination."""
        self._combinations.setdefault(combination, dict(dimensions))

    def touch_rework(self, row: Mapping[str, Any]) -> None:
        """Take in a rework row as it was, or as it is."""
        self._rework_keys.add((row["day"], row["combination"]))

    def recount(self) -> None:
        """Count what was touched anew."""
        self._write_combinations()
        for which in _TALLIES:
            self._recount(which, self._tally_keys)
        self._recount(_REWORK_TALLIES, self._rework_keys)
        self._write_names()

    def _recount(self, which: str, keys: set[tuple[str, int]]) -> None:
        """Count the tallies of these (day, combination) anew, day by day in order."""
        clear, count = _recount_statements(self.derived, which)
        by_day: dict[str, list[int]] = defaultdict(list)
        for day, combination in keys:
            by_day[day].append(combination)
        for day in sorted(by_day):
            for some in in_batches(sorted(by_day[day])):
                of = {"of_site": self.site, "of_day": day, "of_combinations": some}
                self.connection.execute(clear, of)
                self.connection.execute(count, of)

    def _write_combinations(self) -> None:
        table = self.derived.combinations
        known: set[int] = set()
        for some in in_batches(self._combinations):
            query = select(table.c.combination).where(table.c.site == self.site, table.c.combination.in_(some))
            known.update(self.connection.execute(query).scalars())
        rows = [
            {"site": self.site, "combination": number} | dimensions
            for number, dimensions in sorted(self._combinations.items())
            if number not in known
        ]
        if rows:
            self.connection.execute(insert(table), rows)

    def _write_names(self) -> None:
        """A name is shown as it was first written: by the attempt that was started first."""
        a, table = self.derived.attempts.c, self.derived.names
        for kind, key in sorted(self._names):
            first = self.connection.execute(
                select(a[f"{kind}_name"])
                .where(a.site == self.site, a[kind] == key)
                .order_by(a.started_us, a.attempt)
                .limit(1)
            ).scalar_one_or_none()
            n = table.c
            stored = self.connection.execute(
                select(n.spelling).where(n.site == self.site, n.kind == kind, n.name_key == key)
            ).scalar_one_or_none()
            if first == stored:
                continue
            self.connection.execute(delete(table).where(n.site == self.site, n.kind == kind, n.name_key == key))
            if first is not None:
                self.connection.execute(
                    insert(table), {"site": self.site, "kind": kind, "name_key": key, "spelling": first}
                )


@lru_cache
def _recount_statements(derived: Derived, which: str) -> tuple[Any, Any]:
    """(clear, count) of the tallies of one day and some combinations; built once, since building takes longer."""
    table: Table = getattr(derived, which)
    source = derived.attempts if which in _TALLIES else derived.rework
    sums, names = (attempt_sums, TALLY_SUMS) if which in _TALLIES else (rework_sums, REWORK_SUMS)
    by = [source.c[column.name] for column in table.c if column.name not in names]

    def touched(columns: Any) -> tuple[Any, ...]:
        return (
            columns.site == bindparam("of_site"),
            columns.day == bindparam("of_day"),
            columns.combination.in_(bindparam("of_combinations", expanding=True)),
        )

    query = sums(source, by=by, where=touched(source.c))
    columns = [*(column.name for column in by), *names]
    return delete(table).where(*touched(table.c)), insert(table).from_select(columns, query)
