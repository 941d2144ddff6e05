"""What planning is asked and answers."""

from __future__ import annotations

from typing import Any, Final

from service.api_document.field_shapes import Shape
from service.api_document.operations import NOT_CHANGED, WORKBOOK, Reply, json_body, operation, site_parameter
from service.api_document.references import ref
from service.formats import CSV, FORMATS, JSON, XLSX
from service.schemas.plan import ONE_PLAN, ListPlanned, OnePlanned, PlanList
from service.strict_fields import Choice, Number, Strict, Text, ThicknessInch, Whole
from worker.events import PURPOSES
from worker.planning.plans import LAST

_ROWS: Final[Shape] = {
    "type": "string",
    "description": "One row a plan by RFC 4180: a header, CRLF. A member of an object stands under both names, as in "
    "cost_expected; alternatives and notes are left out. What is not known is empty; a text that a spreadsheet would "
    "run begins with an apostrophe.",
}
_EXAMPLE: Final = "ref,job,parts,material,thickness_mm,starts\r\n,,40,S355J2+N,28,47\r\n"


def _query(name: str, description: str, schema: Shape) -> Shape:
    return {"in": "query", "name": name, "required": False, "description": description, "schema": schema}


def _of_field(name: str, field: Strict) -> Shape:
    told: dict[str, Any] = dict(field.metadata)
    schema: Shape = {"type": "string", "examples": [str(each) for each in told.get("examples", ())]}
    if isinstance(field, Choice):
        schema["enum"] = list(field.words)
    elif isinstance(field, (Whole, Number)):
        kind = "integer" if isinstance(field, Whole) else "number"
        schema = {"type": kind, "minimum": told["minimum"], "maximum": told["maximum"], "examples": told["examples"]}
    elif isinstance(field, Text):
        schema |= {"minLength": 1, "maxLength": field.most}
    elif isinstance(field, ThicknessInch):
        schema["maxLength"] = 16
    return _query(name, str(told["description"]), schema)


def _past() -> list[Shape]:
    days = {"type": "string", "format": "date"}
    return [
        _query("from", "first production day of the past that counts", days | {"examples": ["2026-01-05"]}),
        _query("to", "its last production day; left out: today", days | {"examples": ["2026-07-05"]}),
        _query(
            "last",
            f"instead: so many days, weeks or months, the running one included; left out: {LAST}",
            {"type": "string", "pattern": "^[1-9][0-9]{0,3}[dwm]$", "examples": [LAST]},
        ),
        _query(
            "purpose",
            "only past cuts for this purpose; left out: all",
            {"type": "string", "enum": [*PURPOSES, "all"], "examples": ["production"]},
        ),
        _query(
            "bevel",
            "only past cuts with this bevel, degrees; unknown: square cuts; left out: the job's, else square cuts",
            {"type": "number", "minimum": 0, "maximum": 90, "examples": [30]},
        ),
    ]


def _format() -> Shape:
    words = {"type": "string", "enum": list(FORMATS), "examples": ["csv"]}
    return _query("format", "goes before Accept; left out: as Accept asks, else json", words)


def _content(shape: type[OnePlanned] | type[ListPlanned]) -> Shape:
    return {
        JSON: {"schema": ref(shape)},
        CSV: {"schema": _ROWS, "examples": {"plan": {"value": _EXAMPLE}}},
        XLSX: {"schema": WORKBOOK},
    }


_HEADERS: Final = ("X-As-Of", "Content-Disposition")
GET_PLAN: Final = operation(
    Reply(200, "The plan.", content=_content(OnePlanned), headers=("ETag", *_HEADERS)),
    NOT_CHANGED,
    errors=(404, 406),
    parameters=[
        site_parameter(),
        *(_of_field(name, field) for name, field in ONE_PLAN.fields.items() if isinstance(field, Strict)),
        *_past(),
        _format(),
    ],
)
POST_PLAN: Final = operation(
    Reply(200, "The plans.", content=_content(ListPlanned), headers=_HEADERS),
    errors=(404, 406),
    body=json_body(PlanList, "What is to be made; at most 1 MiB."),
    parameters=[site_parameter(), *_past(), _format()],
)
