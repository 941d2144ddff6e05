"""Attempts, and each with its history."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/attempts")
@needs("read_state")
def attempts() -> Response:
    """Show the page."""
    return show("attempts.html", site=page_site())
