"""Pareto's order: by amount, then by name, what is left over at the end, shares that add up."""

from __future__ import annotations

import random
from decimal import Decimal

import pytest

from worker.stats.pareto import pareto


def test_the_largest_comes_first_and_equal_ones_by_name() -> None:
    found = pareto({"slag_lower_edge": 5, "wide_kerf": 2, "lost_cut": 5, "crack": 8})
    assert [(entry.rank, entry.name, entry.amount) for entry in found] == [
        (1, "crack", 8), (2, "lost_cut", 5), (3, "slag_lower_edge", 5), (4, "wide_kerf", 2),
    ]  # fmt: skip
    assert [entry.share for entry in found] == [0.4, 0.25, 0.25, 0.1]
    assert [entry.cumulative_share for entry in found] == [0.4, 0.65, 0.9, 1.0]


def test_several_and_unstated_stay_behind_without_a_rank_but_count() -> None:
    found = pareto({"unstated": 50, "crack": 30, "several": 20})
    assert [(entry.rank, entry.name, entry.share) for entry in found] == [
        (1, "crack", 0.3), (None, "several", 0.2), (None, "unstated", 0.5),
    ]  # fmt: skip
    assert found[-1].cumulative_share == 1


def test_minutes_as_decimals_are_summed_exactly_and_returned_as_given() -> None:
    found = pareto({str(name): Decimal("0.1") for name in range(10)})
    assert found[2].cumulative_share == 0.3
    assert found[0].amount == Decimal("0.1")


def test_nothing_lost_has_no_shares() -> None:
    assert pareto({}) == ()
    (entry,) = pareto({"crack": 0})
    assert (entry.rank, entry.amount, entry.share, entry.cumulative_share) == (1, 0, None, None)


def test_an_amount_below_0_is_refused() -> None:
    with pytest.raises(ValueError, match="crack has -1"):
        pareto({"crack": -1})


def test_shares_of_random_amounts_add_up_in_any_order() -> None:
    rng = random.Random(6)
    names = ["several", "unstated", *"abcdefgh"]
    for _ in range(2000):
        amounts = {n: rng.choice((0, rng.randint(0, 5), rng.random())) for n in rng.sample(names, rng.randint(1, 10))}
        found = pareto(amounts)
        assert found == pareto(dict(rng.sample(sorted(amounts.items()), len(amounts))))
        ranked = [entry.amount for entry in found if entry.rank is not None]
        assert ranked == sorted(ranked, reverse=True)
        if sum(amounts.values()):
            assert found[-1].cumulative_share == 1
            assert sum(entry.share or 0 for entry in found) == pytest.approx(1)
