"""Released settings: what is known to work, where it holds, and what the figures said when it was released."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import Response, current_app
from flask_smorest import Blueprint
from marshmallow import RAISE

from service.acting import NothingReleased, release_settings, withdraw_settings
from service.api_document.operations import NOT_CHANGED, Reply, json_body, operation
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.conditional import etag_at_once, unchanged
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import not_found
from service.routes.events import tagged_page
from service.schemas.action_data import RecipeWithdrawn
from service.schemas.queries import Query
from service.schemas.releases import (
    EXAMPLES,
    RECIPE_WITHDRAWN,
    RELEASE_NEW,
    WITHDRAWALS,
    ReleaseAnswer,
    ReleaseNew,
    ReleasePage,
    ReleasesQuery,
)
from service.settling import SettingsWrong
from worker.cautions import CAUTIONS
from worker.releases import evidence_for
from worker.reports.reading import open_site
from worker.reports.released import Release, place_of, releases, shown
from worker.state import page_of

blueprint = Blueprint("releases", __name__, url_prefix="/v1", description="Settings that are released for production")
_FORM: Final = "rel1:"


@blueprint.route("/releases", methods=["GET"])
@blueprint.arguments(ReleasesQuery(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(Reply(200, "A page of releases.", ReleasePage, headers=("ETag", "Link")), NOT_CHANGED, errors=(404,))
)
@needs("read_state")
def get_releases(query: dict[str, Any]) -> Response:
    """List released settings.

    The last word on each place: a machine, a material's group, a thickness, a gas, and a surface or any. With what each
    changed against the one before it, and what the figures said when it was released. Evidence, never a permission.
    """
    site = asked_site()
    state, machine, after, limit = query.get("state"), query.get("machine"), query.get("after"), query["limit"]
    with database().read() as connection:
        reader = open_site(connection, site)
        etag = etag_at_once(reader, "releases", state, machine, after, limit)
        if (answer := unchanged(etag)) is not None:
            return answer
        found = sorted(releases(reader, state=state, machine=machine), key=_name)
        page = page_of(found, _name, shown, form=_FORM, after=after, limit=limit)
    return tagged_page(page, etag, cautions=CAUTIONS)


def _name(release: Release) -> str:
    place = release.place
    thickness = f"{place.thickness_nm:012}"
    return "\x1f".join((place.machine, place.material, thickness, place.gas, place.surface_group or ""))


@blueprint.route("/releases", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(200, "These very settings are released there already.", ReleaseAnswer),
        Reply(201, "They are released.", ReleaseAnswer),
        errors=(404,),
        body=json_body(ReleaseNew, "The settings, where they hold, and why; at most 1 MiB.", EXAMPLES),
    )
)
@needs("release")
def post_release(_query: dict[str, Any]) -> Response:
    """Release settings.

    They take the place of what was released there before, and the terminal shows them from now on. What the figures say
    of them at this moment is put into the ledger with them: evidence, never a permission.
    """
    site = asked_site()
    _, sent = read_object(RELEASE_NEW)
    return _answered(*released(site, sent))


def released(site: str, sent: Mapping[str, Any]) -> tuple[Release, bool]:
    """(release, whether it is new) of settings that the asker releases; raises a Problem 422."""
    source, now = f"/keys/{asker().key.key_id}", now_us()
    with database().read() as connection:
        reader = open_site(connection, site)
        place = place_of(reader.calendar.latest, sent)
        evidence = evidence_for(reader, place, sent["recipe"], today=reader.today(now))
    told = dict(sent) | ({"evidence": evidence} if evidence else {})
    with database().write() as connection:
        try:
            found = release_settings(connection, site, told, source=source, now_us=now)
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
    current_app.extensions["cutledger"].nudge()
    return found


@blueprint.route("/releases/withdrawal", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(201, "They are withdrawn.", ReleaseAnswer),
        errors=(404,),
        body=json_body(RecipeWithdrawn, "Where, and why; at most 1 MiB.", WITHDRAWALS),
    )
)
@needs("release")
def post_release_withdrawal(_query: dict[str, Any]) -> Response:
    """Withdraw released settings.

    Nothing is released there from now on, until something is again.
    """
    site = asked_site()
    _, sent = read_object(RECIPE_WITHDRAWN)
    return _answered(withdrawn(site, sent), True)


def withdrawn(site: str, sent: Mapping[str, Any]) -> Release:
    """The release that the asker withdraws; raises a Problem 404 or 422."""
    source = f"/keys/{asker().key.key_id}"
    with database().write() as connection:
        try:
            found = withdraw_settings(connection, site, sent, source=source, now_us=now_us())
        except SettingsWrong as wrong:
            raise wrong_field(wrong.pointer, wrong.detail) from None
        except NothingReleased:
            raise not_found("nothing is released there; GET /v1/releases lists what is") from None
    current_app.extensions["cutledger"].nudge()
    return found


def _answered(release: Release, is_new: bool) -> Response:
    return json_response(shown(release) | {"cautions": CAUTIONS}, 201 if is_new else 200)
