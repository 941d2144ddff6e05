"""Edge quality over the trials of a series: each cut once, by the mean of its readings, in ranges of ISO 9013:2017."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import func, select

from worker.batches import in_batches
from worker.edge_quality import in_scope
from worker.events import NM_PER_MM
from worker.readings import DROSS, OF_THE_CUT
from worker.reports.edge_ranges import FIGURES, Figure
from worker.reports.measured import EDITION
from worker.reports.reading import Reader
from worker.sentences import Sentence, counted, figure, sentence

#: What goes with every range that is told.
BASIS: Final = sentence(
    "ranges of u and Rz5 are computed from published restatements of ISO 9013:%(edition)s, of the mean of each cut's "
    "readings; no conformity is claimed",
    edition=str(EDITION),
)


class _Measured(NamedTuple):
    readings: int
    mean_nm: float
    largest_nm: int


def edges_of(reader: Reader, attempts: Sequence[str], *, thickness_mm: float) -> list[dict[str, Any]]:
    """A row each for u, Rz5 and slag, where any was measured of the cut itself; square cuts of one thickness (mm)."""
    found = _read(reader, attempts)
    rows = [_ranged(each, found[each.sort], thickness_mm) for each in FIGURES if found[each.sort]]
    if found[DROSS]:
        rows.append(_plain(DROSS, "mm", NM_PER_MM, found[DROSS]))
    return rows


def _read(reader: Reader, attempts: Sequence[str]) -> dict[str, list[_Measured]]:
    r = reader.tables.readings.c
    found: dict[str, list[_Measured]] = defaultdict(list)
    for some in in_batches(attempts):
        query = (
            select(r.attempt, r.sort, func.count(), func.sum(r.value_nm), func.max(r.value_nm))
            .where(r.site == reader.site, r.attempt.in_(some), r.stage.in_(OF_THE_CUT))
            .where(r.sort.in_([*(each.sort for each in FIGURES), DROSS]))
            .group_by(r.attempt, r.sort)
            .order_by(r.attempt, r.sort)
        )
        for _, sort, readings, total_nm, largest_nm in reader.connection.execute(query):
            found[sort].append(_Measured(readings, int(total_nm) / readings, largest_nm))
    return found


def _plain(sort: str, unit: str, nm: int, measured: Sequence[_Measured]) -> dict[str, Any]:
    return {
        "figure": sort,
        "unit": unit,
        "cuts": len(measured),
        "readings": sum(one.readings for one in measured),
        "mean": round(sum(one.mean_nm for one in measured) / len(measured) / nm, 6),
        "worst_cut": round(max(one.mean_nm for one in measured) / nm, 6),
        "largest_reading": max(one.largest_nm for one in measured) / nm,
        "ranges": [],
        "kept_by_all": None,
        "limit": None,
    }


def _ranged(each: Figure, measured: Sequence[_Measured], thickness_mm: float) -> dict[str, Any]:
    found = [each.range_of(one.mean_nm / each.nm, thickness_mm=thickness_mm) for one in measured]
    counts = Counter(found)
    worst = None if None in counts else max(number for number in found if number is not None)
    return _plain(each.sort, each.unit, each.nm, measured) | {
        "ranges": [{"range": number, "cuts": counts[number]} for number in (*range(1, each.ranges + 1), None)],
        "kept_by_all": worst,
        "limit": None if worst is None else round(each.limit(worst, thickness_mm=thickness_mm), 6),
    }


def notes_on(rows: Sequence[dict[str, Any]], *, trials: int, thickness_mm: float) -> Iterator[Sentence]:
    """What the ranges rest on, and how far the standard goes."""
    if not rows:
        yield sentence("no edge of its trials was measured")
        return
    yield BASIS
    if in_scope(thickness_mm, edition=EDITION) is False:
        yield sentence(
            "%(thickness)s mm lies outside of 0.5 to 32 mm, where ISO 9013:%(edition)s ends for laser: its formulas "
            "are carried on",
            thickness=figure(thickness_mm, ""),
            edition=str(EDITION),
        )
    if (unmeasured := trials - max(row["cuts"] for row in rows)) > 0:
        yield counted(
            unmeasured,
            "the edge of %(count)s trial was not measured",
            "the edges of %(count)s trials were not measured",
        )
