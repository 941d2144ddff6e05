"""Attempts, and each with its history."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, Final

from flask import Response, request

from service.asking import asker, database, needs
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import address_of, facts_of, rounded
from service.pages.findings import listed_about
from service.pages.histories import told
from service.pages.page_queries import SITE_ONLY, asked, pages_of
from service.pages.site_times import site_now
from service.routes.state import attempt_seen, attempts_seen
from service.schemas.queries import AttemptsQuery
from worker.events import ATTEMPT, JOB, PLATE
from worker.findings import findings_about
from worker.ledger import history
from worker.reports.reading import open_site
from worker.state import attempts_on_piece, last_attempt_day

_QUERY: Final = AttemptsQuery()
_FILTERS: Final = ("state", "job", "plate", "machine", "run", "piece", "outcome", "purpose", "day")
_CUT: Final = (
    "job", "plate", "heat_number", "material", "thickness_mm", "bevel_deg", "cut_thickness_mm", "machine", "gas", "run",
    "piece", "attempt_no", "retry_of", "mode", "purpose", "surface", "thermal_history",
)  # fmt: skip
#: Square through the plate: the cut is as long as the plate is thick.
_SQUARE_CUT: Final = tuple(name for name in _CUT if name not in ("bevel_deg", "cut_thickness_mm"))
_COURSE: Final = (
    "started_at", "day", "shift", "outcome", "stop_reason", "seconds", "lost_seconds", "interruptions", "pierces",
    "failed_pierces", "rework_minutes", "scrap_mass_kg",
)  # fmt: skip


@blueprint.route("/attempts", endpoint="attempts")
@needs("read_state")
def get_attempts() -> Response:
    """List attempts; a terminal sees its own."""
    site = page_site()
    query = asked(_QUERY)
    with database().read() as connection:
        now = site_now(open_site(connection, site))
        if not request.args.keys() - {"site"}:
            # Nothing was asked for: the newest are what people come for.
            last = last_attempt_day(connection, site, own=asker().own_sources)
            query |= {} if last is None else {"day": last.isoformat()}
        found = attempts_seen(connection, site, query)
    return show(
        "attempts.html",
        site=site,
        now=now,
        found=[attempt_listed(one, site) for one in found.items],
        words=terms,
        chosen={name: query.get(name, "") for name in _FILTERS},
        days=_days_beside(query, site),
        pages=pages_of("pages.attempts", site, found.next, **({"day": query["day"]} if "day" in query else {})),
    )


def _days_beside(query: Mapping[str, Any], site: str) -> list[tuple[date, str]]:
    """The production days before and after the one that is shown, with their addresses."""
    if "day" not in query:
        return []
    filters = {name: query[name] for name in _FILTERS if name in query}
    shown = date.fromisoformat(query["day"])
    if shown in (date.min, date.max):
        return []
    days = [shown + timedelta(days=step) for step in (-1, 1)]
    return [(one, to("pages.attempts", site, **filters | {"day": one.isoformat()})) for one in days]


@blueprint.route("/attempts/<identifier:name>", endpoint="attempt")
@needs("read_state")
def get_attempt(name: str) -> Response:
    """Show an attempt: its parts, its pierces, its recipe, its retries, what is odd about it, its history."""
    site = page_site()
    asked(SITE_ONLY)
    reads = asker().may("read")
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        attempt = attempt_seen(connection, site, name)
        chain = attempts_on_piece(connection, site, name, own=asker().own_sources)
        odd = findings_about(reader, [(ATTEMPT, name)], now_us=now.now_us) if reads else []
        happened = history(connection, site, ATTEMPT, name) if reads else []
    bevelled = bool(attempt["bevel_deg"])
    warned = [
        warning | {"facts": facts_of(rounded(warning["figures"]), site=site, zone=now.zone)}
        for warning in attempt["warnings"]
    ]
    return show(
        "attempt.html",
        site=site,
        now=now,
        attempt=attempt_listed(attempt, site),
        words=terms,
        back=to("pages.attempts", site),
        trace=to("pages.trace", site, attempt=name) if reads else None,
        cut=facts_of(attempt, _CUT if bevelled else _SQUARE_CUT, site=site, zone=now.zone),
        course=facts_of(attempt, _COURSE, site=site, zone=now.zone),
        recipe=facts_of(attempt["recipe"] or {}, site=site, zone=now.zone),
        chain=[attempt_listed(one, site) for one in chain] if len(chain) > 1 else [],
        warned=warned,
        reads=reads,
        odd=listed_about(odd, site),
        told=told(happened, site=site, zone=now.zone),
    )


def attempt_listed(attempt: dict[str, Any], site: str) -> dict[str, Any]:
    """An attempt with the pages of what it names."""
    return attempt | {
        "address": address_of(ATTEMPT, attempt["attempt"], site),
        "job_address": address_of(JOB, attempt["job"], site),
        "plate_address": address_of(PLATE, attempt["plate"], site),
        "lost": {stage: parts for stage, parts in attempt["lost_at"].items() if parts},
    }
