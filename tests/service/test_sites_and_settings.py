"""Sites, and their settings from a production day on: a change is an event, and what it touches is counted anew."""

from __future__ import annotations

from typing import Any

import pytest

from tests.builders import NOW_US, embedded, event
from tests.service.conftest import Door, cut, opened, void
from worker.plausible_limits import DEFAULT_LIMITS
from worker.reports.reading import open_site

DEFAULTS = {
    "zone": "UTC",
    "day_start": "06:00",
    "shifts": [
        {"name": "early", "start": "06:00"},
        {"name": "late", "start": "14:00"},
        {"name": "night", "start": "22:00"},
    ],
    "rates": {},
    "targets": {},
    "aliases": [],
    "pierces_by_exception": False,
    "people": "pseudonym",
    "least_people": 3,
    "plausibility": DEFAULT_LIMITS,
    "webhook_hosts": [],
}
RATES = {"currency": "EUR", "labour_per_hour": 48, "machine_per_hour": 120, "material_per_kg": 1.5}
_names = iter(range(1, 10**6))


def site_of(door: Door) -> dict[str, Any]:
    found: dict[str, Any] = door.read(f"/v1/sites/{door.site}")
    return found


def put(door: Door, **settings: Any) -> Any:
    return door.ask("PUT", f"/v1/sites/{door.site}", json=settings)


def new_name() -> str:
    return f"plant-{next(_names)}"


# --- sites ------------------------------------------------------------------------------------------------------


def test_a_new_installation_has_site_main_in_utc_from_06_00_with_three_shifts(tmp_path: Any) -> None:
    database = embedded(tmp_path)
    with database.read() as connection:
        settings = open_site(connection, "main").calendar.latest
    assert dict(settings.values) == DEFAULTS
    database.close()


def test_a_site_shows_the_running_day_its_settings_and_their_changes(door: Door) -> None:
    assert site_of(door) == {"site": door.site, "today": "2027-01-15", "settings": DEFAULTS, "changes": []}
    door.set("2026-03-02", zone="Europe/Berlin")
    door.set("2027-02-01", day_start="05:30")
    shown = site_of(door)
    berlin = DEFAULTS | {"zone": "Europe/Berlin"}
    assert shown["settings"] == berlin  # the last change is yet to come
    assert shown["changes"] == [
        {"valid_from": "2026-03-02", "settings": berlin},
        {"valid_from": "2027-02-01", "settings": berlin | {"day_start": "05:30"}},
    ]


def test_today_is_the_running_production_day_of_the_site(door: Door) -> None:
    # 08:00Z is 17:00 in Tokyo and 02:00, before the start of day, in Chicago
    for zone, today in (("Asia/Tokyo", "2027-01-15"), ("America/Chicago", "2027-01-14")):
        door.set(zone=zone)
        assert site_of(door)["today"] == today


def test_sites_are_listed_as_far_as_the_key_goes(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    both = door.key("admin", sites=(door.site, other.site))
    assert [site["site"] for site in door.read("/v1/sites")["items"]] == [door.site]
    assert [site["site"] for site in door.read("/v1/sites", key=both)["items"]] == sorted([door.site, other.site])


def test_a_site_is_made_with_its_first_settings(door: Door) -> None:
    name = new_name()
    asked = {"site": name, "zone": "America/Chicago", "day_start": "05:00"}
    answer = door.ask("POST", "/v1/sites", json=asked)
    assert (answer.status_code, answer.get_json()) == (201, {"site": name})
    assert answer.headers["Location"] == f"/v1/sites/{name}"
    key = door.key("admin", sites=(name,))
    (kept,) = door.read("/v1/events", key=key)["items"]
    assert kept["event"]["type"] == "cutledger.site.set"
    assert kept["event"]["subject"] == name
    assert kept["event"]["data"] == {"valid_from": "2000-01-01", "zone": "America/Chicago", "day_start": "05:00"}


def test_a_site_is_made_without_settings(door: Door) -> None:
    name = new_name()
    assert door.ask("POST", "/v1/sites", json={"site": name}).status_code == 201
    key = door.key("admin", sites=(name,))
    assert door.read("/v1/events", key=key)["items"] == []
    assert door.read(f"/v1/sites/{name}", key=key)["settings"] == DEFAULTS


def test_a_key_may_act_on_a_site_once_another_key_was_given_it(door: Door, service: Any) -> None:
    name = new_name()
    door.ask("POST", "/v1/sites", json={"site": name})
    stranger = service.door(door.clock)
    assert stranger.get(f"/v1/sites/{name}").status_code == 404


def test_a_name_that_is_taken_is_refused_and_changes_nothing(door: Door, service: Any) -> None:
    for taken in (door.site, service.door(door.clock).site):
        answer = door.ask("POST", "/v1/sites", json={"site": taken, "zone": "Europe/Berlin"})
        assert (answer.status_code, answer.get_json()["errors"][0]["pointer"]) == (422, "/site")
    assert site_of(door)["settings"] == DEFAULTS


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({}, "/site"),
        ({"site": ""}, "/site"),
        ({"site": "a/b"}, "/site"),
        ({"site": "x" * 65}, "/site"),
        ({"site": "-a"}, "/site"),
        ({"site": "\u00e9"}, "/site"),
        ({"site": "a", "zone": "Europe/Berln"}, "/zone"),
        ({"site": "a", "zon": "UTC"}, "/zon"),
        ({"site": "a", "valid_from": "2026-02-30", "zone": "UTC"}, "/valid_from"),
    ],
)
def test_422_points_at_what_is_wrong_with_a_site_to_make(door: Door, asked: dict[str, Any], pointer: str) -> None:
    answer = door.ask("POST", "/v1/sites", json=asked)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    assert answer.get_json()["errors"][0]["pointer"] == pointer


# --- settings ---------------------------------------------------------------------------------------------------


def test_a_change_of_settings_is_an_event_in_the_ledger(door: Door) -> None:
    answer = put(door, valid_from="2026-03-02", zone="Europe/Berlin", day_start="05:30")
    assert answer.status_code == 200
    told = answer.get_json()
    (kept,) = door.read("/v1/events")["items"]
    assert kept["position"] == told["position"]
    sent = kept["event"]
    assert told == {
        "site": door.site, "event": {"source": sent["source"], "id": sent["id"]}, "position": told["position"],
    }  # fmt: skip
    assert (sent["type"], sent["subject"], sent["time"]) == (
        "cutledger.site.set", door.site, "2027-01-15T08:00:00+00:00",
    )  # fmt: skip
    assert sent["data"] == {"valid_from": "2026-03-02", "zone": "Europe/Berlin", "day_start": "05:30"}
    assert door.keys["admin"].split("_")[1] in sent["source"]  # who changed it
    # It counts like all others: not before it is counted
    assert site_of(door)["settings"] == DEFAULTS
    door.count()
    assert site_of(door)["settings"]["zone"] == "Europe/Berlin"


def test_what_is_not_given_stays_as_it_was(door: Door) -> None:
    door.set("2026-03-02", zone="Europe/Berlin", rates=RATES)
    door.set("2026-03-09", rates={"currency": "EUR", "labour_per_hour": 50}, zone=None)
    first, second = (change["settings"] for change in site_of(door)["changes"])
    assert first == DEFAULTS | {"zone": "Europe/Berlin", "rates": RATES}
    # Rates are taken as a whole
    assert second == DEFAULTS | {"zone": "Europe/Berlin", "rates": {"currency": "EUR", "labour_per_hour": 50}}


def test_of_two_changes_from_one_day_the_later_said_counts(door: Door) -> None:
    door.set("2026-03-02", zone="Europe/Berlin", people="keep")
    door.set("2026-03-02", zone="Asia/Tokyo")
    (change,) = site_of(door)["changes"]
    assert (change["settings"]["zone"], change["settings"]["people"]) == ("Asia/Tokyo", "keep")


def test_a_change_for_the_past_replaces_what_lies_since(door: Door) -> None:
    # 05:30Z: the day before by the start of day 06:00
    door.told(*(cut(day, time=f"2026-03-{day}T05:30:00Z", good=1) for day in ("03", "04", "05")))
    assert {row["day"] for row in door.rows(by="day")} == {"2026-03-02", "2026-03-03", "2026-03-04"}
    door.set("2026-03-04", day_start="05:00")
    assert {row["day"] for row in door.rows(by="day")} == {"2026-03-02", "2026-03-04", "2026-03-05"}
    door.set("2000-01-01", day_start="05:00")
    assert {row["day"] for row in door.rows(by="day")} == {"2026-03-03", "2026-03-04", "2026-03-05"}


def test_a_change_of_shifts_replaces_the_shift_of_attempts_and_of_rework(door: Door) -> None:
    work = {"operation": "grinding", "minutes": 5, "parts": 1, "time": "2026-03-04T15:00:00Z"}
    door.told(cut(rework=1), event("attempt.reworked", "A", **work))
    assert [row["shift"] for row in door.rows("rework", by="shift")] == ["early", "late"]
    door.set(shifts=[{"name": "long", "start": "05:00"}, {"name": "short", "start": "14:30"}])
    (long, short) = door.rows("rework", by="shift")
    assert (long["shift"], long["rework_minutes"], long["booked_rework_minutes"]) == ("long", 5, 0)
    assert (short["shift"], short["rework_minutes"], short["booked_rework_minutes"]) == ("short", 0, 5)


def test_rates_cost_from_their_day_on_and_are_null_before(door: Door) -> None:
    # 2 parts, 1 scrap: 60 s x 1/2 x 120/3600 + 1 x 2 kg x 1.5 = 1 + 3 = 4
    job = opened(part_mass_kg=2)
    same = {"job": "J", "good": 1, "scrap": 1, "seconds": 60}
    door.told(job, cut("A", time="2026-03-03T10:00:00Z", **same), cut("B", time="2026-03-04T10:00:00Z", **same))
    door.set("2026-03-04", rates=RATES)
    costs = {row["day"]: row["cost_of_poor_quality"] for row in door.rows(by="day")}
    assert costs == {"2026-03-03": None, "2026-03-04": 4}
    assert door.totals()["cost_of_poor_quality"] is None
    report = door.report(from_="2026-03-04", to="2026-03-05")
    assert (report["currency"], report["totals"]["cost_of_poor_quality"]) == ("EUR", 4)


def test_booked_rework_costs_by_the_labour_rate_of_its_own_day(door: Door) -> None:
    work = {"operation": "grinding", "minutes": 5, "parts": 1}
    days = ("2026-03-03", "2026-03-04")
    door.told(
        cut(rework=2, time="2026-03-03T07:00:00Z"),
        *(event("attempt.reworked", "A", time=f"{day}T10:00:00Z", **work) for day in days),
    )
    door.set("2026-03-04", rates=RATES)
    # 5 min x 48 an hour / 60 = 4
    assert [door.totals("rework", day=day)["booked_rework_cost"] for day in days] == [None, 4]


def test_a_window_of_two_currencies_has_no_cost(door: Door) -> None:
    same = {"scrap": 1, "seconds": 60}
    door.told(cut("A", time="2026-03-03T10:00:00Z", **same), cut("B", time="2026-03-04T10:00:00Z", **same))
    door.set("2026-03-01", rates=RATES)
    door.set("2026-03-04", rates=RATES | {"currency": "CHF"})
    both = door.report(from_="2026-03-03", to="2026-03-04")
    assert (both["currency"], both["totals"]["cost_of_poor_quality"]) == (None, None)
    each = [door.report(day=day) for day in ("2026-03-03", "2026-03-04")]
    assert [(one["currency"], one["totals"]["cost_of_poor_quality"]) for one in each] == [("EUR", 2), ("CHF", 2)]


def test_pierces_by_exception_makes_none_given_none_failed(door: Door) -> None:
    door.told(cut("A", pierces=10), cut("B", pierces=10, failed_pierces=1))
    totals = door.totals("pierces")
    assert (totals["pierces"], totals["failed_pierces"], totals["attempts_without_pierces"]) == (10, 1, 1)
    door.set(pierces_by_exception=True)
    totals = door.totals("pierces")
    assert (totals["pierces"], totals["failed_pierces"], totals["attempts_without_pierces"]) == (20, 1, 0)


def test_aliases_join_names_and_groups_join_materials(door: Door) -> None:
    door.told(cut("A", machine="Laser 1", material="S355J2"), cut("B", machine="bay one", material="S355MC"))
    assert len(door.rows(by="machine,material")) == 2
    door.set(aliases=[{"kind": "machine", "name": "LASER 1", "also": ["Bay One"]}])
    assert [(row["machine"], row["attempts"]) for row in door.rows(by="machine")] == [("LASER 1", 2)]
    for name in ("laser 1", "bay one"):
        assert door.totals(machine=name)["attempts"] == 2, name


def test_voiding_a_change_takes_it_back(door: Door) -> None:
    door.set("2026-03-02", zone="Europe/Berlin")
    (kept,) = door.read("/v1/events")["items"]
    door.told(void(kept["event"], source="/office"))
    assert site_of(door)["settings"] == DEFAULTS
    assert site_of(door)["changes"] == []


@pytest.mark.parametrize(("setting", "shown"), [("keep", "Ann Vale"), ("drop", None)])
def test_names_of_people_are_kept_as_the_settings_of_today_say(door: Door, setting: str, shown: str | None) -> None:
    door.told(cut("A", operator="Ann Vale"))
    door.set("2027-01-01", people=setting)
    door.set("2027-02-01", people="pseudonym")  # not yet
    door.told(cut("B", operator="Ann Vale"))
    names = {
        item["event"]["subject"]: item["event"]["data"].get("operator")
        for item in door.read("/v1/events", type="cutledger.attempt.finished")["items"]
    }
    assert names["B"] == shown
    assert str(names["A"]).startswith("p-")


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"zone": "UTC"}, "/valid_from"),
        ({"valid_from": "2026-03-02"}, ""),
        ({"valid_from": "2026-03-02T00:00:00Z", "zone": "UTC"}, "/valid_from"),
        ({"valid_from": "2026-03-02", "zone": "+01:00"}, "/zone"),
        ({"valid_from": "2026-03-02", "day_start": "24:00"}, "/day_start"),
        ({"valid_from": "2026-03-02", "shifts": []}, "/shifts"),
        ({"valid_from": "2026-03-02", "shifts": [{"name": "a", "start": "6"}]}, "/shifts/0/start"),
        ({"valid_from": "2026-03-02", "rates": {"labour_per_hour": 1}}, "/rates/currency"),
        ({"valid_from": "2026-03-02", "rates": {"currency": "EUR", "labour_per_hour": -1}}, "/rates/labour_per_hour"),
        ({"valid_from": "2026-03-02", "targets": {"first_pass_yield": 95}}, "/targets/first_pass_yield"),
        ({"valid_from": "2026-03-02", "aliases": [{"kind": "gas", "name": "x"}]}, "/aliases/0/kind"),
        ({"valid_from": "2026-03-02", "pierces_by_exception": 1}, "/pierces_by_exception"),
        ({"valid_from": "2026-03-02", "people": "all"}, "/people"),
        ({"valid_from": "2026-03-02", "zones": "UTC"}, "/zones"),
    ],
)
def test_422_points_at_what_is_wrong_with_settings(door: Door, asked: dict[str, Any], pointer: str) -> None:
    answer = put(door, **asked)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    error = answer.get_json()["errors"][0]
    assert (error["pointer"], bool(error["detail"])) == (pointer, True)
    assert door.read("/v1/events")["items"] == []


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"{", "application/json", 400),
        (b"[]", "application/json", 400),
        (b"{}", "text/plain", 415),
        (b'{"zone": "UTC"}', "application/cloudevents+json", 415),
        (b" " * (1024 * 1024 + 1), "application/json", 413),
        (b"7", "application/json", 422),
    ],
)
def test_a_body_that_is_no_object_is_refused(door: Door, body: bytes, kind: str, status: int) -> None:
    answer = door.ask("PUT", f"/v1/sites/{door.site}", data=body, content_type=kind)
    assert (answer.status_code, answer.content_type) == (status, "application/problem+json")


def test_a_site_has_an_etag_that_changes_with_what_it_shows(door: Door) -> None:
    path = f"/v1/sites/{door.site}"
    first = door.get(path)
    assert door.get(path, headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    door.set("2026-03-02", zone="Europe/Berlin")
    second = door.get(path, headers={"If-None-Match": first.headers["ETag"]})
    assert second.status_code == 200
    door.clock.now_us = NOW_US + 24 * 3_600_000_000
    assert door.get(path, headers={"If-None-Match": second.headers["ETag"]}).get_json()["today"] == "2027-01-16"


def test_the_asking_key_may_act_on_the_site_that_it_made_from_then_on(door: Door) -> None:
    made = door.ask("POST", "/v1/sites", json={"site": "plant-new"})
    assert made.status_code == 201
    assert door.get(made.headers["Location"]).status_code == 200
    assert "plant-new" in [site["site"] for site in door.read("/v1/sites")["items"]]
