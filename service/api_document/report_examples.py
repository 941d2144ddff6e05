"""A report of two thicknesses in an invented week, made by the code that makes reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any, Final, cast

import orjson
from sqlalchemy import Connection

from service.formats import report_csv
from worker.reports.catalogue import Entry
from worker.reports.plain import json_bytes, report_plain
from worker.reports.questions import read_question
from worker.reports.reading import Reader, added, assemble
from worker.reports.report import AsOf, Report
from worker.sites import DEFAULTS, Settings, SiteCalendar
from worker.tables import REWORK_SUMS, TALLY_SUMS

Sums = dict[str, int]
_NOTHING: Final = dict.fromkeys((*TALLY_SUMS, *REWORK_SUMS), 0)
_TWENTY: Final[Sums] = _NOTHING | {
    "attempts": 42, "first_attempts": 40, "parts_tried": 168, "parts_started": 160, "parts_judged_first": 150,
    "pending_first": 10, "first_pass_good": 138, "good": 144, "rework": 6, "scrap": 3, "not_made": 5, "pending": 10,
    "recovered": 4, "scrapped": 1, "in_rework": 1, "released": 20, "hidden": 1, "pierces": 840, "failed_pierces": 13,
    "attempts_without_pierces": 2, "rework_minutes_e3": 187_500, "cutting_ms": 17_325_500, "lost_us": 824_760_000,
    "interruptions": 3, "scrap_mass_mg": 62_800_000, "cost_e6": 248_020_000, "lost_pierce": 5, "lost_sever": 3,
    "lost_surface": 4, "lost_size": 1, "lost_unstated": 1, "first_lost_pierce": 4, "first_lost_sever": 3,
    "first_lost_surface": 3, "first_lost_size": 1, "first_lost_unstated": 1, "rework_entries": 5,
    "booked_rework_minutes_e3": 187_500, "finishing_minutes_e3": 60_000, "parts_reworked": 6,
    "booked_rework_cost_e6": 143_750_000,
}  # fmt: skip
_FORTY: Final[Sums] = _NOTHING | {
    "attempts": 9, "first_attempts": 8, "parts_tried": 18, "parts_started": 16, "parts_judged_first": 16,
    "first_pass_good": 12, "good": 14, "rework": 1, "scrap": 1, "not_made": 2, "recovered": 1, "pierces": 90,
    "failed_pierces": 6, "rework_minutes_e3": 40_000, "cutting_ms": 9_450_000, "lost_us": 1_575_000_000,
    "scrap_mass_mg": 94_200_000, "cost_e6": 191_497_000, "lost_pierce": 2, "lost_sever": 1, "lost_surface": 1,
    "first_lost_pierce": 2, "first_lost_sever": 1, "first_lost_surface": 1, "rework_entries": 1,
    "booked_rework_minutes_e3": 40_000, "parts_reworked": 1, "booked_rework_cost_e6": 30_667_000,
}  # fmt: skip
_SITE: Final = Settings(date.min, {**DEFAULTS, "rates": {"currency": "EUR", "labour_per_hour": 46}})
_DECIMALS: Final = 6


def report_json_example(entry: Entry) -> Any:
    """Its answer as JSON."""
    return orjson.loads(json_bytes(report_plain(_report(entry))))


def report_csv_example(entry: Entry) -> str:
    """Its answer as CSV."""
    return report_csv(_report(entry)).decode()


def _report(entry: Entry) -> Report:
    # Nothing is read: a division by thickness looks up no names.
    nowhere = cast(Connection, None)
    as_of = AsOf(417, datetime(2026, 3, 8, 22, tzinfo=UTC), 0, 0)
    reader = Reader(nowhere, "main", SiteCalendar([_SITE]), 7, as_of)
    question = read_question({"week": ["2026-W10"]}, today=date(2026, 3, 10), settings=_SITE, askable=entry.askable)
    if entry.example is not None:
        report = entry.example(reader, question)
        rows, details = [_rounded(row) for row in report.rows], _rounded(report.details)
        return replace(report, rows=rows, details=details)
    report = assemble(
        entry.name,
        reader,
        question,
        groups={(20_000_000,): _TWENTY, (40_000_000,): _FORTY},
        totals=added((_TWENTY, _FORTY), tuple(_NOTHING)),
        measures=entry.measures,
        notes=["provisional: 10 parts are pending"],
    )
    # What nobody asked for is null.
    details = {column.name: None for column in entry.details}
    rows = [_rounded(row) for row in report.rows]
    return replace(report, rows=rows, totals=_rounded(report.totals), details=details)


def _rounded(row: Mapping[str, Any]) -> dict[str, Any]:
    """Values whose last digits no processor's arithmetic changes: the document is compared byte by byte."""
    return {name: _short(value) for name, value in row.items()}


def _short(value: Any) -> Any:
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return round(value, _DECIMALS) if isinstance(value, float) else value
