"""The page of recipes: two side by side, like with like, their settings, and the best so far."""

from __future__ import annotations

import pytest

from tests.builders import NOW_US
from tests.service.conftest import Door
from tests.service.pages.reading import alert_of, links_of, opened_page, rows_of, words_of
from tests.service.test_reports_recipes import CLEAN, PAIR, WINDOW, faster_but_reworked, plate, recipe, told
from worker import answers
from worker.cautions import CAUTIONS
from worker.reports.catalogue import REPORTS
from worker.reports.reading import open_site
from worker.reports.recipe_settings import settings_beside

DAYS = {"from": WINDOW["from_"], "to": WINDOW["to"]}


def test_two_recipes_stand_side_by_side_with_the_figures_of_the_report(door: Door) -> None:
    told(door, faster_but_reworked())
    (found,) = door.report("recipes", **WINDOW, **PAIR)["details"]["comparisons"]
    page = opened_page(door, "/recipes", key="reader", **DAYS, **PAIR)
    words = words_of(page)
    assert found["verdict"] == "worse"
    assert (
        f"O2 20 / B is worse than O2 20 / A: first-pass yield is {-100 * found['difference']:.1f} points lower" in words
    )
    lines = {line[0]: line[1:] for line in rows_of(page)}
    assert lines["First-pass yield"][:2] == ["100.0 %", "70.0 %"]
    assert lines["First-pass yield"][-1] == "does not explain it"
    assert lines["Time of one pierce, s"][:2] == ["1.5", "1.1"]
    for name, text, half in (
        ("seconds_per_metre", "Machine time, seconds per metre", 0.051),
        ("rework_minutes_per_part", "Rework so far, minutes per part", 0.0051),
    ):
        figures = [found[f"{one}_{name}"] for one in ("first", "second")]
        assert [float(figure) for figure in lines[text][:2]] == pytest.approx(figures, abs=half)
    faster = 100 * (1 - found["seconds_per_metre_ratio"])
    assert lines["Machine time, seconds per metre"][2].startswith(f"\u2212{faster:.1f} % (")
    assert all(caution.split(":")[0] in words for caution in CAUTIONS)


def test_settings_of_both_stand_beside_each_other_and_those_that_differ_are_marked(door: Door) -> None:
    told(door, faster_but_reworked())
    page = opened_page(door, "/recipes", key="reader", **DAYS, **PAIR)
    lines = {line[0]: line[1:] for line in rows_of(page)}
    assert lines["Feed, mm/min (differs)"] == ["1,000", "1,200"]
    assert lines["Power, W"] == ["12,000", "12,000"]


def test_without_names_the_best_so_far_is_shown_and_each_comparison_led_to(door: Door) -> None:
    events = [
        one
        for revision, good in (("A", 10), ("B", 10), ("C", 4))
        for number in range(3)
        for one in plate(f"{revision}{number}", good, 10, settings=recipe(revision), day=number)
    ]
    told(door, events)
    comparisons = door.report("recipes", **WINDOW)["details"]["comparisons"]
    page = opened_page(door, "/recipes", key="reader", **DAYS)
    assert len(comparisons) == 2
    assert f"O2 20 / C is worse than {comparisons[0]['first']}" in words_of(page)
    (address,) = [link for text, link in links_of(page).items() if text.startswith("show")]
    other = words_of(opened_page(door, address, key="reader"))
    assert "Side by side, like with like" in other
    assert "O2 20 / C is worse" not in other


def test_recipes_never_cut_under_like_conditions_are_not_compared(door: Door) -> None:
    told(door, [*plate("a", 9, 10, settings=recipe("A"), mm=20), *plate("b", 9, 10, settings=recipe("B"), mm=30)])
    words = words_of(opened_page(door, "/recipes", key="reader", **DAYS, **PAIR))
    assert "Nothing tells which is better, O2 20 / A or O2 20 / B." in words
    assert "never cut under like conditions" in words


def test_a_recipe_alone_is_shown_with_its_settings(door: Door) -> None:
    told(door, plate("a", 9, 10, settings=recipe("A", power_w=12000), stated=CLEAN))
    page = opened_page(door, "/recipes", key="reader", **DAYS)
    assert "only one recipe was used" in words_of(page)
    assert ["Power, W", "12,000"] in rows_of(page)
    assert any(line[:2] == ["20 mm", "O2 20 / A"] for line in rows_of(page))


@pytest.mark.parametrize(
    ("asked", "said"),
    [({"second": "O2 20 / B"}, "First is missing"), ({"first": "X", "second": "x"}, "is the same recipe as first")],
)
def test_half_a_question_is_refused_with_what_is_missing(door: Door, asked: dict[str, str], said: str) -> None:
    assert said in alert_of(opened_page(door, "/recipes", key="reader", status=422, **asked))


def test_settings_leave_out_what_the_report_leaves_out_of_few_people(door: Door) -> None:
    told(door, plate("a", 9, 10, settings=recipe("A", power_w=12000), operator="A. Haddad"))
    (shift,) = [row["shift"] for row in door.rows("yield", by="shift", from_="2026-01-01", to="2026-01-31")]
    asked = {"from": ["2026-01-01"], "to": ["2026-01-31"], "machine": ["Laser 1"]}
    with door.database.read() as connection:
        reader = open_site(connection, door.site)
        found = [
            settings_beside(reader, answers.asked(reader, REPORTS["recipes"], told_of, now_us=NOW_US), ["O2 20 / A"])
            for told_of in (asked, asked | {"shift": [shift]})
        ]
    assert [[setting.values for setting in settings] for settings in found] == [[(12000,)], []]


def test_an_empty_site_is_told_so(door: Door) -> None:
    assert "Nothing was judged here" in words_of(opened_page(door, "/recipes", key="reader"))
