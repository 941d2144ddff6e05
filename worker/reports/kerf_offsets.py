"""What a group's sizes tell of the kerf: the offset of each side, or of both, a scale, and what is advised of the path.

What is told of many groups at once is held against chance over all of them (Benjamini and Hochberg): among 200 groups
with nothing off, ten would be moved for nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Final

from worker.edge_quality import Edition, limit_deviation
from worker.events import NM_PER_MM
from worker.reports.measured import EDITION, SizeReading, sources
from worker.sentences import sentence
from worker.stats.capability import (
    MeanDeviation,
    Offset,
    Size,
    difference_of,
    offset_of,
    scale_of,
    value_correlation,
)
from worker.stats.clustering import INDEPENDENCE_ASSUMED
from worker.stats.lognormal import effect_of_clusters
from worker.stats.multiplicity import benjamini_hochberg

#: Steel, mm per m and K.
WARM_MM_PER_M_K: Final = 0.012
#: Feature of a size -> in which direction the kerf moves it.
SIDES: Final[Mapping[str, int]] = {"outside": 1, "inside": -1, "distance": 0}
#: Sides of the path, by the features that lie there.
CONTOURS: Final[Mapping[str, str]] = {
    "outside": sentence("outside contours"),
    "inside": sentence("holes"),
}
#: A correction wants readings of so many plates.
LEAST_PLATES: Final = 2
#: A scale below this is not told: 5 K, less than a plate warms while it is cut.
LEAST_SCALE_MM_PER_M: Final = 5 * WARM_MM_PER_M_K
#: So small a part of the tolerance is no reason to move a path; where there is none, so many mm.
SMALL_SHARE: Final = 0.1
SMALL_MM: Final = 0.05
#: A gauge is taken to tell no finer than the least difference between readings, and no coarser than this.
COARSEST_GAUGE_MM: Final = 0.05
NOTHING_ASKED: Final = sentence("no job gives size_tolerance_mm, or a tolerance class in cut_quality")
#: What is advised of a path.
MOVE, LEAVE, MORE, LOOK, DIVIDE = "move", "leave", "measure_more", "look", "divide"
_NM_PER_M: Final = 1_000 * NM_PER_MM


# --- what is alike ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class How:
    """How intervals are made: correlation of sizes of one plate (None: not defined), step of the gauge, confidence."""

    alike: float | None
    gauge_mm: float
    confidence: float

    @property
    def chance(self) -> float:
        """What is told with less of it is told."""
        return 1 - self.confidence + 1e-12


def alike_on_plates(groups: Iterable[Sequence[SizeReading]]) -> float | None:
    """Correlation of the deviations on one plate, at least 0, within groups and features; None: not defined."""
    values: list[list[list[float]]] = []
    for readings in groups:
        of_plates: dict[tuple[str, str], list[float]] = {}
        for reading in readings:
            of_plates.setdefault((reading.feature, reading.cut.cluster), []).append(reading.deviation_mm)
        for feature in SIDES:
            values.append([sorted(plate) for (sort, _), plate in sorted(of_plates.items()) if sort == feature])
    found = value_correlation(values)
    return None if found is None else max(0.0, found)


def gauge_mm(readings: Iterable[SizeReading]) -> float:
    """The least difference between what sizes are off by, to either side; that is the finest that a gauge showed."""
    seen = sorted({abs(reading.value_nm - reading.nominal_nm) for reading in readings})
    least = min((later - one for one, later in pairwise(seen)), default=None)
    return COARSEST_GAUGE_MM if least is None else min(COARSEST_GAUGE_MM, least / NM_PER_MM)


@dataclass(frozen=True)
class Plates:
    """How many plates readings are of, and their design effect; `assumed`: as if they were independent."""

    number: int
    design_effect: float
    assumed: bool

    @classmethod
    def of(cls, readings: Iterable[SizeReading], alike: float | None) -> Plates:
        """Of readings whose correlation within plates is known, or None."""
        counts = Counter(reading.cut.cluster for reading in readings)
        shared = any(count > 1 for count in counts.values())
        effect = effect_of_clusters(tuple(counts.values()), alike=alike)
        return cls(len(counts), effect, assumed=shared and alike is None)

    @property
    def reason(self) -> str | None:
        """What intervals rest on, if it is to be known."""
        return INDEPENDENCE_ASSUMED if self.assumed else None


# --- offset and scale -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Claim:
    """An offset of one side, or of both together, with what is advised of the path there.

    `on`: what its readings were taken on, in words. `small_mm`: an offset within it is no reason to move the path.
    """

    features: tuple[str, ...]
    offset: Offset
    plates: Plates
    on: str
    small_mm: float
    q_value: float | None = None
    advice: str = MORE

    @property
    def found(self) -> MeanDeviation:
        """The offset with its interval."""
        return self.offset.found

    @property
    def path_towards_part_mm(self) -> float | None:
        """Half of an offset that is due."""
        return self.found.mean / 2 if self.advice == MOVE and self.found.mean is not None else None


@dataclass(frozen=True)
class Kerf:
    """What a group's sizes tell of kerf and scale. `several`: of what it holds several, so that no path is advised.

    The sides are taken for one where chance explains their difference in this group; that they differ is told where it
    does not over all groups shown.
    """

    scale: MeanDeviation
    scale_q: float | None
    scale_is_told: bool
    difference: MeanDeviation | None
    claims: tuple[Claim, ...]
    several: tuple[str, ...]
    difference_is_told: bool = False

    @property
    def sides_differ(self) -> bool:
        """The two sides are off by different figures, more than chance explains."""
        return self.difference is not None and self.difference.excludes_zero

    @property
    def warm_k(self) -> float | None:
        """By how much warmer a plate would have been cut that shrinks so."""
        return -self.scale.mean / WARM_MM_PER_M_K if self.scale_is_told and self.scale.mean is not None else None

    def claim(self, feature: str) -> Claim | None:
        """That of a feature; None for a distance."""
        return next((claim for claim in self.claims if feature in claim.features), None)


def kerfs_of(groups: Sequence[Sequence[SizeReading]], how: How) -> list[Kerf]:
    """Of each group: scales first, since those that are told are taken off the offsets."""
    several = [_several(readings) for readings in groups]
    sizes = [_sizes(readings) for readings in groups]
    scales = [scale_of(some, confidence=how.confidence) for some in sizes]
    qs = benjamini_hochberg([None if mixed else scale.p_value for scale, mixed in zip(scales, several, strict=True)])
    kerfs = [
        _kerf(list(zip(readings, some, strict=True)), scale, q, mixed, how)
        for readings, some, scale, q, mixed in zip(groups, sizes, scales, qs, several, strict=True)
    ]
    differences = benjamini_hochberg(
        [None if kerf.several or kerf.difference is None else kerf.difference.p_value for kerf in kerfs]
    )
    claims = [(claim, kerf.several) for kerf in kerfs for claim in kerf.claims]
    offsets = benjamini_hochberg([None if mixed else claim.found.p_value for claim, mixed in claims])
    judged = iter(zip((claim for claim, _ in claims), offsets, strict=True))
    return [
        _judged(
            replace(kerf, difference_is_told=q is not None and q <= how.chance),
            [next(judged) for _ in kerf.claims],
            how,
        )
        for kerf, q in zip(kerfs, differences, strict=True)
    ]


def _several(readings: Sequence[SizeReading]) -> tuple[str, ...]:
    """Of which dimensions that a kerf goes with the sizes hold several."""
    settings = {reading.cut.settings for reading in readings}
    return tuple(
        name
        for name, values in (("thickness", {nm for nm, _ in settings}), ("recipe", {recipe for _, recipe in settings}))
        if len(values) > 1
    )


def _sizes(readings: Iterable[SizeReading]) -> list[Size]:
    return [Size(SIDES[one.feature], one.nominal_nm / _NM_PER_M, one.deviation_mm, one.cut.cluster) for one in readings]


def _kerf(
    measured: Sequence[tuple[SizeReading, Size]],
    scale: MeanDeviation,
    q: float | None,
    several: tuple[str, ...],
    how: How,
) -> Kerf:
    is_told = q is not None and q <= how.chance and abs(scale.mean or 0.0) >= LEAST_SCALE_MM_PER_M
    taken_off = scale if is_told else None
    sides = {
        feature: _claim((feature,), mine, taken_off, how)
        for feature in CONTOURS
        if (mine := [pair for pair in measured if pair[0].feature == feature])
    }
    claims, difference = tuple(sides.values()), None
    if len(sides) == len(CONTOURS):
        outside, inside = (claim.offset for claim in claims)
        difference = difference_of(outside, inside, confidence=how.confidence)
        if difference.low is not None and not difference.excludes_zero:
            both = [pair for pair in measured if pair[0].feature in CONTOURS]
            claims = (_claim(tuple(CONTOURS), both, taken_off, how),)
    return Kerf(scale, q, is_told, difference, claims, several)


def _claim(
    features: tuple[str, ...],
    measured: Sequence[tuple[SizeReading, Size]],
    scale: MeanDeviation | None,
    how: How,
) -> Claim:
    readings = [reading for reading, _ in measured]
    plates = Plates.of(readings, how.alike)
    offset = offset_of(
        (size for _, size in measured),
        scale=scale,
        confidence=how.confidence,
        design_effect=plates.design_effect,
        clusters=plates.number,
        least_spread=how.gauge_mm / 2,
    )
    limits = [limit for limit, _ in map(tolerance_of, readings) if limit is not None]
    small_mm = SMALL_SHARE * min(limits) if limits else SMALL_MM
    return Claim(features, offset, plates, sources(reading.cut.cluster for reading in readings), small_mm)


def _judged(kerf: Kerf, claims: Sequence[tuple[Claim, float | None]], how: How) -> Kerf:
    both_alike = kerf.difference_is_told and off_alike(kerf)
    return replace(
        kerf,
        claims=tuple(
            replace(
                claim,
                q_value=q,
                advice=DIVIDE if kerf.several else LOOK if both_alike else _advised(claim, q, how),
            )
            for claim, q in claims
        ),
    )


def _advised(claim: Claim, q: float | None, how: How) -> str:
    low, high = claim.found.low, claim.found.high
    if low is None or high is None:
        return MORE
    if max(abs(low), abs(high)) <= claim.small_mm:
        return LEAVE
    return MOVE if q is not None and q <= how.chance and claim.plates.number >= LEAST_PLATES else MORE


def off_alike(kerf: Kerf) -> str | None:
    """In which direction sizes of both sides are off by more than chance explains; None: not so."""
    if not kerf.sides_differ:
        return None
    outside, inside = (claim.found for claim in kerf.claims)
    if not (outside.excludes_zero and inside.excludes_zero):
        return None
    # An inside size is too large where its offset is below 0
    is_large, inside_is_large = (outside.mean or 0.0) > 0, (inside.mean or 0.0) < 0
    return None if is_large != inside_is_large else "large" if is_large else "small"


# --- tolerance --------------------------------------------------------------------------------------------------


def tolerance_of(reading: SizeReading) -> tuple[float | None, str]:
    """(plus and minus in mm or None, whose it is or why there is none): the job's own before that of its class."""
    asked, quality = reading.cut.asked, reading.cut.asked.quality
    if asked.tolerance_mm is not None:
        return asked.tolerance_mm, sentence("job")
    if quality is None or quality.tolerance_class is None:
        return None, NOTHING_ASKED
    if reading.cut.cut_nm is None:
        return None, sentence("the thickness of the cut is not known")
    return _of_class(quality.tolerance_class, quality.edition or EDITION, reading.nominal_nm, reading.cut.cut_nm)


@lru_cache(maxsize=4096)
def _of_class(tolerance_class: int, edition: Edition, nominal_nm: int, cut_nm: int) -> tuple[float | None, str]:
    found = limit_deviation(
        nominal_nm / NM_PER_MM, thickness_mm=cut_nm / NM_PER_MM, tolerance_class=tolerance_class, edition=edition
    )
    if found.plus_minus_mm is None:
        return None, found.reason or NOTHING_ASKED
    of_class = sentence(
        "ISO 9013:%(edition)s class %(tolerance_class)s",
        edition=str(found.edition),
        tolerance_class=str(found.tolerance_class),
    )
    return found.plus_minus_mm, of_class
