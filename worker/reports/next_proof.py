"""Which thickness to prove next, as report standing has it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from worker.reports.holding import OPEN, PROVEN


def next_to_prove(rows: Iterable[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """Of the rows of one machine, the open one of the next thickness beyond what is proven that lacks least.

    Where nothing thicker is open, and where nothing is proven, the thinnest that is open. None: nothing is.
    """
    told = [row for row in rows if row["thickness_mm"] is not None]
    proven = max((row["thickness_mm"] for row in told if row["standing"] == PROVEN), default=0)
    open_ones = [row for row in told if row["standing"] == OPEN and row["more_good_parts"]]
    beyond = [row for row in open_ones if row["thickness_mm"] > proven] or open_ones
    return min(beyond, key=lambda row: (row["thickness_mm"], row["more_good_parts"]), default=None)
