"""What people said of a cut's parts afterwards: inspections, rework, and what was found late."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final, NamedTuple

from demo.cuts import GOOD, NOT_MADE, REWORK, SCRAP, Cut
from demo.hours import bench_time
from demo.measuring import measured
from demo.mending import MENDING, say_finishing, say_hidden_rework, say_rework
from demo.sayings import QUALITY, say


class Counts(NamedTuple):
    """Parts by verdict."""

    good: int = 0
    rework: int = 0
    scrap: int = 0

    def given(self) -> dict[str, int | None]:
        """Return the fields of an event; a verdict without parts is left out, good ones are always said."""
        return {"good": self.good, "rework": self.rework or None, "scrap": self.scrap or None}


#: Verdict (rework, scrap) -> defect terms, one for each part.
Terms = dict[str, list[str]]


@dataclass(slots=True)
class Verdict:
    """Who says what of a cut: the operator's own counts, first inspections, what is found downstream, hidden rework."""

    operator: Counts | None = None
    inspections: list[Counts] = field(default_factory=list)
    releases_rest: bool = False
    downstream: Counts = Counts()
    hidden: int = 0


SCRAP_LOCATIONS: Final = {
    "gouging": "face",
    "surface_burning": "corner",
    "dimensional_deviation": "hole",
    "pierce_deviation": "hole",
}


def plan_verdict(rng: random.Random, cut: Cut) -> Verdict:
    """Choose the way in which the true counts of the cut come to be known; every way leads to them in the end."""
    rework, scrap = cut.count(REWORK), cut.count(SCRAP)
    good = cut.tried - cut.count(NOT_MADE) - rework - scrap
    if cut.outcome != "severed":
        # Parts without a verdict count as not made then: the operator has to give them at once.
        return Verdict(operator=Counts(good, rework, scrap))
    late = Counts()
    if rework + scrap and rng.random() < 0.12:
        late = Counts(rework=1) if rework else Counts(scrap=1)
    first = Counts(good + late.rework + late.scrap, rework - late.rework, scrap - late.scrap)
    ways = {"operator": 26, "inspector": 38, "sample": 12, "overruled": 14, "split": 10}
    way = rng.choices(list(ways), list(ways.values()))[0]
    bad = first.rework + first.scrap
    if way == "operator":
        hidden = first.rework if rework and late == Counts() and rng.random() < 0.3 else 0
        said = Counts(first.good + hidden, first.rework - hidden, first.scrap)
        return Verdict(operator=said, downstream=late, hidden=hidden)
    if way == "overruled":
        return Verdict(operator=Counts(good=cut.tried), inspections=[first], downstream=late)
    if way == "sample" and max(2, bad + 1) < cut.tried:
        looked_at = max(2, bad + 1)
        sample = Counts(looked_at - bad, first.rework, first.scrap)
        return Verdict(inspections=[sample], releases_rest=True, downstream=late)
    if way == "split" and cut.tried > 1:
        return Verdict(inspections=_halves(first), downstream=late)
    return Verdict(inspections=[first], downstream=late)


def say_verdict(rng: random.Random, cut: Cut, verdict: Verdict, *, terms: Terms, size_offset_mm: float) -> None:
    """Add the inspections and rework that follow a finished cut, and set when all was known.

    `terms` are the defects that no one has said yet; what is said is taken from them.
    """
    at = cut.finished_at
    for counts in verdict.inspections:
        at = bench_time(at + timedelta(hours=_delay(rng)))
        data = counts.given() | take_defects(rng, cut, terms, counts=counts)
        data |= measured(rng, cut, size_offset_mm=size_offset_mm)
        data |= {"rest_released": True if verdict.releases_rest else None, "inspector": f"qc {rng.randint(1, 3)}"}
        cut.said.append(say(rng, at, source=QUALITY, kind="attempt.inspected", subject=cut.id, data=data))
    if any(verdict.downstream):
        at = bench_time(at + timedelta(hours=rng.uniform(20, 70)))
        data = verdict.downstream.given() | {"stage": "downstream", "good": None}
        data |= take_defects(rng, cut, terms, counts=verdict.downstream)
        cut.said.append(say(rng, at, source=QUALITY, kind="attempt.inspected", subject=cut.id, data=data))
    cut.judged_at = cut.settled_at = at
    if verdict.hidden:
        say_hidden_rework(rng, cut)
    elif cut.count(REWORK):
        say_rework(rng, cut)
    if cut.piece.job.finishing and cut.count(GOOD):
        say_finishing(rng, cut)


def unsaid_terms(cut: Cut) -> Terms:
    """Return the defect terms of the cut's rework and scrap, one for each part."""
    return {verdict: cut.terms(verdict) for verdict in (REWORK, SCRAP)}


def take_defects(rng: random.Random, cut: Cut, terms: Terms, *, counts: Counts) -> dict[str, Any]:
    """Return the defects and causes of an event's rework and scrap, and take them from those not yet said."""
    taken: Counter[tuple[str, str]] = Counter()
    for verdict, parts in ((REWORK, counts.rework), (SCRAP, counts.scrap)):
        for _ in range(parts):
            term = terms[verdict].pop()
            location = MENDING[term].location if verdict == REWORK else SCRAP_LOCATIONS[term]
            taken[term, location] += 1
    if not taken:
        return {}
    defects = [{"term": term, "location": location, "parts": parts} for (term, location), parts in taken.items()]
    return {"defects": defects} | causes(rng, cut)


def causes(rng: random.Random, cut: Cut) -> dict[str, Any]:
    """Return what someone held to be the cause of a failure; often nobody says."""
    if rng.random() < 0.5:
        return {}
    plate = cut.plate
    if plate.surface_group == "disturbed":
        cause = "plate_surface"
    elif plate.thermal_history in ("hardened", "thermal_edge"):
        cause = "near_old_cut_edge"
    else:
        cause = rng.choice(("wrong_settings", "nozzle_worn", "protective_window", "focus_shift", "gas_pressure"))
    certainty = "confirmed" if rng.random() < 0.25 else "suspected"
    return {"causes": [{"term": cause, "certainty": certainty}]}


def _halves(counts: Counts) -> list[Counts]:
    looked_at = sum(counts) // 2
    good = min(looked_at, counts.good)
    rework = min(looked_at - good, counts.rework)
    first = Counts(good, rework, looked_at - good - rework)
    return [first, Counts(counts.good - first.good, counts.rework - first.rework, counts.scrap - first.scrap)]


def _delay(rng: random.Random) -> float:
    low, high = rng.choices(((0.2, 2.5), (2.5, 9), (9, 26)), (55, 35, 10))[0]
    return rng.uniform(low, high)
