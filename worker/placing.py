"""An attempt in its place: with its plate, job, settings and relatives -> the row that is counted. Pure."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from operator import itemgetter
from typing import Any, Final

import orjson

from worker.folding import Contradiction, Cut
from worker.jobs import Job
from worker.lineage import Standing
from worker.losses import LOST_AT, place_losses
from worker.plates import NO_CONDITION, Plate
from worker.records import Event
from worker.sentences import figure, sentence
from worker.shopcalendar import iso_week
from worker.sites import Settings, SiteCalendar
from worker.tables import COUNTS, COUNTS_OR_NONE, DIMENSIONS, ORIGIN

E3, E6 = 1_000, 1_000_000
#: Figures of one attempt beyond these are entries gone wrong; taken as not known, they cannot overflow a sum.
MOST_COST_E6 = 10**15
MOST_MASS_MG = 10**12
Row = dict[str, Any]
#: What an attempt counts that has not finished.
_UNCOUNTED: Final[Row] = dict.fromkeys(COUNTS, 0) | dict.fromkeys(COUNTS_OR_NONE) | {"is_first": 0, "lost_otherwise": 0}
_NO_ORIGIN: Final[Mapping[str, str | None]] = {}


@dataclass(frozen=True)
class Surroundings:
    """What surrounds the attempts of a site: all that can be looked up by name."""

    calendar: SiteCalendar
    jobs: Mapping[str, Job]
    plates: Mapping[str, Plate]
    origins: Mapping[str, Mapping[str, str | None]]


@lru_cache(maxsize=8192)
def combination_id(values: tuple[Any, ...]) -> int:
    """Number of a combination of dimensions: the same everywhere, so that tallies can be compared and moved."""
    digest = hashlib.blake2b(orjson.dumps(values), digest_size=8).digest()
    return int.from_bytes(digest, "big", signed=True)


# By type too: a float and the int that it equals may have been sent as different numbers.
@lru_cache(maxsize=8192, typed=True)
def exact(number: float | int) -> Fraction:
    """The decimal number that was sent, exactly."""
    return Fraction(str(number))


def rounded(numerator: int, denominator: int) -> int:
    """A quotient as a whole number, a half to the even one, as `round` makes it of a Fraction at many times the cost.

    denominator: above 0.
    """
    whole, rest = divmod(numerator, denominator)
    return whole + int(2 * rest > denominator or (2 * rest == denominator and whole % 2 == 1))


def cost_e6(
    settings: Settings,
    *,
    rework_minutes_e3: int,
    lost_us: int = 0,
    scrap_mass_mg: int = 0,
    machine: str | None = None,
    material: str | None = None,
) -> int | None:
    """Rework x labour rate + lost time x machine rate + scrap x material price, in millionths of the currency unit.

    None when a rate is not set, or the sum is beyond MOST_COST_E6.
    """
    rates = (settings.labour_per_hour, settings.machine_per_hour(machine), settings.material_per_kg(material))
    if None in rates:
        return None
    # Most attempts cost nothing, and a product of fractions takes longer than all else here.
    if not (rework_minutes_e3 or lost_us or scrap_mass_mg):
        return 0
    amounts = ((rework_minutes_e3, 60 * E3), (lost_us, 3600 * E6), (scrap_mass_mg, E6))
    total = Fraction(0)
    for (amount, unit), rate in zip(amounts, rates, strict=True):
        if amount and rate is not None:
            price = exact(rate)
            total += Fraction(amount * price.numerator * E6, unit * price.denominator)
    cost = rounded(total.numerator, total.denominator)
    return cost if cost <= MOST_COST_E6 else None


def place_attempt(cut: Cut, standing: Standing | None, around: Surroundings) -> Row:
    """The row of an attempt. `standing` is None for an unfinished one, of which only what followed is known."""
    row = _UNCOUNTED | _described(cut, standing, around)
    if cut.state == "finished" and standing is not None:
        row |= _counted(cut, standing, row, around)
    return row


def _described(cut: Cut, standing: Standing | None, around: Surroundings) -> Row:
    given, started_us = cut.given, cut.started_us
    on_plate = given.get("plate")
    job = around.jobs.get(given.get("job") or "")
    plate = around.plates.get(on_plate or "")
    origin = around.origins.get(on_plate or "", _NO_ORIGIN)
    place = None if started_us is None else around.calendar.place(started_us)
    settings = place.settings if place else around.calendar.latest
    recipe = given.get("recipe") or {}
    bevel = job.stated.get("bevel_deg") if job else None
    condition = NO_CONDITION if plate is None or started_us is None else plate.condition_at(started_us)
    material_name, material = settings.name_and_key("material", _material(given, job, plate))
    machine_name, machine = settings.name_and_key("machine", given.get("machine"))
    recipe_name, recipe_key = _recipe(settings, recipe)
    part_number = job.stated.get("part_number") if job else None
    row = {
        "attempt": cut.attempt,
        "state": cut.state,
        "quantity": cut.quantity,
        "job": given.get("job"),
        "plate": on_plate,
        "run": given.get("run"),
        "piece": given.get("piece"),
        "operator": given.get("operator"),
        "gas": given.get("gas"),
        "mill": origin.get("mill"),
        "heat_number": origin.get("heat_number"),
        "supplier": origin.get("supplier"),
        "material_name": material_name,
        "material": material,
        "machine_name": machine_name,
        "machine": machine,
        "recipe_name": recipe_name,
        "recipe": recipe_key,
        "thickness_nm": _thickness(cut, job, plate),
        "bevel_mdeg": round(bevel * E3) if bevel else None,
        "purpose": given.get("purpose") or (job.stated.get("purpose") if job else None) or "production",
        "surface": condition.surface,
        "thermal_history": condition.thermal_history,
        "shift": place.shift if place else None,
        "day": place.day.isoformat() if place else None,
        "week": iso_week(place.day) if place else None,
        "source": cut.source,
        "piece_key": cut.piece_key,
        "retry_of": given.get("retry_of"),
        "mode": (given.get("mode") or "new") if cut.state != "unfinished" else None,
        "part_number": part_number,
        "started_us": started_us,
        "ended_us": None if started_us is None or cut.seconds_ms is None else started_us + cut.seconds_ms * E3,
        "outcome": cut.outcome,
        "stop_reason": cut.stop_reason,
        "attempt_no": standing.attempt_no if standing else None,
        "cluster": _cluster(cut),
        "settings": orjson.dumps(recipe).decode() if recipe else None,
        "part": combination_id((part_number,)),
    }
    row["steel"] = combination_id(_origin(row))
    row["combination"] = combination_id(_dimensions(row))
    return row


_origin = itemgetter(*ORIGIN)
_dimensions = itemgetter(*DIMENSIONS)


def _material(given: Mapping[str, Any], job: Job | None, plate: Plate | None) -> str | None:
    """Step 9: the plate's, until that is known what the attempt says, else the job's."""
    if plate is not None and (material := plate.stated.get("material")) is not None:
        return str(material)
    if (material := given.get("material")) is not None:
        return str(material)
    return job.stated.get("material") if job else None


def _thickness(cut: Cut, job: Job | None, plate: Plate | None) -> int | None:
    if plate is not None and plate.thickness_nm is not None:
        return plate.thickness_nm
    if cut.thickness_nm is not None:
        return cut.thickness_nm
    return job.thickness_nm if job else None


def _recipe(settings: Settings, recipe: Mapping[str, Any]) -> tuple[str | None, str | None]:
    if (name := recipe.get("name")) is None:
        return None, None
    return settings.recipe_and_key(name, recipe.get("revision"))


def _cluster(cut: Cut) -> str:
    """Parts of one plate stand or fall together; without a plate those of one run, else of one attempt."""
    given = cut.given
    if (plate := given.get("plate")) is not None:
        return f"plate:{plate}"
    return f"attempt:{cut.attempt}" if (run := given.get("run")) is None else f"run:{run}"


def _counted(cut: Cut, standing: Standing, row: Row, around: Surroundings) -> Row:
    job = around.jobs.get(cut.given.get("job") or "")
    settings = around.calendar.place(cut.started_us or 0).settings
    pierces, failed = _pierces(cut, job, settings)
    lost = place_losses(
        cut.defects,
        faulty=cut.rework + cut.scrap,
        not_made=cut.not_made,
        outcome=cut.outcome,
    )
    rework_minutes_e3 = sum(minutes_e3(event) for event in cut.reworked if not event.data.get("planned"))
    scrap_mass_mg = _scrap_mass_mg(cut, standing, job)
    lost_us = _lost_us(cut)
    return {
        "is_first": int(standing.attempt_no == 1),
        "tried": cut.tried,
        "good": cut.good,
        "rework": cut.rework,
        "scrap": cut.scrap,
        "not_made": cut.not_made,
        "pending": cut.pending,
        "recovered": cut.recovered,
        "scrapped": cut.scrapped,
        "in_rework": cut.in_rework,
        "released": cut.released,
        "hidden": cut.hidden,
        "lost_otherwise": cut.lost_otherwise,
        "interruptions": cut.given.get("interruptions") or 0,
        "rework_minutes_e3": rework_minutes_e3,
        "scrap_mass_mg": scrap_mass_mg,
        "seconds_ms": cut.seconds_ms,
        "lost_us": lost_us,
        "pierces": pierces,
        "failed_pierces": failed,
        "cost_e6": cost_e6(
            settings,
            rework_minutes_e3=rework_minutes_e3,
            lost_us=lost_us or 0,
            scrap_mass_mg=scrap_mass_mg,
            machine=row["machine"],
            material=row["material"],
        ),
        **{column: lost[stage] for column, stage in LOST_AT.items()},
    }


def _pierces(cut: Cut, job: Job | None, settings: Settings) -> tuple[int | None, int | None]:
    """Pierces and failed pierces that count; (None, None) for an attempt that does not tell enough."""
    pierces, failed = cut.pierces, cut.failed_pierces
    if pierces is None and job and (planned := job.stated.get("pierces_per_part")) is not None:
        pierces = planned * cut.tried
    if failed is None:
        failed = 1 if cut.outcome == "pierce_failed" else 0 if settings.pierces_by_exception else None
    if pierces is None or failed is None:
        return None, None
    return pierces, min(failed, pierces)


def _scrap_mass_mg(cut: Cut, standing: Standing, job: Job | None) -> int:
    part_mass = job.stated.get("part_mass_kg") if job else None
    if part_mass is None:
        return 0
    blank_lost = cut.given.get("blank_lost", standing.is_last)
    parts = cut.scrap + cut.scrapped + (cut.not_made if blank_lost else 0)
    if not parts:
        return 0
    mass_mg = round(exact(part_mass) * E6) * parts
    return mass_mg if mass_mg <= MOST_MASS_MG else 0


def _lost_us(cut: Cut) -> int | None:
    """Of the attempt's time the share of the parts that came to nothing; all of it when none was reached."""
    if cut.seconds_ms is None:
        return None
    if not cut.tried:
        return cut.seconds_ms * E3
    return rounded(cut.seconds_ms * E3 * (cut.scrap + cut.not_made), cut.tried)


def minutes_e3(event: Event) -> int:
    """Person-minutes of a reworked event, in thousandths."""
    return int(round(event.data["minutes"] * E3))


def place_rework(event: Event, attempt_row: Mapping[str, Any], calendar: SiteCalendar) -> Row:
    """The row of a reworked event: the dimensions of its attempt, but the day and shift of the work."""
    place = calendar.place(event.time_us)
    dimensions = {name: attempt_row[name] for name in DIMENSIONS} | {"shift": place.shift}
    minutes = minutes_e3(event)
    labour = place.settings.labour_per_hour
    return {
        "source": event.source,
        "id": event.id,
        "attempt": event.subject,
        "time_us": event.time_us,
        "day": place.day.isoformat(),
        "week": iso_week(place.day),
        "shift": place.shift,
        "combination": combination_id(tuple(dimensions.values())),
        "operation": event.data["operation"],
        "planned": int(bool(event.data.get("planned"))),
        "minutes_e3": minutes,
        "parts": event.data["parts"],
        "cost_e6": None if labour is None else round(Fraction(minutes, 60 * E3) * exact(labour) * E6),
        "dimensions": dimensions,
    }


def place_service(event: Event, calendar: SiteCalendar) -> Row:
    """The row of a serviced event: its machine under its counted name, the day of the service."""
    place = calendar.place(event.time_us)
    shown, key = place.settings.name_and_key("machine", event.subject)
    return {
        "source": event.source,
        "id": event.id,
        "subject": event.subject,
        "machine": key,
        "machine_name": shown,
        "time_us": event.time_us,
        "day": place.day.isoformat(),
        "week": iso_week(place.day),
        "what": event.data["what"],
    }


def contradictions_of(cut: Cut, standing: Standing | None, around: Surroundings) -> Iterable[Contradiction]:
    """What the attempt's events say against each other, its job, its plate and the attempts on its piece."""
    yield from cut.contradictions
    if standing is None or cut.started_us is None:
        return
    job = around.jobs.get(cut.given.get("job") or "")
    plate = around.plates.get(cut.given.get("plate") or "")
    if job and plate and job.opened_us is not None and plate.received_us is not None:
        yield from job_against_plate(job, plate, around.calendar.place(cut.started_us).settings)
    if standing.in_circle:
        yield Contradiction(
            "retry_circle",
            sentence(
                "retry_of %(attempt)s leads back to this attempt; it counts as none",
                attempt=repr(cut.given["retry_of"]),
            ),
            {"retry_of": cut.given["retry_of"]},
        )
    declared = cut.given.get("mode") == "recut" or (job is not None and job.stated.get("recut_of") is not None)
    if standing.wholly_good_before is not None and not declared:
        yield Contradiction(
            "cut_again_after_good",
            sentence(
                "the piece was wholly good with attempt %(attempt)s and was cut again",
                attempt=repr(standing.wholly_good_before),
            ),
            {"wholly_good_with": standing.wholly_good_before, "cut_again_with": cut.attempt},
        )


def job_against_plate(job: Job, plate: Plate, settings: Settings) -> Iterable[Contradiction]:
    """What a job asks for and its plate is not; both are known."""
    if job.thickness_nm != plate.thickness_nm:
        job_mm, plate_mm = mm(job.thickness_nm), mm(plate.thickness_nm)
        yield Contradiction(
            "thickness_disagrees",
            sentence(
                "the job asks for %(asked)s mm, its plate is %(thickness)s mm thick",
                asked=figure(job_mm, ""),
                thickness=figure(plate_mm, ""),
            ),
            {"job_thickness_mm": job_mm, "plate_thickness_mm": plate_mm},
        )
    names = [subject.stated.get("material") for subject in (job, plate)]
    if names[0] == names[1]:
        return
    groups = [settings.group_of("material", name) for name in names]
    if groups[0] != groups[1]:
        yield Contradiction(
            "material_disagrees",
            sentence(
                "the job asks for %(asked)s, its plate is %(material)s",
                asked=names[0],
                material=names[1],
            ),
            {"job_material": names[0], "plate_material": names[1]},
        )


def mm(nm: int | None) -> float | int | None:
    """Millimetres of a thickness in nanometres: whole ones as int."""
    if nm is None:
        return None
    whole, rest = divmod(nm, 1_000_000)
    return whole if not rest else nm / 1_000_000


def cut_thickness_nm(thickness_nm: int, *, bevel_deg: float) -> int:
    """Length of the cut through the plate: thickness / cos(bevel)."""
    return round(thickness_nm / math.cos(math.radians(bevel_deg)))
