"""Webhooks: the body that makes one, the query of its deliveries, and what is answered of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.answers import Answer, Page, instant, rows, text, whole, word
from service.schemas.queries import PageQuery, Query
from service.schemas.strict import Errors, Rows, StrictSchema
from service.strict_fields import Choice, Text, about
from worker.pushes.addresses import MOST_URL
from worker.pushes.deliveries import TRIES_TOLD
from worker.pushes.saying import STATES, TEST, TOPICS

_URL: Final = "https://erp.example.com/pushes"


class WebhookNew(StrictSchema):
    """A webhook to make: where to push what."""

    name = Text(128, required=True, metadata=about("who receives it", "order system"))
    url = Text(
        MOST_URL,
        required=True,
        metadata=about(
            "address to push to: https, to a public host; what the site's setting webhook_hosts names may be inside of "
            "the plant, and http",
            _URL,
        ),
    )
    topics = Rows(
        Choice(TOPICS, metadata=about("topic", "job.ended")),
        len(TOPICS),
        required=True,
        metadata=about("what is pushed to it", ["job.ended", "confirmations.ready"]),
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return {"topics": ["is empty; give at least one topic"]} if data.get("topics") == [] else {}


WEBHOOK_NEW: Final = WebhookNew()


class RotationQuery(Query):
    """How a new secret is given."""

    at_once = fields.String(
        validate=OneOf(("true", "false"), error="must be one of {choices}, found {input!r}"),
        load_default="false",
        metadata={"description": "true: the new secret alone signs from now on, whatever signed before"},
    )


class DeliveriesQuery(PageQuery):
    """Which deliveries."""

    state = fields.List(
        fields.String(
            validate=OneOf(STATES, error="must be one of {choices}, found {input!r}"),
            metadata={"description": "only deliveries in this state; repeated: in any of them"},
        )
    )


class Webhook(Answer):
    """A webhook."""

    webhook = text("its id", "wh_k7m2q9xa")
    name = text("who receives it", "order system")
    url = text("address that is pushed to", _URL)
    topics = rows(word(TOPICS, "topic"), "what is pushed to it")
    created_at = instant("when it was made")
    created_by = text("visible id of the key that made it", "k7m2q9xa")
    pushed = whole("deliveries made for it since, delivered or not: the number of the last one", 418)
    old_secret_until = instant("until when the secret before the last one signs too; null: none does", None, null=True)
    paused_at = instant("since when nothing is sent; null: it is not paused", None, null=True)
    paused_because = text("why it is paused", None, null=True)


class WebhookMade(Webhook):
    """A webhook, with its secret."""

    secret = text("what signs its pushes; shown here and never again", "whsec_…")


class WebhookList(Answer):
    """Webhooks."""

    items = rows(Webhook, "webhooks of the site, in the order in which they were made")


class DeliveryTry(Answer):
    """One try to deliver."""

    number = whole("which try it is", 1)
    at = instant("when it began")
    took_ms = whole("how long it took, milliseconds", 38)
    status = whole("HTTP status of the answer; null: there was none", 503, null=True)
    reason = text("why it failed; null: it was delivered", "answered 503", null=True)


class Delivery(Answer):
    """A push to one webhook, and what became of it."""

    number = whole("its number among those of the webhook", 418)
    id = text("webhook-id: of the fact, the same in every try", "msg_0c1f5e527d0e4f6a9a526d0e8f3b2a11")
    topic = word((*TOPICS, TEST), "what it is about")
    state = word(STATES, "whether it is delivered; dead: the last try failed; ended: its webhook was removed")
    made_at = instant("when it became true, or was last sent again")
    due_at = instant("when it is tried next; null: it is over, or its webhook is paused", None, null=True)
    ended_at = instant("when it was delivered, dead or ended", "2026-03-02T05:15:01Z", null=True)
    status = whole("HTTP status of the last answer; null: there was none", 204, null=True)
    reason = text("why the last try failed, or it is dead or ended", None, null=True)
    tries_made = whole("tries so far", 1)
    tries = rows(DeliveryTry, f"the newest {TRIES_TOLD} tries, oldest first")


class DeliveryPage(Page):
    """A page of deliveries."""

    items = rows(Delivery, "deliveries, the newest first")


class WebhookTested(Answer):
    """A test that is pushed."""

    webhook = text("id of the webhook", "wh_k7m2q9xa")
    number = whole("number of the delivery", 419)


class WebhookResent(Answer):
    """Deliveries that are sent again."""

    webhook = text("id of the webhook", "wh_k7m2q9xa")
    resent = whole("how many", 3)
