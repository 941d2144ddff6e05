"""The run sheet of a trial: every combination as often as planned, blocks alike, the order by its seed alone."""

from __future__ import annotations

from collections import Counter
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.trials.planning import SheetImpossible, run_sheet

LEVELS = st.lists(st.integers(2, 4).map(lambda many: tuple(range(many))), min_size=1, max_size=3)


@given(LEVELS, st.integers(1, 4), st.integers(1, 8), st.integers(0, 2**31 - 1))
def test_a_sheet_holds_every_combination_as_often_as_planned(
    factors: list[tuple[int, ...]], replicates: int, blocks: int, seed: int
) -> None:
    try:
        sheet = run_sheet(factors, replicates=replicates, blocks=blocks, seed=seed, most_runs=1000)
    except SheetImpossible:
        # Whole replicates always go
        assert replicates % blocks != 0
        return
    assert Counter(run.levels for run in sheet) == dict.fromkeys(product(*factors), replicates)
    sizes = Counter(run.block for run in sheet)
    assert sorted(sizes) == list(range(1, blocks + 1))
    assert len(set(sizes.values())) == 1
    assert [run.block for run in sheet] == sorted(run.block or 0 for run in sheet)
    # Whatever a plate does to its runs, it does to all levels of a factor alike
    for block, factor in product(sizes, range(len(factors))):
        mine = Counter(run.levels[factor] for run in sheet if run.block == block)
        assert len(set(mine.values())) == 1
        assert len(mine) == len(factors[factor])
    assert sheet == run_sheet(factors, replicates=replicates, blocks=blocks, seed=seed, most_runs=1000)


def test_a_sheet_has_no_more_runs_than_may_be() -> None:
    with pytest.raises(SheetImpossible, match="makes 12 runs, more than 10"):
        run_sheet([(1, 2), (1, 2, 3)], replicates=2, blocks=2, seed=1, most_runs=10)
