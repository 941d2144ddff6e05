"""How often does `wear` find wear where there is none, and does a change that it supports lie where it was planted?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from tests.calibrate.asked import CONFIDENCE
from tests.calibrate.figures import Figure
from tests.calibrate.plates import chance_of
from worker.reports.since_service import KINDS, Attempts, since_service
from worker.reports.wear_bands import PIERCES, Judged, banded, judged_of

FALSE: Final = "wear: a report without wear calls something worn"
FALSE_CHANGE: Final = "wear: a report without wear supports a change"
FOUND: Final = "wear: wear that was planted is found"
SUPPORTED: Final = "wear: and a change is supported"
BRACKETED: Final = "wear: its limits hold the place at which failures pass the tolerance"
MOST_FALSE: Final = 0.07
LEAST_BRACKETED: Final = 0.93
TOLERANCE: Final = 0.02
#: Thin and thick plate: their shares of failed pierces when fresh.
FRESH: Final = (0.01, 0.04)
_PIERCES: Final = (4, 20)
_ATTEMPTS_A_PLATE: Final = 8


@dataclass(frozen=True)
class Case:
    """Stretches of about so many pierces. Failures grow by `more` at once after `at`, or steadily up to it at `at`.

    `luck`: of a plate, the spread by which it multiplies all rates; `of_service`: of what a service put in.
    """

    stretches: int
    pierces: int
    at: int = 0
    more: float = 0.0
    steady: bool = False
    luck: float = 0.5
    of_service: float = 0.0

    @property
    def words(self) -> str:
        """The case in words."""
        said = f"{self.stretches} services, about {self.pierces:,} pierces each"
        if self.of_service:
            said += f", which differ by {self.of_service:.0%}"
        if not self.more:
            return said
        how = f"steadily by {self.more:.0%} in {self.at:,}" if self.steady else f"by {self.more:.0%} after {self.at:,}"
        return f"{said}, failures grow {how}"

    def rate(self, use: Any, thickness: Any) -> Any:
        """True failed-pierce rate at a use, and a thickness by its place in FRESH."""
        grown = use / self.at if self.steady else use >= self.at
        return np.array(FRESH)[thickness] + (self.more * grown if self.more else 0.0)

    @property
    def passes(self) -> float:
        """Use at which failures pass the tolerance above the fresh rate."""
        return self.at * TOLERANCE / self.more if self.steady else self.at


NULLS: Final = (Case(8, 1_500), Case(30, 1_500), Case(12, 6_000), Case(20, 1_500, of_service=0.3))
WORN: Final = (
    Case(10, 800, at=400, more=0.05),
    Case(20, 2_400, at=1_000, more=0.06),
    Case(40, 2_400, at=1_500, more=0.08),
    Case(40, 2_400, at=2_000, more=0.08, steady=True),
)


def figures(
    seed: int, *, trials: int, nulls: tuple[Case, ...] = NULLS, worn: tuple[Case, ...] = WORN
) -> Iterator[Figure]:
    """Reports on all kinds of service of two machines: without wear, then with worn nozzles on the first machine."""
    for case in nulls:
        judged = [judged_shop(chance_of(seed, "wear", case, trial), case) for trial in range(trials)]
        false = sum(any(one.wears for one in some) for some in judged) / trials
        changes = sum(any(one.change.after is not None for one in some) for some in judged) / trials
        yield Figure(FALSE, case.words, (false,), trials, most=MOST_FALSE)
        yield Figure(FALSE_CHANGE, case.words, (changes,), trials, most=MOST_FALSE)
    for case in worn:
        judged = [judged_shop(chance_of(seed, "wear", case, trial), case) for trial in range(trials)]
        nozzles = [next(one for one in some if one.served.kind == "nozzle") for some in judged]
        supported = [one.change for one in nozzles if one.change.after is not None]
        yield Figure(FOUND, case.words, (sum(one.wears for one in nozzles) / trials,), trials)
        yield Figure(SUPPORTED, case.words, (len(supported) / trials,), trials)
        held = sum((change.low or 0) <= case.passes <= (change.high or 0) for change in supported)
        share = held / max(1, len(supported))
        yield Figure(BRACKETED, case.words, (share,), len(supported), least=LEAST_BRACKETED)


def judged_shop(chance: np.random.Generator, case: Case) -> list[Judged]:
    """What the report judges of two machines; only the nozzle of the first wears, if any does."""
    served = []
    for machine in ("laser 1", "laser 2"):
        served += _served(chance, machine, case, wears=machine == "laser 1")
    return judged_of(served, confidence=CONFIDENCE, tolerance=TOLERANCE, target=None)


def _served(chance: np.random.Generator, machine: str, case: Case, *, wears: bool) -> Iterator[Any]:
    count = case.stretches * case.pierces * 2 // sum(_PIERCES)
    plate = np.arange(count) // _ATTEMPTS_A_PLATE
    plates = int(plate[-1]) + 1
    thickness = chance.integers(0, len(FRESH), plates)[plate]
    pierces = chance.integers(_PIERCES[0], _PIERCES[1] + 1, count)
    started = np.arange(count)
    nought = np.zeros(count, dtype=np.int64)
    times = {kind: _times(chance, pierces, case) for kind in KINDS}
    parts = np.minimum(pierces, 10)
    blank = Attempts(
        started, pierces, nought, nought + 1, pierces * 4_000, nought + 1, parts, nought, nought, nought + 1, plate,
        thickness,
    )  # fmt: skip
    since = {kind: since_service(blank, times[kind], before=(0, 0)) for kind in KINDS}
    luck = chance.gamma(1 / case.luck**2, case.luck**2, plates)[plate]
    if case.of_service:
        shape = 1 / case.of_service**2
        luck = luck * chance.gamma(shape, 1 / shape, len(times["nozzle"]) + 1)[since["nozzle"].stretch]
    rate = case.rate(since["nozzle"].pierces, thickness) if wears else np.array(FRESH)[thickness]
    failed = chance.binomial(pierces, np.minimum(1.0, rate * luck))
    bad = chance.binomial(parts, np.minimum(1.0, 0.05 * luck))
    reworked = chance.binomial(bad, 0.5)
    attempts = Attempts(
        started, pierces, failed, nought + 1, pierces * 4_000, nought + 1, parts, bad, reworked, nought + 1, plate,
        thickness,
    )  # fmt: skip
    for kind in KINDS:
        yield banded(machine, kind, attempts, since[kind], use=PIERCES)


def _times(chance: np.random.Generator, pierces: Any, case: Case) -> list[int]:
    """Services of one kind: stretches from half to one and a half of the usual number of pierces."""
    done, times, at = np.cumsum(pierces), [0], 0.0
    while (at := at + case.pierces * chance.uniform(0.5, 1.5)) < done[-1]:
        times.append(int(np.searchsorted(done, at)))
    return sorted(set(times))
