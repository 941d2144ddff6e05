"""The counterpart of tallies: the same answer as a report's, by a GROUP BY over the attempts."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from tests.bench.places import Place
from tests.builders import SITE
from worker.database import Database
from worker.events import NM_PER_MM
from worker.sums import attempt_sums
from worker.tables import LIVE, TALLY_SUMS

#: Sums that a report shows under the same name: by them the two answers are compared.
COMPARED: Final = ("attempts", "parts_tried", "first_pass_good", "good", "rework", "scrap", "pierces", "failed_pierces")
Answer = dict[float, tuple[int, ...]]


class AnswersDiffer(Exception):
    """The report does not say what the attempts add up to."""


def group_attempts(place: Place, first_day: date, last_day: date) -> tuple[float, Answer]:
    """(seconds, by thickness in mm the sums of COMPARED) of the window's production attempts; all sums are made."""
    a = LIVE.attempts.c
    window = (a.day >= first_day.isoformat(), a.day <= last_day.isoformat())
    where = (a.site == SITE, *window, a.purpose == "production")
    query = attempt_sums(LIVE.attempts, by=[a.thickness_nm], where=where)
    database = Database(place.database_url)
    try:
        with database.read() as connection:
            began = time.perf_counter()
            rows = connection.execute(query).all()
            seconds = time.perf_counter() - began
    finally:
        database.close()
    sums = [(row[0], dict(zip(TALLY_SUMS, row[1:], strict=True))) for row in rows]
    return seconds, {nm / NM_PER_MM: tuple(found[name] for name in COMPARED) for nm, found in sums}


def compare(report: Mapping[str, Any], grouped: Answer) -> None:
    """Raise AnswersDiffer unless a report by thickness says the same."""
    shown = {float(row["thickness_mm"]): tuple(row[name] for name in COMPARED) for row in report["rows"]}
    if shown != grouped:
        raise AnswersDiffer(f"the report has {len(shown)} rows, the attempts {len(grouped)}; {shown} is not {grouped}")
