"""What was planted in the invented shop is found, with its sign; where nothing was planted, nothing is."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from demo.shop import CAUSES
from tests.conftest import THOROUGH
from tests.demo.shop_floor import found_at_the_end, shop_of


@pytest.mark.parametrize("seed", [1, 7] if THOROUGH else [7])
def test_each_planted_cause_is_found_with_its_sign(seed: int, tmp_path: Path) -> None:
    shop = shop_of(seed)
    found = {(one.code, one.subject, one.other): one for one in found_at_the_end(shop, tmp_path)}
    drift = shop.stories.drift
    assert drift is not None
    rise = found["pierces_rose", drift.machine, ""].figures
    # The likeliest day of a step is an estimate: a few bad days before may be taken for part of it.
    first = drift.begins_at.date() - timedelta(days=4)
    assert first <= date.fromisoformat(rise["since"]) <= drift.service_at.date()
    assert rise["share"] > 2 * rise["share_before"]
    assert rise["services_since"][-1]["what"] == "nozzle"
    rust = found["condition_costs", "main", "surface"].figures
    assert rust["heats"][0]["heat_number"] == shop.stories.oxidised_heat
    assert 0 < rust["difference_low"] < rust["difference"]
    assert found["condition_costs", "main", "thermal_history"].figures["difference_low"] > 0


def test_where_nothing_was_planted_nothing_is_found(tmp_path: Path) -> None:
    assert found_at_the_end(shop_of(7, without=CAUSES), tmp_path) == []
