"""The record of administration: who made, changed or revoked what, and when."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import Reply, operation
from service.asking import asked_site, database, needs
from service.formats import json_response
from service.routes.events import next_link
from service.schemas.administration_answers import ActPage
from service.schemas.queries import ActsQuery
from worker.administration import Entry, entries
from worker.reports.reading import instant

blueprint = Blueprint("administration", __name__, url_prefix="/v1", description="Who made, changed or revoked what")


@blueprint.route("/administration")
@blueprint.arguments(ActsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A page of the record.", ActPage, headers=("Link",)), errors=(404,)))
@needs("administer")
def get_administration(query: dict[str, Any]) -> Response:
    """Read the record of administration.

    The newest first. What is on record is never changed and never removed; a secret is never in it.
    """
    site = asked_site()
    with database().read() as connection:
        found, following = entries(
            connection, site, after=query.get("after"), limit=query["limit"], acts=query.get("act", ())
        )
    response = json_response({"items": [act_shown(one) for one in found], "next": following})
    if following is not None:
        response.headers["Link"] = next_link(following)
    return response


def act_shown(one: Entry) -> dict[str, Any]:
    """An act on record as it is shown."""
    return {
        "number": one.number,
        "at": instant(one.at_us),
        "actor": one.actor.key_id or None,
        "actor_name": one.actor.name,
        "act": one.act,
        "subject": one.subject,
        "details": one.details,
    }
