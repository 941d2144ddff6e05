"""Report conditions: does the plate's surface, or its thermal history, cost yield, thickness for thickness?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from worker.placing import mm
from worker.reports.comparing import compared_groups, counts_of, described, invented
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, spellings
from worker.reports.report import Column, Report
from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import correlation, effective, estimate
from worker.stats.differences import newcombe
from worker.stats.strata import Comparison, Stratum, compared

CONDITION: Final = Option(
    "condition",
    "surface: clean against disturbed plate; thermal_history: as supplied against hardened or thermally cut",
    ("surface", "thermal_history"),
)
OPTIONS: Final = (CONDITION,)
_DIMENSION: Final = {"surface": "surface_group", "thermal_history": "thermal_history"}
#: Word of the dimension -> which of the two it is: the usual state, or the one that may cost yield.
_USUAL: Final = {"clean": True, "disturbed": False, "as_supplied": True, "thermal_edge": False, "hardened": False}
#: The condition as its sentences name it.
_CONDITIONS: Final = {"surface": sentence("a disturbed surface"), "thermal_history": sentence("a thermal history")}

COLUMNS: Final = (
    Column("thickness_mm", "mm", "nominal thickness of the plate"),
    Column("material", "", "material, as first written", "text"),
    Column("machine", "", "machine, as first written", "text"),
    Column("usual_parts", "parts", "judged parts of first attempts on clean, or as supplied, plate", "integer"),
    Column("usual_plates", "", "plates (else runs, else attempts) among them", "integer"),
    Column("usual_yield", "share (0-1)", "first-pass yield of these"),
    Column("usual_yield_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("usual_yield_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("worse_parts", "parts", "judged parts of first attempts on disturbed, or heat-affected, plate", "integer"),
    Column("worse_plates", "", "plates (else runs, else attempts) among them", "integer"),
    Column("worse_yield", "share (0-1)", "first-pass yield of these"),
    Column("worse_yield_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("worse_yield_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("difference", "share (0-1)", "usual less worse yield: what the condition costs"),
    Column("difference_low", "share (0-1)", "lower limit of Newcombe's interval of it"),
    Column("difference_high", "share (0-1)", "upper limit of Newcombe's interval of it"),
    Column("reason", "", "what the row lacks, or rests on", "text"),
)
DETAILS: Final = (
    Column("method", "", "test of no effect: Cochran-Mantel-Haenszel, or the exact conditional one", "text"),
    Column("p_value", "", "chance of such a difference if the condition cost nothing; null: nothing to test"),
    Column("odds_ratio", "", "odds of a good part on usual plate over those on worse plate, common to all strata"),
    Column("odds_ratio_low", "", "lower limit of the Robins-Breslow-Greenland interval of it"),
    Column("odds_ratio_high", "", "upper limit of the Robins-Breslow-Greenland interval of it"),
    Column("difference", "share (0-1)", "usual less worse yield, over all strata with both"),
    Column("difference_low", "share (0-1)", "lower limit of its interval"),
    Column("difference_high", "share (0-1)", "upper limit of its interval"),
    Column("sameness_p_value", "", "Breslow-Day-Tarone: a small one says that strata differ in what it costs"),
    Column("strata", "", "strata (a thickness of a material on a machine) that tell something", "integer"),
    Column("strata_dropped", "", "strata without both conditions, or with all parts alike", "integer"),
    Column("parts_not_known", "parts", "judged parts on plate whose condition nobody noted", "integer"),
    Column("reason", "", "what the whole lacks, or rests on", "text"),
)


def plate_conditions(reader: Reader, question: Question) -> Report:
    """The two conditions at each thickness of each material on each machine, and over all of them.

    By machine and material too: the one that had most of the rusty plate would else lend it its own yield.
    """
    dimension = _DIMENSION[question.options[CONDITION.name]]
    groups, _, notes = compared_groups(reader, question, (dimension, "thickness", "material", "machine"))
    names = {kind: spellings(reader, kind) for kind in ("material", "machine")}
    return _answer(reader, question, groups, notes, names)


def _answer(
    reader: Reader,
    question: Question,
    groups: dict[Group, Sums],
    notes: list[str],
    names: Mapping[str, Mapping[str, str]],
) -> Report:
    by_stratum: dict[tuple[int, str | None, str | None], tuple[list[Sums], list[Sums]]] = {}
    not_known = 0
    for (state, thickness, material, machine), sums in groups.items():
        if state not in _USUAL or thickness is None:
            not_known += sums["parts_judged_first"]
        elif sums["parts_judged_first"]:
            by_stratum.setdefault((thickness, material, machine), ([], []))[0 if _USUAL[state] else 1].append(sums)
    ordered = sorted(by_stratum, key=lambda key: (key[0], *((name is None, name or "") for name in key[1:])))
    counts = {key: (counts_of(by_stratum[key][0]), counts_of(by_stratum[key][1])) for key in ordered}
    pooled = correlation([one for pair in counts.values() for one in pair])
    strata = {
        key: Stratum(effective(usual, pooled=pooled, own=False), effective(worse, pooled=pooled, own=False))
        for key, (usual, worse) in counts.items()
    }
    rows = [
        {
            "thickness_mm": mm(nm),
            "material": material and names["material"].get(material, material),
            "machine": machine and names["machine"].get(machine, machine),
        }
        | _row(stratum, usual.n, worse.n, confidence=question.confidence)
        for ((nm, material, machine), stratum), (usual, worse) in zip(strata.items(), counts.values(), strict=True)
    ]
    whole = compared(list(strata.values()), confidence=question.confidence)
    details = _details(whole, not_known)
    said = _said(whole, not_known, question)
    return described("conditions", reader, question, columns=COLUMNS, rows=rows, details=details, notes=notes + said)


def _row(stratum: Stratum, usual: float, worse: float, *, confidence: float) -> dict[str, Any]:
    first, second = (estimate(one, confidence=confidence) for one in (stratum.first, stratum.second))
    found = newcombe(stratum.first, stratum.second, confidence=confidence)
    return {
        "usual_parts": round(usual),
        "usual_plates": stratum.first.clusters,
        "usual_yield": first.share,
        "usual_yield_low": first.low,
        "usual_yield_high": first.high,
        "worse_parts": round(worse),
        "worse_plates": stratum.second.clusters,
        "worse_yield": second.share,
        "worse_yield_low": second.low,
        "worse_yield_high": second.high,
        "difference": found.difference,
        "difference_low": found.low,
        "difference_high": found.high,
        "reason": found.reason,
    }


def _details(whole: Comparison, not_known: int) -> dict[str, Any]:
    return {
        "method": whole.method,
        "p_value": whole.p,
        "odds_ratio": whole.common.odds_ratio,
        "odds_ratio_low": whole.common.low,
        "odds_ratio_high": whole.common.high,
        "difference": whole.difference.difference,
        "difference_low": whole.difference.low,
        "difference_high": whole.difference.high,
        "sameness_p_value": whole.sameness.p,
        "strata": whole.strata,
        "strata_dropped": whole.dropped,
        "parts_not_known": not_known,
        "reason": whole.reason or whole.sameness.reason,
    }


def _said(whole: Comparison, not_known: int, question: Question) -> list[str]:
    condition = _CONDITIONS[question.options[CONDITION.name]]
    notes: list[str] = [_cost(whole, condition, confidence=question.confidence)]
    if whole.sameness.p is not None and whole.sameness.p < 1 - question.confidence:
        notes.append(sentence("strata differ in what it costs: read the rows, the figure over all of them hides that"))
    if not_known:
        notes.append(
            sentence("%(parts)s parts are left out, since nobody noted the condition of their plate", parts=not_known)
        )
    notes.append(sentence("thickness, material and machine are held equal: recipe or shift may differ between the two"))
    return notes


def _cost(whole: Comparison, condition: Sentence, *, confidence: float) -> Sentence:
    """What the condition costs, as far as chance lets it be told."""
    if whole.p is None:
        return sentence(
            "what %(condition)s costs cannot be told: no thickness of a material on a machine has good and bad parts "
            "in both conditions",
            condition=condition,
        )
    if whole.p >= 1 - confidence:
        return sentence(
            "chance explains the difference that %(condition)s makes here; that does not prove that it makes none",
            condition=condition,
        )
    cost = whole.difference
    if cost.difference is None or cost.difference <= 0:
        return sentence(
            "%(condition)s goes with a higher first-pass yield: look for what else differs", condition=condition
        )
    share = figure(cost.difference, ".0%")
    if cost.low is None or cost.high is None:
        return sentence(
            "%(condition)s goes with a lower first-pass yield by about %(share)s of the parts",
            condition=condition,
            share=share,
        )
    return sentence(
        "%(condition)s goes with a lower first-pass yield by about %(share)s of the parts, from %(low)s to %(high)s",
        condition=condition,
        share=share,
        low=figure(cost.low, ".0%"),
        high=figure(cost.high, ".0%"),
    )


def example(reader: Reader, question: Question) -> Report:
    """Clean and disturbed plate of two thicknesses, invented."""
    groups = {
        ("clean", 20_000_000, "s355", "laser 1"): invented(parts=120, good=114, plates=12),
        ("disturbed", 20_000_000, "s355", "laser 1"): invented(parts=60, good=48, plates=6),
        ("clean", 30_000_000, "s355", "laser 1"): invented(parts=40, good=32, plates=4),
        ("disturbed", 30_000_000, "s355", "laser 1"): invented(parts=40, good=20, plates=4),
        ("unknown", 20_000_000, "s355", "laser 1"): invented(parts=8, good=8, plates=1),
    }
    return _answer(reader, question, groups, [], {"material": {}, "machine": {}})
