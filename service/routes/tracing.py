"""A claim traced from a part to its steel and back, and all that was cut since a machine was last in order."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.tracing import GET_SINCE_CHECK, GET_TRACE
from service.asking import asked_site, database, needs
from service.conditional import etag_of, tagged, unchanged
from service.formats import CSV, json_response, table_response
from service.problems import not_found
from service.schemas.queries import SinceCheckQuery, TraceQuery
from worker.events import MACHINE
from worker.reports.plain import as_of_plain
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.reports.reading import Reader, open_site
from worker.sentences import sentence
from worker.tracing.answer import COLUMNS, rows, trace, trace_since
from worker.tracing.asked import HEAT_NUMBER, STARTS, Asked, SinceAsked, StartUnknown
from worker.tracing.walk import MOST_NODES

blueprint = Blueprint("tracing", __name__, url_prefix="/v1", description="From a part to its steel, and back")


@blueprint.route("/trace")
@blueprint.arguments(TraceQuery(), location="query", unknown=RAISE)
@blueprint.doc(**GET_TRACE)
@needs("read")
def get_trace(query: dict[str, Any]) -> Response:
    """Trace a claim.

    Back from a part to its attempts, their plates, what these were cut from, the heats; forward from steel to remnants,
    attempts, jobs and orders, with what became of the parts. A void has its effect: what was taken back is not there.
    """
    site, asked, direction = asked_site(), trace_asked(query), query["direction"]
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = _etag(reader, query)
        if (answer := unchanged(etag)) is not None:
            return answer
        told = traced(reader, asked, direction)
    return tagged(_rendered(told, query, asked.kind), etag)


@blueprint.route("/trace/since-check")
@blueprint.arguments(SinceCheckQuery(), location="query", unknown=RAISE)
@blueprint.doc(**GET_SINCE_CHECK)
@needs("read")
def get_trace_since_check(query: dict[str, Any]) -> Response:
    """Trace a machine since it was in order.

    All that was cut on it since its last check that looked at everything, or since its last attempt of which all parts
    were inspected and good, with steel, jobs and orders. A service alone is no check.
    """
    site = asked_site()
    if query.get("machine") is None:
        raise QuestionUnanswerable([Wrong(MACHINE, sentence("is needed: name the machine"))])
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = _etag(reader, query)
        if (answer := unchanged(etag)) is not None:
            return answer
        told = traced_since(reader, query)
    return tagged(_rendered(told, query, MACHINE), etag)


def trace_asked(query: Mapping[str, Any]) -> Asked:
    """From what a query asks for a trace; raises QuestionUnanswerable."""
    given = [name for name in STARTS if query.get(name) is not None]
    if len(given) != 1:
        detail = sentence("is needed, or another start: give one of %(starts)s", starts=", ".join(STARTS))
        if given:
            detail = sentence("are several starts: give one of them (%(starts)s)", starts=", ".join(given))
        raise QuestionUnanswerable([Wrong(given[1] if given else STARTS[0], detail)])
    (kind,) = given
    goes_with = {"mill": HEAT_NUMBER, "from_": MACHINE, "to": MACHINE}
    if wrong := [name for name, start in goes_with.items() if query.get(name) is not None and kind != start]:
        raise QuestionUnanswerable(
            [
                Wrong(name.rstrip("_"), sentence("goes with %(start)s alone; leave it out", start=goes_with[name]))
                for name in wrong
            ]
        )
    first, last = (None if query.get(name) is None else date.fromisoformat(query[name]) for name in ("from_", "to"))
    if first is not None and last is not None and last < first:
        raise QuestionUnanswerable([Wrong("to", sentence("is before from; give a later day"))])
    return Asked(kind, query[kind], mill=query.get("mill"), first_day=first, last_day=last)


def traced(reader: Reader, asked: Asked, direction: str) -> dict[str, Any]:
    """A trace; raises a Problem 404 where nothing is known of the start."""
    try:
        return trace(reader, asked, direction=direction, most=MOST_NODES)
    except StartUnknown as unknown:
        raise not_found(str(unknown)) from None


def traced_since(reader: Reader, query: Mapping[str, Any]) -> dict[str, Any]:
    """What was cut since a machine was last in order; raises a Problem 404 where nothing is known of the machine."""
    asked = SinceAsked(query["machine"], query["by"], query.get("until"))
    try:
        return trace_since(reader, asked, most=MOST_NODES)
    except StartUnknown as unknown:
        raise not_found(str(unknown)) from None


def _rendered(told: Mapping[str, Any], query: Mapping[str, Any], start: str) -> Response:
    if query.get("format") != "csv":
        return json_response(told)
    if told["cut_off"]:
        # Rows have no place to say that some are missing.
        detail = sentence(
            "leads to more than %(most)s things, and rows would not say that some are missing: ask one way only "
            "(direction), or from less",
            most=told["most"],
        )
        raise QuestionUnanswerable([Wrong(start, detail)])
    name = f"{told['site']}-trace-{told['start']['id']}"
    return table_response(CSV, name, COLUMNS, rows(told), told)


def _etag(reader: Reader, query: Mapping[str, Any]) -> str:
    asked = sorted((name, str(value)) for name, value in query.items())
    return etag_of(reader.site, reader.revision, "trace", asked, *as_of_plain(reader.as_of).values())
