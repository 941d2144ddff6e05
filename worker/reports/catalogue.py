"""What reports there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from worker.measures import Measure
from worker.reports import (
    bad_lots,
    change,
    failed_pierces,
    first_pass_yield,
    part_losses,
    plate_conditions,
    rework_time,
)
from worker.reports.dimensions import OPERATION, Dimension
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.reports.report import Column, Report


@dataclass(frozen=True)
class Entry:
    """A report: the question that it answers, what its columns are, and what it can be asked."""

    name: str
    question: str
    answer: Callable[[Reader, Question], Report]
    measures: tuple[Measure, ...] = ()
    more_dimensions: tuple[Dimension, ...] = ()
    #: Columns and details of a report whose rows are not sums; `details` are of the answer as a whole.
    columns: tuple[Column, ...] = ()
    details: tuple[Column, ...] = ()
    options: tuple[Option, ...] = ()
    #: What divides it when nothing is asked; nothing: it is not divided.
    by: tuple[str, ...] = ("thickness",)
    #: An answer about invented figures, for the document; left out where the measures make one.
    example: Callable[[Reader, Question], Report] | None = None


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
    Entry(
        "trend",
        "Is it changing, or is it noise?",
        change.change,
        columns=change.COLUMNS,
        details=change.DETAILS,
        options=change.OPTIONS,
        by=(),
        example=change.example,
    ),
    Entry(
        "conditions",
        "Does the surface, or the thermal history, cost yield, thickness for thickness?",
        plate_conditions.plate_conditions,
        columns=plate_conditions.COLUMNS,
        details=plate_conditions.DETAILS,
        options=plate_conditions.OPTIONS,
        by=(),
        example=plate_conditions.example,
    ),
    Entry(
        "lots",
        "Is this heat or supplier worse than chance?",
        bad_lots.bad_lots,
        columns=bad_lots.COLUMNS,
        details=bad_lots.DETAILS,
        options=bad_lots.OPTIONS,
        by=(),
        example=bad_lots.example,
    ),
)
REPORTS: Final[dict[str, Entry]] = {entry.name: entry for entry in _ENTRIES}
