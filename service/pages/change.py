"""Change: control charts with their signals."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/change")
@needs("read")
def change() -> Response:
    """Show the page."""
    return show("change.html", site=page_site())
