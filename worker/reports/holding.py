"""How a proof holds, day after day: when a cell's standing changed, and why. Pure.

Each day stands for itself: the parts of the days before it that a window holds are counted, against the same target
and with the same correlation. So nothing has to be remembered, and figures that change change the past with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from worker.stats.against_target import Against, Counts, against
from worker.stats.clustering import Correlation

PROVEN: Final = "proven"
RULED_OUT: Final = "ruled_out"
OPEN: Final = "open"
STANDINGS: Final = (PROVEN, RULED_OUT, OPEN)
#: So far under the target a proof still holds: a bound that wavers around the target is no news.
MARGIN: Final = 0.02
#: A proof rests on so many plates at least.
LEAST_PLATES: Final = 2

#: Why a standing changed.
BEGUN: Final = "begun"
REACHED: Final = "reached"
FELL_BACK: Final = "fell_back"
AGED: Final = "aged"
SUPERSEDED: Final = "superseded"
BELOW: Final = "below"
NOT_BELOW: Final = "not_below"
GONE: Final = "gone"


@dataclass(frozen=True, slots=True, eq=False)
class Again:
    """Clusters of plates that are several of them: a plate cut on two days, in two shifts, counts once for each.

    Arrays of equal length: number of the plate, production day as an ordinal, judged parts (at least 1).
    """

    plates: Any
    days: Any
    parts: Any

    def within(self, until: Any, long: int) -> tuple[Any, Any]:
        """(clusters, n2) to be added where each plate is to be one cluster, in the `long` days up to each of `until`.

        A cluster comes on its day and goes `long` days later. With the plates behind one another their parts add up
        and run out again, so one running sum serves all.
        """
        days = np.concatenate((self.days, self.days + long))
        comes = np.repeat((1.0, -1.0), len(self.days))
        parts = np.tile(self.parts, 2)
        order = np.lexsort((days, np.tile(self.plates, 2)))
        held = np.cumsum((comes * parts)[order])
        by_day = np.argsort(days[order], kind="stable")
        place = np.searchsorted(days[order][by_day], until, side="right")

        def up_to(plate: Any, cluster: Any) -> Any:
            steps = np.diff(plate, prepend=0.0) - (comes * cluster)[order]
            return np.concatenate(([0.0], np.cumsum(steps[by_day])))[place]

        return up_to((held > 0).astype(float), 1.0), up_to(held * held, parts * parts)


@dataclass(frozen=True, slots=True, eq=False)
class Daily:
    """Counts of a cell by production day, as ordinals in rising order.

    `superseded`: from when to when a newer revision takes its place, inclusive. `again`: None where no plate makes two
    clusters.
    """

    days: Any
    counts: Counts
    superseded: tuple[tuple[int, int], ...] = ()
    again: Again | None = None

    def within(self, until: Any, long: int) -> Counts:
        """Counts of the `long` days up to each of `until`, each plate one cluster."""
        low, high = (np.searchsorted(self.days, day, side="right") for day in (until - long, until))
        told = (self.counts.x, self.counts.n, self.counts.clusters, self.counts.n2)
        x, n, clusters, n2 = (
            sums[high] - sums[low] for sums in (np.concatenate(([0], np.cumsum(one))) for one in told)
        )
        if self.again is None:
            return Counts(x, n, clusters, n2)
        clusters_again, n2_again = self.again.within(until, long)
        return Counts(x, n, clusters + clusters_again, n2 + n2_again)

    def is_superseded(self, days: Any) -> Any:
        """On which of the days a newer revision takes its place."""
        found = np.zeros(len(days), dtype=bool)
        for first, last in self.superseded:
            found |= (days >= first) & (days <= last)
        return found


@dataclass(frozen=True, slots=True)
class Rule:
    """What is asked of a proof. `window`: days that its parts may be old; `first` and `last`: days that are judged."""

    target: float
    confidence: float
    pooled: Correlation | None
    window: int
    first: int
    last: int

    def judge(self, counts: Counts) -> Against:
        """Counts against the target."""
        return against(counts, pooled=self.pooled, target=self.target, margin=MARGIN, confidence=self.confidence)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A cell on each day on which something about it changed: what its parts prove there. `counts.clusters`: plates."""

    daily: Daily
    days: Any
    counts: Counts
    found: Against


@dataclass(frozen=True, slots=True)
class Change:
    """From a day on the standing is another. None: nothing is there to stand on. `proof`: the last day of the proof."""

    day: int
    before: str | None
    after: str | None
    why: str
    proof: int | None = None


def courses(cells: Sequence[Daily], rule: Rule) -> list[Course]:
    """The course of each cell. All are judged in one go."""
    days = [_turns(cell, rule) for cell in cells]
    counts = [cell.within(turns, rule.window) for cell, turns in zip(cells, days, strict=True)]
    if not counts:
        return []
    told = ((one.x, one.n, one.clusters, one.n2) for one in counts)
    found = rule.judge(Counts(*(np.concatenate(some) for some in zip(*told, strict=True))))
    ends = np.cumsum([len(turns) for turns in days])[:-1]
    parted = zip(*(np.split(verdict, ends) for verdict in (found.proven, found.nearly, found.below)), strict=True)
    return [
        Course(cell, turns, some, Against(*verdicts))
        for cell, turns, some, verdicts in zip(cells, days, counts, parted, strict=True)
    ]


def _turns(cell: Daily, rule: Rule) -> Any:
    """Days on which something may change: parts come in, parts grow too old, a newer revision comes or goes."""
    borders = [day for first, last in cell.superseded for day in (first, last + 1)]
    days = np.concatenate((cell.days, cell.days + rule.window, np.array(borders, dtype=np.int64), [rule.first]))
    return np.unique(days[(days >= rule.first) & (days <= rule.last)]).astype(np.int64)


def changes(course: Course, rule: Rule) -> list[Change]:
    """When the standing changed, in order, from the first day judged on.

    Proven is what reached the target on enough plates. It stays proven while its bound is no more than MARGIN under the
    target, for a window's length after the last day on which it was at the target, until a newer revision is cut.
    """
    found: list[Change] = []
    word: str | None = None
    proof: int | None = None
    turns, plates = course.days.tolist(), course.counts.clusters.tolist()
    reached, near = course.found.proven.tolist(), course.found.nearly.tolist()
    taken = course.daily.is_superseded(course.days).tolist()
    for place, (day, following) in enumerate(zip(turns, [*turns[1:], rule.last + 1], strict=True)):
        enough, superseded = plates[place] >= LEAST_PLATES, taken[place]
        after: str | None
        if enough and reached[place] and not superseded:
            after, why, proof = PROVEN, REACHED, following - 1
        elif word == PROVEN and proof is not None:
            if enough and near[place] and not superseded:
                if (lapses := proof + rule.window) < following:
                    word = _unproven(course, place)
                    found.append(Change(lapses, PROVEN, word, AGED, proof))
                continue
            why = SUPERSEDED if superseded else _lost(course, rule, day, proof)
            after = _unproven(course, place)
        else:
            after, why = _never_proven(course, place, word, was_proven=proof is not None)
        if after != word:
            found.append(Change(day, word, after, why, proof))
            word = after
    return found


def _unproven(course: Course, place: int) -> str:
    return RULED_OUT if course.found.below[place] else OPEN


def _lost(course: Course, rule: Rule, day: int, proof: int) -> str:
    """Why a proof is lost: it aged when the parts that were counted on its last day would still hold it."""
    counts = course.daily.within(np.array([day]), day - proof + rule.window)
    return AGED if rule.judge(counts).nearly[0] else FELL_BACK


def _never_proven(course: Course, place: int, word: str | None, *, was_proven: bool) -> tuple[str | None, str]:
    if course.found.below[place]:
        return RULED_OUT, BELOW
    if course.counts.n[place] > 0:
        return OPEN, NOT_BELOW if word == RULED_OUT else BEGUN
    # What was proven once is still asked for when nothing of it is left
    return (OPEN, GONE) if was_proven else (None, GONE)
