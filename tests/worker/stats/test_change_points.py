"""The likeliest step: found where it was put, beside a plain search of all splits with the binomial of scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import binom

from worker.stats.change_points import likeliest_step

COUNTS = st.lists(st.integers(1, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), max_size=12)


@pytest.mark.parametrize(
    ("counts", "step"),
    [
        ([(2, 60)] * 10 + [(9, 60)] * 3, 10),
        ([(0, 4)] * 5 + [(4, 4)] * 2, 5),
        ([(0, 4)] * 5, None),
        ([(9, 60)] * 5 + [(1, 60)] * 5, None),
        ([(1, 10)], None),
        ([], None),
    ],
)
def test_a_step_is_found_where_it_was_put(counts: list[tuple[float, float]], step: int | None) -> None:
    assert likeliest_step(counts) == step


@given(COUNTS)
def test_no_other_split_is_likelier(counts: list[tuple[int, int]]) -> None:
    def fit(index: int) -> float:
        """Log likelihood of the split, by scipy; -inf where the later share is not the larger."""
        shares = [sum(x for x, _ in half) / sum(n for _, n in half) for half in (counts[:index], counts[index:])]
        if shares[1] <= shares[0]:
            return -math.inf
        return math.fsum(
            binom.logpmf(x, n, share)
            for half, share in zip((counts[:index], counts[index:]), shares, strict=True)
            for x, n in half
        )

    found = likeliest_step(counts)
    fits = {index: fit(index) for index in range(1, len(counts))}
    likeliest = max(fits.values(), default=-math.inf)
    if found is None:
        assert likeliest == -math.inf
    else:
        assert fits[found] == pytest.approx(likeliest)


@given(COUNTS, st.floats(0.5, 20))
def test_counts_of_a_design_effect_have_their_step_at_the_same_point(
    counts: list[tuple[int, int]], effect: float
) -> None:
    whole = likeliest_step(counts)
    assume(whole is not None)
    scaled = likeliest_step([(x / effect, n / effect) for x, n in counts])
    assert scaled is not None
