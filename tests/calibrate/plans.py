"""Does `plan` start enough, and how many more than one who knew the true yield?

Histories are drawn whose yield and correlation are known; from each the door's functions make a number of starts. That
this is enough is then no draw but the exact chance at the true yield. The clairvoyant plan knows yield and correlation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any, Final

import numpy as np
from scipy import special

from tests.calibrate.figures import Figure
from tests.calibrate.plates import ALIKE, chance_of, good_parts
from worker.reports.expected_yield import History, PlannedCut, Setup, expected_yield, history_of
from worker.reports.questions import Question
from worker.stats import starts as stats
from worker.stats.clustering import Clustered, Effective
from worker.stats.starts import Plates, starts

ENOUGH: Final = "plan: enough good parts at an assurance of 95 %"
WASTE: Final = "plan: starts beyond those of who knows the yield"
ASSURANCE: Final = 0.95
#: True yields at the thickness asked about, each as often as any other.
YIELDS: Final = (0.75, 0.8, 0.85, 0.9, 0.93, 0.96)
MM: Final = 28
OTHERS: Final = (20, 25, 32, 40)
MANY_OTHERS: Final = (15, 18, 20, 22, 25, 30, 32, 36, 40)
#: The log-odds fall by so much per unit of ln(thickness): from 96 % at 20 mm to 75 % at 40 mm or so.
SLOPE: Final = 3.0
_SETUP: Final = Setup("laser 2", "oxygen")
_ELSEWHERE: Final = Setup("laser 1", "oxygen")
_CUT: Final = PlannedCut("s355", MM * 1_000_000)
_QUESTION: Final = Question(date(2026, 1, 5), date(2026, 7, 5), (), {}, {}, 0.9)


@dataclass(frozen=True)
class Case:
    """A history and an order: so many plates of so many parts at the thickness, and at each other one.

    thicknesses: the other ones. elsewhere: plates of another machine, that tell only how alike parts of one plate are.
    off: standard deviation by which the log-odds of a thickness lie off the line. most: share of the clairvoyant starts
    that may be started beyond them; None: printed, since `why` enough is not promised.
    """

    plates: int
    others: int = 0
    size: int = 8
    alike: float = ALIKE
    parts: int = 40
    off: float = 0.0
    thicknesses: tuple[int, ...] = OTHERS
    elsewhere: int = 0
    most: float | None = None
    why: str = ""

    def __str__(self) -> str:
        many = "1 plate" if self.plates == 1 else f"{self.plates} plates"
        of = f"{many} of {self.size}" if self.size > 1 else f"{self.plates} parts, one a plate"
        others = f", {self.others} at each of {len(self.thicknesses)} other thicknesses" if self.others else ""
        others += f", {self.elsewhere} of another machine" if self.elsewhere else ""
        off = f" that lie off the curve by {self.off:g}" if self.off else ""
        alike = f", correlation {self.alike:g}" if self.size > 1 and self.alike != ALIKE else ""
        return f"{self.parts} good from {of}{others}{off}{alike}{': ' if self.why else ''}{self.why}"


_UNTOLD: Final = "one plate tells nothing of others"
_ELSEWHERE_TOLD: Final = "few plates of another machine tell how alike parts are"
_FEW: Final = "so few plates hardly tell how alike parts are"
CASES: Final = (
    Case(3, why=_FEW),
    Case(5, why=_FEW),
    Case(10, why=_FEW),
    Case(20, why="just enough plates"),
    Case(30, most=0.08),
    Case(50, most=0.06),
    Case(20, alike=0.05, most=0.1),
    Case(30, parts=10, most=0.12),
    Case(50, parts=100, most=0.06),
    Case(20, size=1, most=0.25),
    Case(50, size=1, most=0.15),
    Case(2, others=10, off=0.3, most=0.2),
    Case(5, others=10, off=0.3, most=0.2),
    Case(1, why=_UNTOLD),
    Case(1, others=1, thicknesses=MANY_OTHERS, most=0.9),
    Case(1, others=1, thicknesses=MANY_OTHERS, alike=0.5, most=0.9),
    Case(1, others=1, thicknesses=MANY_OTHERS, size=20, alike=0.3, most=0.6),
    Case(1, others=1, thicknesses=MANY_OTHERS, elsewhere=5, alike=0.3, why=_ELSEWHERE_TOLD),
    Case(1, others=1, thicknesses=MANY_OTHERS, size=20, elsewhere=10, alike=0.3, why=_ELSEWHERE_TOLD),
    Case(2, others=10, off=0.8, why="a curve says little where thicknesses scatter so much"),
)
#: Plates of one part are planned so much faster that so many times the trials are made.
_OF_SINGLE_PARTS: Final = 10


def figures(seed: int, *, trials: int, cases: tuple[Case, ...] = CASES) -> Iterator[Figure]:
    """Two figures for each case: how often enough are good, and what is wasted."""
    for case in cases:
        enough, wasted, clairvoyant, said = _planned(seed, case, trials * (_OF_SINGLE_PARTS if case.size == 1 else 1))
        yield Figure(ENOUGH, str(case), (enough,), said, None if case.most is None else ASSURANCE)
        told = f"{case}: {wasted * clairvoyant:.1f} of {clairvoyant:.1f}"
        yield Figure(WASTE, told, (max(0.0, wasted),), said, None, case.most)


def _planned(seed: int, case: Case, trials: int) -> tuple[float, float, float, int]:
    """(mean chance of enough, share started beyond the clairvoyant starts, these on average, plans made)."""
    chance = chance_of(seed, "plans", case)
    enough, started, knowing = [], [], []
    for trial in range(trials):
        share = YIELDS[trial % len(YIELDS)]
        known, share = _history(chance, case, share)
        many = starts_of(known, case)
        if many is None:
            continue
        enough.append(_delivers(share, many, case))
        started.append(many)
        knowing.append(clairvoyant(share, case))
    mean = sum(knowing) / len(knowing)
    return sum(enough) / len(enough), sum(started) / sum(knowing) - 1, mean, len(enough)


def starts_of(known: History, case: Case) -> int | None:
    """What the door starts: its own functions in its own order."""
    counts = expected_yield(known, _CUT, _SETUP).counts
    if counts is None:
        return None
    ahead = Plates(case.size, known.alike)
    return starts(counts, parts=case.parts, assurance=ASSURANCE, plates=ahead).started


@lru_cache(maxsize=10_000)
def _delivers(share: float, started: int, case: Case) -> float:
    found: Any = stats.good_parts(share, started=started, plates=Plates(case.size, case.alike))
    return float(found[case.parts :].sum())


@lru_cache(maxsize=10_000)
def clairvoyant(share: float, case: Case) -> int:
    """Starts of who knows yield and correlation."""
    sure = Effective(share * 1e9, 1e9)
    many = starts(sure, parts=case.parts, assurance=ASSURANCE, plates=Plates(case.size, case.alike)).started
    assert many is not None
    return many


def _history(chance: np.random.Generator, case: Case, share: float) -> tuple[History, float]:
    """(a history, the true yield at the thickness asked about)."""
    cells, truth = [], share
    for mm in (MM, *case.thicknesses):
        log_odds = special.logit(share) - SLOPE * np.log(mm / MM)
        if case.off:
            # In steps, so that what follows from a true yield is worked out once
            log_odds += case.off * round(float(chance.normal()) * 4) / 4
        of_mm = float(special.expit(log_odds))
        plates = case.plates if mm == MM else case.others
        if mm == MM:
            truth = of_mm
        if plates:
            cells.append(_cell(chance, _SETUP, mm, of_mm, plates, case))
    if case.elsewhere:
        cells.append(_cell(chance, _ELSEWHERE, MM, share, case.elsewhere, case))
    return history_of(cells, question=_QUESTION), truth


def _cell(chance: np.random.Generator, setup: Setup, mm: int, share: float, plates: int, case: Case) -> Any:
    parts = np.full(plates, case.size)
    good = good_parts(chance, share, parts, alike=case.alike if case.size > 1 else 0.0)
    counts = Clustered.of(zip(good.tolist(), parts.tolist(), strict=True))
    return setup, None, mm * 1_000_000, "clean", "as_supplied", counts
