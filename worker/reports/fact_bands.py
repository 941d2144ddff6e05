"""Facts that are derived of attempts, their bands, and which of them failures go with. Pure.

A fact is a whole number of its unit for each attempt; the bands are fixed, and joined until each has five plates. Which
of them explain anything is told by one test each (Mantel's trend over the bands, thickness, material and machine held
equal), corrected for looking at all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from worker.measures import SHARE
from worker.reports.report import Column
from worker.reports.wear_bands import counted_by_band
from worker.sentences import sentence
from worker.stats.clustering import TOGETHER, Clustered, Correlation, correlation, degrees_at
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.ordered_trend import OrderedTrend
from worker.stats.proportions import by_student
from worker.stats.wear import LEAST_PLATES, Band, Course, course_of, joined_edges

Whole = NDArray[np.int64]

#: A fact carries evidence where its q value is below this.
MOST_FALSE: Final = 0.05
#: Stands for a fact that is not known of an attempt.
NOT_KNOWN: Final = -1
#: Ratios are whole thousandths.
THOUSANDTHS: Final = 1_000


@dataclass(frozen=True)
class Fact:
    """A derived fact. `edges`: where its bands begin, in units of 1/`scale`; `words`: what people call it.

    `of_part`: it is the same for all that is cut by one part number, so that these stand or fall together, not plates.
    """

    name: str
    unit: str
    edges: tuple[int, ...]
    words: str
    scale: int = 1
    of_part: bool = False

    def shown(self, edge: int) -> int | float:
        """An edge in the fact's unit."""
        return edge if self.scale == 1 else edge / self.scale


ORDER, MINUTES, HOURS, PIERCES = "order_on_plate", "minutes_on_plate", "hours_of_day", "pierces_since_nozzle"
HOLE, WEB, CORNER = "hole_ratio", "web_ratio", "corner_ratio"
#: Bands: common practice, no source; but 0.7 and 1.0 of the thickness as the smallest hole, of which shop guides tell
#: and disagree, and 0.7 as the thinnest web.
FACTS: Final = (
    Fact(ORDER, "attempts", (1, 2, 4, 8, 16), sentence("order of the attempt on its plate")),
    Fact(MINUTES, "min", (0, 15, 60, 240), sentence("minutes since the plate's first cut")),
    Fact(HOURS, "h", (0, 1, 2, 4, 8), sentence("hours since the machine's first cut of the day")),
    Fact(PIERCES, "pierces", (0, 250, 500, 1_000, 2_000, 4_000), sentence("pierces since the nozzle was seen to")),
    Fact(HOLE, "", (0, 700, 1_000, 2_000), sentence("smallest hole by thickness"), THOUSANDTHS, of_part=True),
    Fact(WEB, "", (0, 700, 1_000, 2_000), sentence("thinnest web by thickness"), THOUSANDTHS, of_part=True),
    Fact(CORNER, "", (0, 100, 250, 500), sentence("smallest corner radius by thickness"), THOUSANDTHS, of_part=True),
)

_BAND: Final = (
    Column("fact", "", "derived fact: " + ", ".join(fact.name for fact in FACTS), "text"),
    Column("unit", "", "unit of band_from and band_to; null: a ratio", "text"),
    Column("trend", "", "rises or falls: how failures go with it", "text"),
    Column("p_value", "", "chance of such a trend if it did not matter, thickness, material and machine held equal"),
    Column("q_value", "", "the same after Benjamini and Hochberg, over all facts that were tested"),
    Column("band_from", "", "where the band begins, inside"),
    Column("band_to", "", "where it ends, outside; null: the last"),
    Column("plates", "", "plates, else runs, else attempts, in it; of a ratio: part numbers, else jobs", "integer"),
    Column("parts", "parts", "judged parts of first attempts, but those lost to other than the process", "integer"),
    Column("failures", "parts", "those that were not good at once", "integer"),
    Column("share", SHARE, "failures by parts"),
    Column("share_low", SHARE, "lower limit of the Wilson interval of the effective sample"),
    Column("share_high", SHARE, "upper limit of the Wilson interval of the effective sample"),
    Column("expected", SHARE, "what the first band gives at this band's mix; null: the first, or nothing like it"),
    Column("more", SHARE, "how far this band lies above that, like with like"),
    Column("more_low", SHARE, "lower limit of Newcombe's interval on weighted shares"),
    Column("more_high", SHARE, "upper limit of Newcombe's interval on weighted shares"),
)  # fmt: skip
DETAILS: Final = (
    Column("explained_by", "", "derived facts that failures go with beyond chance, band by band", "list", _BAND),
    Column("facts_tested", "", "derived facts that the q values allow for", "integer"),
)


@dataclass(frozen=True)
class Judged:
    """Judged parts of first attempts, a value of each for every attempt; `values` by the name of the fact.

    `cluster` and `part` number plates and part numbers, `stratum` what is held equal.
    """

    parts: Whole
    failures: Whole
    cluster: Whole
    part: Whole
    stratum: Whole
    values: Mapping[str, Whole]


@dataclass(frozen=True)
class Explaining:
    """A fact that failures go with: where its bands begin, its course along them, and how sure that is."""

    fact: Fact
    edges: tuple[int, ...]
    course: Course
    q: float


@dataclass(frozen=True)
class Explained:
    """The facts that carry evidence, and how many were tested; `too_many`: attempts to look at any."""

    by: tuple[Explaining, ...] = ()
    tested: int = 0
    too_many: bool = False

    @property
    def details(self) -> dict[str, Any]:
        """As DETAILS has them."""
        rows = [row for one in self.by for row in _rows(one)]
        return {"explained_by": rows, "facts_tested": self.tested}


def explained(judged: Judged, *, confidence: float) -> Explained:
    """The facts with a trend whose q value is below MOST_FALSE, over two bands at least of LEAST_PLATES plates each."""
    courses = [
        (fact, *found)
        for fact in FACTS
        if (found := course_along(fact, judged, confidence=confidence)) is not None and found[1].trend.p is not None
    ]
    q_values = benjamini_hochberg([course.trend.p for _, _, course in courses])
    by = [
        Explaining(fact, edges, course, q)
        for (fact, edges, course), q in zip(courses, q_values, strict=True)
        if q is not None and q < MOST_FALSE
    ]
    return Explained(tuple(by), len(courses))


def course_along(fact: Fact, judged: Judged, *, confidence: float) -> tuple[tuple[int, ...], Course] | None:
    """(where the bands of a fact begin, failures along them); None where there are no two bands.

    Where nothing tells how alike the parts of one plate are, a plate counts as one part: nothing is explained by few.
    """
    value = judged.values[fact.name]
    kept = (value != NOT_KNOWN) & (judged.parts > 0)
    if not kept.any():
        return None
    value, stratum = value[kept], judged.stratum[kept]
    cluster = (judged.part if fact.of_part else judged.cluster)[kept]
    wide = int(cluster.max()) + 1
    met = np.unique(_place(fact.edges, value) * wide + cluster)
    # No band needs more of its plates to be told that it has enough
    some = [each for band in range(len(fact.edges)) for each in met[met // wide == band][:LEAST_PLATES].tolist()]
    edges = tuple(joined_edges(fact.edges, [divmod(each, wide) for each in some]))
    if len(edges) < 2:
        return None
    counts = counted_by_band(
        _place(edges, value), cluster, stratum, judged.failures[kept], judged.parts[kept], len(edges)
    )
    bands = [
        Band(start, end, failures, LEAST_PLATES)
        for start, end, failures in zip(edges, [*edges[1:], int(value.max())], counts, strict=True)
    ]
    told = correlation(each for band in bands for each in band.failures.values())
    alike = TOGETHER if told is None else told
    course = course_of(bands, pooled=alike, confidence=confidence)
    whole = Clustered.total(band.whole for band in bands)
    return edges, replace(course, trend=_doubted(course.trend, whole.x / whole.n, alike))


def _doubted(trend: OrderedTrend, share: float, alike: Correlation) -> OrderedTrend:
    """The trend with no smaller a p value than what is known of the correlation allows: part numbers are few."""
    if trend.z is None or trend.p is None:
        return trend
    p = by_student(2 * NormalDist().cdf(-abs(trend.z)), degrees_at(share, alike=alike))
    return replace(trend, p=max(trend.p, p))


def _place(edges: Sequence[int], value: Whole) -> Any:
    return np.searchsorted(np.array(edges, dtype=np.int64), value, side="right") - 1


def _rows(one: Explaining) -> list[dict[str, Any]]:
    fact, course = one.fact, one.course
    rows = []
    for place, (band, worn) in enumerate(zip(course.bands, course.shown, strict=True)):
        whole, beside, is_last = band.whole, worn.beside, place == len(course.bands) - 1
        values = (
            fact.name, fact.unit or None, "rises" if course.trend.rises else "falls", course.trend.p, one.q,
            fact.shown(band.start), None if is_last else fact.shown(band.end), whole.clusters, round(whole.n),
            round(whole.x), worn.share.share, worn.share.low, worn.share.high, beside and beside.expected.share,
            beside and beside.difference.difference, beside and beside.difference.low,
            beside and beside.difference.high,
        )  # fmt: skip
        rows.append(dict(zip((column.name for column in _BAND), values, strict=True)))
    return rows


def example(*, confidence: float) -> Explained:
    """Sixty plates of eight attempts each, of which the later ones fail more often, invented."""
    plates, attempts = 60, 8
    order = np.tile(np.arange(1, attempts + 1, dtype=np.int64), plates)
    plate = np.repeat(np.arange(plates, dtype=np.int64), attempts)
    fails = ((plate * 7 + order * 3) % 40 < 1 + order).astype(np.int64)
    nought = np.zeros(len(order), dtype=np.int64)
    values = {fact.name: np.full(len(order), NOT_KNOWN, dtype=np.int64) for fact in FACTS} | {ORDER: order}
    return explained(Judged(nought + 1, fails, plate, nought, nought, values), confidence=confidence)
