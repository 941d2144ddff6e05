"""First-attempt parts that speak of the process, as counts: what reports share that say what may be promised.

Left out are production days that are not judged yet, cuts with a bevel unless they are asked for, and parts that were
lost to a confirmed cause that is no fault of the cut.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import ColumnElement, literal_column, select

from worker.batches import in_batches
from worker.events import NOT_THE_PROCESS
from worker.measures import FIRST_PASS
from worker.reports.comparing import compared_groups
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, attempt_groups, conditions_of
from worker.sentences import counted, joined, sentence
from worker.stats.clustering import Clustered, Correlation, correlation
from worker.sums import E6, MOST_IN_CLUSTER, total

_BEVEL: Final = "bevel"
#: What makes a cell, by the names of the dimensions: within one nothing but plates and chance should tell parts apart.
CELL_NAMES: Final = ("thickness", "material", "machine", "gas", "surface_group", "thermal_history", "recipe")
#: Filters that say which parts speak of the process at all.
_WHICH_PARTS: Final = ("purpose", _BEVEL)


@dataclass(frozen=True)
class ProcessParts:
    """Sums of first attempts by group, and what was left out of them.

    `groups` by the dimensions asked for, as `attempt_groups` has them; FIRST_PASS makes counts of their sums.
    `lost_otherwise`: parts left out since their confirmed cause is not the process. `purposes`: judged parts of first
    attempts by purpose. `question` is what was counted in the end.
    """

    groups: dict[Group, Sums]
    lost_otherwise: int
    bevelled: int
    purposes: dict[str, int]
    question: Question
    notes: list[str]


def process_parts(reader: Reader, question: Question, names: Sequence[str]) -> ProcessParts:
    """Parts of a question divided by the dimensions of these names."""
    asked, bevelled = square(reader, question)
    groups, unsettled, notes = compared_groups(reader, asked, names)
    asked = replace(asked, without_days=frozenset(unsettled), by=tuple(DIMENSIONS[name] for name in names))
    lost = _leave_out(reader, asked, groups)
    purposes = {
        purpose: sums["parts_judged_first"]
        for (purpose,), sums in sorted(
            attempt_groups(reader, replace(asked, by=(DIMENSIONS["purpose"],)), ("parts_judged_first",)).items()
        )
        if sums["parts_judged_first"]
    }
    return ProcessParts(groups, lost, bevelled, purposes, asked, [*_said(lost, bevelled, purposes), *notes])


def window_correlation(reader: Reader, question: Question, cells: Iterable[Clustered]) -> Correlation | None:
    """How alike parts of one plate are within cells: of all parts of the window that are counted, whatever the filters.

    So no filter makes a thickness proven that is not proven without it. cells: counts of the question itself by
    CELL_NAMES; they serve where no filter leaves any out.
    """
    which = {name: values for name, values in question.filters.items() if name in _WHICH_PARTS}
    if len(which) == len(question.filters):
        return correlation(cells)
    whole = process_parts(reader, replace(question, filters=which), CELL_NAMES)
    return correlation(FIRST_PASS.counts(sums) for sums in whole.groups.values())


def square(reader: Reader, question: Question) -> tuple[Question, int]:
    """(the question of square cuts alone unless it asks for others, first attempts with a bevel that it leaves out)."""
    if _BEVEL in question.filters or DIMENSIONS[_BEVEL] in question.by:
        return question, 0
    whole = attempt_groups(reader, replace(question, by=()), ("bevelled_attempts",))
    bevelled = sum(sums["bevelled_attempts"] for sums in whole.values())
    return replace(question, filters={**question.filters, _BEVEL: (None,)}), bevelled


def _leave_out(reader: Reader, question: Question, groups: dict[Group, Sums]) -> int:
    """Take parts lost to other causes than the process out of the groups; returns how many."""
    a = reader.tables.attempts.c
    first = (*conditions_of(reader, question, a), a.is_first == 1, a.state == "finished")
    # A literal, since the index of these few attempts is found by it; not told apart, lest another seems as good.
    affected = select(a.cluster, a.day, a.combination).where(*first, a.lost_otherwise > literal_column("0"))
    clusters = {tuple(row) for row in reader.connection.execute(affected)}
    by: list[ColumnElement[Any]] = [
        stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in question.by
    ]
    sums = [total(each) for each in (a.good + a.rework + a.scrap + a.not_made, a.good, a.lost_otherwise)]
    left_out = 0
    days: dict[str, set[str]] = defaultdict(set)
    for name, day, _ in clusters:
        days[name].add(day)
    for some in in_batches(sorted(days)):
        on_days = sorted(set().union(*(days[name] for name in some)))
        query = (
            select(*by, a.cluster, a.day, a.combination, *sums)
            .where(*first, a.cluster.in_(some), a.day.in_(on_days))
            .group_by(*by, a.cluster, a.day, a.combination)
        )
        for row in reader.connection.execute(query):
            group, cluster, (n, x, lost) = tuple(row[: len(by)]), tuple(row[len(by) : -3]), row[-3:]
            if cluster in clusters and lost:
                _without(groups[group], n, x, min(n - x, lost))
                left_out += min(n - x, lost)
    return left_out


def _without(sums: Sums, n: int, x: int, left_out: int) -> None:
    """A cluster of n parts, x of them good, without so many of those that were not."""
    old, new, good = (min(MOST_IN_CLUSTER, parts) for parts in (n, n - left_out, x))
    sums[FIRST_PASS.n] -= left_out
    sums[FIRST_PASS.n2] += new * new - old * old
    sums[FIRST_PASS.x2_over_n_e6] += (good * good * E6 // new if new else 0) - (good * good * E6 // old if old else 0)
    if old and not new:
        sums[FIRST_PASS.clusters] -= 1


def _said(lost: int, bevelled: int, purposes: Mapping[str, int]) -> list[str]:
    notes: list[str] = []
    if lost:
        notes.append(
            counted(
                lost,
                "%(count)s part is left out, lost to a confirmed cause that is not the process (%(causes)s)",
                "%(count)s parts are left out, lost to a confirmed cause that is not the process (%(causes)s)",
                causes=joined(", ", NOT_THE_PROCESS),
            )
        )
    if bevelled:
        notes.append(
            counted(
                bevelled,
                "%(count)s cut with a bevel is left out: a bevel cuts through more than the plate's thickness; bevel= "
                "asks for them",
                "%(count)s cuts with a bevel are left out: a bevel cuts through more than the plate's thickness; "
                "bevel= asks for them",
            )
        )
    if len(purposes) > 1 or (purposes and "production" not in purposes):
        shares = (
            sentence("%(parts)s of %(purpose)s", parts=parts, purpose=purpose) for purpose, parts in purposes.items()
        )
        notes.append(
            sentence("judged parts by purpose: %(shares)s; purpose= asks for one of them", shares=joined(", ", shares))
        )
    return notes
