"""Reports: what there are, and their answers as JSON or CSV."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import Reply, operation
from service.api_document.reporting import GET_REPORT, REPORT_NAME
from service.asking import asked_site, database, needs
from service.clock import now_us
from service.conditional import etag_of, tagged, unchanged
from service.formats import CSV, JSON, as_of_shown, json_response, report_csv, report_json
from service.problems import Problem, not_found
from service.schemas.answers import Catalogue
from service.schemas.queries import Query
from worker.reports.catalogue import REPORTS, Entry
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import DEFAULT_CONFIDENCE, DEFAULT_LAST, QuestionUnanswerable, Wrong, read_question
from worker.reports.reading import INTERVAL, open_site
from worker.reports.report import Column, Report

#: Parameters that are about the answer, not the question.
ANSWER_PARAMETERS: Final = ("site", "format")

blueprint = Blueprint("reports", __name__, url_prefix="/v1", description="Figures: yield, pierces, rework, losses")


@blueprint.route("/reports")
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "What there is.", Catalogue)))
@needs("read")
def get_reports(_query: dict[str, Any]) -> Response:
    """Describe the reports.

    Each with its question, its measures with unit, definition and standard, and the dimensions that divide it.
    """
    asked_site()
    return json_response(
        {
            "reports": [_described(entry) for entry in REPORTS.values()],
            "dimensions": [
                {
                    "name": dimension.name,
                    "column": dimension.label,
                    "unit": dimension.unit or None,
                    "definition": dimension.definition,
                    "filter": None if dimension.is_window else dimension.label,
                }
                for dimension in DIMENSIONS.values()
            ],
            "defaults": {
                "last": DEFAULT_LAST,
                "by": "thickness",
                "purpose": "production",
                "confidence": DEFAULT_CONFIDENCE,
            },
        }
    )


def _described(entry: Entry) -> dict[str, Any]:
    return {
        "name": entry.name,
        "question": entry.question,
        "measures": [
            {
                "name": measure.name,
                "columns": measure.columns,
                "unit": measure.unit,
                "definition": measure.definition,
                "standard": measure.standard,
                "interval": INTERVAL if measure.share_of else None,
            }
            for measure in entry.measures
        ],
        "columns": [_column(column) for column in entry.columns],
        "details": [_column(column) for column in entry.details],
        "options": [
            {"name": option.name, "definition": option.definition, "words": option.words, "default": option.default}
            for option in entry.options
        ],
        "by": entry.by,
        "more_dimensions": [dimension.name for dimension in entry.more_dimensions],
    }


def _column(column: Column) -> dict[str, Any]:
    return {"name": column.name, "unit": column.unit or None, "definition": column.definition}


@blueprint.route("/reports/<identifier:name>", parameters=REPORT_NAME)
@blueprint.doc(**GET_REPORT)
@needs("read")
def get_report(name: str) -> Response:
    """Read a report.

    Give the window as from and to, week, month, day or last; the division as by; filters by the columns' names.
    """
    entry = REPORTS.get(name)
    if entry is None:
        raise not_found(f"there is no report {name!r}; there are {', '.join(REPORTS)}")
    media_type = _media_type()
    asked = {key: values for key, values in request.args.lists() if key not in ANSWER_PARAMETERS}
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        now = reader.calendar.place(now_us())
        question = read_question(
            asked,
            today=now.day,
            settings=now.settings,
            more=entry.more_dimensions,
            options=entry.options,
            by=entry.by,
        )
        etag = etag_of(site, reader.revision, name, media_type, *question.words, *as_of_shown(reader.as_of).values())
        if (answer := unchanged(etag)) is not None:
            return answer
        report = entry.answer(reader, question)
    return tagged(_rendered(report, media_type), etag)


def _media_type() -> str:
    formats = request.args.getlist("format")
    if formats:
        known = {"json": JSON, "csv": CSV}
        if len(formats) > 1 or formats[0] not in known:
            raise QuestionUnanswerable(
                [Wrong("format", f"must be json or csv, once; found {', '.join(formats)[:60]!r}")]
            )
        return known[formats[0]]
    if not request.accept_mimetypes:
        return JSON
    best = request.accept_mimetypes.best_match([JSON, CSV])
    if best is None:
        raise Problem(406, "http", f"this is served as {JSON} or {CSV}")
    return best


def _rendered(report: Report, media_type: str) -> Response:
    if media_type == JSON:
        return Response(report_json(report), mimetype=JSON)
    as_of = report.as_of
    name = f"{report.site}-{report.name}-{report.first_day}-{report.last_day}.csv"
    plain = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-.") else "_" for letter in name)
    response = Response(report_csv(report), content_type=f"{CSV}; charset=utf-8; header=present")
    response.headers["Content-Disposition"] = f'attachment; filename="{plain}"'
    response.headers["X-As-Of"] = (
        f"position={as_of.position}; at={as_of.at.isoformat() if as_of.at else ''}; waiting={as_of.waiting}; "
        f"set_aside={as_of.set_aside}"
    )
    return response
