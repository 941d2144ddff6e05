"""All pages, registered with the application."""

from __future__ import annotations

from flask import Flask

from service.pages import (
    attempts,
    change,
    dossier,
    findings,
    handover,
    holds,
    jobs,
    limit,
    plates,
    recipes,
    releases,
    signing_in,
    site_keys,
    site_record,
    sites,
    terminal,
    terminal_known,
    trace,
    trials,
    week,
)
from service.pages.blueprint import blueprint
from service.pages.languages import speak

#: The modules whose views are the pages; importing them puts the views on the blueprint.
MODULES = (
    attempts, change, dossier, findings, handover, holds, jobs, limit, plates, recipes, releases, signing_in,
    site_keys, site_record, sites, terminal, terminal_known, trace, trials, week,
)  # fmt: skip


def serve_pages(app: Flask) -> None:
    """Let the application show its pages."""
    speak(app)
    app.register_blueprint(blueprint)
