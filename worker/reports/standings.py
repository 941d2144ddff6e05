"""What may be promised of each cell: a thickness of a material on a machine, with a gas and a recipe, on such plate.

The rule. A cell is proven when the exact one-sided lower bound of its first-pass yield, over the parts of the window,
is at the target or above, on two plates at least. It falls back when that bound comes more than 0.02 under the target.
It lapses when its bound was last at the target longer ago than the window is long (its parts grow old), and with a
newer revision of its recipe: from a production cut of that, of this thickness and material on this machine with this
gas, until the older one is cut in production again, or the window no longer holds that cut. Ruled out is what has its
upper bound under the target: with the settings that were tried. All else is open.

A plate is one cluster however often it was cut. Where nothing tells how alike parts of one plate are, they are taken to
stand or fall together: see `worker.stats.against_target`.

Every day is judged anew from the parts of the window that ends on it: nothing is stored, and an answer is a function of
the counted events and of the question. One correlation holds for all days and cells: that of all parts of the asked
window, whatever the filters.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

import numpy as np
from sqlalchemy import func, select

from worker.batches import in_batches
from worker.measures import FIRST_PASS
from worker.reports.by_combination import told_apart_by
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.holding import LEAST_PLATES, OPEN, PROVEN, Again, Change, Course, Daily, Rule, changes, courses
from worker.reports.options import YIELD_TARGET
from worker.reports.process_parts import CELL_NAMES, ProcessParts, process_parts, window_correlation
from worker.reports.questions import DEFAULT_CONFIDENCE, Question
from worker.reports.reading import Group, Reader, Sums, conditions_of
from worker.reports.revisions import Rivals, rivals_of_cells
from worker.stats.against_target import Counts, bounds, more_to_prove
from worker.stats.clustering import Clustered, Correlation
from worker.stats.demonstration import Bounds, MoreGood
from worker.sums import MOST_IN_CLUSTER, total

TARGET: Final = YIELD_TARGET
PURPOSES: Final = ("production", "proof")
WINDOW_DAYS: Final = 26 * 7
#: A change of a standing is news for so long; so many days before the window are judged too.
NEWS_DAYS: Final = 28


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a cell stands at the end of the window, and how it came there.

    `cell`: values of CELL_NAMES as stored. `counts`: first-attempt parts of the window, good ones among them, by
    clusters of one day. `plates`: plates (else runs, else attempts) among them. `at_target`: its lower bound is,
    on enough plates. `more`: what would prove it; None for a cell that is ruled out, or that is open while another
    revision of its recipe is cut in its place, a newer or an older one: `rivals`. `judged_from`: first day that was
    judged, as an ordinal.
    """

    cell: Group
    word: str
    counts: Clustered
    plates: int
    bounds: Bounds
    at_target: bool
    more: MoreGood | None
    changes: tuple[Change, ...]
    rivals: Rivals
    judged_from: int

    @property
    def last_change(self) -> Change | None:
        """How it came to stand as it does; None where it stood so on the first day that was judged already."""
        return self.changes[-1] if self.changes[-1].day > self.judged_from else None

    def on(self, day: date) -> str | None:
        """Its standing at the end of a day; None before its first part."""
        told = [change.after for change in self.changes if change.day <= day.toordinal()]
        return told[-1] if told else None


@dataclass(frozen=True)
class Standings:
    """All cells that stand somewhere, by cell, and what they were read off."""

    standings: list[Standing]
    rule: Rule
    parts: ProcessParts
    without_thickness: int
    days_without_history: int


def standing_question(reader: Reader, last_day: date) -> Question:
    """The question of the 26 weeks up to a day, by the site's own target and confidence."""
    targets: Mapping[str, Any] = reader.calendar.on(last_day).values["targets"] or {}
    first = date.fromordinal(max(1, last_day.toordinal() - WINDOW_DAYS + 1))
    confidence = targets.get("confidence") or DEFAULT_CONFIDENCE
    told = {TARGET.name: TARGET.usual(targets)}
    asked = {"purpose": PURPOSES}
    return Question(first, last_day, (), dict(asked), dict(asked), confidence, told)


def standings(reader: Reader, question: Question) -> Standings:
    """Where every cell of a question stands; `question.options` holds the target."""
    parts = process_parts(reader, question, ("day", *CELL_NAMES))
    counts = counts_by_cell(parts.groups)
    rule = rule_of(question, window_correlation(reader, question, counts.values()))
    earlier = _earlier(question)
    before = process_parts(reader, earlier, ("day", *CELL_NAMES)) if earlier else None
    cells = daily([parts.groups, *([before.groups] if before else [])])
    whole = parts.question
    if earlier and before:
        without = whole.without_days | before.question.without_days
        whole = replace(whole, first_day=earlier.first_day, without_days=without)
    rivals, again = rivals_of_cells(reader, whole, cells, rule), _again(reader, whole, cells)
    cells = {
        cell: replace(each, superseded=rivals.get(cell, Rivals()).superseded, again=again.get(cell))
        for cell, each in cells.items()
    }
    run = dict(zip(cells, courses(list(cells.values()), rule), strict=True))
    return Standings(
        standings=assessed(run, rule, counts=counts, rivals=rivals),
        rule=rule,
        parts=parts,
        without_thickness=round(math.fsum(each.n for (thickness, *_), each in counts.items() if thickness is None)),
        days_without_history=len(before.question.without_days) if before else 0,
    )


def rule_of(question: Question, pooled: Correlation | None) -> Rule:
    """What a question asks of a proof."""
    first, last = question.first_day.toordinal(), question.last_day.toordinal()
    return Rule(
        target=question.options[TARGET.name],
        confidence=question.confidence,
        pooled=pooled,
        window=last - first + 1,
        first=_first_judged(question),
        last=last,
    )


def _first_judged(question: Question) -> int:
    return max(1, question.first_day.toordinal() - NEWS_DAYS)


# --- one cell ---------------------------------------------------------------------------------------------------


def assessed(
    run: Mapping[Group, Course], rule: Rule, *, counts: Mapping[Group, Clustered], rivals: Mapping[Group, Rivals]
) -> list[Standing]:
    """Where each cell stands at the end of its course, by cell; those that stand nowhere are left out.

    counts: of the window, by cell.
    """
    found = (
        _standing(cell, course, rule, counts.get(cell, Clustered.of(())), rivals.get(cell, Rivals()))
        for cell, course in run.items()
    )
    return sorted((one for one in found if one is not None), key=lambda one: _order(one.cell))


def _order(cell: Group) -> list[tuple[bool, Any]]:
    return [(value is None, 0 if value is None else value) for value in cell]


def _standing(cell: Group, course: Course, rule: Rule, counts: Clustered, rivals: Rivals) -> Standing | None:
    told = changes(course, rule)
    word = told[-1].after if told else None
    if word is None:
        return None
    by_plate = replace(counts, clusters=int(course.counts.clusters[-1]), n2=float(course.counts.n2[-1]))
    asked = word == PROVEN or (word == OPEN and rivals.newer is None and rivals.older is None)
    return Standing(
        cell=cell,
        word=word,
        counts=counts,
        plates=by_plate.clusters,
        bounds=bounds(by_plate, pooled=rule.pooled, confidence=rule.confidence),
        at_target=bool(course.found.proven[-1]) and by_plate.clusters >= LEAST_PLATES,
        more=_more(by_plate, course, rule) if asked else None,
        changes=tuple(told),
        rivals=rivals,
        judged_from=rule.first,
    )


def _more(by_plate: Clustered, course: Course, rule: Rule) -> MoreGood:
    """As many parts on a plate as the cell had so far."""
    told = course.daily.counts
    return more_to_prove(
        by_plate,
        pooled=rule.pooled,
        target=rule.target,
        confidence=rule.confidence,
        least_plates=LEAST_PLATES,
        parts_a_plate=max(1.0, float(told.n2.sum() / told.n.sum())),
    )


# --- reading ----------------------------------------------------------------------------------------------------


def windows_read(question: Question) -> tuple[Question, ...]:
    """What it reads beside its window."""
    earlier = _earlier(question)
    return (earlier,) if earlier else ()


def _earlier(question: Question) -> Question | None:
    """The question of the days before the window whose parts a day that is judged still counts."""
    begins, ends = question.first_day.toordinal(), question.last_day.toordinal()
    first, last = max(1, _first_judged(question) - (ends - begins)), begins - 1
    if last < first:
        return None
    return replace(question, first_day=date.fromordinal(first), last_day=date.fromordinal(last))


def counts_by_cell(groups: Mapping[Group, Sums]) -> dict[Group, Clustered]:
    """Counts of each cell over all days, from groups by day and cell. Any order of them gives the same."""
    found: dict[Group, list[int]] = {}
    for group, sums in groups.items():
        told = [sums[name] for name in FIRST_PASS.names]
        before = found.setdefault(group[1:], told)
        if before is not told:
            found[group[1:]] = [one + other for one, other in zip(before, told, strict=True)]
    return {cell: FIRST_PASS.counts(dict(zip(FIRST_PASS.names, told, strict=True))) for cell, told in found.items()}


def daily(several: Iterable[Mapping[Group, Sums]]) -> dict[Group, Daily]:
    """Counts by day of each cell whose thickness is known, from groups by day and cell; no day is in two of them."""
    of = FIRST_PASS
    found: dict[Group, list[tuple[str, int, int, int, int]]] = defaultdict(list)
    for groups in several:
        for group, sums in groups.items():
            if group[1] is not None and sums[of.n]:
                found[group[1:]].append((group[0], sums[of.x], sums[of.n], sums[of.clusters], sums[of.n2]))
    return {cell: _daily(sorted(told)) for cell, told in found.items()}


def _daily(told: Sequence[tuple[str, int, int, int, int]]) -> Daily:
    days, *counts = zip(*told, strict=True)
    ordinals = np.array([date.fromisoformat(day).toordinal() for day in days], dtype=np.int64)
    return Daily(ordinals, Counts(*(np.array(one, dtype=float) for one in counts)))


# --- plates -----------------------------------------------------------------------------------------------------


def _again(reader: Reader, question: Question, cells: Collection[Group]) -> dict[Group, Again]:
    """Clusters of the plates (else runs) that make several of them in a cell: on two days, or in two shifts."""
    c = reader.tables.combinations.c
    by = [stored_expression(DIMENSIONS[name], c) for name in CELL_NAMES]
    known = reader.connection.execute(select(c.combination, *by).where(c.site == reader.site))
    of_cell = {combination: cell for combination, *values in known if (cell := tuple(values)) in cells}
    found: dict[Group, list[tuple[int, int, int]]] = defaultdict(list)
    for number, rows in enumerate(_clusters_of_several(reader, question)):
        by_cell: dict[Group, list[tuple[int, int, int]]] = defaultdict(list)
        for _, day, combination, parts in rows:
            if combination in of_cell:
                told = (number, date.fromisoformat(day).toordinal(), min(MOST_IN_CLUSTER, int(parts)))
                by_cell[of_cell[combination]].append(told)
        for cell, some in by_cell.items():
            found[cell] += some if len(some) > 1 else []
    return {cell: Again(*_columns(some)) for cell, some in found.items() if some}


def _clusters_of_several(reader: Reader, question: Question) -> Iterator[Iterable[Any]]:
    """(plate or run, day, combination, judged parts) of the clusters of each plate, or run, that makes several."""
    a = reader.tables.attempts.c
    first = (*conditions_of(reader, question, a), a.is_first == 1, a.state == "finished")
    judged = a.good + a.rework + a.scrap + a.not_made
    # Told apart in the order of their index, which does not know what was lost otherwise: there are far fewer of them.
    apart = select(*told_apart_by(question, a)).where(*first, judged > 0).distinct().subquery("apart").c
    several = select(apart.cluster).group_by(apart.cluster).having(func.count() > 1)
    names: dict[str, list[str]] = defaultdict(list)
    for owner, _, name in (cluster.partition(":") for cluster in reader.connection.execute(several).scalars()):
        names[owner].append(name)
    # By plate and by run, for which there are indices: a cut of a plate that a run has too is the plate's
    for owner, of, alone in (("plate", a.plate, ()), ("run", a.run, (a.plate.is_(None),))):
        for some in in_batches(sorted(names[owner])):
            clusters = (
                select(of, a.day, a.combination, total(judged - a.lost_otherwise))
                .where(*first, *alone, judged > a.lost_otherwise, of.in_(some))
                .group_by(of, a.day, a.combination)
                .order_by(of)
            )
            yield from (rows for _, rows in groupby(reader.connection.execute(clusters), key=itemgetter(0)))


def _columns(rows: Sequence[tuple[int, int, int]]) -> tuple[Any, Any, Any]:
    plates, days, parts = zip(*rows, strict=True)
    return np.array(plates, dtype=np.int64), np.array(days, dtype=np.int64), np.array(parts, dtype=float)
