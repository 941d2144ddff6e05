"""Pages for people: sign in, the first page, sign out."""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import quote

from flask import Blueprint, Response, current_app, g, make_response, render_template, request, send_from_directory

from service.asking import PUBLIC, asker, needs
from service.headers import PAGE_POLICY
from service.problems import Problem
from service.sessions import PAGES, TOKEN_FIELD, Sessions, form_field, local

SIGN_IN: Final = "/sign-in"
#: With no referrer at all, browsers would say of a form of ours that it comes from nowhere.
_REFERRER: Final = "same-origin"
_HTML: Final = "text/html"

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
    after = local(form_field("next"))
    try:
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


@blueprint.errorhandler(Problem)
def _answer(problem: Problem) -> Response:
    """A problem as browsers show it; whoever must sign in is led there. Programs are answered as everywhere."""
    if _HTML not in request.accept_mimetypes.values():
        return problem.response()
    if problem.status == 401:
        after = local(request.full_path.removesuffix("?")) if request.method == "GET" else "/"
        return _see(f"{SIGN_IN}?next={quote(after, safe='')}")
    return _page("problem.html", problem=problem, status=problem.status)


@blueprint.after_request
def _as_page(response: Response) -> Response:
    response.headers["Content-Security-Policy"] = PAGE_POLICY
    response.headers["Referrer-Policy"] = _REFERRER
    return response


def _form(after: str, problem: Problem | None = None) -> Response:
    response = Response(status=problem.status if problem else 200, headers=dict(problem.headers) if problem else None)
    token = _sessions().form_token(response)
    response.set_data(render_template("sign_in.html", after=after, problem=problem, token=token, field=TOKEN_FIELD))
    return _not_kept(response)


def _page(template: str, *, status: int = 200, **told: object) -> Response:
    return _not_kept(make_response(render_template(template, field=TOKEN_FIELD, **told), status))


def _not_kept(response: Response) -> Response:
    # It holds the session's token.
    response.headers["Cache-Control"] = "no-store"
    return response


def _see(path: str) -> Response:
    return Response(status=303, headers={"Location": path})


def _sessions() -> Sessions:
    found: Sessions = current_app.extensions["cutledger"].sessions
    return found
