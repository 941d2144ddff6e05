"""GET /v1/jobs/{job}/confirmations: what the ERP books, once each, and whose sum is the state of the job."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from sqlalchemy import select, update

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void
from worker.installing import begin_new_series
from worker.tables import FOLD, LIVE, sites

JOB = "/v1/jobs/J/confirmations"
QUANTITIES = ("produced_quantity", "good_quantity", "recovered", "rework_quantity", "in_rework", "pending",
              "scrap_quantity", "not_made")  # fmt: skip


def booked(door: Door, limit: int = 2) -> Iterator[dict[str, Any]]:
    """All increments, as an ERP reads them: a few at a time, each after the last number that it has."""
    after = 0
    while True:
        answer = door.read(JOB, key="erp", after=after, limit=limit)
        yield from answer["items"]
        if answer["next"] is None:
            return
        after = answer["next"]


def walk(door: Door) -> dict[str, Any]:
    """A job with everything; returns an attempt of it that was a mistake."""
    mistake = cut("B", job="J", plate="P", machine="laser-2", quantity=4, good=4, seconds=60)
    door.told(
        opened(order="SO-1", work_centre="laser-2", part_mass_kg=7.85),
        received(heat_number="H1", length_mm=1000, width_mm=500),
        received("P-1", parent="P", length_mm=200, width_mm=500),
        cut("A", job="J", plate="P", machine="laser-2", quantity=4, good=2, rework=1, scrap=1, seconds=412.5,
            defects=[{"term": "crack"}]),
    )  # fmt: skip
    door.told(event("attempt.reworked", "A", time="2026-03-05T10:00:00Z", operation="grinding", minutes=4.5, parts=1,
                    recovered=1), mistake)  # fmt: skip
    door.told(event("plate.closed", "P", time="2026-03-06T10:00:00Z", reason="used"))
    return mistake


def test_a_job_is_confirmed_in_increments_whose_sum_is_its_state(door: Door) -> None:
    mistake = walk(door)
    items = list(booked(door))
    assert [item["number"] for item in items] == list(range(1, len(items) + 1))
    first = items[0]
    assert (first["operation"], first["posting_day"], first["state"], first["to_make"]) == (
        "cutting", "2026-03-04", "open", 7,
    )  # fmt: skip
    assert first["material_produced"] == {
        "produced_quantity": 4, "good_quantity": 2, "recovered": 0, "rework_quantity": 1, "in_rework": 1, "pending": 0,
        "scrap_quantity": 1, "not_made": 0,
    }  # fmt: skip
    assert first["not_made_reasons"] == []
    assert first["scrap_reasons"] == [{"reason": "crack", "cause": "unstated", "parts": 1}]
    assert first["material_consumed"] == [{"plate": "P", "heat_number": "H1", "parts_tried": 4, "mass_kg": None}]
    # 412.5 s are 6.875 min.
    machine = {"machine": "laser-2", "minutes": 6.875, "attempts_without_time": 0}
    assert first["equipment_actual"] == {"attempts": 1, "machines": [machine]}
    assert first["personnel_actual"] == []
    (ground,) = [item for item in items if item["operation"] == "grinding"]
    assert ground["posting_day"] == "2026-03-05"
    assert ground["personnel_actual"] == [{"operation": "grinding", "rework_minutes": 4.5, "finishing_minutes": 0}]
    (used,) = [item for item in items if item["posting_day"] == "2026-03-06"]
    # 1000 x 500 x 20 mm at 7850 kg/m3 are 78.5 kg, its remnant 15.7.
    assert used["material_consumed"] == [{"plate": "P", "heat_number": "H1", "parts_tried": 0, "mass_kg": 62.8}]
    assert used["material_returned"] == [
        {"plate": "P-1", "parent": "P", "heat_number": "H1", "length_mm": 200, "width_mm": 500, "thickness_mm": 20,
         "pieces": 1, "mass_kg": 15.7}
    ]  # fmt: skip
    agree(door, items)
    door.told(void(mistake))
    after = list(booked(door))
    assert after[: len(items)] == items
    (correction,) = after[len(items) :]
    assert correction["material_produced"]["good_quantity"] == -4
    assert correction["equipment_actual"]["machines"][0]["minutes"] == -1
    agree(door, after)


def agree(door: Door, items: list[dict[str, Any]]) -> None:
    """The sum of the increments is the total, and that is the job as it stands."""
    answer, job = door.read(JOB, key="reader"), door.read("/v1/jobs/J")
    total = answer["total"]
    for name in QUANTITIES:
        assert sum(item["material_produced"][name] for item in items) == total["material_produced"][name]
    made = total["material_produced"]
    assert made["produced_quantity"] + made["not_made"] == job["parts_tried"]
    assert made["good_quantity"] == job["good"] + job["recovered"]
    assert {name: made[name] for name in ("recovered", "in_rework", "pending")} == {
        name: job[name] for name in ("recovered", "in_rework", "pending")
    }
    in_parts = (made[name] for name in ("good_quantity", "scrap_quantity", "in_rework", "pending"))
    assert made["produced_quantity"] == sum(in_parts)
    assert sum(reason["parts"] for reason in total["scrap_reasons"]) == made["scrap_quantity"]
    assert sum(reason["parts"] for reason in total["not_made_reasons"]) == made["not_made"]
    for rows in (lambda of: of["equipment_actual"]["machines"], lambda of: of["personnel_actual"],
                 lambda of: of["material_consumed"], lambda of: of["material_returned"]):  # fmt: skip
        assert added_up([row for item in items for row in rows(item)]) == added_up(rows(total))
    assert total["equipment_actual"]["attempts"] == job["attempts"]
    assert items[-1]["to_make"] == job["to_make"]


def added_up(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Sums of the amounts of rows by what they are of; none of them a zero."""
    sums: Counter[str] = Counter()
    for row in rows:
        named = [row.get(name) for name in ("machine", "operation", "plate", "heat_number")]
        for name in (
            "minutes",
            "attempts_without_time",
            "rework_minutes",
            "finishing_minutes",
            "parts_tried",
            "pieces",
        ):
            sums[f"{named} {name}"] += row.get(name) or 0
        # The mass of a remnant is that of its piece.
        sums[f"{named} mass_kg"] += (row.get("mass_kg") or 0) * row.get("pieces", 1)
    return {name: round(amount, 6) for name, amount in sums.items() if round(amount, 6)}


def test_parts_that_were_never_made_are_not_produced(door: Door) -> None:
    door.told(opened(quantity=8), cut("A", job="J", quantity=4, good=0, outcome="pierce_failed"),
              cut("B", job="J", quantity=4, tried=3, good=0, scrap=1, outcome="not_severed",
                  defects=[{"term": "lost_cut", "parts": 2}, {"term": "crack", "parts": 1}]))  # fmt: skip
    total = door.read(JOB)["total"]
    made = total["material_produced"]
    assert (made["produced_quantity"], made["scrap_quantity"], made["not_made"]) == (1, 1, 6)
    scrapped, not_made = (
        {one["reason"]: one["parts"] for one in total[name]} for name in ("scrap_reasons", "not_made_reasons")
    )
    assert (scrapped, not_made) == ({"lost_cut": 1}, {"pierce_failed": 4, "not_severed": 1, "lost_cut": 1})
    # Report `losses` has the same parts under the same words.
    with door.database.read() as connection:
        c = LIVE.lost_parts.c
        query = select(c.word, c.parts_lost).where(c.site == door.site, c.sort == "term", c.parts_lost > 0)
        told: Counter[str] = Counter()
        for word, parts in connection.execute(query):
            told[word] += parts
    assert Counter(scrapped) + Counter(not_made) == told


def test_a_copy_put_in_place_begins_a_series_and_refuses_numbers_of_the_one_before(door: Door) -> None:
    door.told(cut("A", job="J"))
    first = door.read(JOB)
    assert door.read(JOB, after=1, series=first["series"])["items"] == []
    etag = door.get(JOB).headers["ETag"]
    with door.database.write() as connection:
        begin_new_series(connection)
    answer = door.get(JOB, after=1, series=first["series"])
    assert answer.status_code == 409
    assert "book from 0 anew" in answer.json["detail"]
    anew = door.get(JOB, headers={"If-None-Match": etag})
    assert anew.status_code == 200
    assert anew.json["series"] != first["series"]


def test_each_installation_has_a_series_of_its_own(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    for one in (door, other):
        one.told(cut("A", job="J"))
    assert door.read(JOB)["series"] != other.read(JOB)["series"]


def test_nothing_is_confirmed_while_an_upgrade_counts_again(door: Door) -> None:
    door.told(cut("A", job="J"))
    mine = sites.c.site == door.site
    with door.database.write() as connection:
        connection.execute(update(sites).where(mine).values(fold=FOLD - 1))
    answer = door.get(JOB)
    with door.database.write() as connection:
        connection.execute(update(sites).where(mine).values(fold=FOLD))
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "2")
    assert door.get(JOB).status_code == 200


def test_a_time_of_0_is_known(door: Door) -> None:
    door.told(cut("A", job="J", machine="L1", seconds=0))
    door.told(cut("B", job="J", machine="L1"))
    answer = door.read(JOB)
    minutes = [one["equipment_actual"]["machines"][0]["minutes"] for one in (*answer["items"], answer["total"])]
    assert minutes == [0, None, 0]


def test_head_of_the_answer_names_job_order_and_units(door: Door) -> None:
    walk(door)
    answer = door.read(JOB)
    assert (answer["job"], answer["state"], answer["order"], answer["work_centre"]) == ("J", "open", "SO-1", "laser-2")
    assert answer["units"] == {"parts": "C62", "minutes": "MIN", "mass": "KGM"}
    assert answer["as_of"]["waiting"] == 0
    assert answer["items"][-1]["position"] <= answer["as_of"]["position"]


def test_pages_link_to_what_follows(door: Door) -> None:
    walk(door)
    answer = door.get(JOB, key="erp", after=1, limit=1)
    assert [item["number"] for item in answer.json["items"]] == [2]
    assert answer.json["next"] == 2
    assert answer.headers["Link"] == f'<{JOB}?limit=1&after=2>; rel="next"'
    last = door.get(JOB, key="erp", after=answer.json["next"])
    assert last.json["next"] is None
    assert "Link" not in last.headers


def test_a_number_that_the_job_has_not_reached_is_refused(door: Door) -> None:
    door.told(cut(job="J"))
    assert door.read(JOB, after=1)["items"] == []
    answer = door.get(JOB, after=2)
    assert answer.status_code == 422
    (error,) = answer.json["errors"]
    assert error["parameter"] == "after"
    assert "has the number 1" in error["detail"]
    assert [door.get(JOB, after=wrong).status_code for wrong in ("-1", "x", "1.0")] == [422] * 3


def test_an_answer_that_is_held_is_not_sent_again_until_something_is_counted_or_waits(door: Door) -> None:
    door.told(cut(job="J"))
    etag = door.get(JOB).headers["ETag"]
    assert door.get(JOB, headers={"If-None-Match": etag}).status_code == 304
    assert door.get(JOB, headers={"If-None-Match": etag}, after=1).status_code == 200
    door.post([cut("B", job="J")])
    assert door.get(JOB, headers={"If-None-Match": etag}).json["as_of"]["waiting"] == 1


def test_a_job_that_is_not_known_here_has_none(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    other.told(opened(), cut(job="J"))
    assert door.get(JOB).status_code == door.get("/v1/jobs/K/confirmations").status_code == 404
    door.told(opened())
    assert door.read(JOB)["items"] == []


def test_a_job_that_only_attempts_name_is_confirmed_all_the_same(door: Door) -> None:
    door.told(cut(job="J/1"))
    answer = door.read("/v1/jobs/J%2F1/confirmations")
    assert (answer["state"], answer["order"]) == ("unknown", None)
    assert [item["to_make"] for item in answer["items"]] == [None]


def test_time_that_nobody_told_is_null_and_said_to_be(door: Door) -> None:
    door.told(cut("A", job="J", machine="L1"))
    (machine,) = door.read(JOB)["total"]["equipment_actual"]["machines"]
    assert machine == {"machine": "L1", "minutes": None, "attempts_without_time": 1}


def test_machines_are_told_as_the_settings_name_them(door: Door) -> None:
    door.told(cut("A", job="J", machine="big one", seconds=60), cut("B", job="J", seconds=60))
    door.set(aliases=[{"kind": "machine", "name": "laser-2", "also": ["big one"]}])
    answer = door.read(JOB)
    assert [one["machine"] for one in answer["total"]["equipment_actual"]["machines"]] == [None, "laser-2"]
    moved = {one["machine"]: one["minutes"] for one in answer["items"][-1]["equipment_actual"]["machines"]}
    assert moved == {"big one": -1, "laser-2": 1}
