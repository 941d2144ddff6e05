"""Events as senders write them, and what the door makes of a body: builders for the tests of the door."""

from __future__ import annotations

import json
from typing import Any

from service.acceptance import Judged, People, judge
from service.bodies import parse_items
from service.faults import Fault
from service.schemas.examples import EXAMPLES

#: 2026-03-09T12:00:00Z
NOW_US = 1_773_057_600_000_000
KEY = b"a site's secret key of 32 bytes!"
PEOPLE = People("pseudonym", KEY)

FINISHED = "cutledger.attempt.finished"
STARTED = "cutledger.attempt.started"
INSPECTED = "cutledger.attempt.inspected"
REWORKED = "cutledger.attempt.reworked"
ASSESSED = "cutledger.plate.assessed"
RECEIVED = "cutledger.plate.received"
JOB = "cutledger.job.opened"
SITE = "cutledger.site.set"
PROOF = "cutledger.proof.planned"
NOTED = "cutledger.finding.noted"
VOIDED = "cutledger.event.voided"

#: The least data that each event type takes.
MINIMAL: dict[str, dict[str, Any]] = {
    "cutledger.job.opened": {"part_number": "B", "quantity": 1, "material": "S355", "thickness_in": "3/4"},
    "cutledger.job.closed": {"reason": "cancelled"},
    "cutledger.plate.received": {"material": "S355", "thickness_mm": 20},
    "cutledger.plate.assessed": {"rust_grade": "A"},
    "cutledger.plate.closed": {"reason": "used"},
    "cutledger.attempt.started": {},
    "cutledger.attempt.finished": {"outcome": "severed"},
    "cutledger.attempt.inspected": {"scrap": 0},
    "cutledger.attempt.reworked": {"operation": "other", "minutes": 0.001, "parts": 1},
    "cutledger.machine.serviced": {"what": "lens"},
    "cutledger.shift.handed_over": {"note": "plate on the table"},
    "cutledger.site.set": {"valid_from": "2026-03-02", "people": "drop"},
    "cutledger.finding.noted": {"worked": False},
    "cutledger.proof.planned": {
        "reliability": 0.95, "confidence": 0.95, "thickness_mm": 28, "machine": "laser-2", "material": "S355",
    },
    "cutledger.machine.checked": {"checks": [{"what": "gas", "found": "in_order"}]},
    "cutledger.recipe.released": {
        "machine": "laser-2", "material": "S355", "thickness_mm": 20, "gas": "oxygen",
        "recipe": {"name": "O20", "revision": "A"}, "reason": "proven",
    },
    "cutledger.recipe.withdrawn": {
        "machine": "laser-2", "material": "S355", "thickness_mm": 20, "gas": "oxygen", "reason": "drifts",
    },
    "cutledger.hold.placed": {"plate": "P-1", "reason": "pitted"},
    "cutledger.hold.lifted": {"reason": "blasted"},
    "cutledger.trial.planned": {
        "question": "slower?", "machine": "laser-2", "material": "S355", "thickness_mm": 20, "response": "pierces",
        "factors": [{"name": "feed_mm_min", "levels": [850, 950]}], "runs": [{"levels": [950]}],
    },
    "cutledger.trial.cut": {"run": 1, "attempt": "A-1"},
    "cutledger.trial.concluded": {"reason": "complete", "conclusion": "it is"},
    "cutledger.event.voided": {"source": "/t/1", "id": "e-1", "reason": "twice"},
}  # fmt: skip


def event(kind: str = "cutledger.attempt.finished", data: Any = None, **envelope: Any) -> dict[str, Any]:
    """An event with the least data of its type or the data given; an envelope field given as ... is left out."""
    sent = {
        "specversion": "1.0",
        "id": "e-7",
        "source": "/terminals/bay-2",
        "type": kind,
        "subject": "A-1",
        "time": "2026-03-02T06:15:00+01:00",
        "data": MINIMAL.get(kind, {}) if data is None else data,
    } | envelope
    return {name: value for name, value in sent.items() if value is not ...}


def with_data(kind: str, **fields: Any) -> dict[str, Any]:
    """An event with the least data of its type and these fields besides."""
    return event(kind, MINIMAL[kind] | fields)


def full(kind: str) -> dict[str, Any]:
    """A copy of the full example of a type."""
    copied: dict[str, Any] = json.loads(json.dumps(EXAMPLES[kind]))
    return copied


def door(body: bytes | str | dict[str, Any], people: People = PEOPLE) -> Judged | list[Fault]:
    """What the door makes of a body that is one event."""
    if isinstance(body, dict):
        body = json.dumps(body)
    raw = body.encode("utf-8", "surrogatepass") if isinstance(body, str) else body
    (item,) = parse_items(raw, "application/json").items
    return item.faults or judge(item.value, now_us=NOW_US, people=people, pointer=item.pointer)


def accepted(body: bytes | str | dict[str, Any], people: People = PEOPLE) -> Judged:
    """The event that the door accepted."""
    judged = door(body, people)
    assert isinstance(judged, Judged), judged
    return judged


def refused(body: bytes | str | dict[str, Any]) -> list[Fault]:
    """The faults for which the door refused an event."""
    faults = door(body)
    assert isinstance(faults, list), faults
    return faults


def job(**fields: Any) -> dict[str, Any]:
    """A job.opened without thickness, and these fields."""
    return event(JOB, {"part_number": "B", "quantity": 4, "material": "S355"} | fields)


def raw(member: str) -> str:
    """An event with this raw JSON member in its data."""
    return json.dumps(event(data={"outcome": "severed"}))[:-2] + f", {member}}}}}"
