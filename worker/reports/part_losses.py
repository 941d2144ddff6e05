"""Report losses: which stage of the cut do parts fail first."""

from __future__ import annotations

from worker.events import STAGES
from worker.losses import UNSTATED
from worker.reports.notes import common_notes, cost_notes
from worker.reports.questions import Question
from worker.reports.reading import Reader, assemble, attempt_groups, attempt_totals, named_measures
from worker.reports.report import Report

_STAGES = (*STAGES, UNSTATED)
MEASURES = named_measures(
    "attempts", "parts_tried", "parts_judged_first", "pending_first", "first_pass_good",
    *(f"first_lost_{stage}" for stage in _STAGES), *(f"{stage}_yield" for stage in _STAGES),
    "rolled_throughput_yield", "first_pass_yield", *(f"lost_{stage}" for stage in _STAGES), "lost_seconds",
    "rework_minutes", "scrap_mass_kg", "cost_of_poor_quality",
)  # fmt: skip


def part_losses(reader: Reader, question: Question) -> Report:
    """Parts lost by the first stage that they failed, and the yield of each stage, by group."""
    groups = attempt_groups(reader, question)
    totals = attempt_totals(reader, question, groups)
    notes = [*common_notes(totals, question, reader.as_of), *cost_notes(totals)]
    counted = {group: sums for group, sums in groups.items() if sums["attempts"]}
    return assemble("losses", reader, question, groups=counted, totals=totals, measures=MEASURES, notes=notes)
