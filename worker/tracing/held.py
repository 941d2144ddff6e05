"""Which open holds are on what a trace reached: on its steel, machines, jobs, or on the parts of its attempts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from worker.holds import OPEN, Cutting, Hold, holds, is_on, said
from worker.reports.reading import Reader
from worker.sentences import Sentence


def held_in(reader: Reader, told: Mapping[str, Any]) -> list[Sentence]:
    """A sentence for each open hold on anything that a trace tells of, by id."""
    return [said(hold) for hold in holds(reader, state=OPEN, with_owed=False) if _is_in(reader, hold, told)]


def _is_in(reader: Reader, hold: Hold, told: Mapping[str, Any]) -> bool:
    return any(is_on(reader, hold, cutting) for cutting in _cuttings(hold, told))


def _cuttings(hold: Hold, told: Mapping[str, Any]) -> list[Cutting]:
    """What of a trace a hold may be on."""
    match hold.on:
        case "heat":
            return [Cutting(mill=one["mill"], heat_number=one["heat_number"]) for one in told["heats"]]
        case "plate":
            return [Cutting(plates=[one["plate"] for one in told["plates"]])]
        case "machine":
            names = {one["machine"] for one in told["attempts"] if one["machine"] is not None}
            return [Cutting(machine=name) for name in sorted(names)]
        case "job":
            return [Cutting(job=one["job"]) for one in told["jobs"]]
        case "attempts":
            return [Cutting(attempt=one["attempt"]) for one in told["attempts"]]
        case _:
            # Attempts tell their recipe as one text.
            names = {one["recipe"] for one in told["attempts"] if one["recipe"] is not None}
            return [
                Cutting(recipe={"name": name, "revision": revision or None})
                for name, _, revision in (each.partition(" / ") for each in sorted(names))
            ]
