"""What the ERP is told of jobs: at each commit the sum of all increments is what the counted events say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from random import Random
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, func, insert, select, update
from sqlalchemy.exc import DBAPIError

from tests import builders
from tests.builders import event
from tests.conftest import Sites
from tests.event_sets import arrival_order, event_sets
from tests.independent_recount import recount
from tests.worker.state import rows_of
from worker import ledger, loop, tallies
from worker.confirming.amounts import lost_reasons, minutes_e3
from worker.confirming.appending import Confirming
from worker.confirming.plate_shares import Sheet, divided, is_steel, mass_mg, shares_of
from worker.jobs import to_make
from worker.reports.reading import calendar_of
from worker.tables import FOLD, confirmations, confirmed, events, pushes, told_jobs, webhooks
from worker.tables import sites as sites_table

Event = dict[str, Any]
Row = dict[str, Any]
PARTS = ("tried", "good", "recovered", "rework", "in_rework", "pending", "scrap", "scrapped", "not_made")
STEEL = {"material": "S355", "thickness_mm": 20}


# --- what is confirmed ------------------------------------------------------------------------------------------


def increments(connection: Connection, site: str) -> list[Row]:
    c = confirmations.c
    query = select(confirmations).where(c.site == site).order_by(c.job, c.number)
    return [dict(row) | {"amounts": orjson.loads(row["amounts"])} for row in connection.execute(query).mappings()]


def added_up(rows: Iterable[Row]) -> dict[tuple[str, str, str], Row]:
    """Amounts by (job, operation, posting day); what adds up to 0 is not there."""
    sums: dict[tuple[str, str, str], Counter[str]] = {}
    for row in rows:
        sums.setdefault((row["job"], row["operation"], row["posting_day"]), Counter()).update(row["amounts"])
    plain = {place: {key: amount for key, amount in amounts.items() if amount} for place, amounts in sums.items()}
    return {place: amounts for place, amounts in plain.items() if amounts}


def materialised(connection: Connection, site: str) -> dict[tuple[str, str, str], Row]:
    rows = connection.execute(select(confirmed).where(confirmed.c.site == site)).mappings()
    return {(row["job"], row["operation"], row["posting_day"]): orjson.loads(row["amounts"]) for row in rows}


class Books:
    """The same, added up one by one from all attempts, rework entries and plates as they stand."""

    def __init__(self, connection: Connection, site: str) -> None:
        self.stated = {row["job"]: orjson.loads(row["stated"]) for row in rows_of(connection, "jobs", site)}
        self.attempts = {row["attempt"]: row for row in rows_of(connection, "attempts", site)}
        self.finished = [row for row in self.attempts.values() if row["state"] == "finished"]
        self.plates = [sheet(row) | row for row in rows_of(connection, "plates", site)]
        self.calendar = calendar_of(connection, site)
        self.sums: dict[tuple[str, str, str], Counter[str]] = {}
        self._cut(rows_of(connection, "lost_parts", site))
        for row in rows_of(connection, "rework", site):
            kind = "finishing_minutes_e3" if row["planned"] else "rework_minutes_e3"
            if job := self.attempts[row["attempt"]]["job"]:
                self._book(job, row["day"], {kind: row["minutes_e3"]}, row["operation"])
        for row in self.plates:
            if row["close_reason"] == "used":
                self._use(row)

    def _book(self, job: str, day: str, amounts: Row, operation: str | None = None) -> None:
        operation = operation or self.stated.get(job, {}).get("operation") or "cutting"
        self.sums.setdefault((job, operation, day), Counter()).update(amounts)

    def _cut(self, lost_parts: list[Row]) -> None:
        lost: dict[str, dict[str, Row]] = {}
        for row in lost_parts:
            if row["parts_lost"]:
                lost.setdefault(row["attempt"], {}).setdefault(row["sort"], {})[row["word"]] = row["parts_lost"]
        times: Counter[tuple[str, str, str]] = Counter()
        for row in self.finished:
            if (job := row["job"]) is None:
                continue
            day, machine = row["day"], row["machine_name"] or ""
            told = "untimed" if row["seconds_ms"] is None else "timed"
            amounts = {"attempts": 1, f"{told}\x1f{machine}": 1}
            self._book(job, day, amounts | {name: row[name] for name in PARTS})
            times[job, day, machine] += row["seconds_ms"] or 0
            if row["plate"] is not None:
                self._book(job, day, {f"plate_parts\x1f{row['plate']}\x1f{row['heat_number'] or ''}": row["tried"]})
            if row["scrap"] + row["scrapped"] + row["not_made"]:
                by = lost[row["attempt"]]
                scrapped, not_made = row["scrap"] + row["scrapped"], row["not_made"]
                how = {"outcome": row["outcome"], "lost_by_term": by["term"], "causes": by["cause"]}
                self._book(job, day, lost_reasons(scrapped=scrapped, not_made=not_made, **how))
        for (job, day, machine), ms in times.items():
            self._book(job, day, {f"machine_minutes_e3\x1f{machine}": round(ms / 60)})

    def _use(self, plate: Row) -> None:
        tried: Counter[str | None] = Counter()
        for row in self.finished:
            if row["plate"] == plate["plate"]:
                tried[row["job"]] += row["tried"]
        masses = {job: round(one["part_mass_kg"] * 1e6) for job, one in self.stated.items() if "part_mass_kg" in one}
        name = plate["plate"]
        back = [row["sheet"] for row in self.plates if row["parent"] == name != row["plate"] and row["received_us"]]
        day = self.calendar.place(plate["closed_us"]).day.isoformat()
        for job, amounts in shares_of(plate["sheet"], back, tried, masses).items():
            self._book(job, day, amounts)


def expected(connection: Connection, site: str) -> dict[tuple[str, str, str], Row]:
    kept = {
        place: {key: one for key, one in sums.items() if one} for place, sums in Books(connection, site).sums.items()
    }
    return {place: amounts for place, amounts in kept.items() if amounts}


def sheet(row: Row) -> Row:
    stated = orjson.loads(row["stated"])
    sides = (stated.get("length_mm"), stated.get("width_mm"))
    return {"sheet": Sheet(row["plate"], row["heat_number"], *sides, row["thickness_nm"], is_steel(row["material"]))}


def in_order(connection: Connection, site: str) -> bool:
    """Numbers of each job are 1, 2, 3 ..., and it is known how many there are."""
    numbers: dict[str, list[int]] = {}
    for row in increments(connection, site):
        numbers.setdefault(row["job"], []).append(row["number"])
    t = told_jobs.c
    counts = dict(connection.execute(select(t.job, t.confirmations).where(t.site == site, t.confirmations > 0)).all())
    assert counts == {job: len(found) for job, found in numbers.items()}
    return all(found == list(range(1, len(found) + 1)) for found in numbers.values())


def reasons_add_up(rows: list[Row]) -> bool:
    """Reasons of each job add up to the parts scrapped and not made."""
    sums: Counter[tuple[str, str]] = Counter()
    for row in rows:
        for key, amount in row["amounts"].items():
            kind = key.split("\x1f")[0]
            if kind in ("scrap_reason", "not_made_reason"):
                sums[row["job"], kind] += amount
            elif kind in ("scrap", "scrapped"):
                sums[row["job"], "scrap_reason"] -= amount
            elif kind == "not_made":
                sums[row["job"], "not_made_reason"] -= amount
    return not any(sums.values())


def agrees(connection: Connection, site: str) -> None:
    """The sum of all increments is what is kept of it, and what the events say; each job's is its state."""
    sums = added_up(increments(connection, site))
    assert sums == materialised(connection, site)
    assert sums == expected(connection, site)
    assert in_order(connection, site)


# --- always the state -------------------------------------------------------------------------------------------


def furnished(events: Sequence[Event], site: str, random: Random) -> list[Event]:
    """The events at a site, with operations of jobs and with plates that have sizes and are mostly used up."""
    told: list[Event] = []
    for one in events:
        data, kind = dict(one["data"]), one["type"]
        if kind == "cutledger.job.opened" and random.random() < 0.5:
            data["operation"] = random.choice(("laser", "grinding"))
        if kind == "cutledger.plate.received" and random.random() < 0.8:
            data |= {"length_mm": random.choice((1000, 750.5)), "width_mm": random.choice((333.3, 500))}
        if kind == "cutledger.plate.closed" and random.random() < 0.8:
            data["reason"] = "used"
        told.append(one | {"data": data, "subject": site if one["subject"] == "main" else one["subject"]})
    return told


def test_the_sum_of_all_increments_is_the_state_at_every_commit(sites: Sites) -> None:
    @settings(max_examples=sites.examples(25))
    @given(events=event_sets(mismatched_voids=False), random=st.randoms(use_true_random=False))
    def check(events: list[Event], random: Random) -> None:
        site = sites.new()
        told = furnished(events, site, random)
        before: list[Row] = []
        for batch in arrival_order(told, random=random):
            builders.append(sites.database, batch, site=site)
            if random.random() < 0.5:
                continue
            builders.count(sites.database, site=site, limit=random.choice((1, 3, 2_000)))
            with sites.database.read() as connection:
                now = increments(connection, site)
                assert reasons_add_up(now)
                # What was said stays; what is new goes on from it.
                assert [row for row in now if row in before] == before
                agrees(connection, site)
            before = now
        builders.count(sites.database, site=site)
        with sites.database.read() as connection:
            agrees(connection, site)
            before = increments(connection, site)
            judge = recount(told, site=site)
            sums = Counter[tuple[str, str]]()
            for row in judge.attempts.values():
                if row["state"] == "finished" and row["job"] is not None:
                    sums.update({(row["job"], name): row[name] for name in PARTS})
            seen = Counter[tuple[str, str]]()
            for (job, _, _), amounts in added_up(before).items():
                seen.update({(job, name): amounts.get(name, 0) for name in PARTS})
            assert +seen == +sums
            told_before = list(connection.execute(select(told_jobs).where(told_jobs.c.site == site)))
        tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
        with sites.database.read() as connection:
            assert increments(connection, site) == before
            assert list(connection.execute(select(told_jobs).where(told_jobs.c.site == site))) == told_before

    check()


def test_a_count_that_dies_before_its_commit_confirms_nothing(sites: Sites) -> None:
    site = sites.new()
    tell(sites, site, cut("A", job="J"))
    builders.append(sites.database, [cut("B", job="J")], site=site)

    def die_after_counting() -> None:
        with sites.database.write() as connection:
            tallies.bring_up_to_date(connection, site, now_us=builders.NOW_US)
            assert len(increments(connection, site)) == 2
            raise RuntimeError

    with pytest.raises(RuntimeError):
        die_after_counting()
    with sites.database.read() as connection:
        assert len(increments(connection, site)) == 1
        assert ledger.waiting(connection, site) == (1, 0)
        agrees(connection, site)


def test_an_event_that_is_set_aside_is_confirmed_when_it_is_counted_after_all(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = sites.new()
    with monkeypatch.context() as patch:
        patch.setattr("worker.confirming.counted.minutes_e3", lambda _: 1 // 0)
        builders.append(sites.database, [cut("A", job="J"), cut("B")], site=site)
        while loop.count_claim(sites.database, site, limit=10).events:
            pass
    with sites.database.read() as connection:
        assert increments(connection, site) == []
        assert ledger.waiting(connection, site) == (0, 1)
    with sites.database.write() as connection:
        ledger.owe_again(connection, site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        (row,) = increments(connection, site)
        # What had been counted when it was made, not where the late event lies.
        newest = select(func.max(events.c.position)).where(events.c.site == site)
        assert row["position"] == connection.execute(newest).scalar_one()
        agrees(connection, site)


def test_two_workers_never_count_one_site_at_once(sites: Sites) -> None:
    if sites.database.is_sqlite:
        pytest.skip("there is one writer")
    site = sites.new()
    builders.append(sites.database, [cut("A", job="J")], site=site)
    with sites.database.write() as one, sites.database.write() as other:
        assert tallies.bring_up_to_date(one, site, now_us=builders.NOW_US) == 1
        assert tallies.bring_up_to_date(other, site, now_us=builders.NOW_US) == 0
    with sites.database.read() as connection:
        assert [row["number"] for row in increments(connection, site)] == [1]


@pytest.mark.parametrize("statement", [confirmations.delete(), confirmations.update().values(posting_day="2000-01-01")])
def test_no_increment_can_be_changed_or_removed(sites: Sites, statement: Any) -> None:
    site = sites.new()
    tell(sites, site, cut("A", job="J"))
    with pytest.raises(DBAPIError, match="only ever added to"), sites.database.write() as connection:
        connection.execute(statement.where(confirmations.c.site == site))


# --- one by one -------------------------------------------------------------------------------------------------


def cut(attempt: str, **data: Any) -> Event:
    envelope = {name: data.pop(name) for name in ("time",) if name in data}
    return event("attempt.finished", attempt, **envelope, **({"outcome": "severed", "quantity": 4} | STEEL | data))


def opened(job: str = "J", **data: Any) -> Event:
    time = data.pop("time", "2026-03-01T10:00:00Z")
    return event("job.opened", job, time=time, **({"part_number": "P", "quantity": 10} | STEEL | data))


def received(plate: str = "P", **data: Any) -> Event:
    return event("plate.received", plate, time="2026-03-01T10:00:00Z", **(STEEL | data))


def void(target: Event) -> Event:
    said = {"source": target["source"], "id": target["id"], "reason": "a mistake"}
    return event("event.voided", target["subject"]) | {"data": said}


def tell(sites: Sites, site: str, *events: Event) -> list[Row]:
    """Count these events; what they added, as (operation, posting day, amounts) of each job."""
    with sites.database.read() as connection:
        before = len(increments(connection, site))
    builders.append(sites.database, events, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        agrees(connection, site)
        rows = increments(connection, site)
    assert len(rows) >= before
    return rows


def last(rows: list[Row], job: str = "J") -> Row:
    found: Row = [row for row in rows if row["job"] == job][-1]
    return found


def test_a_void_is_a_negative_increment_of_the_same_operation_and_day(sites: Sites) -> None:
    site = sites.new()
    mistake = cut("A", job="J", good=3, scrap=1, seconds=60, machine="L1")
    (first,) = tell(sites, site, mistake)
    _, second = tell(sites, site, void(mistake))
    assert second["amounts"] == {key: -amount for key, amount in first["amounts"].items()}
    assert (second["operation"], second["posting_day"]) == (first["operation"], first["posting_day"])


def test_a_job_that_is_named_anew_gives_its_amounts_to_the_other_with_rework_and_plate(sites: Sites) -> None:
    site = sites.new()
    sized = {"length_mm": 1000, "width_mm": 500}
    events = (
        received(**sized), cut("A", job="J", plate="P", good=3, rework=1, time="2026-03-04T10:00:00Z"),
        event("attempt.reworked", "A", time="2026-03-06T10:00:00Z", operation="grinding", minutes=5, parts=1),
        event("plate.closed", "P", time="2026-03-05T10:00:00Z", reason="used"),
    )  # fmt: skip
    rows = tell(sites, site, *events)
    assert [(row["operation"], row["posting_day"]) for row in rows] == [
        ("cutting", "2026-03-04"), ("cutting", "2026-03-05"), ("grinding", "2026-03-06"),
    ]  # fmt: skip
    renamed = cut("A", job="K", plate="P", good=3, rework=1, time="2026-03-04T11:00:00Z")
    tell(sites, site, renamed | {"data": renamed["data"] | {"started_at": "2026-03-04T10:00:00Z"}})
    with sites.database.read() as connection:
        sums = added_up(increments(connection, site))
    assert {job for job, _, _ in sums} == {"K"}
    assert len(sums) == 3


def test_an_operation_that_is_named_later_moves_all_that_was_cut(sites: Sites) -> None:
    site = sites.new()
    tell(sites, site, cut("A", job="J", time="2026-03-04T10:00:00Z"), cut("B", job="J", time="2026-03-05T10:00:00Z"))
    tell(sites, site, opened(operation="0010"))
    with sites.database.read() as connection:
        assert {operation for _, operation, _ in added_up(increments(connection, site))} == {"0010"}


def test_an_attempt_without_a_job_is_in_no_confirmation(sites: Sites) -> None:
    assert (
        tell(sites, sites.new(), cut("A"), event("attempt.reworked", "B", operation="other", minutes=1, parts=1)) == []
    )


def test_minutes_of_a_day_are_rounded_once_so_that_increments_add_up(sites: Sites) -> None:
    site = sites.new()
    # 3 x 10 s are half a minute; each alone is 0.167.
    for name in "ABC":
        rows = tell(sites, site, cut(name, job="J", seconds=10, machine="L1"))
    assert [row["amounts"]["machine_minutes_e3\x1fL1"] for row in rows] == [167, 166, 167]


def test_settings_move_what_was_used_to_another_posting_day(sites: Sites) -> None:
    site = sites.new()
    tell(
        sites, site, received(length_mm=1000, width_mm=500), cut("A", job="J", plate="P", time="2026-03-04T12:00:00Z"),
        event("plate.closed", "P", time="2026-03-10T07:00:00Z", reason="used"),
    )  # fmt: skip
    tell(sites, site, event("site.set", site, valid_from="2026-03-06", day_start="08:00"))
    with sites.database.read() as connection:
        assert {day for _, _, day in added_up(increments(connection, site))} == {"2026-03-04", "2026-03-09"}


def test_a_site_of_an_older_release_begins_with_one_increment_for_each_operation_and_day(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = sites.new()
    told = [opened(), cut("A", job="J"), cut("B", job="J"), cut("C", job="J", time="2026-03-05T10:00:00Z")]
    with monkeypatch.context() as patch:
        patch.setattr(Confirming, "of_touched", lambda *_: None)
        for one in told:
            builders.append(sites.database, [one], site=site)
            builders.count(sites.database, site=site)
    with sites.database.write() as connection:
        assert increments(connection, site) == []
        connection.execute(update(sites_table).where(sites_table.c.site == site).values(fold=FOLD - 1))
    loop.fold_again(sites.database)
    with sites.database.read() as connection:
        agrees(connection, site)
        rows = increments(connection, site)
    assert [(row["number"], row["posting_day"], row["amounts"]["attempts"]) for row in rows] == [
        (1, "2026-03-04", 2),
        (2, "2026-03-05", 1),
    ]


# --- plates -----------------------------------------------------------------------------------------------------


def test_mass_is_that_of_the_nominal_plate() -> None:
    # 5-trade [read]: 2 x 3 m x 20 mm is 942 kg
    assert mass_mg(2000, 3000, 20_000_000) == 942_000_000
    assert mass_mg(2000, None, 20_000_000) is None
    # 1,000 tonnes and more are an entry gone wrong.
    assert mass_mg(100_000, 100_000, 500_000_000) is None


def test_mass_is_told_of_what_is_known_to_be_steel() -> None:
    steel = ("S355J2+N", "s235", "1.0577", "P265GH", "DC01", "A36", "mild steel")
    assert [name for name in (*steel, "AlMg4.5Mn0.7", "5083", "1.4301", "stainless steel", "A240", None)
            if is_steel(name)] == [*steel]  # fmt: skip
    assert Sheet("P", None, 1000, 500, 20_000_000, steel=False).mass_mg is None


@pytest.mark.parametrize(
    ("whole", "weights", "shares"),
    [
        (10, {"J": 1, "K": 1, "L": 1}, {"J": 4, "K": 3, "L": 3}),
        (11, {"J": 1, "K": 1, "L": 1}, {"J": 4, "K": 4, "L": 3}),
        # 2.5 and 7.5 parts of 10: equal remainders, the first by name
        (10, {"K": 3, "J": 1}, {"J": 3, "K": 7}),
        (7, {"J": 0, None: 2, "K": 5}, {"J": 0, None: 2, "K": 5}),
    ],
)
def test_largest_remainders_are_rounded_up(whole: int, weights: Row, shares: Row) -> None:
    assert divided(whole, weights) == shares


PLATE = Sheet("P", "H1", 1000, 500, 20_000_000, steel=True)
REMNANT = Sheet("R", "H1", 200, 500, 20_000_000, steel=True)


@pytest.mark.parametrize(
    ("remnants", "tried", "masses", "kg"),
    [
        # 78.5 kg; by parts, since K does not tell its parts' mass
        ([], {"J": 1, "K": 3}, {"J": 5}, {"J": 19.625, "K": 58.875}),
        # by the mass of parts: 1 x 6 to 3 x 1
        ([], {"J": 1, "K": 3}, {"J": 6, "K": 1}, {"J": 52.333333, "K": 26.166667}),
        # less the remnant, 15.7 kg
        ([REMNANT], {"J": 1}, {}, {"J": 62.8}),
        # an attempt without a job has taken its share too
        ([], {"J": 1, None: 1}, {"J": 5}, {"J": 39.25}),
        # not known: a remnant without size, or larger than its plate; nothing was cut
        ([Sheet("R", None, None, 500, 20_000_000, steel=True)], {"J": 1}, {}, {}),
        ([Sheet("R", None, 1001, 500, 20_000_000, steel=True)], {"J": 1}, {}, {}),
        ([], {"J": 0}, {}, {}),
    ],
)
def test_the_steel_of_a_plate_is_shared_out(remnants: Any, tried: Any, masses: Any, kg: dict[str, float]) -> None:
    found = shares_of(PLATE, remnants, tried, masses)
    key = "plate_mass_mg\x1fP\x1fH1"
    assert {job: amounts[key] / 1e6 for job, amounts in found.items() if key in amounts} == kg


def test_a_remnant_goes_whole_to_the_job_that_took_most() -> None:
    unsized = Sheet("S", None, None, None, None, steel=False)
    # What named no job took more, but is in no confirmation; with a remnant of no size no mass is known.
    found = shares_of(PLATE, [REMNANT, unsized], {"J": 1, "K": 3, None: 9}, {})
    sized = "remnant\x1fP\x1fR\x1fH1\x1f200\x1f500\x1f20000000\x1fsteel"
    assert found == {"J": {}, "K": {sized: 1, "remnant\x1fP\x1fS" + "\x1f" * 5: 1}}


def test_a_plate_that_was_not_used_up_after_all_takes_its_mass_back(sites: Sites) -> None:
    site = sites.new()
    closed = event("plate.closed", "P", time="2026-03-05T10:00:00Z", reason="used")
    sized = received(length_mm=1000, width_mm=500, heat_number="H1")
    rows = tell(sites, site, sized, cut("A", job="J", plate="P"), closed)
    assert rows[-1]["amounts"] == {"plate_mass_mg\x1fP\x1fH1": 78_500_000}
    rows = tell(sites, site, received("R", parent="P", length_mm=100, width_mm=500))
    assert rows[-1]["amounts"]["plate_mass_mg\x1fP\x1fH1"] == -7_850_000
    rows = tell(sites, site, void(closed))
    assert rows[-1]["posting_day"] == "2026-03-05"
    assert rows[-1]["amounts"]["plate_mass_mg\x1fP\x1fH1"] == -70_650_000


# --- scrap ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "scrapped", "not_made"),
    [
        # All that was lost is scrapped: its reasons are those of what was lost.
        ({"scrapped": 3, "lost_by_term": {"crack": 1, "unstated": 2}}, {"crack": 1, "unstated": 2}, {}),
        # One reason for what was lost: so it is that of the scrapped ones.
        ({"scrapped": 1, "lost_by_term": {"crack": 4}}, {"crack": 1}, {}),
        # Nobody says which were scrapped and which reworked.
        ({"scrapped": 1, "lost_by_term": {"crack": 1, "wide_kerf": 1}}, {"several": 1}, {}),
        # Not made: as the lost parts have it, the outcome only where no term explains it.
        ({"not_made": 2, "lost_by_term": {"lost_cut": 2}}, {}, {"lost_cut": 2}),
        ({"not_made": 2, "lost_by_term": {"lost_cut": 1, "not_severed": 1}}, {}, {"lost_cut": 1, "not_severed": 1}),
        ({"not_made": 2, "scrapped": 1, "lost_by_term": {"not_severed": 2, "crack": 1}}, {"crack": 1},
         {"not_severed": 2}),
        ({"not_made": 2, "scrapped": 1, "lost_by_term": {"lost_cut": 2, "crack": 1}}, {"crack": 1}, {"lost_cut": 2}),
        ({"not_made": 1, "scrapped": 1, "lost_by_term": {"not_severed": 1, "crack": 3}}, {"crack": 1},
         {"not_severed": 1}),
        ({"scrapped": 2, "lost_by_term": {"not_severed": 2}}, {"not_severed": 2}, {}),
    ],
)  # fmt: skip
def test_each_lost_part_has_one_reason(told: Row, scrapped: Row, not_made: Row) -> None:
    given_ = {"outcome": "not_severed", "scrapped": 0, "not_made": 0, "causes": ()} | told
    found = lost_reasons(**given_)
    assert {key.split("\x1f")[2] for key in found} == {"unstated"}
    by_kind: dict[str, Row] = {"scrap_reason": {}, "not_made_reason": {}}
    for key, parts in found.items():
        by_kind[key.split("\x1f")[0]][key.split("\x1f")[1]] = parts
    assert by_kind == {"scrap_reason": scrapped, "not_made_reason": not_made}


def test_minutes_are_rounded_half_to_even() -> None:
    assert [minutes_e3(ms) for ms in (60_000, 30, 90, 31)] == [1000, 0, 2, 1]


# --- news -------------------------------------------------------------------------------------------------------


def news(sites: Sites, site: str) -> list[tuple[str, Row]]:
    """What there is to push, in any order."""
    with sites.database.read() as connection:
        query = select(pushes.c.topic, pushes.c.body).where(pushes.c.site == site)
        return [(topic, orjson.loads(body)["data"]) for topic, body in connection.execute(query)]


def listened_to(sites: Sites) -> str:
    site = sites.new()
    with sites.database.write() as connection:
        row = {column.name: None for column in webhooks.c} | {
            "site": site, "webhook": "w", "name": "w", "url": "https://erp.example",
            "topics": "job.ended job.short confirmations.ready", "created_us": 0, "created_by": "", "pushed": 0,
            "secret_number": 1,
        }  # fmt: skip
        connection.execute(insert(webhooks), row)
    return site


def topics(found: list[tuple[str, Row]], *only: str) -> list[str]:
    return sorted(topic for topic, _ in found if not only or topic in only)


@pytest.fixture
def in_march(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock stands shortly after what is told here."""
    monkeypatch.setattr(builders, "NOW_US", 1_773_144_000_000_000)  # 2026-03-10 12:00 UTC


def test_increments_are_told_once_with_their_numbers(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    tell(
        sites, site, opened("J/1", order="SO-1"), cut("A", job="J/1"), cut("B", job="J/1", time="2026-03-05T10:00:00Z")
    )
    ((topic, told),) = news(sites, site)
    assert topic == "confirmations.ready"
    assert (told["job"], told["order"], told["first"], told["last"]) == ("J/1", "SO-1", 1, 2)
    assert told["path"] == f"/v1/jobs/J%2F1/confirmations?after=0&series={told['series']}"
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    assert len(news(sites, site)) == 1


def closed(day: int, reason: str = "complete") -> Event:
    return event("job.closed", "J", time=f"2026-03-{day:02}T10:00:00Z", reason=reason)


def ends(sites: Sites, site: str) -> list[tuple[str, str | None]]:
    return sorted((told["state"], told["reason"] or "") for topic, told in news(sites, site) if topic == "job.ended")


def test_a_job_ends_each_time_it_is_closed(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    tell(sites, site, opened(), closed(2))
    ((topic, told),) = news(sites, site)
    assert (topic, told["reason"], told["to_make"]) == ("job.ended", "complete", 10)
    # Opened and closed again within one claim
    tell(sites, site, opened(time="2026-03-05T10:00:00Z"), closed(6, "cancelled"))
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    assert ends(sites, site) == [("closed", "cancelled"), ("closed", "complete")]


def test_an_end_that_is_put_right_or_taken_back_is_told(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    mistake, right = closed(2), closed(2, "cancelled")
    tell(sites, site, opened(), mistake)
    tell(sites, site, void(mistake), right)
    assert ends(sites, site) == [("closed", "cancelled"), ("closed", "complete")]
    tell(sites, site, void(right))
    assert ends(sites, site) == [("closed", "cancelled"), ("closed", "complete"), ("open", "")]


def test_what_ended_long_ago_is_no_news(sites: Sites) -> None:
    site = listened_to(sites)
    tell(sites, site, opened(quantity=4), cut("A", job="J", good=3, scrap=1), closed(6))
    assert news(sites, site) == []
    # What corrects it has to be booked all the same.
    tell(sites, site, cut("B", job="J", good=1, quantity=1))
    assert topics(news(sites, site)) == ["confirmations.ready"]


def short_of(sites: Sites, site: str) -> list[int]:
    return sorted(told["missing"] for topic, told in news(sites, site) if topic == "job.short")


def test_a_job_is_short_when_as_many_were_started_as_ordered_and_again_when_more_are_missing(
    sites: Sites, in_march: None
) -> None:
    site = listened_to(sites)
    tell(sites, site, opened(quantity=8), cut("A", job="J", good=3, scrap=1))
    assert short_of(sites, site) == []  # only 4 of 8 were started
    tell(sites, site, cut("B", job="J"))
    assert short_of(sites, site) == [1]
    tell(sites, site, event("attempt.inspected", "B", good=3))
    assert short_of(sites, site) == [1]  # nothing new is missing
    tell(sites, site, event("attempt.inspected", "B", scrap=1, time="2026-03-05T11:00:00Z"))
    assert short_of(sites, site) == [1, 2]
    tell(sites, site, cut("C", job="J", quantity=2))
    tell(sites, site, event("attempt.inspected", "C", scrap=1, good=1))
    assert short_of(sites, site) == [1, 1, 2]  # made up for, and short anew
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    assert short_of(sites, site) == [1, 1, 2]
    with sites.database.read() as connection:
        (row,) = rows_of(connection, "jobs", site)
        made = Counter[str]()
        for amounts in added_up(increments(connection, site)).values():
            made.update(amounts)
        left = {name: made[name] for name in ("good", "recovered", "in_rework", "pending")}
        assert to_make(quantity=row["quantity"], **left) == 1


def test_parts_of_attempts_that_have_not_finished_are_under_way(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    started = event("attempt.started", "B", job="J", quantity=2, time="2026-03-04T11:00:00Z")
    tell(sites, site, opened(quantity=4), started, cut("A", job="J", good=3, scrap=1))
    assert short_of(sites, site) == []
    tell(sites, site, cut("B", job="J", quantity=2, good=0, scrap=2))
    assert short_of(sites, site) == [1]


def test_a_run_that_is_given_up_leaves_a_job_short_of_what_it_did_not_reach(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    tell(sites, site, opened(quantity=8), cut("A", job="J", quantity=8, tried=3, good=2, outcome="aborted"))
    assert short_of(sites, site) == [6]


def test_a_shortage_that_is_voided_and_entered_again_is_told_once(sites: Sites, in_march: None) -> None:
    site = listened_to(sites)
    mistake = cut("A", job="J", quantity=8, good=7, scrap=1)
    tell(sites, site, opened(quantity=8), mistake)
    tell(sites, site, void(mistake))
    tell(sites, site, cut("A", job="J", quantity=8, good=7, scrap=1, machine="L1"))
    assert short_of(sites, site) == [1]


# --- lost, and found again --------------------------------------------------------------------------------------


def test_an_audit_finds_what_does_not_add_up_and_a_rebuild_mends_it_without_booking_twice(sites: Sites) -> None:
    site = sites.new()
    before = tell(sites, site, opened(), cut("A", job="J"))
    assert tallies.audit(sites.database, site).equal
    with sites.database.write() as connection:
        for table in (confirmed, told_jobs):
            connection.execute(table.delete().where(table.c.site == site))
    (found,) = tallies.audit(sites.database, site).differences
    assert (found.table, found.only_stored, found.only_recounted) == ("confirmed", 0, 1)
    tallies.rebuild(sites.database, site, now_us=builders.NOW_US)
    with sites.database.read() as connection:
        assert increments(connection, site) == before
        agrees(connection, site)
    assert tallies.audit(sites.database, site).equal


def test_an_audit_finds_increments_that_were_not_made(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    site = sites.new()
    with monkeypatch.context() as patch:
        patch.setattr(Confirming, "of_touched", lambda *_: None)
        builders.append(sites.database, [opened(), cut("A", job="J")], site=site)
        builders.count(sites.database, site=site)
    (found,) = tallies.audit(sites.database, site).differences
    assert (found.table, found.only_stored, found.only_recounted) == ("confirmations", 0, 1)


def test_a_site_that_cannot_be_counted_again_keeps_no_other_waiting(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    ill, well = sorted((sites.new(), sites.new()))
    rebuild = tallies.rebuild

    def rebuilt(database: Any, site: str, **how: Any) -> int:
        assert site != ill
        return rebuild(database, site, **how)

    monkeypatch.setattr(tallies, "rebuild", rebuilt)
    with sites.database.write() as connection:
        connection.execute(update(sites_table).where(sites_table.c.site.in_((ill, well))).values(fold=FOLD - 1))
    try:
        loop.fold_again(sites.database)
        with sites.database.read() as connection:
            query = select(sites_table.c.site, sites_table.c.fold).where(sites_table.c.site.in_((ill, well)))
            assert dict(connection.execute(query).all()) == {ill: FOLD - 1, well: FOLD}
    finally:
        with sites.database.write() as connection:
            connection.execute(update(sites_table).where(sites_table.c.site == ill).values(fold=FOLD))


def test_a_plate_that_is_its_own_parent_gives_nothing_back(sites: Sites) -> None:
    sized = received(length_mm=1000, width_mm=500, parent="P")
    used = event("plate.closed", "P", time="2026-03-05T10:00:00Z", reason="used")
    rows = tell(sites, sites.new(), sized, cut("A", job="J", plate="P"), used)
    assert rows[-1]["amounts"] == {"plate_mass_mg\x1fP\x1f": 78_500_000}
