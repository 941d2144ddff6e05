"""The limit: how thick a machine can cut in production, and what proves the next thickness."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/limit")
@needs("read")
def limit() -> Response:
    """Show the page."""
    return show("limit.html", site=page_site())
