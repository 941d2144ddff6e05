"""Pages for people: sign in, the first page, sign out."""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import quote

from flask import Blueprint, Response, current_app, g, make_response, render_template, request, send_from_directory

from service.asking import PUBLIC, asker, needs
from service.headers import PAGE_POLICY
from service.problems import TITLES, Problem
from service.sessions import PAGES, TOKEN_FIELD, Sessions, form_field, local

SIGN_IN: Final = "/sign-in"
#: With no referrer at all, browsers would say of a form of ours that it comes from nowhere.
_REFERRER: Final = "same-origin"
_HTML: Final = "text/html"

#: What pages say to people, by the kind of a problem whose own words are for programs.
_FORM_SAYS: Final = {
    "key-missing": "This key is not known here, has expired or was revoked. Look whether all of it was pasted.",
    "not-from-here": "This form was not made for this browser, or its cookie is gone. Nothing was done: send it again.",
    "body-too-large": "This is too long for a key. Paste the key alone.",
}
_PAGES_SAY: Final = {
    "not-found": "Look at the address, or begin at the first page.",
    "not-from-here": "This page is out of date, or another site sent this. Nothing was done: open the page anew.",
    "body-too-large": "What was sent is too long. Nothing of it was kept.",
    "http": "This address does not take what the browser sent. Begin at the first page.",
    "unavailable": "Nothing was changed. Try again in some seconds.",
    "fault": "It was logged under the number below. Trying again is safe.",
}

_STATIC: Final = Path(__file__).parents[1] / "static"

blueprint = Blueprint(PAGES, __name__, template_folder="../templates")


@blueprint.route("/")
@needs("read_state")
def get_first_page() -> Response:
    """Show who is signed in."""
    key = asker().key
    token = _sessions().token(g.session) if "session" in g else None
    return _page("first.html", key=key, token=token)


@blueprint.route(SIGN_IN, methods=["GET"])
@needs(PUBLIC)
def get_sign_in() -> Response:
    """Show the form to sign in; whoever is signed in already goes on."""
    after = local(request.args.get("next", "/"))
    return _form(after) if _sessions().asker() is None else _see(after)


@blueprint.route(SIGN_IN, methods=["POST"])
@needs(PUBLIC)
def post_sign_in() -> Response:
    """Sign in with a key."""
    after = "/"
    try:
        after = local(form_field("next"))
        _sessions().check_form()
        who = current_app.extensions["cutledger"].gate.admit(f"Bearer {form_field('key')}")
    except Problem as problem:
        return _form(after, problem)
    response = _see(after)
    _sessions().begin(response, who.key.key_id)
    return response


@blueprint.route("/static/<path:name>")
@needs(PUBLIC)
def get_static(name: str) -> Response:
    """Give a file that pages load."""
    return send_from_directory(_STATIC, name)


@blueprint.route("/sign-out", methods=["POST"])
@needs("read_state")
def post_sign_out() -> Response:
    """Sign out."""
    response = _see(SIGN_IN)
    _sessions().end(response)
    return response


def shown(problem: Problem) -> Response:
    """A problem as whoever asks reads it: a page for browsers, or the way to sign in; programs get it as it is."""
    if request.path.startswith("/v1/") or request.accept_mimetypes.best != _HTML:
        return problem.response()
    if problem.status == 401:
        after = local(request.full_path.removesuffix("?")) if request.method == "GET" else "/"
        return _see(f"{SIGN_IN}?next={quote(after, safe='')}")
    said = _PAGES_SAY.get(problem.slug) or _sentence(problem.detail)
    response = _page("problem.html", title=TITLES[problem.slug], said=said, request_id=g.get("request_id"))
    response.status_code = problem.status
    response.headers.extend(problem.headers)
    return _as_page(response)


@blueprint.after_request
def _as_page(response: Response) -> Response:
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    response.headers["Referrer-Policy"] = _REFERRER
    return response


def _form(after: str, problem: Problem | None = None) -> Response:
    response, said = Response(), None
    if problem:
        response.status_code = problem.status
        response.headers.extend(problem.headers)
        said = _FORM_SAYS.get(problem.slug) or _sentence(problem.detail)
        if problem.status == 401 and not form_field("key").strip():
            said = "Type or paste your key."
    token = _sessions().form_token(response)
    response.set_data(render_template("sign_in.html", after=after, said=said, token=token, field=TOKEN_FIELD))
    return _not_kept(response)


def _page(template: str, **told: object) -> Response:
    return _not_kept(make_response(render_template(template, field=TOKEN_FIELD, **told)))


def _sentence(detail: str) -> str:
    return f"{detail[:1].upper()}{detail[1:]}."


def _not_kept(response: Response) -> Response:
    # It holds the session's token.
    response.headers["Cache-Control"] = "no-store"
    return response


def _see(path: str) -> Response:
    return Response(status=303, headers={"Location": path})


def _sessions() -> Sessions:
    found: Sessions = current_app.extensions["cutledger"].sessions
    return found
