"""Deliveries: who sends which, what became of each try, when the next one is due, what is kept how long.

Any number of processes may send at once. Whoever claims a delivery holds it for a while; when it is killed in between,
the delivery falls free and is sent again under the same id. A webhook has one delivery under way at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    case,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    tuple_,
    update,
)

from worker.database import Database
from worker.pushes.posting import GONE, Outcome
from worker.pushes.saying import DEAD, DELIVERED, ENDED, WAITING
from worker.pushes.webhooks import pause, signing_secrets
from worker.tables import deliveries, delivery_tries, pushes, webhooks, week_revisions

SECOND_US: Final = 1_000_000
_DAY_US: Final = 24 * 3600 * SECOND_US
#: Seconds from a failed try to the next: the example of the Standard Webhooks specification, ten tries in 75 hours.
DELAYS: Final = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
#: Each delay is made longer or shorter by up to this share, by chance.
JITTER: Final = 0.1
#: A claim falls free after it: longer than finding an address and a request take together.
HELD_US: Final = 120 * SECOND_US
#: How long what is over is kept.
KEPT_US: Final = 30 * _DAY_US
DEAD_KEPT_US: Final = 90 * _DAY_US
#: What waited for so long is not sent any more: its webhook was paused.
MOST_WAIT_US: Final = 30 * _DAY_US
#: So long after the first try a receiver may ask for patience: longer than the schedule takes with its jitter.
MOST_PATIENCE_US: Final = 84 * 3600 * SECOND_US
#: Tries that are told of one delivery, the newest.
TRIES_TOLD: Final = 30


#: Written out, so that the indexes of what waits are known to hold.
_IS_WAITING: Final = deliveries.c.state == literal_column(f"'{WAITING}'")


@dataclass(frozen=True)
class Claim:
    """A delivery that this process sends, until `held_until_us`."""

    site: str
    webhook: str
    number: int
    push: str
    url: str
    body: bytes
    secrets: tuple[bytes, ...]
    tries: int
    earlier_tries: int
    made_us: int
    held_until_us: int


@dataclass(frozen=True)
class Try:
    """One try: when it began, how long it took, how it was answered, why it failed."""

    number: int
    at_us: int
    took_us: int
    status: int | None
    reason: str | None


@dataclass(frozen=True)
class Delivery:
    """A push to one webhook, and what became of it."""

    number: int
    push: str
    topic: str
    state: str
    made_us: int
    due_us: int | None
    ended_us: int | None
    status: int | None
    reason: str | None
    tries: tuple[Try, ...]
    tries_made: int


def due(connection: Connection, *, now_us: int) -> list[tuple[str, str]]:
    """(site, webhook) of all that have something to send now and nothing under way; due the longest first.

    Asked of each webhook that is not paused, so that it costs the same whatever waits.
    """
    d, w = deliveries.c, webhooks.c
    first = select(func.min(d.due_us)).where(d.site == w.site, d.webhook == w.webhook, _IS_WAITING).scalar_subquery()
    query = select(w.site, w.webhook, first.label("due_us")).where(w.paused_us.is_(None), w.removed_us.is_(None))
    held = select(d.site, d.webhook).where(d.held_until_us > now_us)
    busy = {(row.site, row.webhook) for row in connection.execute(held)}
    found = sorted(
        (row.due_us, row.site, row.webhook)
        for row in connection.execute(query)
        if row.due_us is not None and row.due_us <= now_us
    )
    return [(site, webhook) for _, site, webhook in found if (site, webhook) not in busy]


def claim(connection: Connection, site: str, webhook: str, *, now_us: int) -> Claim | None:
    """Hold the lowest number of a webhook that is due; None when there is none, or one is under way.

    The caller commits.
    """
    d, w = deliveries.c, webhooks.c
    mine = (d.site == site, d.webhook == webhook, _IS_WAITING)
    of_it = mine[:2]
    sending = (w.site == site, w.webhook == webhook, w.paused_us.is_(None), w.removed_us.is_(None))
    there = connection.execute(select(webhooks).where(*sending)).one_or_none()
    held = select(d.number).where(*of_it, d.held_until_us > now_us).limit(1)
    if there is None or connection.execute(held).first():
        return None
    # By number: with a sum no index of due_us is gone by, which would sort all that waits.
    first = select(d.number).where(*mine, d.due_us + 0 <= now_us).order_by(d.number).limit(1)
    number = connection.execute(first).scalar_one_or_none()
    if number is None:
        return None
    until = now_us + HELD_US
    free = or_(d.held_until_us.is_(None), d.held_until_us <= now_us)
    taken = update(deliveries).where(*mine, d.number == number, d.due_us <= now_us, free).values(held_until_us=until)
    if not connection.execute(taken).rowcount:
        return None
    p = pushes.c
    of_push = deliveries.join(pushes, (p.site == d.site) & (p.push == d.push))
    query = select(d.push, d.tries, d.earlier_tries, d.made_us, p.body).select_from(of_push)
    row = connection.execute(query.where(d.site == site, d.webhook == webhook, d.number == number)).one()
    secrets = signing_secrets(connection, there, now_us=now_us)
    return Claim(
        site, webhook, number, row.push, there.url, bytes(row.body), secrets, row.tries, row.earlier_tries,
        row.made_us, until,
    )  # fmt: skip


def finish(
    connection: Connection, claimed: Claim, outcome: Outcome, *, began_us: int, now_us: int, chance: float
) -> None:
    """Write what a try came to: delivered, due again later, or dead. The caller commits.

    chance: a number from 0 to 1 that moves the next try. What another process has taken over meanwhile is left to it.
    """
    failed = claimed.tries + 1 - claimed.earlier_tries
    last = failed > len(DELAYS) or _patience_is_over(connection, claimed, outcome, now_us=now_us)
    w, d = webhooks.c, deliveries.c
    if outcome.reason is not None and (last or outcome.status == GONE):
        # The webhook before its deliveries, as whoever pauses it: so neither waits for the other.
        held = select(w.webhook).where(w.site == claimed.site, w.webhook == claimed.webhook)
        connection.execute(held.with_for_update())
    values: dict[str, Any] = {"state": DELIVERED, "due_us": None, "ended_us": now_us, "reason": None}
    if outcome.reason is not None and last:
        values = {"state": DEAD, "due_us": None, "ended_us": now_us}
        values["reason"] = f"{outcome.reason}, at the last of {failed} tries"
    elif outcome.reason is not None:
        # Paused meanwhile or not: whoever sends looks at that itself.
        delay_us = int(DELAYS[failed - 1] * (1 + JITTER * (2 * chance - 1)) * SECOND_US)
        latest_us = _first_tried_us(connection, claimed, now_us=now_us) + MOST_PATIENCE_US
        asked_us = min(now_us + outcome.retry_after * SECOND_US, latest_us)
        values = {"due_us": max(now_us + delay_us, asked_us), "reason": outcome.reason}
    values |= {"tries": claimed.tries + 1, "held_until_us": None, "status": outcome.status}
    mine = (*_one(claimed.site, claimed.webhook, claimed.number), d.state == WAITING)
    ours = update(deliveries).where(*mine, d.held_until_us == claimed.held_until_us).values(**values)
    if not connection.execute(ours).rowcount:
        return
    connection.execute(
        insert(delivery_tries),
        {
            "site": claimed.site,
            "webhook": claimed.webhook,
            "number": claimed.number,
            "try_number": claimed.tries + 1,
            "at_us": began_us,
            "took_us": now_us - began_us,
            "status": outcome.status,
            "reason": outcome.reason,
        },
    )
    if outcome.status == GONE:
        pause(connection, claimed.site, claimed.webhook, "the receiver answered 410 Gone", now_us=now_us)
    elif outcome.reason is not None and last and not _delivered_since(connection, claimed):
        because = f"nothing was delivered while delivery {claimed.number} was tried {failed} times"
        pause(connection, claimed.site, claimed.webhook, because, now_us=now_us)


def _first_tried_us(connection: Connection, claimed: Claim, *, now_us: int) -> int:
    """When the first try of the schedule was made; now, when it is this one."""
    t = delivery_tries.c
    mine = (t.site == claimed.site, t.webhook == claimed.webhook, t.number == claimed.number)
    query = select(func.min(t.at_us)).where(*mine, t.try_number > claimed.earlier_tries)
    first = connection.execute(query).scalar_one()
    return now_us if first is None else int(first)


def _patience_is_over(connection: Connection, claimed: Claim, outcome: Outcome, *, now_us: int) -> bool:
    """True for a receiver that asks for more time again, when it was given all that there is."""
    if outcome.reason is None or not outcome.retry_after:
        return False
    return now_us >= _first_tried_us(connection, claimed, now_us=now_us) + MOST_PATIENCE_US


def _one(site: str, webhook: str, number: int) -> tuple[ColumnElement[bool], ...]:
    d = deliveries.c
    return (d.site == site, d.webhook == webhook, d.number == number)


def _delivered_since(connection: Connection, claimed: Claim) -> bool:
    d = deliveries.c
    mine = (d.site == claimed.site, d.webhook == claimed.webhook, d.state == DELIVERED)
    query = select(d.number).where(*mine, d.ended_us >= claimed.made_us).order_by(d.number.desc()).limit(1)
    return connection.execute(query).first() is not None


# --- reading and sending again ----------------------------------------------------------------------------------


def page(
    connection: Connection,
    site: str,
    webhook: str,
    *,
    states: Sequence[str] = (),
    before: int | None = None,
    limit: int = 100,
) -> tuple[list[Delivery], int | None]:
    """(deliveries of a webhook below a number, newest first; below which number there are more, None when none are)."""
    d, p, w = deliveries.c, pushes.c, webhooks.c
    query = (
        select(deliveries, p.topic, w.paused_us)
        .join(pushes, (p.site == d.site) & (p.push == d.push))
        .join(webhooks, (w.site == d.site) & (w.webhook == d.webhook))
        .where(d.site == site, d.webhook == webhook)
        .order_by(d.number.desc())
        .limit(limit + 1)
    )
    if states:
        query = query.where(d.state.in_(states))
    if before is not None:
        query = query.where(d.number < before)
    rows = connection.execute(query).all()
    shown = rows[:limit]
    tries = _tries(connection, site, webhook, [row.number for row in shown])
    found = [
        Delivery(
            row.number, row.push, row.topic, row.state, row.made_us, row.due_us if row.paused_us is None else None,
            row.ended_us, row.status, row.reason, tuple(tries.get(row.number, ())), row.tries,
        )
        for row in shown
    ]  # fmt: skip
    return found, shown[-1].number if len(rows) > limit else None


def one(connection: Connection, site: str, webhook: str, number: int) -> Delivery | None:
    """A delivery of a webhook by its number."""
    found, _ = page(connection, site, webhook, before=number + 1, limit=1)
    return found[0] if found and found[0].number == number else None


def _tries(connection: Connection, site: str, webhook: str, numbers: Sequence[int]) -> dict[int, list[Try]]:
    t, d = delivery_tries.c, deliveries.c
    query = (
        select(delivery_tries)
        .join(deliveries, (d.site == t.site) & (d.webhook == t.webhook) & (d.number == t.number))
        .where(t.site == site, t.webhook == webhook, t.number.in_(numbers), t.try_number > d.tries - TRIES_TOLD)
        .order_by(t.number, t.try_number)
    )
    found: dict[int, list[Try]] = {}
    for row in connection.execute(query):
        found.setdefault(row.number, []).append(Try(row.try_number, row.at_us, row.took_us, row.status, row.reason))
    return found


def resend(connection: Connection, site: str, webhook: str, numbers: Sequence[int] | None, *, now_us: int) -> int:
    """Send deliveries of a webhook again at once, with the schedule begun anew; returns how many. The caller commits.

    None: all dead ones. What is waiting already stays as it is; while the webhook is paused, what is sent again waits.
    """
    d = deliveries.c
    mine = [d.site == site, d.webhook == webhook]
    mine += [d.state == DEAD] if numbers is None else [d.state != WAITING, d.number.in_(numbers)]
    again = {"state": WAITING, "due_us": now_us, "held_until_us": None, "ended_us": None, "earlier_tries": d.tries}
    return connection.execute(update(deliveries).where(*mine).values(**again, made_us=now_us)).rowcount


# --- for those who watch, and what is removed -------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """Deliveries of a site by state, and for how long the oldest has been waiting, in seconds."""

    waiting: int
    delivered: int
    dead: int
    oldest_waiting_seconds: float


def standings(connection: Connection, sites: Sequence[str], *, now_us: int) -> dict[str, Standing]:
    """How the deliveries of these sites stand, as far as they are kept."""
    d = deliveries.c
    query = select(d.site, d.state, func.count().label("number")).where(d.site.in_(sites)).group_by(d.site, d.state)
    counts = {(row.site, row.state): int(row.number) for row in connection.execute(query)}
    waiting = select(d.site, func.min(d.made_us).label("oldest")).where(d.site.in_(sites), d.state == WAITING)
    oldest = {row.site: row.oldest for row in connection.execute(waiting.group_by(d.site))}
    return {
        site: Standing(
            counts.get((site, WAITING), 0),
            counts.get((site, DELIVERED), 0),
            counts.get((site, DEAD), 0),
            max(0, now_us - oldest.get(site, now_us)) / SECOND_US,
        )
        for site in sites
    }


def tidy(database: Database, *, now_us: int, most: int = 500) -> int:
    """Call dead what has waited for too long; remove what ended long ago, and what nothing is left of.

    Those are pushes without a delivery, removed webhooks without one, and what was told of a week before the last time.
    At most so many of each, and returns how many. What there is to do is read before anybody is kept from writing.
    """
    d, t, p, w, r = deliveries.c, delivery_tries.c, pushes.c, webhooks.c, week_revisions.c
    key = (d.site, d.webhook, d.number)
    late = select(*key).where(_IS_WAITING, d.made_us <= now_us - MOST_WAIT_US)
    over = select(*key).where(
        or_(
            d.state.in_((DELIVERED, ENDED)) & (d.ended_us <= now_us - KEPT_US),
            (d.state == DEAD) & (d.ended_us <= now_us - DEAD_KEPT_US),
        )
    )
    bare = select(p.site, p.push).where(
        p.at_us <= now_us - KEPT_US, ~exists().where(d.site == p.site, d.push == p.push)
    )
    unused = select(w.site, w.webhook).where(
        w.removed_us <= now_us - KEPT_US, ~exists().where(d.site == w.site, d.webhook == w.webhook)
    )
    later = week_revisions.alias()
    told_again = exists().where(later.c.site == r.site, later.c.week == r.week, later.c.number > r.number)
    superseded = select(r.site, r.week, r.number).where(r.at_us <= now_us - DEAD_KEPT_US, told_again)
    with database.read() as connection:
        found = [
            [tuple(row) for row in connection.execute(query.limit(most))]
            for query in (late, over, bare, unused, superseded)
        ]
    waited, ended, alone, removed, revised = found
    if not any(found):
        return 0
    dead = {"state": DEAD, "due_us": None, "held_until_us": None, "ended_us": now_us}
    is_paused = exists().where(w.site == d.site, w.webhook == d.webhook, w.paused_us.is_not(None))
    because = case((is_paused, "its webhook is paused"), else_="nothing sent it in time")
    with database.write() as connection:
        # Each again by its state: somebody may have had it sent anew in between.
        given_up = update(deliveries).where(tuple_(*key).in_(waited), d.state == WAITING)
        connection.execute(given_up.values(**dead, reason="waited for 30 days: " + because))
        gone = delete(deliveries).where(tuple_(*key).in_(ended), d.state != WAITING)
        connection.execute(gone)
        left = exists().where(d.site == t.site, d.webhook == t.webhook, d.number == t.number)
        connection.execute(delete(delivery_tries).where(tuple_(t.site, t.webhook, t.number).in_(ended), ~left))
        connection.execute(delete(pushes).where(tuple_(p.site, p.push).in_(alone)))
        connection.execute(delete(webhooks).where(tuple_(w.site, w.webhook).in_(removed)))
        connection.execute(delete(week_revisions).where(tuple_(r.site, r.week, r.number).in_(revised)))
    return sum(map(len, found))
