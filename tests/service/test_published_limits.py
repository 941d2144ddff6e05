"""Published dose-response sets, posted as events: doses as thicknesses, survivors as good parts, through report limit.

Ids are those of the project's list of published checks; `from memory` where a figure was not read. Our regressor is
ln(thickness), so a dose told by its logarithm is posted as what it is the logarithm of. Each part is an attempt of its
own without a plate: parts are independent, and counts are what was counted.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar

from tests.service.conftest import Door, cut, received

Event = dict[str, Any]
WINDOW = {"from_": "2026-03-02", "to": "2026-03-08"}
#: (thickness, good parts, parts)
Seen = tuple[float, int, int]


def parts(told: Iterable[Seen]) -> list[Event]:
    """Each part an attempt of its own."""
    return [
        cut(f"{mm}-{part}", thickness_mm=round(mm, 6), quantity=1, good=int(part < x), scrap=int(part >= x))
        for mm, x, n in told
        for part in range(n)
    ]


def on_plates(told: Iterable[Seen], *, name: str, **surface: Any) -> list[Event]:
    """Each part on a plate of its own, with such a surface."""
    return [
        each
        for mm, x, n in told
        for part in range(n)
        for each in (
            received(f"{name}-{mm}-{part}", thickness_mm=mm, **surface),
            cut(
                f"{name}-{mm}-{part}", plate=f"{name}-{mm}-{part}", thickness_mm=mm, quantity=1,
                good=int(part < x), scrap=int(part >= x),
            ),
        )
    ]  # fmt: skip


def limit_of(door: Door, events: Sequence[Event], **asked: Any) -> Any:
    """The report as JSON, whose rows are those of the CSV, cell by cell."""
    answer = door.post(list(events), kind="application/x-ndjson")
    assert answer.status_code == 202, answer.text
    assert {item["status"] for item in answer.get_json()["items"]} <= {"accepted"}
    door.count()
    return asked_again(door, **asked)


def asked_again(door: Door, **asked: Any) -> Any:
    report = door.report("limit", **WINDOW, **asked)
    text = door.get("/v1/reports/limit", format="csv", **{"from": "2026-03-02", "to": "2026-03-08"}, **asked).text
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(lines) == len(report["rows"])
    for line, row in zip(lines, report["rows"], strict=True):
        assert list(line) == list(row)
        for column, cell in line.items():
            value = row[column]
            assert (None if cell == "" else cell if isinstance(value, str) else float(cell)) == value, column
    return report


# --- doses ------------------------------------------------------------------------------------------------------

#: DOS-01 [read in stored copy]: Bliss CI (1935), The calculation of the dosage-mortality curve, Annals of Applied
#: Biology 22, 134-167, as analysed in Dobson AJ, An Introduction to Generalized Linear Models; output of the glmlab
#: documentation. (log10 dose, beetles, killed); log-odds of being killed against log10 dose.
BEETLES = (
    (1.6907, 59, 6), (1.7242, 60, 13), (1.7552, 62, 18), (1.7842, 56, 28),
    (1.8113, 63, 52), (1.8369, 59, 53), (1.861, 62, 61), (1.8839, 60, 60),
)  # fmt: skip
BEETLES_INTERCEPT, BEETLES_SLOPE = -60.717455, 34.270326


def test_dos_01_beetles_give_the_published_ld50_and_line(door: Door) -> None:
    report = limit_of(door, parts((10**dose, n - killed, n) for dose, n, killed in BEETLES), target="0.5")
    (row,) = report["rows"]
    assert (row["parts"], row["plates"], row["thicknesses"]) == (481, 481, 8)
    assert row["method"] == "maximum likelihood"
    # LD50: log10 dose 60.717455 / 34.270326 = 1.771721
    assert math.log10(row["thickness_mm"]) == pytest.approx(-BEETLES_INTERCEPT / BEETLES_SLOPE, abs=1e-6)
    (curve,) = report["details"]["curves"]
    assert -curve["slope"] * math.log(10) == pytest.approx(BEETLES_SLOPE, abs=2e-5)
    at_zero = curve["level"] - curve["slope"] * math.log(curve["middle_mm"])
    assert -at_zero == pytest.approx(BEETLES_INTERCEPT, abs=2e-5)
    # The limits lie where the band passes a yield of one half, and the points are the beetles.
    assert row["thickness_low_mm"] < row["promised_mm"] < row["thickness_mm"] < row["thickness_high_mm"]
    assert [(point["parts"], point["good"]) for point in report["details"]["points"]] == [
        (n, n - killed) for _, n, killed in BEETLES
    ]
    assert {point["design_effect"] for point in report["details"]["points"]} == {1.0}


#: DOS-04 [read in stored copy]: R package MASS, ?dose.p (Venables and Ripley, Modern Applied Statistics with S, 4th
#: ed., section 7.2; tobacco budworm), output in its tests: of 20 moths at each dose 2^0 to 2^5 dead males and females.
DEAD_MALES, DEAD_FEMALES = (1, 4, 9, 13, 18, 20), (0, 2, 6, 10, 12, 16)


def test_dos_04_females_as_clean_plate_beside_males_as_disturbed(door: Door) -> None:
    events = [
        *on_plates([(2**dose, 20 - dead, 20) for dose, dead in enumerate(DEAD_FEMALES)], name="f",
                   preparation_grade="Sa 2.5"),
        *on_plates([(2**dose, 20 - dead, 20) for dose, dead in enumerate(DEAD_MALES)], name="m", rust_grade="C"),
    ]  # fmt: skip
    report = limit_of(door, events, target="0.5")
    female, male = report["rows"]
    assert (female["surface_group"], male["surface_group"]) == ("clean", "disturbed")
    assert math.log2(female["thickness_mm"]) == pytest.approx(3.263587, abs=5e-5)
    shift, alike = report["details"]["conditions"]
    assert (alike["condition"], alike["shift"]) == ("thermal history not noted", None)
    assert alike["reason"] == "all plates alike"
    # Both lines have one slope: the males' dose is the females' less the shift over it.
    lines = (math.log(female["thickness_mm"]) - math.log(male["thickness_mm"])) * -female["slope"]
    assert (shift["condition"], -shift["shift"]) == ("disturbed surface", pytest.approx(lines, abs=1e-9))
    quarter = asked_again(door, target="0.75")["rows"][0]
    assert math.log2(quarter["thickness_mm"]) == pytest.approx(2.231265, abs=5e-5)


#: DOS-10 [from memory]: Dalal SR, Fowlkes EB, Hoadley B (1989), JASA 84, 945-957: any O-ring distress on 23 flights at
#: a temperature in degrees F: intercept 15.0429, slope -0.2322.
DISTRESS_F = (53, 57, 58, 63, 70, 70, 75)
NONE_F = (66, 69, 68, 67, 72, 73, 70, 78, 67, 67, 75, 70, 81, 76, 79, 76)


def test_dos_10_o_rings_whose_distress_falls_with_temperature(door: Door) -> None:
    # ln(thickness) is a twentieth of the temperature: 14 to 57 mm. A distressed flight counts as good: it gets rarer.
    told = [
        (math.exp(f / 20), DISTRESS_F.count(f), DISTRESS_F.count(f) + NONE_F.count(f))
        for f in sorted({*DISTRESS_F, *NONE_F})
    ]
    report = limit_of(door, parts(told), target="0.5")
    (curve,) = report["details"]["curves"]
    assert curve["slope"] / 20 == pytest.approx(-0.2322, abs=6e-4)
    assert curve["level"] - curve["slope"] * math.log(curve["middle_mm"]) == pytest.approx(15.0429, abs=6e-4)
    (row,) = report["rows"]
    assert 20 * math.log(row["thickness_mm"]) == pytest.approx(15.0429 / 0.2322, abs=0.2)


# --- separated --------------------------------------------------------------------------------------------------

SEPARATED = ((10, 30, 30), (15, 30, 30), (20, 30, 30), (25, 0, 30))


def penalised(coefficients: Sequence[float]) -> float:
    """Firth's likelihood of SEPARATED, its sign turned: log-likelihood and half the logarithm of the information's
    determinant (Firth D (1993), Biometrika 80, 27-38; for a line of two coefficients by hand)."""
    z = np.log(np.array([mm for mm, _, _ in SEPARATED]) / 15)
    x, n = np.array([x for _, x, _ in SEPARATED]), np.array([n for _, _, n in SEPARATED])
    odds = coefficients[0] + coefficients[1] * z
    share = 1 / (1 + np.exp(-odds))
    weights = n * share * (1 - share)
    apart = np.subtract.outer(z, z) ** 2
    likelihood = -np.sum(x * np.logaddexp(0, -odds) + (n - x) * np.logaddexp(0, odds))
    return -float(likelihood + 0.5 * np.log(weights @ apart @ weights / 2))


def height_with_the_limit_at(mm: float) -> float:
    """Largest penalised likelihood of the lines that pass a yield of 90 % at this thickness."""
    z = math.log(mm / 15)
    found = minimize_scalar(lambda slope: penalised((math.log(9) - slope * z, slope)), bounds=(-150, -1),
                            method="bounded", options={"xatol": 1e-9})  # fmt: skip
    return -float(found.fun)


def test_separated_parts_have_a_finite_limit_with_the_limits_of_the_penalised_profile(door: Door) -> None:
    # The FIR-* sets have regressors that no plate has: they are in tests/worker/stats/test_logistic.py. This one is
    # held against the penalised likelihood itself, written out and searched plainly.
    report = limit_of(door, parts(SEPARATED))
    (row,) = report["rows"]
    assert row["method"] == "Firth's penalised likelihood"
    best = minimize(penalised, (10.0, -40.0), method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13})
    level, slope = best.x
    assert row["thickness_mm"] == pytest.approx(15 * math.exp((math.log(9) - level) / slope), abs=1e-4)
    for limit in (row["thickness_low_mm"], row["thickness_high_mm"]):
        drop = -best.fun - height_with_the_limit_at(limit)
        assert 2 * drop == pytest.approx(1.959964**2, abs=1e-4)
    assert row["thickness_low_mm"] < 20 < row["thickness_mm"] < row["thickness_high_mm"] < 25
    # What is promised is never more than good parts prove: 30 of 30 at 20 mm, whose bound is 0.05^(1/30) = 0.905.
    assert row["promised_mm"] <= 20 == row["proven_mm"]
    assert row["proven_share"] == pytest.approx(0.05 ** (1 / 30), abs=1e-9)


# --- the falling curve ------------------------------------------------------------------------------------------

#: ISO-R1, ISO-R2 [read in stored copy]: R base ?isoreg, output in R tests/Examples/stats-Ex.Rout.save: y and its
#: isotonic regression, which rises; ours falls, so that the first is the thickest.
ISOTONIC = (
    pytest.param((1, 0, 4, 3, 3, 5, 4, 2, 0), (0.5, 0.5, 3, 3, 3, 3, 3, 3, 3), id="ISO-R1"),
    pytest.param((5, 9, 1, 2, 5, 6, 7, 8, 3, 8), (4.25, 4.25, 4.25, 4.25, 5, 6, 6, 6, 6, 8), id="ISO-R2"),
)


@pytest.mark.parametrize(("y", "fitted"), ISOTONIC)
def test_iso_r_monotone_yields_are_the_published_isotonic_regression(
    door: Door, y: Sequence[int], fitted: Sequence[float]
) -> None:
    # Equal weights: so many parts at each thickness, y of them good.
    most = max(y)
    report = limit_of(door, parts((20 + place, good, most) for place, good in enumerate(reversed(y))))
    points = report["details"]["points"]
    assert [point["good"] for point in points] == list(reversed(y))
    assert [most * point["monotone"] for point in points] == pytest.approx(list(reversed(fitted)), abs=1e-9)
    # A break stands at each thickness that lies below the falling curve's share of what is thicker.
    assert {dip["thickness_mm"] for dip in report["details"]["breaks"]} <= {point["thickness_mm"] for point in points}
    assert report["details"]["breaks"]
