"""Report pierces: how often does a pierce fail."""

from __future__ import annotations

from worker.reports.notes import common_notes, pierce_notes
from worker.reports.questions import Question
from worker.reports.reading import Reader, added, assemble, attempt_groups, named_measures
from worker.reports.report import Report
from worker.tables import TALLY_SUMS

MEASURES = named_measures(
    "attempts", "pierces", "failed_pierces", "failed_pierce_rate", "failed_pierces_per_1000",
    "attempts_without_pierces",
)  # fmt: skip


def failed_pierces(reader: Reader, question: Question) -> Report:
    """Failed-pierce rate by group."""
    groups = attempt_groups(reader, question)
    totals = added(groups.values(), TALLY_SUMS)
    notes = [*common_notes(totals, question, reader.as_of), *pierce_notes(totals)]
    counted = {group: sums for group, sums in groups.items() if sums["attempts"]}
    return assemble("pierces", reader, question, groups=counted, totals=totals, measures=MEASURES, notes=notes)
