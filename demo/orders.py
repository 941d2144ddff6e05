"""What the invented shop has to cut: jobs, their pieces, and the place of each plate in the weeks."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any, Final

from demo.hours import SATURDAY, SUNDAY, bench_time, moment
from demo.recipes import recipe, seconds_a_part
from demo.sayings import ERP, Saying, say
from demo.truth import LASER_8, LASER_15

STEEL_KG_PER_MM3: Final = 7.85e-6
GRADES: Final = ("S355J2+N", "S460N")


@dataclass(frozen=True, slots=True)
class Thickness:
    """Nominal plate thickness in mm; inch plate also has the fraction that states it."""

    mm: float
    inch: str | None = None

    def stated(self) -> dict[str, Any]:
        """Return the field by which an event states it."""
        if self.inch:
            return {"thickness_in": self.inch}
        return {"thickness_mm": int(self.mm)}


THREE_QUARTERS: Final = Thickness(19.05, "3/4")
ONE_INCH: Final = Thickness(25.4, "1")
#: What each machine is given to cut, one entry a job, dealt like cards so that every week sees every thickness.
CARDS: Final = {
    LASER_8: [
        *(Thickness(mm) for mm in (12, 12, 15, 15, 20, 20, 20, 25, 25, 30, 40)),
        THREE_QUARTERS,
        ONE_INCH,
    ],
    LASER_15: [*(Thickness(mm) for mm in (12, 15, 20, 20, 25, 25, 30, 30, 40, 40)), THREE_QUARTERS, ONE_INCH],
}
TRIAL_MM: Final = 40
REMNANTS_MM: Final = (15, 30)
#: Gusset, base plate, lug, end cap, flange, link.
FAMILIES: Final = ("GUS", "BAS", "LUG", "CAP", "FLA", "LNK")
#: Minutes after the start of the production day at which plates are put on.
TIMES_OF_DAY: Final = (15, 250, 500, 745, 1000)


@dataclass(frozen=True, slots=True)
class Part:
    """What a job asks for: number, outline and hole sizes in mm, mass in kg."""

    number: str
    long_mm: int
    wide_mm: int
    holes: int
    hole_mm: int
    pitch_mm: int
    web_mm: int
    mass_kg: float
    cut_length_mm: int

    @property
    def pierces(self) -> int:
        """Starting points of one part: the contour and each hole."""
        return 1 + self.holes


@dataclass(slots=True)
class Job:
    """An order for one part; quantity grows while its plates are planned."""

    id: str
    part: Part
    machine: str
    material: str
    thickness: Thickness
    purpose: str
    finishing: bool
    names_retries: bool
    quantity: int = 0
    pieces: int = 0

    def piece(self, parts: int) -> Piece:
        """Add the next piece of so many parts to the order."""
        self.pieces += 1
        self.quantity += parts
        return Piece(self, f"set {self.pieces}" if parts > 1 else str(self.pieces), parts)


@dataclass(frozen=True, slots=True)
class Piece:
    """One part or a set of parts cut in one run, named within its job."""

    job: Job
    name: str
    parts: int


@dataclass(slots=True)
class Slot:
    """A plate's turn on a machine: not before `at` (UTC)."""

    machine: str
    day: date
    at: datetime
    pieces: list[Piece] = field(default_factory=list)
    remnant: bool = False

    @property
    def job(self) -> Job:
        """The job that the plate was chosen for."""
        return self.pieces[0].job

    @property
    def parts(self) -> int:
        """Parts nested on the plate."""
        return sum(piece.parts for piece in self.pieces)


def work_plan(rng: random.Random, *, days: Sequence[date]) -> list[Slot]:
    """Plan every plate of both machines over the given production days, in order of time."""
    slots: list[Slot] = []
    for machine in CARDS:
        turns = iter([turn for day in days for turn in _turns(rng, day=day, machine=machine)])
        for number, thickness in enumerate(_dealt(rng, machine=machine), start=1):
            planned = _plan_job(rng, turns, thickness=thickness, number=number)
            if not planned:
                break
            slots += planned
    return sorted(slots, key=lambda slot: (slot.at, slot.machine))


def opened(rng: random.Random, slots: Sequence[Slot], *, restated: int = 3) -> list[Saying]:
    """Word the ERP's opening of every job, days before its first plate; a few are stated anew with a later due date."""
    first: dict[str, tuple[Job, datetime]] = {}
    for slot in slots:
        for piece in slot.pieces:
            first.setdefault(piece.job.id, (piece.job, slot.at))
    said, numbers = [], rng.sample(range(10_000, 99_999), len(first))
    again = set(rng.sample(sorted(first), min(restated, len(first))))
    for (job, starts_at), number in zip(first.values(), numbers, strict=True):
        at = bench_time(starts_at - timedelta(hours=rng.uniform(40, 200)))
        due = (starts_at + timedelta(days=rng.randint(5, 12))).date()
        data = _order_data(job, order=f"SO-{number}", due=due)
        said.append(say(rng, at, source=ERP, kind="job.opened", subject=job.id, data=data))
        if job.id in again:
            data = _order_data(job, order=f"SO-{number}", due=due + timedelta(days=3))
            at += timedelta(hours=5, minutes=20)
            said.append(say(rng, at, source=ERP, kind="job.opened", subject=job.id, data=data))
    return said


def _order_data(job: Job, *, order: str, due: date) -> dict[str, Any]:
    part = job.part
    settings = recipe(job.machine, thickness_mm=job.thickness.mm)
    planned = seconds_a_part(settings, cut_length_mm=part.cut_length_mm, pierces=part.pierces)
    return {
        "part_number": part.number,
        "quantity": job.quantity,
        "material": job.material,
        **job.thickness.stated(),
        "purpose": job.purpose if job.purpose != "production" else None,
        "order": order,
        "operation": "0020",
        "work_centre": job.machine,
        "due": due.isoformat(),
        "planned_seconds": round(planned, 1),
        "cut_length_mm": part.cut_length_mm,
        "pierces_per_part": part.pierces,
        "min_hole_mm": part.hole_mm if part.holes else None,
        "min_web_mm": part.web_mm,
        "part_mass_kg": part.mass_kg,
        "size_tolerance_mm": 0.6,
        "cut_quality": "ISO 9013-342" if job.thickness.mm <= 25 else "ISO 9013-442",
    }


def _turns(rng: random.Random, *, day: date, machine: str) -> list[Slot]:
    if day.weekday() == SUNDAY:
        return []
    count = 1 if day.weekday() == SATURDAY else rng.choices((2, 3, 4), (15, 60, 25))[0]
    # The first turn is always taken, so that the day on which the demo runs has something to show.
    times = [TIMES_OF_DAY[0], *sorted(rng.sample(TIMES_OF_DAY[1:], count - 1))]
    return [Slot(machine, day, moment(day, minutes=minutes + rng.uniform(0, 25))) for minutes in times]


def _dealt(rng: random.Random, *, machine: str) -> Iterator[Thickness]:
    while True:
        cards = list(CARDS[machine])
        rng.shuffle(cards)
        yield from cards


def _plan_job(rng: random.Random, turns: Iterator[Slot], *, thickness: Thickness, number: int) -> list[Slot]:
    """Give the next one to three turns to a new job; no turn left gives no slot."""
    remnant = REMNANTS_MM[0] <= thickness.mm <= REMNANTS_MM[1] and rng.random() < 0.2
    # A nest holds many parts run one by one, or few runs of a set each.
    set_size = rng.choice((3, 4, 5, 6)) if rng.random() < 0.71 else 1
    wanted = rng.choices((1, 2, 3), (35, 45, 20))[0]
    slots = [slot for _, slot in zip(range(wanted), turns, strict=False)]
    if not slots:
        return []
    job = _new_job(rng, slots[0], thickness=thickness, number=f"{number:03}")
    for slot in slots:
        slot.remnant = remnant
        count = rng.randint(6, 9) if remnant else rng.randint(12, 20)
        slot.pieces = [job.piece(parts) for parts in _split(count, set_size)]
        if not remnant and rng.random() < 0.1:
            _nest_small_job(rng, slot, beside=job)
    return slots


def _nest_small_job(rng: random.Random, slot: Slot, *, beside: Job) -> None:
    """Give the last places on the plate to another job, whose parts are of the same size but another number."""
    places = min(2, len(slot.pieces) - 1)
    parts = sum(slot.pieces.pop().parts for _ in range(places))
    beside.pieces -= places
    beside.quantity -= parts
    part = replace(beside.part, number=f"{beside.part.number[:-4]}{rng.randint(1000, 9999)}")
    job = replace(beside, id=f"{beside.id}.{beside.pieces}", part=part, quantity=0, pieces=0)
    slot.pieces.append(job.piece(parts))


def _new_job(rng: random.Random, slot: Slot, *, thickness: Thickness, number: str) -> Job:
    trial = slot.machine == LASER_8 and thickness.mm == TRIAL_MM
    return Job(
        id=f"J{slot.day:%y%m%d}-{'A' if slot.machine == LASER_8 else 'C'}{number}",
        part=_new_part(rng, thickness=thickness),
        machine=slot.machine,
        material=rng.choices(GRADES, (70, 30))[0],
        thickness=thickness,
        purpose="trial" if trial else "production",
        finishing=not trial and rng.random() < 0.15,
        names_retries=rng.random() < 0.6,
    )


def _new_part(rng: random.Random, *, thickness: Thickness) -> Part:
    long_mm, wide_mm = rng.randrange(200, 430, 10), rng.randrange(140, 260, 10)
    holes = rng.choices((0, 1, 2, 4), (15, 25, 40, 20))[0]
    hole_mm = round(thickness.mm * rng.uniform(1.2, 1.6))
    cut_mm = 2.05 * (long_mm + wide_mm) + holes * math.pi * hole_mm
    return Part(
        number=f"{rng.choice(FAMILIES)}-{rng.randint(1000, 9999)}",
        long_mm=long_mm,
        wide_mm=wide_mm,
        holes=holes,
        hole_mm=hole_mm,
        pitch_mm=long_mm // 2,
        web_mm=round(thickness.mm * rng.uniform(1.3, 2.2)),
        mass_kg=round(0.85 * long_mm * wide_mm * thickness.mm * STEEL_KG_PER_MM3, 2),
        cut_length_mm=round(cut_mm),
    )


def _split(parts: int, size: int) -> list[int]:
    """Sets of the given size, the rest in the last one."""
    whole, rest = divmod(parts, size)
    return [size] * whole + [rest] * (rest > 0)
