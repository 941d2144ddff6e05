"""Random sets of valid events of one small site, dense enough that everything meets everything.

A set is drawn as one number for the shop and one for each event, so drawing stays cheap; an event whose number is 0
is left out, so a failing set shrinks to the few events that matter. Every event is valid at the door by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from random import Random
from typing import Any

from hypothesis import strategies as st

from worker.events import (
    CAUSE_TERMS,
    CHECK_RESULTS,
    CHECKS,
    COATINGS,
    COOLINGS,
    DEFECT_LOCATIONS,
    DEFECT_TERMS,
    EDGES,
    GASES,
    JOB_CLOSE_REASONS,
    MODES,
    OUTCOMES,
    PLATE_CLOSE_REASONS,
    PREPARATION_GRADES,
    PURPOSES,
    REWORK_OPERATIONS,
    RUST_GRADES,
    SERVICES,
    SIZE_FEATURES,
    STOP_REASONS,
    VOIDED,
)

Event = dict[str, Any]
Built = tuple[str, Event, datetime]

#: Instants at which clocks change in 2026: Berlin (March, October) and Chicago (March, November).
CLOCK_CHANGES = (
    datetime(2026, 3, 29, 1, tzinfo=UTC),
    datetime(2026, 10, 25, 1, tzinfo=UTC),
    datetime(2026, 3, 8, 8, tzinfo=UTC),
    datetime(2026, 11, 1, 7, tzinfo=UTC),
)
#: Hours from a clock change: the hours around it and the starts of production days on either side.
HOURS_AWAY = (-26, -24, -8, -3, -2, -1, -0.5, 0, 0, 0.5, 1, 2, 3, 4, 5, 8, 13, 22, 27, 28)
NUDGES = (*(timedelta(0),) * 5, timedelta(microseconds=-1), timedelta(microseconds=1), timedelta(seconds=90))
OFFSETS = tuple(timezone(timedelta(minutes=minutes)) for minutes in (0, 60, 120, -360, -300, 345))

SOURCES = ("/terminals/bay-1", "/terminals/bay-2", "/erp")
#: First letters of event ids whose order by UTF-8 bytes differs from that of other encodings or of collations.
ID_LETTERS = ("a", "Z", "z", "é", "\uff61", "\U0001d6fc")
ATTEMPTS = ("a1", "a10", "A1", "a2", "é1", "\uff61x", "\U0001d6fcx")
JOBS = ("J1", "J2", "J3")
PLATES = ("P1", "P2", "p1")
PIECES = ("1", "2")
RUNS = ("r1", "r2")
MACHINES = (("Laser 1", "laser 1", " LASER 1"), ("Br\u00fccke", "Bru\u0308cke", "BR\u00dcCKE", "North bridge"))
MATERIALS = ("S355J2+N", " s355j2+n", "S355MC", "1.0577", "S235JR")
THICKNESSES: tuple[Event, ...] = (
    {"thickness_mm": 20}, {"thickness_mm": 20.0}, {"thickness_mm": 25}, {"thickness_mm": 19.05},
    {"thickness_in": "3/4"}, {"thickness_in": 0.75}, {"thickness_in": "1 1/4"},
)  # fmt: skip
#: Some of them on a limit of EN 10029 for one of the thicknesses, some just beyond it.
MEASURED_MM = (20.1, 19.05, 19.04, 21.9, 18.1, 18.099999, 20.95, 26.5, 27.3)
RECIPES: tuple[Event, ...] = (
    {"name": "O2 thick"}, {"name": "o2 THICK", "revision": "b"}, {"name": "O2 thick", "revision": "B", "power_w": 15e3},
    {"name": "Old oxygen"}, {"focus_mm": 1.5, "nozzle_mm": 1.4},
)  # fmt: skip
NOT_SURFACE_BURNING = tuple(term for term in DEFECT_TERMS if term != "surface_burning")
COMMON_TERMS = ("lost_cut", "slag_lower_edge", "pierce_deviation", "dimensional_deviation", "crack")

ZONES = ("UTC", "Europe/Berlin", "America/Chicago")
DAY_STARTS = ("06:00", "05:30", "00:00", "02:30", "22:00")
SHIFTS: tuple[list[Event], ...] = (
    [{"name": "day", "start": "06:00"}, {"name": "night", "start": "18:00"}],
    [{"name": "all", "start": "02:00"}],
    [{"name": "late", "start": "14:30"}, {"name": "night", "start": "22:30"}, {"name": "early", "start": "05:30"}],
)
FULL_RATES: Event = {
    "currency": "EUR",
    "labour_per_hour": 47.5,
    "machine_per_hour": 120,
    "material_per_kg": 1.37,
    "machines": [{"name": "LASER 1", "per_hour": 133.33}],
    "materials": [{"name": "S355MC", "per_kg": 0.995}],
}
RATES: tuple[Event, ...] = (
    FULL_RATES,
    {"currency": "USD", "labour_per_hour": 60, "machines": [{"name": "North bridge", "per_hour": 99.9}]},
    {"currency": "EUR", "labour_per_hour": 41, "machine_per_hour": 80, "materials": FULL_RATES["materials"]},
)
ALIASES: tuple[list[Event], ...] = (
    [
        {"kind": "material", "name": "S355J2+N", "also": ["1.0577"], "group": "structural"},
        {"kind": "machine", "name": "Br\u00fccke", "also": ["north bridge"]},
        {"kind": "recipe", "name": "O2 thick", "also": ["old oxygen"]},
    ],
    [
        {"kind": "material", "name": "S355J2+N", "group": "structural"},
        {"kind": "material", "name": "s355mc", "group": "Structural"},
    ],
    [],
)


@dataclass(frozen=True)
class Shop:
    """The few times and subjects that the events of one set share."""

    times: tuple[datetime, ...]
    attempts: tuple[str, ...]
    homes: dict[str, Event]

    def time(self, rng: Random) -> datetime:
        return rng.choice(self.times)

    def not_after(self, rng: Random, limit: datetime) -> datetime:
        return rng.choice([moment for moment in self.times if moment <= limit])


def event_sets(
    *, min_events: int = 15, max_events: int = 45, settings: bool = True, mismatched_voids: bool = True
) -> st.SearchStrategy[list[Event]]:
    """Lists of valid CloudEvents of one site, unique by (source, id); between these two numbers, or fewer.

    `settings` adds cutledger.site.set events, which have a door of their own; `mismatched_voids` adds voids whose
    subject is not their target's, which the door refuses when it knows the target.
    """
    numbers = st.integers(0, 2**16 - 1)
    drawn = st.lists(numbers, min_size=min_events, max_size=max_events)
    return st.builds(
        lambda shop, events: site_events(shop, events, settings=settings, mismatched_voids=mismatched_voids),
        numbers,
        drawn,
    )


def site_events(
    shop_number: int, event_numbers: Sequence[int], *, settings: bool = True, mismatched_voids: bool = True
) -> list[Event]:
    """The events that these numbers stand for, the same at every call; 0 stands for none."""
    shop = small_shop(Random(shop_number))
    kinds = KINDS if settings else tuple(kind for kind in KINDS if kind is not site_set)
    events: list[Event] = []
    taken: set[tuple[str, str]] = set()
    for event_number in filter(None, event_numbers):
        rng = Random(shop_number << 16 | event_number)
        kind = rng.choice(kinds)
        built = void(rng, shop, events, mismatched_voids) if kind is None else kind(rng, shop)
        events.append(envelope(rng, built, kind, taken))
    return events


def arrival_order(events: Iterable[Event], *, random: Random) -> list[list[Event]]:
    """The events as a careless network brings them: shuffled, some repeated, in batches that are never empty."""
    sent = list(events)
    sent += random.sample(sent, random.randint(0, len(sent) // 2))
    random.shuffle(sent)
    batches = []
    while sent:
        size = random.choice((1, 2, 5, len(sent)))
        batches.append(sent[:size])
        sent = sent[size:]
    return batches


def small_shop(rng: Random) -> Shop:
    """Two to six attempts around one or two clock changes, each with a job, plate and machine that it mostly names."""
    centres = rng.sample(CLOCK_CHANGES, rng.choice((1, 1, 2)))
    times = tuple(
        rng.choice(centres) + timedelta(hours=rng.choice(HOURS_AWAY)) + rng.choice(NUDGES)
        for _ in range(rng.randint(3, 12))
    )
    attempts = tuple(rng.sample(ATTEMPTS, rng.randint(2, 6)))
    pairs = [(rng.choice((*JOBS[:2], None)), rng.choice((*PLATES, None)), rng.choice((*PIECES[:1], None)))
             for _ in range(2)]  # fmt: skip
    homes = {}
    for attempt in attempts:
        job, plate, piece = rng.choice(pairs)
        homes[attempt] = {"job": job, "plate": plate, "piece": piece, "machine": rng.choice(MACHINES)}
    return Shop(times, attempts, homes)


def envelope(rng: Random, built: Built, kind: Any, taken: set[tuple[str, str]]) -> Event:
    subject, data, moment = built
    source, event_id = rng.choice(SOURCES), rng.choice(ID_LETTERS) + str(rng.randrange(40))
    while (source, event_id) in taken:
        event_id += "+"
    taken.add((source, event_id))
    event = {
        "specversion": "1.0",
        "id": event_id,
        "source": source,
        "type": TYPES[kind],
        "subject": subject,
        "time": written(rng, moment),
        "data": data,
    }
    if rng.random() < 0.1:
        event["datacontenttype"] = "application/json"
    return event


def written(rng: Random, moment: datetime) -> str:
    """An instant as RFC 3339, under one offset or another."""
    text = moment.astimezone(rng.choice(OFFSETS)).isoformat()
    return text.replace("+00:00", "Z") if rng.random() < 0.5 else text


def some(rng: Random, chance: float, fields: Event) -> Event:
    """Each field with this chance; a field left out is null now and then, which means the same."""
    kept = {}
    for name, value in fields.items():
        if rng.random() < chance:
            kept[name] = value
        elif rng.random() < 0.03:
            kept[name] = None
    return kept


def other_than(rng: Random, pool: Sequence[str], one: str) -> str:
    return rng.choice([other for other in pool if other != one])


# Jobs and plates


def job_opened(rng: Random, shop: Shop) -> Built:
    job = rng.choice(JOBS)
    data = {"part_number": rng.choice(("bracket", "flange")), "quantity": rng.randint(1, 12)}
    data |= {"material": rng.choice(MATERIALS[:4]), **rng.choice(THICKNESSES)}
    data |= some(rng, 0.5, {"part_mass_kg": rng.choice((12.5, 0.333, 7)), "pierces_per_part": rng.randint(1, 3)})
    data |= some(rng, 0.25, {"purpose": rng.choice(PURPOSES), "bevel_deg": rng.choice((22.5, 30)), "order": "4711"})
    data |= some(rng, 0.1, {"recut_of": other_than(rng, JOBS, job)})
    return job, data, shop.time(rng)


def job_closed(rng: Random, shop: Shop) -> Built:
    return rng.choice(JOBS), {"reason": rng.choice(JOB_CLOSE_REASONS)}, shop.time(rng)


def condition(rng: Random, chance: float) -> Event:
    graded = {
        "rust_grade": rng.choice(RUST_GRADES),
        "preparation_grade": rng.choice(PREPARATION_GRADES),
        "coating": rng.choice(COATINGS),
        "edges": rng.choice(EDGES),
        "cooling": rng.choice(COOLINGS),
        "hardened": rng.random() < 0.3,
        "temperature_c": rng.choice((-3, 18.5, 70)),
    }
    return some(rng, chance, graded)


def plate_received(rng: Random, shop: Shop) -> Built:
    plate = rng.choice(PLATES)
    data = {"material": rng.choice(MATERIALS[:4]), **rng.choice(THICKNESSES), **condition(rng, 0.25)}
    data |= some(rng, 0.4, {"parent": other_than(rng, PLATES, plate), "mill": rng.choice(("North", "South"))})
    data |= some(rng, 0.3, {"heat_number": rng.choice(("H1", "H2")), "supplier": "Dealer", "certificate": "3.1"})
    data |= some(rng, 0.4, {"measured_thickness_mm": rng.choice(MEASURED_MM)})
    return plate, data, shop.time(rng)


def plate_assessed(rng: Random, shop: Shop) -> Built:
    moment = shop.time(rng)
    data = condition(rng, 0.4)
    if all(value is None for value in data.values()):
        data["rust_grade"] = rng.choice(RUST_GRADES)
    if rng.random() < 0.4:
        data["observed_at"] = written(rng, shop.not_after(rng, moment))
    return rng.choice(PLATES), data, moment


def plate_closed(rng: Random, shop: Shop) -> Built:
    return rng.choice(PLATES), {"reason": rng.choice(PLATE_CLOSE_REASONS)}, shop.time(rng)


# Attempts


def named(rng: Random, shop: Shop, attempt: str) -> Event:
    """What started and finished have in common: mostly the attempt's home, sometimes another."""
    home = shop.homes[attempt]
    data = some(rng, 0.75, {name: home[name] for name in ("job", "plate", "piece")})
    data |= some(rng, 0.1, {"job": rng.choice(JOBS), "plate": rng.choice(PLATES), "piece": rng.choice(PIECES)})
    data |= some(rng, 0.5, {"machine": rng.choice(home["machine"]), "recipe": rng.choice(RECIPES)})
    data |= some(rng, 0.3, {"run": rng.choice(RUNS), "gas": rng.choice(GASES), "operator": rng.choice(("Ada", "Bo"))})
    data |= some(rng, 0.2, {"material": rng.choice(MATERIALS), "purpose": rng.choice(PURPOSES)})
    data |= some(rng, 0.12, {"mode": rng.choice(MODES)})
    if rng.random() < 0.2:
        data |= rng.choice(THICKNESSES)
    if rng.random() < 0.18:
        data["retry_of"] = other_than(rng, (*shop.attempts, "never seen"), attempt)
    return data


def attempt_started(rng: Random, shop: Shop) -> Built:
    attempt = rng.choice(shop.attempts)
    return attempt, named(rng, shop, attempt) | some(rng, 0.4, {"quantity": rng.randint(1, 6)}), shop.time(rng)


def attempt_finished(rng: Random, shop: Shop) -> Built:
    attempt, moment = rng.choice(shop.attempts), shop.time(rng)
    data = {"outcome": rng.choice((*OUTCOMES, *("severed",) * 4, "aborted")), **named(rng, shop, attempt)}
    data |= parts_reached(rng)
    if rng.random() < 0.35:
        made = rng.randint(0, 6)
        data |= some(rng, 0.7, {"pierces": made, "failed_pierces": rng.randint(0, made)})
    data |= some(
        rng, 0.4, {"seconds": rng.choice((0.5, 90, 1800.25, 7200, 90000.5)), "interruptions": rng.randint(0, 2)}
    )
    data |= some(rng, 0.25, {"stop_reason": rng.choice(STOP_REASONS), "blank_lost": rng.random() < 0.5})
    if rng.random() < 0.3:
        data["started_at"] = written(rng, shop.not_after(rng, moment))
    return attempt, data | defects(rng), moment


def parts_reached(rng: Random) -> Event:
    """quantity, tried and the operator's counts: good + rework + scrap <= tried <= quantity as far as given."""
    amount = rng.randint(1, 6)
    reached = rng.randint(0, amount)
    data = some(rng, 0.5, {"quantity": amount})
    data |= some(rng, 0.35, {"tried": reached})
    room = next((data[name] for name in ("tried", "quantity") if data.get(name) is not None), amount)
    return data | some(rng, 0.4, split(rng, room))


def split(rng: Random, room: int) -> Event:
    """Good, rework and scrap that are together at most `room`."""
    good = rng.randint(0, room)
    rework = rng.randint(0, room - good)
    return {"good": good, "rework": rework, "scrap": rng.randint(0, room - good - rework)}


def defects(rng: Random) -> Event:
    """Entries with and without a count; surface_burning at most once an event."""
    terms = [
        rng.choice((*COMMON_TERMS, rng.choice(NOT_SURFACE_BURNING))) for _ in range(rng.choice((0, 0, 1, 1, 2, 3)))
    ]
    if rng.random() < 0.2:
        terms.append("surface_burning")
    entries = []
    for term in terms:
        optional = {"parts": rng.randint(1, 4), "location": rng.choice(DEFECT_LOCATIONS)}
        entries.append({"term": term, **some(rng, 0.6, optional)})
    data: Event = {"defects": entries} if entries else {}
    return data | causes(rng, 0.2)


def causes(rng: Random, share: float) -> Event:
    """One cause or two, some of them named often enough to meet again, some without their certainty."""
    if rng.random() >= share:
        return {}
    terms = [rng.choice((*CAUSE_TERMS[:2], rng.choice(CAUSE_TERMS))) for _ in range(rng.choice((1, 1, 2)))]
    said = ({"certainty": rng.choice(("suspected", "confirmed"))} for _ in terms)
    return {
        "causes": [{"term": term, **some(rng, 0.8, certainty)} for term, certainty in zip(terms, said, strict=True)]
    }


def attempt_inspected(rng: Random, shop: Shop) -> Built:
    data = some(rng, 0.6, split(rng, rng.choice((1, 2, 3, 6))))
    if all(value is None for value in data.values()):
        data["good"] = rng.randint(0, 3)
    stage = rng.choice((None, "first", "first", "after_rework", "downstream"))
    data |= {"stage": stage} if stage else {}
    data |= some(rng, 0.3, {"rest_released": rng.random() < 0.8, "inspector": "Cy"})
    return rng.choice(shop.attempts), data | defects(rng) | readings(rng), shop.time(rng)


def readings(rng: Random) -> Event:
    """What was measured, now and then: equal values too, and lists without one."""
    return some(
        rng,
        0.2,
        {
            "rz5_um": [rng.choice((48, 52.5, 0.0005, 52.5)) for _ in range(rng.randint(0, 12))],
            "u_mm": [rng.choice((0.31, 0.3100001, 2)) for _ in range(rng.randint(0, 3))],
            "dross_mm": rng.choice((0, 0.4)),
            "sizes": [
                {
                    "feature": rng.choice(SIZE_FEATURES),
                    "nominal_mm": rng.choice((22, 250.0, 0.001)),
                    "measured_mm": rng.choice((0, 21.98, 250.18)),
                }
                for _ in range(rng.randint(0, 4))
            ],
        },
    )


def attempt_reworked(rng: Random, shop: Shop) -> Built:
    parts = rng.randint(1, 4)
    recovered = rng.randint(0, parts)
    ends = {"recovered": recovered, "scrapped": rng.randint(0, parts - recovered)}
    operation = rng.choice(REWORK_OPERATIONS[:3] if rng.random() < 0.8 else REWORK_OPERATIONS)
    data = {"operation": operation, "minutes": rng.choice((0.5, 12, 7.125, 0.001)), "parts": parts}
    data |= some(rng, 0.4, ends) | some(rng, 0.4, {"planned": rng.random() < 0.6})
    return rng.choice(shop.attempts), data | causes(rng, 0.2), shop.time(rng)


# The rest


def machine_serviced(rng: Random, shop: Shop) -> Built:
    return rng.choice(MACHINES[0]).strip(), {"what": rng.choice(SERVICES)}, shop.time(rng)


def shift_handed_over(rng: Random, shop: Shop) -> Built:
    return rng.choice(MACHINES[0]).strip(), {"note": "two parts to go"}, shop.time(rng)


def machine_checked(rng: Random, shop: Shop) -> Built:
    checks = [{"what": what, "found": rng.choice(CHECK_RESULTS)} for what in CHECKS]
    return rng.choice(MACHINES[0]).strip(), {"checks": checks}, shop.time(rng)


def site_set(rng: Random, shop: Shop) -> Built:
    moment = shop.time(rng)
    near = shop.time(rng).date() + timedelta(days=rng.randint(-2, 1))
    values = {
        "zone": rng.choice(ZONES),
        "day_start": rng.choice(DAY_STARTS),
        "shifts": rng.choice(SHIFTS),
        "rates": rng.choice((FULL_RATES, *RATES)),
        "aliases": rng.choice(ALIASES),
        "pierces_by_exception": rng.random() < 0.6,
        "plausibility": {"off": rng.choice((["measured_thickness"], []))},
    }
    valid_from = near if rng.random() < 0.7 else date(2026, 1, 1)
    told = some(rng, 0.5, values)
    if all(value is None for value in told.values()):
        told["zone"] = values["zone"]
    return "main", {"valid_from": valid_from.isoformat(), **told}, moment


def void(rng: Random, shop: Shop, events: list[Event], mismatched: bool) -> Built:
    """A void of an event of the set, of another void even, or of one that never comes."""
    data = {"source": rng.choice(SOURCES), "id": "never sent", "reason": "typed twice"}
    subject = rng.choice(shop.attempts)
    if events and rng.random() < 0.9:
        target = rng.choice(events)
        data |= {"source": target["source"], "id": target["id"]}
        subject = target["subject"] if not mismatched or rng.random() < 0.85 else "someone else"
    return subject, data, shop.time(rng)


#: How often each kind of event comes; None is a void, which needs the events before it.
KINDS: tuple[Any, ...] = (
    *(job_opened,) * 4, job_closed, *(plate_received,) * 4, *(plate_assessed,) * 3, plate_closed,
    *(attempt_started,) * 7, *(attempt_finished,) * 15, *(attempt_inspected,) * 10, *(attempt_reworked,) * 6,
    machine_serviced, machine_checked, shift_handed_over, *(site_set,) * 3, *(None,) * 4,
)  # fmt: skip
TYPES: dict[Any, str] = {
    job_opened: "cutledger.job.opened",
    job_closed: "cutledger.job.closed",
    plate_received: "cutledger.plate.received",
    plate_assessed: "cutledger.plate.assessed",
    plate_closed: "cutledger.plate.closed",
    attempt_started: "cutledger.attempt.started",
    attempt_finished: "cutledger.attempt.finished",
    attempt_inspected: "cutledger.attempt.inspected",
    attempt_reworked: "cutledger.attempt.reworked",
    machine_serviced: "cutledger.machine.serviced",
    machine_checked: "cutledger.machine.checked",
    shift_handed_over: "cutledger.shift.handed_over",
    site_set: "cutledger.site.set",
    None: VOIDED,
}
