"""`cutledger health`: one sentence and an exit status, for those who watch processes that answer no requests."""

from __future__ import annotations

import click

from service.clock import now_us
from service.commands.opening import DATA, named_installation, refusal
from worker.backlog import oldest_owed_seconds
from worker.database import Database, DatabaseUnavailable
from worker.schema import SchemaBehind, SchemaNotOurs, check

BROKER_SECONDS = 3.0


@click.command()
@DATA
@click.option(
    "--oldest-owed",
    type=click.IntRange(min=1),
    metavar="SECONDS",
    help="Not well when an event has waited longer to be counted.",
)
@click.option("--broker", is_flag=True, help="Not well when the broker does not answer.")
def health(data: str | None, oldest_owed: int | None, *, broker: bool) -> None:
    """Say in one sentence whether all is well; exits 1 when it is not. For workers and the schedule.

    The database answers and has this release's tables; and what else is asked for. Writes nothing.
    """
    installation = named_installation(data)
    if installation.embedded and not Database(installation.database_url).path.exists():
        raise refusal("not well: there is no installation here yet; cutledger serve makes one")
    database = Database(installation.database_url)
    try:
        with database.read() as connection:
            check(connection)
            waited = oldest_owed_seconds(connection, now_us=now_us())
    except (DatabaseUnavailable, SchemaBehind, SchemaNotOurs) as error:
        raise refusal(f"not well: {' '.join(str(error).split())}") from error
    finally:
        database.close()
    if oldest_owed is not None and waited > oldest_owed:
        raise refusal(f"not well: an event has waited {waited:,.0f} s to be counted, {oldest_owed} s are allowed")
    if broker:
        _ask_broker(installation.broker_url)
    said = "nothing is owed" if not waited else f"the oldest event owed has waited {waited:,.1f} s"
    click.echo(f"well: the database answers, {said}{', the broker answers' if broker else ''}")


def _ask_broker(url: str | None) -> None:
    # Slow to import, and not always needed.
    from redis import Redis
    from redis.exceptions import RedisError

    if url is None:
        raise refusal("not well: no broker is named; CUTLEDGER_BROKER_URL does, such as redis://127.0.0.1:6379/0")
    try:
        with Redis.from_url(url, socket_connect_timeout=BROKER_SECONDS, socket_timeout=BROKER_SECONDS) as connection:
            connection.ping()
    except (RedisError, OSError, ValueError) as error:
        raise refusal(f"not well: the broker does not answer: {' '.join(str(error).split())}") from error
