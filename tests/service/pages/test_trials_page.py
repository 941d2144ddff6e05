"""Trials as pages: planned by a form, printed as a run sheet, told with their effects, concluded."""

from __future__ import annotations

import pytest

from tests.service.conftest import Door
from tests.service.pages.reading import (
    alert_of,
    faults_at,
    fields_of,
    links_of,
    opened_page,
    rows_of,
    sent_form,
    words_of,
)
from tests.service.test_trials import cut_all, planned, trial

FORM = {
    "id": "TR-1", "question": "which feed?", "machine": "Laser 2", "material": "S355", "thickness_mm": "20",
    "response": "first_pass", "factor_1": "feed_mm_min", "levels_1": "850, 950", "factor_2": "gas_pressure_bar",
    "levels_2": "0,7 0,9", "replicates": "2",
}  # fmt: skip


def test_a_trial_is_planned_by_the_form_once(door: Door) -> None:
    page = opened_page(door, "/trials", key="engineer")
    blank = fields_of(page)
    assert blank["id"].startswith("TR-")
    answers = [sent_form(door, "/trials", FORM, key="engineer") for _ in range(2)]
    assert {answer.headers["Location"] for answer in answers} == {f"/trials/TR-1?site={door.site}&done=planned"}
    assert len(door.read("/v1/events", type="cutledger.trial.planned")["items"]) == 1
    told = trial(door)
    assert [factor["levels"] for factor in told["plan"]["factors"]] == [[850, 950], [0.7, 0.9]]
    sheet = opened_page(door, "/trials/TR-1", key="reader", done="planned")
    assert "It is planned. Print this page: it is the run sheet." in words_of(sheet)
    rows = rows_of(sheet)[:8]
    assert [row[:4] for row in rows] == [
        [str(run["run"]), str(run["block"]), *(f"{level:g}" for level in run["levels"])] for run in told["sheet"]
    ]
    # Boxes to write in
    assert all(row[4:7] == ["", "", ""] for row in rows)
    (row,) = rows_of(opened_page(door, "/trials", key="reader"))
    assert row[:2] == ["TR-1", "which feed?"]
    assert row[5:7] == ["planned", "0 of 8"]
    assert links_of(opened_page(door, "/trials", key="reader"))["TR-1"].startswith("/trials/TR-1")


@pytest.mark.parametrize(
    ("typed", "field", "why"),
    [
        ({"thickness_mm": "thick"}, "thickness_mm", "must be"),
        ({"levels_1": "850 fast"}, "factors", "line 1"),
        ({"levels_1": "850"}, "factors", "two levels or more"),
        ({"blocks": "7"}, "blocks", "2 replicates divide"),
        ({"replicates": "many"}, "replicates", "must be"),
        ({"question": ""}, "question", "is missing"),
    ],
)
def test_what_makes_no_plan_is_said_at_its_field_and_nothing_typed_is_lost(
    door: Door, typed: dict[str, str], field: str, why: str
) -> None:
    page = sent_form(door, "/trials", FORM | typed, key="engineer", status=422)
    assert "Nothing was planned yet" in alert_of(page)
    assert why in " ".join(faults_at(page, field))
    kept = fields_of(page)
    for name, value in (FORM | typed).items():
        assert kept[name] in (value, [value]), name


def test_another_plan_under_the_id_is_said(door: Door) -> None:
    planned(door)
    page = sent_form(door, "/trials", FORM, key="engineer", status=409)
    assert "'TR-1' is planned otherwise" in alert_of(page)


def test_effects_the_planned_levels_and_the_conclusion_stand_on_the_page(door: Door) -> None:
    told = planned(door, replicates=4)
    door.told(*cut_all(told, {950: 3}))
    page = opened_page(door, "/trials/TR-1", key="engineer")
    said, found = words_of(page), trial(door)
    assert 'class="picture"' in page.text
    assert "Feed, mm/min: 950 instead of 850" in said
    for text in (found["detail"], found["best"]["detail"], *(one["detail"] for one in found["effects"]),
                 *found["notes"], *found["cautions"]):  # fmt: skip
        assert f"{text[:1].upper()}{text[1:]}" in said
    gone = sent_form(door, "/trials/TR-1/conclusion", {"reason": "complete", "conclusion": ""}, status=422)
    assert faults_at(gone, "conclusion")
    sent = {"reason": "complete", "conclusion": "keep the feed\r\nat 850"}
    answer = sent_form(door, "/trials/TR-1/conclusion", sent, key="engineer")
    assert answer.headers["Location"].startswith("/trials/TR-1?")
    assert trial(door)["concluded"]["conclusion"] == "keep the feed\nat 850"
    after = opened_page(door, "/trials/TR-1", key="engineer", done="concluded")
    assert "It is concluded. All was cut" in words_of(after)
    assert 'name="conclusion"' not in after.text
    other = sent_form(door, "/trials/TR-1/conclusion", sent | {"conclusion": "other"}, key="engineer", status=409)
    assert "has ended with another conclusion" in words_of(other)


def test_readers_see_trials_and_no_forms(door: Door) -> None:
    planned(door)
    for path in ("/trials", "/trials/TR-1"):
        assert 'method="post"' not in opened_page(door, path, key="reader").text.partition("<main")[2]
    opened_page(door, "/trials/TR-none", key="reader", status=404)
    sent_form(door, "/trials", FORM, key="reader", status=403)


def test_the_next_run_is_marked(door: Door) -> None:
    planned(door)
    page = opened_page(door, "/trials/TR-1", key="reader")
    assert page.text.count('class="next"') == 1
    assert "next by the sheet: run 1 with feed (mm/min)" in words_of(page)
