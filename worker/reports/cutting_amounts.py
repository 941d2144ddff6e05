"""What cutting took in the past: machine seconds, rework minutes, what became of parts, and how full plates were.

Sums by production day and combination, in which plates are whole: one is a cluster. All attempts count, retries too.
How full plates were: filters choose the plates, then all that was cut of them counts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import select

from worker.measures import E3
from worker.measures import judged as judged_parts
from worker.placing import exact
from worker.plausible_series import STEEL_KG_PER_MM3
from worker.reports.by_combination import with_dimensions
from worker.reports.expected_yield import PlannedCut, Setup
from worker.reports.questions import Question
from worker.reports.reading import Reader, asked_of, conditions_of, window_of
from worker.stats.ratios import Rate, rate_of, weighted_rate
from worker.sums import total

_SUMS: Final = (
    "attempts_without_seconds", "cutting_ms", "parts_tried", "rework_minutes_e3", "good", "rework", "scrap", "not_made",
    "recovered", "scrapped", "in_rework",
)  # fmt: skip
#: Names or rows that one statement asks for.
_AT_ONCE: Final = 500


@dataclass(frozen=True, slots=True)
class Took:
    """Past amounts of one cut. `timed` and `judged`: parts that the two rates rest on, None with nothing under them.

    Of the parts that were not good at once (`not_good`), `recovered` became good and `lost` did not; the rest is in
    rework. `untimed`: parts tried in days with an attempt whose time nobody noted, left out of `seconds`. `between`:
    the two thicknesses in mm that it was read off, where nothing is known of the cut's own.
    """

    seconds: Rate | None
    timed: int
    untimed: int
    rework_minutes: Rate | None
    judged: int
    not_good: int
    recovered: int
    lost: int
    in_rework: int
    between: tuple[float, float] | None = None


@dataclass(frozen=True)
class Amounts:
    """The sums of one material at one thickness: (setup, recipe, sums of a day and combination)."""

    rows: tuple[tuple[Setup, str | None, Mapping[str, int]], ...]

    def of(self, cut: PlannedCut, setup: Setup) -> Took:
        """What cuts with this setup took, and with this recipe if one is asked for."""
        return took(sums for one, recipe, sums in self.rows if one == setup and cut.recipe in (None, recipe))


def amounts(reader: Reader, question: Question, thickness_nm: int) -> Amounts:
    """Amounts over the window and filters of a question at a thickness."""
    t = reader.tables.tallies.c
    columns, joined = with_dimensions(reader, question, reader.tables.tallies)
    query = (
        select(*(columns[name] for name in ("machine", "gas", "recipe")), *(t[name] for name in _SUMS))
        .select_from(joined)
        .where(
            t.site == reader.site,
            *window_of(question, t),
            *asked_of(question, columns),
            columns["thickness_nm"] == thickness_nm,
        )
    )
    return Amounts(
        tuple(
            (Setup(machine, gas), recipe, dict(zip(_SUMS, sums, strict=True)))
            for machine, gas, recipe, *sums in reader.connection.execute(query)
        )
    )


def usual_rework(reader: Reader, question: Question) -> float | None:
    """Minutes of rework a judged part where there is any, over the window and filters of a question; None without."""
    t = reader.tables.tallies.c
    columns, joined = with_dimensions(reader, question, reader.tables.tallies)
    judged = t.good + t.rework + t.scrap + t.not_made
    query = (
        select(total(t.rework_minutes_e3), total(judged))
        .select_from(joined)
        .where(
            t.site == reader.site,
            *window_of(question, t),
            *asked_of(question, columns),
            t.rework_minutes_e3 > 0,
            judged > 0,
        )
    )
    minutes_e3, parts = reader.connection.execute(query).one()
    return minutes_e3 / E3 / parts if parts else None


def took(clusters: Iterable[Mapping[str, int]]) -> Took:
    """Rates over clusters of sums, in any order."""
    known = list(clusters)
    timed = [sums for sums in known if not sums["attempts_without_seconds"] and sums["parts_tried"]]
    judged = [(sums["rework_minutes_e3"] / E3, parts) for sums in known if (parts := judged_parts(sums))]
    whole = {name: sum(sums[name] for sums in known) for name in _SUMS}
    parts_timed = sum(sums["parts_tried"] for sums in timed)
    return Took(
        seconds=rate_of((sums["cutting_ms"] / E3, sums["parts_tried"]) for sums in timed),
        timed=parts_timed,
        untimed=whole["parts_tried"] - parts_timed,
        rework_minutes=rate_of(judged),
        judged=sum(parts for _, parts in judged),
        not_good=whole["rework"] + whole["scrap"] + whole["not_made"],
        recovered=whole["recovered"],
        lost=whole["scrap"] + whole["not_made"] + whole["scrapped"],
        in_rework=whole["in_rework"],
    )


def took_between(thinner: Took, thicker: Took, *, at_mm: float, between: tuple[float, float]) -> Took:
    """What a cut takes whose thickness lies between two others: rates in a straight line over ln(thickness)."""
    below, above = (math.log(mm) for mm in between)
    weight = (math.log(at_mm) - below) / (above - below)

    def rate(one: Rate | None, other: Rate | None) -> Rate | None:
        return None if one is None or other is None else weighted_rate([(1 - weight, one), (weight, other)])

    return Took(
        seconds=rate(thinner.seconds, thicker.seconds),
        timed=thinner.timed + thicker.timed,
        untimed=thinner.untimed + thicker.untimed,
        rework_minutes=rate(thinner.rework_minutes, thicker.rework_minutes),
        judged=thinner.judged + thicker.judged,
        not_good=thinner.not_good + thicker.not_good,
        recovered=thinner.recovered + thicker.recovered,
        lost=thinner.lost + thicker.lost,
        in_rework=thinner.in_rework + thicker.in_rework,
        between=between,
    )


# --- how full plates were ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Filled:
    """Share (0-1) of their plates that parts tried had, by mass; None without such plates. `plates` it rests on."""

    share: float | None
    plates: int


def share_of_plates(reader: Reader, question: Question, thickness_nm: int) -> Filled:
    """How much of the plates of this thickness that are closed became parts, remnants aside.

    The window and filters of the question choose plates, by any attempt on them; then all attempts on these count. Only
    plates of known size count on which all attempts are of jobs that tell the mass of a part. A part that was tried
    twice counts twice, so that a share is at most 1.
    """
    plate_kg = _closed_plates_kg(reader, question, thickness_nm)
    tried = _tried_on(reader, plate_kg)
    part_kg = _part_masses(reader, {job for _, job, _ in tried if job is not None})
    unclear = {plate for plate, job, _ in tried if part_kg.get(job) is None}
    plates = sorted(plate for plate, kg in plate_kg.items() if kg is not None and plate not in unclear)
    remnants = _remnants_kg(reader, plates, thickness_nm)
    steel = sum(plate_kg[plate] - remnants.get(plate, 0) for plate in plates)
    if steel <= 0:
        return Filled(None, 0)
    kept = set(plates)
    parts = sum(part_kg[job] * count for plate, job, count in tried if plate in kept)
    return Filled(min(1.0, float(parts / steel)), len(plates))


def _closed_plates_kg(reader: Reader, question: Question, thickness_nm: int) -> dict[str, Any]:
    """Closed plates that a question chooses, and their mass in kg; None where their size is not known."""
    a, p = reader.tables.attempts.c, reader.tables.plates.c
    cut = select(a.plate).where(
        *conditions_of(reader, question, a),
        a.state == "finished",
        a.thickness_nm == thickness_nm,
        a.plate.is_not(None),
    )
    query = select(p.plate, p.stated).where(p.site == reader.site, p.state == "closed", p.plate.in_(cut))
    return {plate: _plate_kg(stated, thickness_nm) for plate, stated in reader.connection.execute(query)}


def _tried_on(reader: Reader, plates: Collection[str]) -> list[tuple[str, str | None, int]]:
    """(plate, job, parts tried) of all attempts on these plates."""
    a, names = reader.tables.attempts.c, sorted(plates)
    found: list[tuple[str, str | None, int]] = []
    for some in (names[start : start + _AT_ONCE] for start in range(0, len(names), _AT_ONCE)):
        query = (
            select(a.plate, a.job, total(a.tried))
            .where(a.site == reader.site, a.plate.in_(some), a.state == "finished")
            .group_by(a.plate, a.job)
        )
        found += [(plate, job, int(count)) for plate, job, count in reader.connection.execute(query)]
    return found


def _plate_kg(stated: str, thickness_nm: int) -> Any:
    told = orjson.loads(stated)
    if told.get("length_mm") is None or told.get("width_mm") is None:
        return None
    return exact(told["length_mm"]) * exact(told["width_mm"]) * thickness_nm * exact(STEEL_KG_PER_MM3) / 1_000_000


def _part_masses(reader: Reader, jobs: Collection[str]) -> dict[str | None, Any]:
    j, names = reader.tables.jobs.c, sorted(jobs)
    found: dict[str | None, Any] = {}
    for some in (names[start : start + _AT_ONCE] for start in range(0, len(names), _AT_ONCE)):
        query = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, stated in reader.connection.execute(query):
            mass = orjson.loads(stated).get("part_mass_kg")
            found[job] = None if mass is None else exact(mass)
    return found


def _remnants_kg(reader: Reader, plates: Collection[str], thickness_nm: int) -> dict[str, Any]:
    p, names = reader.tables.plates.c, sorted(plates)
    found: dict[str, Any] = {}
    for some in (names[start : start + _AT_ONCE] for start in range(0, len(names), _AT_ONCE)):
        query = select(p.parent, p.stated).where(p.site == reader.site, p.parent.in_(some))
        for parent, stated in reader.connection.execute(query):
            found[parent] = found.get(parent, 0) + (_plate_kg(stated, thickness_nm) or 0)
    return found
