"""What may be promised of each cell: a thickness of a material on a machine, with a gas and a recipe, on such plate.

The rule. A cell is proven when the exact one-sided lower bound of its first-pass yield, over the parts of the window,
is at the target or above, on two plates at least. It falls back when that bound comes more than 0.02 under the target.
It lapses when its bound was last at the target longer ago than the window is long (its parts grow old), and as long as
the window holds a cut of a newer revision of its recipe, of this thickness and material on this machine with this gas.
Ruled out is what has its upper bound under the target: with the settings that were tried. All else is open.

Every day is judged anew from the parts of the window that ends on it: nothing is stored, and an answer is a function of
the counted events and of the question. One correlation holds for all days and cells: that of all parts of the asked
window, whatever the filters.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np
from sqlalchemy import and_, func, select

from worker.batches import in_batches
from worker.measures import FIRST_PASS
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.holding import (
    LEAST_PLATES,
    RULED_OUT,
    Change,
    Course,
    Daily,
    Rule,
    changes,
    courses,
    plates_within,
)
from worker.reports.options import NumberOption
from worker.reports.process_parts import ProcessParts, process_parts
from worker.reports.questions import DEFAULT_CONFIDENCE, Question
from worker.reports.reading import Group, Reader, Sums, asked_of, conditions_of, window_of
from worker.stats.against_target import Counts
from worker.stats.clustering import Clustered, Correlation, Effective, correlation, effective
from worker.stats.demonstration import Bounds, MoreGood, more_good, one_sided

#: The same as that of report limit.
TARGET: Final = NumberOption(
    "target", "first-pass yield to be reached", 0.5, 0.999, 0.9, "share (0-1)", target="first_pass_yield"
)
#: What makes a cell, by the names of the dimensions.
CELL: Final = ("thickness", "material", "machine", "gas", "surface_group", "thermal_history", "recipe")
PURPOSES: Final = ("production", "proof")
WINDOW_DAYS: Final = 26 * 7
#: A change of a standing is news for so long; so many days before the window are judged too.
NEWS_DAYS: Final = 28
#: Filters that say which parts speak of the process at all.
_ALIKE: Final = ("purpose", "bevel")


@dataclass(frozen=True, slots=True)
class Newer:
    """A newer revision of a recipe, by its key: cut from the first to the last of these days."""

    recipe: str
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a cell stands at the end of the window, and how it came there.

    `cell`: values of CELL as stored. `counts`: first-attempt parts of the window, good ones among them. `plates`:
    clusters, or fewer where it was looked which of them are one plate. `at_target`: its lower bound is, on enough
    plates. `more`: what would prove it; None for a cell that is ruled out, or whose recipe has a newer revision.
    `newer`: that revision, cut within the window. `judged_from`: first day that was judged, as an ordinal.
    """

    cell: Group
    word: str
    counts: Clustered
    plates: int
    bounds: Bounds
    at_target: bool
    more: MoreGood | None
    changes: tuple[Change, ...]
    newer: Newer | None
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
    parts = process_parts(reader, question, ("day", *CELL))
    counts = counts_by_cell(parts.groups)
    rule = rule_of(question, _correlation(reader, question, counts))
    earlier = _earlier(question, rule)
    before = process_parts(reader, earlier, ("day", *CELL)) if earlier else None
    cells = daily([parts.groups, *([before.groups] if before else [])])
    whole = parts.question
    if earlier and before:
        without = whole.without_days | before.question.without_days
        whole = replace(whole, first_day=earlier.first_day, without_days=without)
    newer = _newer(reader, whole, cells)
    cells = {cell: replace(each, superseded=_superseded(newer.get(cell, ()), rule)) for cell, each in cells.items()}
    run = dict(zip(cells, courses(list(cells.values()), rule), strict=True))
    run |= _told_apart(reader, whole, run, rule)
    return Standings(
        standings=assessed(run, rule, counts=counts, newer=newer),
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
        first=max(1, first - NEWS_DAYS),
        last=last,
    )


# --- one cell ---------------------------------------------------------------------------------------------------


def assessed(
    run: Mapping[Group, Course],
    rule: Rule,
    *,
    counts: Mapping[Group, Clustered],
    newer: Mapping[Group, Sequence[Newer]],
) -> list[Standing]:
    """Where each cell stands at the end of its course, by cell; those that stand nowhere are left out.

    counts: of the window, by cell.
    """
    found = (
        _standing(cell, course, rule, counts.get(cell, Clustered.of(())), newer.get(cell, ()))
        for cell, course in run.items()
    )
    return sorted((one for one in found if one is not None), key=lambda one: _order(one.cell))


def _order(cell: Group) -> list[tuple[bool, Any]]:
    return [(value is None, 0 if value is None else value) for value in cell]


def _standing(cell: Group, course: Course, rule: Rule, counts: Clustered, newer: Sequence[Newer]) -> Standing | None:
    told = changes(course, rule)
    word = told[-1].after if told else None
    if word is None:
        return None
    plates = int(course.plates[-1]) if counts.n else 0
    independent = effective(counts, pooled=rule.pooled, own=False)
    now = next((one for one in newer if _covers(one, rule)), None)
    asked = word != RULED_OUT and now is None
    return Standing(
        cell=cell,
        word=word,
        counts=counts,
        plates=plates,
        bounds=one_sided(independent, confidence=rule.confidence),
        at_target=bool(course.found.proven[-1]) and plates >= LEAST_PLATES,
        more=_more(replace(independent, clusters=plates), course, rule) if asked else None,
        changes=tuple(told),
        newer=now,
        judged_from=rule.first,
    )


def _more(independent: Effective, course: Course, rule: Rule) -> MoreGood:
    """As many parts on a plate as the cell had so far."""
    told = course.daily.counts
    return more_good(
        independent,
        reliability=rule.target,
        confidence=rule.confidence,
        least_plates=LEAST_PLATES,
        parts_a_plate=max(1.0, float(told.n2.sum() / told.n.sum())),
    )


def _covers(newer: Newer, rule: Rule) -> bool:
    return newer.last_day.toordinal() + rule.window > rule.last


def _superseded(newer: Iterable[Newer], rule: Rule) -> tuple[tuple[int, int], ...]:
    """Days on which the window holds a cut of a newer revision."""
    return tuple((one.first_day.toordinal(), one.last_day.toordinal() + rule.window - 1) for one in newer)


# --- reading ----------------------------------------------------------------------------------------------------


def _correlation(reader: Reader, question: Question, counts: Mapping[Group, Clustered]) -> Correlation | None:
    """That of all cells of the window, whatever the filters."""
    if not set(question.filters) - set(_ALIKE):
        return correlation(counts.values())
    alike = {name: values for name, values in question.filters.items() if name in _ALIKE}
    whole = process_parts(reader, replace(question, filters=alike), ("day", *CELL))
    return correlation(counts_by_cell(whole.groups).values())


def _earlier(question: Question, rule: Rule) -> Question | None:
    """The question of the days before the window whose parts a day that is judged still counts."""
    first, last = max(1, rule.first - rule.window + 1), question.first_day.toordinal() - 1
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


def _newer(reader: Reader, question: Question, cells: Iterable[Group]) -> dict[Group, list[Newer]]:
    """Newer revisions of the recipe of each cell: first cut later in the shop, and cut on the same since."""
    revised = [cell for cell in cells if _name(cell[-1]) is not None]
    cut = _days_cut(reader, question) if revised else {}
    revisions: dict[str | None, set[str]] = defaultdict(set)
    for recipe, _ in cut:
        revisions[_name(recipe)].add(recipe)
    born = _born(reader, sorted({one for some in revisions.values() if len(some) > 1 for one in some}))
    found: dict[Group, list[Newer]] = {}
    for cell in revised:
        recipe, place = cell[-1], cell[:4]
        later = [one for one in revisions[_name(recipe)] if one in born and born[one] > born.get(recipe, born[one])]
        newer = [Newer(one, *cut[one, place]) for one in sorted(later, key=born.__getitem__) if (one, place) in cut]
        if newer:
            found[cell] = newer
    return found


def _name(recipe: str | None) -> str | None:
    """The name of a recipe that has a revision; None of any other: what has none is no revision of another."""
    return (recipe or "").rpartition(" / ")[0] or None


def _days_cut(reader: Reader, question: Question) -> dict[tuple[str, Group], tuple[date, date]]:
    """First and last day on which each recipe with a revision was cut, by recipe and the first four of CELL."""
    t, c = reader.tables.tallies.c, reader.tables.combinations.c
    asked = replace(
        question, filters={name: question.filters[name] for name in ("purpose",) if name in question.filters}
    )
    by = [stored_expression(DIMENSIONS[name], c) for name in ("recipe", *CELL[:4])]
    query = (
        select(*by, func.min(t.day), func.max(t.day))
        .select_from(
            reader.tables.tallies.join(
                reader.tables.combinations, and_(c.site == t.site, c.combination == t.combination)
            )
        )
        .where(t.site == reader.site, *window_of(replace(asked, without_days=frozenset()), t), *asked_of(asked, c))
        .where(c.recipe.is_not(None), t.attempts + t.open_attempts > 0)
        .group_by(*by)
    )
    return {
        (recipe, tuple(place)): (date.fromisoformat(first), date.fromisoformat(last))
        for recipe, *place, first, last in reader.connection.execute(query)
        if _name(recipe) is not None
    }


def _born(reader: Reader, recipes: Sequence[str]) -> dict[str, tuple[int, str]]:
    """When the shop cut each recipe first: with its key, so that no two are born at once."""
    a = reader.tables.attempts.c
    found: dict[str, tuple[int, str]] = {}
    for recipe in recipes:
        first = select(func.min(a.started_us)).where(
            a.site == reader.site, a.recipe == recipe, a.started_us.is_not(None)
        )
        if (us := reader.connection.execute(first).scalar_one()) is not None:
            found[recipe] = (us, recipe)
    return found


def _told_apart(reader: Reader, question: Question, run: Mapping[Group, Course], rule: Rule) -> dict[Group, Course]:
    """Courses of the cells that few clusters would prove, with their plates counted once each."""
    doubtful = {cell: course for cell, course in run.items() if course.doubtful}
    if not doubtful:
        return {}
    cut = _plates_cut(reader, question, doubtful)
    return {
        cell: replace(course, plates=plates_within(course, cut.get(cell, {}), rule))
        for cell, course in doubtful.items()
    }


def _plates_cut(reader: Reader, question: Question, cells: Collection[Group]) -> dict[Group, dict[str, list[int]]]:
    """Days on which each plate (else run, else attempt) of these cells was cut, by cell."""
    c, a = reader.tables.combinations.c, reader.tables.attempts.c
    by = [stored_expression(DIMENSIONS[name], c) for name in CELL]
    known = reader.connection.execute(select(c.combination, *by).where(c.site == reader.site))
    of_cell = {combination: tuple(cell) for combination, *cell in known if tuple(cell) in cells}
    found: dict[Group, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for some in in_batches(sorted(of_cell)):
        query = (
            select(a.combination, a.cluster, a.day)
            .where(*conditions_of(reader, question, a), a.combination.in_(some))
            .where(a.is_first == 1, a.state == "finished", a.good + a.rework + a.scrap + a.not_made > 0)
            .distinct()
        )
        for combination, cluster, day in reader.connection.execute(query):
            found[of_cell[combination]][cluster].append(date.fromisoformat(day).toordinal())
    return found
