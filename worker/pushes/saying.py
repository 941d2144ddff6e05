"""What there is to push, said in the transaction in which it becomes true: pushed if that commits, else never."""

from __future__ import annotations

import hmac
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, Final, NamedTuple

import orjson
from sqlalchemy import Connection, bindparam, func, insert, select, update

from worker.installing import installation_secret
from worker.prepared import Lists, Prepared
from worker.tables import deliveries, pushes, sites, webhooks

FINDING_OPENED: Final = "finding.opened"
FINDING_CLOSED: Final = "finding.closed"
PROOF_DECIDED: Final = "proof.decided"
HOLD_PLACED: Final = "hold.placed"
HOLD_LIFTED: Final = "hold.lifted"
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
    HOLD_PLACED,
    HOLD_LIFTED,
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
#: Class of the advisory locks under which news of a site is said, shared, and its webhooks are made, alone.
_SAYING_LOCK: Final = 0x7075_7368
#: Ids that are asked for in one query.
_AT_ONCE: Final = 500


class News(NamedTuple):
    """A fact to push. key: names it within its topic; data: thin, without names of people."""

    topic: str
    key: str
    data: Mapping[str, Any]


def hold_site(connection: Connection, site: str) -> None:
    """Wait for all who say something of a site, and keep others from it, until the end of the transaction."""
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock(_SAYING_LOCK, func.hashtext(site))))


def say(connection: Connection, site: str, topic: str, key: str, data: Mapping[str, Any], now_us: int) -> None:
    """Push a fact to each webhook of a site that is for its topic. The caller commits.

    key: names the fact within its topic, such as a job and how often it ended; what was said once is not said again.
    Nothing is stored when no webhook is for it. `data` is thin: ids, figures, paths to more; no names of people.
    """
    say_all(connection, site, [News(topic, key, data)], now_us)


def say_all(connection: Connection, site: str, news: Sequence[News], now_us: int) -> None:
    """Push several facts, in their order, as `say` does one. The caller commits."""
    if not news:
        return
    # Before it is asked who listens: a webhook made meanwhile waits, so that it misses nothing.
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_advisory_xact_lock_shared(_SAYING_LOCK, func.hashtext(site))))
    wanted = topics_wanted(connection, site)
    wanted_news = [each for each in news if each.topic in wanted]
    if not wanted_news:
        return
    # All of them, in one order, whatever the topic: two transactions that say several things never wait in a circle.
    w = webhooks.c
    there = select(w.webhook, w.topics).where(w.site == site, w.removed_us.is_(None))
    rows = connection.execute(there.order_by(w.webhook).with_for_update()).all()
    topics = {row.webhook: frozenset(row.topics.split()) for row in rows}
    _store(
        connection,
        site,
        [(each, [webhook for webhook in topics if each.topic in topics[webhook]]) for each in wanted_news],
        now_us=now_us,
    )


def topics_wanted(connection: Connection, site: str) -> frozenset[str]:
    """Topics that any webhook of a site is for."""
    found = _topics(connection, {"of_site": site})
    return frozenset(topic for (topics,) in found for topic in topics.split())


@Prepared
def _topics(_: Lists) -> Any:
    w = webhooks.c
    return select(w.topics).where(w.site == bindparam("of_site"), w.removed_us.is_(None))


def say_to(
    connection: Connection, site: str, webhook: str, topic: str, key: str, data: Mapping[str, Any], now_us: int
) -> None:
    """Push to one webhook, whatever it is for. The caller commits."""
    w = webhooks.c
    connection.execute(select(w.webhook).where(w.site == site, w.webhook == webhook).with_for_update())
    _store(connection, site, [(News(topic, key, data), [webhook])], now_us=now_us)


def _store(connection: Connection, site: str, addressed: Sequence[tuple[News, Sequence[str]]], *, now_us: int) -> None:
    """Store each of these facts that is not there yet, with a delivery to each of its webhooks, which are held."""
    secret = installation_secret(connection)
    series = str(connection.execute(select(sites.c.series).where(sites.c.site == site)).scalar_one())
    named = {push_id(secret, site, series, each.topic, each.key): (each, to) for each, to in addressed if to}
    there = _said(connection, site, list(named))
    new = {push: each for push, each in named.items() if push not in there}
    if not new:
        return
    connection.execute(
        insert(pushes),
        [
            {"site": site, "push": push, "topic": each.topic, "at_us": now_us}
            | {"body": _body(each.topic, site, each.data, now_us)}
            for push, (each, _) in new.items()
        ],
    )
    w = webhooks.c
    mine = w.webhook.in_({webhook for _, to in new.values() for webhook in to})
    last = {
        row.webhook: row.pushed for row in connection.execute(select(w.webhook, w.pushed).where(w.site == site, mine))
    }
    waiting = {"site": site, "state": WAITING, "tries": 0, "earlier_tries": 0, "made_us": now_us, "due_us": now_us}
    rows = []
    for push, (_, to) in new.items():
        for webhook in to:
            last[webhook] += 1
            rows.append(waiting | {"push": push, "webhook": webhook, "number": last[webhook]})
    connection.execute(insert(deliveries), rows)
    connection.execute(_NUMBERED, [{"of_site": site, "of_webhook": each, "last": last[each]} for each in last])


def _said(connection: Connection, site: str, ids: Sequence[str]) -> set[str]:
    p = pushes.c
    found: set[str] = set()
    for first in range(0, len(ids), _AT_ONCE):
        query = select(p.push).where(p.site == site, p.push.in_(ids[first : first + _AT_ONCE]))
        found.update(connection.execute(query).scalars())
    return found


def push_id(secret: bytes, site: str, series: str, topic: str, key: str) -> str:
    """The id of a fact: the same in every try and for every webhook, another in every installation.

    series: another in each copy that was put in place from a backup. What that says is another history, in which the
    same key may name another fact than the one that receivers have seen.
    """
    named = blake2b(
        "\0".join((site, series, topic, key)).encode(), key=hmac.digest(secret, b"pushes", "sha256"), digest_size=16
    )
    return f"msg_{named.hexdigest()}"


def _body(topic: str, site: str, data: Mapping[str, Any], now_us: int) -> bytes:
    """type, timestamp and data, as the Standard Webhooks specification recommends."""
    at = datetime.fromtimestamp(now_us / 1_000_000, UTC)
    return orjson.dumps(
        {"type": topic, "timestamp": at, "data": {"site": site, **data}},
        option=orjson.OPT_UTC_Z | orjson.OPT_NON_STR_KEYS,
    )


_NUMBERED: Final = (
    update(webhooks)
    .where(webhooks.c.site == bindparam("of_site"), webhooks.c.webhook == bindparam("of_webhook"))
    .values(pushed=bindparam("last"))
)
