"""Notices as the terminal is told of them: at once, by machine, until somebody says what was found."""

from __future__ import annotations

from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut
from tests.service.pages.test_terminal_known import known

STEEL = {"material": "S355", "thickness_mm": 20}
CHECKED = {"checks": [{"what": "nozzle", "found": "replaced"}]}


def failing(machine: str = "Laser 1", *, count: int = 3, minute: int = 0, **data: Any) -> list[dict[str, Any]]:
    told = {"outcome": "pierce_failed", "quantity": 1} | data
    return [
        cut(f"{machine} {minute + n}", machine=machine, time=f"2026-03-04T10:{minute + n:02}:00Z", **told, **STEEL)
        for n in range(count)
    ]


def notices(door: Door, **asked: str) -> list[dict[str, Any]]:
    door.clock.now_us = 1_772_622_000_000_000  # 2026-03-04T11:00Z
    found: list[dict[str, Any]] = known(door, **asked)["notices"]
    return found


def test_three_failed_pierces_ask_for_a_look_at_that_machine(door: Door) -> None:
    door.told(*failing(count=2))
    assert notices(door) == []
    door.told(*failing(count=1, minute=2), *failing("Laser 2", count=2))
    (one,) = notices(door)
    assert (one["machine"], one["code"], one["failed"], one["in_succession"]) == ("Laser 1", "failed_pierces", 3, True)
    assert one["detail"] == "3 pierces failed in succession"
    assert one["look_at"] == ["nozzle", "nozzle_centring", "protective_window", "gas"]
    assert notices(door, machine="laser 1") == [one]
    assert notices(door, machine="Laser 2") == []


@pytest.mark.parametrize(
    "answer",
    [
        event("machine.checked", "LASER 1", time="2026-03-04T10:30:00Z", **CHECKED),
        event("machine.serviced", "Laser 1", time="2026-03-04T10:30:00Z", what="nozzle"),
    ],
)
def test_what_was_found_or_serviced_ends_the_notice_and_the_next_series_opens_another(
    door: Door, answer: dict[str, Any]
) -> None:
    door.told(*failing())
    (first,) = notices(door)
    door.told(answer)
    assert notices(door) == []
    door.told(*failing(minute=40))
    (second,) = notices(door)
    assert second["id"] != first["id"]


def test_lost_cuts_ask_for_a_look_likewise(door: Door) -> None:
    door.told(*failing(outcome="not_severed"))
    assert [one["code"] for one in notices(door)] == ["lost_cuts"]


def test_the_limits_are_the_sites_own(door: Door) -> None:
    door.set(plausibility={"failed_in_succession": 2})
    door.told(*failing(count=2))
    assert len(notices(door)) == 1


def test_a_check_that_waits_to_be_counted_ends_it_at_once(door: Door) -> None:
    door.told(*failing())
    assert len(notices(door)) == 1
    answer = door.post(event("machine.checked", "Laser 1", time="2026-03-04T10:30:00Z", **CHECKED))
    assert answer.status_code == 202
    assert notices(door) == []
