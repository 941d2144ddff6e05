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
from worker.stats.multiplicity import benjamini_hochberg

FALSE_SHARE: Final = 0.05
LOOK: Final = "look at its plates before more of it is cut"
#: States of a plate that conditions compares with the usual ones.
WORSE: Final = ("disturbed", "thermal_edge", "hardened")
#: Heats that a finding names.
MOST_HEATS: Final = 5
CONDITIONS: Final = {"surface": "a disturbed surface", "thermal_history": "a thermal history at the cut"}
_ADVICE: Final = {
    "surface": "clean the plate before it is cut, take another, or reckon with it",
    "thermal_history": "cut away the hardened border, take another plate, or reckon with it",
}


def lots(reader: Reader, question: Question) -> list[Finding]:
    """Heats beyond 99.8 % with a q value under 5 %, seen on two plates on two days."""
    report = bad_lots(reader, replace(question, options={"lot": "heat"}))
    return [_lot(row, question) for row in report.rows if row["verdict"] == "worse"]


def _lot(row: dict[str, Any], question: Question) -> Finding:
    of_mill = f" of {row['mill']}" if row["mill"] else ""
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
        f"heat {row['lot']}{of_mill} is worse than chance explains: "
        f"{row['not_good']} of {row['parts']} parts on {row['plates']} plates were not good at the first attempt, "
        f"{row['expected_share']:.1%} would be expected at these thicknesses; {row['suspect'] or LOOK}",
        {name: row[name] for name in names} | {"machines": row["machines"]},
        first_day=question.first_day,
        last_day=question.last_day,
    )


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
    low, high = details["difference_low"], details["difference_high"]
    span = "" if low is None or high is None else f", from {low:.1%} to {high:.1%}"
    return Finding(
        CONDITION,
        "condition_costs",
        SITE,
        reader.site,
        word,
        f"{CONDITIONS[word]} goes with a lower first-pass yield, at equal thickness, material and machine: by "
        f"{details['difference']:.1%} of the parts{span}; {_most_of(heats)}{_ADVICE[word]}",
        {name: details[name] for name in names} | {"q_value": q, "heats": heats[:MOST_HEATS]},
        first_day=question.first_day,
        last_day=question.last_day,
    )


def _most_of(heats: list[dict[str, Any]]) -> str:
    if not heats or heats[0]["heat_number"] is None:
        return ""
    first, whole = heats[0], sum(heat["parts"] for heat in heats)
    of_mill = f" of {first['mill']}" if first["mill"] else ""
    much = "most of such plate" if 2 * first["parts"] > whole else "among such plate"
    return (
        f"{much} is heat {first['heat_number']}{of_mill}, {first['not_good']} of its {first['parts']} parts were not "
        "good; "
    )
