"""Jobs, plates and attempts as they stand, in pages, and the history of each."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void

ODD_IDS = [
    "J/1",
    "50%",
    "a%2Fb",
    "a b",
    "\u00fc",
    "e\u0301",
    "?x=1",
    "#1",
    "..",
    "+",
    "a//b",
    "'\"",
    "\U0001f600",
    "events",
]


def page_of(door: Door, kind: str, **asked: Any) -> list[str]:
    """Ids of the first page."""
    items = door.read(f"/v1/{kind}", **asked)["items"]
    return [item[kind.removesuffix("s")] for item in items]


# --- jobs -------------------------------------------------------------------------------------------------------


def test_a_job_shows_what_was_stated_and_what_is_still_to_make(door: Door) -> None:
    door.told(
        opened(quantity=20, order="SO-1", due="2026-03-20", part_mass_kg=7.85, thickness_in="3/4"),
        cut("A", job="J", quantity=6, good=3, rework=2),  # 1 pending
        cut("B", job="J", quantity=4, scrap=1, rework=1, good=2),
        event("attempt.reworked", "A", time="2026-03-04T13:00:00Z", operation="other", minutes=1, parts=2, recovered=1),
        cut("C", job="J", outcome="not_severed", quantity=2),
    )
    assert door.read("/v1/jobs/J") == {
        "job": "J", "state": "open", "opened_at": "2026-03-04T10:00:00Z", "closed_at": None, "close_reason": None,
        "part_number": "BR-1", "quantity": 20, "material": "S355", "thickness_mm": 19.05, "order": "SO-1",
        "due": "2026-03-20", "part_mass_kg": 7.85,
        "attempts": 3, "parts_tried": 12, "good": 5, "recovered": 1, "in_rework": 2, "pending": 1,
        "to_make": 11,  # 20 - 5 - 1 - 2 - 1
    }  # fmt: skip


def test_a_job_never_has_less_than_nothing_to_make(door: Door) -> None:
    door.told(opened(quantity=2), cut(job="J", good=5))
    assert door.read("/v1/jobs/J")["to_make"] == 0


def test_parts_of_open_attempts_do_not_count_for_their_job(door: Door) -> None:
    door.told(opened(quantity=2), event("attempt.started", "A", job="J", quantity=2))
    job = door.read("/v1/jobs/J")
    assert (job["attempts"], job["parts_tried"], job["to_make"]) == (0, 0, 2)


def test_jobs_are_listed_by_id_and_filtered(door: Door) -> None:
    door.told(
        opened("b", part_number="X"), opened("a"), opened("B", part_number="X"), opened("\u00e4"),
        event("job.closed", "b", time="2026-03-05T10:00:00Z", reason="complete"),
    )  # fmt: skip
    assert page_of(door, "jobs") == ["B", "a", "b", "\u00e4"]
    assert page_of(door, "jobs", state="open") == ["B", "a", "\u00e4"]
    assert page_of(door, "jobs", state="closed") == ["b"]
    assert page_of(door, "jobs", part_number="X") == ["B", "b"]
    assert page_of(door, "jobs", part_number="X", state="open") == ["B"]


# --- plates -----------------------------------------------------------------------------------------------------


def test_a_plate_shows_its_condition_its_origin_and_its_remnants(door: Door) -> None:
    door.told(
        received("P", heat_number="H1", mill="North", length_mm=3000, rust_grade="A", edges="mill"),
        received("P-b", parent="P"),
        received("P-a", parent="P", heat_number="H9"),
        event("plate.assessed", "P", time="2026-03-05T10:00:00Z", rust_grade="C", observed_at="2026-03-04T06:00:00Z"),
        event("plate.assessed", "P", time="2026-03-05T11:00:00Z", edges="plasma", cooling="water", temperature_c=-3.5),
    )
    assert door.read("/v1/plates/P") == {
        "plate": "P", "state": "open", "received_at": "2026-03-03T10:00:00Z", "closed_at": None, "close_reason": None,
        "material": "S355", "thickness_mm": 20, "length_mm": 3000,
        "mill": "North", "heat_number": "H1", "supplier": None, "certificate": None, "delivery_condition": None,
        "condition": {
            "rust_grade": {"value": "C", "since": "2026-03-04T06:00:00Z"},
            "edges": {"value": "plasma", "since": "2026-03-05T11:00:00Z"},
            "cooling": {"value": "water", "since": "2026-03-05T11:00:00Z"},
            "temperature_c": {"value": -3.5, "since": "2026-03-05T11:00:00Z"},
        },
        "surface": "rusted", "surface_group": "disturbed", "thermal_history": "hardened",
        "remnants": ["P-a", "P-b"],
    }  # fmt: skip
    remnant = door.read("/v1/plates/P-b")
    assert (remnant["parent"], remnant["heat_number"], remnant["condition"]) == ("P", "H1", {})


def test_plates_are_listed_by_id_and_filtered(door: Door) -> None:
    door.told(
        received("P2", heat_number="H1"), received("P1", heat_number="H2"), received("R", parent="P2"),
        event("plate.assessed", "seen only", rust_grade="A"),
        event("plate.closed", "P1", time="2026-03-05T10:00:00Z", reason="used"),
    )  # fmt: skip
    assert page_of(door, "plates") == ["P1", "P2", "R", "seen only"]
    assert page_of(door, "plates", heat_number="H1") == ["P2", "R"]  # remnants included
    assert page_of(door, "plates", parent="P2") == ["R"]
    assert page_of(door, "plates", state="closed") == ["P1"]
    assert page_of(door, "plates", state="open") == ["P2", "R"]
    assert page_of(door, "plates", state="unknown") == ["seen only"]


# --- attempts ---------------------------------------------------------------------------------------------------


def test_an_attempt_shows_all_that_became_of_it(door: Door) -> None:
    door.told(
        opened(bevel_deg=60, part_mass_kg=0.5, pierces_per_part=2),
        received(heat_number="H1", rust_grade="B"),
        event("attempt.started", "A", time="2026-03-04T10:00:00.25Z", job="J", plate="P", piece="7", machine=" Laser 1",
              gas="oxygen", run="r1", quantity=4, recipe={"name": "R", "power_w": 12_000}),
        cut(time="2026-03-04T10:10:00Z", outcome="not_severed", good=1, rework=1, scrap=1, failed_pierces=1,
            seconds=412.5, interruptions=2, defects=[{"term": "crack", "parts": 2}], material=..., thickness_mm=...),
        event("attempt.reworked", "A", time="2026-03-05T10:00:00Z", operation="grinding", minutes=2.5, parts=1),
    )  # fmt: skip
    assert door.attempt() == {
        "attempt": "A", "state": "finished", "attempt_no": 1, "job": "J", "plate": "P", "machine": "Laser 1",
        "run": "r1", "piece": "7", "retry_of": None, "mode": "new", "gas": "oxygen", "purpose": "production",
        "day": "2026-03-04", "week": "2026-W10", "shift": "early", "outcome": "not_severed", "stop_reason": None,
        "material": "S355", "thickness_mm": 20, "bevel_deg": 60, "cut_thickness_mm": 40,  # 20 / cos 60 degrees
        "recipe": {"name": "R", "power_w": 12_000}, "heat_number": "H1", "surface": "loose_scale",
        "surface_group": "disturbed", "thermal_history": "unknown", "started_at": "2026-03-04T10:00:00.250000Z",
        "seconds": 412.5,
        "lost_seconds": 206.25,  # 412.5 x (1 scrap + 1 not made) / 4
        "interruptions": 2, "pierces": 8, "failed_pierces": 1, "rework_minutes": 2.5,
        "scrap_mass_kg": 1,  # 2 x 0.5
        "cost": None,
        "parts": {"quantity": 4, "tried": 4, "good": 1, "rework": 1, "scrap": 1, "not_made": 1, "pending": 0,
                  "recovered": 0, "scrapped": 0, "in_rework": 1, "released": 0, "hidden": 0},
        "lost_at": {"pierce": 0, "sever": 1, "surface": 2, "size": 0, "unstated": 0},
        "warnings": [],
    }  # fmt: skip


def test_attempts_are_listed_by_id_and_filtered(door: Door) -> None:
    door.told(
        cut("A", job="J", plate="P", run="r1", piece="1", machine="Laser 1"),
        cut("B", job="J", outcome="aborted", purpose="trial", time="2026-03-05T05:59:59Z"),
        cut("C", machine="laser 1 ", time="2026-03-05T06:00:00Z"),
        event("attempt.started", "D"),
        event("attempt.inspected", "E", good=1),
    )
    for asked, found in (
        ({}, "ABCDE"),
        ({"state": "finished"}, "ABC"),
        ({"state": "open"}, "D"),
        ({"state": "unfinished"}, "E"),
        ({"job": "J"}, "AB"),
        ({"plate": "P"}, "A"),
        ({"machine": "LASER 1"}, "AC"),
        ({"run": "r1"}, "A"),
        ({"piece": "1"}, "A"),
        ({"outcome": "aborted"}, "B"),
        ({"purpose": "trial"}, "B"),
        ({"day": "2026-03-04"}, "ABD"),
        ({"day": "2026-03-05"}, "C"),
        ({"job": "J", "outcome": "severed"}, "A"),
        ({"job": "K"}, ""),
    ):
        assert "".join(page_of(door, "attempts", **asked)) == found, asked


# --- pages, ids, ETags ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["jobs", "plates", "attempts"])
def test_pages_miss_none_and_link_to_the_next(door: Door, kind: str) -> None:
    names = sorted([f"x{number}" for number in range(9)] + ["\uff61", "\U0001d6fc", "Z"])
    make = {"jobs": opened, "plates": received, "attempts": cut}[kind]
    door.told(*(make(name) for name in names))
    for limit in (1, 4, 12, 500):
        seen: list[str] = []
        path = f"/v1/{kind}?limit={limit}"
        while True:
            answer = door.ask("GET", path)
            body = answer.get_json()
            seen += [item[kind.removesuffix("s")] for item in body["items"]]
            assert len(body["items"]) <= limit
            if body["next"] is None:
                assert "Link" not in answer.headers
                break
            path = answer.headers["Link"].partition(">")[0].removeprefix("<")
        assert seen == names, limit


@pytest.mark.parametrize("name", ODD_IDS)
def test_ids_are_percent_encoded_in_paths(door: Door, name: str) -> None:
    mistaken = cut(name)
    door.told(mistaken, opened(name), received(name), cut("other"), void(cut("other")))
    for kind in ("attempts", "jobs", "plates"):
        path = f"/v1/{kind}/{quote(name, safe='')}"
        assert door.read(path)[kind.removesuffix("s")] == name
        history = door.read(f"{path}/events")["items"]
        assert [item["event"]["subject"] for item in history] == [name]


@pytest.mark.parametrize("kind", ["jobs", "plates", "attempts"])
def test_404_for_what_no_event_is_about(door: Door, kind: str) -> None:
    for path in (f"/v1/{kind}/nowhere", f"/v1/{kind}/nowhere/events", f"/v1/{kind}/a/b"):
        answer = door.get(path)
        assert (answer.status_code, answer.content_type) == (404, "application/problem+json")


@pytest.mark.parametrize(
    ("kind", "asked", "parameter"),
    [
        ("jobs", {"state": "done"}, "state"),
        ("jobs", {"limit": "0"}, "limit"),
        ("jobs", {"after": "x"}, "after"),
        ("jobs", {"part": "X"}, "part"),
        ("plates", {"heat": "H"}, "heat"),
        ("plates", {"heat_number": ""}, "heat_number"),
        ("plates", {"after": "cDE6\u00e9"}, "after"),
        ("attempts", {"outcome": "good"}, "outcome"),
        ("attempts", {"purpose": "all"}, "purpose"),
        ("attempts", {"limit": "501"}, "limit"),
        ("attempts", {"after": "ZjE6MQ"}, "after"),
        ("attempts/A", {"job": "J"}, "job"),
        ("attempts/A/events", {"limit": "1"}, "limit"),
    ],
)
def test_422_names_the_parameter_that_cannot_be_answered(
    door: Door, kind: str, asked: dict[str, str], parameter: str
) -> None:
    answer = door.get(f"/v1/{kind}", **asked)
    assert (answer.status_code, answer.content_type) == (422, "application/problem+json")
    assert [error["parameter"] for error in answer.get_json()["errors"]] == [parameter]


@pytest.mark.parametrize("path", ["/v1/jobs", "/v1/jobs/J", "/v1/plates/P", "/v1/attempts", "/v1/attempts/A"])
def test_an_etag_changes_with_the_sites_counts(door: Door, path: str) -> None:
    door.told(opened(), received(), cut(job="J", plate="P"))
    first = door.get(path)
    tag = first.headers["ETag"]
    same = door.get(path, headers={"If-None-Match": f'"other", {tag}'})
    assert (same.status_code, same.data, same.headers["ETag"]) == (304, b"", tag)
    door.told(cut("B", job="J", plate="P", good=1))
    assert door.get(path, headers={"If-None-Match": tag}).status_code == 200


def test_an_etag_of_one_question_is_none_of_another(door: Door, service: Any) -> None:
    door.told(opened("J"), opened("K"))
    paths = ("/v1/jobs", "/v1/jobs?limit=1", "/v1/jobs?state=open", "/v1/jobs/J", "/v1/jobs/K", "/v1/attempts")
    tags = {door.ask("GET", path).headers["ETag"] for path in paths}
    other = service.door(door.clock)
    other.told(opened("J"), opened("K"))
    tags |= {other.ask("GET", path).headers["ETag"] for path in paths}
    assert len(tags) == 2 * len(paths)


# --- history ----------------------------------------------------------------------------------------------------


def test_a_history_holds_all_events_about_a_subject_by_the_time_they_happened(door: Door) -> None:
    mistaken = cut("A", id="2", time="2026-03-04T11:00:00Z", scrap=1)
    door.told(cut("A", id="3", time="2026-03-04T12:00:00Z", good=1), mistaken, opened("A", id="j"))
    door.told(event("attempt.started", "A", id="1", time="2026-03-04T10:00:00Z"), void(mistaken, id="4"))
    history = door.read("/v1/attempts/A/events")["items"]
    # The void happened at 10:00, as the start did; of one source they stand by id
    assert [(item["event"]["id"], item["voided"]) for item in history] == [
        ("1", False), ("4", False), ("2", True), ("3", False),
    ]  # fmt: skip
    assert history[2]["event"] == mistaken
    assert {"position", "received_at", "event", "voided"} == set(history[0])
    assert [item["event"]["id"] for item in door.read("/v1/jobs/A/events")["items"]] == ["4", "j"]


def test_a_history_holds_events_that_are_not_counted_yet(door: Door) -> None:
    door.post(cut("A", id="1"))
    assert [item["event"]["id"] for item in door.read("/v1/attempts/A/events")["items"]] == ["1"]
    assert door.get("/v1/attempts/A").status_code == 404


def test_422_for_a_day_that_is_none(door: Door) -> None:
    assert door.get("/v1/attempts", day="yesterday").status_code == 422


def test_attempts_are_found_by_any_name_of_their_machine(door: Door) -> None:
    door.told(cut("A", machine="Bay two"))
    door.set(aliases=[{"kind": "machine", "name": "Laser 2", "also": ["bay two"]}])
    assert door.totals(machine="bay two")["attempts"] == 1
    assert [one["attempt"] for one in door.read("/v1/attempts", machine="bay two")["items"]] == ["A"]
