"""A client that a public generator makes of the API document: the README's program for the ERP runs with it."""

from __future__ import annotations

import datetime
import importlib
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Thread
from types import ModuleType
from typing import Any

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from service.app import create_app
from tests.builders import count, embedded
from tests.service.conftest import cut, received
from tests.service.serving import key_for
from worker.database import Database

ROOT = Path(__file__).parents[1]
PACKAGE = "cutledger_client"
README_URL = "http://127.0.0.1:8750"


class _Quiet(WSGIRequestHandler):
    def log(self, type: str, message: str, *args: Any) -> None:  # noqa: A002
        """No lines on standard error."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("client")


@pytest.fixture(scope="module")
def generated(folder: Path) -> subprocess.CompletedProcess[str]:
    """What the generator says; its package lies in the folder."""
    # Only how the source looks is left out: the generator would call a formatter.
    (folder / "generator.yml").write_text("post_hooks: []\n")
    command = [
        sys.executable, "-m", "openapi_python_client", "generate", "--fail-on-warning", "--meta", "none",
        "--path", str(ROOT / "openapi" / "cutledger.json"), "--output-path", str(folder / PACKAGE),
        "--config", str(folder / "generator.yml"),
    ]  # fmt: skip
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture(scope="module")
def client(folder: Path, generated: subprocess.CompletedProcess[str]) -> Iterator[ModuleType]:
    assert generated.returncode == 0, generated.stdout
    sys.path.insert(0, str(folder))
    try:
        yield importlib.import_module(PACKAGE)
    finally:
        sys.path.remove(str(folder))
        for name in [name for name in sys.modules if name.partition(".")[0] == PACKAGE]:
            del sys.modules[name]


@pytest.fixture(scope="module")
def database(folder: Path) -> Iterator[Database]:
    opened = embedded(folder)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def url(database: Database) -> Iterator[str]:
    """Address of a server whose events are counted at once."""
    app = create_app(database, nudge=lambda: count(database))
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=_Quiet)
    thread = Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def asking(client: ModuleType, database: Database, url: str, role: str) -> Any:
    return client.AuthenticatedClient(base_url=url, token=key_for(database, role))


def module(name: str) -> Any:
    return importlib.import_module(f"{PACKAGE}.{name}")


def test_generator_makes_the_whole_client_without_a_warning(
    generated: subprocess.CompletedProcess[str], client: ModuleType, folder: Path
) -> None:
    assert not re.search("warning|error", generated.stdout, re.IGNORECASE), generated.stdout
    modules = [path.relative_to(folder).with_suffix("") for path in (folder / PACKAGE / "api").rglob("*.py")]
    operations = {path.stem for path in modules if path.stem != "__init__"}
    document = (ROOT / "openapi" / "cutledger.json").read_text()
    assert operations == set(re.findall(r'"operationId": "(\w+)"', document))
    for path in modules:
        importlib.import_module(".".join(path.parts))


def program_of_the_readme() -> str:
    (found,) = [
        block
        for block in re.findall(r"^```python\n(.*?)^```$", (ROOT / "README.md").read_text(), re.MULTILINE | re.DOTALL)
        if PACKAGE in block
    ]
    return str(found)


def test_the_readmes_program_for_the_erp_runs(
    client: ModuleType, database: Database, url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    program = program_of_the_readme()
    assert README_URL in program
    told = {"KEY": key_for(database, "erp")}
    exec(compile(program.replace(README_URL, url), "README.md", "exec"), told)  # noqa: S102
    shown = re.findall(r"^# (.*)$", program, re.MULTILINE)
    assert capsys.readouterr().out.splitlines() == shown


def test_typed_events_answers_and_problems(client: ModuleType, database: Database, url: str) -> None:
    erp, terminal = (asking(client, database, url, role) for role in ("erp", "terminal"))
    models = module("models")
    post = module("api.events.post_events")
    taken = [models.AttemptFinishedEvent.from_dict(cut(name, job="J", plate="P")) for name in ("A", "B")]
    steel = models.PlateReceivedEvent.from_dict(received("P", heat_number="H1"))
    verdicts = post.sync(client=terminal, body=[*taken, steel])
    assert isinstance(verdicts, models.Verdicts)
    assert (verdicts.accepted, verdicts.items[0].status) == (3, models.VerdictStatus.ACCEPTED)
    assert post.sync(client=terminal, body=taken[0]).duplicate == 1
    other = models.AttemptFinishedEvent.from_dict(cut("other", id=taken[0].id))
    refused = post.sync(client=terminal, body=other)
    assert isinstance(refused, models.EventsRefused)
    assert (refused.status, refused.items[0].status, refused.items[0].errors[0].pointer) == (
        409, models.VerdictStatus.CONFLICT, ""
    )  # fmt: skip

    page, seen = module("api.events.get_events").sync(client=erp, limit=2), []
    while page.items:
        seen += [item.event for item in page.items]
        page = module("api.events.get_events").sync(client=erp, limit=2, after=page.next_)
    mine = [event for event in seen if event.subject in ("A", "B", "P")]
    assert [type(event) for event in mine] == [models.AttemptFinishedEvent] * 2 + [models.PlateReceivedEvent]
    assert mine[0].data.outcome is models.Outcome.SEVERED
    assert mine[0].time == datetime.datetime.fromisoformat(cut()["time"])

    missing = module("api.state.get_job").sync("none", client=erp)
    assert isinstance(missing, models.Problem)
    assert (missing.status, missing.type_) == (404, "urn:cutledger:problem:not-found")
    wrong = module("api.state.get_jobs").sync(client=erp, limit=501)
    assert isinstance(wrong, models.Problem)
    assert [(one.parameter, type(one)) for one in wrong.errors] == [("limit", models.Wrong)]
    forbidden = module("api.keys.get_keys").sync(client=erp)
    assert (type(forbidden), forbidden.status) == (models.Problem, 403)


def test_plans_reports_and_findings_are_typed(client: ModuleType, database: Database, url: str) -> None:
    erp = asking(client, database, url, "erp")
    models = module("models")
    post = module("api.events.post_events")
    post.sync(client=erp, body=[models.AttemptFinishedEvent.from_dict(cut("C", good=1, quantity=1, tried=1))])
    names, dimensions = models.GetReportName, models.GetReportByItem
    report = module("api.reports.get_report").sync(
        names.YIELD, client=erp, by=[dimensions.THICKNESS, dimensions.MACHINE], month="2026-03"
    )
    assert isinstance(report, models.YieldReport)
    assert report.window.from_ == datetime.date(2026, 3, 1)
    assert [row.thickness_mm for row in report.rows] == [20]
    plan = module("api.plan.get_plan").sync(
        client=erp, parts=2, material="S355", thickness_mm=20.0, from_=datetime.date(2026, 1, 1)
    )
    assert isinstance(plan, models.OnePlanned)
    assert plan.plan.parts == 2
    found = module("api.findings.get_findings").sync(client=erp)
    assert isinstance(found, models.FindingPage)
    assert {finding.kind for finding in found.items} <= set(models.FindingKind)
    catalogue = module("api.reports.get_reports").sync(client=erp)
    assert {each.name for each in catalogue.reports} == {name.value for name in names}


def test_what_did_not_change_answers_304_without_a_body(client: ModuleType, database: Database, url: str) -> None:
    erp = asking(client, database, url, "erp")
    ask = module("api.state.get_jobs").sync_detailed
    first = ask(client=erp)
    again = ask(client=erp, if_none_match=first.headers["ETag"])
    assert (again.status_code, again.content) == (304, b"")
