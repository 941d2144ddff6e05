"""`cutledger worker` and `cutledger schedule`: those who count in a grown installation."""

from __future__ import annotations

from typing import Any

import click

from service.commands.opening import named_installation, patiently, refusal
from worker.database import Database, DatabaseUnavailable
from worker.loop import Observer
from worker.schema import SchemaBehind, SchemaNotOurs, check
from worker.settings import Installation, SettingWrong

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
@click.option("--metrics-port", type=click.IntRange(1, 65535), help="Port that answers what counting takes, if any.")
@click.option("--metrics-host", default="127.0.0.1", show_default=True, help="Address of that port.")
def worker(concurrency: int, metrics_port: int | None, metrics_host: str, *, schedule: bool) -> None:
    """Count what is owed, woken over Redis (CUTLEDGER_BROKER_URL), and by schedule.

    Any number of them may run, on any number of hosts; more than one schedule does no harm.
    """
    app = _celery(_measured(metrics_host, metrics_port))
    options = ["--loglevel=INFO", f"--concurrency={concurrency}", "--without-gossip", "--without-mingle", "-O", "fair"]
    if schedule:
        options += ["-B", *IN_MEMORY]
    app.worker_main(["--quiet", "worker", *options])


@click.command()
def schedule() -> None:
    """Keep the schedule alone: every few seconds wake a worker, lest a wake-up was lost."""
    app = _celery()
    app.start(["--quiet", "beat", "--loglevel=INFO", "--pidfile=", *IN_MEMORY])


def _measured(host: str, port: int | None) -> Observer | None:
    """What is told of each claim, where a port is named at which that is read."""
    if port is None:
        return None
    from service.metrics import serve_counting

    try:
        return serve_counting(host, port)
    except OSError as error:
        raise refusal(
            f"port {port} of {host} cannot be had ({error.strerror}); name another as --metrics-port"
        ) from error


def _celery(observe: Observer | None = None) -> Any:
    """Celery application of workers whose database is ready; what it logs leaves like all else."""
    from service.logs import log_celery_too, log_to
    from worker.tasks import make_worker

    log_to()
    log_celery_too()
    installation = named_installation()
    try:
        patiently(lambda: _check(installation))
        return make_worker(installation, observe=observe)
    except (DatabaseUnavailable, SchemaBehind, SchemaNotOurs, SettingWrong) as error:
        raise refusal(str(error)) from error


def _check(installation: Installation) -> None:
    database = Database(installation.database_url)
    try:
        with database.read() as connection:
            check(connection)
    finally:
        database.close()
