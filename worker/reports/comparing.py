"""What reports share that compare groups: first-attempt parts in settled days, thickness by thickness, as counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from worker.measures import FIRST_PASS
from worker.reports.dimensions import DIMENSIONS
from worker.reports.notes import COMMON_SUMS, common_notes
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, added, attempt_groups, settled
from worker.reports.report import Column, Report
from worker.sentences import Sentence, counted, joined, sentence
from worker.stats.clustering import Clustered

_MOST_DAYS_NAMED = 5


def compared_groups(
    reader: Reader, question: Question, names: Sequence[str]
) -> tuple[dict[Group, Sums], list[date], list[str]]:
    """(sums of first attempts by these dimensions over settled days, days left out, notes)."""
    by, sums = tuple(DIMENSIONS[name] for name in names), (*FIRST_PASS.names, *COMMON_SUMS)
    asked, unsettled = settled(reader, question)
    groups = attempt_groups(reader, replace(asked, by=by), sums)
    totals = added(groups.values(), sums)
    notes: list[str] = list(common_notes(totals, replace(question, by=by), reader.as_of, provisional=False))
    if unsettled:
        notes.insert(0, _left_out(unsettled))
    return groups, unsettled, notes


def _left_out(days: Sequence[date]) -> Sentence:
    return counted(
        len(days),
        "%(count)s production day is left out, since more than 5 %% of the parts are pending: %(days)s",
        "%(count)s production days are left out, since more than 5 %% of the parts are pending: %(days)s",
        days=first_of([day.isoformat() for day in days], most=_MOST_DAYS_NAMED),
    )


def first_of(names: Sequence[str], *, most: int) -> Sentence:
    """The first of these names, no more than so many, and how many more there are."""
    shown = joined(", ", names[:most])
    if len(names) <= most:
        return shown
    return sentence("%(names)s and %(more)s more", names=shown, more=len(names) - most)


def counts_of(groups: Iterable[Sums]) -> Clustered:
    """Good parts of first attempts over groups together."""
    return Clustered.total(FIRST_PASS.counts(sums) for sums in groups)


def described(
    name: str,
    reader: Reader,
    question: Question,
    *,
    columns: Sequence[Column],
    rows: list[dict[str, Any]],
    details: Mapping[str, Any],
    notes: list[str],
    cautions: tuple[str, ...] = (),
) -> Report:
    """A report whose rows are no sums; `columns` are all of it, those that divide it among them."""
    return Report(
        name=name,
        site=reader.site,
        first_day=question.first_day,
        last_day=question.last_day,
        by=tuple(dimension.name for dimension in question.by),
        filters=question.asked,
        confidence=question.confidence,
        as_of=reader.as_of,
        columns=tuple(columns),
        rows=rows,
        totals={},
        notes=notes,
        details=details,
        cautions=cautions,
    )


def invented(*, parts: int, good: int, plates: int) -> Sums:
    """Sums of plates that are all alike, for the examples of the document."""
    return {
        FIRST_PASS.n: parts,
        FIRST_PASS.x: good,
        FIRST_PASS.clusters: plates,
        FIRST_PASS.n2: parts * parts // plates,
        FIRST_PASS.x2_over_n_e6: 1_000_000 * good * good // parts,
    }
