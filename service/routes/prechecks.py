"""A plate that is about to be cut: what the record says of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import NOT_CHANGED, Reply, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.conditional import etag_of, tagged, unchanged
from service.formats import json_response
from service.schemas.precheck_answers import Precheck
from service.schemas.queries import PrecheckQuery
from worker.findings import last_look
from worker.prechecks.answer import precheck
from worker.prechecks.intended import intended
from worker.reports.plain import as_of_plain
from worker.reports.reading import Reader, open_site
from worker.sites import Place

blueprint = Blueprint("prechecks", __name__, url_prefix="/v1", description="Plates that are about to be cut")

_SAYS = operation(Reply(200, "What the record says of it.", Precheck, headers=("ETag",)), NOT_CHANGED, errors=(404,))


@blueprint.route("/plates/<identifier:plate>/precheck", parameters=path_id("plate", "id of the plate", "P-77"))
@blueprint.arguments(PrecheckQuery(), location="query", unknown=RAISE)
@blueprint.doc(**_SAYS)
@needs("read_state")
def get_plate_precheck(query: dict[str, Any], plate: str) -> Response:
    """Check a plate before it is cut.

    The yield to expect at its thickness and condition, what is proven of it, what its heat did so far, open findings,
    the job's smallest features beside the thickness, and what would raise the yield. Evidence, never a permission. A
    terminal may name open jobs only.
    """
    site, only_open, now = asked_site(), asker().is_only_terminal, now_us()
    job, machine, gas = (query.get(name) for name in ("job", "machine", "gas"))
    with database().read() as connection:
        reader = open_site(connection, site)
        place, looked = reader.calendar.place(now), last_look(reader)
        about = (
            "precheck",
            plate,
            job,
            machine,
            gas,
            only_open,
            place.day,
            looked,
            *as_of_plain(reader.as_of).values(),
        )
        etag = etag_of(site, reader.revision, *about)
        if (answer := unchanged(etag)) is not None:
            return answer
        found = precheck_seen(reader, place, plate, query)
    return tagged(json_response(found), etag)


def precheck_seen(reader: Reader, place: Place, plate: str, query: Mapping[str, Any]) -> dict[str, Any]:
    """What the record says of a plate; `place`: where the server's clock stands. Raises PlateUnknown, JobUnknown."""
    asked: dict[str, Any] = {name: query.get(name) for name in ("job", "machine", "gas")}
    cut = intended(reader, place.settings, plate=plate, open_jobs_only=asker().is_only_terminal, **asked)
    return precheck(reader, cut, today=place.day)
