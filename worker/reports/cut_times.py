"""Report times: how long do cuts take beside what is planned, and what does a good part really take? For quoting."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from worker.measures import E3, SECONDS, SHARE
from worker.reports.comparing import compared_groups, described
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, dimension_columns, shown_groups
from worker.reports.report import Column, Report
from worker.reports.timed_cuts import Timed, Took, timed_cuts
from worker.sentences import Sentence, counted, figure, sentence
from worker.stats.quantiles import quantile_of
from worker.stats.ratios import Limits, limits_of, rate_of

_BY_PLATES: Final = "interval by plates"
_OF_PLAN: Final = "times the planned time"
_WHOLE: Final = "cuts from start to end"
_ALL_IN: Final = "all attempts, failed ones and retries included"
P90: Final = 0.9


def _rate(name: str, unit: str, what: str) -> tuple[Column, ...]:
    return (
        Column(name, unit, what),
        Column(f"{name}_low", unit, f"lower limit of the {_BY_PLATES}"),
        Column(f"{name}_high", unit, f"upper limit of the {_BY_PLATES}"),
    )


def _spread(name: str, unit: str, what: str) -> tuple[Column, ...]:
    return (
        Column(f"{name}_median", unit, f"{what}: half of the cuts take no more"),
        Column(f"{name}_p90", unit, f"{what}: nine in ten take no more"),
    )


COLUMNS: Final = (
    Column("attempts", "", "finished attempts", "integer"),
    Column("attempts_without_seconds", "", "those whose time is not known", "integer"),
    Column("plates", "", f"plates (else runs, else attempts), day by day, with {_WHOLE}", "integer"),
    Column("parts", "parts", f"parts of {_WHOLE}: severed, not resumed, time known", "integer"),
    Column("parts_planned", "parts", "those of them whose job states a planned time", "integer"),
    Column("planned_share", SHARE, "these over those: what the planned time is known of"),
    Column("planned_seconds", SECONDS, "planned time of these parts"),
    Column("actual_seconds", SECONDS, "time that they took"),
    *_rate("time_ratio", _OF_PLAN, "actual over planned seconds"),
    *_spread("time_ratio", _OF_PLAN, "actual over planned seconds, cut by cut"),
    *_rate("seconds_per_part", SECONDS, f"time of {_WHOLE} by parts"),
    *_spread("seconds_per_part", SECONDS, "time a part, cut by cut"),
    Column("metres", "m", f"length of {_WHOLE}, where the job states that of a part"),
    *_rate("seconds_per_metre", "s/m", "time of these by length"),
    Column("pierces", "pierces", f"pierces of {_WHOLE}, of the attempt, else as the job states them", "integer"),
    *_rate("seconds_per_pierce", SECONDS, "time of these by pierces: of all of the cut, not of a pierce alone"),
    Column(
        "good_parts", "parts",
        "good and recovered parts of plates on which every attempt tells its time and no part waits", "integer",
    ),
    *_rate("seconds_per_good_part", SECONDS, f"time of {_ALL_IN}, by good parts: what one really takes"),
    *_rate("good_part_ratio", _OF_PLAN, f"the same over the planned time of the good parts, {_ALL_IN}"),
    Column("reason", "", "what the row lacks, or its limits rest on", "text"),
)  # fmt: skip
DETAILS: Final = tuple(replace(column, definition=f"over all rows: {column.definition}") for column in COLUMNS)


def cut_times(reader: Reader, question: Question) -> Report:
    """Planned and actual time of each group, and over all; days that wait for verdicts are left out."""
    _, unsettled, notes = compared_groups(reader, question, ())
    groups = timed_cuts(reader, replace(question, without_days=frozenset(unsettled)))
    return _answer(reader, question, groups, notes)


def _answer(reader: Reader, question: Question, groups: Mapping[Group, Timed], notes: list[str]) -> Report:
    confidence = question.confidence
    whole = values_of(Timed.together(groups.values()), confidence=confidence)
    return described(
        "times",
        reader,
        question,
        columns=(*dimension_columns(question), *COLUMNS),
        rows=[
            shown | values_of(timed, confidence=confidence) for shown, timed in shown_groups(reader, question, groups)
        ],
        details=whole,
        notes=[*_said(whole, question), *notes],
    )


def values_of(timed: Timed, *, confidence: float) -> dict[str, Any]:
    """COLUMNS of a group. A rate is a ratio of sums over plates; its interval is as in report `recipes`."""

    def limits(amount: str, size: str, **how: Any) -> Limits:
        return limits_of(rate_of(timed.rated(amount, size, **how)), confidence=confidence)

    rates = {
        "time_ratio": limits("planned_actual_ms", "planned_ms"),
        "seconds_per_part": limits("whole_ms", "whole_parts", scale=1),
        "seconds_per_metre": limits_of(rate_of(timed.per_metre), confidence=confidence),
        "seconds_per_pierce": limits("pierced_ms", "pierces", scale=1),
        "seconds_per_good_part": limits("all_ms", "all_good", scale=1, clear=True),
        "good_part_ratio": limits("all_planned_actual_ms", "all_planned_ms", clear=True),
    }
    spreads = {"time_ratio": timed.of_plan, "seconds_per_part": timed.seconds_a_part}
    parts, planned = timed.total("whole_parts"), timed.total("planned_parts")
    values: dict[str, Any] = {
        "attempts": timed.attempts,
        "attempts_without_seconds": timed.without_seconds,
        "plates": sum(1 for took in timed.plates.values() if took.whole_parts),
        "parts": parts,
        "parts_planned": planned,
        "planned_share": planned / parts if parts else None,
        "planned_seconds": timed.total("planned_ms") / E3,
        "actual_seconds": timed.total("planned_actual_ms") / E3,
        "metres": timed.metres,
        "pierces": timed.total("pierces"),
        "good_parts": timed.clear_good,
        "reason": rates["time_ratio" if planned else "seconds_per_part"].reason,
    }
    for name, found in rates.items():
        values |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
    for name, each in spreads.items():
        values |= {f"{name}_median": quantile_of(each, 0.5), f"{name}_p90": quantile_of(each, P90)}
    return {column.name: values[column.name] for column in COLUMNS}


def _said(whole: Mapping[str, Any], question: Question) -> Iterator[Sentence]:
    confidence = figure(100 * question.confidence, "g")
    if whole["time_ratio_low"] is not None and whole["time_ratio_high"] is not None:
        yield sentence(
            "cuts from start to end took %(ratio)s times the planned time, between %(low)s and %(high)s "
            "(%(confidence)s %% confidence, chance alone)",
            confidence=confidence,
            **_limits(whole, "time_ratio"),
        )
    if whole["good_part_ratio_low"] is not None and whole["good_part_ratio_high"] is not None:
        yield sentence(
            "a good part took %(ratio)s times its planned time, between %(low)s and %(high)s, failed attempts and "
            "retries included: quote by this, and add what rework takes",
            **_limits(whole, "good_part_ratio"),
        )
    if missing := whole["parts"] - whole["parts_planned"]:
        yield counted(
            missing,
            "%(count)s of %(parts)s parts has no planned time: its job does not state planned_seconds",
            "%(count)s of %(parts)s parts have no planned time: their jobs do not state planned_seconds",
            parts=whole["parts"],
        )
    if whole["attempts_without_seconds"]:
        yield counted(
            whole["attempts_without_seconds"],
            "%(count)s attempt is left out: it does not tell its time",
            "%(count)s attempts are left out: they do not tell their time",
        )
    if whole["attempts"]:
        yield sentence(
            "times are those of cutting: setting up, handling and waiting between the attempts are not in them"
        )


def _limits(whole: Mapping[str, Any], name: str) -> dict[str, Any]:
    ends = (("ratio", ""), ("low", "_low"), ("high", "_high"))
    return {end: figure(whole[f"{name}{suffix}"], ".3g") for end, suffix in ends}


def example(reader: Reader, question: Question) -> Report:
    """Three plates each of two thicknesses, invented."""

    def took(ms: int, parts: int, good: int, plan_ms: int, more_ms: int = 0) -> Took:
        planned = plan_ms * parts
        return Took(
            ms, parts, ms, planned, parts, ms, parts * 1_840_000_000, ms, parts * 5, ms + more_ms, good, ms + more_ms,
            plan_ms * good,
        )  # fmt: skip

    groups: dict[Group, Timed] = {}
    for thickness, plan_ms, plates in (
        (20_000_000, 95_000, (took(1_030_000, 10, 10, 95_000), took(985_000, 10, 9, 95_000, 60_000))),
        (40_000_000, 210_000, (took(1_320_000, 5, 4, 210_000, 180_000), took(1_190_000, 5, 5, 210_000))),
    ):
        timed = Timed(attempts=3, plates=dict(enumerate(plates, thickness)))
        timed.seconds_a_part = [plate.whole_ms / E3 / plate.whole_parts for plate in plates]
        timed.of_plan = [plate.whole_ms / (plan_ms * plate.whole_parts) for plate in plates]
        groups[(thickness,)] = timed
    return _answer(reader, question, groups, [])
