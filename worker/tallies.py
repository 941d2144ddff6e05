"""The only writer of derived tables: bring them up to date, rebuild them, audit them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final, TypedDict

from sqlalchemy import (
    Connection,
    Table,
    bindparam,
    delete,
    exists,
    false,
    func,
    insert,
    literal,
    select,
    true,
    update,
)

from worker import ledger
from worker.confirming.appending import Confirming
from worker.confirming.said import Compared, compared
from worker.database import Database
from worker.derived import make_empty
from worker.portions import can_start_processes, fold_portions
from worker.prepared import POSTGRESQL, Lists, Prepared
from worker.recount import Ahead, Progress, Recount
from worker.sites import settings_told
from worker.tables import FOLD, LIVE, SHADOW, events, sites
from worker.telling_holds import tell_holds

#: Events counted in one transaction. More are cheaper each, fewer let the door in sooner.
CLAIM_EVENTS: Final = 2_000
#: Events of a claim that it is worth while to look at before.
LEAST_AHEAD: Final = 100
#: Events of a site for which it is worth while to start more processes.
FEWEST_FOR_PROCESSES: Final = 50_000
#: Differing rows that an audit shows of one table.
SHOWN_DIFFERENCES: Final = 5


def bring_up_to_date(
    connection: Connection, site: str, *, now_us: int, limit: int = CLAIM_EVENTS, ahead: Ahead | None = None
) -> int:
    """Count the site's oldest owed events, with all they touch; returns how many.

    ahead: what `look_ahead` saw of them; then no more than these are counted.

    The caller commits: the counts, what is confirmed of jobs and the mark that the events are counted become true
    together. Another worker that counts this site at the moment is not waited for (0).
    """
    revision = take(connection, site)
    if revision is None:
        return 0
    claimed = ledger.claim(connection, site, limit=limit if ahead is None else len(ahead.heads))
    if claimed:
        if ahead is not None and (ahead.revision, ahead.heads) != (revision, claimed):
            ahead = None
        recount = Recount(ledger.View(connection, site), LIVE, ahead)
        changes = recount.of_events(claimed)
        tell_holds(recount.view, changes.holds, since=changes.of_holds, now_us=now_us)
        raised = _raise_revision(connection, site)
        Confirming(connection, site, recount.calendar, **raised, now_us=now_us).of_touched(recount.touched)
    return len(claimed)


def look_ahead(
    connection: Connection, site: str, *, limit: int = CLAIM_EVENTS, least: int = LEAST_AHEAD
) -> Ahead | None:
    """What a claim of the site's oldest owed events will find, read in a snapshot; None where that is not to be seen.

    On SQLite whoever counts holds up all who write: what is read and folded before needs no place among them. Of fewer
    than `least` events it is not worth while: what comes in meanwhile would wait for the next claim.
    """
    at = ledger.front(connection, site)
    owed = ledger.owed(connection, site, limit=limit, at=at)
    # What is owed again is not read before it is claimed.
    if len(owed) < least or at.owes_again:
        return None
    view = ledger.View(connection, site, ahead=owed[-1].position)
    ((revision,),) = _revision(connection, {"of_site": site})
    return Recount(view, LIVE).look_ahead(owed, revision=revision)


@Prepared
def _revision(_: Lists) -> Any:
    return select(sites.c.revision).where(sites.c.site == bindparam("of_site"))


def take(connection: Connection, site: str) -> int | None:
    """Take a site to count it until the end of the transaction; its revision, None while another worker has it."""
    taken = _take(connection, {"of_site": site})
    return int(taken[0][0]) if taken else None


@Prepared
def _take(lists: Lists) -> Any:
    site = select(sites.c.revision).where(sites.c.site == bindparam("of_site")).with_for_update(skip_locked=True)
    if lists.dialect == POSTGRESQL:
        # What counting asks is the same each time, and to plan it takes PostgreSQL longer than to answer it.
        site = site.add_columns(func.set_config("plan_cache_mode", "force_generic_plan", true()))
    return site


class _Raised(TypedDict):
    """The position up to which a site is counted, and the name of its numbers."""

    position: int
    series: str


def _raise_revision(connection: Connection, site: str) -> _Raised:
    """Say that the site's figures changed; returns up to which event they count."""
    ((counted, series),) = _raise(connection, {"of_site": site})
    return {"position": int(counted), "series": str(series)}


@Prepared
def _raise(_: Lists) -> Any:
    raised = update(sites).where(sites.c.site == bindparam("of_site")).values(revision=sites.c.revision + 1)
    return raised.returning(sites.c.counted_position, sites.c.series)


@dataclass(frozen=True)
class Difference:
    """Rows of a derived table that the ledger does not bear out, or that are missing."""

    table: str
    only_stored: int
    only_recounted: int
    examples: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True)
class Audit:
    """The result of a recount of all counted events beside what is stored."""

    site: str
    position: int
    events: int
    differences: list[Difference]

    @property
    def equal(self) -> bool:
        """True when what is stored is exactly what the ledger gives."""
        return not self.differences


def audit(database: Database, site: str, progress: Progress | None = None, *, processes: int = 1) -> Audit:
    """Recount a site from its ledger in one snapshot, beside what is stored, and compare. Stops nobody.

    What was confirmed of jobs must add up to what is stored too.
    """
    with database.snapshot_with_scratch() as connection, database.begin_snapshot(connection):
        position, count = _recount_into_shadow(database, connection, site, progress, processes)
        differences = [
            difference
            for live, shadow in zip(LIVE.all, SHADOW.all, strict=True)
            if (difference := _difference(connection, site, live, shadow))
        ]
        differences += _unconfirmed(connection, site)
        return Audit(site, position, count, differences)


def _unconfirmed(connection: Connection, site: str) -> list[Difference]:
    fold = connection.execute(select(sites.c.fold).where(sites.c.site == site)).scalar_one()
    if fold < FOLD:
        # Confirmations begin, or go on, when the site is counted again.
        return []
    calendar = settings_told(ledger.View(connection, site))
    return [
        Difference(one.table, len(one.stored), len(one.recounted), _shown(one))
        for one in compared(connection, site, calendar)
    ]


def _shown(one: Compared) -> list[dict[str, Any]]:
    sides = (("stored", one.stored), ("recounted", one.recounted))
    return [{"side": side} | row for side, rows in sides for row in rows[:SHOWN_DIFFERENCES]]


def rebuild(database: Database, site: str, progress: Progress | None = None, *, now_us: int, processes: int = 1) -> int:
    """Compute a site's derived tables again from its whole ledger and put them in place; returns the events counted.

    processes: so many fold a large site's attempts, beside this one that stores what they give.
    The recount reads a snapshot while the door goes on; what was counted meanwhile is caught up under the site's lock.
    """
    while True:
        with database.snapshot_with_scratch() as connection:
            with database.begin_snapshot(connection):
                position, count = _recount_into_shadow(database, connection, site, progress, processes)
            with database.begin_write(connection):
                counted = _swap_in(connection, site, position, count, now_us=now_us)
        if counted is not None:
            return counted


def _swap_in(connection: Connection, site: str, position: int, count: int, *, now_us: int) -> int | None:
    """Put the shadow, which counts `count` events up to a position, in the place of what is stored.

    None when an event before that position was counted meanwhile, one that had been set aside: then the shadow is old.
    """
    connection.execute(select(sites.c.revision).where(sites.c.site == site).with_for_update())
    before = _count(connection, site, events.c.position <= position)
    if before != count:
        return None
    since = _counted(connection, site, events.c.position > position)
    recount = Recount(ledger.View(connection, site), SHADOW)
    if since:
        recount.of_events(since)
    for live, shadow in zip(LIVE.all, SHADOW.all, strict=True):
        _make_equal(connection, site, live, shadow)
    raised = _raise_revision(connection, site)
    Confirming(connection, site, recount.calendar, **raised, now_us=now_us).of_everything()
    connection.execute(update(sites).where(sites.c.site == site).values(fold=FOLD))
    return count + len(since)


def _make_equal(connection: Connection, site: str, live: Table, shadow: Table) -> None:
    """Write what of a site's rows differs from the shadow's: most, or all, are as they should be."""
    key = [shadow.c[column.name] == column for column in live.primary_key]
    same = [shadow.c[column.name].is_not_distinct_from(column) for column in live.c if not column.primary_key]
    connection.execute(delete(live).where(live.c.site == site, ~exists().where(*key, *same)))
    missing = select(*shadow.c).where(~exists().where(*key))
    connection.execute(insert(live).from_select(list(live.c.keys()), missing))


def _recount_into_shadow(
    database: Database, connection: Connection, site: str, progress: Progress | None, processes: int
) -> tuple[int, int]:
    """(position, count) of the counted events of the snapshot, which the shadow then counts."""
    make_empty(connection, SHADOW)
    counted = select(func.coalesce(func.max(events.c.position), 0), func.count())
    position, count = connection.execute(counted.where(*ledger.counted(site))).one()
    folder = None
    if processes > 1 and count >= FEWEST_FOR_PROCESSES and can_start_processes():
        folder = partial(fold_portions, database.url, site, position, processes=processes)
    Recount(ledger.View(connection, site, upto=position), SHADOW).of_everything(progress, by=folder)
    return position, count


def _count(connection: Connection, site: str, *conditions: Any) -> int:
    query = select(func.count()).where(*ledger.counted(site), *conditions)
    return int(connection.execute(query).scalar_one())


def _counted(connection: Connection, site: str, *conditions: Any) -> list[ledger.Head]:
    query = select(*ledger.HEAD).where(*ledger.counted(site), *conditions)
    return [ledger.Head(*row) for row in connection.execute(query.order_by(events.c.position))]


def _difference(connection: Connection, site: str, live: Table, shadow: Table) -> Difference | None:
    stored = select(*live.c).where(live.c.site == site)
    recounted = select(*shadow.c)
    counts: list[int] = []
    examples: list[dict[str, Any]] = []
    sides: list[tuple[str, Any]] = [("stored", stored.except_(recounted)), ("recounted", recounted.except_(stored))]
    if live is LIVE.combinations:
        # One that nothing uses any more stays, and does no harm.
        sides[0] = ("stored", stored.where(false()))
    for side, query in sides:
        differing = query.subquery()
        counts.append(connection.execute(select(func.count()).select_from(differing)).scalar_one())
        shown = select(literal(side).label("side"), *differing.c).limit(SHOWN_DIFFERENCES)
        examples.extend(dict(row) for row in connection.execute(shown).mappings())
    return Difference(live.name, counts[0], counts[1], examples) if any(counts) else None
