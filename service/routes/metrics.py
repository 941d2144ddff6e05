"""Figures for those who watch the server."""

from __future__ import annotations

from typing import Final

from flask import Response, current_app
from flask_smorest import Blueprint

from service.api_document.operations import Reply, operation, site_parameter
from service.asking import database, needs, only_sites
from service.conditional import never_kept
from service.metrics import MEDIA_TYPE

blueprint = Blueprint("metrics", __name__, description="Figures for those who watch the server")

_EXAMPLE: Final = (
    "# HELP cutledger_owed_events Events not counted yet\n"
    "# TYPE cutledger_owed_events gauge\n"
    'cutledger_owed_events{site="main"} 0.0\n'
)


@blueprint.route("/metrics")
@blueprint.doc(
    **operation(
        Reply(200, "The figures.", content={"text/plain": {"schema": {"type": "string"}, "example": _EXAMPLE}}),
        errors=(404,),
        parameters=[site_parameter()],
    )
)
@needs("administer")
@never_kept
def get_metrics() -> Response:
    """Read the figures.

    Prometheus text: requests, events by type and verdict, time taken by counting, database, broker; what is owed at
    each site of the key, or at the one named, and for how long. All processes of one service are counted together.
    """
    parts = current_app.extensions["cutledger"]
    sites = only_sites()
    return Response(parts.metrics.text(database(), parts.broker, sites), content_type=MEDIA_TYPE)
