"""Recipes side by side."""

from __future__ import annotations

from flask import Response

from service.asking import needs
from service.pages.blueprint import blueprint, page_site, show


@blueprint.route("/recipes")
@needs("read")
def recipes() -> Response:
    """Show the page."""
    return show("recipes.html", site=page_site())
