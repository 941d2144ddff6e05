"""Control charts of shares: the p chart, Laney's p' chart, and which of the two fits.

Points come in time order as (x, n): x failed of n, both possibly effective counts that are no whole numbers,
0 <= x <= n. A point with n = 0 says nothing: it is skipped and counted. Indices count from 0 over all points given.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from worker.sentences import Sentence, counted, figure, sentence

Method = Literal["p", "laney"]
Counts = Sequence[tuple[float, float]]

#: Fewer points make no chart; fewer than the second make a provisional one.
FEWEST_POINTS: Final = 5
FIRM_POINTS: Final = 20
SIGMAS: Final = 3.0
#: Expected counts below this are too skewed for rules that lean on the normal distribution.
SPARSE: Final = 5.0
#: Mean range of two normal values in sigmas, rounded as the published charts have it.
D2_OF_TWO: Final = 1.128
OVERDISPERSED_BELOW: Final = 0.05
GUARD: Final = 1e-12
AS_CHANCE: Final = sentence("p chart: the points vary as chance gives")
NOT_NEIGHBOURS: Final = sentence("p chart: the points vary more than chance gives, neighbours do not")
MORE_THAN_CHANCE: Final = sentence("p' chart (Laney): the points vary more than chance gives")
NOTHING_FAILED: Final = sentence("nothing failed: without variation there are no limits")
NOTHING_BUT_FAILURES: Final = sentence("nothing but failures: without variation there are no limits")
NEIGHBOURS_ALIKE: Final = sentence("neighbours do not differ: without variation there are no limits")


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point with its limits; a limit outside 0 to 1 is None, since nothing can lie beyond it.

    z: distance from the centre in sigmas of the chart; None without a sigma. sparse: fewer than 5 expected to fail, or
    not to fail.
    """

    index: int
    x: float
    n: float
    share: float
    lower: float | None
    upper: float | None
    z: float | None
    sparse: bool

    @property
    def beyond(self) -> bool:
        """Is it more than 3 sigma from the centre?"""
        return self.z is not None and abs(self.z) > SIGMAS + GUARD


@dataclass(frozen=True, slots=True)
class Overdispersion:
    """How much more the points vary than chance gives: ratio 1 is chance, p_value that of a larger ratio by chance."""

    ratio: float
    statistic: float
    degrees: int
    p_value: float


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart, or why there is none: then centre is None, and reason says why.

    set_aside: points that centre and limits leave out, though they are shown. sigma_z: how many binomial sigmas the
    sigma of the chart has; 1 for a p chart. choice: why `auto_chart` took this one.
    """

    method: Method
    centre: float | None
    sigma_z: float | None
    points: tuple[ChartPoint, ...]
    set_aside: tuple[int, ...]
    skipped: int
    overdispersion: Overdispersion | None
    reason: str | None = None
    choice: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def beyond(self) -> tuple[int, ...]:
        """Indices of the points more than 3 sigma from the centre."""
        return tuple(point.index for point in self.points if point.beyond)


@dataclass(frozen=True, slots=True)
class _Point:
    index: int
    x: float
    n: float


def p_chart(counts: Counts, *, set_aside: Collection[int] = ()) -> Chart:
    """Shewhart's p chart for variable n: centre sum/sum, limits at 3 binomial sigmas of each point.

    set_aside: indices that centre and limits leave out. Montgomery DC, Introduction to Statistical Quality Control.
    """
    return _chart("p", counts, set_aside, lambda kept, centre: 1.0)


def laney_chart(counts: Counts, *, set_aside: Collection[int] = ()) -> Chart:
    """Laney's p' chart: the sigmas of a p chart times sigma_z, the sigma of the z scores by their moving range.

    sigma_z is never floored: below 1 the limits are tighter than chance gives, and a note says so. Laney DB (2002),
    Improved control charts for attributes, Quality Engineering 14, 531-537.
    """
    chart = _chart("laney", counts, set_aside, _sigma_z)
    if chart.sigma_z is not None and GUARD < chart.sigma_z < 1 - GUARD:
        note = sentence(
            "neighbours vary less than chance gives: sigma_z is %(sigma_z)s, the limits are that much tighter",
            sigma_z=figure(chart.sigma_z, ".2f"),
        )
        return replace(chart, notes=(*chart.notes, note))
    return chart


def auto_chart(counts: Counts) -> Chart:
    """The chart that fits: p when the points vary as chance gives, Laney's when they vary more; choice says why.

    The points beyond 3 sigma of the p chart are set aside before overdispersion is tested. The chart taken leaves those
    beyond its own 3 sigma out of its limits. Drift makes points differ, but not neighbours: it is left to the p chart.
    """
    plain = p_chart(counts)
    if plain.centre is None:
        return plain
    revised = _revised(plain, p_chart, counts)
    dispersion = revised.overdispersion
    if dispersion is None or dispersion.p_value >= OVERDISPERSED_BELOW:
        return replace(revised, choice=_choice(revised, AS_CHANCE))
    laney = _revised(laney_chart(counts), laney_chart, counts)
    if laney.sigma_z is None or laney.sigma_z <= 1 + GUARD:
        return replace(revised, choice=_choice(revised, NOT_NEIGHBOURS))
    chosen = replace(laney, overdispersion=dispersion)
    return replace(chosen, choice=_choice(chosen, MORE_THAN_CHANCE))


def overdispersion(counts: Counts) -> Overdispersion | None:
    """Test of more variation than chance gives, by Pearson. None for fewer than two points, or a share of 0 or 1.

    The centre is that of the same points, which keeps its level for small counts too. Equal n: Wetherill GB, Brown DW
    (1991), Statistical Process Control, 212-213.
    """
    from scipy.special import gammaincc

    points, _ = _split(counts)
    centre = _centre(points)
    if len(points) < 2 or centre is None or not 0 < centre < 1:
        return None
    spread = centre * (1 - centre)
    statistic = math.fsum((point.x - point.n * centre) ** 2 / (point.n * spread) for point in points)
    degrees = len(points) - 1
    return Overdispersion(statistic / degrees, statistic, degrees, float(gammaincc(degrees / 2, statistic / 2)))


def moving_range_sigma(values: Sequence[float]) -> float | None:
    """Sigma of values in time order: mean moving range of two over 1.128; None for fewer than two."""
    if len(values) < 2:
        return None
    ranges = [abs(after - before) for before, after in zip(values, values[1:], strict=False)]
    return math.fsum(ranges) / len(ranges) / D2_OF_TWO


def mix_adjusted(counts: Counts, expected: Sequence[float]) -> list[tuple[float, float]]:
    """Counts as they would be if every point had the mix of all: ready for any chart.

    expected: the share that each point's own mix gives, by the baseline's rates. The adjusted share is the overall one
    times observed over expected; the adjusted n gives it the sigma that the observed share has, so that the z scores
    stay those of observed against expected. A point with an expected share of 0 or 1 tells nothing: its n is 0.
    """
    due = math.fsum(n * share for (_, n), share in zip(counts, expected, strict=True))
    total_x, total_n = math.fsum(x for x, _ in counts), math.fsum(n for _, n in counts)
    if total_n <= 0 or due <= 0:
        return [(0.0, 0.0) for _ in counts]
    level, overall = total_x / due, total_x / total_n
    return [_adjusted(x, n, level * share, overall) for (x, n), share in zip(counts, expected, strict=True)]


def _adjusted(x: float, n: float, centre: float, overall: float) -> tuple[float, float]:
    if n <= 0 or not 0 < centre < 1:
        return 0.0, 0.0
    adjusted_n = n * centre * (1 - overall) / (overall * (1 - centre))
    return adjusted_n * min(1.0, overall * x / n / centre), adjusted_n


def _split(counts: Counts) -> tuple[list[_Point], int]:
    """Points that say something, and how many do not."""
    for index, (x, n) in enumerate(counts):
        if not (0 <= x <= n + GUARD * max(1.0, n) and math.isfinite(n)):
            raise ValueError(f"point {index} has {x} of {n}: x must be from 0 to n")
    points = [_Point(index, min(x, n), n) for index, (x, n) in enumerate(counts) if n > 0]
    return points, len(counts) - len(points)


def _centre(points: Sequence[_Point]) -> float | None:
    total = math.fsum(point.n for point in points)
    return math.fsum(point.x for point in points) / total if total > 0 else None


def _z(point: _Point, centre: float) -> float:
    """Distance from the centre in binomial sigmas, from counts: shares would lose digits at large n."""
    return (point.x - point.n * centre) / math.sqrt(point.n * centre * (1 - centre))


def _sigma_z(kept: Sequence[_Point], centre: float) -> float:
    return moving_range_sigma([_z(point, centre) for point in kept]) or 0.0


def _chart(
    method: Method,
    counts: Counts,
    set_aside: Collection[int],
    sigma_z_of: Callable[[Sequence[_Point], float], float],
) -> Chart:
    points, skipped = _split(counts)
    kept = [point for point in points if point.index not in set_aside]
    aside = tuple(point.index for point in points if point.index in set_aside)
    centre = _centre(kept)
    if centre is None or len(kept) < FEWEST_POINTS:
        reason = counted(
            len(kept),
            "%(count)s points: a chart needs at least %(fewest)s",
            "%(count)s points: a chart needs at least %(fewest)s",
            fewest=FEWEST_POINTS,
        )
        return Chart(method, None, None, (), aside, skipped, None, reason=reason)
    varies = 0 < centre < 1
    sigma_z = sigma_z_of(kept, centre) if varies else None
    if sigma_z is not None and sigma_z <= GUARD:
        sigma_z = 0.0
    shown = tuple(_chart_point(point, centre, sigma_z or 0.0) for point in points)
    dispersion = overdispersion([(point.x, point.n) for point in kept])
    return Chart(method, centre, sigma_z, shown, aside, skipped, dispersion, notes=_notes(kept, centre, sigma_z))


def _chart_point(point: _Point, centre: float, sigma_z: float) -> ChartPoint:
    share = point.x / point.n
    sparse = point.n * min(centre, 1 - centre) < SPARSE - GUARD
    if sigma_z == 0:
        z = 0.0 if abs(share - centre) <= GUARD else None
        return ChartPoint(point.index, point.x, point.n, share, None, None, z, sparse)
    reach = SIGMAS * sigma_z * math.sqrt(centre * (1 - centre) / point.n)
    lower, upper = centre - reach, centre + reach
    return ChartPoint(
        index=point.index,
        x=point.x,
        n=point.n,
        share=share,
        lower=None if lower < -GUARD else max(0.0, lower),
        upper=None if upper > 1 + GUARD else min(1.0, upper),
        z=_z(point, centre) / sigma_z,
        sparse=sparse,
    )


def _notes(kept: Sequence[_Point], centre: float, sigma_z: float | None) -> tuple[str, ...]:
    notes = []
    if len(kept) < FIRM_POINTS:
        notes.append(
            counted(
                len(kept),
                "%(count)s points: the limits are provisional below %(firm)s",
                "%(count)s points: the limits are provisional below %(firm)s",
                firm=FIRM_POINTS,
            )
        )
    if sigma_z is None:
        notes.append(NOTHING_FAILED if centre == 0 else NOTHING_BUT_FAILURES)
    elif sigma_z == 0:
        notes.append(NEIGHBOURS_ALIKE)
    return tuple(notes)


def _revised(chart: Chart, make: Callable[..., Chart], counts: Counts) -> Chart:
    """The chart without the points beyond its own limits, unless too few or only equal ones would be left."""
    if not chart.beyond:
        return chart
    revised = make(counts, set_aside=chart.beyond)
    return chart if not revised.sigma_z else revised


def _choice(chart: Chart, why: Sentence) -> Sentence:
    if chart.overdispersion is not None:
        why = sentence(
            "%(why)s (ratio %(ratio)s, p = %(p)s)",
            why=why,
            ratio=figure(chart.overdispersion.ratio, ".2f"),
            p=figure(chart.overdispersion.p_value, ".3f"),
        )
    if chart.set_aside:
        why = counted(
            len(chart.set_aside),
            "%(why)s; %(count)s point beyond 3 sigma set aside",
            "%(why)s; %(count)s points beyond 3 sigma set aside",
            why=why,
        )
    return why
