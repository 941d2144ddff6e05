"""First-attempt parts of a demo's shop as `worker.reports.process_parts` counts them, without a database.

Five hundred shops through the door would take hours. What the generator drew is what the fold makes of its events once
all is said of a cut; the few cuts of which something is still to come are folded. `tests/test_calibrate_short.py` holds
these sums against those of the report's own code on the events of whole shops.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Final

from demo.cuts import GOOD, Cut
from demo.hours import production_day, shift
from demo.shop import Shop
from worker.folding import fold_attempt, instant_us
from worker.measures import FIRST_PASS
from worker.records import Event
from worker.reports.reading import MOST_PENDING
from worker.reports.thickness_yield import CONDITION, WITHIN

Sums = dict[str, int]
#: Names of the dimensions by which parts are grouped, in this order.
NAMES: Final = (*WITHIN, "thickness", *CONDITION)
#: (material, machine, gas, thickness in nanometres, surface group, thermal history), as the generator names them.
Group = tuple[str, str, str, int, str, str]
_GAS: Final = "oxygen"


def parts_of(shop: Shop, *, weeks: int) -> dict[Group, Sums]:
    """Sums of the last so many weeks up to `shop.until`, over production days of which nearly all is judged."""
    first_day = shop.last_day - timedelta(days=7 * weeks - 1)
    by_day: dict[date, list[tuple[Cut, int, int, int]]] = defaultdict(list)
    for cut in shop.cuts:
        day = production_day(cut.started_at)
        if cut.attempt_no == 1 and day >= first_day and cut.finished_at <= shop.until:
            by_day[day].append((cut, *_known(cut, shop.until)))
    clusters: dict[tuple[Group, str, date, str], list[int]] = defaultdict(lambda: [0, 0])
    for day, cuts in by_day.items():
        pending, tried = sum(rest for *_, rest in cuts), sum(judged + rest for _, _, judged, rest in cuts)
        if pending > MOST_PENDING * tried:
            continue
        for cut, good, judged, _ in cuts:
            counts = clusters[_group(cut), cut.plate.id, day, shift(cut.started_at)]
            counts[0] += good
            counts[1] += judged
    return _summed((key[0], x, n) for key, (x, n) in clusters.items())


def _known(cut: Cut, until: datetime) -> tuple[int, int, int]:
    """(good, judged, pending) parts by what was said until then."""
    if cut.settled_at <= until:
        return cut.count(GOOD), cut.tried, 0
    folded = fold_attempt(cut.id, _events(cut, until))
    return folded.good, folded.judged, folded.pending


def _events(cut: Cut, until: datetime) -> list[Event]:
    told = [saying.event() for saying in cut.said if saying.told_at <= until]
    return [
        Event(instant_us(event["time"]), event["source"], event["id"], event["type"], event["subject"], event["data"])
        for event in told
    ]


def _group(cut: Cut) -> Group:
    plate = cut.plate
    nm = round(plate.thickness.mm * 1_000_000)
    return plate.material, cut.machine, _GAS, nm, plate.surface_group, plate.thermal_history


def _summed(clusters: Iterable[tuple[Group, int, int]]) -> dict[Group, Sums]:
    found: dict[Group, Sums] = {}
    for group, x, n in clusters:
        if n:
            sums = found.setdefault(group, dict.fromkeys(FIRST_PASS.names, 0))
            for name, value in zip(FIRST_PASS.names, (x, n, 1, n * n, x * x * 1_000_000 // n), strict=True):
                sums[name] += value
    return found
