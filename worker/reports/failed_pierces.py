"""Report pierces: how often does a pierce fail."""

from __future__ import annotations

from worker.reports.notes import common_notes, pierce_certainty, pierce_notes
from worker.reports.questions import Question
from worker.reports.reading import (
    MOST_GROUPS,
    Reader,
    assemble,
    attempt_groups,
    attempt_totals,
    named_measures,
    summed_for,
)
from worker.reports.report import Report

MEASURES = named_measures(
    "attempts", "pierces", "failed_pierces", "failed_pierce_rate", "failed_pierces_per_1000",
    "attempts_without_pierces",
)  # fmt: skip
_SUMS = summed_for(MEASURES)


def failed_pierces(reader: Reader, question: Question) -> Report:
    """Failed-pierce rate by group."""
    groups = attempt_groups(reader, question, _SUMS, most=MOST_GROUPS)
    totals = attempt_totals(reader, question, groups, _SUMS)
    notes: list[str] = [
        *pierce_certainty(totals, question),
        *common_notes(totals, question, reader.as_of),
        *pierce_notes(totals),
    ]
    counted = {group: sums for group, sums in groups.items() if sums["attempts"]}
    return assemble("pierces", reader, question, groups=counted, totals=totals, measures=MEASURES, notes=notes)
