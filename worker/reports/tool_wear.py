"""Report wear: do failures grow with what was done since the nozzle, the window, the lens was seen to; and from when?

Failures of the same cuts are read three ways: failed pierces of all attempts, and of judged parts of first attempts
those that were not good, and those reworked. Each band of use is held against the freshest one at the band's own mix
of thickness and material, so that thick plate late in a nozzle's life is no wear.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from worker.measures import SHARE
from worker.reports.comparing import compared_groups, described
from worker.reports.options import NumberOption, Option
from worker.reports.questions import Question
from worker.reports.reading import Reader, spellings
from worker.reports.report import Column, Report
from worker.reports.since_service import (
    KINDS,
    Attempts,
    Services,
    attempts_by_machine,
    done_before,
    services,
    since_service,
)
from worker.reports.wear_bands import (
    FAILED_PIERCE_RATE,
    HOURS,
    MEASURES,
    NOT_GOOD_SHARE,
    PIERCES,
    REWORK_SHARE,
    Judged,
    Served,
    banded,
    in_units,
    judged_of,
)
from worker.reports.wear_words import Untold, said
from worker.reports.withholding import all_of_few
from worker.stats.clustering import Clustered
from worker.stats.wear import Band, Worn

USE: Final = Option("use", "what is counted since the service: pierces, or hours of cutting", (PIERCES, HOURS))
TOLERANCE: Final = NumberOption(
    "tolerance", "how far failures may lie above those of the freshest band before a change is due", 0.0, 0.5, 0.02,
    "share (0-1)",
)  # fmt: skip
TARGET: Final = NumberOption(
    "pierce_target", "failed-pierce rate above which a change is due too", 0.0, 1.0, None, "share (0-1)",
    target="failed_pierce_rate",
)  # fmt: skip
OPTIONS: Final = (USE, TOLERANCE, TARGET)
_USED: Final = "pierces, or hours"
_WILSON: Final = "Wilson interval of the effective sample"
KEYS: Final = ("machine", "service", "use_from")


def _of_measure(name: str, n: Column, what: str) -> tuple[Column, ...]:
    return (
        n,
        Column(name, SHARE, what),
        Column(f"{name}_low", SHARE, f"lower limit of the {_WILSON}"),
        Column(f"{name}_high", SHARE, f"upper limit of the {_WILSON}"),
        Column(f"{name}_fresh", SHARE, "what the freshest band gives at this band's thicknesses and materials"),
        Column(f"{name}_more", SHARE, "this band less the freshest, at those cut in both; null for the freshest"),
        Column(f"{name}_more_low", SHARE, "lower limit of Newcombe's interval on weighted shares"),
        Column(f"{name}_more_high", SHARE, "upper limit of Newcombe's interval on weighted shares"),
    )


COLUMNS: Final = (
    Column("machine", "", "machine, as first written", "text"),
    Column("service", "", f"kind of service: {', '.join(KINDS)}", "text"),
    Column("use_from", _USED, "use of the machine since the last such service when the attempt began, from"),
    Column("use_to", _USED, "and below; in the last band the longest that was seen"),
    Column("stretches", "", "services after which attempts of the band were cut", "integer"),
    Column("attempts", "", "finished attempts of the band", "integer"),
    *_of_measure(
        FAILED_PIERCE_RATE,
        Column("pierces", "pierces", "pierces of attempts that tell them and the failed ones", "integer"),
        "failed pierces by pierces, all attempts",
    ),
    *_of_measure(
        NOT_GOOD_SHARE,
        Column("parts", "parts", "judged parts of first attempts", "integer"),
        "judged parts of first attempts that were not good at once",
    ),
    *_of_measure(
        REWORK_SHARE,
        Column("parts_rework", "parts", "those of them that needed rework", "integer"),
        "judged parts of first attempts that needed rework",
    ),
    Column("reason", "", "what the band lacks, or its limits rest on", "text"),
)
_TREND: Final = (
    Column("machine", "", "machine, as first written", "text"),
    Column("service", "", "kind of service", "text"),
    Column("measure", "", "failed_pierce_rate, not_good_share or rework_share", "text"),
    Column("verdict", "", "wears: failures grow with use beyond chance; else null", "text"),
    Column("z", "", "Mantel's test of a trend over the bands, like with like: above 0 failures grow"),
    Column("p_value", "", "chance of such a trend if use did nothing; null: nothing to test"),
    Column("q_value", "", "the same after Benjamini and Hochberg, over all trends tested"),
    Column("change_after", _USED, "the change that the figures support; null: none"),
    Column("change_low", _USED, "failures do not reach the tolerance before this, at the confidence"),
    Column("change_high", _USED, "and do before this"),
    Column("longest", _USED, "longest use seen"),
    Column("services", "", "services after which anything was cut", "integer"),
    Column("left_out", "", "attempts cut before the first service that is known", "integer"),
    Column("reason", "", "why no change is supported", "text"),
)
DETAILS: Final = (
    Column("trends", "", "each measure of each kind of service on each machine", "list", _TREND),
    Column("tests", "", "trends that the q values allow for", "integer"),
    Column("tolerance", SHARE, "how far above the freshest band failures may lie"),
    Column("pierce_target", SHARE, "failed-pierce rate above which a change is due; null: none"),
    Column("attempts_without_pierces", "", "attempts on these machines whose pierces are not known: no use", "integer"),
    Column("attempts_without_seconds", "", "attempts on these machines whose time is not known: no use", "integer"),
)


def tool_wear(reader: Reader, question: Question) -> Report:
    """Failures by what was done since each kind of service, machine by machine, and the change that they support."""
    _, unsettled, notes = compared_groups(reader, question, ())
    few = all_of_few(reader, question, KEYS)
    asked = replace(question, without_days=frozenset(unsettled), left_out=(*question.left_out, *few))
    known = services(reader, asked)
    machines = attempts_by_machine(reader, asked)
    served, never = _served(reader, asked, machines, known)
    untold = Untold(
        never,
        without_pierces=sum(len(one.tells) - int(one.tells.sum()) for one in machines.values()),
        without_seconds=sum(len(one.timed) - int(one.timed.sum()) for one in machines.values()),
        is_withheld=bool(few),
    )
    return _answer(reader, question, served, untold, notes, spellings(reader, "machine"))


def _served(
    reader: Reader, question: Question, machines: Mapping[str, Attempts], known: Services
) -> tuple[list[Served], list[tuple[str, str]]]:
    """(each kind of service on each machine after which anything was cut, those without such a service)."""
    found: list[Served] = []
    never: list[tuple[str, str]] = []
    for machine, attempts in sorted(machines.items()):
        first_us = int(attempts.started_us[0])
        carried = {kind: _last_before(known.get((machine, kind), ()), first_us) for kind in KINDS}
        before = done_before(reader, question, machine, (at for at in carried.values() if at is not None))
        for kind in KINDS:
            at = carried[kind]
            since = since_service(attempts, known.get((machine, kind), ()), before=(0, 0) if at is None else before[at])
            counted = banded(machine, kind, attempts, since, use=question.options[USE.name])
            if counted is not None:
                found.append(counted)
            elif attempts.asked.any():
                never.append((machine, kind))
    return found, never


def _last_before(times: Sequence[int], first_us: int) -> int | None:
    return max((at for at in times if at <= first_us), default=None)


# --- the answer -------------------------------------------------------------------------------------------------


def _answer(
    reader: Reader, question: Question, served: Sequence[Served], untold: Untold, notes: list[str],
    names: Mapping[str, str],
) -> Report:  # fmt: skip
    use, tolerance, target = (question.options[option.name] for option in OPTIONS)
    judged = judged_of(served, confidence=question.confidence, tolerance=tolerance, target=target)
    details = {
        "trends": [_trend(one, names, use) for one in judged],
        "tests": sum(one.q is not None for one in judged),
        "tolerance": tolerance,
        "pierce_target": target,
        "attempts_without_pierces": untold.without_pierces,
        "attempts_without_seconds": untold.without_seconds,
    }
    rows = [
        row
        for one in served
        for row in _rows(one, {each.measure: each.course.shown for each in judged if each.served is one}, names, use)
    ]
    told = said(judged, untold, names, use=use, tolerance=tolerance, target=target)
    return described("wear", reader, question, columns=COLUMNS, rows=rows, details=details, notes=[*told, *notes])


def _trend(one: Judged, names: Mapping[str, str], use: str) -> dict[str, Any]:
    change, trend, served = one.change, one.course.trend, one.served
    return {
        "machine": names.get(served.machine, served.machine),
        "service": served.kind,
        "measure": one.measure,
        "verdict": "wears" if one.wears else None,
        "z": trend.z,
        "p_value": trend.p,
        "q_value": one.q,
        "change_after": in_units(change.after, use),
        "change_low": in_units(change.low, use),
        "change_high": in_units(change.high, use),
        "longest": in_units(served.longest, use),
        "services": served.stretches,
        "left_out": served.left_out,
        "reason": change.reason,
    }


def _rows(
    served: Served, shown: Mapping[str, Sequence[Worn]], names: Mapping[str, str], use: str
) -> Iterator[dict[str, Any]]:
    for place, band in enumerate(served.bands[FAILED_PIERCE_RATE]):
        parts = served.bands[REWORK_SHARE][place].whole
        row: dict[str, Any] = {
            "machine": names.get(served.machine, served.machine),
            "service": served.kind,
            "use_from": in_units(band.start, use),
            "use_to": in_units(band.end, use),
            "stretches": band.stretches,
            "attempts": served.attempts[place],
            "pierces": round(band.whole.n),
            "parts": round(parts.n),
            "parts_rework": round(parts.x),
        }
        worn = {measure: shown[measure][place] for measure in MEASURES}
        for measure, one in worn.items():
            row |= _of_worn(measure, one)
        row["reason"] = next((one.share.reason for one in worn.values() if one.share.reason), None)
        yield {column.name: row[column.name] for column in COLUMNS}


def _of_worn(name: str, worn: Worn) -> dict[str, Any]:
    share, beside = worn.share, worn.beside
    return {
        name: share.share,
        f"{name}_low": share.low,
        f"{name}_high": share.high,
        f"{name}_fresh": beside and beside.expected.share,
        f"{name}_more": beside and beside.difference.difference,
        f"{name}_more_low": beside and beside.difference.low,
        f"{name}_more_high": beside and beside.difference.high,
    }


def example(reader: Reader, question: Question) -> Report:
    """A nozzle whose pierces fail more often from 500 on, invented."""

    def bands(*failures: tuple[int, int]) -> list[Band]:
        edges = [0, 250, 500, 1000, 1900]
        return [
            Band(start, end, {0: Clustered.singly(x, n)}, 6)
            for start, end, (x, n) in zip(edges, edges[1:], failures, strict=False)
        ]

    by_measure = {
        FAILED_PIERCE_RATE: bands((18, 1_500), (20, 1_480), (112, 1_900), (90, 1_100)),
        NOT_GOOD_SHARE: bands((12, 300), (13, 296), (22, 380), (14, 220)),
        REWORK_SHARE: bands((6, 300), (7, 296), (10, 380), (6, 220)),
    }
    served = Served("laser 1", "nozzle", by_measure, (75, 74, 95, 55), stretches=6, left_out=40)
    untold = Untold([("laser 1", "lens")], without_pierces=3, without_seconds=0)
    return _answer(reader, question, [served], untold, [], {"laser 1": "Laser 1"})
