"""What an attempt lost, by stage, defect term, location and cause: parts, minutes and money, each once. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from worker.folding import Cut
from worker.placing import Row


def lost_parts_of(cut: Cut, row: Row) -> Iterable[Row]:
    """Rows of a finished attempt whose own row is `row`; none when nothing was lost."""
    return ()
