"""What is posted: small stories of one site and one production day each, told in parts.

A story is complete in itself: its own job, plates and attempts, with retries, inspections, rework and voids. It is told
in one to three parts that come in different requests, often out of order. Nine stories of ten have a production day
(nearly) to themselves, spread over twenty-six years: a cold day is touched by few requests, so that nothing which comes
later heals what went wrong with it. The others meet on a few hot days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any, Final

Event = dict[str, Any]

FIRST_DAY: Final = date(2000, 2, 1)
COLD_DAYS: Final = 9_700
#: Coprime with COLD_DAYS: stories told one after the other lie far apart.
STRIDE: Final = 7_919
HOT_DAYS: Final = 24
ONE_HOT_IN: Final = 14
#: Attempts of a story. So many that the days there are (the door takes none before 2000) suffice for the long run.
ATTEMPTS: Final = (4, 5, 6, 7)
#: A day is cold when no more requests than this touch it.
COLD_TOUCHES: Final = 4
MATERIALS: Final = ("S355J2+N", " s355j2+n", "S235JR", "S690QL")
THICKNESSES_MM: Final = (12, 15, 20, 25, 30, 35, 40)
SETTINGS: Final[dict[str, Any]] = {
    "zone": "UTC",
    "rates": {"currency": "EUR", "labour_per_hour": 46, "machine_per_hour": 120, "material_per_kg": 1.15},
}


def day_of(serial: int, rng: Random) -> date:
    """The production day of a site's story with this serial number."""
    if rng.randrange(ONE_HOT_IN) == 0:
        return FIRST_DAY + timedelta(days=COLD_DAYS + rng.randrange(HOT_DAYS))
    return FIRST_DAY + timedelta(days=serial * STRIDE % COLD_DAYS)


@dataclass
class _Telling:
    """A story as it is told: minutes count from the start of its day's early shift."""

    site: str
    serial: int
    day: date
    rng: Random
    events: list[Event] = field(default_factory=list)
    clock: float = 30.0

    @property
    def tag(self) -> str:
        return f"{self.serial:07d}"

    @property
    def terminal(self) -> str:
        return f"/terminals/bay-{self.serial % 5 + 1}"

    def say(self, type_: str, source: str, subject: str, data: Event, *, after: float = 0.0) -> Event:
        self.clock += after
        begin = datetime.combine(self.day, datetime.min.time(), UTC) + timedelta(hours=6)
        event = {
            "specversion": "1.0",
            "id": f"{self.tag}-{len(self.events):02d}",
            "source": source,
            "type": f"cutledger.{type_}",
            "subject": subject,
            "time": (begin + timedelta(minutes=round(self.clock, 2))).isoformat(),
            "data": data,
        }
        self.events.append(event)
        return event


def story(site: str, serial: int, seed: int) -> Iterator[list[Event]]:
    """Parts of a site's story, each a list of events, the same at every call."""
    rng = Random(f"{seed}/{site}/{serial}")
    telling = _Telling(site, serial, day_of(serial, rng), rng)
    _stock(telling)
    before: str | None = None
    for turn in range(rng.choice(ATTEMPTS)):
        before = _attempt(telling, turn, before)
    return _parts(telling.events, rng)


def _stock(told: _Telling) -> None:
    """A job and its plate, sometimes a remnant of it, sometimes assessed anew."""
    rng, thickness = told.rng, told.rng.choice(THICKNESSES_MM)
    job: Event = {"part_number": f"BR-{thickness}", "quantity": rng.randint(4, 40), "material": rng.choice(MATERIALS)}
    job |= {"thickness_mm": thickness, "part_mass_kg": round(thickness * 0.41, 3), "pierces_per_part": 3}
    if rng.random() < 0.15:
        job["bevel_deg"] = 30
    told.say("job.opened", "/erp", f"J-{told.tag}", job)
    steel: Event = {"material": job["material"], "thickness_mm": thickness, "rust_grade": rng.choice("ABCD")}
    steel |= {"heat_number": f"H{told.serial % 97}", "mill": "mill A", "edges": rng.choice(("sawn", "oxyfuel"))}
    told.say("plate.received", "/store", f"P-{told.tag}-1", steel, after=5)
    if rng.random() < 0.5:
        remnant = {"material": job["material"], "thickness_mm": thickness, "parent": f"P-{told.tag}-1"}
        told.say("plate.received", "/store", f"P-{told.tag}-2", remnant, after=1)
    if rng.random() < 0.4:
        told.say("plate.assessed", "/store", f"P-{told.tag}-1", {"preparation_grade": "Sa 2.5"}, after=1)


def _attempt(told: _Telling, turn: int, before: str | None) -> str | None:
    """One attempt with all that is said of it; returns it when it failed and is to be tried again."""
    rng, attempt = told.rng, f"A-{told.tag}-{turn}"
    said = {
        "job": f"J-{told.tag}", "plate": f"P-{told.tag}-{rng.choice((1, 1, 2))}", "machine": f"laser-{told.serial % 7}",
        "piece": f"{0 if before else turn}", "gas": "oxygen", "quantity": 4, "operator": f"operator {told.serial % 9}",
        "recipe": {"name": f"oxygen {turn % 2}", "revision": "B", "power_w": 12000, "focus_mm": 8.5, "nozzle_mm": 1.4},
    }  # fmt: skip
    if before and rng.random() < 0.5:
        said["retry_of"] = before
    if rng.random() < 0.5:
        told.say("attempt.started", told.terminal, attempt, said, after=3)
    became = _outcome(rng)
    finished = told.say("attempt.finished", told.terminal, attempt, said | became, after=12)
    if rng.random() < 0.08:
        _void(told, finished)
    _verdicts(told, attempt, became)
    return None if became["outcome"] == "severed" else attempt


def _outcome(rng: Random) -> Event:
    luck = rng.random()
    if luck < 0.1:
        return {"outcome": "pierce_failed", "pierces": 1, "failed_pierces": 1, "good": 0, "seconds": 20}
    if luck < 0.2:
        return {"outcome": "aborted", "stop_reason": "lost_cut", "tried": 2, "good": 1, "scrap": 1, "seconds": 95.5}
    timed = {"outcome": "severed", "pierces": 12, "failed_pierces": rng.randint(0, 1), "seconds": 420}
    if luck < 0.5:
        return timed
    rework = rng.randint(0, 2)
    counted: Event = {"good": 4 - rework, "rework": rework}
    if rework:
        counted["defects"] = [{"term": "slag_lower_edge", "location": "lower_edge", "parts": rework}]
    return timed | counted


def _void(told: _Telling, finished: Event) -> None:
    """The entry was mistyped: voided, and stated anew under another id."""
    target = {"source": finished["source"], "id": finished["id"], "reason": "typed twice"}
    told.say("event.voided", told.terminal, finished["subject"], target, after=1)
    told.say("attempt.finished", told.terminal, finished["subject"], finished["data"], after=1)


def _verdicts(told: _Telling, attempt: str, became: Event) -> None:
    rng = told.rng
    if became["outcome"] == "severed" and "good" not in became:
        rework = rng.randint(0, 2)
        verdict = {"good": 3 - rework, "rework": rework, "scrap": rng.randint(0, 1)}
        told.say("attempt.inspected", "/inspection", attempt, verdict | {"inspector": "Cy"}, after=4)
        became = became | verdict
    if parts := became.get("rework"):
        grinding = {"operation": "grinding", "minutes": rng.choice((4.5, 12, 7.125)), "parts": parts}
        ends = {"recovered": parts} if rng.random() < 0.7 else {"scrapped": 1}
        told.say("attempt.reworked", told.terminal, attempt, grinding | ends, after=2)


def _parts(events: list[Event], rng: Random) -> Iterator[list[Event]]:
    """The events in one to three parts; what happened first is not always said first."""
    count = rng.choice((1, 2, 2, 3))
    if rng.random() < 0.3:
        rng.shuffle(events)
    cuts = sorted(rng.sample(range(1, len(events)), count - 1))
    for begin, end in zip([0, *cuts], [*cuts, len(events)], strict=True):
        yield events[begin:end]
