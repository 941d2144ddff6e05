"""The terminal of the shop floor."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/terminal")
@needs("write")
def terminal() -> Response:
    """Show the page."""
    return show("terminal.html", site=page_site())
