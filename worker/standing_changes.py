"""What of the standings changed in a window, as the findings tell it that were kept of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, Final

import orjson
from sqlalchemy import select

from worker.kept import STATES, kept
from worker.noticing.finding import STANDING
from worker.noticing.standings import CODE
from worker.reports.reading import Reader
from worker.reports.standing import KEYS
from worker.tables import finding_changes

#: What makes it one change: which cell, on which day, to what.
_SAME: Final = (*KEYS, "day", "to")


def standing_changes(reader: Reader, first_day: date, last_day: date) -> list[Mapping[str, Any]]:
    """Standings that changed on these days, by day: the columns of report standing that name the cell, from, to, day.

    With the parts, good ones, plates and bounds on which that rests. A look that found more than a finding lists kept
    no more than that. What is told again by a later look stands as that look tells it.
    """
    found: dict[tuple[Any, ...], Mapping[str, Any]] = {}
    for figures in _figures(reader):
        for row in figures.get("standings", ()):
            if first_day.isoformat() <= row["day"] <= last_day.isoformat():
                found[tuple(row.get(name) for name in _SAME)] = row
    return sorted(found.values(), key=lambda row: [row["day"], *((row[key] is None, row[key] or 0) for key in KEYS)])


def _figures(reader: Reader) -> Iterable[Mapping[str, Any]]:
    """Figures of all findings of changed standings: as they were when one was opened or closed, then as they are."""
    c = finding_changes.c
    then = select(c.figures).where(c.site == reader.site, c.code == CODE).order_by(c.at_us, c.number)
    for (text,) in reader.connection.execute(then):
        yield orjson.loads(text)
    for one in kept(reader.connection, reader.site, kinds=(STANDING,), states=STATES):
        yield one.finding.figures
