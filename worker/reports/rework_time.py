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
        "booked columns count the rework by its own production day and shift"
        + ("" if by_operation else "; the other columns count attempts by theirs, and all rework on them so far"),
        *common_notes(totals, question, reader.as_of),
        *in_rework_notes(totals),
    ]
    if totals["entries_without_cost"]:
        notes.append("cost is null where the site has not set the labour rate")
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
            f"an older week has had more time to be reworked: {EQUAL_AGE.name} counts each as it stood at the end of "
            f"day {days} from its Monday on, as old as {week} is on {upto}; compare weeks by this column"
        )
    return Beside((*beside.columns, EQUAL_AGE), values, totals, days, notes)


# --- notes ------------------------------------------------------------------------------------------------------


def _mean_said(totals: Mapping[str, Any], of: str, n: int, question: Question) -> Iterator[str]:
    """How long one takes, and how sure that is."""
    words = {"entry": "entries of rework", "reworked_attempt": "reworked attempts"}[of]
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
        sure = f"how sure that is cannot be said: {totals[f'{of}_reason']}"
    else:
        sure = f"between {low:.3g} and {high:.3g} ({100 * question.confidence:g} % confidence, log-normal)"
    yield (
        f"{n} {words}: {mean:.3g} minutes each on average, {sure}; half take at most {median:.3g} and nine in ten "
        f"{p90:.3g}: plan many by the mean, one by the latter"
    )


def _attempts_said(totals: Mapping[str, Any], parts: Clustered, question: Question) -> Iterator[str]:
    low, high = totals["rework_ratio_low"], totals["rework_ratio_high"]
    if low is not None and high is not None:
        yield (
            f"{round(parts.x)} of {round(parts.n)} judged parts needed rework: between {100 * low:.3g} and "
            f"{100 * high:.3g} % ({100 * question.confidence:g} % confidence, chance alone)"
        )
    yield from _mean_said(totals, "reworked_attempt", totals["attempts_reworked"], question)
    if without := totals["attempts_without_minutes"]:
        many = "1 attempt has" if without == 1 else f"{without} attempts have"
        yield f"{many} rework parts and no minutes so far, and stands apart from the mean"


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
