"""What a report is asked and answers."""

from __future__ import annotations

from typing import Final

from service.api_document.field_shapes import Shape
from service.api_document.operations import NOT_CHANGED, WORKBOOK, Reply, operation, site_parameter
from service.api_document.references import ref
from service.api_document.report_examples import report_csv_example, report_json_example
from service.api_document.report_shapes import REPORT, name_parameter, report_parameters
from service.formats import CSV, JSON, XLSX
from worker.reports.catalogue import REPORTS

_CSV_SHAPE: Final[Shape] = {
    "type": "string",
    "description": "The rows by RFC 4180: a header, the same columns in the same order, CRLF. A value that is not "
    "known is empty; a text that a spreadsheet would run begins with an apostrophe.",
}
_CONTENT: Final = {
    JSON: {"schema": ref(REPORT)},
    CSV: {"schema": _CSV_SHAPE},
    XLSX: {"schema": WORKBOOK},
}
GET_REPORT: Final = operation(
    Reply(200, "The report.", content=_CONTENT, headers=("ETag", "X-As-Of", "X-Withheld", "Content-Disposition")),
    NOT_CHANGED,
    errors=(404, 406),
    parameters=[site_parameter(), *report_parameters()],
)
REPORT_NAME: Final = [name_parameter()]


def give_report_examples(told: Shape) -> None:
    """Show an answer of each report, in what GET_REPORT became: once the document is made, since each is a report."""
    content = told["responses"]["200"]["content"]
    for media_type, example in ((JSON, report_json_example), (CSV, report_csv_example)):
        content[media_type]["examples"] = {name: {"value": example(entry)} for name, entry in REPORTS.items()}
