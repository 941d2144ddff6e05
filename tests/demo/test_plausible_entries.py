"""What the invented shop enters is plausible: it is there to be read, not to be mended."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any

import pytest

from demo.shop import Shop, make_shop
from worker.folding import fold_attempt, instant_us
from worker.jobs import fold_job
from worker.lineage import Standing
from worker.placing import Row, Surroundings, place_attempt
from worker.plates import fold_plate
from worker.plausibility import warnings_of
from worker.plausible_series import mass_on_plate, plate_mass_kg
from worker.records import Event, by_value
from worker.sites import SiteCalendar, fold_settings

ALONE = Standing(attempt_no=1, retry_of=None, is_last=True, in_circle=False, wholly_good_before=None)


def by_subject(shop: Shop, kind: str) -> dict[str, list[Event]]:
    """Events of a kind of subject that no one voided, by subject."""
    voided = {(said["data"]["source"], said["data"]["id"]) for said in shop.events if said["type"].endswith("voided")}
    found: dict[str, list[Event]] = defaultdict(list)
    for said in shop.events:
        if said["type"].split(".")[1] == kind and (said["source"], said["id"]) not in voided:
            stored = (said["source"], said["id"], said["type"], said["subject"], by_value(said["data"]))
            found[said["subject"]].append(Event(instant_us(said["time"]), *stored))
    return found


@pytest.fixture(scope="module", params=[7, 3])
def folded(request: pytest.FixtureRequest) -> tuple[Surroundings, list[Row], list[Any]]:
    """(what surrounds the attempts of a shop, the rows of the finished ones, their warnings)."""
    shop = make_shop(request.param, last_day=date(2026, 3, 31), until=datetime(2026, 3, 31, 9, 30, tzinfo=UTC))
    around = Surroundings(
        _calendar(shop),
        {job: fold_job(job, events) for job, events in by_subject(shop, "job").items()},
        {plate: fold_plate(plate, events) for plate, events in by_subject(shop, "plate").items()},
        {},
    )
    cuts = [fold_attempt(attempt, events) for attempt, events in by_subject(shop, "attempt").items()]
    finished = [(cut, place_attempt(cut, ALONE, around)) for cut in cuts if cut.state == "finished"]
    return around, [row for _, row in finished], [one for cut, row in finished for one in warnings_of(cut, row, around)]


def _calendar(shop: Shop) -> SiteCalendar:
    said = Event(0, "/admin", "1", "cutledger.site.set", "main", by_value(shop.settings))
    return fold_settings([said])


def test_no_entry_of_the_shop_is_doubted(folded: tuple[Surroundings, list[Row], list[Any]]) -> None:
    _, rows, warnings = folded
    assert len(rows) > 1_000
    assert [(one["code"], one["detail"]) for one in warnings] == []


def test_no_plate_of_the_shop_is_filled_beyond_what_a_nest_can(
    folded: tuple[Surroundings, list[Row], list[Any]],
) -> None:
    around, rows, _ = folded
    limits = around.calendar.latest.limits
    plates: dict[str, list[float]] = defaultdict(list)
    for plate, mass_kg in _masses(around, rows):
        plates[plate].append(mass_kg)
    assert len(plates) > 100
    for name, masses in plates.items():
        stated, nm = around.plates[name].stated, around.plates[name].thickness_nm
        assert nm is not None
        kg = plate_mass_kg(length_mm=stated["length_mm"], width_mm=stated["width_mm"], thickness_nm=nm)
        assert mass_on_plate(masses, kg, limits=limits) is None, name


def _masses(around: Surroundings, rows: list[Row]) -> Iterator[tuple[str, float]]:
    for row in rows:
        yield row["plate"], row["tried"] * around.jobs[row["job"]].stated["part_mass_kg"]
