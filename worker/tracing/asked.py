"""What a trace is asked from, found in the past of a site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

from worker.events import ATTEMPT, JOB, MACHINE, PLATE
from worker.folding import instant_us
from worker.naming import name_key
from worker.tables import LIVE
from worker.tracing.checks import Known, is_machine, known
from worker.tracing.past import SitePast, began_from, ended_or_began_since, within_days
from worker.tracing.walk import HEAT, MOST_NODES, ORDER, RUN, Row, Starts

HEAT_NUMBER: Final = "heat_number"
#: What a trace may start from, by the parameter that names it.
STARTS: Final = (JOB, ATTEMPT, PLATE, HEAT_NUMBER, ORDER, RUN, MACHINE)
#: Attempts on a machine are at most so many of the nodes, so that their steel and orders are told, too.
MOST_ON_MACHINE: Final = MOST_NODES // 4


class StartUnknown(LookupError):
    """A trace is asked from something that the site knows nothing of."""

    def __init__(self, kind: str, name: str) -> None:
        super().__init__(f"no {kind.replace('_', ' ')} {name!r} is known here; it may be spelled otherwise")


@dataclass(frozen=True)
class Asked:
    """Where a trace begins: one of STARTS with its id; mill: of a heat number; days: of a machine, both included."""

    kind: str
    name: str
    mill: str | None = None
    first_day: date | None = None
    last_day: date | None = None


@dataclass(frozen=True)
class Found:
    """The starts of a trace; other_mills: plates of the heat number that are not of the mill asked for."""

    starts: Starts
    other_mills: int = 0


@dataclass(frozen=True)
class SinceAsked:
    """Attempts on a machine since it was last known to be in order: by what, and up to when (microseconds)."""

    machine: str
    by: str
    until_us: int | None = None


def find(past: SitePast, asked: Asked) -> Found:
    """The starts of a trace; raises StartUnknown."""
    if asked.kind == HEAT_NUMBER:
        return _of_heat(past, asked)
    if asked.kind == MACHINE:
        return Found(_on_machine(past, asked))
    starts = _ONE[asked.kind](past, asked.name)
    if starts is None:
        raise StartUnknown(asked.kind, asked.name)
    return Found(starts)


def _of_heat(past: SitePast, asked: Asked) -> Found:
    plates = past.of_heat(asked.name, most=MOST_NODES + 1)
    mine = [row for row in plates if asked.mill is None or name_key(row["mill"] or "") == name_key(asked.mill)]
    if not mine:
        raise StartUnknown(HEAT, asked.name if asked.mill is None else f"{asked.name} of {asked.mill}")
    starts = Starts(heats=mine[:MOST_NODES], cut_off=len(plates) > MOST_NODES)
    return Found(starts, other_mills=len(plates) - len(mine))


def _of_attempt(past: SitePast, name: str) -> Starts | None:
    rows = past.on_piece(name, most=MOST_NODES)
    return Starts(attempts=rows[:MOST_NODES], cut_off=len(rows) > MOST_NODES) if rows else None


def _of_run(past: SitePast, name: str) -> Starts | None:
    rows = past.attempts(RUN, [name], most=MOST_NODES + 1)
    return Starts(attempts=rows[:MOST_NODES], cut_off=len(rows) > MOST_NODES) if rows else None


def _of_plate(past: SitePast, name: str) -> Starts | None:
    is_known = past.plates([name]) or past.attempts(PLATE, [name], most=1) or past.remnants([name], most=1)
    return Starts(plates=[name]) if is_known else None


def _of_job(past: SitePast, name: str) -> Starts | None:
    return Starts(jobs=[name]) if past.jobs([name]) or past.attempts(JOB, [name], most=1) else None


def _of_order(past: SitePast, name: str) -> Starts | None:
    jobs = past.of_order(name)
    return Starts(orders=[name], ordered=jobs) if jobs else None


_ONE: Final = {ATTEMPT: _of_attempt, RUN: _of_run, PLATE: _of_plate, JOB: _of_job, ORDER: _of_order}


def _on_machine(past: SitePast, asked: Asked) -> Starts:
    if not is_machine(past, asked.name):
        raise StartUnknown(MACHINE, asked.name)
    first, last = asked.first_day or date.min, asked.last_day or date.max
    which = within_days(
        first.isoformat(), last.isoformat(),
        first_us=_us(max(first, _FIRST_DAY)), last_us=_us(min(last, _LAST_DAY)),
    )  # fmt: skip
    return _starts_of(past.on_machine(past.machine_keys(asked.name), which, most=MOST_ON_MACHINE + 1))


#: No event is from before, or that far ahead.
_FIRST_DAY: Final = date(1999, 1, 1)
_LAST_DAY: Final = date(2200, 1, 1)


def _us(day: date) -> int:
    return instant_us(datetime(day.year, day.month, day.day, tzinfo=UTC).isoformat())


def since_known(past: SitePast, asked: SinceAsked) -> tuple[Starts, Known]:
    """The attempts on a machine since it was last known to be in order; all, where that is not known.

    Raises StartUnknown.
    """
    if not is_machine(past, asked.machine):
        raise StartUnknown(MACHINE, asked.machine)
    found = known(past, asked.machine, before_us=asked.until_us)
    bound_us = found.bound_us(asked.by)
    which: list[Any] = [] if bound_us is None else [began_from(bound_us), ended_or_began_since(bound_us)]
    if found.attempt is not None and bound_us == found.attempt.at_us:
        # What it was inspected by is what it is: one without a known end would else be among those after it.
        which.append(LIVE.attempts.c.attempt != found.attempt.row["attempt"])
    if asked.until_us is not None:
        which.append(LIVE.attempts.c.started_us < asked.until_us)
    return _starts_of(past.on_machine(past.machine_keys(asked.machine), which, most=MOST_ON_MACHINE + 1)), found


def _starts_of(rows: list[Row]) -> Starts:
    return Starts(attempts=rows[:MOST_ON_MACHINE], cut_off=len(rows) > MOST_ON_MACHINE)
