"""Reports: what there are, and their answers as JSON, CSV or a workbook."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any, Final

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import Reply, operation
from service.api_document.reporting import GET_REPORT, REPORT_NAME
from service.asking import asked_site, database, needs
from service.beside import later
from service.clock import now_us
from service.conditional import etag_of, tagged, unchanged
from service.formats import FORMATS, JSON, json_response, table_response
from service.problems import Problem, not_found
from service.schemas.answers import Catalogue
from service.schemas.queries import Query
from worker import answers
from worker.publishing import changes_since, published_answer, stored_as_of, weeks_published
from worker.reports.catalogue import REPORTS, Entry
from worker.reports.dimensions import DIMENSIONS
from worker.reports.options import AnyOption, NumberOption, Option
from worker.reports.plain import as_of_plain, json_bytes, read_as_of, read_plain, report_plain
from worker.reports.questions import (
    DEFAULT_CONFIDENCE,
    DEFAULT_LAST,
    Question,
    QuestionUnanswerable,
    Wrong,
)
from worker.reports.reading import INTERVAL, Reader, open_site
from worker.reports.report import Column, Report
from worker.reports.standing_then import folded, one_at_a_time, read_position, standing_at
from worker.reports.withholding import is_looked_at, least_people

#: Parameters that are about the answer, not the question.
ANSWER_PARAMETERS: Final = ("site", "format")

blueprint = Blueprint("reports", __name__, url_prefix="/v1", description="Figures: yield, pierces, rework, losses")


@blueprint.route("/reports")
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "What there is.", Catalogue)))
@needs("read")
def get_reports(_query: dict[str, Any]) -> Response:
    """Describe the reports.

    Each with its question, its measures with unit, definition and standard, and the dimensions that divide it; and the
    latest weeks that are published.
    """
    site = asked_site()
    with database().read() as connection:
        published = weeks_published(connection, site)
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
            "published_weeks": [week.plain for week in published],
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
        "details": [_detail(column) for column in entry.details],
        "options": [_option(option) for option in entry.options],
        "by": entry.by,
        "last": entry.last,
        "purposes": entry.purposes or ("all",),
        "more_dimensions": [dimension.name for dimension in entry.more_dimensions],
    }


def _option(option: AnyOption) -> dict[str, Any]:
    told = {"name": option.name, "definition": option.definition, "words": (), "least": None, "most": None}
    if isinstance(option, NumberOption):
        default = None if option.default is None else f"{option.default:g}"
        return told | {
            "kind": "number", "least": option.low, "most": option.high, "target": option.target, "default": default,
        }  # fmt: skip
    words = option.words if isinstance(option, Option) else ()
    kind = "word" if words else "name"
    return told | {"kind": kind, "words": words, "target": None, "default": option.default}


def _detail(column: Column) -> dict[str, Any]:
    return _column(column) | {"items": [_column(item) for item in column.items]}


def _column(column: Column) -> dict[str, Any]:
    return {"name": column.name, "unit": column.unit or None, "definition": column.definition}


@blueprint.route("/reports/<identifier:name>", parameters=REPORT_NAME)
@blueprint.doc(**GET_REPORT)
@needs("read")
def get_report(name: str) -> Response:
    """Read a report.

    Give the window as from and to, week, month, day or last; the division as by; filters by the columns' names. For the
    figures as they stood give at; for a week as it was published, and what changed since, give published.
    """
    entry = REPORTS.get(name)
    if entry is None:
        raise not_found(f"there is no report {name!r}; there are {', '.join(REPORTS)}")
    media_type = asked_media_type()
    asked = {key: values for key, values in request.args.lists() if key not in ANSWER_PARAMETERS}
    site = asked_site()
    if "published" in asked:
        return _as_published(entry, site, asked, media_type)
    if "at" in asked:
        return _as_it_stood(entry, site, asked, media_type)
    now, database_of = now_us(), database()
    with database_of.read() as connection:
        reader = open_site(connection, site)
        question = answers.asked(reader, entry, asked, now_us=now)
        kept = answers.kept_answer(reader, entry, question, now_us=now)
        revision, as_of = (reader.revision, as_of_plain(reader.as_of)) if kept is None else (kept.revision, kept.as_of)
        etag = etag_of(site, revision, name, media_type, *question.words, *as_of.values())
        if (answer := unchanged(etag)) is not None:
            return answer
        if kept is not None:
            response = _stored(reader, entry, question, kept.body, media_type)
        else:
            began = time.monotonic()
            report = entry.answer(reader, question)
            took_us = int((time.monotonic() - began) * 1_000_000)
            response = _rendered(report, question, media_type)
    if kept is not None:
        later(lambda: answers.note_asked(database_of, site, entry, question, kept, now_us=now))
    elif took_us >= answers.KEPT_FROM_US:
        later(
            lambda: answers.keep(
                database_of,
                reader,
                entry,
                question,
                asked,
                report_plain(report),
                took_us=took_us,
                now_us=now,
                asked_us=now,
            )
        )
    return tagged(response, etag)


def _as_published(entry: Entry, site: str, asked: Mapping[str, Sequence[str]], media_type: str) -> Response:
    """The answer that was published, and in JSON what changed since."""
    with database().read() as connection:
        reader = open_site(connection, site)
        stored = published_answer(reader, entry, asked)
        what = ("published", *stored.question.words, *as_of_plain(reader.as_of).values())
        etag = etag_of(site, reader.revision, entry.name, media_type, *what)
        if (answer := unchanged(etag)) is not None:
            return answer
        if media_type != JSON:
            published = {"published": stored.published.plain}
            return tagged(_stored(reader, entry, stored.question, stored.body, media_type, published), etag)
        more = changes_since(reader, entry, stored)
    # The stored text itself, so that no figure is written otherwise than it was.
    body = stored.body.encode().removesuffix(b"}") + b"," + json_bytes(more).removeprefix(b"{")
    return tagged(Response(body, mimetype=JSON), etag)


def _as_it_stood(entry: Entry, site: str, asked: dict[str, list[str]], media_type: str) -> Response:
    """The answer when the ledger had been counted up to a position: published, as it is, or counted anew."""
    position = read_position(asked.pop("at"))
    with database().read() as connection:
        standing = standing_at(connection, site, position)
        reader = standing.reader
        question = answers.asked(reader, entry, asked, now_us=now_us())
        # Who is protected is asked of the settings of now, whatever is counted.
        least = least_people(reader, question) if is_looked_at(question, entry.known_by(question)) else 0
        what = ("at", least, *question.words, *as_of_plain(reader.as_of).values())
        etag = etag_of(site, standing.revision, entry.name, media_type, *what)
        if (answer := unchanged(etag)) is not None:
            return answer
        stored = stored_as_of(reader, entry, question)
        if stored is not None:
            return tagged(_stored(reader, entry, question, stored.body, media_type), etag)
        if standing.is_newest:
            return tagged(_rendered(entry.answer(reader, question), question, media_type), etag)
    standing.refuse_too_much()
    with one_at_a_time(), database().snapshot_with_scratch() as connection, database().begin_snapshot(connection):
        reader = folded(standing_at(connection, site, position))
        report = entry.answer(reader, question)
    return tagged(_rendered(report, question, media_type), etag)


def asked_media_type() -> str:
    """What is served, as format or else Accept asks for it; raises QuestionUnanswerable, or a Problem 406."""
    formats = request.args.getlist("format")
    if formats:
        if len(formats) > 1 or formats[0] not in FORMATS:
            words = " or ".join((", ".join(list(FORMATS)[:-1]), list(FORMATS)[-1]))
            raise QuestionUnanswerable([Wrong("format", f"must be {words}, once; found {', '.join(formats)[:60]!r}")])
        return FORMATS[formats[0]]
    if not request.accept_mimetypes:
        return JSON
    best = request.accept_mimetypes.best_match(list(FORMATS.values()))
    if best is None:
        raise Problem(406, "http", f"this is served as {' or '.join(FORMATS.values())}")
    return best


def _rendered(report: Report, question: Question, media_type: str) -> Response:
    whole = report_plain(report)
    if media_type == JSON:
        return Response(json_bytes(whole), mimetype=JSON)
    names = [column.name for column in report.columns]
    return _table(media_type, names, whole, question)


def _stored(
    reader: Reader,
    entry: Entry,
    question: Question,
    body: str | bytes,
    media_type: str,
    published: dict[str, Any] | None = None,
) -> Response:
    """A stored answer, as it is or its rows."""
    if media_type == JSON:
        return Response(body, mimetype=JSON)
    told = read_plain(body)
    # Without a row nothing stored tells the columns.
    rows = told["rows"]
    names = list(rows[0]) if rows else [column.name for column in entry.answer(reader, question).columns]
    return _table(media_type, names, told | {"as_of": read_as_of(told)} | (published or {}), question)


def _table(media_type: str, names: Sequence[str], whole: dict[str, Any], question: Question) -> Response:
    name = f"{whole['site']}-{whole['report']}-{question.first_day}-{question.last_day}"
    return table_response(media_type, name, names, whole["rows"], whole | {"options": question.options})
