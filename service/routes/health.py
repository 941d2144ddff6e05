"""Is it alive, and is it ready."""

from __future__ import annotations

from flask import Response
from flask_smorest import Blueprint

from service.asking import PUBLIC, database, needs
from service.formats import json_response
from worker.database import DatabaseUnavailable
from worker.ledger import sites_owed

blueprint = Blueprint("health", __name__, description="For those who watch the server")


@blueprint.route("/livez")
@needs(PUBLIC)
def get_livez() -> Response:
    """Say that the process runs.

    Asks nothing of the database.
    """
    return json_response({"status": "alive"})


@blueprint.route("/readyz")
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
