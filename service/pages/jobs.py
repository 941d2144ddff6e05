"""Jobs, and each with its history."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/jobs")
@needs("read_state")
def jobs() -> Response:
    """Show the page."""
    return show("jobs.html", site=page_site())
