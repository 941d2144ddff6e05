"""The shop that is measured: a year of cutting, seeded, with the same tallies however many attempts it makes.

Each day five machines cut five of twenty thicknesses, all of them at least once: 25 tallies a day, 9,100 a year. Ids
are ordered in time, as terminals are asked to make them, and an attempt has about as many fields as a real one.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Any, Final

Event = dict[str, Any]

#: A Monday: the year is the weeks 2024-W01 to 2024-W52.
FIRST_DAY: Final = date(2024, 1, 1)
DAYS: Final = 364
LAST_DAY: Final = FIRST_DAY + timedelta(days=DAYS - 1)
MACHINES: Final = ("laser-1", "laser-2", "laser-3", "laser-4", "laser-5")
THICKNESSES_MM: Final = (5, 6, 8, 10, 12, 14, 15, 16, 18, 20, 22, 25, 28, 30, 32, 35, 38, 40, 45, 50)
THICKNESSES_A_DAY: Final = 5
TALLIES_A_DAY: Final = len(MACHINES) * THICKNESSES_A_DAY
FEWEST_ATTEMPTS: Final = DAYS * TALLIES_A_DAY
ATTEMPTS_A_PLATE: Final = 10
PARTS: Final = 4
#: The early shift in winter and in summer; a machine cuts its attempts of a day one after the other within it.
WORK_BEGINS: Final = timedelta(hours=6)
WORK_SECONDS: Final = 21_000
LONGEST_CUT_SECONDS: Final = 900
SETTINGS: Final[Mapping[str, Any]] = {
    "zone": "Europe/Berlin",
    "rates": {"currency": "EUR", "labour_per_hour": 46, "machine_per_hour": 120, "material_per_kg": 1.15},
}

#: Singles happen from this Monday on, in the late shift, where no other attempt is: a hundred a machine and day, by
#: jobs of twenty pieces.
SINGLES_WEEK: Final = "2024-W27"
SINGLES_BEGIN: Final = datetime(2024, 7, 1, 13, tzinfo=UTC)
SINGLES_A_JOB: Final = 20
SINGLES_A_DAY: Final = SINGLES_A_JOB * THICKNESSES_A_DAY
SINGLES_DAYS: Final = 182
MOST_SINGLES: Final = SINGLES_DAYS * SINGLES_A_DAY * len(MACHINES)
_SINGLE_SECONDS: Final = WORK_SECONDS // SINGLES_A_DAY


@dataclass(frozen=True)
class Shop:
    """A year with this many attempts, at least FEWEST_ATTEMPTS so that no tally is missing."""

    attempts: int
    seed: int

    def __post_init__(self) -> None:
        if self.attempts < FEWEST_ATTEMPTS:
            raise ValueError(f"a year has at least {FEWEST_ATTEMPTS} attempts, found {self.attempts}")

    def events(self) -> Iterator[Event]:
        """All that happened, day by day: jobs opened, plates received, attempts finished, some reworked."""
        rng = random.Random(self.seed)
        ids = _ids(rng)
        turns = DAYS * len(MACHINES)
        for turn in range(turns):
            day, machine = divmod(turn, len(MACHINES))
            if turn % (7 * len(MACHINES)) == 0:
                yield from _jobs(day, ids)
            # Spread evenly: each turn has the attempts due by then that none before has made.
            made, due = (self.attempts * count // turns for count in (turn, turn + 1))
            yield from _MachineDay(day, machine, made, due - made, rng, ids).events()


def _ids(rng: random.Random) -> Iterator[str]:
    for number in range(2**31):
        yield f"{number:08x}-0000-7000-8000-{rng.getrandbits(48):012x}"


def thicknesses_of(day: int) -> tuple[int, ...]:
    """Thicknesses in mm cut on a day of the year, counted from 0."""
    start = day * THICKNESSES_A_DAY % len(THICKNESSES_MM)
    return THICKNESSES_MM[start : start + THICKNESSES_A_DAY]


def _jobs(day: int, ids: Iterator[str]) -> Iterator[Event]:
    """A job for each thickness and week, opened in the night before."""
    for mm in THICKNESSES_MM:
        data = {
            "part_number": f"BR-{mm}", "quantity": 1_000, "material": "S355J2+N", "thickness_mm": mm,
            "pierces_per_part": 5, "part_mass_kg": round(mm * 0.41, 3), "operation": "0020", "priority": 50,
        }  # fmt: skip
        time = _instant(day) - timedelta(hours=6)
        yield _event(next(ids), "/erp", "job.opened", _job(day, mm), time, data)


def _job(day: int, mm: int) -> str:
    return f"J-{day // 7:02d}-{mm}"


def _instant(day: int) -> datetime:
    """When work begins on a day."""
    return datetime.combine(FIRST_DAY + timedelta(days=day), datetime.min.time(), UTC) + WORK_BEGINS


@dataclass(frozen=True)
class _MachineDay:
    """One machine on one day: `count` attempts, numbered from `first`, its thicknesses by turns."""

    day: int
    machine: int
    first: int
    count: int
    rng: random.Random
    ids: Iterator[str]

    @cached_property
    def source(self) -> str:
        return f"/terminals/bay-{self.machine + 1}"

    def events(self) -> Iterator[Event]:
        """Plates as they are needed, and what became of them."""
        pace = min(WORK_SECONDS / self.count, LONGEST_CUT_SECONDS)
        begin = _instant(self.day)
        failed: dict[int, tuple[str, str]] = {}
        for turn in range(self.count):
            mm = thicknesses_of(self.day)[turn % THICKNESSES_A_DAY]
            layer, on_plate = divmod(turn // THICKNESSES_A_DAY, ATTEMPTS_A_PLATE)
            plate = f"P-{self.day:03d}-{self.machine + 1}-{mm}-{layer}"
            if on_plate == 0:
                yield self._plate(plate, mm, begin - timedelta(hours=2))
            seconds = round(pace * self.rng.uniform(0.5, 0.9), 1)
            ended = begin + timedelta(seconds=int(turn * pace) + int(seconds) + 1)
            number = self.first + turn
            finished = self._finished(number, mm, plate, ended, {"seconds": seconds, **_outcome(self.rng)})
            self._retry(finished, failed, mm)
            yield finished
            if rework := finished["data"].get("rework"):
                yield self._reworked(finished["subject"], rework, ended + timedelta(hours=1))

    def _plate(self, plate: str, mm: int, time: datetime) -> Event:
        data = {
            "material": "S355J2+N", "thickness_mm": mm, "mill": "mill A", "heat_number": f"H{self.day // 14:03d}-{mm}",
            "length_mm": 3000, "width_mm": 1500, "rust_grade": "A", "edges": "sawn",
        }  # fmt: skip
        return _event(next(self.ids), "/store", "plate.received", plate, time, data)

    def _finished(self, number: int, mm: int, plate: str, time: datetime, became: Mapping[str, Any]) -> Event:
        data = cut(mm=mm, machine=self.machine, job=_job(self.day, mm), piece=f"{number}") | dict(became)
        return _event(next(self.ids), self.source, "attempt.finished", f"A-{number:08d}", time, data | {"plate": plate})

    def _retry(self, finished: Event, failed: dict[int, tuple[str, str]], mm: int) -> None:
        """Make an attempt after a failed one of its thickness the retry of that piece."""
        data = finished["data"]
        if mm in failed:
            data["retry_of"], data["piece"] = failed.pop(mm)
        if data["outcome"] != "severed":
            failed[mm] = finished["subject"], data["piece"]

    def _reworked(self, attempt: str, parts: int, time: datetime) -> Event:
        minutes = round(self.rng.uniform(2, 25), 1)
        data = {"operation": "grinding", "minutes": minutes, "parts": parts, "recovered": parts}
        return _event(next(self.ids), self.source, "attempt.reworked", attempt, time, data)


def _outcome(rng: random.Random) -> dict[str, Any]:
    """How an attempt of PARTS parts ended: 3 in 100 not pierced, 8 with a part to rework, 2 with one of scrap."""
    luck = rng.random()
    if luck < 0.03:
        return {"outcome": "pierce_failed", "pierces": 1, "failed_pierces": 1, "good": 0, "rework": 0, "scrap": 0}
    rework, scrap = int(luck < 0.11), int(0.11 <= luck < 0.13)
    became = {
        "outcome": "severed", "pierces": 5 * PARTS, "failed_pierces": int(rng.random() < 0.1),
        "good": PARTS - rework - scrap, "rework": rework, "scrap": scrap,
    }  # fmt: skip
    if rework:
        became["defects"] = [{"term": "slag_lower_edge", "location": "lower_edge", "parts": rework}]
    return became


def cut(*, mm: int, machine: int, job: str, piece: str) -> dict[str, Any]:
    """What a terminal says of every attempt, however it ends."""
    return {
        "job": job, "machine": MACHINES[machine], "piece": piece, "operator": f"operator {machine + 1}",
        "gas": "oxygen", "quantity": PARTS, "mode": "new",
        "recipe": {
            "name": f"S355 oxygen {mm}", "revision": "B", "power_w": 12000, "feed_mm_min": 3500 // mm * 10,
            "gas_pressure_bar": 0.7, "focus_mm": 8.5, "nozzle_mm": 1.4, "standoff_mm": 0.8,
        },
    }  # fmt: skip


def singles(first: int, count: int) -> list[Event]:
    """Attempts from SINGLES_WEEK on that are posted alone, numbered from `first` (below MOST_SINGLES)."""
    return [_single(number) for number in range(first, first + count)]


def _single(number: int) -> Event:
    place, machine = divmod(number, len(MACHINES))
    day, turn = divmod(place, SINGLES_A_DAY)
    job = place // SINGLES_A_JOB
    mm = THICKNESSES_MM[job % len(THICKNESSES_MM)]
    ended = SINGLES_BEGIN + timedelta(days=day, seconds=(turn + 1) * _SINGLE_SECONDS)
    became = {"outcome": "severed", "seconds": _SINGLE_SECONDS * 0.8, "pierces": 20, "failed_pierces": 0, "good": PARTS}
    data = cut(mm=mm, machine=machine, job=f"J-single-{machine + 1}-{job}", piece=f"s{number}") | became
    data |= {"material": "S355J2+N", "thickness_mm": mm}
    id_ = f"{number:08x}-0001-7000-8000-000000000000"
    return _event(id_, f"/terminals/bay-{machine + 1}", "attempt.finished", f"S-{number:08d}", ended, data)


def _event(id_: str, source: str, type_: str, subject: str, time: datetime, data: dict[str, Any]) -> Event:
    return {
        "specversion": "1.0",
        "id": id_,
        "source": source,
        "type": f"cutledger.{type_}",
        "subject": subject,
        "time": time.isoformat(),
        "data": data,
    }
