"""Plain values -> JSON, CSV and workbooks."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from flask import Response

from service.sheets import workbook
from worker.reports.plain import json_bytes, plain_decimal
from worker.reports.report import Report
from worker.reports.withholding import how_many_withheld

JSON: Final = "application/json"
CSV: Final = "text/csv"
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
#: What an answer with rows can be asked for as, by the word that `format` takes.
FORMATS: Final = {"json": JSON, "csv": CSV, "xlsx": XLSX}
#: A spreadsheet would run a cell that begins so as a formula, whatever blanks or quotes come before.
_FORMULA: Final = r"[\s'\"\ufeff]*[=+\-@\uff1d\uff0b\uff0d\uff20]"
#: Where a cell begins: at the start, and for a spreadsheet that takes these as the ends of cells or lines.
_RUNS: Final = re.compile(rf"(?:^(?=[\t\r\n])|(?:^|(?<=[;\t\r\n]))(?={_FORMULA}))")


def json_response(value: Any, status: int = 200, **headers: str) -> Response:
    """A JSON answer."""
    return Response(json_bytes(value), status, headers=headers, mimetype=JSON)


def table_response(
    media_type: str, name: str, columns: Sequence[str], rows: Iterable[Mapping[str, Any]], whole: Mapping[str, Any]
) -> Response:
    """Rows as CSV or a workbook, named as a file; `whole`: the answer that they are of, as JSON tells it."""
    if media_type == XLSX:
        ending, response = "xlsx", Response(workbook(columns, rows, whole), mimetype=XLSX)
    else:
        content_type = f"{CSV}; charset=utf-8; header=present"
        ending, response = "csv", Response(rows_csv(columns, rows), content_type=content_type)
    as_of = whole["as_of"]
    response.headers["Content-Disposition"] = attachment(name, ending)
    response.headers["X-As-Of"] = (
        f"position={as_of['position']}; at={as_of['at'].isoformat() if as_of['at'] else ''}; "
        f"waiting={as_of['waiting']}; set_aside={as_of['set_aside']}"
    )
    # Rows have no place for notes; that some are missing must be known.
    if withheld := how_many_withheld(whole.get("notes", ())):
        response.headers["X-Withheld"] = withheld
    return response


def attachment(name: str, ending: str) -> str:
    """The header by which a browser saves an answer as a file; of the name only what every system takes."""
    plain = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-.") else "_" for letter in name)
    return f'attachment; filename="{plain}.{ending}"'


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
    """A text that no spreadsheet runs: an apostrophe stands before what begins like a formula.

    Within the text too, after a semicolon, a tab or a line's end: a spreadsheet set to semicolons begins a cell there.
    After OWASP's page on CSV injection (from memory).
    """
    return _RUNS.sub("'", text)
