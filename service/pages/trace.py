"""A claim traced from a part to its steel and back; what was cut since a machine was last in order."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from flask import Response, request, url_for
from marshmallow import ValidationError, fields

from service.asking import database, needs
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import address_of
from service.pages.languages import marked
from service.pages.page_queries import asked
from service.pages.site_times import SiteNow, site_now
from service.routes.tracing import trace_asked, traced, traced_since
from service.schemas.queries import ID_LENGTH, Characters, SinceQuery, TraceStartQuery, instant_asked
from worker.events import ATTEMPT, JOB, PLATE
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.reports.reading import instant, open_site
from worker.sentences import sentence
from worker.tracing.asked import STARTS
from worker.tracing.checks import BOUNDS
from worker.tracing.walk import DIRECTIONS

#: So many rows of each table are shown; the files have all.
_MOST_ROWS: Final = 500
DIRECTION_WORDS: Final = {
    "both": marked("both ways"),
    "back": marked("back to the steel"),
    "forward": marked("forward to the parts"),
}
BOUND_WORDS: Final = {
    "either": marked("the later of the two"),
    "check": marked("its last full check"),
    "inspection": marked("its last attempt that was inspected good"),
}
START_WORDS: Final = {
    "heat": marked("heat"),
    "plate": marked("plate"),
    "run": marked("run"),
    "attempt": marked("attempt"),
    "job": marked("job"),
    "order": marked("order"),
    "machine": marked("machine"),
}
#: The fields of the form.
_FIELDS: Final = (*STARTS, "mill", "from", "to", "direction")


class SincePageQuery(SinceQuery):
    """Which machine, since what, and up to when by the clock of the site."""

    machine = fields.String(validate=Characters(ID_LENGTH))
    until = fields.String(validate=Characters(40))


_START: Final = TraceStartQuery()
_SINCE: Final = SincePageQuery()


@blueprint.route("/trace", endpoint="trace")
@needs("read")
def get_trace() -> Response:
    """Show what lies back and forward of a start; of none the forms that ask."""
    site, query = page_site(), asked(_START)
    is_asked = any(query.get(name) is not None for name in _FIELDS if name not in ("direction", "from"))
    start = trace_asked(query) if is_asked or query.get("from_") is not None else None
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        told = None if start is None else traced(reader, start, query["direction"])
    chosen = {name: request.args.get(name, "").strip() for name in _FIELDS} | {"direction": query["direction"]}
    return _shown(site, now, told, chosen=chosen)


@blueprint.route("/trace/since-check", endpoint="trace_since_check")
@needs("read")
def get_trace_since_check() -> Response:
    """Show what was cut on a machine since it was last in order; of none the forms that ask."""
    site, query = page_site(), asked(_SINCE)
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        until_us = _instant(query.get("until"), now)
        is_asked = query.get("machine") is not None
        told = traced_since(reader, query | {"until": until_us}) if is_asked else None
    # As a field for a time takes it, whatever the address says it as
    until = "" if until_us is None else f"{instant(until_us).astimezone(now.zone):%Y-%m-%dT%H:%M:%S}"
    chosen = {"machine": query.get("machine", ""), "by": query["by"], "until": until}
    return _shown(site, now, told, chosen_since=chosen)


def _instant(text: str | None, now: SiteNow) -> int | None:
    """A time of the form, by the clock of the site where it names no offset; raises QuestionUnanswerable."""
    if text is None:
        return None
    try:
        read = datetime.fromisoformat(text.strip())
        return instant_asked((read if read.tzinfo else read.replace(tzinfo=now.zone)).isoformat())
    except (ValueError, OverflowError, ValidationError):
        detail = sentence("must be a day and a time such as 2026-03-02T06:15, found %(found)s", found=repr(text))
        raise QuestionUnanswerable([Wrong("until", detail)]) from None


def _shown(
    site: str,
    now: SiteNow,
    told: Mapping[str, Any] | None,
    *,
    chosen: Mapping[str, Any] | None = None,
    chosen_since: Mapping[str, Any] | None = None,
) -> Response:
    return show(
        "trace.html",
        site=site,
        now=now,
        told=told,
        **({} if told is None else _tables(told, site)),
        starts=START_WORDS,
        directions={name: DIRECTION_WORDS[name] for name in DIRECTIONS},
        bounds={name: BOUND_WORDS[name] for name in BOUNDS},
        chosen=chosen or dict.fromkeys(_FIELDS, "") | {"direction": DIRECTIONS[0]},
        chosen_since=chosen_since or {"machine": "", "by": BOUNDS[0], "until": ""},
        most_rows=_MOST_ROWS,
        words=terms,
    )


def _tables(told: Mapping[str, Any], site: str) -> dict[str, Any]:
    """What a trace tells, each with its page or with the trace from it."""

    def traced_from(**start: Any) -> str:
        return to("pages.trace", site, **start)

    heats = [one | {"address": traced_from(heat_number=one["heat_number"], mill=one["mill"])} for one in told["heats"]]
    plates = [
        one
        | {
            "address": address_of(PLATE, one["plate"], site),
            "parent_address": address_of(PLATE, one["parent"], site),
        }
        for one in told["plates"]
    ]
    attempts = [
        one
        | {
            "address": address_of(ATTEMPT, one["attempt"], site),
            "job_address": address_of(JOB, one["job"], site),
            "plate_address": address_of(PLATE, one["plate"], site),
        }
        for one in told["attempts"]
    ]
    jobs = [
        one
        | {
            "address": address_of(JOB, one["job"], site),
            "order_address": None if one["order"] is None else traced_from(order=one["order"]),
        }
        for one in told["jobs"]
    ]
    since = told.get("since") or {}
    inspected, check = since.get("last_inspected"), since.get("last_check")
    return {
        "heats": heats,
        "plates": plates,
        "runs": [one | {"address": traced_from(run=one["run"])} for one in told["runs"]],
        "attempts": attempts,
        "jobs": jobs,
        "orders": [one | {"address": traced_from(order=one["order"])} for one in told["orders"]],
        "inspected_address": inspected and address_of(ATTEMPT, inspected["attempt"], site),
        "before_check": check
        and to("pages.trace_since_check", site, machine=since["machine"], until=check["at"].isoformat()),
        "files": {} if told["cut_off"] else _files(told, site),
    }


def _files(told: Mapping[str, Any], site: str) -> dict[str, str]:
    """Where the same answer is had as a file."""
    query: dict[str, Any] = {name: value for name, value in request.args.items() if value.strip() and name != "site"}
    if since := told.get("since"):
        query |= {} if since["until"] is None else {"until": since["until"].isoformat()}
        return {word: url_for("tracing.get_trace_since_check", site=site, **query, format=word) for word in _FILES}
    return {word: url_for("tracing.get_trace", site=site, **query, format=word) for word in _FILES}


_FILES: Final = ("csv", "json")
