"""Holds: what is not to be cut, or not to leave, until somebody lifts it."""

from __future__ import annotations

from collections.abc import Mapping
from operator import attrgetter
from typing import Any, Final
from urllib.parse import quote, urlencode

from flask import Response, current_app
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.acting import HeldOtherwise, LiftedAlready, NotForThisRole, lift_hold, place_hold
from service.api_document.operations import NOT_CHANGED, Reply, json_body, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.conditional import etag_at_once, tagged, unchanged
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import Problem, not_found
from service.routes.events import tagged_page
from service.schemas.action_data import HoldLifted
from service.schemas.holds import EXAMPLES, HOLD_LIFTED, HOLD_NEW, HoldNew, HoldPage, HoldsQuery, HoldWhole
from service.schemas.queries import Query
from service.settling import SettingsWrong
from worker.holds import Hold, cuts_on, hold_named, holds, shown
from worker.reports.reading import Reader, instant, open_site
from worker.state import page_of

blueprint = Blueprint("holds", __name__, url_prefix="/v1", description="What is not to be cut until it is lifted")
_HOLD: Final = path_id("hold", "id of the hold", "HD-3")
#: How cursors of pages of holds begin, and by what holds are ordered.
FORM: Final = "h1:"
NAME: Final = attrgetter("hold")


@blueprint.route("/holds", methods=["GET"])
@blueprint.arguments(HoldsQuery(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(Reply(200, "A page of holds.", HoldPage, headers=("ETag", "Link")), NOT_CHANGED, errors=(404,))
)
@needs("read_state")
def get_holds(query: dict[str, Any]) -> Response:
    """List holds.

    By id, open and lifted ones unless a state is asked for. One that was just placed is among them.
    """
    site = asked_site()
    state, after, limit = query.get("state"), query.get("after"), query["limit"]
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = etag_at_once(reader, "holds", state, after, limit)
        if (answer := unchanged(etag)) is not None:
            return answer
        page = page_of(holds(reader, state=state), NAME, shown, form=FORM, after=after, limit=limit)
    return tagged_page(page, etag)


@blueprint.route("/holds/<identifier:hold>", parameters=_HOLD)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "As it stands.", HoldWhole, headers=("ETag",)), NOT_CHANGED, errors=(404,)))
@needs("read")
def get_hold(_query: dict[str, Any], hold: str) -> Response:
    """Read a hold.

    With the attempts that were started on, by or for what was held while it was.
    """
    with database().read() as connection:
        reader = open_site(connection, asked_site())
        found = hold_named(reader, hold)
        etag = etag_at_once(reader, "holds", hold)
        if found is None:
            raise _unknown(hold)
        if (answer := unchanged(etag)) is not None:
            return answer
        return tagged(json_response(_whole(reader, found)), etag)


@blueprint.route("/holds", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "This very hold is there already; as it stands.", HoldWhole, headers=("Location",)),
        Reply(201, "It is held.", HoldWhole, headers=("Location",)),
        errors=(404, 409),
        body=json_body(HoldNew, "What to hold; at most 1 MiB.", EXAMPLES),
    )
)
@needs("hold")
def post_hold(query: dict[str, Any]) -> Response:
    """Place a hold.

    On a heat, a plate with its remnants, a recipe, a machine, a job, or the parts of some attempts. It is shown before
    a cut is started, and a cut that is started all the same becomes a finding. Sent again with its id it is not placed
    twice.
    """
    site = asked_site()
    _, sent = read_object(HOLD_NEW)
    name, is_new = placed(site, sent)
    return _answered(query, site, name, 201 if is_new else 200)


def placed(site: str, sent: Mapping[str, Any]) -> tuple[str, bool]:
    """(id, whether it is new) of a hold that the asker places; raises a Problem 409 or 422."""
    name, told = sent.get("id"), {field: value for field, value in sent.items() if field != "id"}
    source = f"/keys/{asker().key.key_id}"
    with database().write() as connection:
        try:
            found = place_hold(connection, site, name, told, source=source, now_us=now_us())
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
        except HeldOtherwise:
            detail = f"hold {name!r} is there with another content, or was lifted; choose another id"
            raise Problem(409, "conflict", detail) from None
    current_app.extensions["cutledger"].nudge()
    return found


@blueprint.route("/holds/<identifier:hold>/lifting", methods=["POST"], parameters=_HOLD)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "It was lifted with these very words; as it stands.", HoldWhole, headers=("Location",)),
        Reply(201, "It is lifted.", HoldWhole, headers=("Location",)),
        errors=(404, 409),
        body=json_body(HoldLifted, "What was found, and what becomes of what was held; at most 1 MiB."),
    )
)
@needs("release")
def post_hold_lifting(query: dict[str, Any], hold: str) -> Response:
    """Lift a hold.

    What was held may be cut again, or is gone. A hold that only an admin may lift is refused to others.
    """
    site = asked_site()
    _, sent = read_object(HOLD_LIFTED)
    is_new = lifted(site, hold, sent)
    return _answered(query, site, hold, 201 if is_new else 200)


def lifted(site: str, hold: str, sent: Mapping[str, Any]) -> bool:
    """Whether it is new that the asker lifts a hold; raises a Problem 403, 404, 409 or 422."""
    key = asker().key
    with database().write() as connection:
        try:
            is_new = lift_hold(
                connection, site, hold, sent, roles=key.roles, source=f"/keys/{key.key_id}", now_us=now_us()
            )
        except LookupError:
            raise _unknown(hold) from None
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
        except LiftedAlready:
            raise Problem(409, "conflict", f"hold {hold!r} was lifted already, for another reason") from None
        except NotForThisRole as error:
            raise Problem(403, "not-allowed", f"hold {hold!r} may be lifted by a key with the role {error}") from None
    current_app.extensions["cutledger"].nudge()
    return is_new


def _answered(query: dict[str, Any], site: str, name: str, status: int) -> Response:
    body = hold_seen(site, name)
    where = f"/v1/holds/{quote(name, safe='')}" + (f"?{urlencode(query)}" if query else "")
    return json_response(body, status, Location=where)


def hold_seen(site: str, name: str) -> dict[str, Any]:
    """A hold with what was cut all the same, as it is shown; raises a Problem 404."""
    with database().read() as connection:
        reader = open_site(connection, site)
        found = hold_named(reader, name)
        if found is None:
            raise _unknown(name)
        return _whole(reader, found)


def _whole(reader: Reader, found: Hold) -> dict[str, Any]:
    cuts = [
        {"attempt": cut.attempt, "started_at": instant(cut.started_us)}
        | {"machine": cut.machine, "plate": cut.plate, "job": cut.job}
        for cut in cuts_on(reader, found)
    ]
    return shown(found) | {"cuts": cuts}


def _unknown(hold: str) -> Exception:
    return not_found(f"there is no hold {hold!r}; GET /v1/holds lists them")
