"""How many parts to start so that enough of them are good, when the yield is known from so many past parts only.

The yield has the posterior of Jeffreys' prior, Beta(x + 1/2, n - x + 1/2), from effective counts of the past; the parts
of a future plate stand or fall together, their plates do not. So the number of good parts is beta-binomial (parts on
plates of their own), or a sum of beta-binomial ones, one a plate, averaged over the yield. The correlation within a
plate is taken for known. Geisser S (1993), Predictive Inference: An Introduction (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np

from worker.sentences import sentence
from worker.stats.clustering import NOTHING_JUDGED, Correlation, Effective

#: More parts are not started for one order.
MOST_STARTS: Final = 10_000
TOO_MANY: Final = sentence("at this yield it takes more parts than anyone will start")
#: Of the chances of a number of good parts, or of starts, half of what this leaves lies on each side of a range.
RANGE: Final = 0.9

_GUARD: Final = 1e-12
#: How alike parts of one plate are taken to be, past and to come, where nothing tells it. By simulation of histories
#: with one plate at each of ten thicknesses, orders planned at 95 % were enough in 97 to 100 % of cases with it, up
#: to a true correlation of 0.5 (`make calibrate`, part plans); without any in 77 to 88 %.
UNTOLD_CORRELATION: Final = 0.4
#: Below it parts are independent: the chances are the same to all digits that matter.
_LEAST_CORRELATION: Final = 1e-7
#: Yields at which the average over the posterior is taken.
_MOST_NODES: Final = 256
#: Counts of a first lot for which the second is worked out; those between take the number of the next worse.
_MOST_COUNTS: Final = 32
#: Counts of a first lot that come more seldom are left out.
_NEVER: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Plates:
    """How the future parts lie: so many on a plate, the last one perhaps fewer, with the correlation of any two.

    A correlation below 0 is taken for 0, as a design effect is at least 1.
    """

    parts_a_plate: int = 1
    correlation: float = 0.0

    @property
    def independent(self) -> bool:
        """No part is like its neighbour."""
        return self.parts_a_plate <= 1 or self.correlation < _LEAST_CORRELATION

    def design_effect(self, started: int) -> float:
        """By which so many parts count less than independent ones, at least 1."""
        if self.independent or not started:
            return 1.0
        size = min(self.parts_a_plate, started)
        whole, rest = divmod(started, size)
        mean_size = (whole * size * size + rest * rest) / started
        return 1 + (mean_size - 1) * self.correlation


def prudent_correlation(found: Correlation | None, *, mean_size: float) -> float:
    """The correlation to reckon with on plates to come: that of the past and one standard error, 0-1.

    mean_size: parts on a plate of the past. None was found: UNTOLD_CORRELATION. Where a history has by chance too few
    failures, these also look less alike than they are, so that both errors point the same way: with the estimate
    itself, orders planned at 95 % from 5 to 20 plates were enough in 92 to 95 % of simulated cases (`make calibrate`,
    part plans). The standard error is that of normal values, sqrt(2 / (m (m - 1) d)) (1 - r) (1 + (m - 1) r) with m
    parts a plate and d degrees of freedom between plates: Fisher RA (1925), Statistical Methods for Research Workers,
    section 39 (from memory).
    """
    if found is None:
        return UNTOLD_CORRELATION
    if mean_size <= 1:
        return 0.0
    alike, size = max(0.0, float(found)), max(2.0, mean_size)
    error = math.sqrt(2 / (size * (size - 1) * max(1.0, found.degrees))) * (1 - alike) * (1 + (size - 1) * alike)
    return min(1.0, alike + error)


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is known of a yield: it has the distribution Beta(a, b), both above 0."""

    a: float
    b: float

    @classmethod
    def after(cls, past: Effective) -> Posterior:
        """That of Jeffreys' prior after x good of n effective parts, 0 <= x <= n."""
        return cls(past.x + 0.5, max(0.0, past.n - past.x) + 0.5)

    def seen(self, good: float, bad: float) -> Posterior:
        """With so many more effective parts."""
        return Posterior(self.a + good, self.b + bad)

    @property
    def mean(self) -> float:
        """The yield expected."""
        return self.a / (self.a + self.b)

    def rates(self, nodes: int) -> tuple[Any, Any]:
        """So many yields and their weights: an average over them is one over the distribution."""
        from scipy import special

        places, weights = _places(nodes)
        return special.betaincinv(self.a, self.b, places), weights


@lru_cache(maxsize=64)
def _places(nodes: int) -> tuple[Any, Any]:
    """Places within 0 and 1 and their weights: Gauss and Legendre's, drawn to the ends, where yields change fastest."""
    even, weights = np.polynomial.legendre.leggauss(nodes)
    at = (even + 1) / 2
    return at**3 * (10 - 15 * at + 6 * at**2), weights * 15 * (at * (1 - at)) ** 2


def _nodes(share: Posterior, *, started: int, plates: Plates) -> int:
    """So many that they lie closer than the number of good parts varies at one yield."""
    sharper = started / plates.design_effect(started) / (share.a + share.b + 1)
    return min(_MOST_NODES, 24 + 8 * math.ceil(math.sqrt(sharper) / 2))


def good_parts(share: Posterior | float, *, started: int, plates: Plates) -> Any:
    """Chances of 0 to all of the started parts being good, an array that sums to 1.

    share: what is known of the yield, or the yield itself, from 0 to 1, when it is taken for known.
    """
    if plates.independent or not started:
        if isinstance(share, Posterior):
            return _beta_binomial(started, share.a, share.b)
        return _binomial(started, share)
    if isinstance(share, Posterior):
        rates, weights = share.rates(_nodes(share, started=started, plates=plates))
    else:
        rates, weights = np.array([share]), np.ones(1)
    # No plate holds more than are started: its chances would be worked out in vain
    size = min(plates.parts_a_plate, started)
    whole, rest = divmod(started, size)
    # Sums of independent plates: their Fourier transforms multiply
    wide = 1 << started.bit_length()
    spectrum = _power(_of_a_plate(rates, size, plates.correlation, wide), whole)
    if rest:
        spectrum = spectrum * _of_a_plate(rates, rest, plates.correlation, wide)
    found = np.fft.irfft(weights @ spectrum, wide)[: started + 1].clip(0.0)
    return found / found.sum()


def _power(base: Any, exponent: int) -> Any:
    """By squares: many times faster than that of complex numbers."""
    found = np.ones_like(base)
    while exponent:
        if exponent % 2:
            found = found * base
        exponent //= 2
        base = base * base
    return found


def _of_a_plate(rates: Any, parts: int, correlation: float, wide: int) -> Any:
    """Fourier transforms of the chances of a plate, a row for each yield."""
    alike = min(correlation, 1 - _LEAST_CORRELATION)
    # A yield of exactly 0 or 1 has no beta distribution around it
    rates = np.clip(rates, 1e-9, 1 - 1e-9)[:, np.newaxis]
    a, b = (share * (1 - alike) / alike for share in (rates, 1 - rates))
    return np.fft.rfft(_beta_binomial(parts, a, b), wide, axis=-1)


def _beta_binomial(n: int, a: Any, b: Any) -> Any:
    """Chances of 0 to n, along the last axis; a and b are numbers, or columns of them."""
    from scipy import special

    x = np.arange(n + 1)
    return _summing_to_one(_log_rising(a, n) + _log_rising(b, n)[..., ::-1] - special.betaln(x + 1, n - x + 1))


def _log_rising(share: Any, n: int) -> Any:
    """Logarithms of share x (share + 1) x ..., with 0 to n factors.

    By sums, since differences of betaln lose their digits when a and b are large, and may be infinite when one is tiny.
    """
    logs = np.cumsum(np.log(share + np.arange(n)), axis=-1)
    return np.concatenate((np.zeros((*logs.shape[:-1], 1)), logs), axis=-1)


def _binomial(n: int, rate: float) -> Any:
    from scipy import special

    x = np.arange(n + 1)
    return _summing_to_one(special.xlogy(x, rate) + special.xlog1py(n - x, -rate) - special.betaln(x + 1, n - x + 1))


def _summing_to_one(logs: Any) -> Any:
    found = np.exp(logs - logs.max(axis=-1, keepdims=True))
    return found / found.sum(axis=-1, keepdims=True)


def _at_least(parts: int, found: Any) -> float:
    """The chance of so many good parts or more."""
    return min(1.0, math.fsum(found[parts:].tolist()))


def _least(share: Posterior | float, *, parts: int, assurance: float, plates: Plates) -> int | None:
    """The least number to start for so many good parts, at least one, with this chance."""

    def enough(started: int) -> bool:
        return _at_least(parts, good_parts(share, started=started, plates=plates)) >= assurance - _GUARD

    if parts > MOST_STARTS:
        return None
    # From what the mean asks for up in growing strides, then by halves
    mean = share.mean if isinstance(share, Posterior) else share
    low, high = parts, math.ceil(parts / mean) if mean * MOST_STARTS > parts else MOST_STARTS
    stride = max(1, high // 32)
    while not enough(high):
        if high >= MOST_STARTS:
            return None
        low, high, stride = high + 1, min(MOST_STARTS, high + stride), 2 * stride
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return low


def _range(found: Any) -> tuple[int, int]:
    """The counts between which a share `RANGE` of the chances lies, at least, with no more than its half outside."""
    tail, below = (1 - RANGE) / 2, np.cumsum(found)
    low, high = (int(np.searchsorted(below, place)) for place in (tail + _GUARD, 1 - tail - _GUARD))
    return min(low, len(found) - 1), min(high, len(found) - 1)


@dataclass(frozen=True, slots=True)
class Starts:
    """How many to start, and what is to be expected of them; all None with a `reason` when that cannot be said.

    `chance` is that of enough good parts; `expected`, `low` and `high` are the mean and the 90 % range of their number.
    `if_known` would do if the yield were just that of the past: None when none of that was good.
    """

    started: int | None
    chance: float | None
    expected: float | None
    low: int | None
    high: int | None
    if_known: int | None
    reason: str | None

    @property
    def share_of_uncertainty(self) -> float | None:
        """What of the number is started only because the yield is not known better, 0-1."""
        if not self.started or self.if_known is None:
            return None
        return max(0.0, (self.started - self.if_known) / self.started)


def starts(past: Effective, *, parts: int, assurance: float, plates: Plates) -> Starts:
    """How many to start so that at least so many are good, with a chance (0-1) of this assurance.

    past: good parts (x) of those judged (n), as independent ones. 18 of 20 good: 15 starts for 10 good ones at 95 %,
    where 13 would do if the yield were 90 % for certain.
    """
    _asked(parts, assurance)
    if past.n <= 0:
        return Starts(None, None, None, None, None, None, NOTHING_JUDGED)
    known = Posterior.after(past)
    if_known = _least(min(1.0, past.x / past.n), parts=parts, assurance=assurance, plates=plates)
    started = _least(known, parts=parts, assurance=assurance, plates=plates)
    if started is None:
        return Starts(None, None, None, None, None, if_known, TOO_MANY)
    found = good_parts(known, started=started, plates=plates)
    low, high = _range(found)
    return Starts(
        started=started,
        chance=_at_least(parts, found),
        expected=math.fsum((np.arange(started + 1) * found).tolist()),
        low=low,
        high=high,
        if_known=if_known,
        reason=past.reason,
    )


def _asked(parts: int, assurance: float) -> None:
    if parts < 1:
        raise ValueError(f"parts is {parts}, not at least 1")
    if not 0 < assurance < 1:
        raise ValueError(f"assurance is {assurance}, not between 0 and 1")


@dataclass(frozen=True, slots=True)
class TopUp:
    """Two lots: a first, and after its inspection a second for what is missing. None with a `reason`, as above.

    `first` parts are started at once; `second_chance` is that of a second lot. `expected`, `low` and `high` are mean
    and 90 % range of the starts of both; enough are good in the end with this `chance` at least.
    """

    first: int
    second_chance: float | None
    expected: float | None
    low: int | None
    high: int | None
    chance: float | None
    reason: str | None


def top_up(past: Effective, *, parts: int, assurance: float, plates: Plates, first: int | None = None) -> TopUp:
    """What it takes when fewer are started (as many as are needed, unless told), inspected, and the rest is cut then.

    The second lot is as large as what is missing asks for at the same assurance, with what the first lot has shown of
    the yield. So enough are good with at least that chance.
    """
    _asked(parts, assurance)
    started = parts if first is None else first
    if started < 1:
        raise ValueError(f"first is {started}, not at least 1")
    if past.n <= 0:
        return TopUp(started, None, None, None, None, None, NOTHING_JUDGED)
    if max(parts, started) > MOST_STARTS:
        return TopUp(started, None, None, None, None, None, TOO_MANY)
    known = Posterior.after(past)
    found = good_parts(known, started=started, plates=plates)
    shrunk = plates.design_effect(started)

    def second(good: int) -> tuple[int, float] | None:
        shown = known.seen(good / shrunk, (started - good) / shrunk)
        more = _least(shown, parts=parts - good, assurance=assurance, plates=plates)
        if more is None:
            return None
        return more, _at_least(parts - good, good_parts(shown, started=more, plates=plates))

    lots = _second_lots([good for good in range(min(parts, started + 1)) if found[good] >= _NEVER], second)
    if lots is None:
        return TopUp(started, None, None, None, None, None, TOO_MANY)
    totals = np.zeros(started + max((more for more, _ in lots.values()), default=0) + 1)
    enough = [_at_least(parts, found)]
    totals[started] += enough[0]
    for good, (more, chance) in lots.items():
        totals[started + more] += found[good]
        enough.append(float(found[good]) * chance)
    low, high = _range(totals)
    return TopUp(
        first=started,
        second_chance=max(0.0, 1 - enough[0]),
        expected=math.fsum((np.arange(len(totals)) * totals).tolist()),
        low=low,
        high=high,
        chance=min(1.0, math.fsum(enough)),
        reason=past.reason,
    )


def _second_lots(
    counts: list[int], second: Callable[[int], tuple[int, float] | None]
) -> dict[int, tuple[int, float]] | None:
    """How many to start after each of these counts of good parts, in rising order, and the chance that they will do.

    None when one asks for too many. The fewer were good the more it takes: so of many counts some are worked out, and
    those between start what the next worse one does.
    """
    step = max(1, math.ceil(len(counts) / _MOST_COUNTS))
    lots: dict[int, tuple[int, float]] = {}
    for place in range(0, len(counts), step):
        found = second(counts[place])
        if found is None:
            return None
        lots |= dict.fromkeys(counts[place : place + step], found)
    return lots
