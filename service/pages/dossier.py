"""The dossier of a proven thickness: a page to read and print, and the same as PDF."""

from __future__ import annotations

from typing import Final

from flask import Response

from service.asking import database, needs
from service.formats import attachment
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.content_pdf import content_pdf
from service.pages.contents import Content
from service.pages.dossier_content import dossier_content
from service.pages.page_queries import SITE_ONLY, asked
from service.pages.site_times import site_now
from service.routes.proofs import dossier_seen
from worker.reports.reading import open_site

_PDF: Final = "application/pdf"


@blueprint.route("/proofs/<identifier:name>/dossier")
@needs("read")
def dossier(name: str) -> Response:
    """Show what is proven, by which cuts, until when it holds and what ends it."""
    site = page_site()
    content = _content(site, name)
    return show(
        "dossier.html", site=site, content=content, back=to("pages.limit", site),
        pdf=to("pages.dossier_pdf", site, name=name),
    )  # fmt: skip


@blueprint.route("/proofs/<identifier:name>/dossier.pdf")
@needs("read")
def dossier_pdf(name: str) -> Response:
    """Give the same as PDF."""
    content = _content(page_site(), name)
    response = Response(content_pdf(content), content_type=_PDF)
    response.headers["Content-Disposition"] = attachment(content.name, "pdf")
    # It says whether what is proven holds on this very day.
    response.headers["Cache-Control"] = "no-store"
    return response


def _content(site: str, name: str) -> Content:
    asked(SITE_ONLY)
    found = dossier_seen(site, name)
    with database().read() as connection:
        zone = site_now(open_site(connection, site)).zone
    return dossier_content(found, zone=zone, attempt_address=lambda attempt: to("pages.attempt", site, name=attempt))
