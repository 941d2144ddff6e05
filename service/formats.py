"""Plain values -> JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import asdict
from decimal import Decimal
from typing import Any, Final

import orjson
from flask import Response

from worker.reports.report import AsOf, Report

JSON: Final = "application/json"
CSV: Final = "text/csv"
#: A spreadsheet would run a cell that begins with one of these as a formula.
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def _as_number(value: Any) -> orjson.Fragment:
    if isinstance(value, Decimal):
        return orjson.Fragment(plain_decimal(value))
    raise TypeError(type(value).__name__)


def plain_decimal(value: Decimal) -> str:
    """A decimal without exponent or needless zeros."""
    text = f"{value:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def json_bytes(value: Any) -> bytes:
    """UTF-8 JSON; decimals leave as exact numbers, instants in UTC."""
    return orjson.dumps(value, default=_as_number, option=orjson.OPT_UTC_Z)


def json_response(value: Any, status: int = 200, **headers: str) -> Response:
    """A JSON answer."""
    return Response(json_bytes(value), status, headers=headers, mimetype=JSON)


def as_of_shown(as_of: AsOf) -> dict[str, Any]:
    """Up to what a report counts."""
    return asdict(as_of)


def report_json(report: Report) -> bytes:
    """A report as JSON, with its totals."""
    return json_bytes(
        {
            "report": report.name,
            "site": report.site,
            "window": {"from": report.first_day, "to": report.last_day},
            "by": report.by,
            "filters": report.filters,
            "confidence": report.confidence,
            "currency": report.currency,
            "as_of": as_of_shown(report.as_of),
            "rows": report.rows,
            "totals": report.totals,
            "details": report.details,
            "notes": report.notes,
        }
    )


def report_csv(report: Report) -> bytes:
    """A report's rows as RFC 4180 CSV with a header."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in report.columns])
    for row in report.rows:
        writer.writerow([_cell(row, column.name, is_text=column.is_text) for column in report.columns])
    return out.getvalue().encode()


def _cell(row: Mapping[str, Any], name: str, *, is_text: bool) -> str:
    value = row[name]
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return plain_decimal(value)
    return harmless(str(value)) if is_text else str(value)


def harmless(text: str) -> str:
    """A text that no spreadsheet runs: one that begins like a formula gets an apostrophe before it."""
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_STARTS) else text
