"""A site: its settings and keys."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/site")
@needs("administer")
def site() -> Response:
    """Show the page."""
    return show("sites.html", site=page_site())
