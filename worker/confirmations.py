"""A job's confirmations as plain values: the increments after a number, and the sum of all, in ISA-95's words.

ISA-95 (IEC 62264-2, from memory): a job response reports the actuals of a job order, material produced and consumed,
equipment and personnel. Quantities are named after ISO 22400-2 (produced, good, rework, scrap quantity), units after
UN/ECE Recommendation 20 (both from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import orjson
from sqlalchemy import Connection, select

from worker.confirming.amounts import (
    ATTEMPTS,
    FINISHING_MINUTES,
    MACHINE_MINUTES,
    NOT_MADE_REASON,
    PLATE_MASS,
    PLATE_PARTS,
    REMNANT,
    REWORK_MINUTES,
    SCRAP_REASON,
    TIMED,
    UNTIMED,
    names_of,
)
from worker.confirming.plate_shares import mass_mg
from worker.measures import E3, E6, scaled
from worker.placing import mm
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.reports.reading import instant
from worker.tables import FOLD, LIVE, confirmations, confirmed, sites, told_jobs

Value = dict[str, Any]

UNITS: Final[Mapping[str, str]] = MappingProxyType({"parts": "C62", "minutes": "MIN", "mass": "KGM"})
_JOB_FIELDS: Final = ("order", "work_centre", "part_number")
#: Kind -> the names that an amount of it is of -> amount.
_ByKind = dict[str, dict[tuple[str | None, ...], int]]


class SeriesEnded(Exception):
    """Numbers of another series were asked on after."""

    def __init__(self, asked: str, series: str) -> None:
        super().__init__(
            f"what was booked has numbers of series {asked!r}, but this server numbers by series {series!r}: its data "
            "were restored from a backup or moved here; take back what was booked of the job, and book from 0 anew"
        )


class NotConfirmedYet(Exception):
    """The site is being counted again after an upgrade."""

    def __init__(self, site: str) -> None:
        super().__init__(f"site {site!r} is being counted again after an upgrade, its confirmations follow; ask later")


@dataclass(frozen=True)
class Confirmations:
    """Some of a job's confirmations. `next`: the number after which there are more, when there are."""

    value: Value
    next: int | None


def series_of(connection: Connection, site: str, *, asked: str | None) -> str:
    """The series that a site's numbers are of.

    asked: that of the number that the asker has, where it keeps it. Raises SeriesEnded when that is another one,
    NotConfirmedYet while an upgrade counts.
    """
    s = sites.c
    series, fold = connection.execute(select(s.series, s.fold).where(s.site == site)).one()
    if fold < FOLD:
        raise NotConfirmedYet(site)
    if asked is not None and asked != series:
        raise SeriesEnded(asked, series)
    return str(series)


def confirmations_of(connection: Connection, site: str, job: str, *, after: int, limit: int) -> Confirmations | None:
    """The increments of a job after a number, in order; None for a job that nothing is known of.

    Raises QuestionUnanswerable for a number that the job has not reached.
    """
    j, t = LIVE.jobs.c, told_jobs.c
    stated = connection.execute(select(j.state, j.stated).where(j.site == site, j.job == job)).one_or_none()
    told = select(t.confirmations).where(t.site == site, t.job == job)
    last = connection.execute(told).scalar_one_or_none() or 0
    if stated is None and not last:
        return None
    if after > last:
        raise QuestionUnanswerable([Wrong("after", _not_reached(after, last))])
    state, fields = ("unknown", {}) if stated is None else (stated.state, orjson.loads(stated.stated))
    items = _items(connection, site, job, after=after, limit=limit)
    following = items[-1]["number"] if items and items[-1]["number"] < last else None
    value = {
        "job": job,
        "state": state,
        **{name: fields.get(name) for name in _JOB_FIELDS},
        "units": dict(UNITS),
        "items": items,
        "next": following,
        "total": _total(connection, site, job),
    }
    return Confirmations(value, following)


def _not_reached(after: int, last: int) -> str:
    return (
        f"is {after}, but the last confirmation of this job has the number {last}: either it is another job's, or what "
        "was booked came from a server that was since restored from an older backup"
    )


def _items(connection: Connection, site: str, job: str, *, after: int, limit: int) -> list[Value]:
    c = confirmations.c
    query = select(confirmations).where(c.site == site, c.job == job, c.number > after)
    return [
        {
            "number": row.number,
            "operation": row.operation,
            "posting_day": row.posting_day,
            "made_at": instant(row.made_us),
            "position": row.position,
            **orjson.loads(row.stated),
            **_actuals({row.operation: orjson.loads(row.amounts)}),
        }
        for row in connection.execute(query.order_by(c.number).limit(limit))
    ]


def _total(connection: Connection, site: str, job: str) -> Value:
    c = confirmed.c
    query = select(c.operation, c.amounts).where(c.site == site, c.job == job)
    by_operation: dict[str, Counter[str]] = {}
    for operation, amounts in connection.execute(query.order_by(c.operation, c.posting_day)):
        by_operation.setdefault(operation, Counter()).update(orjson.loads(amounts))
    return _actuals(by_operation)


def _actuals(by_operation: Mapping[str, Mapping[str, int]]) -> Value:
    """Amounts of operations in the words of the answer."""
    kinds: _ByKind = {}
    whole: Counter[str] = Counter()
    for amounts in by_operation.values():
        for key, amount in amounts.items():
            kind, names = names_of(key)
            kinds.setdefault(kind, {}).setdefault(names, 0)
            kinds[kind][names] += amount
            whole[key] += amount
    return {
        "material_produced": {
            "produced_quantity": whole["tried"] - whole["not_made"],
            "good_quantity": whole["good"] + whole["recovered"],
            "recovered": whole["recovered"],
            "rework_quantity": whole["rework"],
            "in_rework": whole["in_rework"],
            "pending": whole["pending"],
            "scrap_quantity": whole["scrap"] + whole["scrapped"],
            "not_made": whole["not_made"],
        },
        "scrap_reasons": _reasons(kinds, SCRAP_REASON),
        "not_made_reasons": _reasons(kinds, NOT_MADE_REASON),
        "material_consumed": _consumed(kinds),
        "material_returned": [_remnant(names, count) for names, count in _in_order(kinds, REMNANT)],
        "equipment_actual": {"attempts": whole[ATTEMPTS], "machines": _machines(kinds)},
        "personnel_actual": [
            {"operation": operation, "rework_minutes": rework, "finishing_minutes": finishing}
            for operation, amounts in sorted(by_operation.items())
            for rework, finishing in [_minutes(amounts)]
            if rework or finishing
        ],
    }


def _reasons(kinds: _ByKind, kind: str) -> list[Value]:
    return [{"reason": reason, "cause": cause, "parts": parts} for (reason, cause), parts in _in_order(kinds, kind)]


def _in_order(kinds: _ByKind, kind: str) -> list[tuple[tuple[Any, ...], int]]:
    found = ((names, amount) for names, amount in kinds.get(kind, {}).items() if amount)
    return sorted(found, key=lambda one: tuple(name or "" for name in one[0]))


def _minutes(amounts: Mapping[str, int]) -> tuple[Any, Any]:
    return scaled(amounts.get(REWORK_MINUTES, 0), E3), scaled(amounts.get(FINISHING_MINUTES, 0), E3)


def _names(kinds: _ByKind, *of: str) -> list[tuple[Any, ...]]:
    """Names that any of some kinds has an amount of, in order."""
    named = {names for kind in of for names, _ in _in_order(kinds, kind)}
    return sorted(named, key=lambda names: tuple(name or "" for name in names))


def _consumed(kinds: _ByKind) -> list[Value]:
    parts, masses = kinds.get(PLATE_PARTS, {}), kinds.get(PLATE_MASS, {})
    return [
        {
            "plate": names[0],
            "heat_number": names[1],
            "parts_tried": parts.get(names, 0),
            "mass_kg": scaled(masses[names], E6) if names in masses else None,
        }
        for names in _names(kinds, PLATE_PARTS, PLATE_MASS)
    ]


def _machines(kinds: _ByKind) -> list[Value]:
    minutes, timed, untimed = (kinds.get(kind, {}) for kind in (MACHINE_MINUTES, TIMED, UNTIMED))
    return [
        {
            "machine": names[0],
            # Only attempts that tell no time: nothing is known of it.
            "minutes": scaled(minutes.get(names, 0), E3) if names in minutes or timed.get(names) else None,
            "attempts_without_time": untimed.get(names, 0),
        }
        for names in _names(kinds, MACHINE_MINUTES, TIMED, UNTIMED)
    ]


def _remnant(names: tuple[str | None, ...], count: int) -> Value:
    parent, plate, heat_number, length, width, thickness, steel = names
    thickness_nm = None if thickness is None else int(thickness)
    mass = mass_mg(length, width, thickness_nm) if steel else None
    return {
        "plate": plate,
        "parent": parent,
        "heat_number": heat_number,
        "length_mm": None if length is None else orjson.loads(length),
        "width_mm": None if width is None else orjson.loads(width),
        "thickness_mm": mm(thickness_nm),
        "pieces": count,
        "mass_kg": None if mass is None else scaled(mass, E6),
    }
