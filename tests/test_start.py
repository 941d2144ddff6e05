"""What a process loads before it is asked for it: libraries that take long to load are left to those who need them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from service.cli import COMMANDS, LoadedWhenCalled
from service.warming import SLOW
from tests.builders import installed
from tests.service.serving import REPOSITORY, cut, key_for, surroundings
from worker.settings import Installation

#: What no process needs at its start.
NEVER = {"alembic", "matplotlib", "pandas", "scipy", "statsmodels", "typst", "xlsxwriter"}
GROWN_ALONE = {"celery", "kombu", "psycopg", "redis"}
SERVERS_ALONE = {"flask", "gunicorn", "jinja2", "marshmallow"}

HELP = "from service.cli import main; main(['--help'], standalone_mode=False)"
KEYS = "from service.cli import main; main(['key', '--help'], standalone_mode=False)"
WORKER = """
from service.commands.working import worker
from worker.settings import Installation
from worker.tasks import make_worker
make_worker(Installation.from_environment({"CUTLEDGER_BROKER_URL": "redis://127.0.0.1:1/0"}, data=given[0]))
"""
#: An event comes in, and is counted.
DOOR = """
import json
from service.commands import serving
from service.app import create_app
from service.preparing import prepare
from worker.database import Database
from worker.loop import count_owed
from worker.settings import Installation

folder, key, event = given
installation = Installation.from_environment({}, data=folder)
prepare(installation)
database = Database(installation.database_url)
client = create_app(database, nudge=lambda: None).test_client()
assert client.get("/readyz").status_code == 200
answer = client.post("/v1/events", json=json.loads(event), headers={"Authorization": f"Bearer {key}"})
assert answer.status_code == 202, answer.text
assert count_owed(database) == 1
"""
WARMED = """
import service.warming
service.warming.warm_up(wait_seconds=0).join()
"""


def loaded(code: str, *given: str) -> set[str]:
    """The modules that a process has loaded once it has run this code; `given` is known to it."""
    whole = f"import sys\ngiven = sys.argv[1:]\n{code}\nprint('', *sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", whole, *given], cwd=REPOSITORY, env=surroundings(), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.splitlines()[-1].split())


def test_help_loads_neither_database_nor_server() -> None:
    modules = loaded(HELP)
    assert "click" in modules
    assert modules & (NEVER | GROWN_ALONE | SERVERS_ALONE | {"numpy", "rich", "sqlalchemy", "service.app"}) == set()


def test_a_command_that_serves_nothing_loads_no_server() -> None:
    modules = loaded(KEYS)
    assert "worker.keys" in modules
    assert modules & (NEVER | GROWN_ALONE | SERVERS_ALONE | {"service.app"}) == set()


def test_an_embedded_server_takes_and_counts_an_event_without_what_it_does_not_need(tmp_path: Path) -> None:
    database = installed(Installation.from_environment({}, data=str(tmp_path)).database_url)
    key = key_for(database, "admin")
    database.close()
    modules = loaded(DOOR, str(tmp_path), key, json.dumps(cut(1)))
    assert {"flask", "gunicorn", "service.server"} <= modules
    assert modules & (NEVER | GROWN_ALONE) == set()


def test_a_worker_loads_neither_server_nor_statistics(tmp_path: Path) -> None:
    modules = loaded(WORKER, str(tmp_path))
    assert {"celery", "worker.tasks"} <= modules
    assert modules & (NEVER | SERVERS_ALONE | {"service.app"}) == set()


def test_a_server_that_answers_loads_beside_it_what_reports_need() -> None:
    assert set(SLOW) <= loaded(WARMED)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_listed_with_what_it_says_of_itself(name: str) -> None:
    _, said = COMMANDS[name]
    command = LoadedWhenCalled().get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.name == name
    assert said == command.get_short_help_str(limit=1_000)
