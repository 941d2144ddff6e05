"""`cutledger void`: a mistyped shift is voided in one step."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, Final
from zoneinfo import ZoneInfo

import click
from sqlalchemy import Connection

from service.acceptance import Judged, People, judge
from service.clock import now_us
from service.commands.counting import COUNT, count_owed
from service.commands.importing import one_site
from service.commands.opening import DATA, opened, refusal
from service.faults import nearest
from service.settling import people_of
from worker import ledger
from worker.administration import COMMAND_LINE, record
from worker.batches import in_batches
from worker.events import VOIDED
from worker.ledger import ACCEPTED
from worker.reports.reading import calendar_of, instant
from worker.voiding import Found, Target, find, has_source, sources

#: Who says the voids: the service's own, which no terminal may void or forge.
SAID_BY: Final = "/keys/command-line"
_MOST_SOURCES: Final = 1_000


@click.command()
@DATA
@click.option("--source", required=True, help="Whose events: /terminals/bay-2, as they were sent.")
@click.option("--from", "from_", required=True, metavar="TIME", help="From this time on, 2026-03-02T06:00.")
@click.option("--to", required=True, metavar="TIME", help="And before this time.")
@click.option("--site", help="Site; needed where there are several.")
@click.option("--reason", default="entered by mistake", show_default=True, help="Why they never should have been.")
@click.option("--dry-run", is_flag=True, help="Say what would be voided, and write nothing.")
@COUNT
def void(
    data: str | None,
    source: str,
    from_: str,
    to: str,
    site: str | None,
    reason: str,
    *,
    dry_run: bool,
    count: bool,
) -> None:
    """Void all events of one source that happened within a time, in one step; then send the right ones.

    Times without an offset from UTC are on the clock of the site. What is voided before stays so, and running it
    again finds nothing to do. Voids cannot be voided; settings, notes and plans of proofs are left alone.
    """
    with opened(data) as database:
        name = one_site(database, site)
        now = now_us()
        with database.read() if dry_run else database.write() as connection:
            zone = ZoneInfo(calendar_of(connection, name).latest.values["zone"])
            from_us, to_us = (_instant(zone, option, text) for option, text in (("--from", from_), ("--to", to)))
            if from_us >= to_us:
                raise refusal(f"--from {from_} is not before --to {to}")
            if not has_source(connection, name, source):
                raise refusal(f"site {name} has no event of source {source!r}{_hint(connection, name, source)}")
            found = find(connection, name, source, from_us=from_us, to_us=to_us)
            voided = 0
            if not dry_run:
                people = people_of(connection, name, now_us=now)
                voided = _void(connection, name, source, found.targets, reason, people, now)
                if voided:
                    between = {"from": instant(from_us), "to": instant(to_us)}
                    told = {"events": voided, "reason": reason, **between}
                    record(
                        connection,
                        name,
                        actor=COMMAND_LINE,
                        act="events.voided",
                        subject=source,
                        details=told,
                        now_us=now,
                    )
        _say(name, source, found, None if dry_run else voided, zone)
        if not dry_run:
            count_owed(database, count=count)


def _instant(zone: ZoneInfo, option: str, text: str) -> int:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise refusal(
            f"{option} must be a time such as 2026-03-02T06:00 or 2026-03-02T06:00+01:00, found {text!r}"
        ) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=zone)
    at = at.astimezone(UTC)
    return int(at.timestamp()) * 1_000_000 + at.microsecond


def _hint(connection: Connection, site: str, source: str) -> str:
    known = sources(connection, site, limit=_MOST_SOURCES)
    like = nearest(source, tuple(known))
    return f"; nearest: {like}" if like else f"; it has {', '.join(known[:5])}" if known else ""


def _void(
    connection: Connection, site: str, source: str, targets: list[Target], reason: str, people: People, now: int
) -> int:
    """Append a void of each target; returns how many were not voided before."""
    voided = 0
    for some in in_batches(targets):
        judged = [_judged(source, target, reason, people, now) for target in some]
        verdicts = ledger.append(connection, site, judged, received_us=now)
        # Any other verdict: the same void came in since it was looked for.
        voided += sum(verdict.status == ACCEPTED for verdict in verdicts)
    return voided


def _judged(source: str, target: Target, reason: str, people: People, now: int) -> Judged:
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": void_id(source, target.id),
        "source": SAID_BY,
        "type": VOIDED,
        "subject": target.subject,
        "time": instant(now).isoformat(),
        "data": {"source": source, "id": target.id, "reason": reason},
    }
    judged = judge(event, now_us=now, people=people, pointer="")
    if not isinstance(judged, Judged):
        raise refusal("; ".join(f"{fault.pointer.removeprefix('/data/')} {fault.detail}" for fault in judged))
    return judged


def void_id(source: str, id_: str) -> str:
    """Id of the void of an event: always the same, so that there is one."""
    return "void-" + blake2b(f"{source}\0{id_}".encode(), digest_size=16).hexdigest()


def _say(site: str, source: str, found: Found, voided: int | None, zone: ZoneInfo) -> None:
    count = len(found.targets) if voided is None else voided
    what = "would be voided" if voided is None else "voided"
    click.echo(f"site {site}: {count:,} events of {source} {what}{_aside(found)}")
    for type_, times in sorted(Counter(target.type for target in found.targets).items()):
        click.echo(f"  {type_.removeprefix('cutledger.')}: {times:,}")
    if found.targets:
        first, last = found.targets[0], found.targets[-1]
        for word, target in (("first", first), ("last", last)):
            at = instant(target.time_us).astimezone(zone).isoformat(timespec="seconds")
            click.echo(f"  {word}: {at} {target.type.removeprefix('cutledger.')} {target.subject} (id {target.id})")


def _aside(found: Found) -> str:
    voided = f", {found.voided:,} were before" if found.voided else ""
    left_out = f", {found.left_out:,} left out (voids, settings, notes, proofs)" if found.left_out else ""
    return voided + left_out
