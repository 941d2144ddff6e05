"""Plates of a shop whose true yield is known: parts of one plate share its luck (beta-binomial)."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from worker.measures import FIRST_PASS, ShareOf

Sums = dict[str, int]
Counts = Any

#: Any two parts of a plate are good together more often than chance gives: the figure of the page of methods.
ALIKE: Final = 0.2
EQUAL: Final = "12 parts a plate"
UNEQUAL: Final = "2 to 30 parts a plate"
#: Parts on a plate, drawn from these: 12 on average both times.
SIZES: Final[dict[str, tuple[int, ...]]] = {EQUAL: (12,), UNEQUAL: (2, 4, 8, 12, 16, 30)}


def chance_of(seed: int, *names: object) -> np.random.Generator:
    """A generator of its own for each case: a case gives the same alone or among others."""
    return np.random.default_rng([seed, zlib.crc32(repr(names).encode())])


def sizes(chance: np.random.Generator, kind: str, shape: tuple[int, ...]) -> Counts:
    """Parts on each plate."""
    return chance.choice(SIZES[kind], size=shape)


def good_parts(chance: np.random.Generator, share: Any, parts: Counts, *, alike: float = ALIKE) -> Counts:
    """Good parts among those of each plate. share: true yield in (0, 1), one or one for each plate."""
    if alike == 0:
        return chance.binomial(parts, share)
    for_one = (1 - alike) / alike
    shares = np.broadcast_to(share, parts.shape)
    return chance.binomial(parts, chance.beta(shares * for_one, (1 - shares) * for_one))


def sums_of(x: Counts, n: Counts, *, of: ShareOf = FIRST_PASS) -> list[Sums]:
    """Sums as the tallies carry them, of each row of clusters: x of n in each cluster; n is above 0."""
    columns = (x.sum(-1), n.sum(-1), np.full(x.shape[:-1], x.shape[-1]), (n * n).sum(-1), (x * x / n).sum(-1))
    names = (of.x, of.n, of.clusters, of.n2, of.x2_over_n_e6)
    return [
        dict(zip(names, (int(good), int(parts), int(many), int(squares), round(1e6 * shares)), strict=True))
        for good, parts, many, squares, shares in zip(*(column.ravel() for column in columns), strict=True)
    ]


def as_if_independent(sums: Sums, *, of: ShareOf = FIRST_PASS) -> Sums:
    """The same parts, each taken for a plate of its own: what a plain method would make of them."""
    x, n = sums[of.x], sums[of.n]
    return {of.x: x, of.n: n, of.clusters: n, of.n2: n, of.x2_over_n_e6: 1_000_000 * x}


def added(groups: Sequence[Sums]) -> Sums:
    """Sums over groups."""
    return {name: sum(group[name] for group in groups) for name in groups[0]}
