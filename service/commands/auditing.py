"""`cutledger audit`: recount the ledger beside the tallies."""

from __future__ import annotations

import click

from service.clock import now_us
from service.commands.opening import DATA, opened, refusal, sites_of
from worker.administration import COMMAND_LINE, record
from worker.audits import begin, run


@click.command()
@DATA
@click.option("--site", help="Only this site.")
def audit(data: str | None, site: str | None) -> None:
    """Recount the ledger beside the tallies and compare; exits 1 when they differ. A server may run meanwhile."""
    equal = True
    with opened(data) as database:
        for name in sites_of(database, site):
            with database.write() as connection:
                now = now_us()
                number = begin(connection, name, now_us=now)
                record(connection, name, actor=COMMAND_LINE, act="audit.started", subject=str(number), now_us=now)
            result = run(database, name, number, clock=now_us)
            equal = equal and result.equal
            said = "equal" if result.equal else "NOT equal"
            click.echo(f"site {name}: {result.events:,} counted events up to position {result.position}: {said}")
            for one in result.differences:
                click.echo(f"  {one.table}: {one.only_stored} rows only stored, {one.only_recounted} only recounted")
    if not equal:
        raise refusal("what is stored is not what the ledger says; cutledger rebuild computes it again")
