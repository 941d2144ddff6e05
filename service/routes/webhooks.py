"""Webhooks: addresses to which the site has news pushed, and what became of each push."""

from __future__ import annotations

from typing import Any, Final

from flask import Response
from flask_smorest import Blueprint
from marshmallow import RAISE
from sqlalchemy import Connection

from service.api_document.operations import Reply, json_body, operation, path_id
from service.asking import asked_site, asker, database, needs
from service.clock import now_us
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import not_found
from service.routes.events import next_link
from service.schemas.queries import Query
from service.schemas.webhooks import (
    WEBHOOK_NEW,
    DeliveriesQuery,
    DeliveryPage,
    RotationQuery,
    Webhook,
    WebhookList,
    WebhookMade,
    WebhookNew,
    WebhookResent,
    WebhookTested,
)
from worker.administration import record
from worker.pushes import deliveries, webhooks
from worker.pushes.addresses import AddressRefused, Allowed, checked, read_url, resolved
from worker.reports.reading import calendar_of, instant
from worker.settings import loopback_allowed
from worker.state import PageCursorUnreadable, last_of, page_cursor

blueprint = Blueprint("webhooks", __name__, url_prefix="/v1", description="News pushed to other systems, signed")
_WEBHOOK: Final = path_id("webhook", "id of the webhook", "wh_k7m2q9xa")
_CURSOR: Final = "d1:"
#: No delivery has a number beyond it.
_MOST_NUMBER: Final = 10**15


@blueprint.route("/webhooks", methods=["GET"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "The webhooks.", WebhookList), errors=(404,)))
@needs("push")
def get_webhooks(_query: dict[str, Any]) -> Response:
    """List webhooks.

    Those of the site, never their secrets.
    """
    site = asked_site()
    with database().read() as connection:
        found = webhooks.of_site(connection, site)
    return json_response({"items": [_shown(one) for one in found]})


@blueprint.route("/webhooks", methods=["POST"])
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(
    **operation(
        Reply(201, "The webhook, with its secret.", WebhookMade, headers=("Location",)),
        errors=(404, 409),
        body=json_body(WebhookNew, "The webhook to make; at most 1 MiB."),
    )
)
@needs("push")
def post_webhook(_query: dict[str, Any]) -> Response:
    """Make a webhook.

    What happens from now on is pushed to its address. The answer holds its secret once, which is stored nowhere. The
    address is judged now and again before each push: one that leads inside of a plant or machine is refused, unless the
    site's setting webhook_hosts allows it.
    """
    site = asked_site()
    asked, _ = read_object(WEBHOOK_NEW)
    now = now_us()
    with database().read() as connection:
        hosts = calendar_of(connection, site).place(now).settings.webhook_hosts
    allowed = Allowed.of(hosts, loopback=loopback_allowed())
    try:
        # Outside of a transaction: to find a host may take a while.
        checked(read_url(asked["url"]), allowed, resolved)
    except AddressRefused as refused:
        raise wrong_field("/url", str(refused)) from None
    with database().write() as connection:
        made, secret = webhooks.make(
            connection,
            site,
            name=asked["name"],
            url=asked["url"],
            topics=asked["topics"],
            created_by=asker().key.key_id,
            now_us=now,
        )
        details = {"name": made.name, "url": made.url, "topics": list(made.topics)}
        _record(connection, site, "webhook.made", made.webhook, details, now=now)
    return json_response(_shown(made) | {"secret": secret}, 201, Location=f"/v1/webhooks/{made.webhook}")


@blueprint.route("/webhooks/<identifier:webhook>", methods=["GET"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "The webhook.", Webhook), errors=(404,)))
@needs("push")
def get_webhook(_query: dict[str, Any], webhook: str) -> Response:
    """Read a webhook.

    Where to it pushes what, and whether it is paused, and why.
    """
    site = asked_site()
    with database().read() as connection:
        return json_response(_shown(_known(connection, site, webhook)))


@blueprint.route("/webhooks/<identifier:webhook>", methods=["DELETE"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(204, "It is removed."), errors=(404,)))
@needs("push")
def delete_webhook(_query: dict[str, Any], webhook: str) -> Response:
    """Remove a webhook.

    What still waits for it is not sent any more.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        _known(connection, site, webhook, to_change=True)
        webhooks.remove(connection, site, webhook, now_us=now)
        _record(connection, site, "webhook.removed", webhook, now=now)
    return Response(status=204)


@blueprint.route("/webhooks/<identifier:webhook>/pause", methods=["POST"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "It is paused.", Webhook), errors=(404,)))
@needs("push")
def post_webhook_pause(_query: dict[str, Any], webhook: str) -> Response:
    """Pause a webhook.

    What there is to push waits for up to 30 days, then it is dead.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        was_paused = _known(connection, site, webhook, to_change=True).paused_us is not None
        webhooks.pause(connection, site, webhook, f"by key {asker().key.key_id}", now_us=now)
        if not was_paused:
            _record(connection, site, "webhook.paused", webhook, now=now)
        return json_response(_shown(_known(connection, site, webhook)))


@blueprint.route("/webhooks/<identifier:webhook>/resume", methods=["POST"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "It is pushed to again.", Webhook), errors=(404,)))
@needs("push")
def post_webhook_resume(_query: dict[str, Any], webhook: str) -> Response:
    """Resume a webhook.

    What waited is sent at once, in order. Dead deliveries are not: they are sent again when asked for.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        if _known(connection, site, webhook, to_change=True).paused_us is not None:
            webhooks.resume(connection, site, webhook, now_us=now)
            _record(connection, site, "webhook.resumed", webhook, now=now)
        return json_response(_shown(_known(connection, site, webhook)))


@blueprint.route("/webhooks/<identifier:webhook>/rotation", methods=["POST"], parameters=_WEBHOOK)
@blueprint.arguments(RotationQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "The webhook, with its new secret.", WebhookMade), errors=(404, 409)))
@needs("push")
def post_webhook_rotation(query: dict[str, Any], webhook: str) -> Response:
    """Give a webhook a new secret.

    For 24 hours both sign each push, the new one and the one before it: the receiver changes over in between, and until
    then no other is given. With at_once=true, as after a secret leaked, the new one alone signs.
    """
    site, now = asked_site(), now_us()
    at_once = query["at_once"] == "true"
    with database().write() as connection:
        _known(connection, site, webhook, to_change=True)
        rotated, secret = webhooks.rotate(connection, site, webhook, now_us=now, at_once=at_once)
        _record(connection, site, "webhook.rotated", webhook, {"at_once": at_once}, now=now)
    return json_response(_shown(rotated) | {"secret": secret})


@blueprint.route("/webhooks/<identifier:webhook>/test", methods=["POST"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(202, "It is to be sent.", WebhookTested), errors=(404, 409)))
@needs("push")
def post_webhook_test(_query: dict[str, Any], webhook: str) -> Response:
    """Push a test to a webhook.

    Topic `webhook.test`, whatever the webhook is for. What became of it is told among the deliveries.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        _known(connection, site, webhook, to_change=True)
        number = webhooks.test(connection, site, webhook, now_us=now)
    return json_response({"webhook": webhook, "number": number}, 202)


@blueprint.route("/webhooks/<identifier:webhook>/deliveries", methods=["GET"], parameters=_WEBHOOK)
@blueprint.arguments(DeliveriesQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A page of deliveries.", DeliveryPage, headers=("Link",)), errors=(404,)))
@needs("push")
def get_webhook_deliveries(query: dict[str, Any], webhook: str) -> Response:
    """List deliveries of a webhook.

    The newest first, each with its tries. What was delivered is kept for 30 days, what is dead for 90.
    """
    site = asked_site()
    before = None if "after" not in query else _number_of(query["after"])
    with database().read() as connection:
        _known(connection, site, webhook)
        states = query.get("state", ())
        found, below = deliveries.page(connection, site, webhook, states=states, before=before, limit=query["limit"])
    following = None if below is None else page_cursor(str(below), form=_CURSOR)
    response = json_response({"items": [_delivery(one) for one in found], "next": following})
    if following is not None:
        response.headers["Link"] = next_link(following)
    return response


@blueprint.route(
    "/webhooks/<identifier:webhook>/deliveries/<identifier:number>/resend",
    methods=["POST"],
    parameters=[*_WEBHOOK, *path_id("number", "number of the delivery", "418")],
)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(202, "It is to be sent again.", WebhookResent), errors=(404,)))
@needs("push")
def post_webhook_delivery_resend(_query: dict[str, Any], webhook: str, number: str) -> Response:
    """Send a delivery again.

    Whether it was delivered or is dead: under the same id, at once, with all tries before it. One that still waits is
    left as it is.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        _known(connection, site, webhook, to_change=True)
        asked = int(number) if number.isascii() and number.isdigit() and len(number) <= 15 else 0
        if deliveries.one(connection, site, webhook, asked) is None:
            raise not_found(f"there is no delivery {number!r} of this webhook; GET its deliveries lists them")
        resent = deliveries.resend(connection, site, webhook, [asked], now_us=now)
        if resent:
            _record(connection, site, "webhook.resent", webhook, {"number": asked}, now=now)
    return json_response({"webhook": webhook, "resent": resent}, 202)


@blueprint.route("/webhooks/<identifier:webhook>/resend", methods=["POST"], parameters=_WEBHOOK)
@blueprint.arguments(Query(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(202, "They are to be sent again.", WebhookResent), errors=(404,)))
@needs("push")
def post_webhook_resend(_query: dict[str, Any], webhook: str) -> Response:
    """Send all dead deliveries of a webhook again.

    Each under its id, in order, with all tries before it.
    """
    site, now = asked_site(), now_us()
    with database().write() as connection:
        _known(connection, site, webhook, to_change=True)
        resent = deliveries.resend(connection, site, webhook, None, now_us=now)
        if resent:
            _record(connection, site, "webhook.resent", webhook, {"dead": resent}, now=now)
    return json_response({"webhook": webhook, "resent": resent}, 202)


def _known(connection: Connection, site: str, webhook: str, *, to_change: bool = False) -> webhooks.Webhook:
    found = webhooks.known(connection, site, webhook, to_change=to_change)
    if found is None:
        raise not_found(f"there is no webhook {webhook!r} here; GET /v1/webhooks lists them")
    return found


def _record(
    connection: Connection, site: str, act: str, webhook: str, details: dict[str, Any] | None = None, *, now: int
) -> None:
    record(connection, site, actor=asker().actor, act=act, subject=webhook, details=details, now_us=now)


def _number_of(cursor: str) -> int:
    text = last_of(cursor, form=_CURSOR)
    if not (text.isascii() and text.isdigit()) or int(text[:16]) > _MOST_NUMBER:
        raise PageCursorUnreadable(cursor)
    return int(text)


def _at(us: int | None) -> Any:
    return None if us is None else instant(us)


def _shown(one: webhooks.Webhook) -> dict[str, Any]:
    return {
        "webhook": one.webhook,
        "name": one.name,
        "url": one.url,
        "topics": one.topics,
        "created_at": instant(one.created_us),
        "created_by": one.created_by,
        "pushed": one.pushed,
        "old_secret_until": _at(one.old_secret_until_us),
        "paused_at": _at(one.paused_us),
        "paused_because": one.paused_because,
    }


def _delivery(one: deliveries.Delivery) -> dict[str, Any]:
    return {
        "number": one.number,
        "id": one.push,
        "topic": one.topic,
        "state": one.state,
        "made_at": instant(one.made_us),
        "due_at": _at(one.due_us),
        "ended_at": _at(one.ended_us),
        "status": one.status,
        "reason": one.reason,
        "tries_made": one.tries_made,
        "tries": [
            {
                "number": each.number,
                "at": instant(each.at_us),
                "took_ms": each.took_us // 1_000,
                "status": each.status,
                "reason": each.reason,
            }
            for each in one.tries
        ],
    }
