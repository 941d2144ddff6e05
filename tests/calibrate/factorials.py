"""Does a trial without effects claim one as seldom as it says, and do its intervals hold where there is one?

Factorials of two levels each, once on each plate; plates differ, and runs of a plate vary by more than their parts do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any, Final

import numpy as np

from tests.calibrate.figures import Figure
from tests.calibrate.plates import chance_of
from worker.stats.factor_model import Run
from worker.stats.factorial import Effect, analysed

FALSE: Final = "trial: some effect is told where there is none"
HELD: Final = "trial: the interval of the difference of shares holds"
FOUND: Final = "trial: the effect that there is, is told"
#: As many trials as may claim an effect that is none; as often as an interval at 95 % must hold.
MOST_FALSE: Final = 0.05
LEAST_HELD: Final = 0.95


@dataclass(frozen=True)
class Case:
    """Factors of two levels, plates, parts of a run, the usual share good; correlation within runs.

    `plates_differ`: standard deviation of plates in log-odds. effect: of the first factor, in log-odds. `alone`: each
    run is on a plate of its own.
    """

    factors: int
    plates: int
    parts: int
    good: float
    alike: float = 0.0
    plates_differ: float = 0.8
    effect: float = 0.0
    alone: bool = False

    @property
    def words(self) -> str:
        """The case in words."""
        where = "each run on a plate of its own" if self.alone else f"{self.plates} plates"
        said = f"{self.plates * 2**self.factors} runs of {self.parts}, {where}, {self.good:.0%} good"
        return f"{said}, correlation {self.alike:g}" + (f", effect {self.effect:g}" if self.effect else "")


NULLS: Final = (
    Case(2, 4, 4, 0.85), Case(2, 4, 4, 0.85, 0.15), Case(3, 2, 6, 0.9, 0.1), Case(2, 6, 12, 0.95, 0.2),
    Case(2, 4, 6, 0.85, alone=True), Case(3, 1, 8, 0.9, 0.1),
)  # fmt: skip
EFFECTS: Final = (
    Case(2, 4, 4, 0.9, effect=-1.4), Case(2, 4, 6, 0.9, 0.1, effect=-1.4), Case(2, 4, 8, 0.95, 0.2, effect=-2.0),
    Case(2, 6, 6, 0.9, 0.05, effect=-2.0),
)  # fmt: skip


def figures(
    seed: int, *, trials: int, nulls: tuple[Case, ...] = NULLS, effects: tuple[Case, ...] = EFFECTS
) -> Iterator[Figure]:
    """Trials without an effect, then with one: so many of each case."""
    for case in nulls:
        told = [_cut(chance_of(seed, "factorial", case, trial), case)[0] for trial in range(trials)]
        false = sum(any(effect.told for effect in some) for some in told) / trials
        yield Figure(FALSE, case.words, (false,), trials, most=MOST_FALSE)
    for case in effects:
        cut = [_cut(chance_of(seed, "factorial", case, trial), case) for trial in range(trials)]
        first = [(effect, truth) for some, truth in cut for effect in some if effect.factors == (0,)]
        held = sum(effect.difference is not None and _holds(effect, truth) for effect, truth in first)
        yield Figure(HELD, case.words, (held / max(1, len(first)),), len(first), least=LEAST_HELD)
        yield Figure(FOUND, case.words, (sum(effect.told for effect, _ in first) / trials,), trials)


def _holds(effect: Effect, truth: float) -> bool:
    _, low, high = effect.difference or (0.0, 0.0, 0.0)
    return low <= truth <= high


def _cut(chance: np.random.Generator, case: Case) -> tuple[tuple[Effect, ...], float]:
    """(effects that are told or not, true difference of the shares of the first factor's levels over these plates)."""
    usual, runs = float(np.log(case.good / (1 - case.good))), []
    shares: dict[int, list[float]] = {0: [], 1: []}
    for plate in range(case.plates):
        luck = chance.normal(0, case.plates_differ)
        for number, levels in enumerate(product(range(2), repeat=case.factors)):
            if case.alone:
                luck = chance.normal(0, case.plates_differ)
            share: Any = 1 / (1 + np.exp(-(usual + luck + case.effect * levels[0])))
            shares[levels[0]].append(float(share))
            if case.alike:
                share = chance.beta(share * (1 / case.alike - 1), (1 - share) * (1 / case.alike - 1))
            name = f"{plate}.{number}" if case.alone else str(plate)
            runs.append(Run(levels, name, int(chance.binomial(case.parts, share)), case.parts))
    return analysed(runs).effects, float(np.mean(shares[1]) - np.mean(shares[0]))
