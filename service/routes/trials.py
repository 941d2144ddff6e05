"""Series of trials: settings varied together in an order drawn by lot, and what they do."""

from __future__ import annotations

from collections.abc import Mapping
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
from service.schemas.action_data import TrialConcluded
from service.schemas.queries import Query
from service.schemas.trials import (
    CONCLUSION_EXAMPLES,
    EXAMPLES,
    TRIAL_CONCLUDED,
    TRIAL_NEW,
    TrialNew,
    TrialPage,
    TrialsQuery,
    TrialWhole,
)
from service.settling import PlannedOtherwise, SettingsWrong
from service.trying import ConcludedOtherwise, TrialUnknown, conclude_trial, plan_trial
from worker.reports.reading import open_site
from worker.sentences import sentence
from worker.trials import shown

blueprint = Blueprint("trials", __name__, url_prefix="/v1", description="Series of trials of settings")
_TRIAL: Final = path_id("trial", "id of the trial", "TR-3")


@blueprint.route("/trials", methods=["GET"])
@blueprint.arguments(TrialsQuery(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(Reply(200, "A page of trials.", TrialPage, headers=("ETag", "Link")), NOT_CHANGED, errors=(404,))
)
@needs("read")
def get_trials(query: dict[str, Any]) -> Response:
    """List series of trials.

    By id, each with its plan, how it stands and which planned run comes next.
    """
    site = asked_site()
    asked = {name: query.get(name) for name in ("state", "after", "limit")}
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = etag_at_once(reader, "trials", *asked.values())
        if (answer := unchanged(etag)) is not None:
            return answer
        page = shown.page(reader, state=query.get("state"), after=query.get("after"), limit=query["limit"])
    return tagged_page(page, etag)


@blueprint.route("/trials/<identifier:trial>", parameters=_TRIAL)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "As it stands.", TrialWhole, headers=("ETag",)), NOT_CHANGED, errors=(404,)))
@needs("read")
def get_trial(query: dict[str, Any], trial: str) -> Response:
    """Read a series of trials.

    With its run sheet, what each run came to, the effects of its factors with their intervals, and which of the planned
    levels looks best once all are cut: evidence, and no permission.
    """
    site = asked_site()
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = etag_at_once(reader, "trials", trial)
        found = shown.trial(reader, trial)
    if found is None:
        raise _unknown(trial)
    if (answer := unchanged(etag)) is not None:
        return answer
    return tagged(json_response(found), etag)


@blueprint.route("/trials", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "This very plan is there already; as it stands.", TrialWhole, headers=("Location",)),
        Reply(201, "It is planned.", TrialWhole, headers=("Location",)),
        errors=(404, 409),
        body=json_body(TrialNew, "The trial to plan; at most 1 MiB.", EXAMPLES),
    )
)
@needs("prove")
def post_trial(query: dict[str, Any]) -> Response:
    """Plan a series of trials.

    All combinations of the levels are cut, in an order that is drawn by lot and told as a run sheet. Only cuts that
    start from now on count; which attempt was cut for which run is posted as events of type cutledger.trial.cut. Sent
    again with its id, the same plan is not planned twice.
    """
    site = asked_site()
    _, sent = read_object(TRIAL_NEW)
    name, is_new = plan(site, sent)
    return _answer(site, name, query, is_new=is_new)


def plan(site: str, sent: Mapping[str, Any]) -> tuple[str, bool]:
    """Plan a trial of a body that its schema takes; (its id, whether it is new). Raises a Problem that says why not."""
    name, planned = sent.get("id"), {field: value for field, value in sent.items() if field != "id"}
    with database().write() as connection:
        try:
            name, is_new = plan_trial(connection, site, name, planned, source=_source(), now_us=now_us())
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
        except PlannedOtherwise:
            detail = sentence(
                "trial %(name)s is planned otherwise, and stays so; choose another id, or void its plan first",
                name=repr(name),
            )
            raise Problem(409, "conflict", detail) from None
    if is_new:
        current_app.extensions["cutledger"].nudge()
    return name, is_new


@blueprint.route("/trials/<identifier:trial>/conclusion", methods=["POST"], parameters=_TRIAL)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "It had ended so already; as it stands.", TrialWhole, headers=("Location",)),
        Reply(201, "It is concluded.", TrialWhole, headers=("Location",)),
        errors=(404, 409),
        body=json_body(TrialConcluded, "Why it ended and what was learned; at most 1 MiB.", CONCLUSION_EXAMPLES),
    )
)
@needs("prove")
def post_trial_conclusion(query: dict[str, Any], trial: str) -> Response:
    """Conclude a series of trials.

    Why it ended, and what was learned, in words. It stays; to correct it, void the event and conclude anew.
    """
    site = asked_site()
    concluded, _ = read_object(TRIAL_CONCLUDED)
    is_new = conclude(site, trial, concluded)
    return _answer(site, trial, query, is_new=is_new)


def conclude(site: str, name: str, concluded: Mapping[str, Any]) -> bool:
    """Conclude a trial; False: it had ended so already. Raises a Problem that says why not."""
    with database().write() as connection:
        try:
            is_new = conclude_trial(connection, site, name, concluded, source=_source(), now_us=now_us())
        except TrialUnknown:
            raise _unknown(name) from None
        except ConcludedOtherwise:
            detail = sentence(
                "trial %(name)s has ended with another conclusion, which stays; void that event first", name=repr(name)
            )
            raise Problem(409, "conflict", detail) from None
    if is_new:
        current_app.extensions["cutledger"].nudge()
    return is_new


def trial_seen(site: str, name: str) -> dict[str, Any]:
    """A trial as it stands; raises a Problem 404."""
    with database().read() as connection:
        found = shown.trial(open_site(connection, site), name)
    if found is None:
        raise _unknown(name)
    return found


def _answer(site: str, name: str, query: dict[str, Any], *, is_new: bool) -> Response:
    found = trial_seen(site, name)
    where = f"/v1/trials/{quote(name, safe='')}" + (f"?{urlencode(query)}" if query else "")
    return json_response(found, 201 if is_new else 200, Location=where)


def _source() -> str:
    return f"/keys/{asker().key.key_id}"


def _unknown(name: str) -> Problem:
    return not_found(f"there is no trial {name!r}; GET /v1/trials lists them")
