"""First-attempt parts that speak of the process, as counts: what reports share that say what may be promised.

Left out are production days that are not judged yet, cuts with a bevel unless they are asked for, and parts that were
lost to a confirmed cause that is no fault of the cut.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import ColumnElement, and_, select

from worker.measures import FIRST_PASS
from worker.reports.comparing import compared_groups
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, attempt_groups, conditions_of, window_of
from worker.sums import E6, MOST_IN_CLUSTER

#: Confirmed causes by which a part is lost to something else than the cut (5-trade: cause terms).
NOT_THE_PROCESS: Final = ("handling", "drawing_or_order", "wrong_plate")
_BEVEL: Final = "bevel"


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
    square, bevelled = _square(reader, question)
    groups, unsettled, notes = compared_groups(reader, square, names)
    asked = replace(square, without_days=frozenset(unsettled), by=tuple(DIMENSIONS[name] for name in names))
    lost = _leave_out(reader, asked, groups)
    purposes = {
        purpose: sums["parts_judged_first"]
        for (purpose,), sums in sorted(
            attempt_groups(reader, replace(asked, by=(DIMENSIONS["purpose"],)), ("parts_judged_first",)).items()
        )
        if sums["parts_judged_first"]
    }
    return ProcessParts(groups, lost, bevelled, purposes, asked, [*_said(lost, bevelled, purposes), *notes])


def _square(reader: Reader, question: Question) -> tuple[Question, int]:
    """(the question of square cuts alone, first attempts with a bevel that it leaves out)."""
    if _BEVEL in question.filters or DIMENSIONS[_BEVEL] in question.by:
        return question, 0
    whole = attempt_groups(reader, replace(question, by=()), ("bevelled_attempts",))
    bevelled = sum(sums["bevelled_attempts"] for sums in whole.values())
    return replace(question, filters={**question.filters, _BEVEL: (None,)}), bevelled


def _leave_out(reader: Reader, question: Question, groups: dict[Group, Sums]) -> int:
    """Take parts lost to other causes than the process out of the groups; returns how many."""
    a, lost = reader.tables.attempts.c, reader.tables.lost_parts.c
    of_attempt = and_(lost.site == a.site, lost.attempt == a.attempt)
    # The day of both: lost parts are found by it.
    otherwise = (
        *window_of(question, lost),
        lost.sort == "cause",
        lost.word.in_(NOT_THE_PROCESS),
        lost.certainty == "confirmed",
    )
    first = (*conditions_of(reader, question, a), a.is_first == 1, a.state == "finished")
    affected = (
        select(a.attempt, a.cluster, a.day, a.combination, lost.parts_lost)
        .select_from(reader.tables.attempts.join(reader.tables.lost_parts, of_attempt))
        .where(*first, *otherwise, lost.parts_lost > 0)
    )
    by_attempt = {row.attempt: row for row in reader.connection.execute(affected)}
    if not by_attempt:
        return 0
    clusters = {(row.cluster, row.day, row.combination) for row in by_attempt.values()}
    by: list[ColumnElement[Any]] = [
        stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in question.by
    ]
    judged = a.good + a.rework + a.scrap + a.not_made
    days = sorted({day for _, day, _ in clusters})
    names = sorted({cluster for cluster, _, _ in clusters})
    found: dict[tuple[Group, Any], list[int]] = defaultdict(lambda: [0, 0, 0])
    for some_names in (names[start : start + 500] for start in range(0, len(names), 500)):
        query = select(*by, a.attempt, a.cluster, a.day, a.combination, judged, a.good).where(
            *first, a.cluster.in_(some_names), a.day >= days[0], a.day <= days[-1]
        )
        width = len(by)
        for row in reader.connection.execute(query):
            group, (attempt, cluster, day, combination, n, x) = tuple(row[:width]), row[width:]
            if (cluster, day, combination) in clusters:
                counts = found[group, (cluster, day, combination)]
                counts[0] += n
                counts[1] += x
                counts[2] += min(n - x, by_attempt[attempt].parts_lost) if attempt in by_attempt else 0
    for (group, _), (n, x, left_out) in found.items():
        _without(groups[group], n, x, left_out)
    return sum(left_out for _, _, left_out in found.values())


def _without(sums: Sums, n: int, x: int, left_out: int) -> None:
    """A cluster of n parts, x of them good, without so many of those that were not."""
    old, new, good = (min(MOST_IN_CLUSTER, parts) for parts in (n, n - left_out, x))
    sums[FIRST_PASS.n] -= left_out
    sums[FIRST_PASS.n2] += new * new - old * old
    sums[FIRST_PASS.x2_over_n_e6] += (good * good * E6 // new if new else 0) - (good * good * E6 // old if old else 0)
    if old and not new:
        sums[FIRST_PASS.clusters] -= 1


def _said(lost: int, bevelled: int, purposes: Mapping[str, int]) -> list[str]:
    notes = []
    if lost:
        parts = "1 part is" if lost == 1 else f"{lost} parts are"
        causes = ", ".join(NOT_THE_PROCESS)
        notes.append(f"{parts} left out, lost to a confirmed cause that is not the process ({causes})")
    if bevelled:
        cuts = "1 cut with a bevel is" if bevelled == 1 else f"{bevelled} cuts with a bevel are"
        notes.append(f"{cuts} left out: a bevel cuts through more than the plate's thickness; bevel= asks for them")
    if len(purposes) > 1 or (purposes and "production" not in purposes):
        shares = ", ".join(f"{parts} of {purpose}" for purpose, parts in purposes.items())
        notes.append(f"judged parts by purpose: {shares}; purpose= asks for one of them")
    return notes
