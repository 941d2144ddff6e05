"""The limits of plausible entries as a site sets them, and the warnings that an attempt shows by them."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from service.schemas.settings_data import SiteSet
from tests.builders import event
from tests.service.conftest import Door, cut, opened, void
from worker.plausible_limits import DEFAULT_LIMITS, DOUBTS, Limits

HIGH = {"name": "O2", "standoff_mm": 5}


def site_settings(door: Door) -> dict[str, Any]:
    found: dict[str, Any] = door.read(f"/v1/sites/{door.site}")["settings"]
    return found


def codes(door: Door, name: str = "A") -> list[str]:
    return [warning["code"] for warning in door.attempt(name)["warnings"]]


def test_an_attempt_shows_what_of_it_is_hardly_true(door: Door) -> None:
    door.told(opened(min_hole_mm=8), cut("A", job="J", recipe=HIGH), cut("B"))
    assert door.attempt("B")["warnings"] == []
    hole, standoff = door.attempt("A")["warnings"]
    assert (hole["code"], hole["figures"]["strong"]) == ("hole_ratio", True)
    assert standoff == {
        "code": "standoff",
        "detail": "recipe O2 has a stand-off of 5 mm, where 0.3 to 4 mm is usual: look whether it was entered right, "
        "then at the height sensing before the nozzle is put at risk",
        "figures": {"least_mm": 0.3, "most_mm": 4.0, "standoff_mm": 5},
    }
    page = {item["attempt"]: item["warnings"] for item in door.read("/v1/attempts")["items"]}
    assert page == {"A": [hole, standoff], "B": []}


def test_a_warning_refuses_nothing_and_the_attempt_counts(door: Door) -> None:
    door.told(cut("A", recipe=HIGH, good=1))
    assert door.totals()["good"] == 1


def test_a_warning_follows_late_events_corrections_and_voids(door: Door) -> None:
    wrong = cut("A", job="J", recipe=HIGH)
    door.told(wrong)
    assert codes(door) == ["standoff"]
    door.told(opened(min_web_mm=8))  # known only now
    assert codes(door) == ["standoff", "web_ratio"]
    door.told(opened(min_web_mm=20, time="2026-03-04T11:00:00Z"))
    assert codes(door) == ["standoff"]
    door.told(cut("A", job="J", recipe={"name": "O2", "standoff_mm": 0.5}, time="2026-03-04T12:00:00Z"))
    assert codes(door) == []
    door.told(void(wrong), cut("B", recipe=HIGH), event("attempt.inspected", "B", good=1, sizes=[
        {"feature": "outside", "nominal_mm": 250, "measured_mm": 205},
    ]))  # fmt: skip
    assert codes(door, "B") == ["size_beyond_kerf", "standoff"]


def test_an_attempt_that_is_not_finished_has_no_warnings(door: Door) -> None:
    door.told(event("attempt.started", "A", recipe=HIGH))
    assert codes(door) == []


def test_all_limits_are_shown_until_a_site_sets_its_own_and_afterwards(door: Door) -> None:
    assert site_settings(door)["plausibility"] == DEFAULT_LIMITS
    door.set(plausibility={"standoff_most_mm": 5, "off": ["sharp_corner"]})
    assert site_settings(door)["plausibility"] == {**DEFAULT_LIMITS, "standoff_most_mm": 5, "off": ["sharp_corner"]}
    door.set(people="keep")
    assert site_settings(door)["plausibility"]["standoff_most_mm"] == 5
    # They are taken as a whole
    door.set(plausibility={"kerf_mm": 0.8, "standoff_most_mm": None})
    assert site_settings(door)["plausibility"] == {**DEFAULT_LIMITS, "kerf_mm": 0.8}
    door.set(plausibility={})
    assert site_settings(door)["plausibility"] == DEFAULT_LIMITS


def test_what_is_shown_may_be_set_again(door: Door) -> None:
    door.set(plausibility={"thick_oxygen_most_bar": 2.5})
    shown = site_settings(door)["plausibility"]
    door.set(plausibility=shown)
    assert site_settings(door)["plausibility"] == shown


def test_a_change_of_limits_judges_anew_from_its_day_on(door: Door) -> None:
    door.told(
        cut("A", time="2026-03-03T10:00:00Z", recipe=HIGH), cut("B", time="2026-03-04T10:00:00Z", recipe=HIGH)
    )  # fmt: skip
    door.set("2026-03-04", plausibility={"standoff_most_mm": 5})
    assert (codes(door, "A"), codes(door, "B")) == (["standoff"], [])
    door.set("2000-01-01", plausibility={"off": ["standoff"]})
    door.set("2026-03-04", plausibility={})
    assert (codes(door, "A"), codes(door, "B")) == ([], ["standoff"])


@pytest.mark.parametrize(
    ("limits", "pointer", "told"),
    [
        (7, "", "must be an object"),
        ([], "", "must be an object"),
        ({"standof_most_mm": 4}, "/standof_most_mm", "nearest: standoff_most_mm"),
        ({"standoff_most_mm": -1}, "/standoff_most_mm", "0 to 100"),
        ({"standoff_most_mm": "4"}, "/standoff_most_mm", "without quotes"),
        ({"standoff_most_mm": 0.2}, "/standoff_most_mm", "below standoff_least_mm 0.3"),
        ({"standoff_least_mm": 4.5}, "/standoff_least_mm", "above standoff_most_mm 4"),
        ({"plate_least_c": 70, "plate_most_c": 50}, "/plate_least_c", "above plate_most_c 50"),
        ({"rework_most_times": 2.5}, "/rework_most_times", "whole number"),
        ({"plate_mass_most_share": 95}, "/plate_mass_most_share", "0.01 to 1"),
        ({"off": "standoff"}, "/off", "must be a list"),
        ({"off": ["stand_off"]}, "/off/0", "nearest: standoff"),
        ({"off": [None]}, "/off/0", "must be one of"),
    ],
)
def test_422_points_at_the_limit_that_is_wrong(door: Door, limits: Any, pointer: str, told: str) -> None:
    body = {"valid_from": "2026-03-02", "plausibility": limits}
    answer = door.ask("PUT", f"/v1/sites/{door.site}", json=body)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    error = answer.get_json()["errors"][0]
    assert error["pointer"] == f"/plausibility{pointer}"
    assert told in error["detail"]
    assert door.read("/v1/events")["items"] == []


def test_every_limit_and_every_warning_may_be_set() -> None:
    schema: Any = SiteSet().fields["plausibility"]
    fields = schema.schema.fields
    assert set(fields) == {limit.name for limit in dataclasses.fields(Limits)}
    assert fields["off"].inner.words == tuple(DOUBTS)
    for limit in dataclasses.fields(Limits):
        if limit.name != "off":
            told = fields[limit.name].metadata
            assert f"{limit.default:g} unless set" in told["description"]
            assert told["minimum"] <= limit.default <= told["maximum"]


def test_limits_at_their_bounds_are_taken(door: Door) -> None:
    least: dict[str, float] = {}
    most: dict[str, float] = {}
    for limit in dataclasses.fields(Limits):
        if limit.metadata:
            least[limit.name], most[limit.name] = limit.metadata["least"], limit.metadata["most"]
    for limits in (least, most | {"failed_in_window": 1000}, {"off": list(DOUBTS)}):
        door.set(plausibility=limits)
        door.told(cut("A", recipe=HIGH))
        assert site_settings(door)["plausibility"] == {**DEFAULT_LIMITS, **limits}
