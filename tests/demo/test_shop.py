"""The invented shop: seeded, never ahead of its moment, and free of contradictions."""

from __future__ import annotations

import math
import re
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

import pytest

from demo import hours
from demo.cuts import GOOD, NOT_MADE, REWORK, SCRAP, Cut
from demo.sayings import Event
from demo.shop import CAUSES, DRIFTING_PIERCE, OXIDISED_LOT, QUENCHED_REMNANTS, Shop, make_shop
from demo.truth import LASER_8, LASER_15

LAST_DAY = date(2026, 3, 31)  # the eight weeks before hold the change to summer time
NOW = datetime(2026, 3, 31, 9, 30, tzinfo=UTC)
THICKNESSES = {12, 15, 19.05, 20, 25, 25.4, 30, 40}


def shop(seed: int = 7, **given: Any) -> Shop:
    return make_shop(seed, **{"last_day": LAST_DAY, "until": NOW} | given)


@pytest.fixture(scope="module")
def made() -> Shop:
    return shop()


def of_kind(events: Iterable[Event], kind: str) -> list[Event]:
    return [event for event in events if event["type"] == f"cutledger.{kind}"]


def standing(made: Shop) -> list[Event]:
    """The events that no one voided."""
    voided = {(event["data"]["source"], event["data"]["id"]) for event in of_kind(made.events, "event.voided")}
    return [event for event in made.events if (event["source"], event["id"]) not in voided]


def instant(event: Event) -> datetime:
    return datetime.fromisoformat(event["time"])


def attempts(made: Shop) -> dict[str, dict[str, Any]]:
    """What started and finished events say of each attempt, with `begun` and, when it ended, `ended`."""
    said: dict[str, dict[str, Any]] = defaultdict(dict)
    for event in sorted(standing(made), key=instant):
        if event["type"] in ("cutledger.attempt.started", "cutledger.attempt.finished"):
            attempt = said[event["subject"]]
            attempt |= event["data"]
            if event["type"].endswith("started"):
                attempt["begun"] = instant(event)
            else:
                attempt["ended"] = instant(event)
                if "started_at" in event["data"]:
                    attempt["begun"] = datetime.fromisoformat(event["data"]["started_at"])
    return said


def test_a_seed_makes_the_same_shop_every_time(made: Shop) -> None:
    again = shop()
    assert again.streams == made.streams
    assert again.settings == made.settings
    assert shop(8).streams != made.streams


def test_generation_takes_less_than_a_second_and_a_half() -> None:
    begun = time.process_time()
    shop(11)
    assert time.process_time() - begun < 1.5


@pytest.mark.parametrize(
    "until",
    [
        datetime(2026, 2, 3, 4, 59, tzinfo=UTC),  # before the first plate is on a machine
        datetime(2026, 2, 20, 13, 0, tzinfo=UTC),
        datetime(2026, 3, 31, 4, 1, tzinfo=UTC),  # a minute into the last production day
        NOW,
        datetime(2026, 4, 1, 3, 59, tzinfo=UTC),  # its last minute
    ],
)
def test_no_event_lies_after_the_moment(until: datetime) -> None:
    made = shop(until=until)
    assert max(map(instant, made.events)) <= until
    assert all(
        event["time"] >= event["data"].get("observed_at", "") for event in of_kind(made.events, "plate.assessed")
    )


def test_a_later_moment_only_adds_events(made: Shop) -> None:
    earlier = shop(until=NOW - timedelta(days=9, hours=3))
    late = {event["id"]: event for event in shop(until=NOW + timedelta(days=3)).events}
    for before in (earlier, made):
        added_later = {event["id"] for event in before.events if event["subject"] in before.stories.open_attempts}
        assert all(late[event["id"]] == event for event in before.events if event["id"] not in added_later)


def test_every_event_has_a_proper_envelope(made: Shop) -> None:
    for event in made.events:
        assert set(event) == {"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data"}
        assert event["specversion"] == "1.0"
        assert re.fullmatch(r"/[a-z0-9/-]+", event["source"])
        assert re.fullmatch(r"cutledger\.[a-z]+\.[a-z_]+", event["type"])
        assert re.fullmatch(r"[ -~]{1,128}", event["subject"])
        assert instant(event).tzinfo is not None
        assert None not in event["data"].values()
        assert UUID(event["id"]).version == 7


def test_ids_are_unique_and_ordered_in_time(made: Shop) -> None:
    ids = [event["id"] for event in made.events]
    assert len(set(ids)) == len(ids)
    bay = [event for event in made.events if event["source"] == "/terminals/bay-1"]
    assert [event["id"] for event in bay] == sorted(event["id"] for event in bay)


@pytest.mark.parametrize("seed", [7, 3])
def test_the_door_takes_every_event(seed: int) -> None:
    from demo.door import BATCH, worded
    from service.acceptance import Judged, People, judge
    from service.bodies import parse_items
    from service.schemas.settings_data import SiteSet

    made, people = shop(seed), People("pseudonym", b"k" * 32)
    assert SiteSet().load(made.settings)
    batch = parse_items(worded(made.events, media_type=BATCH), BATCH)
    for item in batch.items:
        judged = judge(item.value, now_us=round(NOW.timestamp() * 1e6), people=people, pointer=item.pointer)
        assert isinstance(judged, Judged), judged


def test_the_shop_is_of_the_promised_size(made: Shop) -> None:
    assert 1_200 <= len(made.cuts) <= 2_200
    assert 5_000 <= len(made.events) <= 9_000
    assert {cut.plate.thickness.mm for cut in made.cuts} == THICKNESSES
    assert {cut.plate.material for cut in made.cuts} == {"S355J2+N", "S460N"}
    assert made.first_day == LAST_DAY - timedelta(days=55)
    assert {hours.production_day(cut.started_at) for cut in made.cuts} <= {
        made.first_day + timedelta(days=day) for day in range(56)
    }


def test_the_last_complete_week_shows_every_thickness_in_production(made: Shop) -> None:
    monday = hours.last_complete_week(LAST_DAY)
    week = {monday + timedelta(days=day) for day in range(7)}
    shown = {
        cut.plate.thickness.mm
        for cut in made.cuts
        if hours.production_day(cut.started_at) in week and cut.piece.job.purpose == "production"
    }
    assert len(shown) >= 6


def test_no_two_runs_overlap_on_a_machine(made: Shop) -> None:
    by_machine: dict[str, list[tuple[datetime, datetime]]] = defaultdict(list)
    for attempt in attempts(made).values():
        by_machine[attempt["machine"]].append((attempt["begun"], attempt.get("ended", NOW)))
    assert set(by_machine) == {LASER_8, LASER_15}
    for turns in by_machine.values():
        assert all(ended <= begun for (_, ended), (begun, _) in pairwise(sorted(turns)))


def test_counts_make_sense(made: Shop) -> None:
    for attempt in attempts(made).values():
        counted = sum(attempt.get(name, 0) for name in ("good", "rework", "scrap"))
        assert counted <= attempt.get("tried", attempt["quantity"]) <= attempt["quantity"]
        assert attempt.get("failed_pierces", 0) <= attempt.get("pierces", 100_000)
        assert attempt.get("seconds", 0) == round(attempt.get("seconds", 0), 3)
    for event in of_kind(made.events, "attempt.reworked"):
        data = event["data"]
        assert data.get("recovered", 0) + data.get("scrapped", 0) <= data["parts"]
        assert 0 < data["minutes"] == round(data["minutes"], 3)


def test_an_attempt_fits_its_job_and_plate(made: Shop) -> None:
    jobs = {event["subject"]: event["data"] for event in of_kind(made.events, "job.opened")}
    plates = {event["subject"]: event["data"] for event in of_kind(made.events, "plate.received")}
    for attempt in attempts(made).values():
        job, plate = jobs[attempt["job"]], plates[attempt["plate"]]
        for name in ("material", "thickness_mm", "thickness_in"):
            assert job.get(name) == plate.get(name)


def test_a_plate_is_never_asked_for_more_than_it_holds(made: Shop) -> None:
    plates = {event["subject"]: event["data"] for event in of_kind(made.events, "plate.received")}
    masses: Counter[str] = Counter()
    for cut in made.cuts:
        masses[cut.plate.id] += cut.tried * cut.piece.job.part.mass_kg
    for plate_id, mass_kg in masses.items():
        plate = plates[plate_id]
        thickness_mm = plate.get("thickness_mm") or {"3/4": 19.05, "1": 25.4}[plate["thickness_in"]]
        plate_kg = plate["length_mm"] * plate["width_mm"] * thickness_mm * 7.85e-6
        assert mass_kg <= 0.95 * plate_kg


def test_the_parts_of_a_cut_add_up(made: Shop) -> None:
    for cut in made.cuts:
        assert sum(map(cut.count, (GOOD, REWORK, SCRAP, NOT_MADE))) == cut.tried <= cut.quantity
        assert cut.recovered + cut.scrapped <= cut.count(REWORK)
        assert cut.failed_pierces <= cut.pierces
        assert cut.started_at < cut.finished_at <= cut.judged_at <= cut.settled_at


def test_a_retry_comes_after_the_failure_of_the_same_piece(made: Shop) -> None:
    tries: dict[tuple[str, str], list[Cut]] = defaultdict(list)
    for cut in made.cuts:
        tries[cut.piece.job.id, cut.piece.name].append(cut)
    retries = [pair for cuts in tries.values() for pair in pairwise(cuts)]
    for before, after in retries:
        assert after.attempt_no == before.attempt_no + 1
        assert before.finished_at < after.started_at
        assert before.count(GOOD) < before.quantity
        assert after.retry_of in (None, before.id)
    assert any(after.retry_of for _, after in retries)
    assert any(after.retry_of is None for _, after in retries)
    assert {after.mode for _, after in retries} == {"resume", "recut", None}
    assert all(before.plate is after.plate for before, after in retries if after.mode == "resume")


def test_every_planted_story_is_there(made: Shop) -> None:
    said, events, stories = attempts(made).values(), standing(made), made.stories
    outcomes = Counter(attempt.get("outcome") for attempt in said)
    assert min(outcomes[name] for name in ("not_severed", "pierce_failed", "aborted")) >= 5
    assert len({attempt["stop_reason"] for attempt in said if "stop_reason" in attempt}) >= 4
    assert sum("interruptions" in attempt for attempt in said) >= 20
    assert sum(cut.piece.job.purpose == "trial" for cut in made.cuts) >= 10
    stages = Counter(event["data"].get("stage", "first") for event in of_kind(events, "attempt.inspected"))
    assert min(stages[name] for name in ("first", "after_rework", "downstream")) >= 10
    inspected = [event["data"] for event in of_kind(events, "attempt.inspected")]
    assert sum("rest_released" in data for data in inspected) >= 30
    for measure in ("rz5_um", "u_mm", "dross_mm", "sizes", "defects", "causes"):
        assert sum(measure in data for data in inspected) >= 20
    operations = Counter(event["data"]["operation"] for event in of_kind(events, "attempt.reworked"))
    assert operations["edge_rounding"] >= 20
    assert min(operations[name] for name in ("dross_removal", "grinding", "weld_repair", "deburring")) >= 3
    assert sum(event["data"].get("planned", False) for event in of_kind(events, "attempt.reworked")) >= 20
    reasons = Counter(event["data"]["reason"] for event in of_kind(events, "job.closed"))
    assert reasons["complete"] >= 50
    assert reasons["cancelled"] == 2
    assert len(of_kind(events, "plate.closed")) >= 200
    assert {event["data"]["what"] for event in of_kind(events, "machine.serviced")} >= {"nozzle", "nozzle_centring"}
    assert len(stories.open_attempts) == 2


def test_the_oxidised_lot_is_assessed_after_its_first_cuts(made: Shop) -> None:
    lot = [cut for cut in made.cuts if cut.plate.heat == made.stories.oxidised_heat]
    plates = {cut.plate.id for cut in lot}
    assert len(plates) == 10
    assert all(cut.plate.surface_group == "disturbed" for cut in lot)
    assessed = [event for event in of_kind(made.events, "plate.assessed") if event["subject"] in plates]
    assert {event["data"]["rust_grade"] for event in assessed} == {"C", "D"}
    first_cut = min(cut.started_at for cut in lot)
    assert min(map(instant, assessed)) > first_cut
    assert max(datetime.fromisoformat(event["data"]["observed_at"]) for event in assessed) < first_cut


def test_quenched_remnants_come_from_plates_divided_by_heat_and_cooled_in_water(made: Shop) -> None:
    plates = {event["subject"]: event["data"] for event in of_kind(made.events, "plate.received")}
    remnants = [plates[plate] for plate in made.stories.quenched_plates if plate in plates]
    assert len(remnants) >= 10
    assert all(remnant["edges"] in ("plasma", "oxyfuel") and remnant["parent"] in plates for remnant in remnants)
    assert any(remnant.get("cooling") == "water" for remnant in remnants)
    assert any(event["data"].get("cooling") == "water" for event in of_kind(made.events, "plate.assessed"))


def test_failed_pierces_grow_on_one_machine_until_its_nozzle_is_changed(made: Shop) -> None:
    drift = made.stories.drift
    assert drift is not None
    changes = [event for event in of_kind(made.events, "machine.serviced") if event["data"]["what"] == "nozzle"]
    assert [instant(event) for event in changes if event["subject"] == LASER_15] == [drift.service_at]
    # The other one has its nozzle changed every other week.
    assert {event["subject"] for event in changes} == {LASER_8, LASER_15}

    def rate(since: datetime, before: datetime) -> float:
        cuts = [cut for cut in made.cuts if cut.machine == LASER_15 and since <= cut.started_at < before]
        return sum(cut.failed_pierces for cut in cuts) / sum(cut.pierces for cut in cuts)

    last_days = rate(drift.service_at - timedelta(days=5), drift.service_at)
    assert last_days > 3 * rate(drift.begins_at - timedelta(days=28), drift.begins_at)


def test_an_offline_terminal_posts_its_whole_shift_after_all_others(made: Shop) -> None:
    handheld = made.stories.handheld
    assert handheld is not None
    (late,) = [stream for stream in made.streams if stream.late]
    assert late.source == handheld.source
    (shift,) = late.batches
    started = [instant(event) for event in of_kind(shift, "attempt.started")]
    assert len(started) >= 2
    assert {(hours.production_day(at), hours.shift(at)) for at in started} == {(handheld.day, handheld.shift)}
    told_elsewhere = [
        cut for cut in made.cuts if handheld.in_use(cut.machine, at=cut.started_at) and cut.source != handheld.source
    ]
    assert told_elsewhere == []


def test_two_mistakes_are_voided_and_stated_anew(made: Shop) -> None:
    mistakes, events = made.stories.mistakes, {event["id"]: event for event in made.events}
    assert [mistake.wrong.kind for mistake in mistakes] == ["attempt.reworked", "attempt.finished"]
    for mistake in mistakes:
        wrong, void, right = (events[each.id] for each in (mistake.wrong, mistake.void, mistake.right))
        assert void["data"]["id"] == wrong["id"]
        assert void["source"] == void["data"]["source"] == wrong["source"] == right["source"]
        assert void["subject"] == wrong["subject"] == right["subject"]
        assert wrong["time"] == right["time"]
        assert wrong["data"] != right["data"]


def test_batches_are_small_and_some_are_posted_twice(made: Shop) -> None:
    for stream in made.streams:
        assert stream.late or all(1 <= len(batch) <= 31 for batch in stream.batches)
    once = {(event["source"], event["id"]) for event in made.events}
    assert 30 <= made.posted - len(once) <= 800
    assert any(before == again for stream in made.streams for before, again in pairwise(stream.batches))
    assert {stream.source: stream.role for stream in made.streams}["/erp"] == "erp"


def test_causes_can_be_left_out_one_by_one_and_all_together() -> None:
    sound = shop(without=CAUSES)
    assert (sound.stories.oxidised_heat, sound.stories.quenched_plates, sound.stories.drift) == (None, (), None)
    assert {cut.plate.surface_group for cut in sound.cuts} == {"clean", "unknown"}
    assert {cut.plate.thermal_history for cut in sound.cuts} == {"as_supplied", "unknown"}
    assert shop(without={DRIFTING_PIERCE}).stories.oxidised_heat is not None
    assert shop(without={OXIDISED_LOT}).stories.quenched_plates != ()
    assert shop(without={QUENCHED_REMNANTS}).stories.drift is not None


def test_a_shop_of_two_weeks_has_its_late_shift_too() -> None:
    assert shop(weeks=2).stories.handheld is not None


@pytest.mark.parametrize("given", [{"weeks": 1}, {"without": {"rust"}}])
def test_a_shop_that_cannot_be_is_refused(given: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="a shop has 2 weeks or more"):
        shop(**given)


@pytest.mark.parametrize("last_day", [date(2026, 10, 26), date(2026, 11, 22), date(2027, 1, 4)])
def test_any_last_day_will_do(last_day: date) -> None:
    until = hours.moment(last_day, minutes=400)
    made = shop(last_day=last_day, until=until)
    assert len(made.stories.open_attempts) == 2
    assert len(made.stories.mistakes) == 2
    assert made.stories.handheld is not None
    assert max(map(instant, made.events)) <= until


def test_realised_yields_and_pierces_agree_with_the_truth() -> None:
    """Over six shops: within 4 standard errors, plates as clusters (variance n p (1 - p) (1 + rho (n - 1)))."""
    off, variance, pierced, expected = Counter[str](), Counter[str](), Counter[str](), Counter[str]()
    for seed in range(6):
        made = shop(seed)
        truth, plates = made.truth, defaultdict[tuple[str, Any], list[Cut]](list)
        for cut in made.cuts:
            rate = truth.failed_pierce_rate(
                cut.plate.thickness.mm, machine=cut.machine, surface_group=cut.plate.surface_group, at=cut.started_at
            )
            pierced[cut.machine] += cut.failed_pierces
            expected[cut.machine] += rate * cut.pierces
            if cut.attempt_no == 1:
                plates[cut.machine, cut.plate].append(cut)
        for (machine, plate), cuts in plates.items():
            share = truth.first_pass_yield(
                plate.thickness.mm,
                machine=machine,
                surface_group=plate.surface_group,
                thermal_history=plate.thermal_history,
            )
            tried = sum(cut.tried for cut in cuts)
            for group in (machine, plate.surface_group, plate.thermal_history):
                off[group] += sum(cut.count(GOOD) for cut in cuts) - share * tried
                variance[group] += tried * share * (1 - share) * (1 + truth.plate_correlation * (tried - 1))
    assert set(off) == {LASER_8, LASER_15, "clean", "disturbed", "unknown", "as_supplied", "thermal_edge", "hardened"}
    for group, difference in off.items():
        assert abs(difference) < 4 * math.sqrt(variance[group]), group
    for machine, failed in pierced.items():
        assert abs(failed - expected[machine]) < 5 * math.sqrt(expected[machine])
