"""What the ERP books: the confirmations of a job."""

from __future__ import annotations

from typing import Any, Final

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import NOT_CHANGED, Reply, operation, path_id
from service.asking import asked_site, database, needs
from service.conditional import etag_of, tagged, unchanged
from service.formats import json_response
from service.problems import RETRY_SECONDS, Problem, not_found
from service.routes.events import next_link
from service.schemas.confirmation_answers import ConfirmationsQuery, JobConfirmations
from worker.confirmations import NotConfirmedYet, SeriesEnded, confirmations_of, series_of
from worker.reports.plain import as_of_plain
from worker.reports.reading import open_site

blueprint = Blueprint("confirmations", __name__, url_prefix="/v1", description="What the ERP books of jobs")
_JOB: Final = path_id("job", "id of the job", "J-1042")
_SAYS: Final = operation(
    Reply(200, "The increments after that number.", JobConfirmations, headers=("ETag", "Link")),
    NOT_CHANGED,
    errors=(404, 409),
)


@blueprint.route("/jobs/<identifier:job>/confirmations", parameters=_JOB)
@blueprint.arguments(ConfirmationsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**_SAYS)
@needs("read")
def get_job_confirmations(query: dict[str, Any], job: str) -> Response:
    """Read a job's confirmations.

    Numbered increments of what it made, each to be booked once; a correction is a negative one. Ask with the last
    number that was booked, and its series: a restored server numbers anew. Their sum is always the state of the job.
    """
    site = asked_site()
    after, limit = query["after"], query["limit"]
    with database().read() as connection:
        reader = open_site(connection, site)
        as_of = as_of_plain(reader.as_of)
        try:
            series = series_of(connection, site, asked=query["series"])
        except SeriesEnded as error:
            raise Problem(409, "conflict", str(error)) from None
        except NotConfirmedYet as error:
            raise Problem(503, "unavailable", str(error), headers={"Retry-After": str(RETRY_SECONDS)}) from None
        etag = etag_of(site, reader.revision, "confirmations", job, after, limit, series, *as_of.values())
        if (answer := unchanged(etag)) is not None:
            return answer
        found = confirmations_of(connection, site, job, after=after, limit=limit)
    if found is None:
        raise not_found(f"there is no job {job!r}")
    response = json_response(found.value | {"series": series, "as_of": as_of})
    if found.next is not None:
        response.headers["Link"] = next_link(str(found.next))
    return tagged(response, etag)
