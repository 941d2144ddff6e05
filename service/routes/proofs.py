"""Proofs: series of cuts that are planned before they start, and how each stands."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import quote, urlencode

from flask import Response, current_app
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.api_document.operations import NOT_CHANGED, Reply, json_body, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.conditional import etag_at_once, tagged, unchanged
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import Problem, not_found
from service.routes.events import tagged_page
from service.schemas.dossier import Dossier
from service.schemas.proofs import EXAMPLES, PROOF_NEW, ProofNew, ProofPage, ProofQuery, ProofsQuery, ProofWhole
from service.schemas.queries import Query
from service.settling import PlannedOtherwise, SettingsWrong, plan_proof
from worker import proofs
from worker.dossier.answer import NotProven, dossier
from worker.reports.reading import open_site

blueprint = Blueprint("proofs", __name__, url_prefix="/v1", description="Series of cuts that prove a thickness")
_PROOF: Final = path_id("proof", "id of the proof", "PR-4")


@blueprint.route("/proofs", methods=["GET"])
@blueprint.arguments(ProofsQuery(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(Reply(200, "A page of proofs.", ProofPage, headers=("ETag", "Link")), NOT_CHANGED, errors=(404,))
)
@needs("read")
def get_proofs(query: dict[str, Any]) -> Response:
    """List proofs.

    By id, each with its plan and how it stands; its trials are told of one proof alone.
    """
    site = asked_site()
    asked = {name: query.get(name) for name in ("state", "after", "limit")}
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = etag_at_once(reader, "proofs", *asked.values())
        if (answer := unchanged(etag)) is not None:
            return answer
        page = proofs.proofs(reader, state=query.get("state"), after=query.get("after"), limit=query["limit"])
    return tagged_page(page, etag)


@blueprint.route("/proofs/<identifier:proof>", parameters=_PROOF)
@blueprint.arguments(ProofQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "As it stands.", ProofWhole, headers=("ETag",)), NOT_CHANGED, errors=(404,)))
@needs("read")
def get_proof(query: dict[str, Any], proof: str) -> Response:
    """Read a proof.

    With each first attempt that counted and how the series stood after it, what is still to come, and what it does not
    count. Of a long series the trials are told in pieces: `next_after` asks for those beyond.
    """
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        found = proofs.proof(reader, proof, after=query["after"], limit=query["limit"])
        etag = etag_at_once(reader, "proofs", proof, query["after"], query["limit"])
    if found is None:
        raise not_found(f"there is no proof {proof!r}; GET /v1/proofs lists them")
    if (answer := unchanged(etag)) is not None:
        return answer
    return tagged(json_response(found), etag)


@blueprint.route("/proofs/<identifier:proof>/dossier", parameters=_PROOF)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(Reply(200, "As it stands today.", Dossier, headers=("ETag",)), NOT_CHANGED, errors=(404, 409))
)
@needs("read")
def get_proof_dossier(query: dict[str, Any], proof: str) -> Response:
    """Read the dossier of a proof that passed.

    The record of what is proven: plan, plates, heats, settings, results, edge quality; until when it holds, and what
    ends it or has. Where the series has not passed, or a late event has opened it again, there is none: 409 says how it
    stands. Ranges of edges are computed from published restatements of ISO 9013 and claim no conformity with it.
    """
    return json_response(dossier_seen(asked_site(), proof))


def dossier_seen(site: str, proof: str) -> dict[str, Any]:
    """A dossier as it stands today; raises a Problem 404, or 409 where the series has not passed."""
    with database().read() as connection:
        reader = open_site(connection, site)
        try:
            found = dossier(reader, proof, today=reader.today(now_us()))
        except NotProven as wrong:
            raise Problem(409, "conflict", wrong.detail) from None
    if found is None:
        raise not_found(f"there is no proof {proof!r}; GET /v1/proofs lists them")
    return found


@blueprint.route("/proofs", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "This very plan is there already; as it stands.", ProofWhole, headers=("Location",)),
        Reply(201, "It is planned.", ProofWhole, headers=("Location",)),
        errors=(404, 409),
        body=json_body(ProofNew, "The proof to plan; at most 1 MiB.", EXAMPLES),
    )
)
@needs("prove")
def post_proof(query: dict[str, Any]) -> Response:
    """Plan a proof.

    The plan is in the ledger from now on, and only cuts that start from now on count. The answer says how many trials
    it takes and what its rule really does. Sent again with its id, the same plan is not planned twice.
    """
    site = asked_site()
    _, sent = read_object(PROOF_NEW)
    name, plan = sent.get("id"), {field: value for field, value in sent.items() if field != "id"}
    source = f"/keys/{asker().key.key_id}"
    with database().write() as connection:
        try:
            name, is_new = plan_proof(connection, site, name, plan, source=source, now_us=now_us())
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
        except PlannedOtherwise:
            detail = f"proof {name!r} is planned otherwise, and stays so; choose another id, or void its plan first"
            raise Problem(409, "conflict", detail) from None
    if is_new:
        current_app.extensions["cutledger"].nudge()
    with database().read() as connection:
        shown = proofs.proof(open_site(connection, site), name)
    where = f"/v1/proofs/{quote(name, safe='')}" + (f"?{urlencode(query)}" if query else "")
    return json_response(shown, 201 if is_new else 200, Location=where)
