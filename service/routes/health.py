"""Is it alive, and is it ready."""

from __future__ import annotations

from flask import Response
from flask_smorest import Blueprint

from service.api_document.operations import Reply, operation
from service.asking import PUBLIC, database, needs
from service.formats import json_response
from service.schemas.answers import Alive, NotReady, Ready
from worker.database import DatabaseUnavailable
from worker.ledger import sites_owed

blueprint = Blueprint("health", __name__, description="For those who watch the server")


@blueprint.route("/livez")
@blueprint.doc(**operation(Reply(200, "It runs.", Alive)))
@needs(PUBLIC)
def get_livez() -> Response:
    """Say that the process runs.

    Asks nothing of the database.
    """
    return json_response({"status": "alive"})


@blueprint.route("/readyz")
@blueprint.doc(
    **operation(
        Reply(200, "Requests can be answered.", Ready),
        Reply(503, "Requests cannot be answered: the part that is not ready.", NotReady),
        errors=(500,),
    )
)
@needs(PUBLIC)
def get_readyz() -> Response:
    """Say whether requests can be answered.

    503 names the part that is not ready.
    """
    try:
        with database().read() as connection:
            owed = len(sites_owed(connection))
    except DatabaseUnavailable:
        return json_response({"status": "not ready", "parts": {"database": "unavailable"}}, 503)
    return json_response({"status": "ready", "parts": {"database": "ready"}, "sites_counting": owed})
