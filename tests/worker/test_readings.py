"""What inspections measured, as rows; plates measured outside of their standard. In any order, on both databases."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

import pytest

from tests import builders
from tests.builders import event
from tests.conftest import Sites
from tests.independent_recount import recount
from tests.worker.state import against, rows_of
from worker.database import Database
from worker.findings import findings, look
from worker.folding import fold_attempt
from worker.kept import kept_as, steps, write
from worker.noticing.finding import IMPLAUSIBLE, Finding
from worker.readings import readings_of
from worker.records import Event, by_value
from worker.reports.reading import open_site
from worker.tallies import audit, rebuild

Said = dict[str, Any]
ATTEMPT = {"outcome": "severed", "material": "S355", "thickness_mm": 20, "quantity": 4}


@dataclass(frozen=True)
class Shop:
    """A site of its own."""

    database: Database
    site: str

    def told(self, *said: Said) -> None:
        own = [one | {"subject": self.site} if one["subject"] == "main" else one for one in said]
        builders.append(self.database, own, site=self.site)
        builders.count(self.database, site=self.site)

    def rows(self, *names: str) -> list[tuple[Any, ...]]:
        with self.database.read() as connection:
            return [tuple(row[name] for name in names) for row in rows_of(connection, "readings", self.site)]

    def contradictions(self) -> list[tuple[str, str, str]]:
        with self.database.read() as connection:
            page, _ = findings(open_site(connection, self.site), now_us=builders.NOW_US, kind="contradiction")
        return [(one.finding.code, one.finding.subject_kind, one.finding.subject) for one in page]


@pytest.fixture
def shop(sites: Sites) -> Shop:
    return Shop(sites.database, sites.new())


def finished(attempt: str = "A", **data: Any) -> Said:
    return event("attempt.finished", attempt, time="2026-03-04T10:00:00Z", **(ATTEMPT | data))


def inspected(attempt: str = "A", **data: Any) -> Said:
    return event("attempt.inspected", attempt, time="2026-03-05T10:00:00Z", good=0, **data)


def void(target: Said) -> Said:
    data = {"source": target["source"], "id": target["id"], "reason": "a mistake"}
    return event("event.voided", target["subject"]) | {"data": data}


# --- readings ---------------------------------------------------------------------------------------------------

SIZES = [
    {"feature": "outside", "nominal_mm": 250, "measured_mm": 250.18},
    {"feature": "inside", "nominal_mm": 22.5, "measured_mm": 22.4},
    {"feature": "outside", "nominal_mm": 100, "measured_mm": 100.1},
]


def test_each_value_is_a_row_in_whole_nanometres_under_the_day_of_the_cut(shop: Shop) -> None:
    first = inspected(rz5_um=[48, 52.5], u_mm=[0.31], dross_mm=0.4, sizes=SIZES)
    later = inspected(stage="downstream", u_mm=[0.3000001])
    after = inspected(stage="after_rework", rz5_um=[12.0004])
    shop.told(finished(), first, later, after)
    assert sorted(shop.rows("sort", "place", "stage", "nominal_nm", "value_nm"), key=str) == sorted(
        [
            ("rz5", 0, "first", None, 48_000),
            ("rz5", 1, "first", None, 52_500),
            ("u", 0, "first", None, 310_000),
            ("dross", 0, "first", None, 400_000),
            ("outside", 0, "first", 250_000_000, 250_180_000),
            ("inside", 1, "first", 22_500_000, 22_400_000),
            ("outside", 2, "first", 100_000_000, 100_100_000),
            ("u", 0, "downstream", None, 300_000),
            ("rz5", 0, "after_rework", None, 12_000),
        ],
        key=str,
    )
    assert set(shop.rows("attempt", "day")) == {("A", "2026-03-04")}
    assert {one for (one,) in shop.rows("id")} == {first["id"], later["id"], after["id"]}
    with shop.database.read() as connection:
        (attempt,) = rows_of(connection, "attempts", shop.site)
    assert {one for (one,) in shop.rows("combination")} == {attempt["combination"]}


def test_readings_wait_for_their_attempt_and_go_with_it(shop: Shop) -> None:
    cut, seen = finished(), inspected(u_mm=[0.3])
    shop.told(seen)
    assert shop.rows("attempt") == []
    shop.told(event("attempt.started", "A", time="2026-03-04T09:00:00Z", material="S355", thickness_mm=20))
    assert shop.rows("attempt") == []
    shop.told(cut)
    assert shop.rows("sort", "value_nm") == [("u", 300_000)]
    shop.told(void(seen))
    assert shop.rows("attempt") == []
    again = inspected(u_mm=[0.4], dross_mm=0)
    shop.told(again)
    assert shop.rows("sort", "value_nm") == [("dross", 0), ("u", 400_000)]
    shop.told(void(cut))
    assert shop.rows("attempt") == []


def test_an_inspection_whose_parts_do_not_count_has_still_measured(shop: Shop) -> None:
    shop.told(finished(quantity=1), inspected() | {"data": {"good": 3, "u_mm": [0.3]}})
    assert shop.contradictions() == [("more_inspected_than_cut", "attempt", "A")]
    assert shop.rows("sort") == [("u",)]


def test_a_moved_day_moves_the_readings(shop: Shop) -> None:
    shop.told(finished(), inspected(u_mm=[0.3]))
    settings = event("site.set", "main", source="/keys/k", valid_from="2026-01-01", day_start="12:00")
    shop.told(settings)
    assert shop.rows("day") == [("2026-03-03",)]
    assert audit(shop.database, shop.site).equal


def test_readings_of_numbers_as_they_were_written() -> None:
    said = inspected(u_mm=[1e-5, 0.1, 100], rz5_um=[0.0005, 0.0015, 10_000], sizes=[])
    stored = [
        Event(0, one["source"], one["id"], one["type"], one["subject"], by_value(one["data"]))
        for one in (finished(), said)
    ]
    row = {"attempt": "A", "day": "2026-03-04", "combination": 1}
    values = [one["value_nm"] for one in readings_of(fold_attempt("A", stored), row)]
    # Halves to even: 0.5 nm is 0, 1.5 nm is 2
    assert values == [0, 2, 10_000_000, 10, 100_000, 100_000_000]


# --- measured thickness -----------------------------------------------------------------------------------------


def received(measured_mm: float | None, plate: str = "P", time: str = "2026-03-03T10:00:00Z", **data: Any) -> Said:
    steel = {"material": "S355", "thickness_mm": 20} | data
    return event("plate.received", plate, time=time, measured_thickness_mm=measured_mm, **steel)


WRONG = ("measured_thickness", "plate", "P")


def test_a_plate_measured_outside_of_its_standard_is_a_contradiction_until_it_is_corrected(shop: Shop) -> None:
    first, other = received(25.1), received(19.9, "Q")
    shop.told(first, other, finished(plate="P"))
    assert shop.contradictions() == [WRONG]
    shop.told(received(20.2, time="2026-03-03T11:00:00Z"))
    assert shop.contradictions() == []
    late = received(18, time="2026-03-03T12:00:00Z")
    shop.told(late)
    assert shop.contradictions() == [WRONG]
    shop.told(void(late))
    assert shop.contradictions() == []
    # Not the one before: a plate that is received again is stated as a whole
    shop.told(received(None, time="2026-03-03T13:00:00Z"))
    assert shop.contradictions() == []


def test_it_goes_with_the_last_that_is_known_of_the_plate(shop: Shop) -> None:
    only = received(25.1)
    shop.told(only)
    assert shop.contradictions() == [WRONG]
    shop.told(void(only))
    assert shop.contradictions() == []
    assert audit(shop.database, shop.site).equal


def test_a_site_may_want_not_to_be_told_of_it_from_a_day_on(shop: Shop) -> None:
    shop.told(received(25.1), received(25.1, "Q", time="2026-03-09T10:00:00Z"))
    assert shop.contradictions() == [WRONG, ("measured_thickness", "plate", "Q")]
    off = {"plausibility": {"off": ["measured_thickness"]}}
    since = event("site.set", "main", source="/keys/k", valid_from="2026-03-05", **off)
    shop.told(since)
    assert shop.contradictions() == [WRONG]
    assert audit(shop.database, shop.site).equal
    shop.told(void(since))
    assert shop.contradictions() == [WRONG, ("measured_thickness", "plate", "Q")]


def test_a_look_keeps_it_with_its_figures(shop: Shop) -> None:
    shop.told(received(25.1))
    look(shop.database, shop.site, now_us=builders.NOW_US)
    with shop.database.read() as connection:
        page, _ = findings(open_site(connection, shop.site), now_us=builders.NOW_US)
    (found,) = [one for one in page if one.finding.code == "measured_thickness"]
    assert (found.finding.kind, found.state, found.times_opened) == ("contradiction", "open", 1)
    assert found.finding.figures == {
        "measured_thickness_mm": 25.1, "thickness_mm": 20.0, "least_mm": 19.05, "most_mm": 21.9,
    }  # fmt: skip


def test_a_warning_of_an_earlier_release_under_the_same_name_becomes_it(shop: Shop) -> None:
    shop.told(received(25.1))
    warning = Finding(IMPLAUSIBLE, *WRONG, "", "as it was said before", {})
    with shop.database.write() as connection:
        for batch in steps(connection, shop.site, [warning]):
            write(connection, shop.site, batch, now_us=builders.NOW_US - 1, position=1)
    look(shop.database, shop.site, now_us=builders.NOW_US)
    with shop.database.read() as connection:
        (found,) = kept_as(connection, shop.site, [warning.key]).values()
    assert (found.finding.kind, found.state, found.times_opened) == ("contradiction", "open", 1)
    assert found.finding.detail.startswith("a plate of 20 mm measured 25.1 mm")


# --- any order --------------------------------------------------------------------------------------------------


def told_of_a_week() -> list[Said]:
    """Plates, cuts and inspections of which some are void."""
    drawing, said = random.Random(7), []
    for number in range(12):
        plate, attempt = f"P{number}", f"A{number}"
        said.append(received(drawing.choice((19, 20.1, 22)), plate))
        said.append(finished(attempt, plate=plate, machine="L1"))
        for _ in range(drawing.randint(0, 3)):
            values = [drawing.choice((0.3, 0.31)) for _ in range(drawing.randint(0, 12))]
            said.append(inspected(attempt, u_mm=values, sizes=SIZES[: drawing.randint(0, 3)]))
    return said + [void(one) for one in drawing.sample(said, 6)]


def test_readings_and_plates_are_the_same_in_any_order(shop: Shop) -> None:
    week = told_of_a_week()
    shuffling = random.Random(1)
    left = shuffling.sample(week, len(week))
    while left:
        size = shuffling.choice((3, 10, 30))
        shop.told(*left[:size])
        left = left[size:]
    with shop.database.read() as connection:
        against(connection, shop.site, recount(week, site=shop.site))
    assert audit(shop.database, shop.site).equal
    before = shop.rows("source", "id", "sort", "place", "value_nm")
    assert before
    rebuild(shop.database, shop.site, now_us=builders.NOW_US)
    assert shop.rows("source", "id", "sort", "place", "value_nm") == before
