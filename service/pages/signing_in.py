"""Sign in, sign out, the first page, the language, the files that pages load; problems as pages."""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import quote

from flask import Response, current_app, g, render_template, request, send_from_directory

from service.asking import PUBLIC, asker, needs
from service.formats import JSON
from service.pages.blueprint import PLACES, as_page, blueprint, here, see, sessions, show, to
from service.pages.form_faults import Said, together
from service.pages.languages import LANGUAGE_COOKIE, gettext, languages, marked
from service.problems import MEDIA_TYPE, TITLES, Problem, not_found
from service.sessions import TOKEN_FIELD, form_field, local

SIGN_IN: Final = "/sign-in"
_HTML: Final = "text/html"

#: What pages say to people, by the kind of a problem whose own words are for programs.
_FORM_SAYS: Final = {
    "key-missing": marked("This key is not known here, has expired or was revoked. Look whether all of it was pasted."),
    "not-from-here": marked(
        "This form was not made for this browser, or its cookie is gone. Nothing was done: send it again."
    ),
    "body-too-large": marked("This is too long for a key. Paste the key alone."),
}
_PAGES_SAY: Final = {
    "not-found": marked("Look at the address, or begin at the first page."),
    "not-allowed": marked("Sign in with a key that may see this page."),
    "not-from-here": marked(
        "This page is out of date, or another site sent this. Nothing was done: open the page anew."
    ),
    "body-too-large": marked("What was sent is too long. Nothing of it was kept."),
    "http": marked("This address does not take what the browser sent. Begin at the first page."),
    "unavailable": marked("Nothing was changed. Try again in some seconds."),
    "fault": marked("It was logged under the number below. Trying again is safe."),
}

_STATIC: Final = Path(__file__).parent / "static"
_YEAR_SECONDS: Final = 365 * 24 * 3600


@blueprint.route("/")
@needs("read_state")
def get_first_page() -> Response:
    """Lead to the first page that the key may see."""
    if asker().is_only_terminal:
        return see(to("pages.terminal", None))
    return see(next(to(place.endpoint, None) for place in PLACES if asker().may(place.permission)))


@blueprint.route("/key")
@needs("read_state")
def get_key() -> Response:
    """Show who is signed in."""
    return show("key.html")


@blueprint.route("/language/<code>")
@needs(PUBLIC)
def get_language(code: str) -> Response:
    """Choose the language of the pages on this browser."""
    if code not in languages():
        raise not_found(f"there is no language {code!r} here; there are {', '.join(languages())}")
    response = see(local(request.args.get("next", "/")))
    response.set_cookie(
        LANGUAGE_COOKIE, code, max_age=_YEAR_SECONDS, path="/", secure=request.is_secure, httponly=True, samesite="Lax"
    )
    return response


@blueprint.route(SIGN_IN, methods=["GET"])
@needs(PUBLIC)
def get_sign_in() -> Response:
    """Show the form to sign in; whoever is signed in already goes on."""
    after = local(request.args.get("next", "/"))
    return _form(after) if sessions().asker() is None else see(after)


@blueprint.route(SIGN_IN, methods=["POST"])
@needs(PUBLIC)
def post_sign_in() -> Response:
    """Sign in with a key."""
    after = "/"
    try:
        after = local(form_field("next"))
        sessions().check_form()
        who = current_app.extensions["cutledger"].gate.admit(f"Bearer {form_field('key')}")
    except Problem as problem:
        return _form(after, problem)
    response = see(after)
    sessions().begin(response, who.key.key_id)
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
    response = see(SIGN_IN)
    sessions().end(response)
    return response


def shown(problem: Problem) -> Response:
    """A problem as whoever asks reads it: a page for browsers, or the way to sign in; programs get it as it is."""
    if request.path.startswith("/v1/") or not _wants_page():
        return problem.response()
    if problem.status == 401:
        after = local(here()) if request.method == "GET" else "/"
        return see(f"{SIGN_IN}?next={quote(after, safe='')}")
    said = Said.in_language(gettext(_PAGES_SAY[problem.slug]), None) if problem.slug in _PAGES_SAY else _words(problem)
    told = {"said": said, "request_id": g.get("request_id")}
    told["title"] = gettext(TITLES[problem.slug])
    response = show("problem.html", status=problem.status, **told)
    response.headers.extend(problem.headers)
    return as_page(response)


def _wants_page() -> bool:
    """True for browsers: they would rather have a page than what programs read.

    Not what they name best of all: some name things that nobody here has ever heard of.
    """
    accepted = request.accept_mimetypes
    return bool(accepted.quality(_HTML) > max(accepted.quality(JSON), accepted.quality(MEDIA_TYPE)))


def _form(after: str, problem: Problem | None = None) -> Response:
    response, said = Response(), None
    if problem:
        response.status_code = problem.status
        response.headers.extend(problem.headers)
        said = gettext(_FORM_SAYS[problem.slug]) if problem.slug in _FORM_SAYS else _words(problem)
        if problem.status == 401 and not form_field("key").strip():
            said = gettext("Type or paste your key.")
    token = sessions().form_token(response)
    told = {"after": after, "said": said, "form_token": token, "field": TOKEN_FIELD, "places": (), "sites": ()}
    response.set_data(render_template("sign_in.html", **told))
    return _not_kept(response)


def _words(problem: Problem) -> Said:
    """What a problem says to programs, for people: each parameter with what is wrong about it, or its detail."""
    wrong = [Said.of(one["detail"], where=f"{one['parameter']} ") for one in problem.errors if "parameter" in one]
    said = together(wrong) or Said.of(problem.detail)
    return Said.in_language(f"{said[:1].upper()}{said[1:]}.", said.lang)


def _not_kept(response: Response) -> Response:
    # It holds the session's token.
    response.headers["Cache-Control"] = "no-store"
    return response
