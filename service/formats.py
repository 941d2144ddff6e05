"""Plain values -> JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from flask import Response

from worker.reports.plain import json_bytes, plain_decimal
from worker.reports.report import Report

JSON: Final = "application/json"
CSV: Final = "text/csv"
#: A spreadsheet would run a cell that begins with one of these as a formula.
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def json_response(value: Any, status: int = 200, **headers: str) -> Response:
    """A JSON answer."""
    return Response(json_bytes(value), status, headers=headers, mimetype=JSON)


def report_csv(report: Report) -> bytes:
    """A report's rows as RFC 4180 CSV with a header."""
    return rows_csv([column.name for column in report.columns], report.rows)


def rows_csv(names: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    """Rows as RFC 4180 CSV with these columns and a header."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in names])
    return out.getvalue().encode()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return plain_decimal(value)
    # Texts come from people; a spreadsheet must not run them.
    return harmless(value) if isinstance(value, str) else str(value)


def harmless(text: str) -> str:
    """A text that no spreadsheet runs: one that begins like a formula gets an apostrophe before it."""
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_STARTS) else text
