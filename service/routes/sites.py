"""Sites and their settings, valid from a production day. A change is an event in the ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from flask import Response, current_app
from flask_smorest import Blueprint
from sqlalchemy import Connection

from service.acceptance import Judged
from service.api_document.operations import NOT_CHANGED, Reply, json_body, operation, path_id
from service.asking import asker, database, needs, only_sites
from service.clock import now_us
from service.conditional import etag_of, refuse_if_changed, tagged, unchanged
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.schemas.administration import SITE_NEW, SITE_SET, SiteNew
from service.schemas.administration_answers import Site, SiteChanged, SiteList, SiteMade
from service.schemas.settings_data import SiteSet
from service.settling import SettingsWrong, settle
from worker.events import SITE
from worker.installing import SiteExists, add_site
from worker.keys import admit_site
from worker.ledger import Verdict, history, take_turn
from worker.reports.plain import json_bytes
from worker.reports.reading import SiteUnknown, calendar_of
from worker.sites import Settings

blueprint = Blueprint("sites", __name__, url_prefix="/v1", description="Sites and their settings")
_SITE = path_id("site", "id of the site", "main")


@blueprint.route("/sites", methods=["GET"])
@blueprint.doc(**operation(Reply(200, "The sites.", SiteList)))
@needs("administer")
def get_sites() -> Response:
    """List sites.

    Those of the asking key, with the settings that hold now.
    """
    sites = only_sites()
    with database().read() as connection:
        shown = [_shown(connection, site) for site in sites]
    return json_response({"items": shown})


@blueprint.route("/sites", methods=["POST"])
@blueprint.doc(
    **operation(
        Reply(201, "It is made.", SiteMade, headers=("Location",)),
        body=json_body(SiteNew, "The site to make, with its first settings; at most 1 MiB."),
    )
)
@needs("administer")
def post_site() -> Response:
    """Make a site.

    The asking key may act on it from then on.
    """
    only_sites()
    asked, sent = read_object(SITE_NEW)
    site = asked["site"]
    settings = {name: value for name, value in sent.items() if name != "site" and value is not None}
    now = now_us()
    try:
        with database().write() as connection:
            add_site(connection, site, now_us=now, by=asker().actor)
            if settings.keys() - {"valid_from"}:
                _settle(connection, site, settings, now)
            admit_site(connection, asker().key.key_id, site, now_us=now, by=asker().actor)
    except SiteExists:
        raise wrong_field("/site", f"{site} is taken; choose another id") from None
    current_app.extensions["cutledger"].gate.forget()
    current_app.extensions["cutledger"].nudge()
    return json_response({"site": site}, 201, Location=f"/v1/sites/{site}")


@blueprint.route("/sites/<identifier:site>", methods=["GET"], parameters=_SITE)
@blueprint.doc(**operation(Reply(200, "The site.", Site, headers=("ETag",)), NOT_CHANGED, errors=(404,)))
@needs("administer")
def get_site(site: str) -> Response:
    """Read a site.

    The settings that hold now, and each change of them with its first production day.
    """
    _refuse_foreign(site)
    etag, shown = site_seen(site)
    return unchanged(etag) or tagged(json_response(shown), etag)


@blueprint.route("/sites/<identifier:site>", methods=["PUT"], parameters=_SITE)
@blueprint.doc(
    **operation(
        Reply(200, "The change is in the ledger.", SiteChanged),
        errors=(404, 412),
        body=json_body(SiteSet, "What changes, and from which production day on; at most 1 MiB."),
    )
)
@needs("administer")
def put_site(site: str) -> Response:
    """Change a site's settings.

    From the production day valid_from on; what is not given stays as it was. The change is appended to the ledger, and
    what it touches is counted anew. With If-Match it is refused when the settings changed since they were read.
    """
    _refuse_foreign(site)
    _, sent = read_object(SITE_SET)
    judged, verdict = change_settings(site, sent, refuse_if_changed)
    return json_response(
        {"site": site, "event": {"source": judged.source, "id": judged.id}, "position": verdict.position}
    )


def change_settings(
    site: str, sent: Mapping[str, Any], refuse_if_changed: Callable[[str], None]
) -> tuple[Judged, Verdict]:
    """Append a change of a site's settings by the asker, after `refuse_if_changed` was given the ETag that holds now.

    Raises a Problem 422 for settings that cannot be taken.
    """
    now = now_us()
    with database().write() as connection:
        # Of two changes of what was read once, the later is refused.
        take_turn(connection, site)
        refuse_if_changed(_etag(connection, site))
        appended = _settle(connection, site, sent, now)
    current_app.extensions["cutledger"].nudge()
    return appended


def site_seen(site: str) -> tuple[str, dict[str, Any]]:
    """(ETag, what is shown) of a site: what holds today, and each change."""
    with database().read() as connection:
        return _etag(connection, site), _shown(connection, site)


def _refuse_foreign(site: str) -> None:
    """Raise SiteUnknown for a site that is none of those asked about."""
    if site not in only_sites():
        raise SiteUnknown(site)


def _settle(connection: Connection, site: str, settings: Mapping[str, Any], now: int) -> tuple[Judged, Verdict]:
    try:
        source = f"/keys/{asker().key.key_id}"
        return settle(connection, site, settings, source=source, now_us=now, by=asker().actor)
    except SettingsWrong as wrong:
        raise wrong_field(wrong.pointer, wrong.detail) from None


def _etag(connection: Connection, site: str) -> str:
    """Changes with what is shown, and with each change of the settings that waits to be counted."""
    changes = [(item.position, voided) for item, voided in history(connection, site, SITE, site)]
    shown = json_bytes(_shown(connection, site))
    return etag_of(site, 0, "site", *changes, shown)


def _shown(connection: Connection, site: str) -> dict[str, Any]:
    calendar = calendar_of(connection, site)
    today = calendar.place(now_us()).day
    changes = [version for version in calendar.versions if version.valid_from > date.min]
    return {
        "site": site,
        "today": today,
        "settings": _values(calendar.on(today)),
        "changes": [{"valid_from": version.valid_from, "settings": _values(version)} for version in changes],
    }


def _values(settings: Settings) -> dict[str, Any]:
    return dict(settings.values)
