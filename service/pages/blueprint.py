"""What all pages share: the frame around them, which site they show, and how they lead elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from flask import Blueprint, Response, current_app, g, make_response, render_template, request, url_for

from service.asking import PAGES, asked_site, asker
from service.headers import PAGE_POLICY
from service.pages.languages import marked
from service.sessions import TOKEN_FIELD, Sessions

#: With no referrer at all, browsers would say of a form of ours that it comes from nowhere.
_REFERRER: Final = "same-origin"

blueprint = Blueprint(PAGES, __name__, template_folder="templates")


@dataclass(frozen=True)
class Place:
    """An entry of the navigation: its view, its text, and the permission that the view asks for."""

    endpoint: str
    text: str
    permission: str


PLACES: Final = (
    Place("pages.week", marked("Week"), "read"),
    Place("pages.limit", marked("Limit"), "read"),
    Place("pages.change", marked("Change"), "read"),
    Place("pages.recipes", marked("Recipes"), "read"),
    Place("pages.trials", marked("Trial series"), "read"),
    Place("pages.findings", marked("Findings"), "read"),
    Place("pages.holds", marked("Holds"), "read"),
    Place("pages.releases", marked("Released"), "read"),
    Place("pages.trace", marked("Trace"), "read"),
    Place("pages.jobs", marked("Jobs"), "read_state"),
    Place("pages.plates", marked("Plates"), "read_state"),
    Place("pages.attempts", marked("Attempts"), "read_state"),
    Place("pages.terminal", marked("Terminal"), "write"),
    Place("pages.site", marked("Site"), "administer"),
)


def page_site() -> str:
    """The site that a page shows: the one in its address, else the first of the key's; raises SiteUnknown."""
    if "site" in request.args:
        return asked_site()
    sites = asker().sites
    return asked_site() if len(sites) == 1 else sorted(sites)[0]


def show(template: str, *, status: int = 200, site: str | None = None, **told: Any) -> Response:
    """A page in its frame. With `site`, the navigation leads on within that site."""
    framed = {"field": TOKEN_FIELD, "token": token(), "site": site} | _frame(site)
    response = make_response(render_template(template, **framed | told), status)
    # It holds the session's token.
    response.headers["Cache-Control"] = "no-store"
    return response


def see(path: str) -> Response:
    """Let the browser get another page."""
    return Response(status=303, headers={"Location": path})


def to(endpoint: str, site: str | None, **values: Any) -> str:
    """The address of a page within a site; parameters that are None are left out."""
    return url_for(endpoint, **{name: value for name, value in {"site": site, **values}.items() if value is not None})


@blueprint.app_template_global()
def here() -> str:
    """Path and query of the running request, encoded as they came."""
    # Of the path, encoded slashes and percent signs are encoded still; its other characters are decoded.
    path, query = quote(request.path, safe="/%"), request.query_string.decode("latin-1")
    return f"{path}?{query}" if query else path


def token() -> str | None:
    """What the forms of the signed-in browser's pages bring; None for whoever asks with a key."""
    return sessions().token(g.session) if "session" in g else None


def sessions() -> Sessions:
    """The sessions of the running application."""
    found: Sessions = current_app.extensions["cutledger"].sessions
    return found


def _frame(site: str | None) -> dict[str, Any]:
    if "asker" not in g:
        return {"places": (), "sites": (), "key": None}
    # The key's own list: naming the sites in the frame is not asking for one.
    key = asker().key
    places = [
        {"text": place.text, "address": to(place.endpoint, site), "is_here": request.endpoint == place.endpoint}
        for place in PLACES
        if asker().may(place.permission)
    ]
    return {"places": places, "sites": sorted(key.sites), "key": key}


@blueprint.after_request
def as_page(response: Response) -> Response:
    """Give an answer the headers of a page."""
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    response.headers["Referrer-Policy"] = _REFERRER
    return response
