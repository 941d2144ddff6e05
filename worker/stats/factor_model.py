"""The model of factors that were varied together: which terms the runs can tell, and the columns that stand for them.

Blocks come first, then interactions of two factors; what cannot be told is left out with a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Final

from worker.sentences import Sentence, sentence
from worker.stats.logistic import Binomial, full_rank

ONE_LEVEL: Final = sentence("cut at one level only")
CONFOUNDED: Final = sentence("goes along with factors named before")
BLOCKS_UNTOLD: Final = sentence(
    "plates cannot be told from what was varied with these runs, so they count as chance between runs"
)
PAIRS_UNTOLD: Final = sentence("these runs do not tell whether one factor changes what another does")

#: Runs beyond what is fitted: with fewer, chance between runs is hardly known, and no interval is of use.
LEAST_SPARE: Final = 3
#: Terms of a fit: more take seconds, and no trial tells them.
MOST_TERMS: Final = 60

Place = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Run:
    """x good of n, 0 <= x <= n, at the levels with these places, one for each factor, in a block."""

    levels: tuple[int, ...]
    block: str
    x: int
    n: int


@dataclass(frozen=True, slots=True)
class Model:
    """Which terms there are. `codes`: for each factor, place of a level -> its columns. runs: those that tell."""

    runs: tuple[Run, ...]
    codes: Mapping[int, Mapping[int, tuple[float, ...]]]
    factors: tuple[int, ...]
    pairs: tuple[Place, ...]
    block_names: tuple[str, ...]
    left_out: tuple[tuple[int, str], ...] = ()
    caveats: tuple[Sentence, ...] = ()
    uninformative: int = 0

    @property
    def blocks(self) -> bool:
        """Blocks are fitted, each with odds of its own."""
        return bool(self.block_names)

    @property
    def width(self) -> int:
        """Columns of the design."""
        return len(self.regressors(self.runs[0]))

    def regressors(self, run: Run, *, moved: Mapping[int, int] | None = None) -> tuple[float, ...]:
        """Of a run, with some factors at other levels than it was cut at."""
        places = [(moved or {}).get(factor, level) for factor, level in enumerate(run.levels)]
        code = {factor: self.codes[factor][places[factor]] for factor in self.factors}
        base = tuple(float(run.block == name) for name in self.block_names) if self.blocks else (1.0,)
        return (*base, *self._terms(code))

    def contrast(self, moved: Mapping[int, Place]) -> tuple[float, ...]:
        """Of a term: what going from one level to another of each of its factors adds."""
        zero = {factor: (0.0,) * self._columns(factor) for factor in self.factors}
        code = zero | {
            factor: tuple(b - a for a, b in zip(self.codes[factor][first], self.codes[factor][second], strict=True))
            for factor, (first, second) in moved.items()
        }
        base = (0.0,) * max(1, len(self.block_names))
        terms = list(self._terms(code))
        if len(moved) > 1:
            # Of a pair only what both do together
            terms[: sum(map(self._columns, self.factors))] = [0.0] * sum(map(self._columns, self.factors))
        return (*base, *terms)

    def data(self, over: float) -> Binomial:
        """What is fitted: counts divided by an overdispersion."""
        return Binomial.of([(self.regressors(run), run.x / over, run.n / over) for run in self.runs])

    def _columns(self, factor: int) -> int:
        return len(next(iter(self.codes[factor].values())))

    def _terms(self, code: Mapping[int, tuple[float, ...]]) -> Iterator[float]:
        for factor in self.factors:
            yield from code[factor]
        for one, other in self.pairs:
            yield from (a * b for a, b in product(code[one], code[other]))


def model_of(runs: Sequence[Run]) -> Model:
    """The richest model that the runs can tell: blocks first, then interactions."""
    cut = {factor: sorted({run.levels[factor] for run in runs}) for factor in range(len(runs[0].levels))}
    codes = {factor: _coded(levels) for factor, levels in cut.items() if len(levels) > 1}
    left_out = [(factor, ONE_LEVEL) for factor in cut if factor not in codes]
    blocks = sorted({run.block for run in runs})
    alone = Model(_collapsed(runs) if len(blocks) > 1 else tuple(runs), codes, (), (), ())
    for factor in codes:
        wider = replace(alone, factors=(*alone.factors, factor))
        if _has_full_rank(wider):
            alone = wider
        else:
            left_out.append((factor, CONFOUNDED))
    telling = [name for name in blocks if _tells([run for run in runs if run.block == name])]
    mine = tuple(run for run in runs if run.block in telling)
    model, caveats, uninformative = alone, list[Sentence](), 0
    if len(blocks) > 1:
        blocked = replace(alone, runs=mine, block_names=tuple(telling))
        if _can_be_told(blocked):
            model, uninformative = blocked, len(blocks) - len(telling)
        else:
            caveats.append(BLOCKS_UNTOLD)
    paired = replace(model, pairs=tuple(combinations(model.factors, 2)))
    if paired.pairs and min(_outcomes(paired.runs)) >= paired.width and _can_be_told(paired):
        model = paired
    elif paired.pairs:
        caveats.append(PAIRS_UNTOLD)
    return replace(model, left_out=tuple(sorted(left_out)), caveats=tuple(caveats), uninformative=uninformative)


def _coded(levels: Sequence[int]) -> dict[int, tuple[float, ...]]:
    """Columns of each level, which add up to zero over them."""
    width = len(levels) - 1
    rest = {level: tuple(float(place == column) for column in range(width)) for place, level in enumerate(levels[1:])}
    return {levels[0]: (-1.0,) * width} | rest


def _collapsed(runs: Sequence[Run]) -> tuple[Run, ...]:
    """Runs of one block at the same levels as one: where blocks are chance, they stand or fall together."""
    found: dict[tuple[str, tuple[int, ...]], Run] = {}
    for run in runs:
        there = found.get((run.block, run.levels))
        added = run if there is None else replace(there, x=there.x + run.x, n=there.n + run.n)
        found[run.block, run.levels] = added
    return tuple(found.values())


def _tells(runs: Sequence[Run]) -> bool:
    return min(_outcomes(runs)) > 0


def _outcomes(runs: Sequence[Run]) -> tuple[int, int]:
    """(good, bad): no more terms can be told than there are of the rarer."""
    good = sum(run.x for run in runs)
    return good, sum(run.n for run in runs) - good


def _can_be_told(model: Model) -> bool:
    if not model.runs or model.width > MOST_TERMS or len(model.runs) - model.width < LEAST_SPARE:
        return False
    return _has_full_rank(model)


def _has_full_rank(model: Model) -> bool:
    return full_rank([model.regressors(run) for run in model.runs])
