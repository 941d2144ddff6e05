"""Report losses: what goes wrong most, at which stage of the cut, and why?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from worker.events import STAGES
from worker.losses import UNSTATED
from worker.measures import FIRST_PASS
from worker.reports.comparing import counts_of
from worker.reports.derived_facts import explaining
from worker.reports.dimensions import LOST_BY
from worker.reports.fact_bands import Explained
from worker.reports.fact_bands import example as facts_example
from worker.reports.fact_words import explained_words
from worker.reports.lost_by_word import RANK_BY, lost_by_word
from worker.reports.lost_by_word import example as by_word_example
from worker.reports.notes import common_notes, cost_notes, with_and
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
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
from worker.sentences import sentence

_STAGES = (*STAGES, UNSTATED)
MEASURES = named_measures(
    "attempts", "parts_tried", "parts_judged_first", "pending_first", "first_pass_good",
    *(f"first_lost_{stage}" for stage in _STAGES), *(f"{stage}_yield" for stage in _STAGES),
    "rolled_throughput_yield", "first_pass_yield", *(f"lost_{stage}" for stage in _STAGES), "lost_seconds",
    "rework_minutes", "scrap_mass_kg", "cost_of_poor_quality",
)  # fmt: skip
_SUMS = summed_for(MEASURES)


def part_losses(reader: Reader, question: Question) -> Report:
    """Parts lost by the first stage that they failed, and the yield of each stage, by group; or what words they have.

    Divided by one of LOST_BY its rows are these words. Beside them the derived facts that failures go with. Raises
    QuestionUnanswerable for what cannot go together.
    """
    sorts = [dimension.name for dimension in question.by if dimension in LOST_BY]
    _refuse(question, sorts)
    if sorts:
        whole = attempt_groups(reader, replace(question, by=()), FIRST_PASS.names)
        return _with_facts(lost_by_word(reader, question), explaining(reader, question, counts_of(whole.values())))
    groups = attempt_groups(reader, question, _SUMS, most=MOST_GROUPS)
    totals = attempt_totals(reader, question, groups, _SUMS)
    notes: list[str] = [*common_notes(totals, question, reader.as_of), *cost_notes(totals)]
    counted = {group: sums for group, sums in groups.items() if sums["attempts"]}
    report = assemble("losses", reader, question, groups=counted, totals=totals, measures=MEASURES, notes=notes)
    return _with_facts(report, explaining(reader, question, FIRST_PASS.counts(totals)))


def _with_facts(report: Report, found: Explained) -> Report:
    return replace(report, notes=[*report.notes, *explained_words(found)], details=found.details)


def _refuse(question: Question, sorts: Sequence[str]) -> None:
    if len(sorts) > 1:
        detail = sentence(
            "names %(sorts)s, each of which divides the same lost parts; ask for one of them", sorts=with_and(sorts)
        )
        raise QuestionUnanswerable([Wrong("by", detail)])
    if not sorts and question.options[RANK_BY.name] != RANK_BY.default:
        names = ", ".join(dimension.name for dimension in LOST_BY)
        detail = sentence("orders words; ask for them by one of %(names)s", names=names)
        raise QuestionUnanswerable([Wrong(RANK_BY.name, detail)])


def example(reader: Reader, question: Question) -> Report:
    """An invented week by defect term, on plates of which the later attempts fail more often."""
    return _with_facts(by_word_example(reader, question), facts_example(confidence=question.confidence))
