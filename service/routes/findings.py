"""Findings: what the worker noticed and can prove with figures."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import Reply, operation
from service.asking import asked_site, database, needs
from service.clock import now_us
from service.formats import json_response
from service.routes.events import next_link
from service.schemas.queries import FindingsQuery
from service.schemas.state_answers import FindingPage
from worker.findings import findings
from worker.reports.reading import open_site

blueprint = Blueprint("findings", __name__, url_prefix="/v1", description="What deserves attention, with its evidence")


@blueprint.route("/findings")
@blueprint.arguments(FindingsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A page of findings.", FindingPage, headers=("Link",)), errors=(404,)))
@needs("read")
def get_findings(query: dict[str, Any]) -> Response:
    """List open findings.

    Contradictions within the events, names that the site's settings do not list, attempts left open for a day.
    """
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        found, following = findings(
            reader, now_us=now_us(), kind=query.get("kind"), after=query.get("after"), limit=query["limit"]
        )
    items = [{"id": one.id, **asdict(one)} for one in found]
    response = json_response({"items": items, "next": following})
    if following is not None:
        response.headers["Link"] = next_link(following)
    return response
