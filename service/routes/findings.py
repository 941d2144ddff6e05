"""Findings: what was noticed and can be proven with figures, and what people note of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import Response, current_app
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.acceptance import Judged
from service.api_document.operations import Reply, json_body, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import not_found
from service.routes.events import next_link
from service.schemas.queries import FindingsQuery, Query
from service.schemas.settings_data import FindingNoted
from service.schemas.state_answers import FindingNotedAnswer, FindingPage, FindingWhole
from service.settling import SettingsWrong, note
from worker.findings import NOTED_FIELDS, Shown, finding, findings, last_look
from worker.kept import OPEN
from worker.ledger import Verdict
from worker.reports.reading import open_site

blueprint = Blueprint("findings", __name__, url_prefix="/v1", description="What deserves attention, with its evidence")
_FINDING: Final = path_id("finding_id", "id of the finding", "F-7c1d3f0a92be4455")
FINDING_NOTED: Final = FindingNoted()


@blueprint.route("/findings")
@blueprint.arguments(FindingsQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A page of findings.", FindingPage, headers=("Link",)), errors=(404,)))
@needs("read")
def get_findings(query: dict[str, Any]) -> Response:
    """List findings.

    Open ones, unless another state is asked for. Contradictions within the events, names that the settings do not list
    and attempts left open are seen at once; changes, lots, conditions and implausible entries when the worker last
    looked.
    """
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        found, following = findings(
            reader,
            now_us=now_us(),
            kind=query.get("kind"),
            state=query.get("state", OPEN),
            after=query.get("after"),
            limit=query["limit"],
        )
        looked = last_look(reader)
    response = json_response(
        {
            "items": [finding_shown(one) for one in found],
            "next": following,
            "looked": None if looked is None else {"position": looked.position, "at": looked.at},
        }
    )
    if following is not None:
        response.headers["Link"] = next_link(following)
    return response


@blueprint.route("/findings/<identifier:finding_id>", parameters=_FINDING)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "The finding.", FindingWhole), errors=(404,)))
@needs("read")
def get_finding(_query: dict[str, Any], finding_id: str) -> Response:
    """Read a finding.

    With when it was opened and closed, and all that people noted of it.
    """
    return json_response(finding_seen(asked_site(), finding_id))


def finding_seen(site: str, finding_id: str) -> dict[str, Any]:
    """A finding with its changes and notes, as it is shown; raises a Problem 404 for one that is not there."""
    with database().read() as connection:
        try:
            found, changes, notes = finding(open_site(connection, site), finding_id, now_us=now_us())
        except LookupError:
            raise _unknown(finding_id) from None
    return {**finding_shown(found), "changes": changes, "notes": notes}


@blueprint.route("/findings/<identifier:finding_id>/note", methods=["POST"], parameters=_FINDING)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(201, "The note is in the ledger.", FindingNotedAnswer),
        errors=(404,),
        body=json_body(FindingNoted, "Who sees to it, until when, what was done, whether it worked; at most 1 MiB."),
    )
)
@needs("note")
def post_finding_note(_query: dict[str, Any], finding_id: str) -> Response:
    """Note something on a finding.

    A field that is not given stays as it was noted before. The note is appended to the ledger.
    """
    site = asked_site()
    _, sent = read_object(FINDING_NOTED)
    judged, verdict = note_finding(site, finding_id, sent)
    told = {
        "finding": finding_id,
        "event": {"source": judged.source, "id": judged.id},
        "position": verdict.position,
    }
    return json_response(told, 201)


def note_finding(site: str, finding_id: str, sent: Mapping[str, Any]) -> tuple[Judged, Verdict]:
    """Append what the asker notes on a finding; raises a Problem 404 or 422."""
    now = now_us()
    source = f"/keys/{asker().key.key_id}"
    with database().write() as connection:
        try:
            finding(open_site(connection, site), finding_id, now_us=now)
            appended = note(connection, site, finding_id, sent, source=source, now_us=now)
        except LookupError:
            raise _unknown(finding_id) from None
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
    current_app.extensions["cutledger"].nudge()
    return appended


def _unknown(finding_id: str) -> Exception:
    return not_found(f"there is no finding {finding_id!r} here; GET /v1/findings?state=all lists them")


def finding_shown(one: Shown) -> dict[str, Any]:
    """A finding as it is shown."""
    found = one.finding
    days = (found.first_day, found.last_day)
    return {
        "id": found.id,
        "kind": found.kind,
        "code": found.code,
        "state": one.state,
        "subject_kind": found.subject_kind,
        "subject": found.subject,
        "other": found.other,
        "detail": found.detail,
        "figures": found.figures,
        "window": None if None in days else {"first_day": days[0], "last_day": days[1]},
        "opened_at": one.opened_at,
        "updated_at": one.updated_at,
        "closed_at": one.closed_at,
        "times_opened": one.times_opened,
        "noted": one.noted or dict.fromkeys(NOTED_FIELDS),
    }
