"""A published factorial with a binomial response, for the tests of statistics and of trials."""

from __future__ import annotations

from typing import Final

#: Crowder MJ (1978), Beta-binomial anova for proportions, Applied Statistics 27, 34-37, Table 3; data `orob2` of the R
#: package aod: seeds of Orobanche aegyptiaca 75 and 73 on extract of bean and cucumber, 2 x 2, on 21 plates. (seed,
#: extract, germinated, seeds).
GERMINATION: Final = tuple(
    (seed, extract, x, n)
    for (seed, extract), plates in {
        (0, 0): ((10, 39), (23, 62), (23, 81), (26, 51), (17, 39)),
        (0, 1): ((5, 6), (53, 74), (55, 72), (32, 51), (46, 79), (10, 13)),
        (1, 0): ((8, 16), (10, 30), (8, 28), (23, 45), (0, 4)),
        (1, 1): ((3, 12), (22, 41), (15, 30), (32, 51), (3, 7)),
    }.items()
    for x, n in plates
)
#: Ordinary logistic regression of it as Breslow NE, Clayton DG (1993), J. Amer. Statist. Assoc. 88, 9-25 have it [from
#: memory]: constant, seed, extract, and both, with 0 for O. aegyptiaca 75 and for bean.
COEFFICIENTS: Final = (-0.558, 0.146, 1.318, -0.778)
ERRORS: Final = (0.126, 0.223, 0.177, 0.306)
