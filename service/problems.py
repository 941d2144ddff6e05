"""What is wrong with a request -> RFC 9457 application/problem+json."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

from flask import Flask, Response, g, request
from gunicorn.http.errors import ParseException
from werkzeug.exceptions import HTTPException

from service.bodies import (
    BodyTooLarge,
    BodyUnreadable,
    EncodingUnknown,
    EventTooLong,
    MediaTypeUnknown,
    TooManyItems,
    TooManyValues,
)
from service.pages.languages import marked
from service.sheets import SheetUnwritable
from worker.administration import RecordCursorUnreadable
from worker.audits import AuditRunning
from worker.database import DatabaseUnavailable
from worker.findings import FindingCursorUnreadable
from worker.installing import SiteExists
from worker.ledger import CursorUnreadable
from worker.prechecks.intended import JobUnknown, PlateUnknown
from worker.publishing import WeekNotPublished
from worker.pushes.webhooks import WebhookBusy
from worker.reports.plain import json_bytes
from worker.reports.questions import QuestionUnanswerable
from worker.reports.reading import SiteUnknown
from worker.reports.standing_then import RecountBusy
from worker.state import PageCursorUnreadable

log = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/problem+json"
RETRY_SECONDS: Final = 2

TITLES: Final = {
    "unreadable-body": marked("The body cannot be read"),
    "body-too-large": marked("The body is too large"),
    "media-type": marked("The media type is not taken"),
    "events-refused": marked("No event of the request was taken"),
    "events-conflict": marked("Other content is held under this source and id"),
    "parameters": marked("A parameter cannot be answered"),
    "fields": marked("A field of the body is wrong"),
    "key-missing": marked("A key is needed"),
    "not-allowed": marked("This key may not do that"),
    "not-from-here": marked("A change by the session's cookie must come from a page of this host"),
    "not-found": marked("There is no such thing here"),
    "conflict": marked("It is in the way of what is there"),
    "changed": marked("It has changed since it was read"),
    "request-unreadable": marked("The request cannot be read"),
    "too-slow": marked("The request comes too slowly"),
    "busy": marked("The server has no room for this now"),
    "too-many": marked("Too much was asked for"),
    "part-missing": marked("This installation lacks a part that is needed for it"),
    "unavailable": marked("The service cannot take or answer this now"),
    "fault": marked("The service failed"),
    "http": marked("The request cannot be answered"),
}


@dataclass
class Problem(Exception):
    """An answer other than the one asked for."""

    status: int
    slug: str
    detail: str
    errors: Sequence[Mapping[str, Any]] = ()
    members: Mapping[str, Any] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)

    def response(self) -> Response:
        """As application/problem+json."""
        members = ({"errors": list(self.errors)} if self.errors else {}) | dict(self.members)
        named = g.request_id if "request_id" in g else None
        body = problem_bytes(self.status, self.slug, self.detail, request_id=named, members=members)
        return Response(body, self.status, headers=dict(self.headers), mimetype=MEDIA_TYPE)


def problem_bytes(
    status: int, slug: str, detail: str, *, request_id: str | None, members: Mapping[str, Any] = MappingProxyType({})
) -> bytes:
    """The body of an answer that is a problem."""
    body = {
        "type": f"urn:cutledger:problem:{slug}",
        "title": TITLES[slug],
        "status": status,
        "detail": detail,
        "instance": None if request_id is None else f"urn:uuid:{request_id}",
    }
    return json_bytes(body | dict(members))


def not_found(what: str) -> Problem:
    """The answer for what is not there, or not for this key to know."""
    return Problem(404, "not-found", what)


def _of_error(error: Exception) -> Problem:
    """The one table from what the project raises to HTTP."""
    closes = {"Connection": "close"}
    match error:
        case Problem():
            return error
        case BodyUnreadable():
            return Problem(400, "unreadable-body", str(error))
        case BodyTooLarge() | TooManyItems() | TooManyValues() | EventTooLong():
            return Problem(413, "body-too-large", str(error), members={"limit": error.limit}, headers=closes)
        case ParseException():
            detail = "the chunks of the body cannot be read; send it again"
            return Problem(400, "unreadable-body", detail, headers=closes)
        case EncodingUnknown() | MediaTypeUnknown():
            return Problem(415, "media-type", str(error))
        case QuestionUnanswerable():
            errors = [{"parameter": one.parameter, "detail": one.detail} for one in error.wrong]
            return Problem(422, "parameters", str(error), errors)
        case CursorUnreadable() | PageCursorUnreadable() | FindingCursorUnreadable() | RecordCursorUnreadable():
            detail = "is no cursor of this service; take one from next, or leave it out to begin at the start"
            return Problem(422, "parameters", f"after {detail}", [{"parameter": "after", "detail": detail}])
        case SiteUnknown() | WeekNotPublished() | PlateUnknown() | JobUnknown():
            return not_found(str(error))
        case SiteExists() | AuditRunning() | WebhookBusy():
            return Problem(409, "conflict", str(error))
        case DatabaseUnavailable() | RecountBusy() | SheetUnwritable():
            detail = "nothing of this request was kept; send it again"
            return Problem(503, "unavailable", detail, headers={"Retry-After": str(RETRY_SECONDS)})
        case HTTPException():
            return _of_http(error)
        case _:
            return Problem(500, "fault", "it was logged under the instance named here; sending it again is safe")


def _of_http(error: HTTPException) -> Problem:
    status = error.code or 500
    errors = _query_errors(error)
    if errors:
        detail = "; ".join(f"{one['parameter']} {one['detail']}" for one in errors)
        return Problem(422, "parameters", detail, errors)
    slug = {404: "not-found", 413: "body-too-large", 415: "media-type"}.get(status, "http")
    headers = {name: value for name, value in error.get_headers() if name in ("Allow", "Retry-After", "Location")}
    return Problem(status, slug, error.description or error.name, headers=headers)


def _query_errors(error: HTTPException) -> list[dict[str, str]]:
    """What flask-smorest says of the parameters of a query, as parameter and detail."""
    messages = (getattr(error, "data", None) or {}).get("messages") or {}
    found = messages.get("query") or {}
    return [{"parameter": str(name), "detail": " ".join(_flat(texts))} for name, texts in found.items()]


def _flat(messages: Any) -> Iterator[str]:
    """The texts of messages, which are lists, or lists by index."""
    if isinstance(messages, str):
        yield messages
    else:
        for each in messages.values() if isinstance(messages, dict) else messages:
            yield from _flat(each)


def answer_problems(app: Flask, shown: Callable[[Problem], Response]) -> None:
    """Let every error of the application leave as a problem, shown to whoever asks."""

    # flask-smorest has a handler of its own for HTTPException, which would win over that for Exception.
    @app.errorhandler(HTTPException)
    @app.errorhandler(Exception)
    def _answer(error: Exception) -> Response:
        problem = _of_error(error)
        if problem.status == 500:
            # Not the path itself: what is named in it is nobody's business.
            route = "no route" if request.url_rule is None else request.url_rule.rule
            log.error("%s %s failed, request %s", request.method, route, g.get("request_id"), exc_info=error)
        elif isinstance(error, DatabaseUnavailable):
            log.warning("database unavailable: %s", error)
        elif isinstance(error, SheetUnwritable):
            log.warning("no workbook could be written", exc_info=error)
        return shown(problem)
