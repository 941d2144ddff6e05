"""How often does the rule for failed pierces in a row ask for a look in vain, and how soon when the rate has tripled?

Each pierce is an attempt of its own. After each notice somebody looks, and the series begins anew. Beside what is
simulated by `worker.notices` stands what follows exactly: three in succession are three in twenty as well, and the
pierces until three of twenty failed are those until a Markov chain of the two newest failures' ages ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from random import Random
from statistics import median
from typing import Final

import numpy as np

from tests.calibrate.figures import Figure
from worker.notices import Run, noticed
from worker.plausible_limits import Limits

FALSE: Final = "reaction: notices a pierce, nothing having changed"
IN_TIME: Final = "reaction: noticed within so many pierces once the rate has tripled"
#: Usual shares of failed pierces.
RATES: Final = (0.01, 0.02, 0.03)
WITHIN: Final = (50, 100, 200)
TIMES: Final = 3.0
#: Standard errors by which a simulated share may differ from the exact one.
AGREES: Final = 4.0
LIMITS: Final = Limits()
#: No series is longer.
_LONGEST: Final = 1_000_000


def figures(seed: int, *, trials: int) -> Iterator[Figure]:
    """Per usual rate: false notices a pierce, beside the exact share; how soon a tripled rate is noticed."""
    for rate in RATES:
        lengths = [length(Random(f"{seed} {rate} {turn}"), rate) for turn in range(trials)]
        exact = 1 / expected_length(rate)
        off = AGREES * exact / trials**0.5
        case = f"{rate:.1%} fail: {1_000 / np.mean(lengths):.3g} per 1,000 pierces, exactly {1_000 * exact:.3g}"
        yield Figure(FALSE, case, (trials / sum(lengths),), 0, least=exact - off, most=exact + off)
    for rate in RATES:
        tripled = partial(length, rate=TIMES * rate)
        lengths = [tripled(Random(f"{seed} tripled {rate} {turn}")) for turn in range(trials)]
        shares = tuple(sum(one <= within for one in lengths) / trials for within in WITHIN)
        case = f"{rate:.1%} to {TIMES * rate:.1%}, within {', '.join(map(str, WITHIN))}: median {median(lengths):.0f}"
        yield Figure(IN_TIME, case, shares, trials)


def length(rng: Random, rate: float) -> int:
    """Pierces from a look at the machine to the notice, at a share of failed ones."""
    newest: list[Run] = []
    for number in range(_LONGEST):
        newest = [*newest[-LIMITS.pierce_window :], Run(str(number), number, 1, int(rng.random() < rate), False)]
        if newest[-1].failed and next(noticed("m", newest, LIMITS), None) is not None:
            return number + 1
    return _LONGEST


def expected_length(rate: float) -> float:
    """Mean pierces until three of twenty failed: (ages of the newest and second newest failure) as a Markov chain."""
    window = LIMITS.pierce_window
    states = [(0, 0), *((one, 0) for one in range(1, window)),
              *((one, two) for two in range(2, window) for one in range(1, two))]  # fmt: skip
    place = {state: at for at, state in enumerate(states)}
    chain = np.zeros((len(states), len(states)))
    for (one, two), at in place.items():
        older = tuple(age + 1 if 0 < age < window - 1 else 0 for age in (one, two))
        chain[at, place[older]] += 1 - rate
        # A third failure within the window ends it: the older of the two is still inside.
        if not two:
            chain[at, place[1, older[0]]] += rate
    return float(np.linalg.solve(np.eye(len(states)) - chain, np.ones(len(states)))[0])
