"""Findings, open and closed, and what people noted on them."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/findings")
@needs("read")
def findings() -> Response:
    """Show the page."""
    return show("findings.html", site=page_site())
