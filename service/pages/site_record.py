"""The record of administration: who made, changed or revoked what, and when. For admins."""

from __future__ import annotations

from typing import Any, Final

from flask import Response

from service.asking import database, needs
from service.pages import terms
from service.pages.act_terms import ACTS
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import facts_of, in_a_line
from service.pages.field_terms import field_name
from service.pages.page_queries import asked, pages_of
from service.pages.site_times import site_now
from service.routes.administration import act_shown
from service.schemas.queries import ActsQuery
from worker.administration import entries
from worker.reports.reading import open_site

_QUERY: Final = ActsQuery()


@blueprint.route("/site/record", endpoint="record")
@needs("administer")
def get_record() -> Response:
    """Show the record of administration, the newest first."""
    site = page_site()
    query = asked(_QUERY)
    acts = query.get("act", ())
    with database().read() as connection:
        now = site_now(open_site(connection, site))
        found, following = entries(connection, site, after=query.get("after"), limit=query["limit"], acts=acts)
    return show(
        "site_record.html",
        site=site,
        now=now,
        found=[_listed(act_shown(one), site, now.zone) for one in found],
        acts=ACTS,
        words=terms,
        chosen=acts[0] if acts else "",
        back=to("pages.site", site),
        pages=pages_of("pages.record", site, following),
    )


def _listed(act: dict[str, Any], site: str, zone: Any) -> dict[str, Any]:
    details = act["details"]
    if isinstance(settings := details.get("settings"), list):
        details = details | {"settings": [field_name(name)[0] for name in settings]}
    return act | {"more": in_a_line(facts_of(details, site=site, zone=zone))}
