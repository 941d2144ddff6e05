"""Yields of several stages together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TypeVar

Share = TypeVar("Share", float, Fraction)


def yields_of_stages(entered: int, lost: Sequence[int]) -> list[Fraction | None]:
    """Yield of each stage, from the parts that entered the first and those lost at each: what leaves over what enters.

    Exact; None for a stage that nothing entered.
    """
    yields: list[Fraction | None] = []
    for here in lost:
        yields.append(Fraction(entered - here, entered) if entered > 0 else None)
        entered -= here
    return yields


def rolled_throughput_yield(stages: Iterable[Share | None]) -> Share | None:
    """Product of the stages' yields: the share that passes them all at the first try (ISO 13053-1).

    0 when nothing leaves one of them; else None when there is no stage, or one that nothing entered.
    """
    ordered = list(stages)
    known = sorted(share for share in ordered if share is not None)
    if known and known[0] == 0:
        return known[0]
    return math.prod(known[1:], start=known[0]) if known and len(known) == len(ordered) else None
