"""Report rework: what did rework cost, by the day on which it was done and by the cutting that caused it."""

from __future__ import annotations

from worker.reports.dimensions import OPERATION
from worker.reports.notes import common_notes, in_rework_notes
from worker.reports.questions import Question
from worker.reports.reading import (
    Reader,
    added,
    assemble,
    attempt_groups,
    attempt_totals,
    named_measures,
    rework_groups,
)
from worker.reports.report import Report
from worker.tables import REWORK_SUMS, TALLY_SUMS

BOOKED = named_measures(
    "rework_entries", "parts_reworked", "booked_rework_minutes", "booked_rework_cost", "finishing_minutes"
)
CAUSED = named_measures(
    "attempts", "rework", "hidden_rework", "recovered", "scrapped", "in_rework", "rework_ratio", "rework_minutes",
    "rework_minutes_per_good_part",
)  # fmt: skip


def rework_time(reader: Reader, question: Question) -> Report:
    """Booked rework by group and, unless it is divided by operation, the rework that the window's cutting caused."""
    booked = rework_groups(reader, question)
    by_operation = OPERATION in question.by
    caused = {} if by_operation else attempt_groups(reader, question)
    nothing = dict.fromkeys((*TALLY_SUMS, *REWORK_SUMS), 0)
    groups = {
        group: nothing | caused.get(group, {}) | booked.get(group, {}) for group in dict.fromkeys((*booked, *caused))
    }
    totals = added(groups.values(), (*TALLY_SUMS, *REWORK_SUMS))
    if not by_operation:
        totals |= attempt_totals(reader, question, caused)
    notes = [
        "booked columns count the rework by its own production day and shift"
        + ("" if by_operation else "; the other columns count attempts by theirs, and all rework on them so far"),
        *common_notes(totals, question, reader.as_of),
        *in_rework_notes(totals),
    ]
    if totals["entries_without_cost"]:
        notes.append("cost is null where the site has not set the labour rate")
    shown = {
        group: sums
        for group, sums in groups.items()
        if sums["attempts"] or sums["rework_entries"] or sums["finishing_minutes_e3"]
    }
    measures = BOOKED if by_operation else (*BOOKED, *CAUSED)
    return assemble("rework", reader, question, groups=shown, totals=totals, measures=measures, notes=notes)
