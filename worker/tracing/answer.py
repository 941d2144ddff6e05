"""A trace as plain values: nodes by kind with their facts, links, counts, rows; and what it does not reach, said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from worker.events import ATTEMPT, JOB, PLATE
from worker.placing import mm
from worker.plates import UNKNOWN
from worker.reports.plain import as_of_plain
from worker.reports.reading import Reader, instant
from worker.tracing.asked import HEAT_NUMBER, Asked, SinceAsked, find, since_known
from worker.tracing.checks import Known
from worker.tracing.held import held_in
from worker.tracing.notes import notes_of, said_of_bounds
from worker.tracing.past import PARTS, SitePast
from worker.tracing.walk import BOTH, HEAT, MOST_NODES, ORDER, RUN, Key, Link, Node, Row, Trace, heat_key, walk

Value = dict[str, Any]
#: The columns of a trace as rows: one an attempt, with its steel and its order.
COLUMNS: Final = (
    "attempt", "side", "state", "day", "started_at", "ended_at", "machine", "recipe", "gas", "run", "piece",
    "attempt_no", "retry_of", "outcome", "stop_reason", *PARTS, "job", "part_number", "order", "plate", "parent",
    "material", "thickness_mm", "heat_number", "mill", "supplier", "certificate",
)  # fmt: skip
_STEEL: Final = ("supplier", "certificate")


def trace(reader: Reader, asked: Asked, *, direction: str = BOTH, most: int = MOST_NODES) -> Value:
    """What lies back and forward of a start. Raises StartUnknown."""
    past = SitePast(reader)
    found = find(past, asked)
    walked = walk(past, found.starts, direction=direction, most=most)
    notes = notes_of(walked, direction, asked, found)
    start = {
        "kind": HEAT if asked.kind == HEAT_NUMBER else asked.kind,
        "id": asked.name,
        "mill": asked.mill,
        "first_day": asked.first_day,
        "last_day": asked.last_day,
    }
    told = _whole(reader, walked, start, direction)
    return told | {"notes": [*held_in(reader, told), *notes]}


def trace_since(reader: Reader, asked: SinceAsked, *, most: int = MOST_NODES) -> Value:
    """All that was cut on a machine since it was last known to be in order. Raises StartUnknown."""
    past = SitePast(reader)
    starts, found = since_known(past, asked)
    walked = walk(past, starts, most=most)
    start = {"kind": "machine", "id": asked.machine, "mill": None, "first_day": None, "last_day": None}
    notes = [*said_of_bounds(asked, found), *notes_of(walked, BOTH)]
    told = _whole(reader, walked, start, BOTH)
    return told | {"since": _since(asked, found), "notes": [*held_in(reader, told), *notes]}


def rows(told: Mapping[str, Any]) -> list[Value]:
    """The attempts of a trace, each with its steel and its order as far as these are in it."""
    plates = {one["plate"]: one for one in told["plates"]}
    jobs = {one["job"]: one for one in told["jobs"]}
    found = []
    for one in told["attempts"]:
        plate, job = plates.get(one["plate"], {}), jobs.get(one["job"], {})
        of = {"parent": plate.get("parent"), "order": job.get("order"), **{name: plate.get(name) for name in _STEEL}}
        flat = {**one, **one["parts"], **of}
        times = {name: flat[name] and flat[name].isoformat() for name in ("started_at", "ended_at")}
        found.append({name: (flat | times)[name] for name in COLUMNS})
    return found


# --- nodes ------------------------------------------------------------------------------------------------------


def _whole(reader: Reader, walked: Trace, start: Value, direction: str) -> Value:
    attempts = [node.row for node in walked.of(ATTEMPT) if node.row is not None]
    made = {name: _made_by(attempts, name) for name in (PLATE, JOB, RUN)}
    jobs = walked.of(JOB)
    order_of = {node.key.name: node.row[ORDER] for node in jobs if node.row is not None}
    made[ORDER] = _made(attempts, lambda row: order_of.get(row[JOB]))
    plates = walked.of(PLATE)
    heats = {node.key: _heat(node, plates) for node in walked.of(HEAT)}
    mills = {key: heat["mill"] for key, heat in heats.items()}
    return {
        "site": reader.site,
        "as_of": as_of_plain(reader.as_of),
        "start": start,
        "direction": direction,
        "heats": [*heats.values()],
        "plates": [_plate(node) | {"made": made[PLATE].get(node.key.name, _nothing())} for node in plates],
        "runs": [_named(node, RUN) | {"made": made[RUN].get(node.key.name, _nothing())} for node in walked.of(RUN)],
        "attempts": [_attempt(node) for node in walked.of(ATTEMPT)],
        "jobs": [_job(node) | {"made": made[JOB].get(node.key.name, _nothing())} for node in jobs],
        "orders": [
            _named(node, ORDER) | {"made": made[ORDER].get(node.key.name, _nothing())} for node in walked.of(ORDER)
        ],
        "links": [_link(link, mills) for link in walked.links()],
        "counts": _counts(walked, attempts),
        "most": walked.most,
        "cut_off": walked.cut_off,
    }


def _counts(walked: Trace, attempts: Sequence[Row]) -> Value:
    kinds = {"heats": HEAT, "plates": PLATE, "runs": RUN, "jobs": JOB, "orders": ORDER}
    return {name: len(walked.of(kind)) for name, kind in kinds.items()} | _sum(attempts)


def _sum(attempts: Iterable[Row]) -> Value:
    found = _nothing()
    for row in attempts:
        found["attempts"] += 1
        for name in PARTS:
            found[name] += row[name]
    return found


def _nothing() -> Value:
    return {"attempts": 0, **dict.fromkeys(PARTS, 0)}


def _made_by(attempts: Iterable[Row], column: str) -> dict[str, Value]:
    return _made(attempts, lambda row: row[column])


def _made(attempts: Iterable[Row], owner: Any) -> dict[str, Value]:
    """What the attempts of each owner made."""
    of: dict[str, list[Row]] = {}
    for row in attempts:
        if (name := owner(row)) is not None:
            of.setdefault(name, []).append(row)
    return {name: _sum(mine) for name, mine in of.items()}


def _named(node: Node, name: str) -> Value:
    return {name: node.key.name, "side": node.side}


def _heat(node: Node, plates: Iterable[Node]) -> Value:
    """A heat, with what the plates that were reached say of it; spelled as the first of them spells it."""
    from_it = [one.row for one in plates if one.row is not None and _is_of(one.row, node)]

    def said(column: str) -> list[str]:
        return sorted({row[column] for row in from_it if row[column] is not None})

    return {
        "heat_number": node.key.name,
        "mill": next(iter(said("mill")), node.key.mill or None),
        "side": node.side,
        "suppliers": said("supplier"),
        "certificates": said("certificate"),
        "plates": len(from_it),
    }


def _is_of(row: Row, heat: Node) -> bool:
    return heat_key(row) == heat.key


def _plate(node: Node) -> Value:
    row = node.row or {}
    plain = ("parent", "material", "mill", "heat_number", "supplier", "certificate", "delivery_condition")
    return {
        "plate": node.key.name,
        "side": node.side,
        "state": row.get("state", UNKNOWN),
        **{name: row.get(name) for name in plain},
        "thickness_mm": mm(row.get("thickness_nm")),
        "surface": row.get("surface"),
        "thermal_history": row.get("thermal_history"),
        "received_at": _at(row.get("received_us")),
    }


def _attempt(node: Node) -> Value:
    row = node.row or {}
    plain = (
        "state", "attempt_no", "job", "part_number", "plate", "run", "piece", "retry_of", "gas", "day", "outcome",
        "stop_reason", "mill", "heat_number",
    )  # fmt: skip
    return {
        "attempt": node.key.name,
        "side": node.side,
        **{name: row[name] for name in plain},
        "machine": row["machine_name"],
        "recipe": row["recipe_name"],
        "material": row["material_name"],
        "thickness_mm": mm(row["thickness_nm"]),
        "started_at": _at(row["started_us"]),
        "ended_at": _at(row["ended_us"]),
        "parts": {name: row[name] for name in PARTS},
    }


def _job(node: Node) -> Value:
    row = node.row or {}
    plain = ("part_number", "order", "quantity", "material", "purpose", "due")
    return {
        "job": node.key.name,
        "side": node.side,
        "state": row.get("state", UNKNOWN),
        **{name: row.get(name) for name in plain},
        "thickness_mm": mm(row.get("thickness_nm")),
    }


def _link(link: Link, mills: Mapping[Key, str | None]) -> Value:
    """A link; mill: of the heat that it leads from, since two mills may give two heats one number."""
    parent, child = link
    ids = {"parent": parent.name, "child": child.name}
    return {"kind": f"{parent.kind}_{child.kind}", **ids, "mill": mills.get(parent)}


def _at(us: int | None) -> Any:
    return None if us is None else instant(us)


def _since(asked: SinceAsked, found: Known) -> Value:
    check, attempt = found.check, found.attempt
    return {
        "machine": asked.machine,
        "by": asked.by,
        "until": _at(asked.until_us),
        "since_at": _at(found.bound_us(asked.by)),
        "last_check": check
        and {
            "at": instant(check.at_us),
            "source": check.act.event.source,
            "id": check.act.event.id,
            "position": check.act.position,
            "checks": [{"what": one["what"], "found": one["found"]} for one in check.act.event.data["checks"]],
        },
        "last_inspected": attempt
        and {
            "at": instant(attempt.at_us),
            "attempt": attempt.row["attempt"],
            "job": attempt.row["job"],
            "plate": attempt.row["plate"],
            "good": attempt.row["good"],
        },
    }
