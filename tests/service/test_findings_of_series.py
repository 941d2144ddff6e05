"""Findings that several entries make together: failed pierces, overfull plates, times at a shift's end, warnings."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.findings import look

FIRST = date(2026, 3, 2)


def at(day: int, hour: int = 10, minute: int = 0) -> str:
    return f"{FIRST + timedelta(days=day)}T{hour:02}:{minute:02}:00Z"


def implausible(door: Door, day: int = 9) -> list[tuple[str, str, str]]:
    """(code, kind of subject, subject) of what a look in the evening of a day finds."""
    evening = datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC) + timedelta(hours=23)
    look(door.database, door.site, now_us=int(evening.timestamp()) * 1_000_000)
    return [(one["code"], one["subject_kind"], one["subject"]) for one in door.findings(kind="implausible")]


# --- pierces ----------------------------------------------------------------------------------------------------


def usual(*, machine: str = "Laser 1", share: int = 2) -> list[dict[str, Any]]:
    """Forty attempts of 10 pierces over four days: so many in a hundred fail."""
    return [
        cut(
            f"{machine}-{number}",
            machine=machine,
            time=at(number // 10, 8 + number % 10),
            pierces=10,
            failed_pierces=share if number % 10 == 0 else 0,
        )  # fmt: skip
        for number in range(40)
    ]


def single(number: int, *, failed: int = 1, machine: str = "Laser 1") -> dict[str, Any]:
    return cut(f"{machine}-s{number}", machine=machine, time=at(5, 10, number), pierces=1, failed_pierces=failed)


def test_pierces_that_fail_one_after_another_send_one_to_the_nozzle(door: Door) -> None:
    door.told(*usual(), *(single(number) for number in range(3)))
    assert implausible(door) == [("failed_pierces", "machine", "Laser 1")]
    (found,) = door.findings(kind="implausible")
    assert found["figures"] == {
        "failed": 3, "pierces": 3, "usual_share": pytest.approx(0.02), "first_attempt": "Laser 1-s0",
        "last_attempt": "Laser 1-s2",
    }  # fmt: skip
    assert "3 pierces failed in succession: look at the nozzle, then at its centring" in found["detail"]


def test_what_is_common_on_a_machine_is_no_series(door: Door) -> None:
    """One pierce in ten fails there: three in succession come about by chance."""
    door.told(*usual(share=10), *(single(number) for number in range(3)))
    assert implausible(door) == []


@pytest.mark.parametrize("ended_by", ["service", "good pierces"])
def test_a_series_is_over_after_a_service_or_good_pierces(door: Door, ended_by: str) -> None:
    door.told(*usual(), *(single(number) for number in range(3)))
    assert len(implausible(door)) == 1
    if ended_by == "service":
        door.told(event("machine.serviced", "Laser 1", time=at(5, 12), what="nozzle"))
    else:
        door.told(*(single(number, failed=0) for number in range(10, 30)))
    assert implausible(door) == []
    assert door.findings(kind="implausible", state="closed")[0]["code"] == "failed_pierces"


def test_a_machine_without_a_past_has_no_usual_rate(door: Door) -> None:
    door.told(*(single(number) for number in range(5)))
    assert implausible(door) == []


# --- mass -------------------------------------------------------------------------------------------------------


def plate_and_parts(parts: int, *, mass: float | None = 5.0, length: float | None = 1_000, **how: Any) -> list[Any]:
    """A plate of 1 m x 1 m x 20 mm, 157 kg, and parts of 5 kg cut from it."""
    job = {} if mass is None else {"part_mass_kg": mass}
    plate = {} if length is None else {"length_mm": length, "width_mm": 1_000}
    told = [opened(quantity=100, time="2026-03-01T10:00:00Z", **job), received(time="2026-03-01T10:00:00Z", **plate)]
    return [*told, cut("A", job="J", plate="P", quantity=parts, time=at(1), **how)]


@pytest.mark.parametrize(
    ("parts", "is_found", "impossible"), [(29, False, False), (30, True, False), (31, True, False), (32, True, True)]
)
def test_parts_that_overfill_their_plate_are_found(door: Door, parts: int, is_found: bool, impossible: bool) -> None:
    door.told(*plate_and_parts(parts))
    assert implausible(door) == ([("plate_mass", "plate", "P")] if is_found else [])
    for found in door.findings(kind="implausible"):
        assert found["figures"]["impossible"] is impossible
        assert found["figures"]["share"] == pytest.approx(parts * 5 / 157)


def test_a_blank_that_is_cut_on_counts_once_and_what_is_not_known_says_nothing(door: Door) -> None:
    door.told(*plate_and_parts(20))
    door.told(cut("B", job="J", plate="P", quantity=20, mode="resume", retry_of="A", time=at(2)))
    assert implausible(door) == []
    door.told(cut("C", job="J", plate="P", quantity=20, retry_of="B", time=at(3)))
    assert implausible(door) == [("plate_mass", "plate", "P")]


@pytest.mark.parametrize("unknown", [{"mass": None}, {"length": None}])
def test_without_sizes_or_masses_nothing_is_said(door: Door, unknown: dict[str, Any]) -> None:
    door.told(*plate_and_parts(80, **unknown))
    assert implausible(door) == []


# --- times ------------------------------------------------------------------------------------------------------


def entered(source: str, day: int, *minutes: int) -> list[dict[str, Any]]:
    """Attempts finished so many minutes before 14:00, the end of the early shift."""
    return [
        cut(f"{source}-{day}-{minute}", source=source, time=at(day, 13, 60 - minute), seconds=1) for minute in minutes
    ]


def test_entries_that_all_lie_at_the_end_of_their_shift_are_not_trusted(door: Door) -> None:
    door.told(*entered("/terminals/a", 5, 1, 2, 3, 9), *entered("/terminals/a", 6, 1, 2, 4))
    door.told(*entered("/terminals/b", 5, 1, 2, 50), *entered("/terminals/c", 5, 30, 31, 32))
    assert implausible(door) == [("times_at_shift_end", "terminal", "/terminals/a")]
    (found,) = door.findings(kind="implausible")
    assert found["figures"] == {"day": "2026-03-08", "shift": "early", "shifts": 2}


def test_what_a_site_switches_off_is_not_looked_for(door: Door) -> None:
    door.told(*entered("/terminals/a", 5, 1, 2, 3, 9), *plate_and_parts(40))
    assert len(implausible(door)) == 2
    door.set(plausibility={"off": ["times_at_shift_end"]})
    assert implausible(door) == [("plate_mass", "plate", "P")]
    door.set(plausibility={"off": ["plate_mass", "times_at_shift_end"]})
    assert implausible(door) == []


# --- warnings of single attempts --------------------------------------------------------------------------------


def test_the_same_doubt_about_one_recipe_is_one_finding_with_its_attempts(door: Door) -> None:
    recipe = {"name": "S355-20", "revision": "A", "standoff_mm": 9}
    door.told(*(cut(f"A{day}", time=at(day), recipe=recipe) for day in range(4)))
    door.told(cut("B", time=at(2), recipe={**recipe, "name": "Other"}))
    assert implausible(door) == [("standoff", "recipe", "Other / A"), ("standoff", "recipe", "S355-20 / A")]
    found = {one["subject"]: one for one in door.findings(kind="implausible")}
    assert found["S355-20 / A"]["figures"]["attempts"] == 4
    assert found["S355-20 / A"]["figures"]["attempt"] == "A3"
    assert found["S355-20 / A"]["detail"].endswith("(4 attempts, the newest shown)")
    assert found["Other / A"]["figures"]["attempts"] == 1
