"""Plates, and each with its condition and history."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/plates")
@needs("read_state")
def plates() -> Response:
    """Show the page."""
    return show("plates.html", site=page_site())
