"""Report rework: how long was reworked, at what, for what cost: by the day of the work, and by the cut behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from worker.measures import E3, scaled
from worker.reports.dimensions import DIMENSIONS, OPERATION
from worker.reports.notes import common_notes, in_rework_notes
from worker.reports.questions import Question
from worker.reports.reading import (
    MOST_GROUPS,
    Group,
    Reader,
    Sums,
    added,
    assemble,
    attempt_groups,
    attempt_totals,
    named_measures,
    rework_groups,
    shown_groups,
    summed_for,
)
from worker.reports.report import Column, Report
from worker.reports.rework_minutes import (
    EQUAL_AGE,
    OF_ATTEMPTS,
    OF_ENTRIES,
    PARTS,
    PARTS_SUMS,
    Minutes,
    at_equal_age,
    attempts_values,
    correlation_of,
    entries,
    minutes_values,
    reworked_attempts,
    reworked_parts,
    told_up_to,
)
from worker.sentences import counted, figure, sentence
from worker.shopcalendar import monday_of
from worker.stats.clustering import Clustered, correlation
from worker.tables import REWORK_SUMS, TALLY_SUMS

BOOKED = named_measures(
    "rework_entries", "parts_reworked", "booked_rework_minutes", "booked_rework_cost", "finishing_minutes"
)
CAUSED = named_measures(
    "attempts", "rework", "hidden_rework", "recovered", "scrapped", "in_rework", "rework_ratio", "rework_minutes",
    "rework_minutes_per_good_part",
)  # fmt: skip
_CAUSED_SUMS: Final = summed_for(CAUSED)
COLUMNS: Final = (*OF_ATTEMPTS, EQUAL_AGE, *OF_ENTRIES)
DETAILS: Final = (
    Column("equal_age_days", "days", "age at which weeks are compared, from Monday on; null unless by week", "integer"),
)

_NONE: Final = Clustered(0, 0, 0, 0, 0)


@dataclass(frozen=True)
class Beside:
    """Columns beside the sums: what they are, their values by group and over all, and the age of weeks compared."""

    columns: Sequence[Column]
    values: Mapping[Group, dict[str, Any]]
    totals: Mapping[str, Any]
    equal_age_days: int | None = None
    notes: Sequence[str] = ()


def rework_time(reader: Reader, question: Question) -> Report:
    """Booked rework by group and, unless it is divided by operation, the rework that the window's cutting caused."""
    booked = rework_groups(reader, question, most=MOST_GROUPS)
    by_operation = OPERATION in question.by
    caused = {} if by_operation else attempt_groups(reader, question, _CAUSED_SUMS, most=MOST_GROUPS)
    nothing = dict.fromkeys((*TALLY_SUMS, *REWORK_SUMS), 0)
    groups = {
        group: nothing | caused.get(group, {}) | booked.get(group, {}) for group in dict.fromkeys((*booked, *caused))
    }
    totals = added(groups.values(), (*TALLY_SUMS, *REWORK_SUMS))
    if not by_operation:
        totals |= attempt_totals(reader, question, caused, _CAUSED_SUMS)
    shown = {
        group: sums
        for group, sums in groups.items()
        if sums["attempts"] or sums["rework_entries"] or sums["finishing_minutes_e3"]
    }
    beside = _of_entries(reader, question, shown) if by_operation else _of_attempts(reader, question, shown)
    notes = [
        *beside.notes,
        _BOOKED_ALONE if by_operation else _BOOKED_BESIDE,
        *common_notes(totals, question, reader.as_of),
        *in_rework_notes(totals),
    ]
    if totals["entries_without_cost"]:
        notes.append(sentence("cost is null where the site has not set the labour rate"))
    measures = BOOKED if by_operation else (*BOOKED, *CAUSED)
    report = assemble("rework", reader, question, groups=shown, totals=totals, measures=measures, notes=notes)
    return _with_beside(report, reader, question, beside)


def _with_beside(report: Report, reader: Reader, question: Question, beside: Beside) -> Report:
    rows = [more for _, more in shown_groups(reader, question, beside.values)]
    return replace(
        report,
        columns=(*report.columns, *beside.columns),
        rows=[row | more for row, more in zip(report.rows, rows, strict=True)],
        totals={**report.totals, **beside.totals},
        details={DETAILS[0].name: beside.equal_age_days},
    )


def _of_entries(reader: Reader, question: Question, groups: Mapping[Group, Sums]) -> Beside:
    """How long one entry of rework is."""
    found = entries(reader, question)
    whole = Minutes.together(found.values())

    def values(minutes: Minutes, alike: float | None) -> dict[str, Any]:
        return minutes_values(OF_ENTRIES, minutes, confidence=question.confidence, alike=alike)

    alike, totals = correlation_of(found.values()), values(whole, correlation_of([whole]))
    of_groups = {group: values(found.get(group, Minutes()), alike) for group in groups}
    return Beside(OF_ENTRIES, of_groups, totals, notes=[*_mean_said(totals, "entry", len(whole.values), question)])


def _of_attempts(reader: Reader, question: Question, groups: Mapping[Group, Sums]) -> Beside:
    """How long one attempt is reworked, and how sure the share of reworked parts is."""
    minutes, sums = reworked_attempts(reader, question), reworked_parts(reader, question)
    parts = {group: PARTS.counts(each) for group, each in sums.items()}
    whole = Minutes.together(minutes.values())
    if any(dimension.of_attempts for dimension in question.by):
        # Divided by what tallies do not carry, a cluster may be split among groups.
        sums = reworked_parts(reader, replace(question, by=()))
    all_parts = PARTS.counts(added(sums.values(), PARTS_SUMS))
    confidence, alike, parts_alike = question.confidence, correlation_of(minutes.values()), correlation(parts.values())
    values = {
        group: attempts_values(
            minutes.get(group, Minutes()),
            parts.get(group, _NONE),
            confidence=confidence,
            alike=alike,
            parts_alike=parts_alike,
        )
        for group in groups
    }
    totals = attempts_values(whole, all_parts, confidence=confidence, alike=correlation_of([whole]), parts_alike=None)
    beside = Beside(OF_ATTEMPTS, values, totals, notes=[*_attempts_said(totals, all_parts, question)])
    return _at_equal_age(reader, question, groups, beside) if DIMENSIONS["week"] in question.by else beside


def _at_equal_age(reader: Reader, question: Question, groups: Mapping[Group, Sums], beside: Beside) -> Beside:
    """The same with each week's minutes as they stood when it was as old as the youngest week shown is now.

    Now is the newest production day of the site on which something was cut or reworked: no clock decides a figure.
    """
    place = question.by.index(DIMENSIONS["week"])
    week = max((group[place] for group, sums in groups.items() if sums["attempts"]), default=None)
    upto = told_up_to(reader)
    days = None if week is None or upto is None else (upto - monday_of(week)).days + 1
    sums = {} if days is None else at_equal_age(reader, question, days=days)
    values = {group: more | {EQUAL_AGE.name: scaled(sums.get(group, 0), E3)} for group, more in beside.values.items()}
    totals = dict(beside.totals) | {EQUAL_AGE.name: scaled(sum(sums.values()), E3)}
    notes = [*beside.notes]
    if days is not None:
        notes.append(
            sentence(
                "an older week has had more time to be reworked: %(column)s counts each as it stood at the end of day "
                "%(days)s from its Monday on, as old as %(week)s is on %(upto)s; compare weeks by this column",
                column=EQUAL_AGE.name,
                days=days,
                week=week,
                upto=upto,
            )
        )
    return Beside((*beside.columns, EQUAL_AGE), values, totals, days, notes)


# --- notes ------------------------------------------------------------------------------------------------------

_BOOKED_ALONE: Final = sentence("booked columns count the rework by its own production day and shift")
_BOOKED_BESIDE: Final = sentence(
    "booked columns count the rework by its own production day and shift; the other columns count attempts by theirs, "
    "and all rework on them so far"
)


def _mean_said(totals: Mapping[str, Any], of: str, n: int, question: Question) -> Iterator[str]:
    """How long one takes, and how sure that is."""
    mean, low, high, median, p90 = (
        totals[name]
        for name in (
            f"minutes_per_{of}",
            f"minutes_per_{of}_low",
            f"minutes_per_{of}_high",
            f"median_per_{of}",
            f"p90_per_{of}",
        )
    )
    if mean is None:
        return
    if low is None or high is None:
        sure = sentence("how sure that is cannot be said: %(reason)s", reason=totals[f"{of}_reason"])
    else:
        sure = sentence(
            "between %(low)s and %(high)s (%(confidence)s %% confidence, log-normal)",
            low=figure(low, ".3g"),
            high=figure(high, ".3g"),
            confidence=figure(100 * question.confidence, "g"),
        )
    found = {
        "many": n,
        "mean": figure(mean, ".3g"),
        "sure": sure,
        "median": figure(median, ".3g"),
        "p90": figure(p90, ".3g"),
    }
    if of == "entry":
        yield sentence(
            "%(many)s entries of rework: %(mean)s minutes each on average, %(sure)s; half take at most %(median)s and "
            "nine in ten %(p90)s: plan many by the mean, one by the latter",
            **found,
        )
    else:
        yield sentence(
            "%(many)s reworked attempts: %(mean)s minutes each on average, %(sure)s; half take at most %(median)s and "
            "nine in ten %(p90)s: plan many by the mean, one by the latter",
            **found,
        )


def _attempts_said(totals: Mapping[str, Any], parts: Clustered, question: Question) -> Iterator[str]:
    low, high = totals["rework_ratio_low"], totals["rework_ratio_high"]
    if low is not None and high is not None:
        yield sentence(
            "%(reworked)s of %(judged)s judged parts needed rework: between %(low)s and %(high)s %% (%(confidence)s %% "
            "confidence, chance alone)",
            reworked=round(parts.x),
            judged=round(parts.n),
            low=figure(100 * low, ".3g"),
            high=figure(100 * high, ".3g"),
            confidence=figure(100 * question.confidence, "g"),
        )
    yield from _mean_said(totals, "reworked_attempt", totals["attempts_reworked"], question)
    if without := totals["attempts_without_minutes"]:
        yield counted(
            without,
            "%(count)s attempt has rework parts and no minutes so far, and stands apart from the mean",
            "%(count)s attempts have rework parts and no minutes so far, and stands apart from the mean",
        )


def example(reader: Reader, question: Question) -> Report:
    """An invented week at 20 mm."""
    sums = dict.fromkeys((*TALLY_SUMS, *REWORK_SUMS), 0) | {
        "attempts": 42, "good": 144, "rework": 6, "scrap": 3, "not_made": 5, "recovered": 4, "scrapped": 1,
        "in_rework": 1, "hidden": 1, "rework_minutes_e3": 187_500, "rework_entries": 5, "parts_reworked": 6,
        "booked_rework_minutes_e3": 187_500, "booked_rework_cost_e6": 143_750_000, "finishing_minutes_e3": 60_000,
    }  # fmt: skip
    group, measures = (20_000_000,), (*BOOKED, *CAUSED)
    minutes = Minutes(
        {("2026-03-02", 1): [24_000, 41_500], ("2026-03-03", 1): [18_000], ("2026-03-06", 1): [104_000]}, without=1
    )
    parts = Clustered(x=6, n=158, clusters=5, n2=5_100, x2_over_n=0.4)
    more = attempts_values(minutes, parts, confidence=question.confidence, alike=0.1, parts_alike=None)
    notes = [*_attempts_said(more, parts, question)]
    report = assemble("rework", reader, question, groups={group: sums}, totals=sums, measures=measures, notes=notes)
    return _with_beside(report, reader, question, Beside(OF_ATTEMPTS, {group: more}, more))
