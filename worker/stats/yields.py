"""Yields of several stages together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence


def yields_of_stages(entered: int, lost: Sequence[int]) -> list[float | None]:
    """Yield of each stage, from the parts that entered the first and those lost at each: what leaves over what enters.

    None for a stage that nothing entered.
    """
    yields: list[float | None] = []
    for here in lost:
        yields.append((entered - here) / entered if entered > 0 else None)
        entered -= here
    return yields


def rolled_throughput_yield(stages: Iterable[float | None]) -> float | None:
    """Product of the stages' yields: the share that passes them all at the first try (ISO 13053-1).

    0 when nothing leaves one of them; else None when there is no stage, or one that nothing entered.
    """
    ordered = list(stages)
    if 0.0 in ordered:
        return 0.0
    known = sorted(share for share in ordered if share is not None)
    return math.prod(known) if known and len(known) == len(ordered) else None
