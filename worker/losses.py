"""Which stage of the cut a part that was not good failed first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, Final

from worker.events import DEFECT_TERMS, STAGES

UNSTATED: Final = "unstated"

#: (stage, term, parts); parts None stands for all parts not yet placed.
Entry = tuple[str, str, int | None]


def defect_entries(data: Mapping[str, Any]) -> list[Entry]:
    """Defects of one verdict event as (stage, term, parts).

    Burning of the surface that ate into the part so that it was scrapped counts at stage sever.
    """
    entries: list[Entry] = []
    scrap_left, rework = data.get("scrap") or 0, data.get("rework") or 0
    for defect in data.get("defects") or ():
        term, parts = defect["term"], defect.get("parts")
        if term == "surface_burning":
            burnt = _burning(parts, scrap=scrap_left, rework=rework)
            scrap_left -= sum(taken or 0 for stage, _, taken in burnt if stage == "sever")
            entries.extend(burnt)
        else:
            entries.append((DEFECT_TERMS[term].stage, term, parts))
    return entries


def _burning(parts: int | None, *, scrap: int, rework: int) -> list[Entry]:
    """Entry of burning, up to the scrap of its event at stage sever."""
    term = "surface_burning"
    if not scrap:
        return [("surface", term, parts)]
    if parts is not None:
        at_sever = min(parts, scrap)
        return [("sever", term, at_sever), ("surface", term, parts - at_sever)]
    return [("sever", term, scrap), ("surface", term, None)] if rework else [("sever", term, None)]


def place_losses(entries: Iterable[Entry], *, faulty: int, not_made: int, pierce_failed: bool) -> dict[str, int]:
    """Parts lost by stage, and unstated: they add up to faulty + not_made.

    faulty: rework and scrap parts. In the order of the stages each takes the largest sum of parts over one of its
    terms, at most what is left; an entry without a count stands for all parts not yet placed.
    """
    counted: dict[str, dict[str, int]] = {stage: defaultdict(int) for stage in STAGES}
    uncounted: set[str] = set()
    for stage, term, parts in entries:
        if parts is None:
            uncounted.add(stage)
        else:
            counted[stage][term] += parts
    lost = dict.fromkeys((*STAGES, UNSTATED), 0)
    left = faulty
    for stage in STAGES:
        takes = left if stage in uncounted else min(left, max(counted[stage].values(), default=0))
        lost[stage] = takes
        left -= takes
    lost[UNSTATED] = left
    lost["pierce" if pierce_failed else "sever"] += not_made
    return lost
