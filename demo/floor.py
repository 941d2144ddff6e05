"""The machines at work: plate after plate, attempt after attempt, and the retries that failures ask for."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Final

from demo.cuts import NOT_MADE, OUTSIDE_REASONS, SCRAP, Chances, Cut, Fate, draw_fates, ending
from demo.hours import production_day, shift
from demo.orders import Piece, Slot
from demo.recipes import recipe, seconds_a_part
from demo.sayings import say, stated, time_ordered_id
from demo.steel import Plate
from demo.truth import LASER_8, MACHINES, Truth
from demo.verdicts import Verdict, plan_verdict, say_verdict, take_defects, unsaid_terms

TERMINALS: Final = {machine: f"/terminals/bay-{number}" for number, machine in enumerate(MACHINES, start=1)}
#: Where the retries on a plate have to stop: part masses over the plate's mass.
FULL: Final = 0.93
MOST_ATTEMPTS: Final = 3


@dataclass(frozen=True, slots=True)
class Handheld:
    """The terminal that stood in for the bay's own one during a single shift, and was offline all the while."""

    machine: str
    day: date
    shift: str
    source: str = "/terminals/handheld"

    def in_use(self, machine: str, *, at: datetime) -> bool:
        """Whether the machine's attempts are told to this terminal at an instant."""
        return machine == self.machine and production_day(at) == self.day and shift(at) == self.shift


@dataclass(frozen=True, slots=True)
class Owed:
    """Parts that a piece still lacks, known so since an instant, and the attempt that failed to make them."""

    piece: Piece
    parts: int
    known_at: datetime
    last: Cut


@dataclass(slots=True)
class Bay:
    """One machine with its clock; `cuts` grows with every attempt, in order of time and never overlapping."""

    machine: str
    truth: Truth
    rng: random.Random
    clock: datetime
    handheld: Handheld | None = None
    cuts: list[Cut] = field(default_factory=list)
    _owed: list[Owed] = field(default_factory=list)
    _run: str = ""
    _used_kg: float = 0.0

    def cut_plate(self, slot: Slot, *, plate: Plate) -> None:
        """Cut the nest of one plate, then what retries are due and find room on it."""
        self.clock = max(slot.at, self.clock + timedelta(minutes=self.rng.randint(6, 14)))
        self._used_kg = slot.parts * slot.job.part.mass_kg
        chances = self._chances(slot, plate)
        fates = iter(draw_fates(self.rng, slot.parts, chances=chances))
        self._run = self._new_run()
        for piece in slot.pieces:
            self._attempt(plate, piece, [next(fates) for _ in range(piece.parts)])
        for _ in range(MOST_ATTEMPTS - 1):
            self._retry(plate, chances)

    def _chances(self, slot: Slot, plate: Plate) -> Chances:
        truth, thickness_mm = self.truth, plate.thickness.mm
        mean = truth.first_pass_yield(
            thickness_mm,
            machine=self.machine,
            surface_group=plate.surface_group,
            thermal_history=plate.thermal_history,
        )
        # A beta distribution of this mean whose intra-plate correlation is 1 / (a + b + 1).
        weight = 1 / truth.plate_correlation - 1
        success = self.rng.betavariate(mean * weight, (1 - mean) * weight)
        failed_pierce = truth.failed_pierce_rate(
            thickness_mm, machine=self.machine, surface_group=plate.surface_group, at=self.clock
        )
        return Chances(success, failed_pierce, slot.job.part.pierces)

    def _retry(self, plate: Plate, chances: Chances) -> None:
        """Cut again what is owed in this steel, as far as it is known and the plate has room."""
        for owed in list(self._owed):
            job = owed.piece.job
            same_steel = (job.material, job.thickness) == (plate.material, plate.thickness)
            if not same_steel or owed.known_at >= self.clock:
                continue
            if owed.last.resumable and owed.last.plate is not plate:
                continue
            mass_kg = owed.parts * job.part.mass_kg
            if self._used_kg + mass_kg > FULL * plate.mass_kg:
                continue
            self._owed.remove(owed)
            self._used_kg += mass_kg
            self._run = self._new_run()
            own = Chances(chances.success, chances.failed_pierce, job.part.pierces)
            self._attempt(plate, owed.piece, draw_fates(self.rng, owed.parts, chances=own), retry=owed)

    def _attempt(self, plate: Plate, piece: Piece, fates: Sequence[Fate], *, retry: Owed | None = None) -> None:
        end = ending(self.rng, fates, may_stop=retry is None)
        self.clock += timedelta(seconds=self.rng.randint(20, 110))
        number = 1 if retry is None else retry.last.attempt_no + 1
        cut = Cut(
            id=time_ordered_id(self.rng, at=self.clock),
            machine=self.machine,
            plate=plate,
            piece=piece,
            run=self._run,
            started_at=self.clock,
            attempt_no=number,
            retry_of=retry.last.id if retry and piece.job.names_retries else None,
            mode=self._mode(plate, retry),
            operator=self._operator(),
            source=self._terminal(),
            fates=end.fates,
            quantity=len(fates),
            outcome=end.outcome,
            stop_reason=end.stop_reason,
        )
        self._run_down(cut)
        verdict = plan_verdict(self.rng, cut)
        say_cut(self.rng, cut, verdict=verdict, size_offset_mm=self.truth.size_offset_mm[self.machine])
        self.cuts.append(cut)
        self._owe(cut)

    def _run_down(self, cut: Cut) -> None:
        """Let the machine's time pass; a run that did not end well is started anew as another run."""
        part, settings = cut.piece.job.part, recipe(cut.machine, thickness_mm=cut.plate.thickness.mm)
        planned = seconds_a_part(settings, cut_length_mm=part.cut_length_mm, pierces=part.pierces)
        cut.seconds = round(planned * max(cut.tried, 0.4) * self.rng.uniform(1.02, 1.3), 1)
        cut.interruptions = self.rng.randint(1, 2) if self.rng.random() < 0.05 else 0
        if cut.outcome != "severed":
            # What stopped a run from outside leaves the blank as it was; a lost cut seldom does.
            cut.resumable = cut.stop_reason in OUTSIDE_REASONS or self.rng.random() < 0.3
        self.clock += timedelta(seconds=cut.seconds)
        cut.finished_at = self.clock
        if cut.outcome != "severed":
            self._run = self._new_run()
            self.clock += timedelta(minutes=self.rng.randint(4, 25) if cut.tried < cut.quantity else 2)

    def _owe(self, cut: Cut) -> None:
        parts = cut.missing + cut.count(SCRAP)
        if not parts or cut.attempt_no == MOST_ATTEMPTS or self.rng.random() < 0.1:
            return
        known_at = cut.judged_at if cut.count(SCRAP) else cut.finished_at
        self._owed.append(Owed(cut.piece, parts, known_at, cut))

    def _mode(self, plate: Plate, retry: Owed | None) -> str | None:
        """Return `resume` when the same blank goes on, else what the operator calls a second cut, or nothing."""
        if retry is None:
            return None
        if retry.last.plate is plate and retry.last.resumable:
            return "resume"
        return self.rng.choice(("recut", None))

    def _new_run(self) -> str:
        bay = "A" if self.machine == LASER_8 else "C"
        return f"R{bay}{self.clock:%y%m%d%H%M%S}"

    def _terminal(self) -> str:
        if self.handheld and self.handheld.in_use(self.machine, at=self.clock):
            return self.handheld.source
        return TERMINALS[self.machine]

    def _operator(self) -> str:
        crews = {"early": (11, 12), "late": (21, 22), "night": (31,)}
        return f"op {self.rng.choice(crews[shift(self.clock)])}"


def say_cut(rng: random.Random, cut: Cut, *, verdict: Verdict, size_offset_mm: float) -> None:
    """Word the attempt's start and end as its terminal does, then what others say of its parts."""
    terms = unsaid_terms(cut)
    facts = _facts(cut)
    result = _result(rng, cut)
    if verdict.operator:
        result |= verdict.operator.given() | take_defects(rng, cut, terms, counts=verdict.operator)
    if rng.random() < 0.08:
        # Some operators report only once the run has ended.
        facts |= {"started_at": stated(cut.started_at)}
    else:
        cut.said.append(say(rng, cut.started_at, source=cut.source, kind="attempt.started", subject=cut.id, data=facts))
        facts = {}
    data = facts | result
    cut.said.append(say(rng, cut.finished_at, source=cut.source, kind="attempt.finished", subject=cut.id, data=data))
    say_verdict(rng, cut, verdict, terms=terms, size_offset_mm=size_offset_mm)


def _facts(cut: Cut) -> dict[str, Any]:
    return {
        "job": cut.piece.job.id,
        "plate": cut.plate.id,
        "machine": cut.machine,
        "run": cut.run,
        "piece": cut.piece.name,
        "retry_of": cut.retry_of,
        "mode": cut.mode,
        "operator": cut.operator,
        "recipe": recipe(cut.machine, thickness_mm=cut.plate.thickness.mm),
        "gas": "oxygen",
        "quantity": cut.quantity,
    }


def _result(rng: random.Random, cut: Cut) -> dict[str, Any]:
    data: dict[str, Any] = {"outcome": cut.outcome, "stop_reason": cut.stop_reason}
    if rng.random() < 0.85:
        data["seconds"] = cut.seconds
    if cut.outcome in ("not_severed", "pierce_failed") or (cut.outcome == "aborted" and rng.random() < 0.5):
        data["tried"] = cut.tried
    if cut.interruptions:
        data["interruptions"] = cut.interruptions
    if cut.count(NOT_MADE) and rng.random() < 0.5:
        data["blank_lost"] = not cut.resumable
    if cut.tried and rng.random() < 0.97:
        data["failed_pierces"] = cut.failed_pierces
        if rng.random() < 0.85:
            data["pierces"] = cut.pierces
    return data


def cut_all(
    truth: Truth, slots: Sequence[Slot], plates: Sequence[Plate], *, seed: str, handheld: Handheld | None
) -> list[Cut]:
    """Cut every slot's plate on its machine; returns the attempts in order of their start."""
    cuts: list[Cut] = []
    for machine in MACHINES:
        bay = Bay(machine, truth, random.Random(f"{seed}/{machine}"), slots[0].at - timedelta(hours=1), handheld)
        for slot, plate in zip(slots, plates, strict=True):
            if slot.machine == machine:
                bay.cut_plate(slot, plate=plate)
        cuts += bay.cuts
    return sorted(cuts, key=lambda cut: (cut.started_at, cut.id))
