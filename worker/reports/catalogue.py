"""What reports there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from worker.measures import Measure
from worker.reports import (
    bad_lots,
    change,
    cut_times,
    edge_ranges,
    entry_coverage,
    fact_bands,
    failed_pierces,
    first_pass_yield,
    headline,
    lost_by_word,
    part_losses,
    piece_retries,
    plate_conditions,
    proof_series,
    recipe_comparison,
    rework_time,
    size_deviations,
    standing,
    thickness_promise,
    tool_wear,
)
from worker.reports.dimensions import LOST_BY, OPERATION, Dimension
from worker.reports.options import AnyOption
from worker.reports.questions import DEFAULT_LAST, Askable, Question
from worker.reports.reading import Reader
from worker.reports.report import Column, Report
from worker.reports.standings import PURPOSES as STANDING_PURPOSES
from worker.reports.standings import windows_read as windows_of_standing
from worker.reports.withholding import without_few


@dataclass(frozen=True)
class Entry:
    """A report: the question that it answers, what its columns are, and what it can be asked."""

    name: str
    question: str
    #: Makes it; asked through `answer` alone.
    make: Callable[[Reader, Question], Report]
    measures: tuple[Measure, ...] = ()
    more_dimensions: tuple[Dimension, ...] = ()
    #: Columns and details of a report whose rows are not sums, or not only; `details` are of the answer as a whole.
    columns: tuple[Column, ...] = ()
    details: tuple[Column, ...] = ()
    options: tuple[AnyOption, ...] = ()
    #: What divides it when nothing is asked; nothing: it is not divided.
    by: tuple[str, ...] = ("thickness",)
    #: Columns that say which of its rows one is, beside those that divide it.
    keys: tuple[str, ...] = ()
    #: Dimensions that its sentences, or its rows by other columns, tell apart.
    tells: Callable[[Question], tuple[str, ...]] = lambda question: ()
    #: What it reads beside its window.
    also_reads: Callable[[Question], tuple[Question, ...]] = lambda question: ()
    #: It reads attempts, not tallies alone: the worker has the answer to its plain question ready.
    reads_attempts: bool = False
    #: Its window when none is asked for, and the purposes it counts when none is asked for; nothing: all.
    last: str = DEFAULT_LAST
    purposes: tuple[str, ...] = ("production",)
    #: Its confidence is the site's target when none is asked for.
    of_targets: bool = False
    #: It advises cuts: cautions go with its answers.
    advises: bool = False
    #: One week makes an answer: it is published with the others.
    weekly: bool = True
    #: An answer about invented figures, for the document; left out where the measures make one.
    example: Callable[[Reader, Question], Report] | None = None

    def answer(self, reader: Reader, question: Question) -> Report:
        """The report that a question asks for, without what tells of too few people."""
        withheld = without_few(reader, question, self.known_by(question), also_read=self.also_reads(question))
        report = self.make(reader, withheld.question)
        return replace(report, notes=[*withheld.notes, *report.notes]) if withheld.notes else report

    def known_by(self, question: Question) -> tuple[str, ...]:
        """Columns and dimensions that an answer tells apart, beside those that the question divides by."""
        return (*self.keys, *self.tells(question))

    @property
    def askable(self) -> Askable:
        """What it can be asked."""
        return Askable(self.more_dimensions, self.options, self.by, self.last, self.purposes, self.of_targets)


_ENTRIES: Final = (
    Entry(
        "yield",
        "How often are parts right the first time, by thickness and any other dimension?",
        first_pass_yield.first_pass_yield,
        first_pass_yield.MEASURES,
        details=headline.DETAILS,
        options=(headline.AGAINST,),
        also_reads=headline.windows_read,
    ),
    Entry("pierces", "How often does a pierce fail?", failed_pierces.failed_pierces, failed_pierces.MEASURES),
    Entry(
        "rework",
        "How long was reworked, at what, for what cost?",
        rework_time.rework_time,
        (*rework_time.BOOKED, *rework_time.CAUSED),
        (OPERATION,),
        columns=rework_time.COLUMNS,
        details=rework_time.DETAILS,
        example=rework_time.example,
    ),
    Entry(
        "losses",
        "What goes wrong most, at which stage of the cut, and why?",
        part_losses.part_losses,
        part_losses.MEASURES,
        LOST_BY,
        columns=lost_by_word.COLUMNS,
        details=fact_bands.DETAILS,
        options=(lost_by_word.RANK_BY,),
        keys=(lost_by_word.CERTAINTY.name,),
        reads_attempts=True,
        example=part_losses.example,
    ),
    Entry(
        "trend",
        "Is it changing, or is it noise?",
        change.change,
        columns=change.COLUMNS,
        details=change.DETAILS,
        options=change.OPTIONS,
        by=(),
        keys=("period",),
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
        keys=("thickness_mm", "material", "machine"),
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
        keys=("mill", "lot"),
        tells=bad_lots.told_apart,
        reads_attempts=True,
        example=bad_lots.example,
    ),
    Entry(
        "recipes",
        "Is one recipe, or revision, better than another, like with like; and which is the best so far?",
        recipe_comparison.recipe_comparison,
        columns=recipe_comparison.COLUMNS,
        details=recipe_comparison.DETAILS,
        options=recipe_comparison.OPTIONS,
        by=(),
        keys=recipe_comparison.KEYS,
        last="26w",
        purposes=(),
        reads_attempts=True,
        advises=True,
        weekly=False,
        example=recipe_comparison.example,
    ),
    Entry(
        "retries",
        "How many attempts does a piece take, and does it come in the end?",
        piece_retries.piece_retries,
        columns=piece_retries.COLUMNS,
        details=piece_retries.DETAILS,
        keys=("attempt",),
        reads_attempts=True,
        example=piece_retries.example,
    ),
    Entry(
        "limit",
        "How thick can this machine cut in production, at this yield and confidence?",
        thickness_promise.thickness_promise,
        columns=thickness_promise.COLUMNS,
        details=thickness_promise.DETAILS,
        options=thickness_promise.OPTIONS,
        by=(),
        keys=thickness_promise.KEYS,
        last="26w",
        purposes=(),
        of_targets=True,
        reads_attempts=True,
        advises=True,
        weekly=False,
        example=thickness_promise.example,
    ),
    Entry(
        "standing",
        "What may be promised at each thickness?",
        standing.standing,
        columns=standing.COLUMNS,
        details=standing.DETAILS,
        options=standing.OPTIONS,
        by=(),
        keys=standing.KEYS,
        also_reads=windows_of_standing,
        last="26w",
        purposes=STANDING_PURPOSES,
        of_targets=True,
        reads_attempts=True,
        advises=True,
        weekly=False,
        example=standing.example,
    ),
    Entry(
        "proof",
        "Is this series of cuts enough to prove a thickness?",
        proof_series.proof_series,
        columns=proof_series.COLUMNS,
        details=proof_series.DETAILS,
        by=(),
        keys=("proof",),
        last="26w",
        purposes=proof_series.PURPOSES,
        advises=True,
        weekly=False,
        example=proof_series.example,
    ),
    Entry(
        "edges",
        "What cut quality do we hold, by the ranges of ISO 9013, and is it what jobs ask for?",
        edge_ranges.edge_ranges,
        columns=edge_ranges.COLUMNS,
        details=edge_ranges.DETAILS,
        last="26w",
        purposes=(),
        weekly=False,
        example=edge_ranges.example,
    ),
    Entry(
        "sizes",
        "Are parts to size, and what offset is due?",
        size_deviations.size_deviations,
        columns=size_deviations.COLUMNS,
        details=size_deviations.DETAILS,
        by=("machine", "thickness", "recipe"),
        keys=("feature",),
        last="26w",
        purposes=(),
        weekly=False,
        example=size_deviations.example,
    ),
    Entry(
        "wear",
        "Do failures grow with what was done since a nozzle, a window, a lens was seen to; and when is a change due?",
        tool_wear.tool_wear,
        columns=tool_wear.COLUMNS,
        details=tool_wear.DETAILS,
        options=tool_wear.OPTIONS,
        by=(),
        keys=tool_wear.KEYS,
        last="26w",
        reads_attempts=True,
        weekly=False,
        example=tool_wear.example,
    ),
    Entry(
        "times",
        "How long do cuts take beside what is planned, and what does a good part really take?",
        cut_times.cut_times,
        columns=cut_times.COLUMNS,
        details=cut_times.DETAILS,
        last="26w",
        reads_attempts=True,
        weekly=False,
        example=cut_times.example,
    ),
    Entry(
        "coverage",
        "Can these figures be trusted?",
        entry_coverage.entry_coverage,
        columns=entry_coverage.COLUMNS,
        details=entry_coverage.DETAILS,
        options=entry_coverage.OPTIONS,
        by=(),
        keys=("scope", "name", "criterion"),
        reads_attempts=True,
        example=entry_coverage.example,
    ),
)
REPORTS: Final[dict[str, Entry]] = {entry.name: entry for entry in _ENTRIES}
