"""What reports there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from worker.measures import Measure
from worker.reports import failed_pierces, first_pass_yield, part_losses, rework_time
from worker.reports.dimensions import OPERATION, Dimension
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.reports.report import Report


@dataclass(frozen=True)
class Entry:
    """A report: the question that it answers, its measures, and what it can be divided by besides the dimensions."""

    name: str
    question: str
    answer: Callable[[Reader, Question], Report]
    measures: tuple[Measure, ...]
    more_dimensions: tuple[Dimension, ...] = ()


_ENTRIES: Final = (
    Entry(
        "yield",
        "How often are parts right the first time, by thickness and any other dimension?",
        first_pass_yield.first_pass_yield,
        first_pass_yield.MEASURES,
    ),
    Entry("pierces", "How often does a pierce fail?", failed_pierces.failed_pierces, failed_pierces.MEASURES),
    Entry(
        "rework",
        "How long was reworked, at what, for what cost?",
        rework_time.rework_time,
        (*rework_time.BOOKED, *rework_time.CAUSED),
        (OPERATION,),
    ),
    Entry("losses", "At which stage of the cut do parts fail?", part_losses.part_losses, part_losses.MEASURES),
)
REPORTS: Final[dict[str, Entry]] = {entry.name: entry for entry in _ENTRIES}
