"""The pages for admins: settings changed by forms that lose no change, keys shown once, the record of it all."""

from __future__ import annotations

import re
from typing import Any, Final

import pytest

from service.pages.act_terms import ACTS as ACT_WORDS
from service.pages.settings_form import SECTIONS, can_be_typed, changed, filled, settings_of
from service.pages.settings_terms import DOUBTS as DOUBT_WORDS
from service.pages.settings_terms import LIMITS as LIMIT_WORDS
from service.schemas.administration import SITE_SET
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
from worker.administration import ACTS
from worker.plausible_limits import DEFAULT_LIMITS, DOUBTS
from worker.sites import DEFAULTS

RICH: Final[dict[str, Any]] = {
    "zone": "Europe/Berlin",
    "day_start": "05:30",
    "shifts": [{"name": "day shift", "start": "05:30"}, {"name": "night", "start": "17:30"}],
    "rates": {
        "currency": "EUR",
        "labour_per_hour": 48.5,
        "machines": [{"name": "laser-2", "per_hour": 140}],
        "material_per_kg": 0.000001,
        "materials": [{"name": "S355J2+N", "per_kg": 1.15}],
    },
    "targets": {"first_pass_yield": 0.955, "confidence": 0.9, "failed_pierce_rate": 0.02},
    "aliases": [
        {"kind": "material", "name": "S355J2+N", "also": ["S355", "1.0577"], "group": "S355"},
        {"kind": "machine", "name": "laser-2"},
        {"kind": "recipe", "name": "Thick", "group": "thick"},
    ],
    "pierces_by_exception": True,
    "people": "drop",
    "least_people": 5,
    "plausibility": {**DEFAULT_LIMITS, "standoff_most_mm": 5.25, "off": ["sharp_corner", "standoff"]},
    "webhook_hosts": ["erp.plant.example", "10.20.0.0/16"],
}


def test_each_setting_has_its_place_in_a_form() -> None:
    placed = [name for section in SECTIONS.values() for name in section.settings]
    assert sorted(placed) == sorted(DEFAULTS)
    assert DEFAULT_LIMITS.keys() - {"off"} == LIMIT_WORDS.keys()
    assert DOUBTS.keys() == DOUBT_WORDS.keys()
    assert ACTS.keys() == ACT_WORDS.keys()


@pytest.mark.parametrize("settings", [dict(DEFAULTS), RICH], ids=["the first", "rich"])
@pytest.mark.parametrize("name", SECTIONS)
def test_a_form_that_is_sent_as_it_came_says_what_held_and_changes_nothing(name: str, settings: dict[str, Any]) -> None:
    section = SECTIONS[name]
    assert can_be_typed(section, settings)
    said = settings_of(section, filled(section, settings))
    assert changed(section, said, settings) == {}
    if settings is RICH:
        assert SITE_SET.load({"valid_from": "2026-03-02", **said})


def test_names_that_hold_what_divides_a_line_are_left_to_the_door(door: Door) -> None:
    door.set(aliases=[{"kind": "recipe", "name": "thick | thin"}])
    page = opened_page(door, "/site/settings/names")
    assert "PUT /v1/sites/" in words_of(page)
    assert "<textarea" not in page.text


# --- settings ---------------------------------------------------------------------------------------------------


def sent(door: Door, section: str, status: int = 303, **typed: Any) -> Any:
    """The form of a section as it came, with what is typed over it, sent."""
    path = f"/site/settings/{section}"
    return sent_form(door, path, fields_of(opened_page(door, path)) | typed, status=status)


def settings_now(door: Door) -> dict[str, Any]:
    door.count()
    found: dict[str, Any] = door.read(f"/v1/sites/{door.site}")
    return found


def test_a_form_changes_what_was_typed_from_a_day_on_and_nothing_else(door: Door) -> None:
    sent(door, "calendar", valid_from="2026-03-02", shifts="06:00 | early\r\n18:00|late\r\n")
    (change,) = settings_now(door)["changes"]
    assert change["valid_from"] == "2026-03-02"
    assert change["settings"] == {
        **DEFAULTS,
        "shifts": [{"start": "06:00", "name": "early"}, {"start": "18:00", "name": "late"}],
    }
    (act,) = door.read("/v1/administration", act="site.set")["items"]
    assert act["details"]["settings"] == ["shifts"]


def test_rates_and_targets_are_taken_as_a_whole(door: Door) -> None:
    door.set(rates=RICH["rates"])
    sent(door, "rates", machines="laser-2 | 150\nplasma | 80", labour_per_hour="")
    rates = settings_now(door)["settings"]["rates"]
    assert rates["machines"] == [{"name": "laser-2", "per_hour": 150}, {"name": "plasma", "per_hour": 80}]
    assert rates["materials"] == RICH["rates"]["materials"]
    assert "labour_per_hour" not in rates
    sent(door, "targets", first_pass_yield="92.5")
    assert settings_now(door)["settings"]["targets"] == {"first_pass_yield": 0.925}


def test_faults_stand_at_their_fields_and_nothing_typed_is_lost(door: Door) -> None:
    typed = {"zone": "Europe/Berlim", "shifts": "06:00 | early\n6 | late", "valid_from": "soon"}
    page = sent(door, "calendar", status=422, **typed)
    assert faults_at(page, "zone")[0].endswith("nearest: Europe/Berlin")
    assert faults_at(page, "shifts")[0].startswith("line 2, start: must be a time")
    assert faults_at(page, "valid_from")[0].startswith("must be a day")
    assert {name: fields_of(page)[name] for name in typed} == typed
    assert "Nothing was changed yet" in alert_of(page)
    assert faults_at(sent(door, "targets", status=422, confidence="30"), "confidence") == [
        "must be a number from 50 to 100"
    ]
    assert faults_at(sent(door, "rates", status=422, machine_per_hour="120"), "currency")[0].startswith("is missing")
    assert (
        "line 1, per_hour"
        in faults_at(sent(door, "rates", status=422, currency="EUR", machines="a | 1 | 2"), "machines")[0]
    )
    assert settings_now(door)["changes"] == []


def test_a_form_in_which_nothing_was_changed_says_so(door: Door) -> None:
    assert alert_of(sent(door, "people", status=422)) == "Nothing was changed: these settings hold already."


def test_a_setting_that_is_left_empty_is_asked_for_rather_than_left_as_it_was(door: Door) -> None:
    page = sent(door, "calendar", status=422, zone=" ", day_start="")
    assert [len(faults_at(page, name)) for name in ("zone", "day_start")] == [1, 1]


def test_a_fault_names_the_line_that_is_shown(door: Door) -> None:
    page = sent(door, "calendar", status=422, shifts="06:00 | early\r\n\r\n \r\n6 | late\r\n")
    assert faults_at(page, "shifts")[0].startswith("line 2, start")
    assert fields_of(page)["shifts"] == "06:00 | early\n6 | late"


@pytest.mark.parametrize(("typed", "rate"), [("140,5", 140.5), ("0,125", 0.125), ("140.125", 140.125)])
def test_a_number_in_a_line_may_have_a_comma_for_its_point(door: Door, typed: str, rate: float) -> None:
    sent(door, "rates", currency="EUR", machines=f"laser-2 | {typed}")
    assert settings_now(door)["settings"]["rates"]["machines"] == [{"name": "laser-2", "per_hour": rate}]


@pytest.mark.parametrize("typed", ["1,234", "1,234.5", "1.234,5", ",5"])
def test_a_comma_that_may_divide_thousands_is_asked_about(door: Door, typed: str) -> None:
    page = sent(door, "rates", status=422, currency="EUR", machines=f"laser-2 | {typed}")
    assert faults_at(page, "machines")[0].startswith("line 1, per_hour: must be a number")


def test_a_change_that_would_undo_another_is_refused_and_may_be_sent_again(door: Door) -> None:
    path = "/site/settings/people"
    opened_before = fields_of(opened_page(door, path)) | {"least_people": "7"}
    door.set("2026-03-02", people="drop")
    refused = sent_form(door, path, opened_before, status=412)
    assert alert_of(refused).startswith("Somebody changed the settings")
    assert "not kept" in words_of(refused)
    assert fields_of(refused)["least_people"] == "7"
    assert settings_now(door)["settings"]["least_people"] == 3
    sent_form(door, path, fields_of(refused))
    assert settings_now(door)["settings"]["least_people"] == 7


def test_the_site_shows_what_holds_and_how_it_came_to_hold(door: Door) -> None:
    door.set("2026-03-02", **RICH)
    door.set("2026-04-01", least_people=2)
    said = words_of(opened_page(door, "/site"))
    assert "Time zone Europe/Berlin" in said
    assert "95.5 %" in said
    assert said.index("From 1 Apr 2026") < said.index("From 2 Mar 2026")
    assert (
        "From 1 Apr 2026 Least people of a group that is told apart Least people of a group that is told apart 2"
        in said
    )
    assert "Most distance from nozzle to plate, mm 5.25" in said


# --- keys -------------------------------------------------------------------------------------------------------


def secret_of(page: Any) -> str:
    (text,) = re.findall(r"cut_[a-z0-9]{8}_[A-Za-z0-9_-]+", page.text)
    return str(text)


def test_a_key_is_shown_once_and_holds_what_the_form_said(door: Door) -> None:
    fields = {
        "name": "terminal in bay 2", "roles": ["terminal"], "sites": [door.site], "source_prefix": "/terminals/bay-2",
        "expires_at": "2027-02-01",
    }  # fmt: skip
    page = sent_form(door, "/site/keys", fields, status=201)
    secret = secret_of(page)
    assert "shown here once and never again" in words_of(page)
    assert page.headers["Cache-Control"] == "no-store"
    assert door.get("/v1/jobs", key=secret).status_code == 200
    listed = opened_page(door, "/site/keys")
    assert secret.split("_", 2)[2] not in listed.text
    row = next(row for row in rows_of(listed) if row[0] == "terminal in bay 2")
    assert row[1:5] == [secret.split("_")[1], "terminal", door.site, "/terminals/bay-2"]
    # The day named is the last one on which it holds.
    assert row[6].startswith("2 Feb 2027")


def test_a_key_form_that_is_wrong_comes_back_as_it_was_typed(door: Door) -> None:
    fields = {"name": "x", "roles": [], "sites": ["elsewhere"], "source_prefix": "bay 2", "expires_at": "2020-01-01"}
    page = sent_form(door, "/site/keys", fields, status=422)
    assert "is missing" in page.text
    assert faults_at(page, "source_prefix")[0].startswith("must be a URI reference")
    assert fields_of(page)["source_prefix"] == "bay 2"
    assert (
        "there is no such site here"
        in sent_form(door, "/site/keys", fields | {"roles": ["reader"], "source_prefix": ""}, status=422).text
    )
    assert "x" not in [key["name"] for key in door.read("/v1/keys")["items"]]


def test_a_form_for_a_key_that_is_sent_twice_makes_one(door: Door) -> None:
    fields = fields_of(opened_page(door, "/site/keys")) | {"name": "bay 2", "roles": ["terminal"], "sites": [door.site]}
    sent_form(door, "/site/keys", fields, status=201)
    again = sent_form(door, "/site/keys", fields, status=412)
    assert alert_of(again).startswith("A key was made since this form was opened, so none was made now.")
    assert [row[0] for row in rows_of(again)].count("bay 2") == 1
    assert fields_of(again)["name"] == "bay 2"
    sent_form(door, "/site/keys", fields_of(again), status=201)


@pytest.mark.parametrize("typed", ["soon", "9999-12-31", "20300101", "2030-W10-1"])
def test_what_is_no_day_for_the_end_of_a_key_is_asked_for_as_a_day(door: Door, typed: str) -> None:
    page = sent_form(door, "/site/keys", {"name": "x", "roles": ["reader"], "expires_at": typed}, status=422)
    assert faults_at(page, "expires_at") == [f"must be a day such as 2027-03-02; found {typed!r}"]
    assert fields_of(page)["expires_at"] == typed


def test_a_fault_of_what_is_ticked_is_tied_to_its_group(door: Door) -> None:
    page = sent_form(door, "/site/keys", {"name": "x"}, status=422)
    assert faults_at(page, "roles") == ["is missing; give what it may do"]


def test_a_key_is_replaced_and_revoked_after_a_question(door: Door) -> None:
    key = door.key("reader")
    key_id = key.split("_")[1]
    question = opened_page(door, f"/site/keys/{key_id}/replacing")
    replaced = sent_form(door, f"/site/keys/{key_id}/replacing", fields_of(question), status=201)
    successor = secret_of(replaced)
    assert [door.get("/v1/jobs", key=one).status_code for one in (key, successor)] == [200, 200]
    again = sent_form(door, f"/site/keys/{key_id}/replacing", {"overlap_hours": "0"}, status=409)
    assert "was replaced by" in alert_of(again)
    wrong = sent_form(door, f"/site/keys/{key_id}/replacing", {"overlap_hours": "-1"}, status=422)
    assert faults_at(wrong, "overlap_hours")[0].startswith("must be a whole number")
    assert "cannot be taken back" in words_of(opened_page(door, f"/site/keys/{key_id}/revoking"))
    assert door.get("/v1/jobs", key=key).status_code == 200
    assert sent_form(door, f"/site/keys/{key_id}/revoking", {}).headers["Location"].startswith("/site/keys?")
    assert door.get("/v1/jobs", key=key).status_code == 401
    # Sent twice, it was wanted once.
    assert sent_form(door, f"/site/keys/{key_id}/revoking", {}).headers["Location"].startswith("/site/keys?")
    assert "Key" in words_of(opened_page(door, f"/site/keys/{key_id}/revoking"))


def test_keys_of_other_sites_are_neither_listed_nor_touched(door: Door, service: Any) -> None:
    other = service.door()
    key_id = other.keys["reader"].split("_")[1]
    assert key_id not in opened_page(door, "/site/keys").text
    for what in ("replacing", "revoking"):
        opened_page(door, f"/site/keys/{key_id}/{what}", status=404)
        sent_form(door, f"/site/keys/{key_id}/{what}", {}, status=404)
    assert other.get("/v1/jobs", key="reader").status_code == 200


def test_the_record_says_who_did_what(door: Door) -> None:
    door.set("2026-03-02", least_people=2)
    page = opened_page(door, "/site/record", act="site.set")
    (row,) = rows_of(page)
    assert row[2:5] == ["settings changed", door.site, f"admin ({door.keys['admin'].split('_')[1]})"]
    assert links_of(page)[f"Site {door.site}"].startswith("/site?")
    opened_page(door, "/site/record", status=422, act="nonsense")


@pytest.mark.parametrize("path", ["/site", "/site/keys", "/site/record", "/site/settings/rates"])
def test_none_but_admins_see_them(door: Door, path: str) -> None:
    for role in ("engineer", "reader", "erp", "terminal"):
        opened_page(door, path, key=role, status=403)
