"""Ranges, designations, scope and limit deviations beside published restatements of ISO 9013."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.edge_quality import (
    NO_SUCH_SIZE,
    NOT_HELD,
    Designation,
    in_scope,
    limit_deviation,
    range_held,
    rz5_limit_um,
    rz5_range,
    u_limit_mm,
    u_range,
)


@pytest.mark.parametrize(
    ("thickness_mm", "number", "limit"),
    [
        # iso9013.u_limit_mm.01-.18 [read in stored copy]: ISO 9013:2017, formulas of the ranges of u
        (6, 1, 0.068), (6, 4, 0.92), (12, 2, 0.234), (25, 1, 0.125), (30, 2, 0.36), (8, 3, 0.48), (10, 1, 0.08),
        (15, 2, 0.255), (32, 5, 2.32), (0.5, 1, 0.0515), (22, 2, 0.304), (9.525, 4, 0.9905),
        # the same formulas at 20 mm
        (20, 1, 0.11), (20, 2, 0.29), (20, 3, 0.6), (20, 4, 1.2), (20, 5, 1.9),
    ],
)  # fmt: skip
def test_u_limit(thickness_mm: float, number: int, limit: float) -> None:
    assert u_limit_mm(number, thickness_mm=thickness_mm) == pytest.approx(limit, abs=1e-9)


@pytest.mark.parametrize(
    ("thickness_mm", "number", "limit"),
    [
        # iso9013.rz5_limit_um.01-.12 [read in stored copy]: ISO 9013:2017, formulas of the ranges of Rz5
        (6, 1, 13.6), (12, 3, 84.4), (25, 4, 155.0), (30, 1, 28.0), (8, 2, 46.4), (16, 3, 89.2), (15, 1, 19.0),
        (22, 3, 96.4),
        # the same formulas at 20 mm
        (20, 1, 22), (20, 2, 56), (20, 3, 94), (20, 4, 146),
    ],
)  # fmt: skip
def test_rz5_limit(thickness_mm: float, number: int, limit: float) -> None:
    assert rz5_limit_um(number, thickness_mm=thickness_mm) == pytest.approx(limit, abs=1e-9)


@pytest.mark.parametrize("number", [0, 5, -1])
def test_limit_of_a_range_that_is_none_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match=f"range {number} is not one of 1 to 4"):
        rz5_limit_um(number, thickness_mm=20)


@pytest.mark.parametrize(
    ("thickness_mm", "u_mm", "number"),
    [
        # iso9013.u_classify.03-.12 [read in stored copy]: the limit itself is inside, worse than range 5 is none
        (20, 0.12, 2), (12, 0.5, 3), (12, 1.63, None), (6, 0.46, 3), (30, 2.3, None), (16, 0.17, 2), (10, 0.5, 3),
        (15, 1.12, 5), (20, 0, 1), (20, 0.1100001, 2),
    ],
)  # fmt: skip
def test_u_range(thickness_mm: float, u_mm: float, number: int | None) -> None:
    assert u_range(u_mm, thickness_mm=thickness_mm) == number


@pytest.mark.parametrize(
    ("thickness_mm", "rz5_um", "number"),
    [
        # iso9013.rz5_classify.01-.09 [read in stored copy]: worse than range 4 is none
        (20, 22.0, 1), (25, 156, None), (12, 60, 3), (30, 100, 3), (16, 48, 2), (10, 129, None), (25, 155, 4),
    ],
)  # fmt: skip
def test_rz5_range(thickness_mm: float, rz5_um: float, number: int | None) -> None:
    assert rz5_range(rz5_um, thickness_mm=thickness_mm) == number


@given(st.integers(1, 5), st.floats(0.5, 100))
def test_a_reading_at_its_limit_is_inside_and_one_beyond_is_not(number: int, thickness_mm: float) -> None:
    limit = u_limit_mm(number, thickness_mm=thickness_mm)
    assert u_range(limit, thickness_mm=thickness_mm) == number
    assert u_range(limit * (1 + 1e-9), thickness_mm=thickness_mm) == (number + 1 if number < 5 else None)


@given(st.floats(0, 500), st.floats(0, 500), st.floats(0.5, 100))
def test_a_rougher_cut_is_in_no_better_range(one: float, other: float, thickness_mm: float) -> None:
    better, worse = (rz5_range(each, thickness_mm=thickness_mm) or 9 for each in sorted((one, other)))
    assert better <= worse


@pytest.mark.parametrize(
    ("ranges", "share", "held"),
    [
        ([], 0.95, None),
        ([None], 0.95, None),
        ([2], 0.95, 2),
        # 19 of 20 are 95 %: the one outside all ranges is left over
        ([*[1] * 10, *[3] * 9, None], 0.95, 3),
        ([*[1] * 10, *[3] * 8, None, None], 0.95, None),
        ([*[1] * 19, 4], 0.95, 1),
        ([*[1] * 18, 4, 2], 0.95, 2),
        # 0.07 x 100 is 7.000000000000001 in floats, yet 7 of 100 are 7 %
        ([*[1] * 7, *[2] * 93], 0.07, 1),
    ],
)
def test_range_held_is_the_smallest_that_so_many_keep_to(
    ranges: list[int | None], share: float, held: int | None
) -> None:
    assert range_held(ranges, share=share) == held
    assert range_held(ranges[::-1], share=share) == held


@pytest.mark.parametrize(
    ("text", "designation"),
    [
        # iso9013.designation_parse.01-.08 [read in stored copy]: u range, Rz5 range, tolerance class; 0 is unspecified
        ("ISO 9013-342", Designation(3, 4, 2)),
        ("ISO 9013-312:2017", Designation(3, 1, 2, 2017)),
        ("ISO 9013-042", Designation(None, 4, 2)),
        ("ISO 9013-540", Designation(5, 4, None)),
        ("ISO 9013-351", None),
        ("ISO 9013-343", None),
        ("ISO 9013-000:2002", Designation(None, None, None, 2002)),
        ("ISO 9013-342:1992", None),
        ("ISO 9013-642", None),
        ("ISO 9013-34", None),
        ("ISO 9013-3420", None),
        ("iso 9013-342", None),
        (" ISO 9013-342", None),
        ("ISO 9013-342\n", None),
        ("ISO 9013-٣42", None),
        ("", None),
    ],
)
def test_designation_is_read(text: str, designation: Designation | None) -> None:
    assert Designation.parse(text) == designation
    assert designation is None or str(designation) == text


@given(st.text(max_size=20) | st.from_regex(r"ISO 9013-[0-9]{2,4}(:[0-9]{4})?", fullmatch=True))
def test_what_is_read_is_written_the_same(text: str) -> None:
    found = Designation.parse(text)
    assert found is None or str(found) == text


@pytest.mark.parametrize(
    ("edition", "thickness_mm", "inside"),
    [
        # iso9013.laser_scope.01-.06 [read in stored copy]: scope statements of the two editions
        (2017, 32, True), (2017, 32.1, False), (2017, 0.5, True), (2017, 0.4, False), (2002, 40, True),
        (2002, 40.1, False),
    ],
)  # fmt: skip
def test_laser_scope(edition: int, thickness_mm: float, inside: bool) -> None:
    assert in_scope(thickness_mm, edition=2002 if edition == 2002 else 2017) is inside


def test_scope_of_other_processes_is_that_of_the_abstract_of_2017() -> None:
    # [read]: abstract of ISO 9013:2017, flame cuts from 3 mm to 300 mm, plasma cuts from 0.5 mm to 150 mm
    assert [in_scope(mm, edition=2017, process="oxyfuel") for mm in (2.9, 3, 300, 301)] == [False, True, True, False]
    assert [in_scope(mm, edition=2017, process="plasma") for mm in (0.4, 0.5, 150, 151)] == [False, True, True, False]
    assert in_scope(20, edition=2002, process="plasma") is None


@pytest.mark.parametrize(
    ("tolerance_class", "thickness_mm", "nominal_mm", "deviation_mm"),
    [
        # iso9013.dim_class1_2017_mm.02-.25 [read in stored copy]: ISO 9013:2017, limit deviations of class 1
        (1, 6, 100, 0.25), (1, 6, 500, 0.4), (1, 12, 500, 0.55), (1, 12, 1500, 0.65), (1, 20, 500, 0.75),
        (1, 25, 100, 0.6), (1, 6.3, 125, 0.3), (1, 10, 10, 0.3), (1, 20, 9.9, 0.4), (1, 25, 3, 0.45), (1, 32, 35, 0.7),
        (1, 8, 1000, 0.55), (1, 16, 6000, 2.8), (1, 12, 7999, 2.5),
        # iso9013.dim_class2_2017_mm.01-.12 [read in stored copy]: the same of class 2
        (2, 6, 100, 0.9), (2, 6, 20, 0.9), (2, 10, 500, 1.5), (2, 12, 100, 1.8), (2, 12, 1500, 3.0), (2, 20, 500, 2.3),
        (2, 15, 5000, 4.3), (2, 18, 1000, 3.0),
    ],
)  # fmt: skip
def test_limit_deviation(tolerance_class: int, thickness_mm: float, nominal_mm: float, deviation_mm: float) -> None:
    found = limit_deviation(nominal_mm, thickness_mm=thickness_mm, tolerance_class=tolerance_class)
    assert (found.plus_minus_mm, found.reason, found.edition) == (deviation_mm, None, 2017)


@pytest.mark.parametrize(
    ("tolerance_class", "upto_mm", "row"),
    [
        # A published restatement [read]; class 1 from 3.15 mm up to sizes of 4,000 mm was noted twice
        (1, 6.3, (0.2, 0.2, 0.25, 0.25, 0.3, 0.4, 0.45, 0.7, 1.1, 1.9)),
        (1, 10, (None, 0.25, 0.3, 0.3, 0.35, 0.45, 0.55, 0.75, 1.25, 2.2)),
        (1, 15, (None, 0.3, 0.35, 0.4, 0.45, 0.55, 0.65, 0.85, 1.5, 2.5)),
        (1, 20, (None, 0.4, 0.4, 0.45, 0.55, 0.75, 0.85, 1.2, 1.9, 2.8)),
        (1, 25, (None, 0.45, 0.5, 0.6, 0.7, 0.9, 1.1, 1.6, 2.4, 3.25)),
        (1, 32, (None, None, 0.7, 0.7, 0.8, 1, 1.6, 2.25, 3, 4)),
        (1, 50, (None, None, 0.7, 0.7, 0.8, 1, 1.6, 2.5, 3.8, 5)),
        (1, 100, (None, None, 1.3, 1.3, 1.4, 1.7, 2.2, 3.1, 4.4, 5.6)),
        # The rest once [read]
        (1, 1, (0.075, 0.1, 0.1, 0.2, 0.2, 0.3, 0.4, 0.65, 0.9, 1.6)),
        (1, 3.15, (0.1, 0.15, 0.2, 0.25, 0.25, 0.35, 0.4, 0.65, 1, 1.75)),
        (2, 3.15, (0.6, 0.6, 0.7, 0.7, 0.8, 0.9, 1, 1.1, 1.4, 1.4)),
        (2, 6.3, (0.7, 0.8, 0.9, 0.9, 1.1, 1.2, 1.3, 1.3, 1.6, 1.6)),
        (2, 10, (None, 1, 1.1, 1.3, 1.4, 1.5, 1.6, 1.7, 1.9, 2)),
        (2, 15, (None, 1.8, 1.8, 1.8, 1.9, 2.3, 3, 4.2, 4.3, 4.5)),
        (2, 20, (None, 1.8, 1.8, 1.8, 1.9, 2.3, 3, 4.2, 4.3, 4.5)),
    ],
)
def test_limit_deviations_of_a_thickness(tolerance_class: int, upto_mm: float, row: tuple[float | None, ...]) -> None:
    firsts = (0.1, 3, 10, 35, 125, 315, 1000, 2000, 4000, 6000)
    lasts = (2.99, 9.99, 34.99, 124.99, 314.99, 999.99, 1999.99, 3999.99, 5999.99, 7999.99)
    for sizes in (firsts, lasts):
        found = [limit_deviation(size, thickness_mm=upto_mm, tolerance_class=tolerance_class) for size in sizes]
        assert tuple(one.plus_minus_mm for one in found) == row
        assert {one.reason for one in found if one.plus_minus_mm is None} <= {NO_SUCH_SIZE}


@pytest.mark.parametrize(
    ("tolerance_class", "edition", "thickness_mm", "nominal_mm", "reason"),
    [
        # iso9013.dim_class1_2017_mm.19, .21, .26, dim_class2_2017_mm.10 [read in stored copy]: no value there
        (1, 2017, 25, 2.9, NO_SUCH_SIZE),
        (1, 2017, 32, 9, NO_SUCH_SIZE),
        (1, 2017, 12, 8000, NO_SUCH_SIZE),
        (2, 2017, 10, 2, NO_SUCH_SIZE),
        (1, 2017, 20, 0, NO_SUCH_SIZE),
        (1, 2017, 100.1, 500, NOT_HELD),
        (2, 2017, 20.1, 500, NOT_HELD),
        (2, 2017, 1, 500, NOT_HELD),
        (1, 2002, 20, 500, NOT_HELD),
        (3, 2017, 20, 500, NOT_HELD),
        (1, 2017, 0, 500, NOT_HELD),
    ],
)
def test_limit_deviation_that_is_not_held_says_why(
    tolerance_class: int, edition: int, thickness_mm: float, nominal_mm: float, reason: str
) -> None:
    found = limit_deviation(
        nominal_mm,
        thickness_mm=thickness_mm,
        tolerance_class=tolerance_class,
        edition=2002 if edition == 2002 else 2017,
    )
    assert (found.plus_minus_mm, found.reason, found.edition) == (None, reason, edition)


@given(st.sampled_from((1, 2)), st.floats(1.01, 100), st.floats(0.01, 9000), st.floats(0.01, 9000))
def test_larger_sizes_may_differ_no_less(tolerance_class: int, thickness_mm: float, one: float, other: float) -> None:
    found = [
        limit_deviation(size, thickness_mm=thickness_mm, tolerance_class=tolerance_class).plus_minus_mm
        for size in sorted((one, other))
    ]
    assert None in found or found[0] <= found[1]  # type: ignore[operator]
