"""Holds and released settings as pages: listed, placed, lifted, released and withdrawn by forms that lose nothing."""

from __future__ import annotations

from typing import Any

from tests.service.conftest import Door, cut
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

PLACE = {"machine": "Laser 1", "material": "S355", "thickness_mm": "20", "gas": "oxygen"}
SETTINGS = PLACE | {"name": "O20", "revision": "B", "power_w": "12000", "feed_mm_min": "900,5", "reason": "proven"}


def test_a_hold_is_placed_listed_and_lifted(door: Door) -> None:
    page = opened_page(door, "/holds", key="engineer")
    assert "There are none like this." in words_of(page)
    assert 'role="alert"' not in page.text
    answer = sent_form(door, "/holds", {"plate": " P-7 ", "reason": "pitted <b>"}, key="engineer")
    page = opened_page(door, answer.headers["Location"], key="engineer")
    assert "Plate P-7 with its remnants It is held from now on. pitted <b> State on hold" in words_of(page)
    (row,) = rows_of(opened_page(door, "/holds", key="reader"))
    assert row[:2] == ["Plate P-7 with its remnants", "pitted <b>"]
    name = answer.headers["Location"].partition("?")[0]
    answer = sent_form(door, f"{name}/lifting", {"reason": "blasted", "disposition": "conforms"}, key="engineer")
    assert "The hold is lifted." in words_of(opened_page(door, answer.headers["Location"]))
    page = opened_page(door, name)
    assert "What was found blasted What becomes of it it conforms" in words_of(page)
    assert "<textarea" not in page.text
    assert rows_of(opened_page(door, "/holds")) == []
    assert len(rows_of(opened_page(door, "/holds", state="lifted"))) == 1


def test_a_form_that_is_wrong_comes_back_with_all_that_was_typed(door: Door) -> None:
    typed = {"recipe": "", "revision": "B", "reason": ""}
    answer = sent_form(door, "/holds", typed, status=422)
    assert fields_of(answer)["revision"] == "B"
    assert "mend the fields" in alert_of(answer)
    assert faults_at(answer, "recipe")
    assert faults_at(answer, "reason")
    both = sent_form(door, "/holds", {"plate": "P", "job": "J", "reason": "x"}, status=422)
    assert faults_at(both, "job") == ["is given besides plate; place a hold for each"]
    assert door.read("/v1/holds")["items"] == []


def test_what_only_an_admin_may_lift_is_said(door: Door) -> None:
    answer = sent_form(door, "/holds", {"machine": "L", "reason": "smoke", "may_lift": "admin"})
    name = answer.headers["Location"].partition("?")[0]
    refused = sent_form(door, f"{name}/lifting", {"reason": "fine"}, key="engineer", status=403)
    assert "role admin" in alert_of(refused)
    sent_form(door, f"{name}/lifting", {"reason": "fine"}, key="reader", status=403)


def test_a_finding_leads_to_the_form_that_holds_what_it_is_about(door: Door) -> None:
    door.told(cut("A", machine="Laser 1"))
    (found,) = [one for one in door.findings(kind="new_name") if one["subject_kind"] == "machine"]
    page = opened_page(door, f"/findings/{found['id']}", key="engineer")
    form = fields_of(opened_page(door, links_of(page)["Hold it"].partition("#")[0], key="engineer"))
    assert (form["machine"], form["finding"], form["plate"]) == ("Laser 1", found["id"], "")


def released(door: Door) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = door.read("/v1/releases", state="released")["items"]
    return found


def test_settings_are_released_and_withdrawn_by_forms(door: Door) -> None:
    answer = sent_form(door, "/releases", SETTINGS, key="engineer")
    page = words_of(opened_page(door, answer.headers["Location"], key="engineer"))
    assert "The settings are released." in page
    assert "Recipe O20, revision B Laser 1 · S355 · 20 mm · oxygen State released" in page
    assert released(door)[0]["settings"] == {"feed_mm_min": 900.5, "power_w": 12000}
    sent_form(door, "/releases", SETTINGS | {"revision": "C", "feed_mm_min": "850"}, key="engineer")
    page = words_of(opened_page(door, "/releases", key="reader"))
    assert "Changed against O20 / B Feed, mm/min: 900.5 → 850" in page
    assert "Release settings" not in page
    answer = sent_form(door, "/releases/withdrawal", PLACE | {"reason": "drifts"}, key="engineer")
    assert "The settings are withdrawn." in words_of(opened_page(door, answer.headers["Location"]))
    assert released(door) == []
    assert "drifts" in words_of(opened_page(door, "/releases", state="withdrawn"))


def test_a_release_that_is_wrong_comes_back_with_all_that_was_typed(door: Door) -> None:
    typed = SETTINGS | {"power_w": "much", "revision": "", "thickness_mm": "thick"}
    answer = sent_form(door, "/releases", typed, key="engineer", status=422)
    assert "mend the fields" in alert_of(answer)
    for field in ("power_w", "revision", "thickness_mm"):
        assert faults_at(answer, field), field
    back = fields_of(answer)
    assert {name: back[name] for name in ("power_w", "machine", "reason")} == {
        "power_w": "much", "machine": "Laser 1", "reason": "proven",
    }  # fmt: skip
    sent_form(door, "/releases/withdrawal", PLACE | {"reason": "x"}, key="engineer", status=404)
    sent_form(door, "/releases", SETTINGS, key="reader", status=403)


def test_the_page_of_recipes_shows_cuts_with_other_settings(door: Door) -> None:
    sent_form(door, "/releases", SETTINGS, key="engineer")
    steel = {"material": "S355", "thickness_mm": 20, "machine": "Laser 1", "gas": "oxygen", "quantity": 4}
    recipe = {"name": "O20", "revision": "B", "power_w": 12000}
    at = "2027-01-15T08:30:00Z"
    door.clock.now_us += 3_600_000_000
    door.told(
        cut("as", time=at, recipe=recipe | {"feed_mm_min": 900.5}, good=4, **steel),
        cut("slower", time=at, recipe=recipe | {"feed_mm_min": 850}, good=3, scrap=1, **steel),
    )
    page = words_of(opened_page(door, "/recipes", key="engineer", last="7d"))
    assert "As released, and otherwise" in page
    assert "O20 / B Laser 1 20 mm 4 / 4 3 / 4 Feed, mm/min (1) 0" in page
