"""What is found in invented shops, looked at every evening: causes that were planted, and ones that are not there."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Final

from demo.shop import CAUSES
from tests.calibrate.figures import Figure
from tests.demo.shop_floor import ever_found, found_at_the_end, shop_of
from worker.noticing.finding import IMPLAUSIBLE

FALSE: Final = "findings: false ones over eight weeks of a demo in which nothing was planted"
PLANTED: Final = "findings: demos at whose end a planted cause is found"
#: At most one false finding in 20 demos.
MOST_FALSE: Final = 0.05
_CAUSES: Final = {
    "oxidised lot": ("condition_costs", "surface"),
    "water-quenched remnants": ("condition_costs", "thermal_history"),
    "drifting pierce": ("pierces_rose", ""),
}


def figures(seed: int, *, shops: int) -> Iterator[Figure]:
    """Both, over so many shops, whose seeds follow each other."""
    seeds = range(seed, seed + shops)
    with ProcessPoolExecutor(2) as pool:
        false = list(pool.map(_false_ones, seeds))
        found = list(pool.map(_found, seeds))
    entries = sum(kinds.count(IMPLAUSIBLE) for kinds in false)
    causes = sum(len(kinds) for kinds in false) - entries
    case = f"{shops} seeds, {causes} causes and {entries} implausible entries in all"
    yield Figure(FALSE, case, ((causes + entries) / shops,), shops, most=MOST_FALSE)
    for name, sought in _CAUSES.items():
        yield Figure(PLANTED, name, (sum(sought in one for one in found) / shops,), shops)


def _false_ones(seed: int) -> list[str]:
    """Kinds of all that is ever found in a shop without causes."""
    with tempfile.TemporaryDirectory() as folder:
        return [one.kind for _, one in ever_found(shop_of(seed, without=CAUSES), Path(folder))]


def _found(seed: int) -> list[tuple[str, str]]:
    """Codes of what is found at the end of a shop with all causes."""
    with tempfile.TemporaryDirectory() as folder:
        return [(one.code, one.other) for one in found_at_the_end(shop_of(seed), Path(folder))]
