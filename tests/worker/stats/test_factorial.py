"""Effects of factors beside a published factorial and statsmodels; any order; what cannot be told; false claims."""

from __future__ import annotations

import math
import random
import warnings
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.factorial_examples import COEFFICIENTS, ERRORS, GERMINATION
from worker.stats.factor_model import BLOCKS_UNTOLD, CONFOUNDED, ONE_LEVEL, PAIRS_UNTOLD, Run
from worker.stats.factorial import ALL_BAD, NOTHING_BAD, NOTHING_COUNTED, TOO_FEW_RUNS, analysed
from worker.stats.logistic import FIRTH, MAXIMUM_LIKELIHOOD
from worker.stats.proportions import quantile

with warnings.catch_warnings():
    # What the library imports may warn of its own dependencies.
    warnings.simplefilter("ignore")
    from statsmodels.api import GLM, families

SEEDS = [Run((seed, extract), f"{plate:02}", x, n) for plate, (seed, extract, x, n) in enumerate(GERMINATION)]


def test_effects_of_a_published_factorial() -> None:
    found = analysed(SEEDS)
    _, seed, extract, both = COEFFICIENTS
    # With 0 and 1 for the levels, as published, an effect is that at the first level of the other factor
    expected = (seed + both / 2, extract + both / 2, both)
    assert [math.log(effect.odds_ratio) for effect in found.effects] == pytest.approx(expected, abs=1e-3)
    assert (found.method, found.pairs, found.blocks, found.left_out) == (MAXIMUM_LIKELIHOOD, True, False, ())
    # Each plate of seeds is a run of its own: how much they vary is Pearson's X2 over 21 - 4 degrees of freedom
    assert found.overdispersion == pytest.approx(1.862, abs=1e-3)
    # Wald's interval of the interaction, with the published error so much wider, is near that of the likelihood
    interaction, error = found.effects[-1], ERRORS[3] * math.sqrt(1.862)
    limits = [both + side * quantile(0.95, found.degrees) * error for side in (-1, 1)]
    assert [math.log(interaction.low), math.log(interaction.high or 0)] == pytest.approx(limits, abs=0.02)
    assert [effect.told for effect in found.effects] == [False, True, False]


def test_effects_are_those_of_an_ordinary_fit_with_a_column_for_each_block() -> None:
    rng = random.Random(3)
    runs = [
        Run((a, b), block, sum(rng.random() < 0.5 + 0.2 * a - 0.1 * b + shift for _ in range(8)), 8)
        for block, shift in (("p", 0.0), ("q", 0.15), ("r", -0.2))
        for a, b in product(range(2), range(3))
    ]
    found = analysed(runs)
    assert (found.blocks, found.pairs, found.method) == (True, True, MAXIMUM_LIKELIHOOD)
    design = np.array(
        [
            [*(run.block == name for name in "pqr"), a, b == 1, b == 2, a * (b == 1), a * (b == 2)]
            for run in runs
            for a, b in [run.levels]
        ],
        dtype=float,
    )
    fit = GLM(np.array([[run.x, run.n - run.x] for run in runs]), design, family=families.Binomial()).fit(tol=1e-14)
    a, b1, b2, ab1, ab2 = fit.params[3:]
    expected = (a + (ab1 + ab2) / 3, b1 + ab1 / 2, b2 + ab2 / 2, ab1, ab2)
    assert [math.log(effect.odds_ratio) for effect in found.effects] == pytest.approx(expected, abs=1e-6)
    assert [(effect.factors, effect.levels) for effect in found.effects] == [
        ((0,), (1,)), ((1,), (1,)), ((1,), (2,)), ((0, 1), (1, 1)), ((0, 1), (1, 2)),
    ]  # fmt: skip
    assert found.overdispersion == pytest.approx(max(1.0, fit.pearson_chi2 / (18 - 8)))
    for effect in found.effects[:3]:
        assert effect.shares is not None
        assert effect.difference is not None
        gap, low, high = effect.difference
        assert low < gap < high
        assert gap == pytest.approx(effect.shares[1] - effect.shares[0])
        # Which way it goes is told by the odds
        assert low >= 0 or effect.low <= 1
        assert high <= 0 or (effect.high or 2) >= 1


counts = st.integers(0, 3)


@given(st.lists(counts, min_size=12, max_size=12), st.randoms(use_true_random=False))
def test_any_order_of_the_runs_gives_the_same(good: list[int], rng: random.Random) -> None:
    cells = product("pqr", product(range(2), range(2)))
    runs = [Run(levels, block, x, 3) for (block, levels), x in zip(cells, good, strict=True)]
    shuffled = rng.sample(runs, len(runs))
    found = analysed(runs)
    assert found == analysed(shuffled)
    for effect in found.effects:
        assert effect.low <= effect.odds_ratio + 1e-9
        assert effect.high is None or effect.odds_ratio <= effect.high + 1e-9
        assert not effect.told or effect.low > 1 or (effect.high or 2) < 1


def test_separated_runs_are_fitted_by_firth_and_have_limits() -> None:
    runs = [Run((level, other), block, 6 * level, 6) for level, other, block in product((0, 1), (0, 1), "pqr")]
    (main, _, _) = found = analysed(runs).effects
    assert analysed(runs).method == FIRTH
    assert main.told
    assert 1 < main.low < main.odds_ratio < (main.high or math.inf)
    assert not any(effect.told for effect in found[1:])


def test_what_cannot_be_told_says_why() -> None:
    assert analysed([]).reason == NOTHING_COUNTED
    assert analysed([Run((0,), "p", 3, 3)]).reason == NOTHING_BAD
    assert analysed([Run((0,), "p", 0, 3)]).reason == ALL_BAD
    four = [Run(levels, "p", x, 4) for x, levels in enumerate(product(range(2), range(2)))]
    assert (analysed(four).reason, analysed(four).effects) == (TOO_FEW_RUNS, ())
    alike = [Run((n % 2, n % 2, 1), "p", 1 + n % 3, 4) for n in range(12)]
    assert analysed(alike).left_out == ((1, CONFOUNDED), (2, ONE_LEVEL))
    whole_plates = [Run((n // 6,), f"{n // 2}", 1 + n % 3, 4) for n in range(12)]
    found = analysed(whole_plates)
    # Two runs on a plate at one level are one: six plates, less two columns
    assert (found.blocks, found.caveats) == (False, (BLOCKS_UNTOLD,))
    assert PAIRS_UNTOLD in analysed([Run(levels, "p", 1 + sum(levels) % 2, 4) for levels in CUBE]).caveats


CUBE = list(product(range(2), range(2), range(2)))


def test_plates_that_are_all_good_are_no_difference() -> None:
    runs = [Run((level,), block, x, 4) for block in "pqr" for level, x in ((0, 4), (1, 2), (0, 3), (1, 1))]
    also = [Run((level,), "s", 4, 4) for level in (0, 1, 0, 1)]
    (alone,), (among,) = analysed(runs).effects, analysed(runs + also).effects
    assert analysed(runs + also).uninformative == 1
    assert among.odds_ratio == alone.odds_ratio
    assert alone.difference is not None
    assert among.difference is not None
    assert among.difference[0] == pytest.approx(alone.difference[0] * 12 / 16)


@pytest.mark.parametrize(("parts", "good", "correlation"), [(4, 0.85, 0.15), (6, 0.8, 0.0)])
def test_without_effects_at_most_one_trial_in_twenty_claims_one(parts: int, good: float, correlation: float) -> None:
    rng = np.random.default_rng(1)
    claimed, trials = 0, 120
    for _ in range(trials):
        runs = []
        for block in "pqrs":
            share = 1 / (1 + math.exp(-(math.log(good / (1 - good)) + rng.normal(0, 0.8))))
            for levels in product(range(2), range(2)):
                mine = share
                if correlation:
                    mine = rng.beta(share * (1 / correlation - 1), (1 - share) * (1 / correlation - 1))
                runs.append(Run(levels, block, int(rng.binomial(parts, mine)), parts))
        claimed += any(effect.told for effect in analysed(runs).effects)
    assert claimed <= 0.05 * trials
