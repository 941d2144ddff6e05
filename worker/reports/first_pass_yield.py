"""Report yield: how often are parts right the first time, and all else that is counted of attempts."""

from __future__ import annotations

from dataclasses import replace

from worker.reports.headline import headline
from worker.reports.notes import common_notes, cost_notes, first_pass_certainty, in_rework_notes, pierce_notes
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
    "attempts", "first_attempts", "open_attempts", "parts_tried", "parts_started", "parts_judged_first",
    "pending_first", "judged_share", "first_pass_good", "first_pass_yield", "first_pass_yield_if_pending_bad",
    "first_pass_yield_if_pending_good", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped",
    "in_rework", "released_by_sample", "hidden_rework", "yield_after_rework", "rework_ratio", "scrap_ratio",
    "attempts_per_good_part", "pierces", "failed_pierces", "failed_pierce_rate", "attempts_without_pierces",
    "rework_minutes", "rework_minutes_per_good_part", "cutting_seconds", "lost_seconds", "attempts_without_seconds",
    "interruptions", "scrap_mass_kg", "cost_of_poor_quality",
)  # fmt: skip
_SUMS = summed_for(MEASURES)


def first_pass_yield(reader: Reader, question: Question) -> Report:
    """First-pass yield and the counts around it, by group."""
    groups = attempt_groups(reader, question, _SUMS, most=MOST_GROUPS)
    totals = attempt_totals(reader, question, groups, _SUMS)
    details, said = headline(reader, question)
    notes = [
        *said,
        *first_pass_certainty(totals, question),
        *common_notes(totals, question, reader.as_of),
        *pierce_notes(totals),
        *in_rework_notes(totals),
        *cost_notes(totals),
    ]
    counted = {group: sums for group, sums in groups.items() if sums["attempts"]}
    report = assemble("yield", reader, question, groups=counted, totals=totals, measures=MEASURES, notes=notes)
    return replace(report, details=details)
