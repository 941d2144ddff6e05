"""The rules of events, and what their envelope and types say, through the door and out again in reports and state."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from service.routes.events import ADMINISTERED
from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void
from tests.service.sent import MINIMAL
from worker.events import EVENT_TYPES

ATTEMPT = "/v1/attempts/A"


def refusal(door: Door, sent: dict[str, Any], **how: Any) -> dict[str, Any]:
    """The first error of an event that is refused."""
    answer = door.post(sent, **how)
    assert answer.status_code == 422, answer.text
    error: dict[str, Any] = answer.get_json()["errors"][0]
    return error


# --- rule 1: nothing valid is refused for its order -------------------------------------------------------------


def test_rule_1_an_attempt_may_arrive_before_its_job(door: Door) -> None:
    door.told(cut(job="J", material=..., thickness_mm=..., good=1))
    assert [(row["thickness_mm"], row["attempts"]) for row in door.rows()] == [(None, 1)]
    door.told(opened("J", thickness_mm=25, purpose="trial"))
    assert door.rows() == []
    assert [(row["thickness_mm"], row["good"]) for row in door.rows(purpose="trial")] == [(25, 1)]
    assert door.attempt()["material"] == "S355"


def test_rule_1_an_attempt_may_arrive_before_its_plate(door: Door) -> None:
    door.told(cut(plate="P", material=..., thickness_mm=..., good=1))
    assert door.totals(thickness_mm="unknown")["good"] == 1
    door.told(received(thickness_in="3/4", heat_number="H1", rust_grade="C"))
    assert door.totals(thickness_mm="unknown")["good"] == 0
    (row,) = door.rows(by="thickness,heat_number,surface")
    assert (row["thickness_mm"], row["heat_number"], row["surface"], row["good"]) == (19.05, "H1", "rusted", 1)


def test_rule_1_an_inspection_may_arrive_before_its_attempt(door: Door) -> None:
    door.told(event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=2, rework=1))
    assert (door.attempt()["state"], door.rows()) == ("unfinished", [])
    door.told(cut(quantity=3))
    (row,) = door.rows()
    assert (row["good"], row["rework"], row["pending"]) == (2, 1, 0)


def test_rule_1_rework_may_arrive_before_its_attempt(door: Door) -> None:
    door.told(event("attempt.reworked", "A", operation="grinding", minutes=7, parts=1))
    assert door.totals("rework")["booked_rework_minutes"] == 7
    assert door.totals("rework")["rework_minutes"] == 0
    door.told(cut(rework=1))
    assert door.totals("rework")["rework_minutes"] == 7
    assert [(row["thickness_mm"], row["booked_rework_minutes"]) for row in door.rows("rework")] == [(20, 7)]


def test_rule_1_a_void_may_arrive_before_the_event_that_it_voids(door: Door) -> None:
    mistaken = cut(good=1)
    door.told(void(mistaken))
    door.told(mistaken)
    assert door.rows() == []
    assert door.get(ATTEMPT).status_code == 404


def test_rule_1_a_retry_may_arrive_before_the_attempt_that_it_repeats(door: Door) -> None:
    door.told(cut("B", retry_of="A", time="2026-03-04T11:00:00Z"))
    assert door.attempt("B")["attempt_no"] == 2  # one not known yet counts as number 1
    door.told(cut("A", retry_of="Z"))
    # Z 1 (not known), A 1 + 1, B 2 + 1
    assert [door.attempt(name)["attempt_no"] for name in ("A", "B")] == [2, 3]


def test_rule_1_a_late_event_can_change_which_attempt_was_first(door: Door) -> None:
    door.told(cut("B", job="J", piece="1", good=1, time="2026-03-04T11:00:00Z"))
    assert door.totals()["first_pass_good"] == 1
    door.told(cut("A", job="J", piece="1", scrap=1, time="2026-03-04T10:00:00Z"))
    # A is first now: 0 of its 1 part good, and B's good part is a second try.
    totals = door.totals()
    assert (totals["first_attempts"], totals["first_pass_good"], totals["good"]) == (1, 0, 1)


def test_rule_1_a_whole_shift_may_arrive_a_day_late(door: Door) -> None:
    door.told(cut("today", good=1, time="2026-03-05T10:00:00Z"))
    shift = [cut(f"night {hour}", good=1, time=f"2026-03-04T2{hour}:30:00Z") for hour in range(4)]
    door.told(*shift)
    days = {row["day"]: row["good"] for row in door.rows(by="day")}
    assert days == {"2026-03-04": 4, "2026-03-05": 1}


def test_rule_1_an_assessment_may_arrive_after_the_cut_that_it_bears_on(door: Door) -> None:
    door.told(received(), cut(plate="P", good=1))
    assert door.attempt()["surface"] == "unknown"
    # Written down the day after, observed an hour before the cut
    late = event("plate.assessed", "P", time="2026-03-05T10:00:00Z", observed_at="2026-03-04T09:00:00Z", rust_grade="D")
    door.told(late)
    assert door.attempt()["surface"] == "pitted"


# --- rule 2: state depends on the set of events -----------------------------------------------------------------


def test_rule_2_other_orders_of_arrival_give_the_same_state(service: Any, clock: Any) -> None:
    sent = [
        opened("J", purpose="production", pierces_per_part=2),
        cut("A", id="1", job="J", plate="P", piece="1", quantity=2, failed_pierces=1, time="2026-03-04T10:00:00Z"),
        event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=1, scrap=1),
        cut("B", id="2", job="J", plate="P", piece="1", good=1, retry_of="A", time="2026-03-04T13:00:00Z"),
        received("P", rust_grade="A"),
    ]
    turned = [sent[number:] + sent[:number] for number in range(len(sent))]
    seen = set()
    for order in (*turned, *(reversed(order) for order in turned)):
        door = service.door(clock)
        for each in order:
            door.told(each)
        answers = [door.read(path) for path in (ATTEMPT, "/v1/attempts/B", "/v1/jobs/J", "/v1/plates/P")]
        seen.add(str([answers, door.rows(by="thickness,surface,day"), door.contradictions()]))
    assert len(seen) == 1


@pytest.mark.parametrize(
    ("one", "other", "last"),
    [
        ({"time": "2026-03-04T10:00:00Z"}, {"time": "2026-03-04T10:00:00.000001Z"}, "other"),
        ({"source": "/a", "id": "9"}, {"source": "/b", "id": "1"}, "other"),  # one time: by source
        ({"source": "/a", "id": "2"}, {"source": "/a", "id": "10"}, "one"),  # one source: by id, as text
        # By UTF-8 bytes: U+FF61 (ef bd a1) before U+1D6FC (f0 9d 9b bc); in UTF-16 d8 35 would come before ff 61
        ({"source": "/a", "id": "\uff61"}, {"source": "/a", "id": "\U0001d6fc"}, "other"),
        ({"source": "/a", "id": "Z"}, {"source": "/a", "id": "a"}, "other"),
        # One instant under two offsets is a tie, settled by source
        (
            {"source": "/b", "time": "2026-03-04T10:00:00Z"},
            {"source": "/a", "time": "2026-03-04T11:00:00+01:00"},
            "one",
        ),
        # Finer than a microsecond is cut: a tie
        (
            {"source": "/b", "time": "2026-03-04T10:00:00.1234561Z"},
            {"source": "/a", "time": "2026-03-04T10:00:00.1234569Z"},
            "one",
        ),
    ],
)
@pytest.mark.parametrize("is_swapped", [False, True])
def test_rule_2_fold_order_is_time_then_source_then_id_by_utf8_bytes(
    door: Door, one: dict[str, Any], other: dict[str, Any], last: str, is_swapped: bool
) -> None:
    sent = [cut(**one, machine="one"), cut(**other, machine="other")]
    door.told(*(reversed(sent) if is_swapped else sent))
    assert door.attempt()["machine"] == last


def test_rule_2_arrival_decides_only_which_of_two_contents_stays(door: Door) -> None:
    first, second = cut(id="1", good=1), cut(id="1", scrap=1)
    assert door.statuses(second) == ["accepted"]
    assert door.statuses(first) == ["conflict"]
    door.count()
    assert door.totals()["scrap"] == 1


# --- rule 3: sending again is free ------------------------------------------------------------------------------


def test_rule_3_the_same_content_is_a_duplicate_however_it_is_written(door: Door) -> None:
    sent = cut(id="1", good=2, seconds=90, recipe={"name": "R", "power_w": 12000})
    (taken,) = door.told(sent)
    again = [
        sent,
        {name: sent[name] for name in reversed(sent)},
        sent | {"time": "2026-03-04T11:00:00.000+01:00"},
        sent | {"data": sent["data"] | {"gas": None, "seconds": 90.0}},
        sent | {"data": sent["data"] | {"recipe": {"power_w": 1.2e4, "name": "R", "revision": None}}},
        sent | {"traceparent": "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01", "dataschema": "/s/1"},
    ]
    for each in again:
        (item,) = door.post(each).get_json()["items"]
        assert (item["status"], item["position"]) == ("duplicate", taken["position"])
    assert door.count() == 0


@pytest.mark.parametrize(
    "change",
    [
        {"type": "cutledger.attempt.started", "data": {"machine": "L1"}},
        {"subject": "B"},
        {"time": "2026-03-04T10:00:00.000001Z"},
        {"data": {"outcome": "severed", "machine": "L1", "good": 2}},
        {"data": {"outcome": "severed", "machine": "l1"}},
        {"data": {"outcome": "severed"}},
    ],
    ids=["type", "subject", "instant", "more data", "other data", "less data"],
)
def test_rule_3_other_content_is_a_conflict_and_the_first_stays(door: Door, change: dict[str, Any]) -> None:
    sent = event("attempt.finished", "A", id="1", outcome="severed", machine="L1")
    (taken,) = door.told(sent)
    answer = door.post(sent | change)
    assert answer.status_code == 409
    (item,) = answer.get_json()["items"]
    assert (item["status"], item["position"]) == ("conflict", taken["position"])
    assert "under a new id" in item["errors"][0]["detail"]
    door.count()
    (kept,) = door.read("/v1/events")["items"]
    assert kept["event"] == sent


def test_rule_3_people_are_compared_before_their_names_are_pseudonymised(door: Door) -> None:
    sent = cut(id="1", operator="Ann Vale")
    door.told(sent)
    assert door.statuses(sent) == ["duplicate"]
    # Both names have one pseudonym, since it looks through case; the contents differ all the same.
    assert door.statuses(sent | {"data": sent["data"] | {"operator": "ann vale"}}) == ["conflict"]
    (kept,) = door.read("/v1/events")["items"]
    assert kept["event"]["data"]["operator"].startswith("p-")


def test_rule_3_within_a_batch_the_earlier_item_stays(door: Door) -> None:
    one, other = cut(id="1", good=1), cut(id="1", scrap=1)
    answer = door.post([one, other, one])
    assert answer.status_code == 207
    items = answer.get_json()["items"]
    assert [item["status"] for item in items] == ["accepted", "conflict", "duplicate"]
    assert len({item["position"] for item in items}) == 1
    door.count()
    assert door.totals()["good"] == 1


def test_rule_3_every_sender_may_retry_blindly(door: Door) -> None:
    shift = [cut(f"A{number}", id=f"{number}", good=1) for number in range(20)]
    for upto in (5, 12, 20, 20):
        assert door.post(shift[:upto]).status_code == 202
        door.count()
    assert door.totals()["good"] == 20
    assert len(door.read("/v1/events")["items"]) == 20


# --- rule 4: an answer is a promise -----------------------------------------------------------------------------


def test_rule_4_a_batch_is_answered_item_by_item_in_its_order(door: Door) -> None:
    door.told(cut("A", id="there", good=1))
    batch = [
        cut("B", id="new"),
        cut("A", id="there", good=1),
        cut("A", id="there", scrap=1),
        cut("C", id="bad", outcome="cut"),
        cut("D", id="new too"),
    ]
    answer = door.post(batch)
    assert answer.status_code == 207
    body = answer.get_json()
    assert {name: body[name] for name in ("accepted", "duplicate", "conflict", "invalid")} == {
        "accepted": 2, "duplicate": 1, "conflict": 1, "invalid": 1,
    }  # fmt: skip
    assert [(item["index"], item["id"], item["status"]) for item in body["items"]] == [
        (0, "new", "accepted"), (1, "there", "duplicate"), (2, "there", "conflict"), (3, "bad", "invalid"),
        (4, "new too", "accepted"),
    ]  # fmt: skip


def test_rule_4_an_invalid_item_is_told_what_is_wrong_and_where_and_holds_up_no_other(door: Door) -> None:
    batch = [cut("A", good=1), cut("B", outcome="cut", goood=1), cut("C", good=1)]
    (bad,) = [item for item in door.post(batch).get_json()["items"] if item["status"] == "invalid"]
    assert {error["pointer"] for error in bad["errors"]} == {"/1/data/outcome", "/1/data/goood"}
    assert any("nearest: good" in error["detail"] for error in bad["errors"])
    door.count()
    assert door.totals()["good"] == 2


def test_rule_4_what_was_answered_as_accepted_is_in_the_ledger_at_its_position(door: Door) -> None:
    items = door.told(*(cut(f"A{number}") for number in range(3)))
    assert [kept["position"] for kept in door.read("/v1/events")["items"]] == [item["position"] for item in items]


# --- rule 5: corrections are events -----------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_rule_5_nothing_is_edited_or_deleted(door: Door, method: str) -> None:
    door.told(cut(id="1"))
    for path in ("/v1/events", "/v1/events/1", ATTEMPT):
        assert door.ask(method, path).status_code in (404, 405)
    assert len(door.read("/v1/events")["items"]) == 1


def test_rule_5_void_and_send_the_right_one_under_a_new_id(door: Door) -> None:
    mistaken = cut(id="1", scrap=4)
    door.told(mistaken)
    door.told(void(mistaken), cut(id="2", good=4))
    assert (door.totals()["scrap"], door.totals()["good"]) == (0, 4)
    history = door.read(f"{ATTEMPT}/events")["items"]
    assert [(each["event"]["id"], each["voided"]) for each in history if each["event"]["id"] in "12"] == [
        ("1", True), ("2", False),
    ]  # fmt: skip


def test_rule_5_a_void_acts_on_source_and_id_alone(door: Door) -> None:
    mistaken = cut(id="1", source="/a", good=1)
    door.told(mistaken, cut("B", id="1", source="/b", good=1), cut("C", id="2", source="/a", good=1))
    # Said by another source, at another time, even before the event happened
    door.told(void(mistaken, source="/office", time="2026-03-01T00:00:00Z"))
    assert [row["attempt"] for row in door.read("/v1/attempts")["items"]] == ["B", "C"]


def test_rule_5_voiding_is_as_never_having_had_it(service: Any, clock: Any) -> None:
    with_void, without = service.door(clock), service.door(clock)
    kept = [opened(), cut("B", job="J", piece="1", good=1, time="2026-03-04T11:00:00Z")]
    mistaken = cut("A", job="J", piece="1", scrap=1)
    with_void.told(mistaken, *kept, void(mistaken))
    without.told(*kept)
    for path in ("/v1/attempts", "/v1/jobs", "/v1/findings"):
        assert with_void.read(path) == without.read(path)
    assert with_void.rows(by="thickness,day") == without.rows(by="thickness,day")


def test_rule_5_a_void_of_a_void_is_refused_when_its_target_is_known(door: Door) -> None:
    mistaken = cut(good=1)
    gone = void(mistaken)
    door.told(mistaken, gone)
    error = refusal(door, void(gone))
    assert error["pointer"] == "/data/id"
    assert "send the event again under a new id" in error["detail"]
    # Known within the batch too
    other = cut("B")
    other_gone = void(other)
    assert door.statuses(other, other_gone, void(other_gone)) == ["accepted", "accepted", "invalid"]


def test_rule_5_a_void_of_a_void_has_no_effect_in_any_order(service: Any, clock: Any) -> None:
    mistaken = cut(good=1)
    gone = void(mistaken)
    for order in permutations([mistaken, gone, void(gone)]):
        door = service.door(clock)
        for each in order:
            door.post(each)
            door.count()
        assert door.rows() == []


def test_rule_5_a_void_of_another_subject_is_refused_when_its_target_is_known(door: Door) -> None:
    mistaken = cut("A", good=1)
    door.told(mistaken)
    error = refusal(door, void(mistaken, subject="B"))
    assert error["pointer"] == "/subject"
    assert "'A'" in error["detail"]
    assert door.totals()["good"] == 1


def test_rule_5_a_void_of_another_subject_known_later_takes_effect_with_a_contradiction(door: Door) -> None:
    mistaken = cut("A", good=1)
    door.told(void(mistaken, subject="B"))
    door.told(mistaken)
    assert door.rows() == []
    (found,) = door.contradictions()
    assert (found["code"], found["subject"]) == ("void_subject_differs", "B")
    assert found["figures"] == {"void_subject": "B", "target_subject": "A"}


def test_rule_5_a_void_of_what_never_comes_changes_nothing(door: Door) -> None:
    door.told(cut(good=1), void(cut("ghost", id="never sent")))
    assert door.totals()["good"] == 1
    assert door.contradictions() == []


# --- rule 6: sense across fields --------------------------------------------------------------------------------

#: What one event shows to be senseless, and the pointer of what is wrong; bad input tells the words.
SENSELESS: dict[str, tuple[dict[str, Any], str]] = {
    "failed_pierces <= pierces": (cut(pierces=2, failed_pierces=3), "/data/failed_pierces"),
    "good + rework + scrap <= tried": (cut(good=1, rework=1, scrap=1, tried=2), "/data/tried"),
    "tried <= quantity": (cut(tried=3, quantity=2), "/data/tried"),
    "good + rework + scrap <= quantity": (cut(good=2, scrap=1, quantity=2), "/data/quantity"),
    "recovered + scrapped <= parts": (
        event("attempt.reworked", "A", operation="other", minutes=1, parts=2, recovered=2, scrapped=1),
        "/data/recovered",
    ),
    "one of thickness_mm, thickness_in": (opened(thickness_in="3/4", thickness_mm=20), "/data/thickness_in"),
    "thickness_mm or thickness_in": (received(thickness_mm=...), "/data/thickness_mm"),
    "minutes > 0": (event("attempt.reworked", "A", operation="other", minutes=0, parts=1), "/data/minutes"),
    "started_at <= time": (cut(started_at="2026-03-04T10:00:01Z"), "/data/started_at"),
    "observed_at <= time": (
        event("plate.assessed", "P", rust_grade="A", observed_at="2026-03-04T10:00:00.000001Z"),
        "/data/observed_at",
    ),
    "physical bounds": (cut(recipe={"power_w": 100_001}), "/data/recipe/power_w"),
}


@pytest.mark.parametrize(("sent", "pointer"), SENSELESS.values(), ids=SENSELESS)
def test_rule_6_what_one_event_shows_to_be_senseless_is_refused_at_the_door(
    door: Door, sent: dict[str, Any], pointer: str
) -> None:
    assert refusal(door, sent)["pointer"] == pointer
    assert door.read("/v1/events")["items"] == []


def kept_with(door: Door, code: str, *events: dict[str, Any]) -> dict[str, Any]:
    """The one contradiction of events that are all kept."""
    door.told(*events)
    assert len(door.read("/v1/events")["items"]) == len(events)
    (found,) = door.contradictions()
    assert (found["kind"], found["code"]) == ("contradiction", code)
    return found


def test_rule_6_more_inspected_than_cut_is_kept_as_a_contradiction(door: Door) -> None:
    judged = [
        event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=2),
        event("attempt.inspected", "A", time="2026-03-04T13:00:00Z", good=1, scrap=1),
    ]
    found = kept_with(door, "more_inspected_than_cut", cut(quantity=3), *judged)
    assert (found["subject_kind"], found["subject"]) == ("attempt", "A")
    assert found["figures"] == {"inspected": 4, "quantity": 3}  # 2 + (1 + 1) of 3
    assert (door.totals()["good"], door.totals()["scrap"]) == (2, 0)


def test_rule_6_job_and_plate_disagreeing_on_thickness_is_kept_as_a_contradiction(door: Door) -> None:
    found = kept_with(
        door, "thickness_disagrees", opened(thickness_mm=25), received(thickness_in=1), cut(job="J", plate="P")
    )
    assert found["subject"] == "A"
    assert found["figures"] == {"job_thickness_mm": 25, "plate_thickness_mm": 25.4}
    assert door.attempt()["thickness_mm"] == 25.4


def test_rule_6_job_and_plate_disagreeing_on_material_group_is_kept_as_a_contradiction(door: Door) -> None:
    sent = [opened(material="S355J2+N"), received(material="S355MC"), cut(job="J", plate="P")]
    found = kept_with(door, "material_disagrees", *sent)
    assert found["figures"] == {"job_material": "S355J2+N", "plate_material": "S355MC"}
    same = [{"kind": "material", "name": name, "group": "S355"} for name in ("S355J2+N", "S355MC")]
    door.set(aliases=same)
    assert door.contradictions() == []


def test_rule_6_a_piece_cut_again_after_it_was_wholly_good_is_kept_as_a_contradiction(door: Door) -> None:
    piece = {"job": "J", "piece": "1"}
    sent = [cut("A", good=1, **piece), cut("B", good=1, time="2026-03-04T11:00:00Z", **piece)]
    found = kept_with(door, "cut_again_after_good", *sent)
    assert found["subject"] == "B"
    assert found["figures"] == {"wholly_good_with": "A", "cut_again_with": "B"}
    door.told(cut("B", good=1, time="2026-03-04T11:00:01Z", mode="recut", **piece))
    assert door.contradictions() == []


def test_rule_6_retries_in_a_circle_are_kept_as_a_contradiction_each(door: Door) -> None:
    door.told(cut("A", retry_of="B"), cut("B", retry_of="A"), cut("C", retry_of="B"))
    found = door.contradictions()
    assert [(one["code"], one["subject"], one["figures"]) for one in found] == [
        ("retry_circle", "A", {"retry_of": "B"}),
        ("retry_circle", "B", {"retry_of": "A"}),
    ]


def test_rule_6_two_runs_that_overlap_on_one_machine_are_kept_as_a_contradiction(door: Door) -> None:
    sent = [
        cut("A", machine="Laser 1", run="r1", seconds=600, time="2026-03-04T10:10:00Z"),  # 10:00 to 10:10
        cut("B", machine="laser 1", run="r2", seconds=600, time="2026-03-04T10:15:00Z"),  # 10:05 to 10:15
    ]
    found = kept_with(door, "runs_overlap", *sent)
    assert found["subject"] == "B"
    assert found["figures"] == {"overlap_seconds": 300, "earlier": "A", "later": "B"}


# --- envelope ---------------------------------------------------------------------------------------------------


def test_envelope_an_id_is_unique_within_its_source(door: Door) -> None:
    sent = [cut("A", id="1", source="/a"), cut("B", id="1", source="/b"), cut("C", id="1", source="/A")]
    assert door.statuses(*sent) == ["accepted"] * 3


def test_envelope_ids_are_compared_as_they_are(door: Door) -> None:
    composed, apart = "\u00e9", "e\u0301"
    sent = [cut(composed, id=composed, good=1), cut(apart, id=apart, scrap=1), cut("a", id="X"), cut("A", id="x")]
    assert door.statuses(*sent) == ["accepted"] * 4
    door.count()
    assert door.read(f"/v1/attempts/{composed}")["parts"]["good"] == 1
    assert door.read(f"/v1/attempts/{apart}")["parts"]["scrap"] == 1


def test_envelope_events_subjects_machines_and_voids_are_scoped_to_the_site(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    mine, theirs = cut(id="1", machine="L", job="J", good=1), cut(id="1", machine="l", scrap=1)
    door.told(mine)
    other.told(theirs)
    door.told(opened("J", thickness_mm=30))
    other.told(void(mine, id="void"))
    assert door.totals()["good"] == 1
    assert other.rows() == []
    assert other.get("/v1/jobs/J").status_code == 404
    other.told(cut(id="2", machine="l", scrap=1))
    assert [one.attempt()["machine"] for one in (door, other)] == ["L", "l"]


def test_envelope_an_event_belongs_to_the_site_of_its_request(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    both = door.key("erp", sites=(door.site, other.site))
    assert door.post(cut(), key=both).status_code == 422
    assert door.post(cut(), key=both, query_string={"site": other.site}).status_code == 202
    assert (len(door.read("/v1/events")["items"]), len(other.read("/v1/events")["items"])) == (0, 1)


def test_envelope_instants_are_kept_to_the_microsecond(door: Door) -> None:
    door.told(event("attempt.started", "A", time="2026-03-04T10:00:00.1234569+01:00"))
    assert door.attempt()["started_at"] == "2026-03-04T09:00:00.123456Z"


def test_envelope_time_up_to_24_h_ahead_and_from_2000_on_is_taken(door: Door) -> None:
    # The clock stands at 2027-01-15T08:00:00Z.
    assert door.statuses(cut(time="2027-01-16T08:00:00Z"), cut("B", time="2000-01-01T00:00:00Z")) == ["accepted"] * 2
    for wrong in ("2027-01-16T08:00:00.000001Z", "1999-12-31T23:59:59.999999Z"):
        assert refusal(door, cut(time=wrong))["pointer"] == "/time"


def test_envelope_attributes_beside_the_table_are_kept_and_otherwise_ignored(door: Door) -> None:
    more = {"datacontenttype": "application/json", "dataschema": "/schemas/cut-1", "seq": 7, "line": "2", "late": True}
    sent = cut(id="1", good=1) | more
    door.told(sent)
    (kept,) = door.read("/v1/events")["items"]
    assert kept["event"] == sent
    assert door.totals()["good"] == 1


def test_envelope_data_in_base64_and_data_that_is_no_json_are_refused(door: Door) -> None:
    sent = cut()
    assert refusal(door, sent | {"data_base64": "e30="})["pointer"] == "/data_base64"
    assert refusal(door, sent | {"datacontenttype": "application/cbor"})["pointer"] == "/datacontenttype"


def test_envelope_null_means_not_given(door: Door) -> None:
    door.told(
        event("attempt.started", "A", time="2026-03-04T09:00:00Z", machine="L1", gas="oxygen", quantity=2),
        cut(machine=None, gas=None, quantity=None, good=None, rework=1),
    )
    seen = door.attempt()
    assert (seen["machine"], seen["gas"], seen["parts"]["quantity"]) == ("L1", "oxygen", 2)
    assert (seen["parts"]["rework"], seen["parts"]["pending"]) == (1, 1)


# --- types ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", list(EVENT_TYPES))
def test_types_each_is_taken_with_its_least_data_and_kept_as_sent(door: Door, kind: str) -> None:
    subject = door.site if kind == "cutledger.site.set" else "S"
    sent = event(kind.removeprefix("cutledger."), subject) | {"data": MINIMAL[kind]}
    door.told(sent)
    (kept,) = door.read("/v1/events")["items"]
    assert kept["event"] == sent


def test_types_defaults_apply_in_the_fold_never_at_the_door(door: Door) -> None:
    sent = [
        opened(),
        event("attempt.started", "A", job="J"),
        event("attempt.inspected", "A", time="2026-03-04T11:00:00Z", good=1),
    ]
    door.told(*sent)
    kept = [each["event"]["data"] for each in door.read("/v1/events")["items"]]
    assert kept == [each["data"] for each in sent]
    assert (door.attempt()["purpose"], door.attempt()["mode"]) == ("production", "new")


def test_types_the_last_opened_states_a_job_as_a_whole(door: Door) -> None:
    door.told(
        opened(time="2026-03-04T08:00:00Z", order="SO-1", purpose="trial", pierces_per_part=3),
        opened(time="2026-03-04T09:00:00Z", quantity=12, revision="B"),
    )
    job = door.read("/v1/jobs/J")
    assert (job["quantity"], job["revision"]) == (12, "B")
    assert not job.keys() & {"order", "purpose", "pierces_per_part"}
    # The last in fold order, not in arrival
    door.told(opened(time="2026-03-04T08:30:00Z", quantity=99, order="SO-2"))
    assert door.read("/v1/jobs/J")["quantity"] == 12


def test_types_a_later_opened_opens_a_closed_job_again(door: Door) -> None:
    door.told(opened(), event("job.closed", "J", time="2026-03-05T10:00:00Z", reason="complete"))
    job = door.read("/v1/jobs/J")
    assert (job["state"], job["close_reason"]) == ("closed", "complete")
    assert job["closed_at"] == "2026-03-05T10:00:00Z"
    door.told(opened(time="2026-03-06T10:00:00Z"))
    assert (door.read("/v1/jobs/J")["state"], door.read("/v1/jobs/J")["closed_at"]) == ("open", None)
    door.told(event("job.closed", "J", time="2026-03-05T11:00:00Z", reason="cancelled"))
    assert door.read("/v1/jobs/J")["state"] == "open"


def test_types_the_last_received_states_a_plate_as_a_whole_condition_fields_aside(door: Door) -> None:
    door.told(
        received(time="2026-03-03T08:00:00Z", mill="North", length_mm=3000, rust_grade="B", edges="mill"),
        received(time="2026-03-03T09:00:00Z", heat_number="H2", edges="plasma"),
    )
    plate = door.read("/v1/plates/P")
    assert (plate["heat_number"], plate["mill"]) == ("H2", None)
    assert "length_mm" not in plate
    assert {name: each["value"] for name, each in plate["condition"].items()} == {"rust_grade": "B", "edges": "plasma"}


def test_types_a_remnant_takes_its_origin_from_the_nearest_ancestor_that_has_it(door: Door) -> None:
    door.told(
        received("P3", parent="P2", certificate="2.2"),
        received("P2", parent="P1", mill="North"),
        received("P1", mill="South", heat_number="H1", supplier="Stockist", delivery_condition="N", certificate="3.1"),
        cut(plate="P3"),
    )
    plate = door.read("/v1/plates/P3")
    origin = ("mill", "heat_number", "supplier", "certificate", "delivery_condition")
    assert [plate[name] for name in origin] == ["North", "H1", "Stockist", "2.2", "N"]
    assert [row["heat_number"] for row in door.rows(by="heat_number")] == ["H1"]
    # The ancestor is stated anew, without its heat
    door.told(received("P1", time="2026-03-03T11:00:00Z", mill="South"))
    assert door.attempt()["heat_number"] is None


def test_types_a_ring_of_parents_is_a_contradiction(door: Door) -> None:
    door.told(received("P1", parent="P2"), received("P2", parent="P3"), received("P3", parent="P1", mill="North"))
    found = door.contradictions()
    assert [(one["code"], one["subject_kind"], one["subject"]) for one in found] == [
        ("parent_ring", "plate", name) for name in ("P1", "P2", "P3")
    ]
    assert found[0]["figures"] == {"ring": ["P1", "P2", "P3"]}
    assert door.read("/v1/plates/P1")["mill"] == "North"
    door.told(received("P3", time="2026-03-03T11:00:00Z", mill="North"))
    assert door.contradictions() == []


def test_types_a_closed_plate_says_why(door: Door) -> None:
    door.told(received(), event("plate.closed", "P", time="2026-03-06T10:00:00Z", reason="scrapped"))
    plate = door.read("/v1/plates/P")
    assert (plate["state"], plate["close_reason"], plate["closed_at"]) == ("closed", "scrapped", "2026-03-06T10:00:00Z")


def test_types_all_attempts_of_a_job_that_cuts_another_again_are_retries(door: Door) -> None:
    door.told(opened("K", recut_of="J"), cut("A", job="K", good=1), cut("B", job="K", piece="9", good=1))
    assert [door.attempt(name)["attempt_no"] for name in "AB"] == [2, 2]
    assert door.totals()["first_attempts"] == 0


def test_types_shops_that_track_no_plates_say_material_and_thickness_with_the_attempt(door: Door) -> None:
    door.told(event("attempt.started", "A", material="S235", thickness_in="1 1/4"), cut(material=..., thickness_mm=...))
    assert (door.attempt()["material"], door.attempt()["thickness_mm"]) == ("S235", 31.75)


def test_types_rest_released_by_the_sample_makes_the_rest_good(door: Door) -> None:
    door.told(
        cut(quantity=10), event("attempt.inspected", "A", time="2026-03-04T12:00:00Z", good=2, rest_released=True)
    )
    totals = door.totals()
    assert (totals["good"], totals["released_by_sample"], totals["pending"]) == (10, 8, 0)


def test_types_planned_finishing_is_no_rework(door: Door) -> None:
    work = {"operation": "edge_rounding", "time": "2026-03-04T12:00:00Z"}
    door.told(
        cut(good=2),
        event("attempt.reworked", "A", minutes=12, parts=2, planned=True, **work),
        event("attempt.reworked", "A", minutes=3, parts=1, **work),
    )
    totals = door.totals("rework")
    assert (totals["finishing_minutes"], totals["booked_rework_minutes"], totals["rework_minutes"]) == (12, 3, 3)
    assert door.totals()["hidden_rework"] == 1  # only the unplanned part


def test_types_a_service_is_about_its_machine(door: Door) -> None:
    door.told(event("machine.serviced", "Laser 1", what="nozzle", note="crater at the rim"))
    (kept,) = door.read("/v1/events", subject="Laser 1")["items"]
    assert kept["event"]["data"] == {"what": "nozzle", "note": "crater at the rim"}


def test_types_a_hand_over_is_kept_line_by_line_and_counts_nowhere(door: Door) -> None:
    door.told(cut(machine="Laser 1", good=1), event("machine.serviced", "Laser 1", what="nozzle"))
    before = (door.rows(), door.report("trend")["details"])
    told = event("shift.handed_over", "Laser 1", note="P-77 lies on the table\ntwo parts to go")
    door.told(told)
    assert (door.rows(), door.report("trend")["details"]) == before
    (kept,) = door.read("/v1/events", type="cutledger.shift.handed_over")["items"]
    assert kept["event"] == told
    for note in ("", " \n ", "a\tb", "a\r\nb", "x" * 2_001):
        assert refusal(door, told | {"id": "n", "data": {"note": note}}, key="terminal")["pointer"] == "/data/note"


@pytest.mark.parametrize("kind", ADMINISTERED)
def test_types_with_doors_of_their_own_are_for_admins(door: Door, kind: str) -> None:
    sent = event(kind.removeprefix("cutledger."), door.site, **MINIMAL[kind])
    for role in ("terminal", "erp"):
        assert refusal(door, sent, key=role)["pointer"] == "/type"
    assert door.post(sent).status_code == 202


def test_types_settings_are_about_the_site_of_the_request(door: Door) -> None:
    assert refusal(door, event("site.set", "elsewhere", valid_from="2026-03-02", zone="UTC"))["pointer"] == "/subject"


def test_types_3_16_inch_leaves_as_4_7625_and_6_mm_never_meets_a_quarter_inch(door: Door) -> None:
    door.told(
        cut("A", thickness_in="3/16"),
        cut("B", thickness_in="1/4"),
        cut("C", thickness_mm=6),
        cut("D", thickness_in=0.25),
    )
    assert [(row["thickness_mm"], row["attempts"]) for row in door.rows()] == [(4.7625, 1), (6, 1), (6.35, 2)]


def test_types_names_match_after_trimming_nfc_and_case_folding_and_show_as_first_written(door: Door) -> None:
    door.told(
        cut("A", machine="BR\u00dcCKE ", recipe={"name": "Thick"}, time="2026-03-04T12:00:00Z"),
        cut("B", machine=" Bru\u0308cke", recipe={"name": " thick"}, time="2026-03-04T11:00:00Z"),
        cut("C", material=" s355"),
    )
    # First written by B, whose cut came first
    (row,) = door.rows(by="machine", machine="br\u00fccke")
    assert (row["machine"], row["attempts"]) == ("Bru\u0308cke", 2)
    assert [row["recipe"] for row in door.rows(by="recipe")] == ["thick", None]
    assert [row["material"] for row in door.rows(by="material")] == ["s355"]
    # Written still earlier, and then never written
    earlier = cut("D", machine="br\u00fccke", time="2026-03-04T10:30:00Z")
    door.told(earlier)
    assert [row["machine"] for row in door.rows(by="machine")][0] == "br\u00fccke"
    door.told(void(earlier))
    assert [row["machine"] for row in door.rows(by="machine")][0] == "Bru\u0308cke"


def test_types_a_recipe_is_its_name_and_revision(door: Door) -> None:
    recipes = [{"name": "R"}, {"name": "r", "revision": "a"}, {"name": "R", "revision": "A"}, {"power_w": 12_000}]
    door.told(*(cut(f"A{index}", recipe=recipe) for index, recipe in enumerate(recipes)))
    assert {row["recipe"]: row["attempts"] for row in door.rows(by="recipe")} == {"R": 1, "r / a": 2, None: 1}
    assert door.totals(recipe="R / A")["attempts"] == 2


def test_types_a_new_name_raises_one_finding_to_map_it(door: Door) -> None:
    door.told(cut("A", machine="Laser 1"), cut("B", machine="LASER 1"), cut("C", machine="Laser 1"))
    assert [(one["subject_kind"], one["subject"]) for one in door.findings(kind="new_name")] == [
        ("machine", "Laser 1"), ("material", "S355"),
    ]  # fmt: skip
    door.set(aliases=[{"kind": "machine", "name": "Laser 1"}, {"kind": "material", "name": "S355J2", "also": ["s355"]}])
    assert door.findings() == []
    assert [row["material"] for row in door.rows(by="material")] == ["S355J2"]
