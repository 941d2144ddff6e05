"""Findings that the worker looks for: changes, lots, conditions; kept, opened once, closed, opened again, noted."""

from __future__ import annotations

import random
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, Service, alone, cut, opened, received, void
from worker import findings
from worker.findings import LEAST_REST_US, MOST_WAIT_US, OLD_US, look, look_when_due

FIRST = date(2026, 2, 2)
DAY_US = 86_400_000_000
NOTHING = dict.fromkeys(("owner", "due", "action", "worked", "note"))
#: Failed pierces of 60 on ordinary days, as chance might bring them; no two neighbours stand out.
ORDINARY = (2, 1, 3, 2, 0, 2, 4, 1, 2, 3, 1, 2, 2, 3, 0, 2, 1, 3, 2, 2, 1, 2, 3, 1)
WORN = (9, 11, 10)


def at(day: int, hour: int = 10, minute: int = 0) -> str:
    return f"{FIRST + timedelta(days=day)}T{hour:02}:{minute:02}:00Z"


def pierced(day: int, failed: int, *, machine: str = "Laser 1", good: int = 4) -> dict[str, Any]:
    """A day's only attempt on a machine: 60 pierces, four parts."""
    name = f"{machine}-{day}"
    return cut(
        name, id=name, machine=machine, time=at(day), plate=f"P-{name}", quantity=4, good=good, scrap=4 - good,
        pierces=60, failed_pierces=failed,
    )  # fmt: skip


def days_of(failed: Iterable[int], *, since: int = 0, **how: Any) -> list[dict[str, Any]]:
    return [pierced(day, count, **how) for day, count in enumerate(failed, since)]


def evening(door: Door, day: int) -> None:
    """Let it be the evening of a day."""
    moment = datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC) + timedelta(hours=20)
    door.clock.now_us = int(moment.timestamp()) * 1_000_000


def looked(door: Door, day: int) -> list[dict[str, Any]]:
    """Look for findings in the evening of a day; those of the kinds that are looked for."""
    evening(door, day)
    look(door.database, door.site, now_us=door.clock.now_us)
    return [one for one in door.findings() if one["kind"] in ("drift", "bad_lot", "condition", "implausible")]


def test_a_rise_of_failed_pierces_is_one_finding_with_its_figures_and_the_services_since(door: Door) -> None:
    door.told(*days_of([*ORDINARY, *WORN]), *days_of([*ORDINARY, *ORDINARY[:3]], machine="Laser 2"))
    door.told(event("machine.serviced", "laser 1", time=at(26, 18), what="nozzle"))
    door.told(event("machine.serviced", "Laser 2", time=at(26, 18), what="lens"))
    (found,) = looked(door, 26)
    assert (found["kind"], found["code"], found["subject_kind"], found["subject"]) == (
        "drift", "pierces_rose", "machine", "Laser 1",
    )  # fmt: skip
    figures = found["figures"]
    assert (figures["since"], figures["last"]) == ("2026-02-26", "2026-02-28")
    assert (figures["failed"], figures["of"], figures["failed_before"], figures["of_before"]) == (30, 180, 45, 24 * 60)
    assert figures["share"] == pytest.approx(30 / 180)
    assert 0 < figures["p_value"] <= figures["q_value"] < 0.05
    assert figures["services_since"] == [{"day": "2026-02-28", "what": "nozzle"}]
    assert "30 of 180 pierces from 2026-02-26 to 2026-02-28 (16.7%, 3.1% before)" in found["detail"]
    assert "nozzle on 2026-02-28" in found["detail"]
    assert found["window"] == {"first_day": "2025-08-31", "last_day": "2026-02-28"}
    assert found["opened_at"] == found["updated_at"] == "2026-02-28T20:00:00Z"


def test_ordinary_days_are_no_finding(door: Door) -> None:
    door.told(*days_of(ORDINARY), *days_of(ORDINARY[::-1], machine="Laser 2"))
    assert all(looked(door, day) == [] for day in (5, 11, 17, 23))


def test_a_fall_is_no_finding(door: Door) -> None:
    door.told(*days_of([9, 11, 10, 8, 12, 9, 10, 11, 9, 10, 0, 1, 0, 1, 0, 0]))
    assert looked(door, 15) == []


def test_one_bad_day_that_the_next_does_not_confirm_is_no_finding(door: Door) -> None:
    door.told(*days_of([*ORDINARY[:12], 11, *ORDINARY[12:14]]))
    assert looked(door, 14) == []


def test_parts_lost_at_failed_pierces_are_one_finding_with_them(door: Door) -> None:
    door.told(*days_of(ORDINARY), *days_of((15, 18, 16, 17, 15), since=24, good=0))
    assert [one["code"] for one in looked(door, 28)] == ["pierces_rose"]


def test_failures_without_failed_pierces_are_found_too(door: Door) -> None:
    door.told(*days_of(ORDINARY), *days_of((2, 1, 2, 1, 3, 2, 1), since=24, good=0))
    (found,) = looked(door, 30)
    assert (found["code"], found["figures"]["failed"], found["figures"]["failed_before"]) == ("failures_rose", 28, 0)


def test_thick_plate_is_no_change_of_the_machine(door: Door) -> None:
    """At 20 mm 3 % of the pierces fail and at 30 mm 20 %: three days of thick plate say nothing of the nozzle."""
    thick = {"thickness_mm": 30}
    story = [pierced(day, 12 if day % 8 > 5 else ORDINARY[day]) for day in range(24)]
    for each in (one for day, one in enumerate(story) if day % 8 > 5):
        each["data"] |= thick
    late = days_of((12, 11, 13), since=24)
    for each in late:
        each["data"] |= thick
    door.told(*story, *late)
    assert looked(door, 26) == []


def test_a_finding_is_updated_closed_and_opened_again_and_all_of_it_is_on_record(door: Door) -> None:
    door.told(*days_of([*ORDINARY, *WORN]))
    (opened,) = looked(door, 26)
    position = door.read("/v1/findings")["looked"]["position"]
    door.told(pierced(27, 8))
    (later,) = looked(door, 27)
    assert (later["id"], later["opened_at"], later["times_opened"]) == (opened["id"], opened["opened_at"], 1)
    assert (later["updated_at"], later["figures"]["last"]) == ("2026-03-01T20:00:00Z", "2026-03-01")
    evening(door, 51)
    door.told(*days_of(ORDINARY, since=28))
    assert looked(door, 51) == []
    (closed,) = door.findings(state="closed", kind="drift")
    assert (closed["id"], closed["state"], closed["closed_at"]) == (opened["id"], "closed", "2026-03-25T20:00:00Z")
    assert closed["figures"] == later["figures"]
    evening(door, 54)
    door.told(*days_of((14, 13, 15), since=52))
    (again,) = looked(door, 54)
    assert (again["id"], again["times_opened"], again["closed_at"]) == (opened["id"], 2, None)
    whole = door.read(f"/v1/findings/{opened['id']}")
    assert [one["change"] for one in whole["changes"]] == ["opened", "closed", "again"]
    assert [one["figures"]["last"] for one in whole["changes"]] == ["2026-02-28", "2026-03-01", "2026-03-28"]
    assert whole["changes"][0]["position"] == position < whole["changes"][1]["position"]
    assert {name: whole[name] for name in again} == again
    assert door.findings(state="all", kind="drift") == [again]


# --- lots and conditions ----------------------------------------------------------------------------------------


def plates(heat: str, good: int, *, count: int, since: int, machine: str = "Laser 1", **plate: Any) -> list[Any]:
    """Plates of a heat, one a day from a day on, 10 parts of each, so many of them good."""
    told: list[Any] = []
    for number in range(count):
        name = f"{heat}-{machine}-{number}"
        told.append(received(name, id=name, time="2026-02-01T10:00:00Z", mill="Nordhelm", heat_number=heat, **plate))
        told.append(
            cut(
                name,
                id=f"cut {name}",
                plate=name,
                machine=machine,
                time=at(since + number),
                quantity=10,
                good=good,
                rework=10 - good,
            )  # fmt: skip
        )
    return told


def other_heats(machine: str = "Laser 1") -> list[Any]:
    return [
        each
        for number in range(6)
        for each in plates(f"H{number}", 10 - number % 2, count=4, since=number, machine=machine)
    ]


def test_a_heat_worse_than_chance_on_both_machines_points_at_the_steel(door: Door) -> None:
    bad = [each for machine in ("Laser 1", "Laser 2") for each in plates("X9", 2, count=3, since=3, machine=machine)]
    door.told(*other_heats(), *other_heats("Laser 2"), *bad)
    found = [one for one in looked(door, 20) if one["kind"] == "bad_lot"]
    assert [(one["subject_kind"], one["subject"], one["other"]) for one in found] == [("heat", "X9", "Nordhelm")]
    assert (found[0]["figures"]["not_good"], found[0]["figures"]["parts"]) == (48, 60)
    assert "suspect the steel" in found[0]["detail"]


def test_a_heat_bad_on_one_machine_of_two_points_at_the_machine(door: Door) -> None:
    door.told(*other_heats(), *other_heats("Laser 2"), *plates("X9", 1, count=5, since=3))
    door.told(*plates("X9", 10, count=2, since=3, machine="Laser 2"))
    (found,) = [one for one in looked(door, 20) if one["kind"] == "bad_lot"]
    assert "on Laser 1 alone and not on Laser 2: suspect the machine" in found["detail"]


def test_few_parts_on_the_other_machine_blame_nobody(door: Door) -> None:
    door.told(*other_heats(), *other_heats("Laser 2"), *plates("X9", 3, count=5, since=3))
    few = plates("X9", 5, count=1, since=3, machine="Laser 2")
    few[1]["data"] |= {"quantity": 5, "good": 4, "rework": 1}
    door.told(*few)
    (found,) = [one for one in looked(door, 20) if one["kind"] == "bad_lot"]
    assert "what Laser 2 cut of it does not tell the machine from the steel" in found["detail"]
    door.set(plausibility={"off": ["heat_or_machine"]})
    (found,) = [one for one in looked(door, 20) if one["kind"] == "bad_lot"]
    assert "Laser 2" not in found["detail"]


def test_ten_thousand_entries_of_one_kind_are_one_finding_and_hold_up_nobody(door: Door) -> None:
    """Times entered in minutes: one cause, however many attempts."""
    job = opened(cut_length_mm=10_000, pierces_per_part=1, time="2026-02-01T10:00:00Z")
    recipe = {"name": "S355-20", "revision": "A", "feed_mm_min": 1_000, "pierce_seconds": 1}
    cuts = [
        cut(
            f"A{number}", job="J", recipe=recipe, machine="Laser 1", seconds=10, pierces=1, failed_pierces=0, time=at(3)
        )
        for number in range(400)
    ]
    door.told(job, *cuts)
    found = [one for one in looked(door, 20) if one["code"] == "machine_time"]
    assert [(one["subject_kind"], one["subject"]) for one in found] == [("recipe", "S355-20 / A")]
    assert found[0]["figures"]["attempts"] == 400


def test_a_lot_seen_only_across_services_is_watched_but_no_finding(door: Door) -> None:
    services = [event("machine.serviced", "Laser 1", time=at(day, 6), what="nozzle") for day in range(12)]
    story = [*other_heats(), *plates("X9", 1, count=6, since=3)]
    door.told(*story, *services)
    assert [one for one in looked(door, 20) if one["kind"] == "bad_lot"] == []
    first_day = {"from_": FIRST.isoformat(), "to": "2026-03-31"}
    assert {row["lot"]: row["verdict"] for row in door.rows("lots", **first_day)}["X9"] == "watch"
    door.told(*(void(each, time=at(20)) for each in services))
    assert [one["subject"] for one in looked(door, 20) if one["kind"] == "bad_lot"] == ["X9"]


def test_a_plate_that_is_finished_on_the_next_day_hides_no_bad_lot(door: Door) -> None:
    """Two plates on two days, though no two neighbours in time differ in both."""
    door.told(*other_heats(), *plates("X9", 1, count=2, since=3))
    one, other = (f"X9-Laser 1-{number}" for number in range(2))
    more = [cut(f"{one} again", plate=one, machine="Laser 1", time=at(4, 9), quantity=10, good=0, rework=10)]
    more += [
        cut(f"{other} {number}", plate=other, machine="Laser 1", time=at(4, 12 + number), quantity=10, good=1, rework=9)
        for number in range(4)
    ]
    door.told(*more)
    assert [one["subject"] for one in looked(door, 20) if one["kind"] == "bad_lot"] == ["X9"]


def test_steel_found_bad_is_left_out_of_its_machine_s_chart(door: Door) -> None:
    """Its last days are all of a bad heat: one cause, one finding."""
    story = [each for number in range(8) for each in plates(f"H{number}", 9, count=3, since=3 * number)]
    door.told(*story, *plates("X9", 1, count=5, since=24))
    assert [one["kind"] for one in looked(door, 29)] == ["bad_lot"]


@pytest.mark.parametrize(
    ("worse", "usual", "word"),
    [
        ({"rust_grade": "D"}, {"rust_grade": "A"}, "surface"),
        ({"edges": "laser", "cooling": "water"}, {"edges": "mill"}, "thermal_history"),
    ],
)
def test_a_condition_that_costs_yield_is_found_with_its_sign_and_its_heats(
    door: Door, worse: dict[str, Any], usual: dict[str, Any], word: str
) -> None:
    sound = [each for number in range(5) for each in plates(f"H{number}", 9, count=4, since=number, **usual)]
    poor = [each for number in range(5) for each in plates(f"R{number}", 6, count=2 + number, since=number, **worse)]
    door.told(*sound, *poor)
    (found,) = [one for one in looked(door, 20) if one["kind"] == "condition"]
    assert (found["subject_kind"], found["subject"], found["other"]) == ("site", door.site, word)
    assert found["figures"]["difference"] == pytest.approx(0.3)
    assert found["figures"]["difference_low"] > 0
    assert found["figures"]["heats"][0] == {"mill": "Nordhelm", "heat_number": "R4", "parts": 60, "not_good": 24}


def test_what_is_found_is_the_same_whatever_order_the_events_came_in(service: Service, door: Door) -> None:
    story = [
        *days_of([*ORDINARY, *WORN], machine="Laser 9"), *other_heats(), *other_heats("Laser 2"),
        *(each for machine in ("Laser 1", "Laser 2") for each in plates("X9", 2, count=3, since=20, machine=machine)),
    ]  # fmt: skip
    found: list[Any] = []
    for seed in range(3):
        own = service.door(door.clock)
        mixed = random.Random(seed).sample(story, len(story))
        for start in range(0, len(mixed), 40):
            own.told(*mixed[start : start + 40])
        found.append(looked(own, 26))
    assert len(found[0]) == 2
    assert found[0] == found[1] == found[2]


# --- what people note -------------------------------------------------------------------------------------------


def noted(door: Door, finding: str, key: str = "engineer", **said: Any) -> Any:
    # Each note is said a moment after the one before
    door.clock.now_us += 1_000_000
    answer = door.ask("POST", f"/v1/findings/{finding}/note", key=key, json=said)
    door.count()
    return answer


def contradicted(door: Door) -> str:
    door.told(cut("A", id="wrong", quantity=1), event("attempt.inspected", "A", id="i", good=2))
    (found,) = door.contradictions()
    return str(found["id"])


def test_owner_due_day_action_and_effect_are_noted_and_kept_in_the_ledger(door: Door) -> None:
    finding = contradicted(door)
    first = noted(door, finding, owner="process engineering", due="2027-02-01", note="who counted?")
    assert first.status_code == 201
    assert noted(door, finding, action="counted again", worked=True, due="2027-02-03").status_code == 201
    wanted = {
        "owner": "process engineering", "due": "2027-02-03", "action": "counted again", "worked": True,
        "note": "who counted?",
    }  # fmt: skip
    assert door.contradictions()[0]["noted"] == wanted
    whole = door.read(f"/v1/findings/{finding}")
    assert [one["due"] for one in whole["notes"]] == ["2027-02-01", "2027-02-03"]
    assert whole["noted"] == wanted
    (event_1, event_2) = door.read("/v1/events", type="cutledger.finding.noted")["items"]
    assert first.get_json() == {
        "finding": finding, "event": {"source": event_1["event"]["source"], "id": event_1["event"]["id"]},
        "position": event_1["position"],
    }  # fmt: skip
    assert {event_1["event"]["subject"], event_2["event"]["subject"]} == {finding}
    door.told(void(event_2["event"], time="2027-01-15T09:00:00Z"))
    assert door.read(f"/v1/findings/{finding}")["noted"] == {**NOTHING, **event_1["event"]["data"]}


def test_a_closed_finding_keeps_its_notes_and_takes_more(door: Door) -> None:
    finding = contradicted(door)
    look(door.database, door.site, now_us=door.clock.now_us)
    noted(door, finding, owner="inspection")
    door.told(void({"source": "/terminals/bay-1", "id": "i", "subject": "A"}))
    assert door.contradictions() == []
    (closed,) = door.findings(state="closed")
    assert (closed["id"], closed["state"], closed["noted"]["owner"]) == (finding, "closed", "inspection")
    # Closed at once, though only the next look puts down when
    assert closed["closed_at"] is None
    look(door.database, door.site, now_us=door.clock.now_us + 1)
    assert door.findings(state="closed")[0]["closed_at"] is not None
    assert noted(door, finding, worked=True).status_code == 201
    assert door.read(f"/v1/findings/{finding}")["noted"]["worked"] is True


@pytest.mark.parametrize(
    ("said", "pointer"),
    [({}, ""), ({"due": "soon"}, "/due"), ({"ower": "x"}, "/ower"), ({"worked": "yes"}, "/worked")],
)
def test_a_wrong_note_names_its_field(door: Door, said: dict[str, Any], pointer: str) -> None:
    answer = noted(door, contradicted(door), **said)
    assert (answer.status_code, answer.get_json()["errors"][0]["pointer"]) == (422, pointer)
    assert door.contradictions()[0]["noted"] == NOTHING


@pytest.mark.parametrize("key", ["terminal", "reader", "erp"])
def test_only_engineers_and_those_who_administer_note(door: Door, key: str) -> None:
    finding = contradicted(door)
    assert noted(door, finding, key, owner="me").status_code == 403
    assert noted(door, finding, "admin", owner="me").status_code == 201


def test_a_finding_of_another_site_is_none(door: Door, service: Service) -> None:
    finding = contradicted(door)
    other = service.door(door.clock)
    for answer in (other.get(f"/v1/findings/{finding}"), noted(other, finding, owner="me")):
        assert (answer.status_code, "there is no finding" in answer.get_json()["detail"]) == (404, True)


# --- looking ----------------------------------------------------------------------------------------------------


def test_a_look_says_up_to_which_event_it_saw(door: Door) -> None:
    assert door.read("/v1/findings")["looked"] is None
    contradicted(door)
    look(door.database, door.site, now_us=door.clock.now_us)
    said = door.read("/v1/findings")["looked"]
    (last,) = door.read("/v1/events", type="cutledger.attempt.inspected")["items"]
    assert said == {"position": last["position"], "at": "2027-01-15T08:00:00Z"}


def test_a_look_is_due_after_a_change_and_a_rest_and_not_while_events_wait(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Quick:
        def monotonic(self) -> float:
            return 0.0

    monkeypatch.setattr(findings, "time", Quick())

    def due(after_us: int) -> bool:
        with alone(door, "worker.findings"):
            return door.site in look_when_due(door.database, now_us=door.clock.now_us + after_us)

    assert not due(0)
    contradicted(door)
    assert due(0)
    assert not due(LEAST_REST_US)
    door.told(cut("B"))
    assert not due(LEAST_REST_US - 1)
    assert due(LEAST_REST_US)
    door.clock.now_us += LEAST_REST_US
    door.told(cut("C"))
    door.post([cut("D")])
    assert not due(LEAST_REST_US)
    assert due(MOST_WAIT_US)
    door.count()
    door.clock.now_us += MOST_WAIT_US
    assert due(LEAST_REST_US)
    door.clock.now_us += LEAST_REST_US
    assert not due(OLD_US - 1)
    assert due(OLD_US)


def test_a_look_that_took_long_rests_long(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    class Slow:
        now = 0.0

        def monotonic(self) -> float:
            self.now += 3.0
            return self.now

    monkeypatch.setattr(findings, "time", Slow())
    contradicted(door)
    look(door.database, door.site, now_us=door.clock.now_us)
    door.told(cut("B"))
    with alone(door, "worker.findings"):
        assert not look_when_due(door.database, now_us=door.clock.now_us + 59_000_000)
        assert look_when_due(door.database, now_us=door.clock.now_us + 60_000_000) == [door.site]


def test_a_site_that_fails_holds_up_no_other(door: Door, service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    other = service.door(door.clock)
    right = findings.noticed

    def failing(reader: Any, *, now_us: int) -> Any:
        if reader.site == door.site:
            raise RuntimeError("a fault")
        return right(reader, now_us=now_us)

    monkeypatch.setattr(findings, "noticed", failing)
    # Not those of other tests, which are there by the hundred.
    monkeypatch.setattr(findings, "site_names", lambda _: [door.site, other.site])
    contradicted(door)
    contradicted(other)
    looked_at = look_when_due(door.database, now_us=door.clock.now_us)
    assert (door.site in looked_at, other.site in looked_at) == (False, True)


def test_the_window_of_a_finding_moves_on_and_is_no_news(door: Door) -> None:
    door.told(*days_of([*ORDINARY, *WORN]))
    (before,) = looked(door, 26)
    (after,) = looked(door, 27)
    assert (before["window"]["last_day"], after["window"]["last_day"]) == ("2026-02-28", "2026-03-01")
    assert before["updated_at"] == after["updated_at"]


def test_a_look_that_ends_after_a_later_one_changes_nothing(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    contradicted(door)
    seen_before = findings.noticed

    def overtaken(reader: Any, *, now_us: int) -> Any:
        found = seen_before(reader, now_us=now_us)
        monkeypatch.setattr(findings, "noticed", seen_before)
        door.told(void({"source": "/terminals/bay-1", "id": "i", "subject": "A"}))
        look(door.database, door.site, now_us=now_us + 1)
        return found

    monkeypatch.setattr(findings, "noticed", overtaken)
    if door.database.is_sqlite:
        pytest.skip("with one writer nobody looks meanwhile")
    look(door.database, door.site, now_us=door.clock.now_us)
    assert door.findings(state="all", kind="contradiction") == []
