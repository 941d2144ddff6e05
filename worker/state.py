"""Current state of jobs, plates and attempts as plain values, in pages."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import Any, Final, TypeVar

import orjson
from sqlalchemy import Connection, Select, Table, func, or_, select

from worker.events import CONDITION_FIELDS
from worker.jobs import is_late, is_short, to_make
from worker.measures import E3, E6, scaled
from worker.naming import name_key
from worker.placing import cut_thickness_nm, mm
from worker.plates import UNKNOWN, Condition, surface_group
from worker.reports.reading import calendar_of, instant
from worker.sentences import with_forms_text
from worker.tables import LIVE

T = TypeVar("T")
Value = dict[str, Any]
#: What a source prefix lets a terminal see of attempts; None lets see all.
SourcePrefix = str | None


class PageCursorUnreadable(ValueError):
    """A page cursor that this service did not give."""


@dataclass(frozen=True)
class Page:
    """Items in order, and the cursor of the next page when there is one."""

    items: list[Value]
    next: str | None


def page_of(
    things: Iterable[T],
    name: Callable[[T], str],
    shown: Callable[[T], Value],
    *,
    form: str,
    after: str | None,
    limit: int,
) -> Page:
    """A page of things that come in the order of their names; raises PageCursorUnreadable."""
    last = None if after is None else last_of(after, form=form)
    found = list(islice((one for one in things if last is None or name(one) > last), limit + 1))
    some = found[:limit]
    return Page([shown(one) for one in some], page_cursor(name(some[-1]), form=form) if len(found) > limit else None)


def page_cursor(last: str, *, form: str = "p1:") -> str:
    """The cursor of the page beyond an id; `form` begins the cursors of one kind of page."""
    return base64.urlsafe_b64encode(f"{form}{last}".encode()).decode().rstrip("=")


def last_of(cursor: str, *, form: str = "p1:") -> str:
    """The id of a page's cursor; raises PageCursorUnreadable."""
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
    except (binascii.Error, ValueError) as error:
        raise PageCursorUnreadable(cursor) from error
    last = text.removeprefix(form)
    # No database takes a NUL, and no id has one.
    if page_cursor(last, form=form) != cursor or "\0" in last:
        raise PageCursorUnreadable(cursor)
    return last


def _page(
    connection: Connection, table: Table, key: str, site: str, *, where: Iterable[Any], after: str | None, limit: int
) -> tuple[list[Value], str | None]:
    query = select(table).where(table.c.site == site, *where)
    if after is not None:
        query = query.where(table.c[key] > last_of(after))
    rows = _rows(connection, query.order_by(table.c[key]).limit(limit + 1))
    return rows[:limit], page_cursor(rows[limit - 1][key]) if len(rows) > limit else None


def _rows(connection: Connection, query: Select[Any]) -> list[Value]:
    return [{str(name): value for name, value in row.items()} for row in connection.execute(query).mappings()]


def _thickness_shown(stated: Mapping[str, Any], nm: int | None) -> Value:
    shown = {name: value for name, value in stated.items() if name not in ("thickness_mm", "thickness_in")}
    return {"thickness_mm": mm(nm)} | shown


def _at(us: int | None) -> Any:
    return None if us is None else instant(us)


# --- jobs -------------------------------------------------------------------------------------------------------

#: Jobs that are looked at together where some are left out by what their attempts made.
_AT_ONCE: Final = 500
_JOB_PARTS: Final = ("tried", "good", "recovered", "in_rework", "pending")


def jobs(
    connection: Connection,
    site: str,
    *,
    state: str | None = None,
    part_number: str | None = None,
    material: str | None = None,
    thickness_nm: int | None = None,
    after: str | None = None,
    limit: int = 100,
) -> Page:
    """A page of jobs by id. `material` is any name of it: it is matched through the site's aliases."""
    j = LIVE.jobs.c
    given = ((j.state, state), (j.part_number, part_number), (j.thickness_nm, thickness_nm))
    where: list[Any] = [column == value for column, value in given if value is not None]
    if material:
        where.append(j.material.in_(_spellings(connection, site, material)))
    rows, following = _page(connection, LIVE.jobs, "job", site, where=where, after=after, limit=limit)
    return Page(_jobs_shown(connection, site, rows), following)


def jobs_behind(
    connection: Connection,
    site: str,
    *,
    late_on: date | None = None,
    after: str | None = None,
    limit: int = 100,
    **given: Any,
) -> Page:
    """A page of the open jobs of which parts are still to be made; late_on: of those that are late on that day.

    given: what else `jobs` takes.
    """
    found: list[Value] = []
    while True:
        page = jobs(connection, site, state="open", after=after, limit=_AT_ONCE, **given)
        found += [job for job in page.items if (is_short(job) if late_on is None else is_late(job, late_on))]
        if len(found) > limit:
            return Page(found[:limit], page_cursor(found[limit - 1]["job"]))
        if page.next is None:
            return Page(found, None)
        after = page.next


def job_materials(connection: Connection, site: str) -> list[str]:
    """The materials of a site's jobs, each under the name that its settings give it."""
    j, settings = LIVE.jobs.c, calendar_of(connection, site).latest
    stated = connection.execute(select(j.material).distinct().where(j.site == site, j.material.is_not(None))).scalars()
    return sorted({settings.name_and_key("material", name)[0] or name for name in stated})


def _spellings(connection: Connection, site: str, material: str) -> list[str]:
    """Names in the jobs that mean the same material."""
    j, settings = LIVE.jobs.c, calendar_of(connection, site).latest
    key = settings.key_of("material", material)
    stated = connection.execute(select(j.material).distinct().where(j.site == site, j.material.is_not(None))).scalars()
    return [name for name in stated if settings.key_of("material", name) == key]


def job(connection: Connection, site: str, name: str) -> Value | None:
    """One job, or None."""
    j = LIVE.jobs.c
    rows = _rows(connection, select(LIVE.jobs).where(j.site == site, j.job == name))
    return next(iter(_jobs_shown(connection, site, rows)), None)


def _jobs_shown(connection: Connection, site: str, rows: Sequence[Mapping[str, Any]]) -> list[Value]:
    a = LIVE.attempts.c
    query = (
        select(a.job, func.count(), *(func.sum(a[name]) for name in _JOB_PARTS))
        .where(a.site == site, a.job.in_([row["job"] for row in rows]), a.state == "finished")
        .group_by(a.job)
    )
    counted = {name: [int(value) for value in sums] for name, *sums in connection.execute(query)}
    shown: list[Value] = []
    for row in rows:
        attempts, *sums = counted.get(row["job"], [0] * (1 + len(_JOB_PARTS)))
        parts = dict(zip(_JOB_PARTS, sums, strict=True))
        left = {name: parts[name] for name in ("good", "recovered", "in_rework", "pending")}
        quantity = row["quantity"]
        shown.append(
            {
                "job": row["job"],
                "state": row["state"],
                "opened_at": _at(row["opened_us"]),
                "closed_at": _at(row["closed_us"]),
                "close_reason": row["close_reason"],
                **_thickness_shown(orjson.loads(row["stated"]), row["thickness_nm"]),
                "attempts": attempts,
                "parts_tried": parts["tried"],
                **left,
                "to_make": None if quantity is None else to_make(quantity=quantity, **left),
            }
        )
    return shown


# --- plates -----------------------------------------------------------------------------------------------------


def plates(
    connection: Connection,
    site: str,
    *,
    state: str | None = None,
    heat_number: str | None = None,
    parent: str | None = None,
    after: str | None = None,
    limit: int = 100,
) -> Page:
    """A page of plates by id."""
    p = LIVE.plates.c
    given = ((p.state, state), (p.heat_number, heat_number), (p.parent, parent))
    where = [column == value for column, value in given if value]
    rows, following = _page(connection, LIVE.plates, "plate", site, where=where, after=after, limit=limit)
    return Page(_plates_shown(connection, site, rows), following)


def plate(connection: Connection, site: str, name: str) -> Value | None:
    """One plate, or None."""
    p = LIVE.plates.c
    rows = _rows(connection, select(LIVE.plates).where(p.site == site, p.plate == name))
    return next(iter(_plates_shown(connection, site, rows)), None)


def plate_observations(connection: Connection, site: str, name: str) -> list[Value]:
    """What was observed of a plate's condition over time, the newest first: at, field, value."""
    p = LIVE.plates.c
    found = connection.execute(select(p.observations).where(p.site == site, p.plate == name)).scalar_one_or_none()
    observed = {} if found is None else orjson.loads(found)
    every = [(entry[0], field, entry[2]) for field in CONDITION_FIELDS for entry in observed.get(field, ())]
    every.sort(key=lambda one: one[0], reverse=True)
    return [{"at": instant(at_us), "field": field, "value": value} for at_us, field, value in every]


def _plates_shown(connection: Connection, site: str, rows: Sequence[Mapping[str, Any]]) -> list[Value]:
    p = LIVE.plates.c
    query = select(p.parent, p.plate).where(p.site == site, p.parent.in_([row["plate"] for row in rows]))
    remnants: dict[str, list[str]] = {}
    for parent, remnant in connection.execute(query.order_by(p.plate)):
        remnants.setdefault(parent, []).append(remnant)
    return [_plate_shown(row, remnants.get(row["plate"], [])) for row in rows]


def _plate_shown(row: Mapping[str, Any], remnants: list[str]) -> Value:
    observed = orjson.loads(row["observations"])
    condition = Condition({name: (observed[name][-1][2], observed[name][-1][0]) for name in observed})
    origin = ("mill", "heat_number", "supplier", "certificate", "delivery_condition")
    return {
        "plate": row["plate"],
        "state": row["state"],
        "received_at": _at(row["received_us"]),
        "closed_at": _at(row["closed_us"]),
        "close_reason": row["close_reason"],
        **_thickness_shown(orjson.loads(row["stated"]), row["thickness_nm"]),
        **{name: row[name] for name in origin},
        "condition": {
            name: {"value": condition.value(name), "since": _at(condition.values[name][1])}
            for name in CONDITION_FIELDS
            if name in condition.values
        },
        "surface": row["surface"],
        "surface_group": surface_group(row["surface"]),
        "thermal_history": row["thermal_history"],
        "remnants": remnants,
    }


# --- attempts ---------------------------------------------------------------------------------------------------

_PLAIN: Final = (
    "attempt", "state", "attempt_no", "job", "plate", "machine_name", "run", "piece", "retry_of", "mode", "gas",
    "purpose", "day", "week", "shift", "outcome", "stop_reason",
)  # fmt: skip
_PARTS: Final = (
    "quantity", "tried", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework",
    "released", "hidden",
)  # fmt: skip
#: More tries at one piece than anybody reads.
_MOST_RELATED: Final = 100
_STAGES: Final = ("pierce", "sever", "surface", "size", "unstated")


def attempts(
    connection: Connection,
    site: str,
    *,
    filters: Mapping[str, str | None],
    own: SourcePrefix = None,
    after: str | None = None,
    limit: int = 100,
) -> Page:
    """A page of attempts by id; filters: columns of the attempts table and what they must be.

    `machine` is any name of it: it is matched as the attempts have it, and through the site's aliases.
    """
    a = LIVE.attempts.c
    where: list[Any] = [a[name] == value for name, value in filters.items() if value and name != "machine"]
    if machine := filters.get("machine"):
        through_aliases = calendar_of(connection, site).latest.key_of("machine", machine)
        where.append(a.machine.in_({name_key(machine), through_aliases}))
    where += own_attempts(own)
    rows, following = _page(connection, LIVE.attempts, "attempt", site, where=where, after=after, limit=limit)
    warned = _warnings_of(connection, site, rows)
    return Page([_attempt_shown(row, warned.get(row["attempt"], [])) for row in rows], following)


def attempt(connection: Connection, site: str, name: str, *, own: SourcePrefix = None) -> Value | None:
    """One attempt, or None."""
    a = LIVE.attempts.c
    query = select(LIVE.attempts).where(a.site == site, a.attempt == name, *own_attempts(own))
    rows = _rows(connection, query)
    warned = _warnings_of(connection, site, rows)
    return next((_attempt_shown(row, warned.get(row["attempt"], [])) for row in rows), None)


def last_attempt_day(connection: Connection, site: str, *, own: SourcePrefix = None) -> date | None:
    """The last production day on which an attempt started; None where none did."""
    a = LIVE.attempts.c
    day = connection.execute(select(func.max(a.day)).where(a.site == site, *own_attempts(own))).scalar_one()
    return None if day is None else date.fromisoformat(day)


def attempts_on_piece(connection: Connection, site: str, name: str, *, own: SourcePrefix = None) -> list[Value]:
    """The attempts that share a piece or a chain of retries with this one, itself too, from the first to the last."""
    a = LIVE.attempts.c
    known: dict[str, Mapping[str, Any]] = {}
    names, pieces = {name}, set[str]()
    while names and len(known) < _MOST_RELATED:
        near = or_(a.attempt.in_(names), a.retry_of.in_(names), a.piece_key.in_(pieces))
        query = select(LIVE.attempts).where(a.site == site, near, *own_attempts(own)).limit(_MOST_RELATED)
        found = {row["attempt"]: row for row in _rows(connection, query)}
        new = {attempt: row for attempt, row in found.items() if attempt not in known}
        known |= new
        names = {row["retry_of"] for row in new.values() if row["retry_of"]} | new.keys()
        names = names if new else set()
        pieces = {row["piece_key"] for row in new.values() if row["piece_key"]}
    in_order = sorted(known.values(), key=lambda row: (row["attempt_no"] or 0, row["started_us"] or 0, row["attempt"]))
    return [_attempt_shown(row, []) for row in in_order]


def _warnings_of(connection: Connection, site: str, rows: Sequence[Mapping[str, Any]]) -> dict[str, list[Value]]:
    """What is hardly true of these attempts, by attempt and in the order of code."""
    w = LIVE.warnings.c
    query = select(w.attempt, w.code, w.detail, w.figures, w.forms).order_by(w.attempt, w.code)
    names = [row["attempt"] for row in rows]
    found: dict[str, list[Value]] = {}
    for attempt, code, detail, figures, forms in connection.execute(query.where(w.site == site, w.attempt.in_(names))):
        said = {"code": code, "detail": with_forms_text(detail, forms), "figures": orjson.loads(figures)}
        found.setdefault(attempt, []).append(said)
    return found


def own_attempts(prefix: SourcePrefix) -> list[Any]:
    """Conditions by which attempts are those of a prefix of sources; none for all."""
    if prefix is None:
        return []
    source = LIVE.attempts.c.source
    return [or_(source == prefix, source.startswith(f"{prefix.rstrip('/')}/", autoescape=True))]


def _attempt_shown(row: Mapping[str, Any], warnings: list[Value]) -> Value:
    bevel = None if row["bevel_mdeg"] is None else row["bevel_mdeg"] / E3
    nm = row["thickness_nm"]
    shown: Value = {name.removesuffix("_name"): row[name] for name in _PLAIN}
    settings = orjson.loads(row["settings"]) if row["settings"] else None
    shown |= {
        "material": row["material_name"],
        "thickness_mm": mm(nm),
        "bevel_deg": bevel,
        "cut_thickness_mm": mm(cut_thickness_nm(nm, bevel_deg=bevel)) if nm is not None and bevel else mm(nm),
        "recipe": settings,
        "heat_number": row["heat_number"],
        "surface": row["surface"],
        "surface_group": surface_group(row["surface"] or UNKNOWN),
        "thermal_history": row["thermal_history"],
        "started_at": _at(row["started_us"]),
        "seconds": None if row["seconds_ms"] is None else scaled(row["seconds_ms"], E3),
        "lost_seconds": None if row["lost_us"] is None else scaled(row["lost_us"], E6),
        "interruptions": row["interruptions"],
        "pierces": row["pierces"],
        "failed_pierces": row["failed_pierces"],
        "rework_minutes": scaled(row["rework_minutes_e3"], E3),
        "scrap_mass_kg": scaled(row["scrap_mass_mg"], E6),
        "cost": None if row["cost_e6"] is None else scaled(row["cost_e6"], E6),
    }
    shown["parts"] = {name: row[name] for name in _PARTS}
    shown["lost_at"] = {stage: row[f"lost_{stage}"] for stage in _STAGES}
    shown["warnings"] = warnings
    return shown
