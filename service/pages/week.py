"""The week: what a manager can repeat, and the figures behind it."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/week")
@needs("read")
def week() -> Response:
    """Show the page."""
    return show("week.html", site=page_site())
