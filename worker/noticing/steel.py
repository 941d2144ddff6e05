"""Steel to look at: lots that are worse than chance explains, and conditions of plate that cost yield."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from worker.events import SITE
from worker.noticing.finding import BAD_LOT, CONDITION, Finding
from worker.reports.bad_lots import bad_lots
from worker.reports.dimensions import DIMENSIONS
from worker.reports.plate_conditions import plate_conditions
from worker.reports.questions import Question
from worker.reports.reading import Reader, attempt_groups, settled
from worker.sentences import Sentence, figure, joined, sentence
from worker.stats.multiplicity import benjamini_hochberg

FALSE_SHARE: Final = 0.05
LOOK: Final = sentence("look at its plates before more of it is cut")
#: States of a plate that conditions compares with the usual ones.
WORSE: Final = ("disturbed", "thermal_edge", "hardened")
#: Heats that a finding names.
MOST_HEATS: Final = 5
CONDITIONS: Final = {
    "surface": sentence("a disturbed surface"),
    "thermal_history": sentence("a thermal history at the cut"),
}
_ADVICE: Final = {
    "surface": sentence("clean the plate before it is cut, take another, or reckon with it"),
    "thermal_history": sentence("cut away the hardened border, take another plate, or reckon with it"),
}


def lots(reader: Reader, question: Question) -> list[Finding]:
    """Heats beyond 99.8 % with a q value under 5 %, seen on two plates on two days."""
    report = bad_lots(reader, replace(question, options={"lot": "heat"}))
    return [_lot(row, question) for row in report.rows if row["verdict"] == "worse"]


def _lot(row: dict[str, Any], question: Question) -> Finding:
    names = (
        "parts",
        "not_good",
        "plates",
        "days",
        "failure_share",
        "expected_share",
        "alarm_high",
        "p_value",
        "q_value",
    )
    return Finding(
        BAD_LOT,
        "lot_worse",
        "heat",
        row["lot"],
        row["mill"] or "",
        sentence(
            "%(heat)s is worse than chance explains: %(bad)s of %(parts)s parts on %(plates)s plates were not good at "
            "the first attempt, %(expected)s would be expected at these thicknesses; %(suspect)s",
            heat=_heat(row["lot"], row["mill"]),
            bad=row["not_good"],
            parts=row["parts"],
            plates=row["plates"],
            expected=figure(row["expected_share"], ".1%"),
            suspect=row["suspect"] or LOOK,
        ),
        {name: row[name] for name in names} | {"machines": row["machines"]},
        first_day=question.first_day,
        last_day=question.last_day,
    )


def _heat(heat: str, mill: str | None) -> Sentence:
    if mill:
        return sentence("heat %(heat)s of %(mill)s", heat=heat, mill=mill)
    return sentence("heat %(heat)s", heat=heat)


def conditions(reader: Reader, question: Question) -> list[Finding]:
    """Conditions of the plate that go with a lower first-pass yield, thickness for thickness, with a q under 5 %."""
    reports = [plate_conditions(reader, replace(question, options={"condition": word})) for word in CONDITIONS]
    q_values = benjamini_hochberg([report.details["p_value"] for report in reports])
    return [
        _condition(reader, word, report.details, q, question, _worst_heats(reader, word, question))
        for word, report, q in zip(CONDITIONS, reports, q_values, strict=True)
        if q is not None and q < FALSE_SHARE and (report.details["difference"] or 0.0) > 0
    ]


def _worst_heats(reader: Reader, word: str, question: Question) -> list[dict[str, Any]]:
    """The heats of the plates in the worse condition, those with most parts first."""
    names = ("surface_group" if word == "surface" else word, "mill", "heat_number")
    asked = replace(settled(reader, question)[0], by=tuple(DIMENSIONS[name] for name in names))
    heats: dict[tuple[Any, Any], list[int]] = {}
    for (state, mill, heat), sums in attempt_groups(reader, asked, ("parts_judged_first", "first_pass_good")).items():
        if state in WORSE and sums["parts_judged_first"]:
            counts = heats.setdefault((mill, heat), [0, 0])
            counts[0] += sums["parts_judged_first"]
            counts[1] += sums["parts_judged_first"] - sums["first_pass_good"]
    ranked = sorted(heats.items(), key=lambda item: (-item[1][0], repr(item[0])))
    return [
        {"mill": mill, "heat_number": heat, "parts": parts, "not_good": bad} for (mill, heat), (parts, bad) in ranked
    ]


def _condition(
    reader: Reader, word: str, details: Any, q: float, question: Question, heats: list[dict[str, Any]]
) -> Finding:
    names = (
        "method", "p_value", "odds_ratio", "odds_ratio_low", "odds_ratio_high", "difference", "difference_low",
        "difference_high", "strata", "sameness_p_value",
    )  # fmt: skip
    said = sentence(
        "%(condition)s goes with a lower first-pass yield, at equal thickness, material and machine: %(cost)s",
        condition=CONDITIONS[word],
        cost=_cost(details["difference"], details["difference_low"], details["difference_high"]),
    )
    return Finding(
        CONDITION,
        "condition_costs",
        SITE,
        reader.site,
        word,
        joined("; ", [said, *_most_of(heats), _ADVICE[word]]),
        {name: details[name] for name in names} | {"q_value": q, "heats": heats[:MOST_HEATS]},
        first_day=question.first_day,
        last_day=question.last_day,
    )


def _cost(difference: float, low: float | None, high: float | None) -> Sentence:
    cost = figure(difference, ".1%")
    if low is None or high is None:
        return sentence("by %(difference)s of the parts", difference=cost)
    return sentence(
        "by %(difference)s of the parts, from %(low)s to %(high)s",
        difference=cost,
        low=figure(low, ".1%"),
        high=figure(high, ".1%"),
    )


def _most_of(heats: list[dict[str, Any]]) -> list[Sentence]:
    """Which heat the plates in this condition are of, where that is known."""
    if not heats or heats[0]["heat_number"] is None:
        return []
    first, whole = heats[0], sum(heat["parts"] for heat in heats)
    told = {
        "heat": _heat(first["heat_number"], first["mill"]), "bad": first["not_good"], "parts": first["parts"],
    }  # fmt: skip
    if 2 * first["parts"] > whole:
        return [sentence("most of such plate is %(heat)s, %(bad)s of its %(parts)s parts were not good", **told)]
    return [sentence("among such plate is %(heat)s, %(bad)s of its %(parts)s parts were not good", **told)]
