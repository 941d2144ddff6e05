"""The headline of a window, adjusted for the mix: what was observed, beside what the weeks before would give for it.

More thick plate lowers the yield of a week without anything having changed. So the window's parts are held against the
yields that the 26 weeks before it had at the same thicknesses and materials. Days that are not judged yet are left out
of both.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final

from worker.measures import FIRST_PASS
from worker.reports.dimensions import DIMENSIONS
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, attempt_groups, settled
from worker.reports.report import Column
from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import Clustered, correlation, effective
from worker.stats.standardising import Standardised, standardised

AGAINST: Final = Option(
    "against",
    "baseline: in details the yield beside what the 26 weeks before give for the same thicknesses and materials",
    ("nothing", "baseline"),
)
BASELINE_DAYS: Final = 26 * 7
MIX: Final = ("thickness", "material")
_OF_BASELINE: Final = "what the baseline's yields give for the window's thicknesses and materials"

DETAILS: Final = (
    Column("baseline_from", "", "first production day of the baseline; null unless against=baseline", "text"),
    Column("baseline_to", "", "last production day of the baseline", "text"),
    Column("parts_compared", "parts", "judged parts of first attempts that the baseline has the mix of", "integer"),
    Column("parts_without_baseline", "parts", "those of thicknesses and materials that it has not", "integer"),
    Column("observed_yield", "share (0-1)", "first-pass yield of the parts compared"),
    Column("observed_yield_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("observed_yield_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("expected_yield", "share (0-1)", _OF_BASELINE),
    Column("expected_yield_low", "share (0-1)", "lower limit of its interval"),
    Column("expected_yield_high", "share (0-1)", "upper limit of its interval"),
    Column("yield_difference", "share (0-1)", "observed less expected yield"),
    Column("yield_difference_low", "share (0-1)", "lower limit of Newcombe's interval of it"),
    Column("yield_difference_high", "share (0-1)", "upper limit of Newcombe's interval of it"),
    Column("yield_ratio", "", "observed over expected yield"),
    Column("yield_ratio_low", "", "lower limit of its interval (Donner and Zou)"),
    Column("yield_ratio_high", "", "upper limit of its interval (Donner and Zou)"),
    Column("verdict", "", "higher, lower, or same: chance explains the difference", "text"),
    Column("reason", "", "why there is nothing to compare with", "text"),
)


def headline(reader: Reader, question: Question) -> tuple[dict[str, Any], list[str]]:
    """(details, notes) of a question; all details are None unless it asks against=baseline."""
    if not (read := windows_read(question)):
        return dict.fromkeys(column.name for column in DETAILS), []
    (before,) = read
    found = _compared(_by_mix(reader, question), _by_mix(reader, before), confidence=question.confidence)
    return _details(found, before), [_said(found)]


def windows_read(question: Question) -> tuple[Question, ...]:
    """What it reads beside its window."""
    return (baseline_of(question),) if question.options.get(AGAINST.name) == "baseline" else ()


def baseline_of(question: Question) -> Question:
    """The same question of the weeks before its window."""
    # The calendar begins with the year 1: a window that begins there has nothing before it.
    days_before = (question.first_day - date.min).days
    return replace(
        question,
        first_day=question.first_day - timedelta(days=min(BASELINE_DAYS, days_before)),
        last_day=question.first_day - timedelta(days=min(1, days_before)),
        without_days=frozenset({question.first_day}) if not days_before else frozenset(),
    )


def _by_mix(reader: Reader, question: Question) -> dict[Group, Sums]:
    asked, _ = settled(reader, question)
    groups = attempt_groups(reader, replace(asked, by=tuple(DIMENSIONS[name] for name in MIX)), FIRST_PASS.names)
    return {group: sums for group, sums in groups.items() if sums[FIRST_PASS.n] and None not in group}


def _compared(now: dict[Group, Sums], baseline: dict[Group, Sums], *, confidence: float) -> Standardised:
    counts = {group: FIRST_PASS.counts(sums) for group, sums in now.items()}
    of_baseline = {group: FIRST_PASS.counts(sums) for group, sums in baseline.items()}
    pooled = correlation([*counts.values(), *of_baseline.values()])
    nothing = Clustered.of(())
    pairs = [
        (
            effective(counts[group], pooled=pooled, own=False),
            effective(of_baseline.get(group, nothing), pooled=pooled, own=False),
        )
        for group in sorted(counts)
    ]
    return standardised(pairs, confidence=confidence)


def _details(found: Standardised, before: Question) -> dict[str, Any]:
    values = (
        before.first_day.isoformat(), before.last_day.isoformat(), round(found.parts),
        round(found.parts_without_baseline), found.observed.share, found.observed.low, found.observed.high,
        found.expected.share, found.expected.low, found.expected.high, found.difference.difference,
        found.difference.low, found.difference.high, found.ratio.ratio, found.ratio.low, found.ratio.high,
        found.verdict, found.reason,
    )  # fmt: skip
    return dict(zip((column.name for column in DETAILS), values, strict=True))


def _said(found: Standardised) -> Sentence:
    if found.verdict is None or found.observed.share is None or found.expected.share is None:
        return sentence(
            "the yield cannot be held against the weeks before: %(reason)s",
            reason=found.reason or sentence("nothing was judged"),
        )
    return sentence(
        "%(observed)s where the 26 weeks before would give %(expected)s for this mix: %(verdict)s",
        observed=figure(found.observed.share, ".1%"),
        expected=figure(found.expected.share, ".1%"),
        verdict=_verdict(found),
    )


def _verdict(found: Standardised) -> Sentence:
    low, high = found.difference.low, found.difference.high
    if found.verdict == "same":
        return sentence("chance may explain the difference, which does not prove that nothing changed")
    if low is None or high is None:
        if found.verdict == "lower":
            return sentence("lower than chance explains, the mix being equal")
        return sentence("higher than chance explains, the mix being equal")
    if found.verdict == "lower":
        return sentence(
            "lower than chance explains by %(least)s to %(most)s of the parts, the mix being equal",
            least=figure(abs(high), ".1%"),
            most=figure(abs(low), ".1%"),
        )
    return sentence(
        "higher than chance explains by %(least)s to %(most)s of the parts, the mix being equal",
        least=figure(abs(low), ".1%"),
        most=figure(abs(high), ".1%"),
    )
