"""What there is to push, said in the transaction in which it becomes true: pushed if that commits, else never."""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, Final

import orjson
from sqlalchemy import Connection, insert, select, update

from worker.installing import installation_secret
from worker.tables import deliveries, pushes, webhooks

FINDING_OPENED: Final = "finding.opened"
FINDING_CLOSED: Final = "finding.closed"
PROOF_DECIDED: Final = "proof.decided"
JOB_ENDED: Final = "job.ended"
JOB_SHORT: Final = "job.short"
CONFIRMATIONS_READY: Final = "confirmations.ready"
WEEK_PUBLISHED: Final = "week.published"
WEEK_REVISED: Final = "week.revised"
#: What a webhook can be made for.
TOPICS: Final = (
    FINDING_OPENED,
    FINDING_CLOSED,
    PROOF_DECIDED,
    JOB_ENDED,
    JOB_SHORT,
    CONFIRMATIONS_READY,
    WEEK_PUBLISHED,
    WEEK_REVISED,
)
#: Pushed to one webhook when somebody asks for it.
TEST: Final = "webhook.test"
#: States of a delivery: it is tried until it is delivered, dead after its last try, ended with its webhook.
WAITING: Final = "waiting"
DELIVERED: Final = "delivered"
DEAD: Final = "dead"
ENDED: Final = "ended"
STATES: Final = (WAITING, DELIVERED, DEAD, ENDED)


def say(connection: Connection, site: str, topic: str, key: str, data: Mapping[str, Any], now_us: int) -> None:
    """Push a fact to each webhook of a site that is for its topic. The caller commits.

    key: names the fact within its topic, such as a job and how often it ended; what was said once is not said again.
    Nothing is stored when no webhook is for it. `data` is thin: ids, figures, paths to more; no names of people.
    """
    # All of them, in one order, whatever the topic: two transactions that say several things never wait in a circle.
    w = webhooks.c
    there = select(w.webhook, w.topics).where(w.site == site, w.removed_us.is_(None))
    rows = connection.execute(there.order_by(w.webhook).with_for_update()).all()
    wanting = [row.webhook for row in rows if topic in row.topics.split()]
    if wanting:
        _store(connection, site, topic, key, data, wanting, now_us=now_us)


def topics_wanted(connection: Connection, site: str) -> frozenset[str]:
    """Topics that any webhook of a site is for."""
    w = webhooks.c
    found = connection.execute(select(w.topics).where(w.site == site, w.removed_us.is_(None))).scalars()
    return frozenset(topic for topics in found for topic in topics.split())


def say_to(
    connection: Connection, site: str, webhook: str, topic: str, key: str, data: Mapping[str, Any], now_us: int
) -> None:
    """Push to one webhook, whatever it is for. The caller commits."""
    w = webhooks.c
    connection.execute(select(w.webhook).where(w.site == site, w.webhook == webhook).with_for_update())
    _store(connection, site, topic, key, data, [webhook], now_us=now_us)


def _store(
    connection: Connection,
    site: str,
    topic: str,
    key: str,
    data: Mapping[str, Any],
    wanting: list[str],
    *,
    now_us: int,
) -> None:
    push = push_id(installation_secret(connection), site, topic, key)
    p, w = pushes.c, webhooks.c
    if connection.execute(select(p.push).where(p.site == site, p.push == push)).first() is not None:
        return
    connection.execute(
        insert(pushes),
        {"site": site, "push": push, "topic": topic, "at_us": now_us, "body": _body(topic, site, data, now_us)},
    )
    mine = (w.site == site, w.webhook.in_(wanting))
    connection.execute(update(webhooks).where(*mine).values(pushed=w.pushed + 1))
    rows = connection.execute(select(w.webhook, w.pushed, w.paused_us).where(*mine)).all()
    waiting = {"site": site, "push": push, "state": WAITING, "tries": 0, "earlier_tries": 0, "made_us": now_us}
    connection.execute(
        insert(deliveries),
        [
            waiting
            | {"webhook": row.webhook, "number": row.pushed, "due_us": now_us if row.paused_us is None else None}
            for row in rows
        ],
    )


def push_id(secret: bytes, site: str, topic: str, key: str) -> str:
    """The id of a fact: the same in every try and for every webhook, another in every installation."""
    named = blake2b(
        "\0".join((site, topic, key)).encode(), key=hmac.digest(secret, b"pushes", "sha256"), digest_size=16
    )
    return f"msg_{named.hexdigest()}"


def _body(topic: str, site: str, data: Mapping[str, Any], now_us: int) -> bytes:
    """type, timestamp and data, as the Standard Webhooks specification recommends."""
    at = datetime.fromtimestamp(now_us / 1_000_000, UTC)
    return orjson.dumps(
        {"type": topic, "timestamp": at, "data": {"site": site, **data}},
        option=orjson.OPT_UTC_Z | orjson.OPT_NON_STR_KEYS,
    )
