"""What commands share: the installation that they work on, its sites, progress, and errors as one sentence."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import click

from service.preparing import prepare
from worker.database import Database, DatabaseUnavailable
from worker.installing import SiteExists, site_names
from worker.schema import SchemaBehind, SchemaNotOurs
from worker.settings import Installation, SettingWrong

log = logging.getLogger(__name__)

T = TypeVar("T")
#: A server or worker that is started waits so long for its database.
PATIENCE_SECONDS = 30.0

DATA = click.option(
    "--data", type=click.Path(file_okay=False), envvar="CUTLEDGER_DATA", help="Folder of an embedded installation."
)


def refusal(message: str) -> click.ClickException:
    """The end of a command that cannot do what it was asked: one sentence, exit status 1."""
    return click.ClickException(message)


def named_installation(data: str | None = None) -> Installation:
    """The installation that the settings name; a wrong one ends the command."""
    try:
        return Installation.from_environment(data=data)
    except SettingWrong as error:
        raise refusal(str(error)) from error


def patiently(ready: Callable[[], T]) -> T:
    """What `ready` gives, asked again for a while as long as the database is away: it may be starting, too."""
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            return ready()
        except DatabaseUnavailable as error:
            if time.monotonic() > until:
                raise
            log.warning("waiting for the database: %s", error)
            time.sleep(1.0)


@contextmanager
def opened(data: str | None) -> Iterator[Database]:
    """The installation's database, made when it is not there yet; errors leave as one clear sentence."""
    # Here and below: health checks, which come every few seconds, load neither reports nor what draws on a terminal.
    from worker.audits import AuditRunning
    from worker.reports.reading import SiteUnknown

    installation = named_installation(data)
    try:
        prepare(installation)
        database = Database(installation.database_url)
        try:
            yield database
        finally:
            database.close()
    except (DatabaseUnavailable, SchemaBehind, SchemaNotOurs, SiteUnknown, SiteExists, AuditRunning) as error:
        raise refusal(str(error)) from error


def sites_of(database: Database, named: str | None) -> list[str]:
    """All sites, or the named one; raises SiteUnknown."""
    from worker.reports.reading import SiteUnknown

    with database.read() as connection:
        known = site_names(connection)
    if named is not None and named not in known:
        raise SiteUnknown(named)
    return known if named is None else [named]


@contextmanager
def progress_of(what: str, things: str = "attempts") -> Iterator[Callable[[int], None]]:
    """A counter on the terminal for as long as something goes on; called with how many more are done."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(),
        TextColumn(f"{{task.description}}: {{task.completed:,.0f}} {things}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=None)
        yield lambda count: progress.advance(task, count)
