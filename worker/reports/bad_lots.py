"""Report lots: is a heat, or a supplier, worse than chance explains?"""

from __future__ import annotations

from typing import Any, Final

from worker.measures import FIRST_PASS
from worker.reports.comparing import compared_groups, counts_of, described, invented
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums
from worker.reports.report import Column, Report
from worker.stats.clustering import Clustered
from worker.stats.lots import Funnel, funnel

LOT_OF: Final = Option("lot", "what makes a lot: mill and heat number together, or the supplier", ("heat", "supplier"))
OPTIONS: Final = (LOT_OF,)
#: A lot is called worse only when it was seen on so many plates, on so many days.
LEAST_PLATES: Final = 2
LEAST_DAYS: Final = 2
_DIMENSIONS: Final = {"heat": ("mill", "heat_number"), "supplier": ("supplier",)}

COLUMNS: Final = (
    Column("mill", "", "steel mill; null for suppliers", "text"),
    Column("lot", "", "heat number, or supplier", "text"),
    Column("verdict", "", "worse or better than chance explains; watch: perhaps worse; null: neither", "text"),
    Column("parts", "parts", "judged parts of first attempts, at thicknesses that other lots have too", "integer"),
    Column("not_good", "parts", "those among them that were not good at once", "integer"),
    Column("plates", "", "plates (else runs, else attempts) among them", "integer"),
    Column("days", "", "production days on which they were cut", "integer"),
    Column("failure_share", "share (0-1)", "not good over parts"),
    Column("expected_share", "share (0-1)", "what the other lots give at the same thicknesses"),
    Column("watch_low", "share (0-1)", "least share that chance explains, 95 %"),
    Column("watch_high", "share (0-1)", "largest share that chance explains, 95 %"),
    Column("alarm_low", "share (0-1)", "least share that chance explains, 99.8 %"),
    Column("alarm_high", "share (0-1)", "largest share that chance explains, 99.8 %"),
    Column("design_effect", "", "so many times fewer independent parts would tell as much"),
    Column("p_value", "", "chance of a share as far out, if the lot were like the others"),
    Column("q_value", "", "the same after Benjamini and Hochberg, over all lots shown"),
    Column("parts_left_out", "parts", "parts at thicknesses that no other lot was cut at", "integer"),
    Column("reason", "", "why there is no verdict, or what it rests on", "text"),
)
DETAILS: Final = (
    Column("lots", "", "lots that were compared", "integer"),
    Column("lots_without_verdict", "", "lots with too few parts, or nothing to compare them with", "integer"),
    Column("parts_without_lot", "parts", "parts of plates whose lot is not known", "integer"),
)


def bad_lots(reader: Reader, question: Question) -> Report:
    """Each lot against the others at the same thickness, worst first."""
    names = _DIMENSIONS[question.options[LOT_OF.name]]
    groups, _, notes = compared_groups(reader, question, (*names, "thickness", "day"))
    return _answer(reader, question, groups, notes)


def _answer(reader: Reader, question: Question, groups: dict[Group, Sums], notes: list[str]) -> Report:
    width = len(_DIMENSIONS[question.options[LOT_OF.name]])
    lots: dict[Group, dict[Any, list[Sums]]] = {}
    days: dict[Group, set[str]] = {}
    unknown: list[Sums] = []
    for (*key, thickness, day), sums in groups.items():
        lot = tuple(key)
        if lot[-1] is None:
            unknown.append(sums)
        elif sums["parts_judged_first"]:
            lots.setdefault(lot, {}).setdefault(thickness, []).append(sums)
            days.setdefault(lot, set()).add(day)
    strata: dict[Group, dict[Any, Clustered]] = {
        lot: {thickness: counts_of(found).failures for thickness, found in by.items()} for lot, by in lots.items()
    }
    placed = funnel(strata)
    rows = [_row(lot, found, len(days[lot]), of_supplier=width == 1) for lot, found in placed.items()]
    rows.sort(key=lambda row: (row["q_value"] is None, row["q_value"] or 0.0, row["mill"] or "", row["lot"]))
    without = sum(1 for found in placed.values() if found.p is None)
    details = {
        "lots": len(placed) - without,
        "lots_without_verdict": without,
        "parts_without_lot": sum(sums[FIRST_PASS.n] for sums in unknown),
    }
    return described("lots", reader, question, columns=COLUMNS, rows=rows, details=details, notes=notes + _said(rows))


def _row(lot: Group, found: Funnel, days: int, *, of_supplier: bool) -> dict[str, Any]:
    return {
        "mill": None if of_supplier else lot[0],
        "lot": lot[-1],
        "verdict": _verdict(found, days),
        "parts": round(found.n),
        "not_good": round(found.x),
        "plates": found.clusters,
        "days": days,
        "failure_share": found.share,
        "expected_share": found.expected,
        "watch_low": found.warning and found.warning.low,
        "watch_high": found.warning and found.warning.high,
        "alarm_low": found.alarm and found.alarm.low,
        "alarm_high": found.alarm and found.alarm.high,
        "design_effect": found.design_effect,
        "p_value": found.p,
        "q_value": found.q,
        "parts_left_out": round(found.left_out),
        "reason": found.reason,
    }


def _verdict(found: Funnel, days: int) -> str | None:
    if found.outside is None:
        return None
    is_firm = found.outside == "alarm" and found.q is not None and found.q < 0.05
    if is_firm and found.clusters >= LEAST_PLATES and days >= LEAST_DAYS:
        return found.side
    return "watch" if found.side == "worse" else None


def _said(rows: list[dict[str, Any]]) -> list[str]:
    worse = [row for row in rows if row["verdict"] == "worse"]
    if not worse:
        return ["no lot is worse than chance explains, at 99.8 % and after correction for looking at all of them"]
    return [
        f"lot {row['lot']} is worse than chance explains: {row['not_good']} of {row['parts']} parts on {row['plates']} "
        f"plates were not good at once, {row['expected_share']:.0%} would be expected; when it is bad on one machine "
        "only, suspect the machine"
        for row in worse
    ]


def example(reader: Reader, question: Question) -> Report:
    """Two heats and what was cut of the others, invented."""
    groups = {
        ("Nordhelm", "H48213", 20_000_000, "2026-03-02"): invented(parts=40, good=20, plates=4),
        ("Nordhelm", "H48213", 20_000_000, "2026-03-03"): invented(parts=40, good=20, plates=4),
        ("Nordhelm", "H48300", 20_000_000, "2026-03-02"): invented(parts=80, good=76, plates=8),
        ("Sundvik", "7711", 20_000_000, "2026-03-04"): invented(parts=120, good=114, plates=12),
    }
    return _answer(reader, question, groups, [])
