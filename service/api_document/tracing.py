"""What a trace answers, as JSON and as rows."""

from __future__ import annotations

from typing import Any, Final

from service.api_document.field_shapes import Shape
from service.api_document.operations import NOT_CHANGED, Reply, operation
from service.api_document.references import ref
from service.formats import CSV, JSON
from service.schemas.trace_answers import TraceSince, TraceWhole

_ROWS: Final[Shape] = {
    "type": "string",
    "description": "One row an attempt by RFC 4180, with its steel and its order: a header, CRLF. What is not known is "
    "empty; a text that a spreadsheet would run begins with an apostrophe. One that is cut off is refused.",
}
_EXAMPLE: Final = "attempt,side,state,job,plate\r\nA-5001,forward,finished,J-1042,P-77\r\n"
_HEADERS: Final = ("ETag", "X-As-Of", "Content-Disposition")


def _says(means: str, shape: type[TraceWhole]) -> dict[str, Any]:
    content = {JSON: {"schema": ref(shape)}, CSV: {"schema": _ROWS, "examples": {"trace": {"value": _EXAMPLE}}}}
    return operation(Reply(200, means, content=content, headers=_HEADERS), NOT_CHANGED, errors=(404,))


GET_TRACE: Final = _says("The trace.", TraceWhole)
GET_SINCE_CHECK: Final = _says("What was cut since.", TraceSince)
