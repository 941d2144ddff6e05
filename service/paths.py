"""Ids in paths: percent-encoded by the client, so that an id may hold a slash."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any, Final
from urllib.parse import quote, unquote_to_bytes

from werkzeug.routing import BaseConverter

#: The door in, as `service.routes.events` registers it.
EVENTS_PATH: Final = "/v1/events"
#: Where is asked whether the service is well, as `service.routes.health` registers it.
HEALTH_PATHS: Final = ("/livez", "/readyz")
#: What stays encoded until the path was divided: the slash, and the percent sign that says so.
_KEPT: Final = re.compile(r"%(2f|25)", re.IGNORECASE)


class IdentifierConverter(BaseConverter):
    """One path segment that is an id of the ledger."""

    regex = "[^/]+"
    part_isolating = True

    def to_python(self, value: str) -> str:
        """The id, its slashes and percent signs decoded."""
        return _KEPT.sub(lambda found: "/" if found[1].lower() == "2f" else "%", value)

    def to_url(self, value: str) -> str:
        """The id as one segment of a path."""
        return quote(value, safe="")


class KeepEncodedSlashes:
    """WSGI middleware: gives the application a path in which an encoded slash is still told from a real one."""

    def __init__(self, app: Callable[..., Iterable[bytes]]) -> None:
        self.app = app

    def __call__(  # noqa: D102
        self, environ: dict[str, Any], start_response: Callable[..., Any]
    ) -> Iterable[bytes]:
        raw = environ.get("RAW_URI") or environ.get("REQUEST_URI") or ""
        path = raw.split("?", 1)[0]
        if _KEPT.search(path) and path.startswith("/"):
            kept = _KEPT.sub(lambda found: "%25" + found[1].upper(), path)
            environ["PATH_INFO"] = unquote_to_bytes(kept).decode("latin-1")
        return self.app(environ, start_response)
