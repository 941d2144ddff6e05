"""The one door in, and the ledger as a feed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, Final
from urllib.parse import urlencode

import orjson
from flask import Response, current_app, request
from flask_smorest import Blueprint
from marshmallow import RAISE
from sqlalchemy import Connection

from service.acceptance import Judged, People, judge, taken_quickly
from service.api_document.operations import Reply, operation
from service.api_document.posting import POST_EVENTS
from service.asking import Asker, asked_site, asker, database, needs, only_site
from service.bodies import LARGEST_BODY, Batch, parse_items, read_body
from service.clock import now_us
from service.conditional import tagged
from service.faults import Fault
from service.formats import json_response
from service.problems import Problem
from service.schemas.answers import Feed
from service.schemas.queries import FeedQuery
from service.settling import PeopleOld, people_of, refuse_old_people
from worker import ledger
from worker.administration import SITE_SET, Actor, record_settings
from worker.events import LIFTED, RELEASED, TRIAL_CONCLUDED, TRIAL_PLANNED, VOIDED, WITHDRAWN
from worker.grouping import Joint
from worker.ledger import ACCEPTED, CONFLICT, DUPLICATE, REFUSED, Verdict
from worker.reports.reading import instant
from worker.state import Page

BODY_LIMIT: Final = LARGEST_BODY
INVALID: Final = "invalid"
#: Below it the doors for settings append, in the name of the key that asked.
OWN_SOURCES: Final = "/keys/"
#: Types that have doors of their own, for those who may administer.
ADMINISTERED: Final = (
    SITE_SET, "cutledger.finding.noted", "cutledger.proof.planned", RELEASED, WITHDRAWN, LIFTED, TRIAL_PLANNED,
    TRIAL_CONCLUDED,
)  # fmt: skip
#: Whether a key may say these depends on more than their source and type.
_LOOKED_AT_EACH: Final = (SITE_SET, VOIDED)

blueprint = Blueprint("events", __name__, url_prefix="/v1", description="What happened: the one door in, and the feed")


@blueprint.route("/events", methods=["POST"])
@blueprint.doc(**POST_EVENTS)
@needs("write")
def post_events() -> Response:
    """Post events.

    One event, an array, or one event a line. Each is answered by itself; a 2xx is sent only after they are durably
    committed. Sending again is free: the same source and id with the same content is a duplicate.
    """
    site = only_site() or asked_site()
    body = read_body(
        request.stream,
        content_length=request.content_length,
        encoding=request.headers.get("Content-Encoding"),
        limit=BODY_LIMIT,
    )
    known = current_app.extensions["cutledger"].people
    if site in known:
        # Read once for many posts; when that has changed meanwhile, all is judged again.
        with suppress(PeopleOld):
            return _taken(body, site, known[site])
    with database().read() as connection:
        known[site] = people_of(connection, site, now_us=now_us())
    return _taken(body, site, known[site])


def _taken(body: bytes, site: str, people: People) -> Response:
    """Take what is right of a body into the ledger; raises PeopleOld, with nothing written."""
    quickly = partial(taken_quickly, now_us=now_us(), people=people)
    batch = parse_items(body, request.headers.get("Content-Type", ""), quickly)
    shown, judged = _judged(batch, site, asker(), people)
    if judged:
        administers = asker().may("administer")
        posted = _Posted([event for _, event in judged], site, people, administers, asker().actor)
        verdicts = database().write_together(posted.work, of=site)
        for (index, event), verdict in zip(judged, verdicts, strict=True):
            shown[index] = _shown(index, event.id, verdict, batch.items[index].pointer)
        current_app.extensions["cutledger"].nudge()
    statuses = [one["status"] for one in shown]
    types = (item.type for item in batch.items)
    current_app.extensions["cutledger"].metrics.note_events(zip(types, statuses, strict=True))
    return _answered(shown, Counter(statuses))


@dataclass(frozen=True, slots=True)
class _Posted:
    """Events of one post on their way into the ledger."""

    events: list[Judged]
    site: str
    people: People
    administers: bool
    actor: Actor

    @property
    def work(self) -> Joint[_Posted, list[Verdict]]:
        """What writes them: at once with other posts of the site, unless what one says bears on another."""
        stands_alone = self.administers or any(event.void_target is not None for event in self.events)
        return Joint(_append, self, of=id(self) if stands_alone else (self.site, self.people))


def _append(connection: Connection, posts: Sequence[_Posted]) -> list[list[Verdict]]:
    """The verdicts on the events of each post."""
    now, first = now_us(), posts[0]
    unvoidable = () if first.administers else ADMINISTERED
    together = [event for posted in posts for event in posted.events]
    told = ledger.append(connection, first.site, together, received_us=now, unvoidable=unvoidable)
    refuse_old_people(connection, first.site, first.people, now_us=now)
    verdicts = iter(told)
    each = [list(islice(verdicts, len(posted.events))) for posted in posts]
    if first.administers:
        record_settings(connection, first.site, first.events, each[0], actor=first.actor, now_us=now)
    return each


def _judged(
    batch: Batch, site: str, who: Asker, people: People
) -> tuple[list[dict[str, Any]], list[tuple[int, Judged]]]:
    """(what is said of each item, of those that go on to the ledger nothing yet; these, by index)."""
    shown: list[dict[str, Any]] = [{}] * len(batch.items)
    judged: list[tuple[int, Judged]] = []
    may_say: set[tuple[str, str]] = set()
    now = now_us()
    for index, item in enumerate(batch.items):
        found = item.taken or item.faults or judge(item.value, now_us=now, people=people, pointer=item.pointer)
        if isinstance(found, Judged) and (found.source, found.type) not in may_say:
            faults = _not_allowed(found, who, site, item.pointer)
            if not faults and found.type not in _LOOKED_AT_EACH:
                may_say.add((found.source, found.type))
            found = faults or found
        if isinstance(found, Judged):
            judged.append((index, found))
        else:
            shown[index] = {"index": index, "id": item.id, "status": INVALID, "errors": _told(found)}
    return shown, judged


def _not_allowed(event: Judged, who: Asker, site: str, pointer: str) -> list[Fault]:
    """What this key may not say."""
    administers = who.may("administer")
    if not who.speaks_for(event.source):
        prefix = who.key.source_prefix
        return [Fault(f"{pointer}/source", f"this key speaks for {prefix} and what lies below it, not for this source")]
    if event.source.startswith(OWN_SOURCES) and not administers:
        return [
            Fault(f"{pointer}/source", "this source is the service's own; choose another, such as /terminals/bay-2")
        ]
    if event.type in ADMINISTERED and not administers:
        return [Fault(f"{pointer}/type", f"{event.type} is for keys with the role admin")]
    if event.type == SITE_SET and event.subject != site:
        return [Fault(f"{pointer}/subject", f"must be the site of the request, {site}")]
    may_void_others = administers or "erp" in who.key.roles
    if event.void_target is not None and not may_void_others and event.void_target[0] != event.source:
        return [Fault(f"{pointer}/data/source", "a terminal voids events of its own source only")]
    return []


def _shown(index: int, event_id: str, verdict: Verdict, pointer: str) -> dict[str, Any]:
    """The verdict on an event as it leaves."""
    status, position, reason, within = verdict
    shown: dict[str, Any] = {"index": index, "id": event_id, "status": INVALID if status == REFUSED else status}
    if position is not None:
        shown["position"] = position
    if reason:
        shown["errors"] = _told([Fault(pointer + within, reason)])
    return shown


def _told(faults: Sequence[Fault]) -> list[dict[str, str]]:
    return [{"pointer": fault.pointer, "detail": fault.detail} for fault in faults]


def _answered(shown: Sequence[dict[str, Any]], counts: Counter[str]) -> Response:
    body: dict[str, Any] = {status: counts[status] for status in (ACCEPTED, DUPLICATE, CONFLICT, INVALID)}
    body["items"] = shown
    taken = counts[ACCEPTED] + counts[DUPLICATE]
    if taken or not shown:
        return json_response(body, 202 if taken == len(shown) else 207)
    errors = [error for one in shown for error in one["errors"]]
    slug, status = ("events-refused", 422) if counts[INVALID] else ("events-conflict", 409)
    detail = "; ".join(f"{error['pointer'] or 'the event'} {error['detail']}" for error in errors[:3])
    raise Problem(status, slug, detail, errors[:100], body)


@blueprint.route("/events", methods=["GET"])
@blueprint.arguments(FeedQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A piece of the ledger.", Feed, headers=("Link",)), errors=(404,)))
@needs("read")
def get_events(query: dict[str, Any]) -> Response:
    """Read the ledger as a feed.

    Events in the order in which they were committed. Ask again with `after` set to `next`: a reader that follows it
    sees every event once, none missed; at the end `next` stays good for what comes.
    """
    site = asked_site()
    with database().read() as connection:
        items, following, more = ledger.feed(
            connection,
            site,
            after=query.get("after"),
            limit=query["limit"],
            types=query.get("type", ()),
            subjects=query.get("subject", ()),
        )
    body = {"items": [feed_item(item) for item in items], "next": following, "more": more}
    response = json_response(body)
    response.headers["Link"] = next_link(following)
    return response


def feed_item(item: ledger.FeedItem) -> dict[str, Any]:
    """An event of the ledger as it leaves: as it was sent, with its position and receipt."""
    return {
        "position": item.position,
        "received_at": instant(item.received_us),
        "event": orjson.Fragment(item.payload),
    }


def next_link(cursor: str) -> str:
    """RFC 8288 link to what follows this request's answer."""
    parameters = [pair for pair in request.args.items(multi=True) if pair[0] != "after"]
    return f'<{request.path}?{urlencode([*parameters, ("after", cursor)])}>; rel="next"'


def tagged_page(page: Page, etag: str, **more: Any) -> Response:
    """A page with its ETag, and the link to the next one."""
    response = json_response({"items": page.items, "next": page.next, **more})
    if page.next is not None:
        response.headers["Link"] = next_link(page.next)
    return tagged(response, etag)
