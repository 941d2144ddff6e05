"""Audits: a recount of the ledger beside the tallies, at any time, stopping nobody."""

from __future__ import annotations

import logging
import threading
from contextlib import suppress
from typing import Any

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import Reply, operation
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.formats import json_response
from service.problems import not_found
from service.schemas.administration_answers import AuditStarted, AuditState
from service.schemas.queries import Query
from worker import audits
from worker.administration import record
from worker.database import Database, DatabaseUnavailable

log = logging.getLogger(__name__)
blueprint = Blueprint("audit", __name__, url_prefix="/v1", description="Do the tallies still say what the ledger says")


@blueprint.route("/audit", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(202, "It runs.", AuditStarted, headers=("Location",)), errors=(404, 409)))
@needs("administer")
def post_audit(_query: dict[str, Any]) -> Response:
    """Start an audit.

    Its result is read with GET once it has ended.
    """
    site = asked_site()
    with database().write() as connection:
        now = now_us()
        number = audits.begin(connection, site, now_us=now)
        record(connection, site, actor=asker().actor, act="audit.started", subject=str(number), now_us=now)
    threading.Thread(target=_run, args=(database(), site, number), name="cutledger-audit", daemon=True).start()
    return json_response({"site": site, "number": number, "running": True}, 202, Location="/v1/audit")


def _run(over: Database, site: str, number: int) -> None:
    try:
        audits.run(over, site, number, clock=now_us)
    except Exception:
        log.exception("audit %d of site %s did not end", number, site)
        # Where the database is away too, the next process that starts gives it up
        with suppress(DatabaseUnavailable), over.write() as connection:
            audits.give_up(connection, now_us=now_us(), site=site, number=number)


@blueprint.route("/audit", methods=["GET"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "The last audit.", AuditState), errors=(404,)))
@needs("administer")
def get_audit(_query: dict[str, Any]) -> Response:
    """Read the last audit.

    Equal, or in which tables the recount differs and by how many rows.
    """
    site = asked_site()
    with database().read() as connection:
        found = audits.last(connection, site)
    if found is None:
        raise not_found(f"site {site!r} was never audited; start one with POST")
    return json_response({"site": site} | found)
