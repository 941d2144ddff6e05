"""`cutledger worker` and `cutledger schedule`: those who count in a grown installation."""

from __future__ import annotations

from typing import Any

import click

from service.commands.opening import named_installation, refusal
from worker.database import Database, DatabaseUnavailable
from worker.schema import SchemaBehind, SchemaNotOurs, check
from worker.settings import SettingWrong

#: The schedule needs no memory: what is due is in the database.
IN_MEMORY = ("--scheduler", "celery.beat:Scheduler")


@click.command()
@click.option("--concurrency", default=1, show_default=True, type=click.IntRange(1, 64), help="Worker processes.")
@click.option(
    "--schedule/--no-schedule",
    default=True,
    show_default=True,
    help="Also keep the schedule; leave it out where cutledger schedule runs.",
)
def worker(concurrency: int, *, schedule: bool) -> None:
    """Count what is owed, woken over Redis (CUTLEDGER_BROKER_URL), and by schedule.

    Any number of them may run, on any number of hosts; more than one schedule does no harm.
    """
    app = _celery()
    options = ["--loglevel=INFO", f"--concurrency={concurrency}", "--without-gossip", "--without-mingle", "-O", "fair"]
    if schedule:
        options += ["-B", *IN_MEMORY]
    app.worker_main(["worker", *options])


@click.command()
def schedule() -> None:
    """Keep the schedule alone: every few seconds wake a worker, lest a wake-up was lost."""
    app = _celery()
    app.start(["beat", "--loglevel=INFO", "--pidfile=", *IN_MEMORY])


def _celery() -> Any:
    """Celery application of workers whose database is ready."""
    from worker.tasks import make_worker

    installation = named_installation()
    try:
        database = Database(installation.database_url)
        try:
            with database.read() as connection:
                check(connection)
        finally:
            database.close()
        return make_worker(installation)
    except (DatabaseUnavailable, SchemaBehind, SchemaNotOurs, SettingWrong) as error:
        raise refusal(str(error)) from error
