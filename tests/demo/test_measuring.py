"""What the invented shop's inspectors measured, and how long cuts took: what was planted is found, and edges answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from demo.truth import LASER_8, LASER_15, Truth
from tests.builders import SITE, told
from tests.demo.shop_floor import LAST_DAY, opened, shop_of
from worker.reports.catalogue import REPORTS
from worker.reports.questions import read_question
from worker.reports.reading import open_site
from worker.reports.report import Report


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Report]:
    """Sizes, sizes by machine, edges and times of three weeks."""
    folder: Path = tmp_path_factory.mktemp("measuring")
    shop = shop_of(2, weeks=3)
    asked: dict[str, tuple[str, dict[str, list[str]]]] = {
        "edges": ("edges", {}), "sizes": ("sizes", {}), "sizes by machine": ("sizes", {"by": ["machine"]}),
        "times": ("times", {"by": ["machine"]}),
    }  # fmt: skip
    with opened(shop, folder) as database:
        told(database, *shop.events)
        with database.read() as connection:
            reader = open_site(connection, SITE)
            return {
                words: entry.answer(
                    reader,
                    read_question(given, today=LAST_DAY, settings=reader.calendar.latest, askable=entry.askable),
                )
                for words, (name, given) in asked.items()
                for entry in (REPORTS[name],)
            }


@pytest.mark.parametrize("machine", [LASER_8, LASER_15])
def test_sizes_find_the_planted_offset_with_its_sign(reports: dict[str, Report], machine: str) -> None:
    truth = Truth().size_offset_mm[machine]
    rows: list[dict[str, Any]] = [row for row in reports["sizes by machine"].rows if row["machine"] == machine]
    assert [row["feature"] for row in rows] == ["outside", "inside", "distance"]
    for row in rows[:2]:
        assert 0 < row["offset_low_mm"] < truth < row["offset_high_mm"]
        # It holds all thicknesses and recipes, which a kerf could differ by
        assert (row["advice"], row["path_towards_part_mm"]) == ("divide", None)
    for row, planted in zip(rows, (truth, -truth, 0.0), strict=True):
        assert row["mean_deviation_mm"] == pytest.approx(planted, abs=0.04)
        assert row["readings"] > 20


def test_a_correction_that_is_due_has_the_planted_sign_and_size(reports: dict[str, Report]) -> None:
    rows = [row for row in reports["sizes"].rows if row["feature"] != "distance" and row["offset_low_mm"] is not None]
    held = [row["offset_low_mm"] < Truth().size_offset_mm[row["machine"]] < row["offset_high_mm"] for row in rows]
    assert len(held) >= 10
    assert sum(held) >= 0.9 * len(held)
    due = [row for row in rows if row["path_towards_part_mm"] is not None]
    assert due
    for row in due:
        truth = Truth().size_offset_mm[row["machine"]]
        assert row["path_towards_part_mm"] == pytest.approx(truth / 2, abs=0.03)


def test_edges_hold_what_the_inspectors_measured(reports: dict[str, Report]) -> None:
    # Rz5 is 25 + 1.9 a micrometres, u 0.1 + 0.009 a mm at the thickness a, both by a factor e^(0.18 z)
    for row in reports["edges"].rows:
        if row["rz5_readings"] >= 30:
            assert row["rz5_median_um"] == pytest.approx(25 + 1.9 * row["thickness_mm"], rel=0.1)
            assert row["u_median_mm"] == pytest.approx(0.1 + 0.009 * row["thickness_mm"], rel=0.1)
            assert row["u_range_held"] in (2, 3)
            assert row["u_met"] is not None
    assert sum(row["rz5_readings"] >= 30 for row in reports["edges"].rows) >= 2
    assert any(row["dross_readings"] for row in reports["edges"].rows)


def test_cuts_take_as_much_more_than_the_plan_as_was_planted(reports: dict[str, Report]) -> None:
    # Each takes 1.02 to 1.3 times what is planned, each as likely.
    report = reports["times"]
    whole = report.details
    assert whole["time_ratio_low"] < 1.16 < whole["time_ratio_high"]
    assert whole["time_ratio_median"] == pytest.approx(1.16, abs=0.02)
    assert whole["time_ratio_p90"] == pytest.approx(1.272, abs=0.01)
    assert whole["planned_share"] == 1
    for row in report.rows:
        assert row["time_ratio"] < row["good_part_ratio"]
        assert row["seconds_per_metre_low"] < row["seconds_per_metre"] < row["seconds_per_metre_high"]
