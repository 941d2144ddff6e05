"""The terminal of the shop floor: a page that works without network, and the worker that keeps it on the device.

The page is the same for all who speak one language: site, key and the session's token are told by `/terminal/known`.
So a device may keep it, and opens it whoever is signed in by then.
"""

from __future__ import annotations

import json
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Final

from flask import Response, g, make_response, render_template, request

from service.asking import PUBLIC, needs
from service.pages.blueprint import blueprint, page_site
from service.pages.languages import language, languages
from service.pages.terminal_words import words

_STATIC: Final = Path(__file__).parent / "static"
_SCRIPTS: Final = _STATIC / "terminal"
#: What the page loads besides its own scripts.
_STYLES: Final = ("pages.css", "terminal/terminal.css")
#: Scripts of the worker itself, which no page loads.
_OF_THE_WORKER: Final = ("worker.js", "background.js")
_IN_THE_BACKGROUND: Final = 'import "/static/terminal/background.js";\n'


@blueprint.route("/terminal")
@needs("write")
def terminal() -> Response:
    """Show the page."""
    page_site()
    return _page()


@blueprint.route("/terminal/shell")
@needs(PUBLIC)
def terminal_shell() -> Response:
    """Give the same page to the worker, in a language that it names, which keeps it whoever is signed in."""
    _speak_as_asked()
    return _page()


@blueprint.route("/terminal/worker.js")
@needs(PUBLIC)
def terminal_worker() -> Response:
    """Give the worker, with the addresses of the files that it keeps and a hash of all that it keeps.

    Another release is another script, by which browsers see that there is something new. The address names the
    language, since browsers ask for it without cookies. With `plain` it does without modules, and so without sending
    while no page is open.
    """
    _speak_as_asked()
    files = [f"/static/{name}" for name in _kept_files()]
    release = blake2b(f"{_files_hash()}{_shell()}".encode(), digest_size=12).hexdigest()
    told = {"RELEASE": release, "SHELL": f"/terminal/shell?language={language()}", "FILES": files}
    head = "".join(f"const {name} = {json.dumps(value)};\n" for name, value in told.items())
    background = "" if "plain" in request.args else _IN_THE_BACKGROUND
    script = (_SCRIPTS / "worker.js").read_text(encoding="utf-8")
    response = make_response(background + head + script)
    response.mimetype = "text/javascript"
    # It lies below the page that it serves.
    response.headers["Service-Worker-Allowed"] = "/terminal"
    response.headers["Cache-Control"] = "no-cache"
    return response


def _speak_as_asked() -> None:
    asked = request.args.get("language")
    if asked in languages():
        g.language = asked


def _page() -> Response:
    response = make_response(_shell())
    response.headers["Cache-Control"] = "no-store"
    return response


def _shell() -> str:
    modules = [f"/static/{name}" for name in _kept_files() if name.endswith(".js")]
    return render_template("terminal.html", words=words(), modules=modules)


@cache
def _kept_files() -> tuple[str, ...]:
    """Files below /static/ that the page needs."""
    scripts = sorted(path.relative_to(_STATIC).as_posix() for path in _SCRIPTS.rglob("*.js"))
    return (*_STYLES, *(name for name in scripts if Path(name).name not in _OF_THE_WORKER))


@cache
def _files_hash() -> str:
    digest = blake2b(digest_size=16)
    for name in _kept_files():
        digest.update(name.encode() + b"\0" + (_STATIC / name).read_bytes())
    return digest.hexdigest()
