"""Report wear through the door: use since a service, its bands, the trend, and the change that figures support."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, void

#: Attempts of ten pierces and ten parts, a minute each, a quarter of an hour apart; 20 of them after each service.
EACH, MINUTES_APART = 20, 15


def at(day: int, number: int, month: int = 3, *, after: int = 0) -> str:
    """When the attempt of this number on this day of the month begins, or so many minutes after that."""
    minute = number * MINUTES_APART + after
    return f"2026-{month:02d}-{day:02d}T{5 + minute // 60:02d}:{minute % 60:02d}:00Z"


def serviced(
    day: int, number: int = 0, *, what: str = "nozzle", machine: str = "Laser 1", **how: Any
) -> dict[str, Any]:
    return event("machine.serviced", machine, time=at(day, number), what=what, **how)


def attempts(day: int, failed: Iterable[int], *, bad: Iterable[int] = (), month: int = 3, **data: Any) -> list[Any]:
    """Attempts of a day, each with so many of its ten pierces failed, and so many of its parts reworked."""
    told = {"machine": "Laser 1", "pierces": 10, "quantity": 10, "seconds": 60} | data
    reworked = [*bad]
    return [
        cut(
            f"{month}-{day}-{number}", time=at(day, number, month, after=1), failed_pierces=x,
            good=10 - (reworked[number:] or [0])[0], rework=(reworked[number:] or [0])[0], **told,
        )
        for number, x in enumerate(failed)
    ]  # fmt: skip


def stretch(day: int, failed: Iterable[int] = (0,) * EACH, **data: Any) -> list[Any]:
    """A new nozzle in the morning, then attempts."""
    return [serviced(day), *attempts(day, failed, **data)]


def shown(rows: Iterable[dict[str, Any]], *names: str) -> list[tuple[Any, ...]]:
    return [tuple(row[name] for name in names) for row in rows]


def trend(report: dict[str, Any], measure: str = "failed_pierce_rate", service: str = "nozzle") -> dict[str, Any]:
    (found,) = (one for one in report["details"]["trends"] if (one["measure"], one["service"]) == (measure, service))
    return dict(found)


#: Two of ten pierces fail from the 100th pierce on, before that one in every other attempt.
WEARS = [*[0, 1] * 5, *[2] * 10]


def test_use_is_what_was_done_since_the_service_in_doubling_bands(door: Door) -> None:
    # Use of the 20 attempts: 0, 10, ... 190. Nine in ten are at 171 or less, an eighth of it is 21: bands begin at 20,
    # 40, 80, 160. The first of 2 attempts after each of 2 services has 4 plates, and is joined with the second.
    door.told(*stretch(3, WEARS), *stretch(4, WEARS, bad=[1] * 20))
    report = door.report("wear")
    rows = [row for row in report["rows"] if row["service"] == "nozzle"]
    assert shown(
        rows, "machine", "use_from", "use_to", "stretches", "attempts", "pierces", "parts", "parts_rework"
    ) == [
        ("Laser 1", 0, 40, 2, 8, 80, 80, 4),
        ("Laser 1", 40, 80, 2, 8, 80, 80, 4),
        ("Laser 1", 80, 160, 2, 16, 160, 160, 8),
        ("Laser 1", 160, 190, 2, 8, 80, 80, 4),
    ]
    # Failed: 4 and 4 of 80; 2 x (1 + 6 x 2) of 160; 16 of 80.
    assert shown(rows, "failed_pierce_rate") == [(0.05,), (0.05,), (26 / 160,), (0.2,)]
    assert shown(rows, "failed_pierce_rate_fresh") == [(None,), (0.05,), (0.05,), (0.05,)]
    assert [row["failed_pierce_rate_more"] for row in rows[1:]] == pytest.approx([0, 26 / 160 - 0.05, 0.15])
    assert shown(rows, "rework_share", "not_good_share") == [(0.05, 0.05)] * 4
    assert {row["service"] for row in report["rows"]} == {"nozzle"}


def test_wear_that_is_there_supports_a_change_and_says_so(door: Door) -> None:
    door.told(*(each for day in range(2, 12) for each in stretch(day, WEARS)))
    report = door.report("wear")
    found = trend(report)
    assert (found["verdict"], found["services"], found["longest"], found["left_out"]) == ("wears", 10, 190, 0)
    # 200 plates: bands are halved, 0, 20, 30, 40, 60, 80, 120, 160. From 80 to 120 pierces 5 in 40 fail, 7.5 % more
    # than below 20. From 20 to 30 none of 100 fails: there they are surely not 2 % above it.
    assert (found["change_low"], found["change_after"], found["change_high"]) == (20, 80, 120)
    assert found["p_value"] <= found["q_value"] < 1e-6
    assert trend(report, "rework_share")["reason"].startswith("nothing to compare")
    (said,) = (note for note in report["notes"] if "grow with use" in note)
    assert "the figures support a change after 80 pierces" in said
    assert "between 20 pierces and 120 pierces" in said


def test_no_wear_is_said_and_no_change_is_invented(door: Door) -> None:
    door.told(*(each for day in range(2, 12) for each in stretch(day, [1, 0, 0, 1] * 5)))
    report = door.report("wear")
    found = trend(report)
    assert (found["verdict"], found["change_after"], found["change_low"], found["change_high"]) == (None,) * 4
    assert found["reason"] == "failures do not grow with use beyond what chance explains"
    assert any("the figures show no wear up to the longest use seen, 190 pierces" in note for note in report["notes"])
    assert not any("support" in note for note in report["notes"])


def test_wear_of_one_nozzle_alone_supports_no_change(door: Door) -> None:
    # Only the first nozzle was in use so long.
    worn = attempts(2, [0] * 38 + [3] * 36)
    door.told(serviced(2), *worn, *(each for day in range(3, 6) for each in stretch(day, [0] * 20)))
    found = trend(door.report("wear"))
    assert (found["verdict"], found["change_after"]) == ("wears", None)
    assert found["reason"].startswith("no band that was seen after two services")


def test_a_tolerance_or_a_target_moves_the_change(door: Door) -> None:
    door.told(*(each for day in range(2, 12) for each in stretch(day, WEARS)))
    # From 120 on 20 % fail, 15 % more than in the freshest band.
    assert trend(door.report("wear", tolerance=0.09))["change_after"] == 120
    assert trend(door.report("wear", tolerance=0.5))["change_after"] is None
    report = door.report("wear", tolerance=0.5, pierce_target=0.1)
    assert trend(report)["change_after"] == 120
    assert any("lie above the target, 10.00%" in note for note in report["notes"])
    # The freshest band itself lies above it: no change would help.
    assert trend(door.report("wear", tolerance=0.5, pierce_target=0.04))["change_after"] is None
    door.set(targets={"failed_pierce_rate": 0.1})
    assert door.report("wear", tolerance=0.5)["details"]["pierce_target"] == 0.1
    assert trend(door.report("wear", tolerance=0.5))["change_after"] == 120


def test_thick_plate_late_in_the_life_of_a_nozzle_is_no_wear(door: Door) -> None:
    told: list[Any] = []
    for day in range(2, 16):
        told.append(serviced(day))
        # Thin plate fails in 5 % and thick in 20 %, whatever the use; thick plate is cut late.
        thin, thick = ([0, 1] * 5, [2] * 10) if day % 7 else ([2] * 10, [0, 1] * 5)
        for first, failed in ((0, thin), (10, thick)):
            told += [
                {**each, "data": {**each["data"], "thickness_mm": 30 if sum(failed) == 20 else 10}}
                for each in attempts(day, [0] * first + failed)[first:]
            ]
    door.told(*told)
    report = door.report("wear")
    assert trend(report)["verdict"] is None
    rows = [row for row in report["rows"] if row["service"] == "nozzle"]
    assert rows[-1]["failed_pierce_rate"] > 2 * rows[0]["failed_pierce_rate"]
    for row in rows[1:]:
        low, high = row["failed_pierce_rate_more_low"], row["failed_pierce_rate_more_high"]
        assert low is None or low <= 0 <= high


def test_attempts_before_the_first_known_service_are_left_out_and_counted(door: Door) -> None:
    door.told(*attempts(2, [1] * 7), *stretch(3, [0] * 20), *attempts(4, [0] * 5, machine="Laser 2"))
    report = door.report("wear")
    assert sum(row["attempts"] for row in report["rows"]) == 20
    assert trend(report)["left_out"] == 7
    notes = "\n".join(report["notes"])
    assert "attempts cut before the first service that is known of a kind are left out: 7 (nozzle)" in notes
    assert (
        "no service on record before what was cut: Laser 1: nozzle_centring, protective_window, lens, slats; " in notes
    )
    assert "Laser 2: nozzle, nozzle_centring" in notes


def test_what_was_done_before_the_window_counts_as_use(door: Door) -> None:
    # In February 50 pierces since the nozzle, of them 20 since its centring; 100 since a window put in before.
    february = [
        event("machine.serviced", "Laser 1", time=at(20, 0, 2), what="protective_window"),
        *attempts(20, [0] * 10, month=2),
        event("machine.serviced", "Laser 1", time=at(20, 5, 2), what="nozzle"),
        event("machine.serviced", "Laser 1", time=at(20, 8, 2), what="nozzle_centring"),
    ]
    door.told(*february, *attempts(3, [0] * 6))
    rows = door.rows("wear")
    assert shown(rows, "service", "use_from", "use_to", "attempts") == [
        ("nozzle", 0, 100, 6), ("nozzle_centring", 0, 70, 6), ("protective_window", 0, 150, 6)
    ]  # fmt: skip
    hours = door.rows("wear", use="hours")
    assert [row["use_to"] for row in hours] == pytest.approx([10 / 60, 7 / 60, 15 / 60])


def test_filters_choose_what_is_judged_and_everything_cut_is_use(door: Door) -> None:
    thick = [{**each, "data": {**each["data"], "thickness_mm": 30}} for each in attempts(3, [0] * 10)[5:]]
    door.told(serviced(3), *attempts(3, [0] * 5, purpose="trial"), *thick)
    (row,) = door.rows("wear", thickness_mm=30)
    assert (row["attempts"], row["use_to"]) == (5, 90)
    assert door.rows("wear", thickness_mm=10) == []
    assert door.rows("wear", machine="Laser 2") == []
    assert door.rows("wear", machine="laser 1", purpose="trial")[0]["attempts"] == 5


def test_a_check_that_mends_is_a_service_and_one_that_finds_all_in_order_is_none(door: Door) -> None:
    checks = [{"what": "nozzle", "found": "replaced"}, {"what": "protective_window", "found": "in_order"}]
    check = event("machine.checked", "Laser 1", time=at(3, 5), checks=checks)
    door.told(*attempts(3, [0] * 10))
    held = door.get("/v1/reports/wear", month="2026-03")
    door.told(check)
    again = door.get("/v1/reports/wear", month="2026-03", headers={"If-None-Match": held.headers["ETag"]})
    assert again.status_code == 200
    report = door.report("wear")
    assert shown(report["rows"], "service", "attempts", "use_to") == [("nozzle", 5, 40)]
    before = report["as_of"]["position"]
    door.told(void(check))
    assert door.rows("wear") == []
    assert door.rows("wear", at=before) == report["rows"]


def test_a_service_at_the_instant_of_an_attempt_comes_before_it_and_a_void_takes_it_out(door: Door) -> None:
    again = serviced(3, 4)
    door.told(serviced(3), *attempts(3, [0] * 8), again)
    (row,) = door.rows("wear")
    assert (row["stretches"], row["attempts"], row["use_to"]) == (2, 8, 30)
    door.told(void(again))
    (row,) = door.rows("wear")
    assert (row["stretches"], row["use_to"]) == (1, 70)


def test_days_that_wait_for_verdicts_are_left_out_yet_were_use(door: Door) -> None:
    door.told(serviced(3), *attempts(3, [0] * 6), *attempts(4, [0] * 6))
    pending = cut("3-3-9", time=at(3, 9), machine="Laser 1", pierces=10, failed_pierces=5, quantity=90)
    door.told(pending)
    report = door.report("wear")
    (row,) = report["rows"]
    assert (row["attempts"], row["pierces"], row["use_to"]) == (6, 60, 120)
    assert any(note.startswith("1 production day is left out") for note in report["notes"])


def test_attempts_without_pierces_or_a_time_are_counted(door: Door) -> None:
    door.told(serviced(3), *attempts(3, [0] * 6), cut("X", time=at(3, 8), machine="Laser 1", quantity=1, good=1))
    report = door.report("wear")
    details = report["details"]
    assert (details["attempts_without_pierces"], details["attempts_without_seconds"]) == (1, 1)
    assert "1 attempt does not tell its pierces: use is higher than counted here" in report["notes"]
    assert any(
        note.startswith("1 attempt does not tell its time") for note in door.report("wear", use="hours")["notes"]
    )


def test_nothing_cut_gives_no_row_and_no_trend(door: Door) -> None:
    door.told(serviced(3))
    report = door.report("wear")
    assert (report["rows"], report["details"]["trends"], report["details"]["tests"]) == ([], [], 0)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"use": "days"}, "must be one of pierces, hours"),
        ({"tolerance": "2"}, "from 0 to 0.5"),
        ({"pierce_target": "x"}, "from 0 to 1"),
        ({"by": "machine"}, "is no parameter of this report"),
    ],
)
def test_what_cannot_be_asked_is_refused(door: Door, asked: dict[str, str], said: str) -> None:
    answer = door.get("/v1/reports/wear", **asked)
    assert answer.status_code == 422
    assert said in answer.text
