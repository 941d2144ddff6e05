"""Shares that may only fall along an order, and the points that will not: plates that fail more than thicker ones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from worker.stats.clustering import Effective, joint_degrees, joint_reason
from worker.stats.differences import Difference, newcombe

_GUARD = 1e-12


@dataclass(frozen=True, slots=True)
class Level:
    """A place on the axis, what was seen there, and the share of the falling curve."""

    place: float
    counts: Effective
    share: float
    monotone: float


@dataclass(frozen=True, slots=True)
class Break:
    """A place whose share lies below that of the places beyond it, as far as the falling curve takes them together.

    `beyond` are those places. `gap` is their share less its own, with its interval: when that excludes zero, chance
    alone hardly explains the dip, and the settings at this place deserve a look.
    """

    place: float
    share: float
    beyond: tuple[float, ...]
    gap: Difference


@dataclass(frozen=True, slots=True)
class Falling:
    """The falling curve, place by place, and the breaks in it. Both empty when nothing was judged."""

    levels: tuple[Level, ...]
    breaks: tuple[Break, ...]


def falling(points: Sequence[tuple[float, Effective]], *, confidence: float) -> Falling:
    """The non-increasing shares nearest to the points (place, counts), in least squares weighted with n.

    They are the maximum likelihood too. Points at one place are taken together, those without parts left out; any
    order gives the same. Pool adjacent violators: Ayer M et al. (1955), Annals of Mathematical Statistics 26, 641-647.
    """
    seen = _together(points)
    blocks: list[list[tuple[float, Effective]]] = []
    for place in seen:
        blocks.append([place])
        while len(blocks) > 1 and _share(blocks[-1]) >= _share(blocks[-2]) - _GUARD:
            last = blocks.pop()
            blocks[-1].extend(last)
    levels = [Level(place, counts, _of(counts), _share(block)) for block in blocks for place, counts in block]
    breaks = [found for block in blocks for found in _breaks(block, confidence)]
    return Falling(tuple(levels), tuple(breaks))


def _together(points: Sequence[tuple[float, Effective]]) -> list[tuple[float, Effective]]:
    kept = sorted(
        ((place, counts) for place, counts in points if counts.n > 0), key=lambda point: (point[0], *_order(point[1]))
    )
    return [
        (place, merged([counts for _, counts in same])) for place, same in groupby(kept, key=lambda point: point[0])
    ]


def _order(counts: Effective) -> tuple[float, float, int, float]:
    return counts.n, counts.x, counts.clusters, counts.degrees if counts.degrees is not None else math.inf


def merged(counts: Sequence[Effective]) -> Effective:
    """Several effective counts as one: sums, and the design effect that keeps the number of parts."""
    if len(counts) == 1:
        return counts[0]
    n = math.fsum(group.n for group in counts)
    return Effective(
        x=min(n, math.fsum(group.x for group in counts)),
        n=n,
        design_effect=max(1.0, math.fsum(group.parts for group in counts) / n) if n > 0 else 1.0,
        clusters=sum(group.clusters for group in counts),
        degrees=joint_degrees(counts),
        reason=joint_reason(counts),
    )


def _of(counts: Effective) -> float:
    return min(1.0, max(0.0, counts.x / counts.n))


def _share(block: Sequence[tuple[float, Effective]]) -> float:
    n = math.fsum(counts.n for _, counts in block)
    return min(1.0, max(0.0, math.fsum(counts.x for _, counts in block) / n))


def _breaks(block: Sequence[tuple[float, Effective]], confidence: float) -> list[Break]:
    found = []
    for index, (place, counts) in enumerate(block[:-1]):
        beyond = block[index + 1 :]
        if _of(counts) < _share(beyond) - _GUARD:
            gap = newcombe(merged([other for _, other in beyond]), counts, confidence=confidence)
            found.append(Break(place, _of(counts), tuple(other for other, _ in beyond), gap))
    return found
