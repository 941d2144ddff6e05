"""Thickness tolerances of plate, and its mass, beside restated tables."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.events import inch_to_nm
from worker.plate_standards import Class, Edition, thickness_bounds_mm, thickness_deviations_mm
from worker.plausible_series import plate_mass_kg
from worker.stock import measured_outside


@pytest.mark.parametrize(
    ("edition", "tolerance_class", "nominal_mm", "deviations"),
    [
        # en10029_1991.thickness_dev_mm.01-.10 [read in stored copy]: EN 10029:1991, table 1
        (1991, "A", 6, (-0.4, 1.1)),
        (1991, "A", 12, (-0.5, 1.2)),
        (1991, "D", 20, (-0.95, 0.95)),
        (1991, "A", 30, (-0.8, 1.4)),
        (1991, "A", 8, (-0.5, 1.2)),
        (1991, "D", 40, (-1.4, 1.4)),
        (1991, "A", 4, (-0.4, 0.8)),
        # en10029_2010.thickness_dev_mm.01-.09 [from memory]: EN 10029:2010, table 1, of one width for all classes
        (2010, "A", 6, (-0.4, 0.8)),
        (2010, "A", 12, (-0.5, 0.9)),
        (2010, "A", 20, (-0.6, 1.0)),
        (2010, "A", 25, (-0.7, 1.3)),
        (2010, "D", 20, (-0.8, 0.8)),
        (2010, "B", 8, (-0.3, 1.1)),
    ],
)
def test_thickness_deviations(
    edition: Edition, tolerance_class: Class, nominal_mm: float, deviations: tuple[float, float]
) -> None:
    found = thickness_deviations_mm(nominal_mm, tolerance_class=tolerance_class, edition=edition)
    assert found == pytest.approx(deviations, abs=1e-9)


@given(st.floats(3, 79.9), st.sampled_from((1991, 2010)))
def test_classes_are_of_one_width_and_none_reaches_beyond_the_widest(nominal_mm: float, edition: Edition) -> None:
    found = [thickness_deviations_mm(nominal_mm, tolerance_class=one, edition=edition) for one in ("A", "B", "C", "D")]
    pairs = [one for one in found if one is not None]
    assert len(pairs) == 4
    assert [high - low for low, high in pairs] == pytest.approx([pairs[0][1] - pairs[0][0]] * 4)
    bounds = thickness_bounds_mm(nominal_mm)
    assert bounds is not None
    assert bounds[0] <= nominal_mm + min(low for low, _ in pairs)
    assert bounds[1] >= nominal_mm + max(high for _, high in pairs)


@pytest.mark.parametrize(
    ("nominal_mm", "bounds"),
    [
        # Widths 1.2, 1.9 and 2.8 of 1991: D reaches half of it down, C all of it up; at 3 mm D -0.6
        (2.9, None), (3, (2.4, 4.2)), (20, (19.05, 21.9)), (40, (38.6, 42.8)), (79.9, (78.5, 82.7)), (80, None),
    ],
)  # fmt: skip
def test_widest_tolerance(nominal_mm: float, bounds: tuple[float, float] | None) -> None:
    assert thickness_bounds_mm(nominal_mm) == (None if bounds is None else pytest.approx(bounds))


def test_a_measured_thickness_is_said_only_beyond_the_widest_tolerance() -> None:
    assert [measured_outside(20, mm) for mm in (19.05, 20.3, 21.9)] == [None] * 3
    assert [measured_outside(mm, 1) for mm in (2.9, 80)] == [None] * 2
    found = measured_outside(20, 19.04)
    assert found is not None
    assert (found.code, found.figures) == (
        "measured_thickness",
        {"measured_thickness_mm": 19.04, "thickness_mm": 20, "least_mm": 19.05, "most_mm": 21.9},
    )
    assert found.detail == (
        "a plate of 20 mm measured 19.04 mm, where the widest class of EN 10029 goes from 19.05 to 21.9 mm: unless it "
        "is coil, it is the wrong plate or a wrong entry; measure away from its edges, less the primer"
    )
    # 3/4 in: 19.05 less 0.95
    assert measured_outside(19.05, 18.1) is None
    assert measured_outside(19.05, 18.099999) is not None


# --- mass -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("thickness_mm", "kg"), [(6, 47.1), (12, 94.2), (15, 117.75), (20, 157.0), (25, 196.25), (30, 235.5)]
)
def test_mass_of_a_square_metre(thickness_mm: int, kg: float) -> None:
    # mass.kg_per_m2.01-.08 [read in stored copy]: 7850 kg/m3
    mass = plate_mass_kg(length_mm=1000, width_mm=1000, thickness_nm=thickness_mm * 1_000_000)
    assert mass == pytest.approx(kg, abs=1e-6)


@pytest.mark.parametrize(
    ("length_mm", "width_mm", "thickness_mm", "kg"),
    [(2000, 3000, 20, 942.0), (2000, 3000, 25, 1177.5), (6000, 2000, 12, 1130.4), (2000, 3000, 15, 706.5)],
)
def test_mass_of_a_plate(length_mm: float, width_mm: float, thickness_mm: int, kg: float) -> None:
    # mass.plate_kg.01-.06 [read in stored copy]: table of plate masses, or the same arithmetic
    mass = plate_mass_kg(length_mm=length_mm, width_mm=width_mm, thickness_nm=thickness_mm * 1_000_000)
    assert mass == pytest.approx(kg, abs=1e-6)


@pytest.mark.parametrize(("inch", "pounds"), [("1/4", 10.21), ("1/2", 20.41), ("3/8", 15.31)])
def test_mass_of_a_square_foot(inch: str, pounds: float) -> None:
    # mass.lb_per_ft2.01-.05 [read in stored copy]: US plate table, 0.2836 lb/in3; 1 lb is 0.45359237 kg
    mass = plate_mass_kg(length_mm=304.8, width_mm=304.8, thickness_nm=inch_to_nm(inch))
    assert mass / 0.45359237 == pytest.approx(pounds, abs=0.02)
