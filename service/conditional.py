"""ETags: an answer that the asker holds already is not sent again, and a change of what has changed is refused."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import blake2b
from typing import Any, Final, TypeVar

from flask import Response, current_app, request

from service import RELEASE
from service.problems import Problem
from worker.reports.reading import Reader

View = TypeVar("View", bound=Callable[..., Any])

_KEPT: Final = "private, no-cache"


def never_kept(view: View) -> View:
    """Mark a view whose answer speaks of this very moment: it has no ETag, and nobody keeps it."""
    view.never_kept = True  # type: ignore[attr-defined]
    return view


def is_tagged(view: Callable[..., Any]) -> bool:
    """True when what a view answers to GET has an ETag."""
    return not getattr(view, "never_kept", False)


def etag_of(site: str, revision: int, *what: object) -> str:
    """Strong ETag of an answer: the same as long as the site's counts, the release and the question are."""
    text = "\x1f".join(str(part) for part in (RELEASE, site, revision, *what))
    return _digest(text.encode())


def etag_at_once(reader: Reader, *what: object) -> str:
    """ETag of what is shown as soon as it is in the ledger: it changes with what waits to be counted, too."""
    return etag_of(reader.site, reader.revision, *what, reader.as_of.waiting, reader.as_of.set_aside)


def unchanged(etag: str) -> Response | None:
    """The answer 304 when the client holds this already."""
    if request.if_none_match.contains_weak(etag):
        return tagged(Response(status=304), etag)
    return None


def tagged(response: Response, etag: str) -> Response:
    """A response that carries its ETag and may be kept, though only asked for again."""
    response.set_etag(etag)
    response.headers["Cache-Control"] = _KEPT
    response.headers["Vary"] = "Accept, Authorization, Cookie"
    return response


def settled(response: Response) -> Response:
    """An answer to GET or HEAD with the ETag of what it says, where it has none of its own; 304 for who holds it."""
    if not _takes_etag(response):
        return response
    etag = _digest(response.get_data())
    return unchanged(etag) or tagged(response, etag)


def _takes_etag(response: Response) -> bool:
    asked = request
    return (
        asked.method in ("GET", "HEAD")
        and response.status_code == 200
        and asked.endpoint is not None
        and is_tagged(current_app.view_functions[asked.endpoint])
        and "ETag" not in response.headers
        and "Cache-Control" not in response.headers
        and not response.is_streamed
    )


def refuse_if_changed(etag: str) -> None:
    """Raise a Problem 412 when If-Match names what was read, and that is another by now."""
    if "If-Match" in request.headers and not request.if_match.contains(etag):
        raise Problem(412, "changed", "it is not what If-Match names any more; read it again, then send the change")


def _digest(body: bytes) -> str:
    return blake2b(body, digest_size=16).hexdigest()
