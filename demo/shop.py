"""An invented plate shop: what its senders say over some weeks, and what is true of it.

`make_shop` draws everything from one seed: two lasers cut plate of 12 to 40 mm in two grades, and inch plate. Planted
in it are an oxidised lot assessed late, remnants quenched in water, a pierce that drifts until a nozzle change, trials,
retries, rework declared and hidden, an offline terminal whose shift arrives late, doubled posts, and two mistakes
taken back. Nothing in it contradicts itself.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Final

from demo import hours
from demo.actions import actions
from demo.cuts import Cut
from demo.floor import TERMINALS, Handheld, cut_all
from demo.mistakes import Mistake, make_mistakes
from demo.orders import Job, Slot, opened, work_plan
from demo.plant import plant_settings
from demo.posting import Stream, streams
from demo.sayings import ERP, STORE, Event, Saying, say, time_ordered_id
from demo.steel import Steelyard
from demo.trial import trial
from demo.truth import LASER_15, MACHINES, Drift, Truth

OXIDISED_LOT: Final = "oxidised_lot"
QUENCHED_REMNANTS: Final = "quenched_remnants"
DRIFTING_PIERCE: Final = "drifting_pierce"
#: The causes that can be left out, for a shop in which nothing is to be found.
CAUSES: Final = frozenset({OXIDISED_LOT, QUENCHED_REMNANTS, DRIFTING_PIERCE})
DRIFT_DAYS: Final = 14
DRIFT_GAIN: Final = 3.4
#: Of so many days at the end there are notes for the next shift.
NOTED_DAYS: Final = 4
NOTES: Final = (
    "Slats at the far end bend under thick plate: put it on the near end.",
    "The next plate lies on the loader, its edges are ground.\nTwo parts of the last one still to be dressed.",
    "Oxygen bundle changed, pressure holds.",
)
NOTE_OF_DRIFT: Final = "Pierces blow out more often than last week. The window is clean; look at the nozzle."
NOTE_AFTER_SERVICE: Final = "Nozzle changed, its bore was worn oval.\nThe first pierces since look well."
#: Days planned beyond the last one: work that stands ready, and that open attempts are taken from.
AHEAD: Final = 4


@dataclass(frozen=True, slots=True)
class Stories:
    """Where to look for what was planted; None or empty where it was left out."""

    oxidised_heat: str | None
    quenched_plates: tuple[str, ...]
    drift: Drift | None
    handheld: Handheld | None
    mistakes: tuple[Mistake, ...]
    open_attempts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shop:
    """A shop up to the moment `until`: settings of its site, streams to post, its truth, and the cuts behind them.

    `cuts` are the attempts started by then, each with its final counts: those known only after `until` included
    (compare a cut's `judged_at` and `settled_at`).
    """

    seed: int
    first_day: date
    last_day: date
    until: datetime
    settings: dict[str, Any]
    truth: Truth
    streams: list[Stream]
    cuts: list[Cut]
    stories: Stories

    @property
    def events(self) -> list[Event]:
        """Every event once, stream by stream, in the order of posting."""
        once = {(event["source"], event["id"]): event for event in self._posts()}
        return list(once.values())

    @property
    def posted(self) -> int:
        """Events posted, repeats counted."""
        return sum(stream.posted for stream in self.streams)

    def _posts(self) -> list[Event]:
        return [event for stream in self.streams for batch in stream.batches for event in batch]


def make_shop(
    seed: int = 7, *, last_day: date, until: datetime, weeks: int = 8, without: Set[str] = frozenset()
) -> Shop:
    """Make the shop of a seed whose weeks (2 or more) end on the production day last_day.

    Nothing said after the aware instant `until` is in it; while last_day lasts, both machines are cutting at `until`.
    `without` leaves out any of CAUSES. The same arguments give the same shop; a later `until` only adds events, open
    attempts aside.
    """
    if weeks < 2 or not without <= CAUSES:
        raise ValueError(f"a shop has 2 weeks or more (found {weeks}) and can be without {sorted(CAUSES)}")
    first_day = last_day - timedelta(days=7 * weeks - 1)
    closes_at = hours.moment(last_day + timedelta(days=1), minutes=0)
    rng = random.Random(f"shop {seed}")
    slots = work_plan(rng, days=[first_day + timedelta(days=ahead) for ahead in range(7 * weeks + AHEAD)])
    steel = _steel(rng, slots, first_day=first_day, weeks=weeks, without=without)
    drift = None if DRIFTING_PIERCE in without else _drift(last_day)
    truth, handheld = Truth(drift=drift), _handheld(slots, last_day=last_day)
    all_cuts = cut_all(truth, slots, steel.plates, seed=f"shop {seed}", handheld=handheld)

    # All is said before it is known what comes after `until`: so a later one changes nothing of what was before.
    said = [*opened(rng, slots), *steel.said, *_services(rng, first_day=first_day, last_day=last_day, drift=drift)]
    cuts = [cut for cut in all_cuts if cut.started_at < closes_at]
    said += [*_closed(rng, slots, cuts, closes_at=closes_at), *_cancelled(rng, slots)]
    said += [saying for cut in cuts for saying in cut.said]
    mistakes = _spoil(rng, said, last_day=last_day, handheld=handheld)
    said += _handed_over(seed, last_day=last_day, drift=drift)
    said += actions(seed, first_day=first_day, last_day=last_day, drift=drift, lot=steel.oxidised_lot)
    said += trial(seed, last_day=last_day, cuts=all_cuts)
    if until < closes_at:
        said += _started_now(seed, all_cuts, until=until)

    told = [saying for saying in said if saying.told_at <= until]
    stories = Stories(
        oxidised_heat=steel.oxidised_heat,
        quenched_plates=tuple(plate.id for plate in steel.plates if plate.thermal_history == "hardened"),
        drift=drift,
        handheld=handheld,
        mistakes=tuple(mistake for mistake in mistakes if mistake.right.told_at <= until),
        open_attempts=_still_open(told),
    )
    posts = streams(told, seed=f"shop {seed}", late_source=handheld.source if handheld else None)
    settings = plant_settings(first_day - timedelta(days=60))
    begun = [cut for cut in cuts if cut.started_at <= until]
    return Shop(seed, first_day, last_day, until, settings, truth, posts, begun, stories)


def _still_open(told: Sequence[Saying]) -> tuple[str, ...]:
    ended = {saying.subject for saying in told if saying.kind == "attempt.finished"}
    begun = [saying.subject for saying in told if saying.kind == "attempt.started"]
    return tuple(subject for subject in begun if subject not in ended)


def _steel(rng: random.Random, slots: Sequence[Slot], *, first_day: date, weeks: int, without: Set[str]) -> Steelyard:
    oxidised_from = hours.moment(first_day, minutes=60 * 24 * 7 * weeks * 0.4)
    steel = Steelyard(
        rng,
        oxidised_from=None if OXIDISED_LOT in without else oxidised_from,
        quenched=QUENCHED_REMNANTS not in without,
    )
    steel.deal(slots)
    return steel


def _drift(last_day: date) -> Drift:
    """Return a drift that ends with a nozzle change on the last working day before last_day."""
    service_day = last_day - timedelta(days=2 if last_day.weekday() == 0 else 1)
    service_at = hours.moment(service_day, minutes=460)
    return Drift(LASER_15, service_at - timedelta(days=DRIFT_DAYS), service_at, DRIFT_GAIN)


def _handheld(slots: Sequence[Slot], *, last_day: date) -> Handheld | None:
    """Return the terminal of the late shift of the last complete week in which most was cut."""
    monday = hours.last_complete_week(last_day)
    runs = Counter[date]()
    for slot in slots:
        if slot.machine == LASER_15 and hours.shift(slot.at) == "late" and slot.day.weekday() < hours.SATURDAY:
            runs[slot.day] += len(slot.pieces)
    week = [(runs[day], day) for day in (monday + timedelta(days=ahead) for ahead in range(5)) if runs[day]]
    return Handheld(LASER_15, max(week)[1], "late") if week else None


def _services(rng: random.Random, *, first_day: date, last_day: date, drift: Drift | None) -> list[Saying]:
    """Word the routine services of both machines, in the first minutes of a day, and the nozzle change."""
    said = []
    for machine in MACHINES:
        for ahead in range((last_day - first_day).days + 1):
            day = first_day + timedelta(days=ahead)
            # The nozzle of the weaker laser is changed every other week; that of the other one when its pierces drift.
            nozzle = "nozzle" if machine != LASER_15 and ahead % 14 <= 6 else None
            window = "protective_window" if ahead % 14 > 6 else None
            what = {0: "nozzle_centring", 1: nozzle, 2: window}.get(day.weekday())
            if what:
                at = hours.moment(day, minutes=rng.uniform(1, 9))
                said.append(_service(rng, at, machine=machine, what=what))
    if drift:
        said.append(_service(rng, drift.service_at, machine=drift.machine, what="nozzle", note="bore worn oval"))
    return said


def _service(rng: random.Random, at: datetime, *, machine: str, what: str, note: str | None = None) -> Saying:
    data = {"what": what, "note": note}
    return say(rng, at, source=TERMINALS[machine], kind="machine.serviced", subject=machine, data=data)


def _handed_over(seed: int, *, last_day: date, drift: Drift | None) -> list[Saying]:
    """Word what the shifts of the last days left to the next, at the end of each early shift."""
    rng = random.Random(f"shop {seed} notes")
    said: list[Saying] = []
    for back in reversed(range(NOTED_DAYS)):
        at = hours.moment(last_day - timedelta(days=back), minutes=rng.uniform(465, 478))
        for machine in MACHINES:
            note = NOTES[(back + len(said)) % len(NOTES)]
            if drift and machine == drift.machine and at > drift.service_at:
                note = NOTE_AFTER_SERVICE if at - drift.service_at < timedelta(days=1) else note
            elif drift and machine == drift.machine:
                note = NOTE_OF_DRIFT
            said.append(
                say(rng, at, source=TERMINALS[machine], kind="shift.handed_over", subject=machine, data={"note": note})
            )
    return said


def _closed(rng: random.Random, slots: Sequence[Slot], cuts: Sequence[Cut], *, closes_at: datetime) -> list[Saying]:
    """Close every plate a shift after its last cut, and every job a day after the last word on its parts."""
    plates: dict[str, datetime] = {}
    jobs: dict[str, datetime] = {}
    for cut in cuts:
        plates[cut.plate.id] = max(cut.finished_at, plates.get(cut.plate.id, cut.finished_at))
        job_id = cut.piece.job.id
        jobs[job_id] = max(cut.settled_at, jobs.get(job_id, cut.settled_at))
    for slot in slots:
        if slot.at >= closes_at:
            for piece in slot.pieces:
                jobs.pop(piece.job.id, None)
    said = []
    for plate_id, at in plates.items():
        at, data = hours.bench_time(at + timedelta(hours=9)), {"reason": "used"}
        said.append(say(rng, at, source=STORE, kind="plate.closed", subject=plate_id, data=data))
    for job_id, at in jobs.items():
        at, data = hours.bench_time(at + timedelta(hours=26)), {"reason": "complete"}
        said.append(say(rng, at, source=ERP, kind="job.closed", subject=job_id, data=data))
    return said


def _cancelled(rng: random.Random, slots: Sequence[Slot]) -> list[Saying]:
    """Word two orders that the customer took back before anything was cut."""
    said = []
    for slot in rng.sample(slots[: len(slots) // 2], 2):
        job: Job = replace(slot.job, id=f"{slot.job.id}X", quantity=10)
        withdrawn = replace(slot, pieces=[job.piece(10)])
        said += opened(rng, [withdrawn], restated=0)
        at, data = hours.bench_time(slot.at + timedelta(hours=5)), {"reason": "cancelled"}
        said.append(say(rng, at, source=ERP, kind="job.closed", subject=job.id, data=data))
    return said


def _spoil(rng: random.Random, said: list[Saying], *, last_day: date, handheld: Handheld | None) -> list[Mistake]:
    """Put two mistakes of the last complete week in the place of what was meant."""
    monday = hours.last_complete_week(last_day)
    week = range(monday.toordinal(), monday.toordinal() + 7)
    offline = handheld.source if handheld else None
    fair = [
        saying for saying in said if hours.production_day(saying.at).toordinal() in week and saying.source != offline
    ]
    mistakes = make_mistakes(rng, fair)
    for mistake in mistakes:
        said[[saying.id for saying in said].index(mistake.wrong.id)] = mistake.wrong
        said += [mistake.void, mistake.right]
    return mistakes


def _started_now(seed: int, cuts: Sequence[Cut], *, until: datetime) -> list[Saying]:
    """Let every machine cut at `until`: one that stands idle has just begun the first piece that waits for it."""
    rng, said = random.Random(f"shop {seed} now {until.isoformat()}"), []
    for machine in MACHINES:
        own = [cut for cut in cuts if cut.machine == machine]
        last = max((cut for cut in own if cut.started_at <= until), key=lambda cut: cut.started_at, default=None)
        if last is None:
            continue
        cut, at, subject = last, last.started_at, last.id
        if last.finished_at <= until:
            at = max(last.finished_at + timedelta(seconds=20), until - timedelta(seconds=rng.randint(40, 200)))
            cut = next(cut for cut in own if cut.started_at > until and cut.attempt_no == 1)
            subject = time_ordered_id(rng, at=at)
        elif last.said[0].kind == "attempt.started":
            continue
        if at <= until:
            data = {name: cut.said[0].data.get(name) for name in _SAID_AT_START}
            said.append(say(rng, at, source=last.source, kind="attempt.started", subject=subject, data=data))
    return said


_SAID_AT_START: Final = ("job", "plate", "machine", "run", "piece", "operator", "recipe", "gas", "quantity")
