"""The shop's truth: a logistic curve in log thickness for each condition."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise, product

import pytest

from demo.truth import LASER_8, LASER_15, MACHINES, Drift, Truth

CONDITIONS = list(
    product(MACHINES, ("clean", "disturbed", "unknown"), ("as_supplied", "thermal_edge", "hardened", "unknown"))
)


@pytest.mark.parametrize(("machine", "surface", "thermal"), CONDITIONS)
def test_true_yield_falls_with_thickness(machine: str, surface: str, thermal: str) -> None:
    condition = {"machine": machine, "surface_group": surface, "thermal_history": thermal}
    yields = [Truth().first_pass_yield(mm, **condition) for mm in (12, 15, 19.05, 20, 25, 25.4, 30, 40)]
    assert all(thinner > thicker for thinner, thicker in pairwise(yields))
    assert all(0 < share < 1 for share in yields)


@pytest.mark.parametrize(("machine", "surface", "thermal"), CONDITIONS)
def test_thickness_at_a_yield_is_the_inverse_of_the_yield(machine: str, surface: str, thermal: str) -> None:
    truth, condition = Truth(), {"machine": machine, "surface_group": surface, "thermal_history": thermal}
    for target in (0.5, 0.8, 0.9, 0.95):
        assert truth.first_pass_yield(truth.thickness_at(target, **condition), **condition) == pytest.approx(target)


def test_the_stronger_laser_reaches_further_and_bad_steel_less_far() -> None:
    truth = Truth()
    assert truth.thickness_at(0.9, machine=LASER_15) > truth.thickness_at(0.9, machine=LASER_8)
    sound = truth.thickness_at(0.9, machine=LASER_8)
    assert truth.thickness_at(0.9, machine=LASER_8, surface_group="disturbed") < sound
    assert truth.thickness_at(0.9, machine=LASER_8, thermal_history="hardened") < sound


def test_failed_pierces_rise_with_thickness_rust_and_drift_until_the_nozzle_is_changed() -> None:
    begins_at = datetime(2026, 3, 2, tzinfo=UTC)
    drift = Drift(LASER_15, begins_at, begins_at + timedelta(days=14), gain=2.0)
    truth = Truth(drift=drift)
    calm = truth.failed_pierce_rate(20, machine=LASER_15)
    assert truth.failed_pierce_rate(40, machine=LASER_15) > calm
    assert truth.failed_pierce_rate(20, machine=LASER_15, surface_group="disturbed") > calm
    rates = [truth.failed_pierce_rate(20, machine=LASER_15, at=begins_at + timedelta(days=day)) for day in range(14)]
    assert rates == sorted(rates)
    assert rates[0] == calm < rates[-1]
    assert truth.failed_pierce_rate(20, machine=LASER_15, at=drift.service_at) == calm
    assert truth.failed_pierce_rate(20, machine=LASER_8, at=drift.service_at - timedelta(days=1)) == pytest.approx(
        truth.failed_pierce_rate(20, machine=LASER_8)
    )
