"""ETags of what is computed from a site's counted events."""

from __future__ import annotations

from hashlib import blake2b

from flask import Response, request

from service import RELEASE


def etag_of(site: str, revision: int, *what: object) -> str:
    """Strong ETag of an answer: the same as long as the site's counts, the release and the question are."""
    text = "\x1f".join(str(part) for part in (RELEASE, site, revision, *what))
    return blake2b(text.encode(), digest_size=16).hexdigest()


def unchanged(etag: str) -> Response | None:
    """The answer 304 when the client holds this already."""
    if request.if_none_match.contains_weak(etag):
        return tagged(Response(status=304), etag)
    return None


def tagged(response: Response, etag: str) -> Response:
    """A response that carries its ETag and may be kept, though only asked for again."""
    response.set_etag(etag)
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Accept, Authorization"
    return response
