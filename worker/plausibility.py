"""Entries that are hardly true, or that ask for a look at the machine. Pure; a warning never refuses anything."""

from __future__ import annotations

from collections.abc import Iterable

from worker.folding import Cut
from worker.placing import Row, Surroundings


def warnings_of(cut: Cut, row: Row, around: Surroundings) -> Iterable[Row]:
    """Rows of a finished attempt whose own row is `row`, at most one of a code."""
    return ()
