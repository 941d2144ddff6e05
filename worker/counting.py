"""The tallies: which were touched, and their recount from attempts and rework in set-based statements."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection, Table, bindparam, delete, insert, literal_column, select, union_all

from worker.batches import in_batches
from worker.prepared import Lists, Prepared, insert_rows
from worker.sums import rework_sums, tally_sums, total
from worker.tables import REWORK_SUMS, TALLY_SUMS, Derived
from worker.touches import NAMED, Touches

#: Tallies of attempts that are divided further, by what fewer reports ask for.
_FINER: Final = ("steel_tallies", "part_tallies")
#: Then the tallies as they are: what stands or falls together is of one plate, or of none, so of one steel. What is
#: summed by steel need only be added up.
_TALLIES: Final = (*_FINER, "tallies")
_REWORK_TALLIES: Final = "rework_tallies"


class Counting:
    """Collects what one recomputation touches, then counts it anew."""

    def __init__(self, connection: Connection, site: str, derived: Derived) -> None:
        self.connection = connection
        self.site = site
        self.derived = derived
        self.touches = Touches()

    def recount(self) -> None:
        """Count what was touched anew."""
        self._write_combinations()
        for which in _TALLIES:
            self._recount(which, self.touches.tallies)
        self._recount(_REWORK_TALLIES, self.touches.rework_tallies)
        self._write_names()

    def _recount(self, which: str, keys: set[tuple[str, int]]) -> None:
        """Count the tallies of these (day, combination) anew."""
        lists = Lists(self.connection.dialect.name)
        for some in in_batches(sorted(keys)):
            of = {"of_site": self.site, **lists.given("touched", some, 2)}
            _clear(self.connection, of, self.derived, which)
            _count(self.connection, of, self.derived, which)

    def _write_combinations(self) -> None:
        known: set[int] = set()
        for some in in_batches(self.touches.combinations):
            given = {"of_site": self.site, "of_combinations": some}
            known.update(number for (number,) in _known_combinations(self.connection, given, self.derived))
        rows = [
            {"site": self.site, "combination": number} | dimensions
            for number, dimensions in sorted(self.touches.combinations.items())
            if number not in known
        ]
        insert_rows(self.connection, self.derived.combinations, rows)

    def _write_names(self) -> None:
        """A name is shown as it was first written: by the attempt that was started first."""
        changed: list[dict[str, Any]] = []
        for some in in_batches(sorted(self.touches.names)):
            keys: dict[str, Any] = {f"{kind}_keys": [key for of, key in some if of == kind] for kind in NAMED}
            keys["of_site"] = self.site
            changed.extend(
                {"of_site": self.site, "of_kind": kind, "of_key": key, "spelling": first}
                for kind, key, first, stored in _spellings(self.connection, keys, self.derived)
                if first != stored
            )
        _forget_name.each(self.connection, changed, self.derived)
        rows = [
            {"site": self.site, "kind": one["of_kind"], "name_key": one["of_key"], "spelling": one["spelling"]}
            for one in changed
            if one["spelling"] is not None
        ]
        insert_rows(self.connection, self.derived.names, rows)


def _touched(lists: Lists, columns: Any) -> tuple[Any, ...]:
    return columns.site == bindparam("of_site"), lists.has_pair(columns.day, columns.combination, "touched")


@Prepared
def _clear(lists: Lists, derived: Derived, which: str) -> Any:
    """The touched tallies are gone."""
    table: Table = getattr(derived, which)
    return delete(table).where(*_touched(lists, table.c))


@Prepared
def _count(lists: Lists, derived: Derived, which: str) -> Any:
    """The touched tallies, from attempts, from those divided by steel, or from rework."""
    table: Table = getattr(derived, which)
    names = TALLY_SUMS if which in _TALLIES else REWORK_SUMS
    source = derived.attempts if which in _FINER else derived.steel_tallies if which in _TALLIES else derived.rework
    by = [source.c[column.name] for column in table.c if column.name not in names]
    where = _touched(lists, source.c)
    if which in _FINER:
        query = tally_sums(source, by=by, key=[source.c[column.name] for column in table.primary_key], where=where)
    elif which in _TALLIES:
        query = select(*by, *(total(source.c[name]) for name in names)).where(*where).group_by(*by)
    else:
        query = rework_sums(source, by=by, where=where)
    return insert(table).from_select([*(column.name for column in by), *names], query)


@Prepared
def _known_combinations(lists: Lists, derived: Derived) -> Any:
    c = derived.combinations.c
    return select(c.combination).where(c.site == bindparam("of_site"), lists.has(c.combination, "of_combinations"))


@Prepared
def _spellings(lists: Lists, derived: Derived) -> Any:
    """(kind, key, first spelling, stored spelling) of names."""
    return union_all(*(_spellings_of(lists, derived, kind) for kind in NAMED))


def _spellings_of(lists: Lists, derived: Derived, kind: str) -> Any:
    a, n, key = derived.attempts.c, derived.names.c, lists.table(f"{kind}_keys").c.value
    first = (
        select(a[f"{kind}_name"])
        .where(a.site == bindparam("of_site"), a[kind] == key)
        .order_by(a.started_us, a.attempt)
        .limit(1)
        .scalar_subquery()
    )
    stored = (
        select(n.spelling).where(n.site == bindparam("of_site"), n.kind == kind, n.name_key == key).scalar_subquery()
    )
    return select(literal_column(f"'{kind}'"), key, first, stored)


@Prepared
def _forget_name(_: Lists, derived: Derived) -> Any:
    n = derived.names.c
    mine = (n.site == bindparam("of_site"), n.kind == bindparam("of_kind"), n.name_key == bindparam("of_key"))
    return delete(derived.names).where(*mine)
