"""What report limit says in sentences: the limits of the rows with most parts, doubtful settings, what all rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from worker.reports.questions import Question
from worker.reports.standing import GASES
from worker.sentences import Sentence, counted, figure, joined, sentence
from worker.stats.clustering import PLATE_AS_ONE

#: Who asks for more machines than this reads the rows.
MOST_TOLD: Final = 12
_SURFACES: Final = {
    "clean": sentence("clean"),
    "disturbed": sentence("disturbed surface"),
    None: sentence("surface not noted"),
}
_HISTORIES: Final = {
    "as_supplied": sentence("as supplied"),
    "thermal_edge": sentence("thermal edge"),
    "hardened": sentence("hardened"),
    None: sentence("thermal history not noted"),
}
Figures = Mapping[str, Any]


def limit_notes(rows: Sequence[Figures], details: Figures, question: Question, *, unresolved: int) -> list[Sentence]:
    """Sentences on these rows and details of the report, no more than some dozen. unresolved: parts left out."""
    start = []
    if unresolved:
        start.append(
            counted(
                unresolved,
                "%(count)s part is left out, since the thickness or the material is not known",
                "%(count)s parts are left out, since the thickness or the material is not known",
            )
        )
    if not rows:
        return [*start, sentence("nothing was judged here: widen the window or leave out a filter")]
    return [
        *start,
        *_limits(rows, details["target"], question.confidence),
        *_settings(details["breaks"], question.confidence),
        *_rests_on(rows, details, question.confidence),
    ]


def place(row: Figures) -> Sentence:
    """Where a row holds: machine, material, gas and state of the plate."""
    return joined(
        ", ",
        (
            row["machine"] or sentence("machine not stated"),
            row["material"],
            GASES.get(row["gas"], row["gas"]) or sentence("gas not stated"),
            _SURFACES[row["surface_group"]],
            _HISTORIES[row["thermal_history"]],
        ),
    )


def _limits(rows: Sequence[Figures], target: float, confidence: float) -> Iterator[Sentence]:
    most = sorted(range(len(rows)), key=lambda index: (-rows[index]["parts"], index))[:MOST_TOLD]
    for index in sorted(most):
        row = rows[index]
        yield sentence(
            "%(place)s: %(limit)s; %(promise)s; %(proven)s",
            place=place(row),
            limit=_limit(row, target, confidence),
            promise=_promise(row),
            proven=_proven(row),
        )
    if len(rows) > MOST_TOLD:
        yield sentence(
            "these are the %(most)s with most parts; the other %(others)s are in the rows",
            most=MOST_TOLD,
            others=len(rows) - MOST_TOLD,
        )


def _limit(row: Figures, target: float, confidence: float) -> Sentence:
    goal = figure(100 * target, ".4g")
    if row["thickness_mm"] is None:
        return sentence(
            "no thickness can be told for %(goal)s %% first-pass yield (%(reason)s)", goal=goal, reason=row["reason"]
        )
    return sentence(
        "%(goal)s %% first-pass yield up to %(thickness)s mm (%(span)s)",
        goal=goal,
        thickness=figure(row["thickness_mm"], ".1f"),
        span=_span(row, confidence),
    )


def _span(row: Figures, confidence: float) -> Sentence | None:
    low, high, at = row["thickness_low_mm"], row["thickness_high_mm"], figure(100 * confidence, ".4g")
    if low is not None and high is not None:
        return sentence(
            "%(low)s to %(high)s at %(confidence)s %%",
            low=figure(_down(low), "g"),
            high=figure(high, ".1f"),
            confidence=at,
        )
    if low is not None:
        return sentence("at least %(low)s at %(confidence)s %%", low=figure(_down(low), "g"), confidence=at)
    if high is not None:
        return sentence("at most %(high)s at %(confidence)s %%", high=figure(high, ".1f"), confidence=at)
    reason: Sentence | None = row["limits_reason"]
    return reason


def _promise(row: Figures) -> Sentence:
    reason = row["promised_reason"]
    if row["promised_mm"] is None:
        if row["reason"]:
            return sentence("the curve promises nothing")
        return sentence("the curve promises nothing (%(reason)s)", reason=reason)
    promised = figure(_down(row["promised_mm"]), "g")
    if row["promised_mm"] == row["thickest_mm"]:
        return sentence("promise %(promised)s mm, the thickest tried", promised=promised)
    if reason:
        return sentence("promise %(promised)s mm (%(reason)s)", promised=promised, reason=reason)
    return sentence("promise %(promised)s mm", promised=promised)


def _down(thickness_mm: float) -> float:
    """To a tenth, never more than was found."""
    return math.floor(10 * thickness_mm + 1e-6) / 10


def _proven(row: Figures) -> Sentence:
    if row["proven_mm"] is None:
        return sentence("nothing is proven")
    return sentence("proven at %(proven)s mm", proven=figure(row["proven_mm"], "g"))


def _settings(breaks: Sequence[Figures], confidence: float) -> Iterator[Sentence]:
    """Dips that chance hardly explains, though all places were looked at; widest first."""
    sure = [dip for dip in breaks if dip["gap_low_of_all"] is not None and dip["gap_low_of_all"] > 1e-12]
    sure.sort(key=lambda dip: -dip["gap"])
    for dip in sure[:MOST_TOLD]:
        yield sentence(
            "%(place)s: %(thickness)s mm yields %(share)s, thicker plate (%(thicker)s) %(beyond)s: %(low)s to %(high)s "
            "more at %(confidence)s %%. Look at the settings at %(thickness)s mm before the machine is blamed",
            place=place(dip),
            thickness=figure(dip["thickness_mm"], "g"),
            share=figure(dip["share"], ".0%"),
            thicker=_thicker(dip),
            beyond=figure(dip["beyond_share"], ".0%"),
            low=figure(dip["gap_low"], ".0%"),
            high=figure(dip["gap_high"], ".0%"),
            confidence=figure(100 * confidence, ".4g"),
        )
    if len(sure) > MOST_TOLD:
        yield sentence(
            "%(more)s more such thicknesses are in breaks, those with a gap_low_of_all above 0",
            more=len(sure) - MOST_TOLD,
        )


def _thicker(dip: Figures) -> Sentence:
    thinnest, thickest = figure(dip["beyond_from_mm"], "g"), figure(dip["beyond_to_mm"], "g")
    if dip["beyond_from_mm"] == dip["beyond_to_mm"]:
        return sentence("%(thickness)s mm", thickness=thinnest)
    return sentence("%(thinnest)s to %(thickest)s mm", thinnest=thinnest, thickest=thickest)


def _rests_on(rows: Sequence[Figures], details: Figures, confidence: float) -> Iterator[Sentence]:
    if any(row["surface_group"] is None or row["thermal_history"] is None for row in rows):
        yield sentence("a state of the plate that nobody noted is a level of its own: it may be any")
    if any(curve["counts_reason"] == PLATE_AS_ONE for curve in details["curves"]):
        yield PLATE_AS_ONE
    elif details["correlation"] is not None and any(curve["counts_reason"] for curve in details["curves"]):
        yield sentence(
            "parts of one plate are taken to be as alike as all plates of the window show, whatever the filters "
            "(correlation %(correlation)s)",
            correlation=figure(max(0.0, details["correlation"]), ".2f"),
        )
    yield sentence(
        "a promise is a lower limit that is too high in about %(wrong)s %% of cases, each by itself: of many promises "
        "some are; what is proven rests on the parts of that thickness alone, on two plates (else runs, else attempts) "
        "at least",
        wrong=figure(100 * (1 - confidence), ".3g"),
    )
    yield sentence(
        "recipes are taken together: another may cut thicker. The band holds for each thickness by itself, not for the "
        "curve as a whole; no figure goes beyond what was tried"
    )
