"""How failures grow with what was done since a service: bands of it, and from which on a change is supported.

What was done (exposure) is a whole number from 0, such as pierces or milliseconds. Failures are counted in each band of
it, stratum for stratum, so that thicker plate late in the life of a nozzle is not taken for wear.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from worker.sentences import sentence
from worker.stats.clustering import Clustered, Estimate, effective, estimate
from worker.stats.differences import Difference
from worker.stats.ordered_trend import OrderedTrend, ordered_trend
from worker.stats.quantiles import quantile_of
from worker.stats.standardising import Standardised, standardised

#: A band has at least so many plates, else it is joined with its neighbour: fewer tell no spread worth the name.
LEAST_PLATES: Final = 5
#: From so many plates on there are two bands in each doubling.
MANY_PLATES: Final = 200
#: What is worn was seen after so many services: else it may have been one bad nozzle.
LEAST_STRETCHES: Final = 2
#: The share of exposures below the longest that the bands are made for, and how many doublings lead up to it.
_USUAL_LONGEST: Final = 0.9
_DOUBLINGS: Final = 3

ONE_BAND: Final = sentence("too few plates to make two bands")
NOT_RISING: Final = sentence("failures do not grow with use beyond what chance explains")
NOT_BY_SO_MUCH: Final = sentence(
    "no band that was seen after two services lies above the freshest one by the tolerance"
)


def doubling_edges(exposures: Sequence[int], *, unit: int, plates: int) -> list[int]:
    """Where bands of these exposures begin: 0, then a round number of units, and from there on each twice the last.

    Those of MANY_PLATES are halved, the freshest aside: more of them place a change more closely.

    The first is the largest of 1, 2, 5, 10, ... units that is at most an eighth of the exposure that nine in ten stay
    below: wear is looked for in doublings, and one long stretch does not coarsen the bands of all others.
    """
    usual = quantile_of(exposures, _USUAL_LONGEST) or 0.0
    most = max(unit, int(usual) // 2**_DOUBLINGS)
    first, step = unit, unit
    while step <= most:
        first = max(each for each in (step, 2 * step, 5 * step) if each <= most)
        step *= 10
    edges = [0, first]
    longest = max(exposures, default=0)
    while 2 * edges[-1] <= longest:
        edges.append(2 * edges[-1])
    if plates < MANY_PLATES:
        return edges
    halves = [edge + edge // 2 for edge in edges[1:]]
    return sorted({*edges, *(half for half in halves if half <= longest)})


def joined_edges(edges: Sequence[int], plates: Iterable[tuple[int, Hashable]]) -> list[int]:
    """The edges of bands that have LEAST_PLATES different plates each; plates come as (index of the band, plate).

    From the freshest on, bands are joined until they have enough; what is left over joins the last.
    """
    by_band: dict[int, set[Hashable]] = {}
    for band, plate in plates:
        by_band.setdefault(band, set()).add(plate)
    kept: list[int] = []
    gathered: set[Hashable] = set()
    start = edges[0]
    for band in range(len(edges)):
        gathered |= by_band.get(band, set())
        if len(gathered) >= LEAST_PLATES:
            kept.append(start)
            gathered = set()
            start = edges[min(band + 1, len(edges) - 1)]
    return kept or [edges[0]]


@dataclass(frozen=True)
class Band:
    """Failures of one band by stratum, and between how many pairs of services its parts were cut.

    `start` is inside, `end` outside; the end of the last band is the longest exposure seen, and inside.
    """

    start: int
    end: int
    failures: Mapping[Any, Clustered]
    stretches: int

    @property
    def whole(self) -> Clustered:
        """All strata together."""
        return Clustered.total(self.failures.values())


@dataclass(frozen=True, slots=True)
class Worn:
    """A band: its share of failures, and beside the freshest band's at its mix. `beside` is None for the freshest."""

    share: Estimate
    beside: Standardised | None


@dataclass(frozen=True, slots=True)
class Change:
    """The change that is supported: `after` so much use failures lie above the level by more than chance explains.

    The level is the freshest band's share and the tolerance, or the target (`over_target`). Where failures come to lie
    above it is between `low` and `high`. All None with the reason.
    """

    after: int | None = None
    low: int | None = None
    high: int | None = None
    over_target: bool = False
    reason: str | None = None


@dataclass(frozen=True)
class Course:
    """Failures of one kind along the bands of one service of one machine."""

    bands: tuple[Band, ...]
    shown: tuple[Worn, ...]
    trend: OrderedTrend


def course_of(bands: Sequence[Band], *, pooled: float | None, confidence: float) -> Course:
    """Each band with its interval, beside the freshest, and the test of a trend over the bands' numbers.

    pooled: the correlation within plates. The bands' numbers are scores since bands double: what counts is that use was
    twice as long, not by how many pierces.
    """
    counts = [{key: effective(of, pooled=pooled, own=False) for key, of in band.failures.items()} for band in bands]
    strata = sorted({key for of in counts for key in of}, key=repr)
    trend = ordered_trend([[(float(place), of[key]) for place, of in enumerate(counts) if key in of] for key in strata])
    shown = []
    for place, (band, of) in enumerate(zip(bands, counts, strict=True)):
        share = estimate(effective(band.whole, pooled=pooled, own=False), confidence=confidence)
        pairs = [(of[key], counts[0][key]) for key in strata if key in of and key in counts[0]]
        beside = standardised(pairs, confidence=confidence) if place else None
        shown.append(Worn(share, beside))
    return Course(tuple(bands), tuple(shown), trend)


def change_of(course: Course, *, q: float | None, tolerance: float, target: float | None, most_false: float) -> Change:
    """The change interval that a course supports, if its trend rises with q below `most_false`.

    `after` is the start of the first band whose failures lie above those of the freshest band, at an equal mix, by more
    than the tolerance with their lower limit; or above the target, where the freshest band does not lie above it. The
    sooner of the two counts. Such a band must have been seen after LEAST_STRETCHES services.
    """
    if len(course.bands) < 2:
        return Change(reason=ONE_BAND)
    if course.trend.p is None:
        return Change(reason=course.trend.reason)
    if not course.trend.rises or q is None or q >= most_false:
        return Change(reason=NOT_RISING)
    beside = [worn.beside.difference if worn.beside else None for worn in course.shown]
    found = [_first_above(course.bands, beside, tolerance)]
    fresh = course.shown[0].share
    if target is not None and fresh.share is not None and fresh.share <= target:
        over = _first_above(course.bands, [None, *(worn.share for worn in course.shown[1:])], target)
        found.append(over and replace(over, over_target=True))
    changes = [change for change in found if change is not None and change.after is not None]
    return min(changes, key=lambda change: change.after or 0, default=Change(reason=NOT_BY_SO_MUCH))


def _first_above(bands: Sequence[Band], limits: Sequence[Estimate | Difference | None], level: float) -> Change | None:
    """The first band above a level with its lower limit. As failures grow with use, they pass the level before its end.

    And not before the start of the last band before it that is below the level with its upper limit; else 0.
    """
    low = 0
    for band, limit in zip(bands, limits, strict=True):
        if limit is None or limit.low is None or limit.high is None:
            continue
        if limit.low > level + 1e-12 and band.stretches >= LEAST_STRETCHES:
            return Change(band.start, low, band.end)
        if limit.high <= level:
            low = band.start
    return None
