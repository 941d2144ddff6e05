"""What is useful at a machine, read in one snapshot: steel and jobs at hand, the last runs, what is left open, notes.

All of it is bounded, and nothing of it speaks of people. `own`, where given, is a prefix of sources: of attempts only
those that it posted are told, as in `worker.state`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any, Final

import orjson
from sqlalchemy import ColumnElement, Connection, Row, Select, and_, exists, func, literal_column, or_, select

from worker.events import ATTEMPT, CAUSE_TERMS, HANDED_OVER, MACHINE, PLATE
from worker.holds import OPEN, Cutting, Hold, holds, is_on, said, with_remnants
from worker.kept import kept_about
from worker.ledger import VOIDS, View
from worker.naming import name_key
from worker.notices import notices
from worker.notices import shown as notice_shown
from worker.noticing.finding import AUDIT, LEFT_OPEN, NEW_NAME, PROOF, SET_ASIDE, STANDING
from worker.placing import mm
from worker.plates import surface_group
from worker.reports.reading import Reader, instant, spellings
from worker.reports.released import RELEASED_STATE, Release, releases
from worker.reports.released import shown as release_shown
from worker.state import SourcePrefix, Value, jobs, own_attempts
from worker.tables import LIVE, events
from worker.trials.reading import trials

#: Runs, services and causes further back are of no use on the shop floor.
DAYS: Final = 90
MOST_STOCK: Final = 500
MOST_RUNS: Final = 300
#: So many last runs are told of each plate, and of each thickness on each machine.
LAST_RUNS: Final = 3
MOST_HANDOVERS: Final = 10
MOST_CAUSES: Final = 6
HEAT: Final = "heat"
#: Findings about entries, about the service itself, about what may be promised: no shift can act on them at a machine.
_NOT_FOR_MACHINES: Final = (NEW_NAME, LEFT_OPEN, SET_ASIDE, AUDIT, STANDING, PROOF)
#: Causes that come first while a site has named none: what an operator sees at the machine.
_USUAL_CAUSES: Final = ("nozzle_worn", "gas_pressure", "plate_surface", "height_sensing", "wrong_settings", "slats")
_NAMEABLE: Final = tuple(cause for cause in CAUSE_TERMS if cause != "other")
#: Of all machines; those of the one that is asked for are among them.
_MOST_NOTES_READ: Final = 200
#: So many are read of them, however many a large site cuts in a day.
_MOST_RUNS_READ: Final = 3_000
_DAY_US: Final = 24 * 3600 * 1_000_000
_NAMES: Final = ("attempt", "piece", "run", "job", "plate")
_PARTS: Final = ("quantity", "tried", "good", "rework", "scrap", "not_made", "pending", "in_rework")
_JOB_FIELDS: Final = (
    "job", "part_number", "material", "thickness_mm", "quantity", "good", "in_rework", "pending", "due",
)  # fmt: skip


def known(reader: Reader, *, own: SourcePrefix, machine: str | None, now_us: int) -> Value:
    """What a terminal keeps for when the network is gone. With `machine`, its runs, services and notes alone."""
    since = (reader.today(now_us) - timedelta(days=DAYS)).isoformat()
    machines = machines_of(reader, now_us=now_us)
    key = None if machine is None else reader.calendar.latest.key_of("machine", machine)
    plates = _open_plates(reader)
    runs = _Runs(reader, own, since, key, plates)
    stock = {"plates": [_plate_shown(row, runs.last_job.get(row.plate)) for row in plates]}
    jobs_open, spelled = _open_jobs(reader, runs.quantities), spellings(reader, MACHINE)
    return stock | {
        "machines": machines,
        "jobs": jobs_open,
        "trials": _trials(reader, machine, spelled),
        "notices": [notice_shown(one, spelled) for one in notices(reader, machine=machine, now_us=now_us)],
        "holds": [_hold_shown(reader, hold, plates, spelled) for hold in holds(reader, state=OPEN)],
        "releases": [
            _release_shown(reader, release, plates, jobs_open, spelled)
            for release in releases(reader, state=RELEASED_STATE, machine=machine)
        ],
        "runs": runs.last,
        **left_open(reader, own=own, now_us=now_us),
        "findings": _findings(reader, machines if machine is None else [machine], plates),
        "services": services(reader, machine=machine, now_us=now_us),
        "handovers": handovers(reader, machine=machine),
        "causes": usual_causes(reader, now_us=now_us),
    }


def machines_of(reader: Reader, *, now_us: int) -> list[str]:
    """Machines that cut something lately, and those that the site's settings name, as they are shown."""
    n, a = LIVE.names.c, LIVE.attempts.c
    cut_since = select(a.attempt).where(
        a.site == reader.site, a.machine == n.name_key, a.started_us >= now_us - DAYS * _DAY_US
    )
    query = select(n.name_key, n.spelling).where(n.site == reader.site, n.kind == MACHINE, exists(cut_since))
    found = {str(row.name_key): str(row.spelling) for row in reader.connection.execute(query)}
    settings = reader.calendar.latest
    aliases = [alias["name"] for alias in settings.values["aliases"] if alias["kind"] == MACHINE]
    rates = [one["name"] for one in settings.values["rates"].get("machines") or ()]
    for name in (*rates, *aliases):
        shown, key = settings.name_and_key(MACHINE, name)
        found[str(key)] = str(shown)
    return sorted(found.values(), key=name_key)


# --- trials -----------------------------------------------------------------------------------------------------


def _trials(reader: Reader, machine: str | None, spelled: Mapping[str, str]) -> list[Value]:
    """The next run of each trial that is not over, with its levels, by trial; of one machine alone when it is given."""
    settings = reader.calendar.latest
    key = None if machine is None else settings.key_of(MACHINE, machine)
    return [
        {
            "id": trial.name,
            "machine": _machine_shown(reader, spelled, trial.plan.machine),
            "run": following.number,
            "block": following.block,
            "levels": dict(zip((factor.name for factor in trial.plan.factors), following.levels, strict=True)),
        }
        for trial in trials(reader, with_concluded=False)
        if (following := trial.next_run) is not None and key in (None, settings.key_of(MACHINE, trial.plan.machine))
    ]


# --- what is held, and what is released -------------------------------------------------------------------------


def _hold_shown(reader: Reader, hold: Hold, plates: Sequence[Row[Any]], spelled: Mapping[str, str]) -> Value:
    """A hold, with the plates in stock that it is on; names as the terminal shows them."""
    told = hold.told
    family = set(with_remnants(reader, told["plate"])) if hold.on == PLATE else set()
    machine = told.get("machine")
    return {
        "id": hold.hold,
        "machine": None if machine is None else _machine_shown(reader, spelled, machine),
        "job": told.get("job"),
        "recipe": told.get("recipe"),
        "attempts": told.get("attempts") or [],
        "plates": [row.plate for row in plates if row.plate in family or _is_of_heat(reader, hold, row)],
        "plate": told.get("plate"),
        "detail": said(hold),
    }


def _is_of_heat(reader: Reader, hold: Hold, row: Row[Any]) -> bool:
    return hold.on == HEAT and is_on(reader, hold, Cutting(mill=row.mill, heat_number=row.heat_number))


def _machine_shown(reader: Reader, spelled: Mapping[str, str], name: str) -> str:
    shown, key = reader.calendar.latest.name_and_key(MACHINE, name)
    return spelled.get(str(key), str(shown))


def _release_shown(
    reader: Reader, release: Release, plates: Sequence[Row[Any]], open_jobs: Sequence[Value], spelled: Mapping[str, str]
) -> Value:
    """Released settings, with the plates in stock and the open jobs that they are for."""
    settings, place = reader.calendar.latest, release.place

    def fits(material: str | None, thickness: Any) -> bool:
        if material is None or thickness != mm(place.thickness_nm):
            return False
        return settings.group_of("material", material) == place.material

    told = release_shown(release)
    return {
        "machine": _machine_shown(reader, spelled, told["machine"]),
        "gas": told["gas"],
        "surface_group": told["surface_group"],
        "recipe": told["recipe"],
        "settings": told["settings"],
        "plates": [
            row.plate
            for row in plates
            if fits(row.material, mm(row.thickness_nm)) and place.surface_group in (None, surface_group(row.surface))
        ],
        "jobs": [job["job"] for job in open_jobs if fits(job["material"], job["thickness_mm"])],
    }


# --- steel and jobs at hand -------------------------------------------------------------------------------------


def _open_plates(reader: Reader) -> Sequence[Row[Any]]:
    """The plates in stock that were received last, by id."""
    p = LIVE.plates.c
    columns = (p.plate, p.material, p.thickness_nm, p.surface, p.thermal_history, p.mill, p.heat_number)
    newest = select(*columns).where(p.site == reader.site, p.state == "open")
    rows: Sequence[Any] = reader.connection.execute(
        newest.order_by(p.received_us.desc(), p.plate).limit(MOST_STOCK)
    ).all()
    return sorted(rows, key=lambda row: str(row.plate))


def _plate_shown(row: Row[Any], last_job: str | None) -> Value:
    return {
        "plate": row.plate,
        "material": row.material,
        "thickness_mm": mm(row.thickness_nm),
        "surface": row.surface,
        "thermal_history": row.thermal_history,
        "heat_number": row.heat_number,
        "last_job": last_job,
    }


def _open_jobs(reader: Reader, quantities: Mapping[str, int]) -> list[Value]:
    """Open jobs by id, with what is still to make of each and how many parts its last run was of."""
    page = jobs(reader.connection, reader.site, state="open", limit=MOST_STOCK)
    return [
        {name: job.get(name) for name in _JOB_FIELDS}
        | {"still_to_make": job["to_make"], "run_quantity": quantities.get(job["job"])}
        for job in page.items
    ]


# --- runs -------------------------------------------------------------------------------------------------------


class _Runs:
    """The last runs of each plate in stock, and of each thickness on each machine, newest first."""

    def __init__(
        self, reader: Reader, own: SourcePrefix, since: str, machine: str | None, plates: Sequence[Row[Any]]
    ) -> None:
        in_stock = {row.plate for row in plates}
        self.last: list[Value] = []
        #: Of each plate and each job its last one.
        self.last_job: dict[str, str] = {}
        self.quantities: dict[str, int] = {}
        for row in reader.connection.execute(_last_runs(reader.site, own, since)):
            if row.plate_no == 1 and row.plate in in_stock and row.job is not None:
                self.last_job[row.plate] = row.job
            if row.job_no == 1 and row.job is not None:
                self.quantities[row.job] = row.quantity
            on_plate = row.plate_no <= LAST_RUNS and row.plate in in_stock
            on_machine = row.thickness_no <= LAST_RUNS and machine in (None, row.machine)
            if (on_plate or on_machine) and len(self.last) < MOST_RUNS:
                self.last.append(_run_shown(row))


def _last_runs(site: str, own: SourcePrefix, since: str) -> Select[Any]:
    """Finished attempts that are among the last on an open plate, of an open job, or of a thickness on a machine."""
    a, p, j = LIVE.attempts.c, LIVE.plates.c, LIVE.jobs.c
    lately = (
        select(a.attempt, a.plate, a.job, a.machine, a.thickness_nm, a.started_us)
        .where(a.site == site, a.day >= since, a.state == "finished", *own_attempts(own))
        .order_by(a.day.desc(), a.combination.desc())
        .limit(_MOST_RUNS_READ)
        .cte("lately")
    )
    of = lately.c
    numbers = {
        "plate_no": of.plate,
        "job_no": of.job,
        "thickness_no": (of.machine, of.thickness_nm),
    }
    newest = (of.started_us.desc(), of.attempt.desc())
    numbered = select(
        of.attempt,
        of.plate,
        of.job,
        *(func.row_number().over(partition_by=by, order_by=newest).label(name) for name, by in numbers.items()),
    ).cte("numbered")
    n = numbered.c
    open_plates = select(p.plate).where(p.site == site, p.state == "open")
    open_jobs = select(j.job).where(j.site == site, j.state == "open")
    wanted = or_(
        n.thickness_no <= LAST_RUNS,
        and_(n.plate_no <= LAST_RUNS, n.plate.in_(open_plates)),
        and_(n.job_no == 1, n.job.in_(open_jobs)),
    )
    return (
        select(*_run_columns(), a.machine, n.plate_no, n.job_no, n.thickness_no)
        .select_from(numbered.join(LIVE.attempts, and_(a.site == site, a.attempt == n.attempt)))
        .where(wanted)
        .order_by(a.started_us.desc(), a.attempt.desc())
    )


def _run_columns() -> list[Any]:
    a = LIVE.attempts.c
    placed = (a.machine_name, a.thickness_nm, a.started_us, a.ended_us, a.outcome)
    return [*(a[name] for name in _NAMES), *placed, *(a[name] for name in _PARTS)]


def _run_shown(row: Row[Any]) -> Value:
    told = row._mapping
    return {
        **{name: told[name] for name in _NAMES},
        "machine": row.machine_name,
        "thickness_mm": mm(row.thickness_nm),
        "started_at": None if row.started_us is None else instant(row.started_us),
        "ended_at": None if row.ended_us is None else instant(row.ended_us),
        "outcome": row.outcome,
        **{name: told[name] for name in _PARTS},
    }


# --- what is left open ------------------------------------------------------------------------------------------


def left_open(reader: Reader, *, own: SourcePrefix, now_us: int, machine: str | None = None) -> Value:
    """What the next shift takes over: runs without an end, parts in rework, parts that nobody has judged."""
    a = LIVE.attempts.c
    since = (reader.today(now_us) - timedelta(days=DAYS)).isoformat()
    mine: list[ColumnElement[bool]] = [a.site == reader.site, *own_attempts(own)]
    if machine is not None:
        mine.append(a.machine == reader.calendar.latest.key_of(MACHINE, machine))

    def newest(*conditions: ColumnElement[bool]) -> list[Value]:
        query = select(*_run_columns()).where(*mine, *conditions).order_by(a.started_us.desc(), a.attempt.desc())
        return [_run_shown(row) for row in reader.connection.execute(query.limit(MOST_RUNS))]

    waiting = newest(a.day >= since, or_(a.in_rework > 0, a.pending > 0))
    return {
        "open_runs": _with_quantities(reader, newest(a.state == "open")),
        "in_rework": [run for run in waiting if run["in_rework"]],
        "unjudged": [run for run in waiting if run["pending"]],
    }


def _with_quantities(reader: Reader, runs: Sequence[Value]) -> list[Value]:
    """Open runs with the parts that they were started for: until they end they count as one."""
    told = View(reader.connection, reader.site).of_subjects(ATTEMPT, [run["attempt"] for run in runs])
    given = {
        attempt: [quantity for event in sorted(found) if (quantity := event.data.get("quantity")) is not None]
        for attempt, found in told.items()
    }
    return [run | {"quantity": (given[run["attempt"]] or [run["quantity"]])[-1]} for run in runs]


# --- what was found, serviced and handed over -------------------------------------------------------------------


def _findings(reader: Reader, machines: Iterable[str], plates: Sequence[Row[Any]]) -> list[Value]:
    heats = {(row.mill, row.heat_number) for row in plates if row.heat_number is not None}
    return findings(reader, machines=machines, plates=[row.plate for row in plates], heats=heats)


def findings(
    reader: Reader,
    *,
    machines: Iterable[str],
    plates: Iterable[str] = (),
    heats: Iterable[tuple[str | None, str]] = (),
) -> list[Value]:
    """Open findings about these machines, plates and heats (mill, number), as the last look left them."""
    settings = reader.calendar.latest
    subjects = {(PLATE, plate) for plate in plates}
    for name in machines:
        subjects |= {(MACHINE, name), (MACHINE, settings.key_of(MACHINE, name))}
    of_mills: dict[str, set[str]] = {}
    for mill, heat in heats:
        subjects.add((HEAT, heat))
        of_mills.setdefault(heat, set()).add(name_key(mill or ""))
    if not subjects:
        return []
    return [
        {"id": one.finding.id, "kind": one.finding.kind, "detail": one.finding.detail}
        for one in kept_about(reader.connection, reader.site, subjects)
        if one.finding.kind not in _NOT_FOR_MACHINES
        # Two mills may give two heats one number.
        and (one.finding.subject_kind != HEAT or name_key(one.finding.other or "") in of_mills[one.finding.subject])
    ]


def services(reader: Reader, *, machine: str | None = None, now_us: int) -> list[Value]:
    """When each thing was last serviced on each machine, the newest first."""
    s = LIVE.services.c
    settings = reader.calendar.latest
    query = (
        select(s.machine, s.what, func.max(s.machine_name).label("name"), func.max(s.time_us).label("time_us"))
        .where(s.site == reader.site, s.day >= (reader.today(now_us) - timedelta(days=4 * DAYS)).isoformat())
        .group_by(s.machine, s.what)
        .order_by(func.max(s.time_us).desc(), s.machine, s.what)
    )
    if machine is not None:
        query = query.where(s.machine == settings.key_of(MACHINE, machine))
    spelled = spellings(reader, MACHINE)
    return [
        {"machine": spelled.get(row.machine, row.name), "what": row.what, "at": instant(row.time_us)}
        for row in reader.connection.execute(query)
    ]


def handovers(reader: Reader, *, machine: str | None = None, limit: int = MOST_HANDOVERS) -> list[Value]:
    """The last notes that were handed over to the next shift, newest first; voided ones are none."""
    settings = reader.calendar.latest
    key = None if machine is None else settings.key_of(MACHINE, machine)
    spelled = spellings(reader, MACHINE)
    found: list[Value] = []
    for subject, time_us, payload in reader.connection.execute(_newest_handovers(reader)):
        name = settings.key_of(MACHINE, subject)
        if key in (None, name) and len(found) < limit:
            note = orjson.loads(payload)["data"]["note"]
            found.append({"machine": spelled.get(name, subject), "note": note, "at": instant(time_us)})
    return found


def handover_under(connection: Connection, site: str, source: str, event_id: str) -> tuple[str, str] | None:
    """(machine, note) of the hand-over under this source and id."""
    e = events.c
    query = select(e.subject, e.payload).where(e.site == site, e.source == source, e.id == event_id)
    found = connection.execute(query.where(e.type == HANDED_OVER)).one_or_none()
    return None if found is None else (found.subject, orjson.loads(found.payload)["data"]["note"])


def _newest_handovers(reader: Reader) -> Select[Any]:
    e, v = events.c, VOIDS.c
    # Owed ones too: a note counts nowhere, and whoever wrote it looks for it at once.
    voided = exists().where(v.site == reader.site, v.void_source == e.source, v.void_id == e.id)
    # Written out, not bound: only so there is an index of these few.
    handed_over = e.type == literal_column(f"'{HANDED_OVER}'")
    query = select(e.subject, e.time_us, e.payload).where(e.site == reader.site, handed_over, ~voided)
    return query.order_by(e.time_us.desc(), e.source, e.id).limit(_MOST_NOTES_READ)


# --- causes -----------------------------------------------------------------------------------------------------


def usual_causes(reader: Reader, *, now_us: int) -> list[str]:
    """The causes named on most lost parts lately, filled up by what an operator sees at the machine."""
    lost = LIVE.lost_parts.c
    since = (reader.today(now_us) - timedelta(days=DAYS)).isoformat()
    parts = func.sum(lost.parts_named)
    query = (
        select(lost.word)
        .where(lost.site == reader.site, lost.sort == "cause", lost.day >= since, lost.word.in_(_NAMEABLE))
        .group_by(lost.word)
        .order_by(parts.desc(), lost.word)
        .limit(MOST_CAUSES)
    )
    named = list(reader.connection.execute(query).scalars())
    return list(dict.fromkeys((*named, *_USUAL_CAUSES)))[:MOST_CAUSES]
