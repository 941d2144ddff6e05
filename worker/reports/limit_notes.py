"""What report limit says in sentences: the limits of the rows with most parts, doubtful settings, what all rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from worker.reports.notes import are
from worker.reports.questions import Question
from worker.stats.clustering import PLATE_AS_ONE

#: Who asks for more machines than this reads the rows.
MOST_TOLD: Final = 12
_SURFACES: Final = {"clean": "clean", "disturbed": "disturbed surface", None: "surface not noted"}
_HISTORIES: Final = {
    "as_supplied": "as supplied",
    "thermal_edge": "thermal edge",
    "hardened": "hardened",
    None: "thermal history not noted",
}
Figures = Mapping[str, Any]


def limit_notes(rows: Sequence[Figures], details: Figures, question: Question, *, unresolved: int) -> list[str]:
    """Sentences on these rows and details of the report, no more than some dozen. unresolved: parts left out."""
    if unresolved:
        start = [f"{are(unresolved, 'part')} left out, since the thickness or the material is not known"]
    else:
        start = []
    if not rows:
        return [*start, "nothing was judged here: widen the window or leave out a filter"]
    return [
        *start,
        *_limits(rows, details["target"], question.confidence),
        *_settings(details["breaks"], question.confidence),
        *_rests_on(rows, details, question.confidence),
    ]


def place(row: Figures) -> str:
    """Where a row holds: machine, material, gas and state of the plate."""
    return ", ".join(
        (
            row["machine"] or "machine not stated",
            row["material"],
            row["gas"] or "gas not stated",
            _SURFACES[row["surface_group"]],
            _HISTORIES[row["thermal_history"]],
        )
    )


def _limits(rows: Sequence[Figures], target: float, confidence: float) -> Iterator[str]:
    most = sorted(range(len(rows)), key=lambda index: (-rows[index]["parts"], index))[:MOST_TOLD]
    for index in sorted(most):
        row = rows[index]
        yield f"{place(row)}: {_limit(row, target, confidence)}; {_promise(row)}; {_proven(row)}"
    if len(rows) > MOST_TOLD:
        yield f"these are the {MOST_TOLD} with most parts; the other {len(rows) - MOST_TOLD} are in the rows"


def _limit(row: Figures, target: float, confidence: float) -> str:
    goal = f"{100 * target:.4g} % first-pass yield"
    if row["thickness_mm"] is None:
        return f"no thickness can be told for {goal} ({row['reason']})"
    low, high = row["thickness_low_mm"], row["thickness_high_mm"]
    if low is not None and high is not None:
        span = f"{_down(low):g} to {high:.1f} at {100 * confidence:.4g} %"
    elif low is not None:
        span = f"at least {_down(low):g} at {100 * confidence:.4g} %"
    elif high is not None:
        span = f"at most {high:.1f} at {100 * confidence:.4g} %"
    else:
        span = row["limits_reason"]
    return f"{goal} up to {row['thickness_mm']:.1f} mm ({span})"


def _promise(row: Figures) -> str:
    if row["promised_mm"] is None:
        return (
            "the curve promises nothing" if row["reason"] else f"the curve promises nothing ({row['promised_reason']})"
        )
    promised = f"promise {_down(row['promised_mm']):g} mm"
    if row["promised_mm"] == row["thickest_mm"]:
        return f"{promised}, the thickest tried"
    return f"{promised} ({row['promised_reason']})" if row["promised_reason"] else promised


def _down(thickness_mm: float) -> float:
    """To a tenth, never more than was found."""
    return math.floor(10 * thickness_mm + 1e-6) / 10


def _proven(row: Figures) -> str:
    return "nothing is proven" if row["proven_mm"] is None else f"proven at {row['proven_mm']:g} mm"


def _settings(breaks: Sequence[Figures], confidence: float) -> Iterator[str]:
    """Dips that chance hardly explains, though all places were looked at; widest first."""
    sure = [dip for dip in breaks if dip["gap_low_of_all"] is not None and dip["gap_low_of_all"] > 1e-12]
    sure.sort(key=lambda dip: -dip["gap"])
    for dip in sure[:MOST_TOLD]:
        thicker = f"{dip['beyond_from_mm']:g} mm"
        if dip["beyond_from_mm"] != dip["beyond_to_mm"]:
            thicker = f"{dip['beyond_from_mm']:g} to {dip['beyond_to_mm']:g} mm"
        yield (
            f"{place(dip)}: {dip['thickness_mm']:g} mm yields {dip['share']:.0%}, thicker plate ({thicker}) "
            f"{dip['beyond_share']:.0%}: {dip['gap_low']:.0%} to {dip['gap_high']:.0%} more at "
            f"{100 * confidence:.4g} %. Look at the settings at {dip['thickness_mm']:g} mm before the machine is blamed"
        )
    if len(sure) > MOST_TOLD:
        yield f"{len(sure) - MOST_TOLD} more such thicknesses are in breaks, those with a gap_low_of_all above 0"


def _rests_on(rows: Sequence[Figures], details: Figures, confidence: float) -> Iterator[str]:
    if any(row["surface_group"] is None or row["thermal_history"] is None for row in rows):
        yield "a state of the plate that nobody noted is a level of its own: it may be any"
    if any(curve["counts_reason"] == PLATE_AS_ONE for curve in details["curves"]):
        yield PLATE_AS_ONE
    elif details["correlation"] is not None and any(curve["counts_reason"] for curve in details["curves"]):
        alike = max(0.0, details["correlation"])
        yield (
            "parts of one plate are taken to be as alike as all plates of the window show, whatever the filters "
            f"(correlation {alike:.2f})"
        )
    wrong = f"{100 * (1 - confidence):.3g} %"
    yield (
        f"a promise is a lower limit that is too high in about {wrong} of cases, each by itself: of many promises some "
        "are; what is proven rests on the parts of that thickness alone, on two plates (else runs, else attempts) at "
        "least"
    )
    yield (
        "recipes are taken together: another may cut thicker. The band holds for each thickness by itself, not for the "
        "curve as a whole; no figure goes beyond what was tried"
    )
