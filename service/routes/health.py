"""Is it alive, and is it ready."""

from __future__ import annotations

from typing import Any

from flask import Response, current_app
from flask_smorest import Blueprint

from service.api_document.operations import Reply, operation
from service.asking import PUBLIC, needs
from service.clock import now_us
from service.conditional import never_kept
from service.formats import json_response
from service.schemas.answers import Alive, NotReady, Ready
from worker.backlog import oldest_owed_seconds
from worker.database import Database, DatabaseUnavailable
from worker.schema import is_current

blueprint = Blueprint("health", __name__, description="For those who watch the server")


@blueprint.route("/livez")
@blueprint.doc(**operation(Reply(200, "It runs.", Alive)))
@needs(PUBLIC)
@never_kept
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
@never_kept
def get_readyz() -> Response:
    """Say whether requests can be answered.

    Part by part. 503 when the database is away, its tables are not those of this release, or the server is about to
    end. Without its broker it answers as ever, and what is posted is counted later: that part is degraded.
    """
    service = current_app.extensions["cutledger"]
    parts, oldest = _of_database(service.database)
    if service.broker is not None:
        parts["broker"] = "ready" if service.broker.answers() else "degraded"
    parts["server"] = "draining" if service.drain.begun else "ready"
    if all(parts[name] == "ready" for name in ("database", "migration", "server")):
        return json_response({"status": "ready", "parts": parts, "oldest_owed_seconds": oldest})
    return json_response({"status": "not ready", "parts": parts}, 503)


def _of_database(database: Database) -> tuple[dict[str, Any], float]:
    """(state of the parts that lie in the database, age in seconds of the oldest owed event)."""
    try:
        with database.read() as connection:
            if not is_current(connection):
                return {"database": "ready", "migration": "needed"}, 0.0
            return {"database": "ready", "migration": "ready"}, oldest_owed_seconds(connection, now_us=now_us())
    except DatabaseUnavailable:
        return {"database": "unavailable", "migration": "unknown"}, 0.0
