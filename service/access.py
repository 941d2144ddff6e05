"""One line in the log for each request, and its time in the metrics."""

from __future__ import annotations

import logging
import time
from functools import lru_cache
from typing import Final

from flask import Response, g, request

from service.api_document.document import path_of
from service.logs import REQUEST_ID, SAID
from service.metrics import Metrics

log = logging.getLogger(__name__)

ANSWERED: Final = "answered"

_template = lru_cache(path_of)


def begin(request_id: str) -> None:
    """Note when a request began; what is logged meanwhile carries its id."""
    g.began = time.perf_counter()
    REQUEST_ID.set(request_id)


def note(response: Response, metrics: Metrics) -> None:
    """Log and measure a request that is answered: how it was named and how long it took, nothing of what it said."""
    now = time.perf_counter()
    seconds = now - g.get("began", now)
    rule, method, status = request.url_rule, request.method, response.status_code
    route = None if rule is None else _template(rule.rule)
    metrics.note_request(route=route, method=method, status=status, seconds=seconds)
    if log.isEnabledFor(logging.INFO):
        key = g.asker.key if "asker" in g else None
        said = {
            "key_id": None if key is None else key.key_id,
            "site": None if key is None else _site(key.sites),
            "route": route,
            "method": method,
            "status": status,
            "duration_ms": round(1_000 * seconds, 3),
        }
        log.info(ANSWERED, extra={SAID: said})
    REQUEST_ID.set(None)


def _site(sites: tuple[str, ...]) -> str | None:
    """The site that a request was about, if it is one of its key's: another name might be anything."""
    named = request.args.get("site")
    if named is None:
        return sites[0] if len(sites) == 1 else None
    return named if named in sites else None
