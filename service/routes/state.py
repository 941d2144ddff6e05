"""Jobs, plates and attempts as they stand, and the history of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE, Schema
from sqlalchemy import Connection

from service.api_document.operations import NOT_CHANGED, Reply, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.conditional import etag_of, tagged, unchanged
from service.formats import json_response
from service.problems import Problem, not_found
from service.routes.events import feed_item, next_link
from service.schemas.answers import History
from service.schemas.queries import AttemptsQuery, JobsQuery, PlatesQuery, Query
from service.schemas.state_answers import Attempt, AttemptPage, Job, JobPage, Plate, PlatePage
from worker import ledger, state
from worker.events import ATTEMPT, JOB, PLATE
from worker.reports.reading import open_site

blueprint = Blueprint("state", __name__, url_prefix="/v1", description="Jobs, plates and attempts as they stand")

OPEN = "open"
_JOB = path_id("job", "id of the job", "J-1042")
_PLATE = path_id("plate", "id of the plate", "P-77")
_ATTEMPT = path_id("attempt", "id of the attempt", "A-5001")
_ATTEMPT_FILTERS = ("state", "job", "plate", "machine", "run", "piece", "outcome", "purpose", "day")
_SAYS_HISTORY = operation(Reply(200, "All events about it.", History), errors=(404,))


def _says_page(of: type[Schema], *, errors: tuple[int, ...] = (404,)) -> dict[str, Any]:
    return operation(Reply(200, "A page.", of, headers=("ETag", "Link")), NOT_CHANGED, errors=errors)


def _says_state(of: type[Schema]) -> dict[str, Any]:
    return operation(Reply(200, "As it stands.", of, headers=("ETag",)), NOT_CHANGED, errors=(404,))


def _answer(read: Callable[[Connection, str], Any], *about: object) -> Response:
    """What `read` finds in one snapshot of the site, with its ETag; a page with its link to the next."""
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        found = read(connection, site)
    etag = etag_of(site, reader.revision, *about)
    if (answer := unchanged(etag)) is not None:
        return answer
    if isinstance(found, state.Page):
        response = json_response({"items": found.items, "next": found.next})
        if found.next is not None:
            response.headers["Link"] = next_link(found.next)
        return tagged(response, etag)
    return tagged(json_response(found), etag)


def _history(kind: str, subject: str) -> Response:
    site = asked_site()
    with database().read() as connection:
        found = ledger.history(connection, site, kind, subject)
    if not found:
        raise not_found(f"no event is about {kind} {subject!r}")
    return json_response({"items": [feed_item(item) | {"voided": voided} for item, voided in found]})


@blueprint.route("/jobs")
@blueprint.arguments(JobsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**_says_page(JobPage, errors=(403, 404)))
@needs("read_state")
def get_jobs(query: dict[str, Any]) -> Response:
    """List jobs.

    By id; a terminal sees the open ones.
    """
    if asker().is_only_terminal and query.get("state", OPEN) != OPEN:
        raise Problem(403, "not-allowed", "a terminal reads open jobs only")
    only = OPEN if asker().is_only_terminal else query.get("state")
    asked: dict[str, Any] = {name: query.get(name) for name in ("part_number", "after", "limit")}
    return _answer(lambda connection, site: state.jobs(connection, site, state=only, **asked), "jobs", only, asked)


def job_seen(connection: Connection, site: str, job: str) -> dict[str, Any]:
    """A job that the asker may see; raises a Problem 404 for another."""
    found = state.job(connection, site, job)
    if found is None or (asker().is_only_terminal and found["state"] != OPEN):
        raise not_found(f"there is no job {job!r}")
    return found


@blueprint.route("/jobs/<identifier:job>", parameters=_JOB)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_says_state(Job))
@needs("read_state")
def get_job(_query: dict[str, Any], job: str) -> Response:
    """Read a job.

    Parts good, in rework, pending and still to make are counted from its attempts so far.
    """
    only_open = asker().is_only_terminal
    return _answer(lambda connection, site: job_seen(connection, site, job), "job", job, only_open)


@blueprint.route("/jobs/<identifier:job>/events", parameters=_JOB)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_SAYS_HISTORY)
@needs("read")
def get_job_events(_query: dict[str, Any], job: str) -> Response:
    """Read a job's history.

    All events about it by the time at which they happened, voided ones too.
    """
    return _history(JOB, job)


@blueprint.route("/plates")
@blueprint.arguments(PlatesQuery(), location="query", unknown=RAISE)
@blueprint.doc(**_says_page(PlatePage))
@needs("read_state")
def get_plates(query: dict[str, Any]) -> Response:
    """List plates.

    By id, remnants too.
    """
    asked: dict[str, Any] = {name: query.get(name) for name in ("state", "heat_number", "parent", "after", "limit")}
    return _answer(lambda connection, site: state.plates(connection, site, **asked), "plates", asked)


@blueprint.route("/plates/<identifier:plate>", parameters=_PLATE)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_says_state(Plate))
@needs("read_state")
def get_plate(_query: dict[str, Any], plate: str) -> Response:
    """Read a plate.

    Its condition is what was last observed; a remnant takes the origin of its nearest ancestor that states one.
    """
    return _answer(lambda connection, site: plate_seen(connection, site, plate), "plate", plate)


def plate_seen(connection: Connection, site: str, plate: str) -> dict[str, Any]:
    """A plate; raises a Problem 404 for one that is not there."""
    found = state.plate(connection, site, plate)
    if found is None:
        raise not_found(f"there is no plate {plate!r}")
    return found


@blueprint.route("/plates/<identifier:plate>/events", parameters=_PLATE)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_SAYS_HISTORY)
@needs("read")
def get_plate_events(_query: dict[str, Any], plate: str) -> Response:
    """Read a plate's history.

    All events about it by the time at which they happened, voided ones too.
    """
    return _history(PLATE, plate)


@blueprint.route("/attempts")
@blueprint.arguments(AttemptsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**_says_page(AttemptPage))
@needs("read_state")
def get_attempts(query: dict[str, Any]) -> Response:
    """List attempts.

    A terminal sees those of its own sources.
    """
    own = asker().own_sources
    return _answer(
        lambda connection, site: attempts_seen(connection, site, query), "attempts", sorted(query.items()), own
    )


def attempts_seen(connection: Connection, site: str, query: Mapping[str, Any]) -> state.Page:
    """A page of the attempts that the asker may see."""
    filters = {name: query.get(name) for name in _ATTEMPT_FILTERS}
    page: dict[str, Any] = {name: query.get(name) for name in ("after", "limit")}
    return state.attempts(connection, site, filters=filters, own=asker().own_sources, **page)


@blueprint.route("/attempts/<identifier:attempt>", parameters=_ATTEMPT)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_says_state(Attempt))
@needs("read_state")
def get_attempt(_query: dict[str, Any], attempt: str) -> Response:
    """Read an attempt.

    What became of its parts, the condition of its plate when it started, its number on its piece, and which of its
    entries are hardly true.
    """
    own = asker().own_sources
    return _answer(lambda connection, site: attempt_seen(connection, site, attempt), "attempt", attempt, own)


def attempt_seen(connection: Connection, site: str, attempt: str) -> dict[str, Any]:
    """An attempt that the asker may see; raises a Problem 404 for another."""
    found = state.attempt(connection, site, attempt, own=asker().own_sources)
    if found is None:
        raise not_found(f"there is no attempt {attempt!r}")
    return found


@blueprint.route("/attempts/<identifier:attempt>/events", parameters=_ATTEMPT)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**_SAYS_HISTORY)
@needs("read")
def get_attempt_events(_query: dict[str, Any], attempt: str) -> Response:
    """Read an attempt's history.

    All events about it by the time at which they happened, voided ones too.
    """
    return _history(ATTEMPT, attempt)
