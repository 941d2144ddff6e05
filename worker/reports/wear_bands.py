"""Bands of use since a service, counted from attempts; and what is judged of each course of failures along them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from worker.reports.since_service import KINDS, Attempts, Since
from worker.stats.clustering import Clustered, correlation
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.wear import Band, Change, Course, change_of, course_of, doubling_edges, joined_edges

FAILED_PIERCE_RATE, NOT_GOOD_SHARE, REWORK_SHARE = "failed_pierce_rate", "not_good_share", "rework_share"
MEASURES: Final = (FAILED_PIERCE_RATE, NOT_GOOD_SHARE, REWORK_SHARE)
PIERCES, HOURS = "pierces", "hours"
#: Share of false ones among the trends called wear that is put up with.
MOST_FALSE: Final = 0.05
MS_PER_HOUR: Final = 3_600_000
#: Bands begin at round numbers of these: ten pierces, a tenth of an hour.
_UNIT: Final = {PIERCES: 10, HOURS: MS_PER_HOUR // 10}


@dataclass(frozen=True)
class Served:
    """A kind of service on a machine: its bands for each of MEASURES, and what else is told of it."""

    machine: str
    kind: str
    bands: Mapping[str, Sequence[Band]]
    attempts: Sequence[int]
    stretches: int
    left_out: int

    @property
    def longest(self) -> int:
        """Longest use seen."""
        return self.bands[MEASURES[0]][-1].end


@dataclass(frozen=True)
class Judged:
    """One measure along the bands of a kind of service on a machine, and the change that it supports."""

    served: Served
    measure: str
    course: Course
    q: float | None
    change: Change

    @property
    def wears(self) -> bool:
        """Failures grow with use, beyond chance and after correction for looking at all trends."""
        return self.q is not None and self.q < MOST_FALSE and self.course.trend.rises


def banded(machine: str, kind: str, attempts: Attempts, since: Since, *, use: str) -> Served | None:
    """Counts of the attempts that a question asks for, band by band; None where none was cut after a service."""
    asked = attempts.asked == 1
    kept = asked & (since.stretch >= 0)
    if not kept.any():
        return None
    exposure = (since.pierces if use == PIERCES else since.ms)[kept]
    cluster, stretch = attempts.cluster[kept], since.stretch[kept]
    plates = len(np.unique(cluster))
    edges = doubling_edges(np.sort(exposure).tolist(), unit=_UNIT[use], plates=plates)
    wide = int(cluster.max()) + 1
    met = np.unique(_place(edges, exposure) * wide + cluster).tolist()
    edges = joined_edges(edges, [divmod(each, wide) for each in met])
    band = _place(edges, exposure)
    stretches = [len(np.unique(stretch[band == place])) for place in range(len(edges))]
    ends = [*edges[1:], int(exposure.max())]
    counts = {
        FAILED_PIERCE_RATE: (attempts.failed_pierces, attempts.pierces),
        NOT_GOOD_SHARE: (attempts.not_good, attempts.judged),
        REWORK_SHARE: (attempts.rework, attempts.judged),
    }
    by_measure = {
        name: [
            Band(start, end, failures, many)
            for start, end, failures, many in zip(
                edges, ends, counted_by_band(band, cluster, attempts.stratum[kept], x[kept], n[kept], len(edges)),
                stretches, strict=True,
            )
        ]
        for name, (x, n) in counts.items()
    }  # fmt: skip
    attempts_in = np.bincount(band, minlength=len(edges)).tolist()
    return Served(machine, kind, by_measure, attempts_in, len(np.unique(stretch)), int(asked.sum()) - int(kept.sum()))


def _place(edges: Sequence[int], exposure: Any) -> Any:
    return np.searchsorted(np.array(edges, dtype=np.int64), exposure, side="right") - 1


def counted_by_band(band: Any, cluster: Any, stratum: Any, x: Any, n: Any, bands: int) -> list[dict[int, Clustered]]:
    """Of each band, by stratum, x of n over its clusters."""
    told = n > 0
    wide, deep = int(cluster.max()) + 1, int(stratum.max()) + 1
    keys, place = np.unique((band * deep + stratum)[told] * wide + cluster[told], return_inverse=True)
    cell_x, cell_n = (np.bincount(place, values[told], len(keys)) for values in (x, n))
    groups, of = np.unique(keys // wide, return_inverse=True)
    sums = [
        np.bincount(of, values, len(groups)).tolist()
        for values in (cell_x, cell_n, np.ones(len(keys)), cell_n**2, cell_x**2 / np.maximum(cell_n, 1))
    ]
    found: list[dict[int, Clustered]] = [{} for _ in range(bands)]
    for group, good, parts, clusters, n2, x2 in zip(groups.tolist(), *sums, strict=True):
        found[group // deep][group % deep] = Clustered(good, parts, round(clusters), n2, x2)
    return found


def judged_of(served: Sequence[Served], *, confidence: float, tolerance: float, target: float | None) -> list[Judged]:
    """Each measure of each kind of service on each machine: its course, what the trend says, what change it supports.

    Parts of one plate are alike by as much as the plates of all machines tell, kind by kind. target: of failed pierces.
    """
    courses: list[tuple[Served, str, Course]] = []
    for measure in MEASURES:
        for kind in KINDS:
            some = [one for one in served if one.kind == kind]
            alike = correlation(
                counts for one in some for band in one.bands[measure] for counts in band.failures.values()
            )
            courses += [
                (one, measure, course_of(one.bands[measure], pooled=alike, confidence=confidence)) for one in some
            ]
    q_values = benjamini_hochberg([course.trend.p for _, _, course in courses])
    found = []
    for (one, measure, course), q in zip(courses, q_values, strict=True):
        limit = target if measure == FAILED_PIERCE_RATE else None
        change = change_of(course, q=q, tolerance=tolerance, target=limit, most_false=MOST_FALSE)
        found.append(Judged(one, measure, course, q, change))
    return sorted(
        found, key=lambda one: (one.served.machine, KINDS.index(one.served.kind), MEASURES.index(one.measure))
    )


def in_units(amount: int | None, use: str) -> int | float | None:
    """Use in pierces or hours, of what is counted in pierces or milliseconds."""
    return amount if amount is None or use == PIERCES else amount / MS_PER_HOUR
