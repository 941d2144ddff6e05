"""Which stage of the cut a part that was not good failed first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

from worker.events import DEFECT_TERMS, STAGES

UNSTATED: Final = "unstated"
_BURNING: Final = "surface_burning"
_PLACES: Final = (*STAGES, UNSTATED)
#: These places by the column of an attempt's row that holds the parts lost there.
LOST_AT: Final = {f"lost_{place}": place for place in _PLACES}


class Entry(NamedTuple):
    """A defect that an event names. parts None stands for all parts not yet placed, location None for not told."""

    stage: str
    term: str
    parts: int | None
    location: str | None = None


def defect_entries(data: Mapping[str, Any]) -> list[Entry]:
    """Defects of one verdict event, with the stage at which each counts.

    Burning of the surface that ate into the part so that it was scrapped counts at stage sever.
    """
    entries: list[Entry] = []
    scrap_left, rework = data.get("scrap") or 0, data.get("rework") or 0
    for defect in data.get("defects") or ():
        term, parts = defect["term"], defect.get("parts")
        if term == _BURNING:
            burnt = _burning(parts, scrap=scrap_left, rework=rework)
            scrap_left -= sum(taken or 0 for stage, taken in burnt if stage == "sever")
        else:
            burnt = [(DEFECT_TERMS[term].stage, parts)]
        entries.extend(Entry(stage, term, taken, defect.get("location")) for stage, taken in burnt)
    return entries


def _burning(parts: int | None, *, scrap: int, rework: int) -> list[tuple[str, int | None]]:
    """Stage and parts of burning: up to the scrap of its event at stage sever."""
    if not scrap:
        return [("surface", parts)]
    if parts is not None:
        at_sever = min(parts, scrap)
        return [("sever", at_sever), ("surface", parts - at_sever)]
    return [("sever", scrap), ("surface", None)] if rework else [("sever", None)]


def stage_not_made(outcome: str | None) -> str:
    """The stage at which parts failed that the run reached and did not sever."""
    return "pierce" if outcome == "pierce_failed" else "sever"


def place_losses(entries: Iterable[Entry], *, faulty: int, not_made: int, outcome: str | None) -> dict[str, int]:
    """Parts lost by stage, and unstated: they add up to faulty + not_made.

    faulty: rework and scrap parts. In the order of the stages each takes the largest sum of parts over one of its
    terms, at most what is left; an entry without a count stands for all parts not yet placed.
    """
    lost = dict.fromkeys(_PLACES, 0)
    if faulty:
        counted: dict[str, dict[str, int]] = {stage: defaultdict(int) for stage in STAGES}
        uncounted: set[str] = set()
        for entry in entries:
            if entry.parts is None:
                uncounted.add(entry.stage)
            else:
                counted[entry.stage][entry.term] += entry.parts
        left = faulty
        for stage in STAGES:
            takes = left if stage in uncounted else min(left, max(counted[stage].values(), default=0))
            lost[stage] = takes
            left -= takes
        lost[UNSTATED] = left
    if not_made:
        lost[stage_not_made(outcome)] += not_made
    return lost
