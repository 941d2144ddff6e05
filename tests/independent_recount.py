"""An independent recount of one site from its events: plain, slow, and the judge of the real fold.

Written from the words of the design alone (2-events.md "Fold of an attempt", 3-measures.md, 8-http.md) and importing
nothing of the project. A step of the fold is named where it is taken. Instants are microseconds since 1970 in UTC,
thickness is in nanometres, seconds in milliseconds, minutes in thousandths, mass in milligrams, cost in millionths.
"""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from itertools import combinations
from typing import Any
from zoneinfo import ZoneInfo

Row = dict[str, Any]

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY_US = 24 * 3600 * 10**6
NAMED = ("job", "plate", "run", "piece", "retry_of", "gas", "operator")
VERDICTS = ("good", "rework", "scrap")
CONDITIONS = (
    "rust_grade", "preparation_grade", "coating", "edges", "cooling", "hardened", "hardness_hv", "hardness_load",
    "temperature_c",
)  # fmt: skip
INHERITED = ("mill", "heat_number", "supplier", "certificate", "delivery_condition")
STAGE_TERMS = {
    "pierce": {"pierce_deviation"},
    "sever": {"lost_cut"},
    "surface": {
        "edge_melt_off", "droplet_chain", "edge_overhang", "edge_break_away", "hollow_face", "wavy_face", "face_step",
        "angular_deviation", "excessive_groove_depth", "excessive_drag", "gouging", "slag_lower_edge", "slag_cut_face",
        "crack", "start_deviation", "surface_burning", "kerf_at_exit", "part_tipped", "slat_flashback",
    },
    "size": {"wide_kerf", "dimensional_deviation", "heat_distortion"},
}  # fmt: skip
STAGE_OF = {term: stage for stage, terms in STAGE_TERMS.items() for term in terms}
LOSSES = ("lost_pierce", "lost_sever", "lost_surface", "lost_size", "lost_unstated")
COUNTS = (
    "quantity", "tried", *VERDICTS, "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden",
    "interruptions", "rework_minutes_e3", "scrap_mass_mg", "lost_otherwise", *LOSSES,
)  # fmt: skip
DESCRIPTIONS = (
    "source", *NAMED, "machine", "mode", "recipe", "material", "thickness_nm", "bevel_deg", "purpose", "surface",
    "surface_group", "thermal_history", "started_at", "day", "shift", "outcome", "stop_reason", "seconds_ms",
    "attempt_no", "pierces", "failed_pierces", "lost_us", "cost_e6", "cluster", "mill", "heat_number", "supplier",
    "part_number",
)  # fmt: skip
DIMENSIONS = (
    "thickness_nm", "material", "machine", "gas", "recipe", "surface", "surface_group", "thermal_history", "bevel_deg",
    "purpose", "job", "part_number", "plate", "run", "mill", "heat_number", "supplier",
)  # fmt: skip
SUMS = (
    "attempts", "first_attempts", "parts_tried", "parts_started", "parts_judged_first", "pending_first",
    "first_pass_good", *VERDICTS, "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden",
    "pierces", "failed_pierces", "attempts_without_pierces", "rework_minutes_e3", "cutting_ms", "lost_us",
    "attempts_without_seconds", "interruptions", "scrap_mass_mg", "cost_e6", "attempts_without_cost",
    *(f"first_{loss}" for loss in LOSSES), *LOSSES, "open_attempts",
)  # fmt: skip
DEFAULT_SETTINGS: Row = {
    "zone": "UTC",
    "day_start": "06:00",
    "shifts": [
        {"name": "early", "start": "06:00"},
        {"name": "late", "start": "14:00"},
        {"name": "night", "start": "22:00"},
    ],
    "rates": {},
    "aliases": [],
    "pierces_by_exception": False,
    "plausibility": {},
}
#: 5-trade, plate: EN 10029 by nominal thickness in nanometres, from and to below: how far class A goes down and up in
#: 2010, and in 1991, micrometres.
PLATE_CLASS_A = (
    (3, 5, (300, 700), (400, 800)),
    (5, 8, (400, 800), (400, 1100)),
    (8, 15, (500, 900), (500, 1200)),
    (15, 25, (600, 1000), (600, 1300)),
    (25, 40, (700, 1300), (800, 1400)),
    (40, 80, (900, 1700), (1000, 1800)),
)


@dataclass(frozen=True)
class Recount:
    """What the events of one site say, all at once."""

    attempts: dict[str, Row]
    rework: list[Row]
    jobs: dict[str, Row]
    plates: dict[str, Row]
    contradictions: set[tuple[str, str, str]]
    lost_parts: list[Row]
    readings: list[Row]

    def sums(self, by: Sequence[str] = ()) -> dict[tuple[Any, ...], dict[str, int]]:
        """Additive sums over finished attempts (and open_attempts over open ones) by any keys of the attempts."""
        groups: dict[tuple[Any, ...], dict[str, int]] = {}
        for row in self.attempts.values():
            if row["state"] == "unfinished":
                continue
            group = groups.setdefault(tuple(row[dimension] for dimension in by), dict.fromkeys(SUMS, 0))
            for name, amount in contribution(row).items():
                group[name] += amount
        return groups


@dataclass(frozen=True)
class Said:
    """One event as the recount reads it; `order` is its place in fold order."""

    type: str
    source: str
    id: str
    subject: str
    at: int
    data: Row
    order: int = 0

    def gives(self, *fields: str) -> bool:
        return any(name in self.data for name in fields)


@dataclass(frozen=True)
class Placed:
    """Where an instant falls in the shop calendar, and the settings of the version that places it."""

    day: date
    shift: str | None
    settings: Row


@dataclass
class World:
    """The events that are not voided, in fold order, and what the recount finds out on its way."""

    standing: list[Said]
    settings: list[Said]
    jobs: dict[str, Row]
    plates: dict[str, Row]
    own: dict[str, list[Said]]
    rows: dict[str, Row] = field(default_factory=dict)
    places: dict[str, Placed] = field(default_factory=dict)
    retry_of: dict[str, str | None] = field(default_factory=dict)
    contradictions: set[tuple[str, str, str]] = field(default_factory=set)
    #: Of a finished attempt the events that form its verdict; those that name causes.
    verdicts: dict[str, list[Said]] = field(default_factory=dict)
    explaining: dict[str, list[Said]] = field(default_factory=dict)

    def job_of(self, row: Row) -> Row:
        """Fields of the row's job as last opened; nothing while it is not known."""
        return self.jobs.get(row["job"], {})

    def contradict(self, code: str, attempt: str) -> None:
        self.contradictions.add((code, "attempt", attempt))


def recount(events: Iterable[Row], *, site: str = "main") -> Recount:
    """Count one site's events (CloudEvents dicts, valid, unique by source and id) from nothing."""
    everything = in_fold_order(events)
    standing = unvoided(everything)
    world = World(
        standing,
        [said for said in standing if said.type == "cutledger.site.set" and said.subject == site],
        last_stated(standing, "cutledger.job.opened"),
        last_stated(standing, "cutledger.plate.received"),
        events_of_attempts(standing),
    )
    world.contradictions |= voids_of_other_subjects(everything)
    world.contradictions |= {("parent_ring", "plate", plate) for plate in rings(parents(world))}
    world.contradictions |= {("measured_thickness", "plate", plate) for plate in out_of_standard(world)}
    for attempt in world.own:
        describe(world, attempt)
    give_numbers(world)
    for attempt in finished(world):
        count(world, attempt)
    for attempt in finished(world):
        weigh(world, attempt)
    find_contradictions(world)
    tables = (rework_rows(world), job_rows(world), plate_rows(world))
    return Recount(world.rows, *tables, world.contradictions, lost_parts_rows(world), readings_rows(world))


# Events in fold order, and voids


def in_fold_order(events: Iterable[Row]) -> list[Said]:
    """2-events, rule 2: fold order is (time, source, id), texts by their UTF-8 bytes."""
    said = [
        Said(e["type"], e["source"], e["id"], e["subject"], instant_us(e["time"]), without_nulls(e["data"]))
        for e in events
    ]
    said.sort(key=lambda one: (one.at, one.source.encode(), one.id.encode()))
    return [Said(one.type, one.source, one.id, one.subject, one.at, one.data, order) for order, one in enumerate(said)]


def instant_us(text: str) -> int:
    """Microseconds since 1970 of an RFC 3339 time with an offset."""
    return (datetime.fromisoformat(text.upper()) - EPOCH) // timedelta(microseconds=1)


def without_nulls(value: Any) -> Any:
    """2-events, envelope: null means not given."""
    if isinstance(value, dict):
        return {name: without_nulls(inner) for name, inner in value.items() if inner is not None}
    return [without_nulls(inner) for inner in value] if isinstance(value, list) else value


def void_targets(everything: list[Said]) -> list[tuple[Said, Said]]:
    """2-events, rule 5: each void with the event that it voids; a void of a void has no effect."""
    known = {(said.source, said.id): said for said in everything if said.type != "cutledger.event.voided"}
    voids = [said for said in everything if said.type == "cutledger.event.voided"]
    pairs = [(void, known.get((void.data["source"], void.data["id"]))) for void in voids]
    return [(void, target) for void, target in pairs if target is not None]


def unvoided(everything: list[Said]) -> list[Said]:
    """The events that stand: neither voided, whichever came first, nor voids themselves."""
    gone = {target.order for _, target in void_targets(everything)}
    return [said for said in everything if said.type != "cutledger.event.voided" and said.order not in gone]


def voids_of_other_subjects(everything: list[Said]) -> set[tuple[str, str, str]]:
    """2-events, rule 5: a void whose subject is not its target's takes effect, with a contradiction."""
    return {
        ("void_subject_differs", "event", void.subject)
        for void, target in void_targets(everything)
        if void.subject != target.subject
    }


def last_stated(standing: list[Said], kind: str) -> dict[str, Row]:
    """2-events, types: the last job.opened or plate.received states its subject as a whole."""
    return {said.subject: said.data for said in standing if said.type == kind}


def events_of_attempts(standing: list[Said]) -> dict[str, list[Said]]:
    own: dict[str, list[Said]] = defaultdict(list)
    for said in standing:
        if said.type.startswith("cutledger.attempt."):
            own[said.subject].append(said)
    return dict(own)


def of_type(own: list[Said], *names: str) -> list[Said]:
    return [said for said in own if said.type.removeprefix("cutledger.attempt.") in names]


def last_given(own: list[Said], name: str) -> Any:
    """Step 1: the last value given, in fold order."""
    values = [said.data[name] for said in own if name in said.data]
    return values[-1] if values else None


def exact(number: Any) -> Fraction:
    """The number as it is written: 0.1 is a tenth."""
    return Fraction(str(number))


# Names, settings and the shop calendar


def name_key(text: str) -> str:
    """2-events, types: names match after trimming, NFC and case-folding."""
    folded = unicodedata.normalize("NFC", text.strip()).casefold()
    return unicodedata.normalize("NFC", folded)


def recipe_name(recipe: Row | None) -> str | None:
    """A recipe is its name and revision; an object without a name is none."""
    if not recipe or "name" not in recipe:
        return None
    name = name_key(recipe["name"])
    return f"{name} / {name_key(recipe['revision'])}" if "revision" in recipe else name


def canonical_name(settings: Row, kind: str, name: str | None) -> str | None:
    """The key of a name as written, through the aliases of the day."""
    return None if name is None else canonical(settings, kind, name_key(name))


def canonical(settings: Row, kind: str, key: str | None) -> str | None:
    """A key through the aliases of the day: the name that lists it under `also`, in one step."""
    for alias in settings["aliases"]:
        if alias["kind"] == kind and key in {name_key(other) for other in alias.get("also", [])}:
            return name_key(alias["name"])
    return key


def material_group(settings: Row, name: str) -> str | None:
    """The alias group of a material if it has one, else its canonical key."""
    key = canonical_name(settings, "material", name)
    for alias in settings["aliases"]:
        if alias["kind"] == "material" and name_key(alias["name"]) == key and "group" in alias:
            return name_key(alias["group"])
    return key


def settings_on(world: World, day: date) -> Row:
    """Field by field the event with the largest (valid_from, fold order) of those valid on the day."""
    settings = dict(DEFAULT_SETTINGS)
    for said in sorted(world.settings, key=lambda one: (one.data["valid_from"], one.order)):
        if date.fromisoformat(said.data["valid_from"]) <= day:
            settings |= {name: value for name, value in said.data.items() if name in settings}
    return settings


def placed(world: World, at: int) -> Placed:
    """From the newest version to the oldest: the first under which the day is not before its valid_from."""
    versions = {date.fromisoformat(said.data["valid_from"]) for said in world.settings}
    for valid_from in sorted(versions, reverse=True):
        settings = settings_on(world, valid_from)
        if production_day(at, settings) >= valid_from:
            return Placed(production_day(at, settings), shift_of(at, settings), settings)
    return Placed(production_day(at, DEFAULT_SETTINGS), shift_of(at, DEFAULT_SETTINGS), dict(DEFAULT_SETTINGS))


def wall(at: int, settings: Row) -> datetime:
    return (EPOCH + timedelta(microseconds=at)).astimezone(ZoneInfo(settings["zone"]))


def production_day(at: int, settings: Row) -> date:
    """3-measures, time: the local date, less one day when the wall time is before the start of day."""
    local = wall(at, settings)
    before = local.time() < time.fromisoformat(settings["day_start"])
    return local.date() - timedelta(days=1) if before else local.date()


def shift_of(at: int, settings: Row) -> str | None:
    """3-measures, time: the last shift to start at or before the wall time, of the day before if need be."""
    clock = wall(at, settings).time()
    shifts = sorted(settings["shifts"], key=lambda shift: time.fromisoformat(shift["start"]))
    begun = [shift for shift in shifts if time.fromisoformat(shift["start"]) <= clock]
    return str((begun or shifts)[-1]["name"]) if shifts else None


# Steps 1, 9, 10 and 11: what an attempt is


def describe(world: World, attempt: str) -> None:
    """Steps 1 and 11: the descriptive fields, last value given over started and finished, and the state."""
    own = world.own[attempt]
    tellers = of_type(own, "started", "finished")
    row: Row = {"state": state(own), **dict.fromkeys(DESCRIPTIONS), **dict.fromkeys(COUNTS, 0)}
    world.rows[attempt] = row
    if not tellers:
        return
    row |= {name: last_given(tellers, name) for name in NAMED}
    row |= {"source": tellers[-1].source, "mode": last_given(tellers, "mode") or "new", "started_at": started_at(own)}
    where = world.places[attempt] = placed(world, row["started_at"])
    row |= {"day": where.day.isoformat(), "shift": where.shift}
    row["machine"] = canonical_name(where.settings, "machine", last_given(tellers, "machine"))
    row["recipe"] = canonical(where.settings, "recipe", recipe_name(last_given(tellers, "recipe")))
    job = world.job_of(row)
    row["purpose"] = last_given(tellers, "purpose") or job.get("purpose") or "production"
    row["part_number"] = job.get("part_number")
    row["bevel_deg"] = float(job["bevel_deg"]) if "bevel_deg" in job else None
    row["thickness_nm"], material = thickness_and_material(world, row, tellers)
    row["material"] = canonical_name(where.settings, "material", material)
    row |= plate_facts(world, row)
    row["cluster"] = cluster(attempt, row)


def state(own: list[Said]) -> str:
    """Step 11: only started is open; known by inspections or rework alone is unfinished."""
    if of_type(own, "finished"):
        return "finished"
    return "open" if of_type(own, "started") else "unfinished"


def started_at(own: list[Said]) -> int:
    """Step 1: last started; else last started_at; else time less seconds of the last that gives them; else time."""
    started, ended = of_type(own, "started"), of_type(own, "finished")
    if started:
        return started[-1].at
    if (given := last_given(ended, "started_at")) is not None:
        return instant_us(given)
    timed = [said for said in ended if said.gives("seconds")]
    if timed:
        return timed[-1].at - round(exact(timed[-1].data["seconds"]) * 1000) * 1000
    return ended[-1].at


def seconds_ms(own: list[Said]) -> int | None:
    """Step 1: what is given; else the last finished's time minus the last started's, when not negative."""
    started, ended = of_type(own, "started"), of_type(own, "finished")
    if (given := last_given(ended, "seconds")) is not None:
        return round(exact(given) * 1000)
    if not started or ended[-1].at < started[-1].at:
        return None
    return round(Fraction(ended[-1].at - started[-1].at, 1000))


def thickness_nm(data: Mapping[str, Any]) -> int | None:
    """Thickness in nanometres of data that gives it in millimetres or inches (1 in = 25.4 mm)."""
    if "thickness_mm" in data:
        return round(exact(data["thickness_mm"]) * 10**6)
    if "thickness_in" in data:
        return round(sum(Fraction(part) for part in str(data["thickness_in"]).split()) * 25_400_000)
    return None


def thickness_and_material(world: World, row: Row, tellers: list[Said]) -> tuple[int | None, str | None]:
    """Step 9: the plate's; until that is known, what the attempt says; else the job's."""
    if row["plate"] in world.plates:
        plate = world.plates[row["plate"]]
        return thickness_nm(plate), plate["material"]
    job = world.job_of(row)
    said = [teller for teller in tellers if teller.gives("thickness_mm", "thickness_in")]
    thickness = thickness_nm(said[-1].data) if said else thickness_nm(job)
    return thickness, last_given(tellers, "material") or job.get("material")


def plate_facts(world: World, row: Row) -> Row:
    """Step 10 at started_at, and what the plate has or takes from its ancestors."""
    conditions = held(world, row["plate"], row["started_at"])
    taken = inherited(world, row["plate"])
    return {
        "surface": surface(conditions),
        "surface_group": surface_group(surface(conditions)),
        "thermal_history": thermal_history(conditions),
        **{name: taken[name] for name in ("mill", "heat_number", "supplier")},
    }


def held(world: World, plate: str | None, until: int | None) -> dict[str, tuple[int, Any]]:
    """Step 10: per condition field (held from, value) of the last that held at `until`, ties in fold order."""
    told = [
        (instant_us(said.data["observed_at"]) if "observed_at" in said.data else said.at, said.order, said.data)
        for said in world.standing
        if said.subject == plate and said.type in ("cutledger.plate.received", "cutledger.plate.assessed")
    ]
    found: dict[str, tuple[int, Any]] = {}
    for since, _, data in sorted(told, key=lambda one: one[:2]):
        if until is None or since <= until:
            found |= {name: (since, data[name]) for name in CONDITIONS if name in data}
    return found


def surface(conditions: dict[str, tuple[int, Any]]) -> str:
    """Step 10, surface."""
    since, value = {name: at for name, (at, _) in conditions.items()}, {n: v for n, (_, v) in conditions.items()}
    if value.get("coating", "none") not in ("none", "oil"):
        return "primed"
    cleaned = value.get("preparation_grade") in ("Sa 2", "Sa 2.5", "Sa 3", "St 3", "laser")
    if cleaned and ("rust_grade" not in value or since["preparation_grade"] >= since["rust_grade"]):
        return "cleaned"
    by_rust = {"A": "tight_scale", "B": "loose_scale", "C": "rusted", "D": "pitted"}
    return by_rust.get(value.get("rust_grade", ""), "unknown")


def surface_group(name: str) -> str:
    """Step 10, surface_group."""
    if name == "unknown":
        return "unknown"
    return "clean" if name in ("tight_scale", "cleaned") else "disturbed"


def thermal_history(conditions: dict[str, tuple[int, Any]]) -> str:
    """Step 10, thermal_history; cooling older than the last edges value does not count."""
    since, value = {name: at for name, (at, _) in conditions.items()}, {n: v for n, (_, v) in conditions.items()}
    thermal = value.get("edges") in ("oxyfuel", "plasma", "laser")
    in_water = value.get("cooling") == "water" and since["cooling"] >= since.get("edges", 0)
    if value.get("hardened") is True or (thermal and in_water):
        return "hardened"
    if thermal:
        return "thermal_edge"
    return "as_supplied" if "edges" in value or value.get("hardened") is False else "unknown"


def inherited(world: World, plate: str | None) -> Row:
    """2-events, types: a remnant takes these from the nearest ancestor that has them."""
    found: Row = dict.fromkeys(INHERITED)
    seen: set[str] = set()
    while plate in world.plates and plate not in seen:
        seen.add(plate)
        for name in INHERITED:
            if found[name] is None:
                found[name] = world.plates[plate].get(name)
        plate = world.plates[plate].get("parent")
    return found


def cluster(attempt: str, row: Row) -> str:
    """4-architecture, decision 3: one plate, else one run, else one attempt."""
    if row["plate"] is not None:
        return f"plate:{row['plate']}"
    return f"run:{row['run']}" if row["run"] is not None else f"attempt:{attempt}"


def parents(world: World) -> dict[str, str | None]:
    return {plate: data.get("parent") for plate, data in world.plates.items()}


def rings(following: Mapping[str, str | None]) -> set[str]:
    """The members of circles of a relation that leads from each to at most one other."""
    members = set()
    for start in following:
        here, seen = following[start], set()
        while here is not None and here not in seen and here != start:
            seen.add(here)
            here = following.get(here)
        if here == start:
            members.add(start)
    return members


def out_of_standard(world: World) -> list[str]:
    """5-trade, plate: measured outside the widest class, which is D downward and C upward, of either edition.

    Not where the settings of the day on which the plate came in say that it is not to be told.
    """
    found = []
    for plate, data in world.plates.items():
        came = [said for said in world.standing if said.subject == plate and said.type == "cutledger.plate.received"]
        settings = placed(world, came[-1].at).settings
        if "measured_thickness" in settings["plausibility"].get("off", []) or "measured_thickness_mm" not in data:
            continue
        nominal, measured = Fraction(thickness_nm(data) or 0, 10**6), exact(data["measured_thickness_mm"])
        for since, before, *class_a in PLATE_CLASS_A:
            widths = [Fraction(sum(edition), 1000) for edition in class_a]
            most_below = max(*(Fraction(edition[0], 1000) for edition in class_a), *(width / 2 for width in widths))
            inside = nominal - most_below <= measured <= nominal + max(widths)
            if since <= nominal < before and not inside:
                found.append(plate)
    return found


# Step 8: which attempt it is


def told(world: World) -> list[str]:
    """The attempts that are started or finished, by (started_at, attempt id)."""
    known = [attempt for attempt, row in world.rows.items() if row["state"] != "unfinished"]
    return sorted(known, key=lambda attempt: place_in_time(world, attempt))


def finished(world: World) -> list[str]:
    return [attempt for attempt in told(world) if world.rows[attempt]["state"] == "finished"]


def place_in_time(world: World, attempt: str) -> tuple[int, bytes]:
    return world.rows[attempt]["started_at"], attempt.encode()


def piece_of(row: Row) -> tuple[str, str, str] | None:
    """Step 8: a piece is named within its job, without a job within its plate."""
    if row["piece"] is None:
        return None
    if row["job"] is not None:
        return "job", row["job"], row["piece"]
    return ("plate", row["plate"], row["piece"]) if row["plate"] is not None else None


def same_piece(world: World, attempt: str) -> list[str]:
    """All started or finished attempts on the attempt's piece, itself among them, in time."""
    piece = piece_of(world.rows[attempt])
    if piece is None:
        return [attempt]
    return [other for other in told(world) if piece_of(world.rows[other]) == piece]


def give_numbers(world: World) -> None:
    """Step 8: attempt_no of all; a circle counts as no retry_of."""
    said = {attempt: world.rows[attempt]["retry_of"] for attempt in told(world)}
    circle = rings(said)
    for attempt in circle:
        world.contradict("retry_circle", attempt)
    world.retry_of = {attempt: None if attempt in circle else target for attempt, target in said.items()}
    for attempt in said:
        world.rows[attempt]["attempt_no"] = number(world, attempt)


def number(world: World, attempt: str) -> int:
    """Step 8: one more than the retried attempt's (1 when not known yet), else the rank on its piece."""
    row, target = world.rows[attempt], world.retry_of[attempt]
    if target is not None:
        found = 1 + (number(world, target) if target in world.retry_of else 1)
    else:
        ranked = [other for other in same_piece(world, attempt) if world.retry_of[other] is None]
        found = 1 + ranked.index(attempt)
    again = row["mode"] in ("resume", "recut") or "recut_of" in world.job_of(row)
    return max(found, 2) if again else found


# Steps 2 to 7: what became of its parts


def count(world: World, attempt: str) -> None:
    """Steps 1 to 7 of a finished attempt, in the order of the design page."""
    own, row = world.own[attempt], world.rows[attempt]
    ended, inspections = of_type(own, "finished"), of_type(own, "inspected")
    row |= {"outcome": ended[-1].data["outcome"], "stop_reason": ended[-1].data.get("stop_reason")}
    row |= {"seconds_ms": seconds_ms(own), "interruptions": last_given(ended, "interruptions") or 0}
    operator = operators_event(ended)
    row["quantity"] = quantity(of_type(own, "started", "finished"), operator)
    first = [said for said in inspections if stage(said) == "first"]
    inspected = inspections_that_count(first, row["quantity"])
    if len(inspected) < len(first):
        world.contradict("more_inspected_than_cut", attempt)
    parts = first_verdict(inspected, operator, row["quantity"])
    of_operator = faulty(parts) - sum(faulty(counts_of(said)) for said in inspected)
    row["tried"] = tried(last_given(ended, "tried"), parts.total(), row)
    released = release(parts, inspected, row["tried"])
    downstream = [said for said in inspections if stage(said) == "downstream"]
    if move_downstream(parts, downstream):
        world.contradict("more_downstream_than_good", attempt)
    rest = row["tried"] - parts.total()
    row["pending" if row["outcome"] == "severed" else "not_made"] = rest
    told = [(of_operator, operator), (row["not_made"], ended[-1])]
    told += [(faulty(counts_of(said)), said) for said in inspected + downstream]
    otherwise = sum(lost for lost, said in told if said is not None and lost_otherwise(said))
    row["lost_otherwise"] = min(otherwise, faulty(parts) + row["not_made"])
    row |= ends_of_rework(parts, own)
    row |= {verdict: parts[verdict] for verdict in VERDICTS}
    row["released"] = min(released, parts["good"])
    world.verdicts[attempt] = ([operator] if operator else []) + inspected + downstream
    row |= losses(row, world.verdicts[attempt])
    with_causes = [said for said in ended if said.data.get("causes")][-1:]
    after = [said for said in inspections if stage(said) == "after_rework"]
    unplanned = [said for said in of_type(own, "reworked") if not said.data.get("planned")]
    world.explaining[attempt] = with_causes + inspected + downstream + after + unplanned


def faulty(parts: Counter[str]) -> int:
    return parts["rework"] + parts["scrap"]


def lost_otherwise(said: Said) -> bool:
    """5-trade: handling, drawing_or_order and wrong_plate are not the process; all that are named must be, for sure."""
    named = said.data.get("causes") or []
    others = {"handling", "drawing_or_order", "wrong_plate"}
    sure = [cause for cause in named if cause.get("certainty") == "confirmed" and cause["term"] in others]
    return bool(named) and len(sure) == len(named)


def stage(said: Said) -> str:
    return str(said.data.get("stage", "first"))


def counts_of(said: Said | None) -> Counter[str]:
    """Good, rework and scrap that an event gives; what it leaves out is nothing."""
    return Counter({verdict: said.data.get(verdict, 0) if said else 0 for verdict in VERDICTS})


def operators_event(ended: list[Said]) -> Said | None:
    """Step 2: the last finished that gives any of the operator's own counts."""
    counting = [said for said in ended if said.gives(*VERDICTS)]
    return counting[-1] if counting else None


def quantity(tellers: list[Said], operator: Said | None) -> int:
    """Step 2: the largest of what is given (else 1), tried, and the sum of the operator's own counts."""
    given = last_given(tellers, "quantity") or 1
    return max(given, last_given(tellers, "tried") or 0, counts_of(operator).total())


def inspections_that_count(first: list[Said], quantity: int) -> list[Said]:
    """Step 3: in fold order; one that would bring the sum above the quantity is left out."""
    kept: list[Said] = []
    for said in first:
        if sum(counts_of(other).total() for other in [*kept, said]) <= quantity:
            kept.append(said)
    return kept


def first_verdict(inspected: list[Said], operator: Said | None, quantity: int) -> Counter[str]:
    """Step 4: inspections plus the operator's own; the excess is taken out of the operator's, like from like first."""
    theirs, own = Counter(dict.fromkeys(VERDICTS, 0)), counts_of(operator)
    for said in inspected:
        theirs.update(counts_of(said))
    excess = max(0, theirs.total() + own.total() - quantity)
    for like in (theirs, own):
        for verdict in VERDICTS:
            taken = min(excess, own[verdict], like[verdict])
            own[verdict] -= taken
            excess -= taken
    return Counter({verdict: theirs[verdict] + own[verdict] for verdict in VERDICTS})


def tried(given: int | None, counted: int, row: Row) -> int:
    """Step 2: what is given, at least counted; else by outcome and stop reason."""
    if given is not None:
        return max(given, counted)
    if row["outcome"] == "aborted":
        of_the_process = row["stop_reason"] in ("lost_cut", "pierce", "collision", None)
        return min(int(row["quantity"]), counted + (1 if of_the_process else 0))
    return int(row["quantity"])


def release(parts: Counter[str], inspected: list[Said], tried: int) -> int:
    """Step 4: with rest_released, parts of tried still without a verdict are good; how many."""
    if not any(said.data.get("rest_released") for said in inspected):
        return 0
    released = tried - parts.total()
    parts["good"] += released
    return released


def move_downstream(parts: Counter[str], downstream: list[Said]) -> bool:
    """Step 5: moves rework, then scrap out of good, at most the good; whether more was found than was good."""
    exceeded = False
    for said in downstream:
        for verdict in ("rework", "scrap"):
            found = said.data.get(verdict, 0)
            moved = min(found, parts["good"])
            parts["good"] -= moved
            parts[verdict] += moved
            exceeded |= found > moved
    return exceeded


def ends_of_rework(parts: Counter[str], own: list[Said]) -> Row:
    """Steps 6 and 7: rework that no one declared, and what became of rework."""
    reworked = of_type(own, "reworked")
    after = [said for said in of_type(own, "inspected") if stage(said) == "after_rework"]
    worked_on: Counter[str] = Counter()
    for said in reworked:
        if not said.data.get("planned"):
            worked_on[said.data["operation"]] += said.data["parts"]
    hidden = min(parts["good"], max(0, max(worked_on.values(), default=0) - parts["rework"]))
    parts["good"] -= hidden
    parts["rework"] += hidden
    said_scrapped = total(reworked, "scrapped") + total(after, "scrap")
    said_recovered = total(reworked, "recovered") + total(after, "good")
    scrapped = min(parts["rework"], said_scrapped)
    recovered = min(parts["rework"] - scrapped, max(said_recovered, hidden - scrapped))
    in_rework = parts["rework"] - scrapped - recovered
    return {"hidden": hidden, "scrapped": scrapped, "recovered": recovered, "in_rework": in_rework}


def total(events: list[Said], name: str) -> int:
    return sum(said.data.get(name, 0) for said in events)


# Stages: where a part was lost


def losses(row: Row, verdict_events: list[Said]) -> dict[str, int]:
    """3-measures, stages: a part that was not good belongs to the first stage that it failed."""
    lost = dict.fromkeys(LOSSES, 0)
    lost["lost_pierce" if row["outcome"] == "pierce_failed" else "lost_sever"] = row["not_made"]
    entries = [entry for said in sorted(verdict_events, key=lambda one: one.order) for entry in placed_defects(said)]
    left = row["rework"] + row["scrap"]
    for name in STAGE_TERMS:
        by_term: Counter[str] = Counter()
        for at_stage, term, parts in entries:
            if at_stage == name:
                by_term[term] += left if parts is None else parts
        taken = min(left, max(by_term.values(), default=0))
        lost[f"lost_{name}"] += taken
        left -= taken
    lost["lost_unstated"] = left
    return lost


def placed_defects(said: Said) -> list[tuple[str, str, int | None]]:
    """(stage, term, parts or None for all not yet placed) of an event's defects."""
    placed_entries: list[tuple[str, str, int | None]] = []
    scrap_left = said.data.get("scrap", 0)
    for defect in said.data.get("defects", []):
        term, parts = defect["term"], defect.get("parts")
        if term != "surface_burning":
            placed_entries.append((STAGE_OF[term], term, parts))
        elif parts is not None:
            severe = min(parts, scrap_left)
            scrap_left -= severe
            placed_entries += [("sever", term, severe), ("surface", term, parts - severe)]
        elif not said.data.get("scrap"):
            placed_entries.append(("surface", term, None))
        elif not said.data.get("rework"):
            placed_entries.append(("sever", term, None))
        else:
            placed_entries += [("sever", term, scrap_left), ("surface", term, None)]
            scrap_left = 0
    return placed_entries


# Words for what was lost: stage, term, location, cause


def lost_parts_rows(world: World) -> list[Row]:
    """6-statistics, losses: parts, minutes and cost of each attempt by the words of each sort."""
    rows: list[Row] = []
    for attempt in finished(world):
        row = world.rows[attempt]
        if any(row[loss] for loss in LOSSES) or row["rework_minutes_e3"] or row["lost_us"]:
            for sort, (of_parts, named, certainty) in words_by_sort(world, attempt).items():
                rows += rows_of_words(row | {"attempt": attempt, "sort": sort}, of_parts, named, certainty)
    return rows


def words_by_sort(world: World, attempt: str) -> dict[str, tuple[list[str], dict[str, int], dict[str, str]]]:
    """By sort: the word of each lost part, on how many each word was named, and how certain it is."""
    row = world.rows[attempt]
    stages = [loss.removeprefix("lost_") for loss in LOSSES for _ in range(row[loss])]
    failed_at = "pierce" if row["outcome"] == "pierce_failed" else "sever"
    entries = named_entries(world, attempt, failed_at)
    filler = {failed_at: row["outcome"]} if row["not_made"] else {}
    terms = words_of_parts(stages, [(at, term, parts) for at, term, _, parts in entries], filler)
    with_place = [(at, place, parts) for at, _, place, parts in entries if place is not None]
    certainty: dict[str, str] = {}
    for said in world.explaining[attempt]:
        for cause in said.data.get("causes", []):
            firm = "confirmed" in (cause.get("certainty"), certainty.get(cause["term"]))
            certainty[cause["term"]] = "confirmed" if firm else "suspected"
    of_attempt = [word_of_all(list(certainty))] * len(stages)
    named_terms = named_parts([(term, parts) for _, term, _, parts in entries], len(stages))
    named_terms |= {word: terms.count(word) for word in filler.values() if word in terms}
    return {
        "stage": (stages, named_stages(entries, row, failed_at, len(stages)), {}),
        "term": (terms, named_terms, {}),
        "location": (
            words_of_parts(stages, with_place, {}),
            named_parts([(place, parts) for _, place, parts in with_place], len(stages)),
            {},
        ),
        "cause": (of_attempt, dict.fromkeys(certainty, len(stages)), certainty),
    }


def named_entries(world: World, attempt: str, failed_at: str) -> list[tuple[str, str, str | None, int | None]]:
    """(stage, term, location, parts) of the verdict's events; and of the last finished, when it gives no counts, what
    is at the stage of the parts that were not made."""
    ended = of_type(world.own[attempt], "finished")[-1]
    entries = [entry for said in world.verdicts[attempt] for entry in located_defects(said)]
    if ended not in world.verdicts[attempt]:
        entries += [entry for entry in located_defects(ended) if entry[0] == failed_at]
    return [entry for entry in entries if entry[3] != 0]


def located_defects(said: Said) -> list[tuple[str, str, str | None, int | None]]:
    """The defects of an event with their place: burning that is split keeps it on both sides."""
    found: list[tuple[str, str, str | None, int | None]] = []
    told = said.data.get("defects", [])
    for number, defect in enumerate(told, 1):
        before = len(placed_defects(replace(said, data=said.data | {"defects": told[: number - 1]})))
        upto = placed_defects(replace(said, data=said.data | {"defects": told[:number]}))
        found += [(at, term, defect.get("location"), parts) for at, term, parts in upto[before:]]
    return found


def words_of_parts(stages: list[str], told: list[tuple[str, str, int | None]], filler: Mapping[str, str]) -> list[str]:
    """A word for each lost part: at its stage the counted words from the most parts on, then what fills the rest."""
    words: list[str] = []
    for at, parts in Counter(stages).items():
        counts: Counter[str] = Counter()
        for where, word, count in told:
            if where == at and count is not None:
                counts[word] += count
        queue = [
            word for word, count in sorted(counts.items(), key=lambda one: (-one[1], one[0])) for _ in range(count)
        ]
        uncounted = {word for where, word, count in told if where == at and count is None}
        rest = word_of_all(list(uncounted)) if uncounted else filler.get(at, "unstated")
        words += (queue + [rest] * parts)[:parts]
    return words


def word_of_all(names: list[str]) -> str:
    """The one word, or that there are several or none."""
    return names[0] if len(names) == 1 else "several" if names else "unstated"


def named_parts(told: list[tuple[str, int | None]], whole: int) -> dict[str, int]:
    """On how many of the lost parts each word was named: without a count on all."""
    words = {word for word, _ in told}
    return {
        word: min(whole, sum(whole if parts is None else parts for one, parts in told if one == word)) for word in words
    }


def named_stages(
    entries: list[tuple[str, str, str | None, int | None]], row: Row, failed_at: str, whole: int
) -> dict[str, int]:
    """A stage was named on as many parts as the most of one of its terms, and on those not made."""
    named: dict[str, int] = {}
    for at in {entry[0] for entry in entries}:
        named[at] = max(
            named_parts([(term, parts) for where, term, _, parts in entries if where == at], whole).values()
        )
    if row["not_made"]:
        named[failed_at] = min(whole, named.get(failed_at, 0) + row["not_made"])
    return named


def rows_of_words(common: Row, of_parts: list[str], named: dict[str, int], certainty: dict[str, str]) -> list[Row]:
    """One row a word; minutes and cost stand with the only word that is named, else with several or unstated."""
    bearer = word_of_all(list(named))
    rows: list[Row] = []
    for word in {*of_parts, *named, bearer}:
        row = {name: common[name] for name in ("attempt", "day", "sort")}
        row |= {"word": word, "certainty": certainty.get(word, "")}
        row |= {"parts_lost": of_parts.count(word), "parts_named": named.get(word, 0)}
        row["rework_minutes_e3"] = common["rework_minutes_e3"] if word == bearer else 0
        row["cost_e6"] = common["cost_e6"] if word == bearer else 0
        if row["cost_e6"] is None or row["parts_lost"] + row["parts_named"] + row["rework_minutes_e3"] + row["cost_e6"]:
            rows.append(row)
    return rows


# Readings


def readings_rows(world: World) -> list[Row]:
    """2-events, attempt.inspected: each value measured on a finished attempt, in whole nanometres, under its day."""
    rows: list[Row] = []
    for attempt in finished(world):
        for said in of_type(world.own[attempt], "inspected"):
            told = [("rz5", n, None, exact(um) / 1000) for n, um in enumerate(said.data.get("rz5_um", []))]
            told += [("u", n, None, exact(mm)) for n, mm in enumerate(said.data.get("u_mm", []))]
            told += [("dross", 0, None, exact(said.data["dross_mm"]))] if said.gives("dross_mm") else []
            for n, size in enumerate(said.data.get("sizes", [])):
                told.append((size["feature"], n, exact(size["nominal_mm"]), exact(size["measured_mm"])))
            common = {"source": said.source, "id": said.id, "attempt": attempt, "day": world.rows[attempt]["day"]}
            rows += [
                common
                | {"stage": stage(said), "sort": sort, "place": place, "value_nm": round(value * 10**6)}
                | {"nominal_nm": None if nominal is None else round(nominal * 10**6)}
                for sort, place, nominal, value in told
            ]
    return rows


# Measures of one attempt that need its job, its settings or other attempts


def weigh(world: World, attempt: str) -> None:
    """3-measures: pierces, minutes, lost time, scrap mass and cost of a finished attempt."""
    own, row, job = world.own[attempt], world.rows[attempt], world.job_of(world.rows[attempt])
    settings = world.places[attempt].settings
    row["pierces"], row["failed_pierces"] = pierces(row, of_type(own, "finished"), job, settings)
    unplanned = [said for said in of_type(own, "reworked") if not said.data.get("planned")]
    row["rework_minutes_e3"] = sum(minutes_e3(said) for said in unplanned)
    row["lost_us"] = lost_us(row)
    blanks = row["not_made"] if blank_is_lost(world, attempt) else 0
    thrown_away = row["scrap"] + row["scrapped"] + blanks
    row["scrap_mass_mg"] = round(exact(job.get("part_mass_kg", 0)) * 10**6 * thrown_away)
    row["cost_e6"] = cost_e6(row, settings)


def minutes_e3(said: Said) -> int:
    return round(exact(said.data["minutes"]) * 1000)


def pierces(row: Row, ended: list[Said], job: Row, settings: Row) -> tuple[int, int] | tuple[None, None]:
    """Step 1 and failed_pierce_rate: the pair where pierces are given or planned and failed ones are known."""
    giving = [said.data for said in ended if said.gives("pierces", "failed_pierces")]
    pair = giving[-1] if giving else {}
    made, failed = pair.get("pierces"), pair.get("failed_pierces")
    if made is None and "pierces_per_part" in job:
        made = job["pierces_per_part"] * row["tried"]
    if failed is None and row["outcome"] == "pierce_failed":
        failed = 1
    if failed is None and settings["pierces_by_exception"]:
        failed = 0
    return (None, None) if made is None or failed is None else (made, min(made, failed))


def lost_us(row: Row) -> int | None:
    """lost_seconds: the share (scrap + not_made) / tried of the seconds, all of them when tried is 0."""
    if row["seconds_ms"] is None:
        return None
    share = Fraction(row["scrap"] + row["not_made"], row["tried"]) if row["tried"] else Fraction(1)
    return round(int(row["seconds_ms"]) * 1000 * share)


def blank_is_lost(world: World, attempt: str) -> bool:
    """scrap_mass_kg: blank_lost as given, else true for the last attempt of its piece or retry chain only."""
    given = last_given(of_type(world.own[attempt], "finished"), "blank_lost")
    if given is not None:
        return bool(given)
    retried = attempt in world.retry_of.values()
    return not retried and same_piece(world, attempt)[-1] == attempt


def cost_e6(row: Row, settings: Row) -> int | None:
    """cost_of_poor_quality: none where one of the three rates is not set."""
    labour = settings["rates"].get("labour_per_hour")
    hour = rate(settings, "machine", row["machine"], "machines", "per_hour", "machine_per_hour")
    price = rate(settings, "material", row["material"], "materials", "per_kg", "material_per_kg")
    if labour is None or hour is None or price is None:
        return None
    work = Fraction(row["rework_minutes_e3"], 1000) * exact(labour) / 60
    machine_time = Fraction(row["lost_us"] or 0, 10**6) * exact(hour) / 3600
    material = Fraction(row["scrap_mass_mg"], 10**6) * exact(price)
    return round((work + machine_time + material) * 10**6)


def rate(settings: Row, kind: str, key: str | None, entries: str, entry_rate: str, general_rate: str) -> Any:
    """The rate of a machine or material by its own entry, else the general one."""
    for entry in settings["rates"].get(entries, []):
        if canonical_name(settings, kind, entry["name"]) == key:
            return entry[entry_rate]
    return settings["rates"].get(general_rate)


# Contradictions that only the fold shows


def find_contradictions(world: World) -> None:
    """2-events, rule 6: what the events of different subjects say against each other."""
    for attempt in told(world):
        if disagrees(world, attempt, thickness_nm):
            world.contradict("thickness_disagrees", attempt)
        settings = world.places[attempt].settings
        if disagrees(world, attempt, lambda stated, day=settings: material_group(day, stated["material"])):
            world.contradict("material_disagrees", attempt)
        if is_cut_again_after_good(world, attempt):
            world.contradict("cut_again_after_good", attempt)
    for earlier, later in combinations(finished(world), 2):
        if overlap(world.rows[earlier], world.rows[later]):
            world.contradict("runs_overlap", later)


def disagrees(world: World, attempt: str, reading: Any) -> bool:
    row = world.rows[attempt]
    if row["job"] not in world.jobs or row["plate"] not in world.plates:
        return False
    return bool(reading(world.jobs[row["job"]]) != reading(world.plates[row["plate"]]))


def is_cut_again_after_good(world: World, attempt: str) -> bool:
    """A piece cut again after it was wholly good, unless the cut or its job says that it is a recut."""
    row = world.rows[attempt]
    if row["mode"] == "recut" or "recut_of" in world.job_of(row):
        return False
    on_piece = same_piece(world, attempt)
    before = {*on_piece[: on_piece.index(attempt)], world.retry_of[attempt]}
    return any(
        world.rows[other]["state"] == "finished" and world.rows[other]["good"] == world.rows[other]["quantity"]
        for other in before
        if other in world.rows
    )


def overlap(one: Row, other: Row) -> bool:
    """Two runs on one machine at one time, each at most 24 h long; attempts of one run share it."""
    same_run = one["run"] is not None and one["run"] == other["run"]
    if one["machine"] is None or one["machine"] != other["machine"] or same_run:
        return False
    if one["seconds_ms"] is None or other["seconds_ms"] is None:
        return False
    ends = [row["started_at"] + min(row["seconds_ms"] * 1000, DAY_US) for row in (one, other)]
    return bool(max(one["started_at"], other["started_at"]) < min(ends))


# What leaves the recount


def contribution(row: Row) -> dict[str, int]:
    """What one attempt adds to each sum; an open one adds to open_attempts alone."""
    if row["state"] == "open":
        return {"open_attempts": 1}
    first = row["attempt_no"] == 1
    judged = row["good"] + row["rework"] + row["scrap"] + row["not_made"]
    alike = (*VERDICTS, "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden")
    added = {name: row[name] for name in (*alike, "rework_minutes_e3", "interruptions", "scrap_mass_mg", *LOSSES)}
    added |= {name: row[name] or 0 for name in ("pierces", "failed_pierces", "lost_us", "cost_e6")}
    added |= {"attempts": 1, "parts_tried": row["tried"], "cutting_ms": row["seconds_ms"] or 0}
    added["attempts_without_pierces"] = int(row["pierces"] is None)
    added["attempts_without_seconds"] = int(row["seconds_ms"] is None)
    added["attempts_without_cost"] = int(row["cost_e6"] is None)
    if first:
        added |= {"first_attempts": 1, "parts_started": row["tried"], "parts_judged_first": judged}
        added |= {"pending_first": row["pending"], "first_pass_good": row["good"]}
        added |= {f"first_{loss}": row[loss] for loss in LOSSES}
    return added


def rework_rows(world: World) -> list[Row]:
    """booked_rework_minutes: one row a reworked event, on its own day, under its attempt's dimensions."""
    rows = []
    for said in world.standing:
        if said.type != "cutledger.attempt.reworked":
            continue
        where = placed(world, said.at)
        dimensions = {name: world.rows[said.subject][name] for name in DIMENSIONS}
        if world.rows[said.subject]["state"] == "unfinished":
            dimensions |= dict.fromkeys(("surface", "surface_group", "thermal_history"), "unknown")
            dimensions["purpose"] = "production"
        own = {"attempt": said.subject, "operation": said.data["operation"], "minutes_e3": minutes_e3(said)}
        own |= {"parts": said.data["parts"], "planned": bool(said.data.get("planned"))}
        rows.append({**dimensions, **own, "day": where.day.isoformat(), "shift": where.shift})
    return rows


def job_rows(world: World) -> dict[str, Row]:
    """8-http, jobs: the fields of the last opened, and parts good, in rework, pending and still to make."""
    rows: dict[str, Row] = {}
    for job in sorted({*subjects(world, "cutledger.job."), *named(world, "job")}):
        stated = world.jobs.get(job, {})
        last = [said for said in world.standing if said.subject == job and said.type.startswith("cutledger.job.")][-1:]
        closed = [said for said in last if said.type == "cutledger.job.closed"]
        rows[job] = {**stated, "thickness_nm": thickness_nm(stated)}
        rows[job]["state"] = "unknown" if not last else "closed" if closed else "open"
        rows[job]["closed_reason"] = closed[0].data["reason"] if closed else None
        rows[job] |= parts_of_job(world, job, stated.get("quantity"))
    return rows


def parts_of_job(world: World, job: str, quantity: int | None) -> Row:
    attempts = [world.rows[attempt] for attempt in finished(world) if world.rows[attempt]["job"] == job]
    parts: Row = {name: sum(row[name] for row in attempts) for name in ("good", "recovered", "in_rework", "pending")}
    parts["to_make"] = None if quantity is None else max(0, quantity - sum(parts.values()))
    return parts


def plate_rows(world: World) -> dict[str, Row]:
    """8-http, plates: the fields of the last received, inherited ones, and the condition as it is now."""
    rows: dict[str, Row] = {}
    for plate in sorted({*subjects(world, "cutledger.plate."), *named(world, "plate")}):
        stated = world.plates.get(plate, {})
        conditions = held(world, plate, None)
        closed = [said for said in world.standing if said.subject == plate and said.type == "cutledger.plate.closed"]
        rows[plate] = {**stated, "thickness_nm": thickness_nm(stated), **inherited(world, plate)}
        rows[plate] |= {name: conditions[name][1] if name in conditions else None for name in CONDITIONS}
        rows[plate]["surface"] = surface(conditions)
        rows[plate]["surface_group"] = surface_group(surface(conditions))
        rows[plate]["thermal_history"] = thermal_history(conditions)
        rows[plate]["closed_reason"] = closed[-1].data["reason"] if closed else None
    return rows


def subjects(world: World, kind: str) -> set[str]:
    return {said.subject for said in world.standing if said.type.startswith(kind)}


def named(world: World, what: str) -> set[str]:
    return {row[what] for row in world.rows.values() if row[what] is not None}
