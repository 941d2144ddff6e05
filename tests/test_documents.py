"""README.md and DEVELOPERS.md beside the code: they name what there is and nothing else, and their examples run."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import click
import pytest

from service.api_document.document import path_of
from service.app import create_app
from service.cli import main
from worker.database import Database
from worker.events import EVENT_TYPES, PEOPLE_SETTINGS
from worker.keys import ROLES
from worker.measures import MEASURES
from worker.reports.catalogue import REPORTS
from worker.reports.dimensions import DIMENSIONS
from worker.sites import DEFAULTS

ROOT = Path(__file__).parents[1]
README, DEVELOPERS = "README.md", "DEVELOPERS.md"
DOCUMENTS = (README, DEVELOPERS)
PACKAGES = ("service", "worker", "demo")
#: One file a change of the tables: numbered, and too many to list.
NOT_IN_THE_TREE = "versions"


def text(name: str) -> str:
    return (ROOT / name).read_text()


def quoted(name: str) -> set[str]:
    """What a document gives as code, in a line."""
    return set(re.findall(r"`([^`\n]+)`", text(name)))


def names(told: str, name: str) -> bool:
    """True when a name stands in a text as a word of its own."""
    return re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", told) is not None


def missing(document: str, wanted: Mapping[str, Any] | set[str] | tuple[str, ...]) -> list[str]:
    told = text(document)
    return sorted(name for name in wanted if not names(told, name))


# --- what there is, is named ------------------------------------------------------------------------------------


def commands(
    command: click.Command = main, path: tuple[str, ...] = ("cutledger",)
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """(words, command) of each command that does something."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from commands(below, (*path, name))
    else:
        yield path, command


def options(command: click.Command) -> list[click.Option]:
    return [parameter for parameter in command.params if isinstance(parameter, click.Option)]


def variables(path: tuple[str, ...], command: click.Command) -> dict[str, str]:
    """Environment variable -> the option of a command that it stands for, as click reads them."""
    prefix = "_".join(path).upper().replace("-", "_")
    return {str(one.envvar or f"{prefix}_{(one.name or '').upper()}"): one.opts[0] for one in options(command)}


def variables_of_code() -> set[str]:
    """Environment variables that the code, the tests or the compose file read by name."""
    files = [path for package in (*PACKAGES, "tests") for path in (ROOT / package).rglob("*.py")]
    others = [*(path for path in files if path != Path(__file__)), ROOT / "docker-compose.yml"]
    return {name for path in others for name in re.findall(r"CUTLEDGER_[A-Z_]*[A-Z]\b", path.read_text())}


@pytest.mark.parametrize("path", [path for path, _ in commands()], ids=" ".join)
def test_readme_names_each_command_with_its_options(path: tuple[str, ...]) -> None:
    command = dict(commands())[path]
    (row,) = [line for line in text(README).splitlines() if line.startswith(f"| `{' '.join(path)}` |")]
    told = {one.opts[0] for one in options(command)} - {"--data"}
    assert told <= set(re.findall(r"--[a-z-]+", row))


def test_documents_name_each_environment_variable() -> None:
    wanted = {name for name in variables_of_code() if "_TEST_" not in name}
    for path, command in commands():
        if path[1:] in (("serve",), ("worker",)):
            wanted |= variables(path, command).keys()
    assert missing(README, wanted) == []
    assert missing(DEVELOPERS, {name for name in variables_of_code() if "_TEST_" in name}) == []


def test_documents_name_no_environment_variable_that_nothing_reads() -> None:
    known = variables_of_code() | {name for path, command in commands() for name in variables(path, command)}
    for document in DOCUMENTS:
        told = set(re.findall(r"CUTLEDGER_[A-Z_]*[A-Z]\b", text(document)))
        assert told - known == set(), document


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Every door of the application, as `GET /v1/jobs/{job}`."""
    folder = tmp_path_factory.mktemp("doors")
    app = create_app(Database(f"sqlite:///{folder / 'unused.sqlite3'}"), nudge=lambda: None)
    return {
        f"{method} {path_of(rule.rule)}"
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }


def test_readme_names_each_door(doors: set[str]) -> None:
    # The page's own script and style are no doors to ask at.
    assert doors - quoted(README) - {"GET /docs/{path}"} == set()


def test_documents_name_no_door_that_is_not_there(doors: set[str]) -> None:
    for document in DOCUMENTS:
        told = {code for code in quoted(document) if re.match(r"(GET|POST|PUT|DELETE) /", code)}
        assert told - doors == set(), document


def test_readme_names_each_report_dimension_and_event_type() -> None:
    assert missing(README, REPORTS) == []
    assert missing(README, DIMENSIONS) == []
    assert missing(README, EVENT_TYPES) == []


def test_documents_name_no_event_type_that_is_not_there() -> None:
    for document in DOCUMENTS:
        told = set(re.findall(r"cutledger\.[a-z]+\.[a-z_]+", text(document)))
        assert {name for name in told if not name.endswith(".json")} <= EVENT_TYPES.keys(), document


def test_readme_tells_columns_that_are_there() -> None:
    table = text(README).partition("## What the columns mean")[2].partition("\n### ")[0]
    told = {name for row in re.findall(r"^\| (`.+?) \|", table, re.MULTILINE) for name in re.findall(r"`(\w+)`", row)}
    assert told
    columns = {column.name for entry in REPORTS.values() for column in entry.columns}
    assert told - MEASURES.keys() - columns == set()


def test_readme_names_each_role_and_each_setting_of_a_site() -> None:
    assert missing(README, ROLES) == []
    assert missing(README, {*DEFAULTS}) == []
    assert missing(README, PEOPLE_SETTINGS) == []


def targets() -> set[str]:
    (phony,) = re.findall(r"^\.PHONY: (.*)$", text("Makefile"), re.MULTILINE)
    return set(phony.split())


def test_documents_name_each_make_target_and_no_other() -> None:
    told = text(README) + text(DEVELOPERS)
    assert sorted(name for name in targets() if f"make {name}" not in told) == []
    code = set().union(*map(quoted, DOCUMENTS)) | set(re.findall(r"^\$ (.*)$", told, re.MULTILINE))
    asked = {word for line in code for word in re.findall(r"^make ((?:[a-z]+ ?)+)", line)}
    assert {word for words in asked for word in words.split()} <= targets()


# --- what is named, is there ------------------------------------------------------------------------------------


def anchors(name: str) -> set[str]:
    """Anchors of a document's headings."""
    headings = re.findall(r"^#+ (.*)$", text(name), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere_in_the_repository(document: str) -> None:
    links = re.findall(r"\]\(([^)]+)\)", text(document))
    assert links
    for link in links:
        path, _, anchor = link.partition("#")
        assert not re.match(r"[a-z]+:", path), f"{link} leaves the repository"
        assert (ROOT / (path or document)).exists(), link
        if anchor:
            assert anchor in anchors(path or document), link


@pytest.mark.parametrize("document", DOCUMENTS)
def test_files_that_are_named_are_there(document: str) -> None:
    named = {code for code in quoted(document) if re.fullmatch(r"(service|worker|demo|tests|openapi)/[\w./-]*", code)}
    assert sorted(path for path in named if not (ROOT / path).exists()) == []


def tree_told() -> set[str]:
    """The modules in the tree of DEVELOPERS.md; a line is `name  what it is for`, two blanks deeper within a folder."""
    block = text(DEVELOPERS).partition("\n## Tree\n")[2].partition("```text\n")[2].partition("```")[0]
    told: set[str] = set()
    folders: list[str] = []
    for line in filter(str.strip, block.splitlines()):
        name, _, says = line.strip().partition(" ")
        depth = (len(line) - len(line.lstrip())) // 2
        folders = folders[:depth]
        if name.endswith("/"):
            folders.append(name)
        else:
            told.add("".join((*folders, name)))
        assert says.strip(), f"{name} is for nothing"
    return told


def test_each_risk_of_the_ten_names_tests_that_there_are() -> None:
    # OWASP API Security Top 10, 2023 edition; the numbers of the risks from memory
    rows = re.findall(r"^\| (API\d+) [^|]*\|[^|]*\|([^|]*)\|$", text(DEVELOPERS), re.MULTILINE)
    assert [risk for risk, _ in rows] == [f"API{number}" for number in range(1, 11)]
    for risk, shown_by in rows:
        tests = re.findall(r"`(tests/\w+(?:/\w+)*\.py)::(test_\w+)`", shown_by)
        assert tests, risk
        for file, name in tests:
            assert re.search(rf"^def {name}\(", text(file), re.MULTILINE), f"{risk}: {file} has no {name}"


def test_tree_lists_exactly_the_modules_that_there_are() -> None:
    found = {path.relative_to(ROOT) for package in PACKAGES for path in (ROOT / package).rglob("*.[pj][ys]")}
    there = {str(path) for path in found if path.name != "__init__.py" and NOT_IN_THE_TREE not in path.parts}
    told = tree_told()
    assert sorted(there - told) == [], "not in the tree of DEVELOPERS.md"
    assert sorted(told - there) == [], "in the tree of DEVELOPERS.md and not there"


@pytest.mark.parametrize("document", DOCUMENTS)
def test_documents_name_no_place_of_one_machine(document: str) -> None:
    assert re.findall(r"(?:^|[\s`(\"'])/(?:home|root|work|tmp|usr|opt)/\S*", text(document)) == []
    # 192.0.2.0/24 is no machine's: it is for documents (RFC 5737).
    assert re.findall(r"https?://(?!127\.0\.0\.1|localhost|192\.0\.2\.)\S+", text(document)) == []


# --- the examples run -------------------------------------------------------------------------------------------

#: Waits until all is counted and no audit runs, as a reader does between two commands.
SETTLE = """
settle() {
  [ -n "$admin" ] || return 0
  for _ in $(seq 200); do
    curl -sS "$url/v1/reports/yield" -H "Authorization: Bearer $admin" | grep -q '"waiting":0' &&
      ! curl -sS "$url/v1/audit" -H "Authorization: Bearer $admin" | grep -q '"running":true' && return 0
    sleep 0.05
  done
  echo "not settled" >&2; exit 1
}
cutledger() { "$PYTHON" -m service "$@"; }
"""
MARK = "--- end of example ---"
BLOCK = re.compile(r"^```(sh|json)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def examples() -> list[tuple[str, str]]:
    """(commands, excerpt of the answer that the README shows or nothing), in order."""
    blocks = BLOCK.findall(text(README))
    shown = [*blocks[1:], ("", "")]
    return [
        (body, after if kind_after == "json" else "")
        for (kind, body), (kind_after, after) in zip(blocks, shown, strict=True)
        if kind == "sh"
    ]


def pairs(value: Any) -> Iterator[tuple[str, Any]]:
    """Each (name, plain value) within a JSON value."""
    if isinstance(value, dict):
        for name, member in value.items():
            yield name, member
            yield from pairs(member)
    elif isinstance(value, list):
        for member in value:
            yield from pairs(member)


def pairs_shown(excerpt: str) -> list[tuple[str, Any]]:
    """Each (name, plain value) of an excerpt of JSON."""
    plain = r'"(\w+)": ("(?:[^"\\]|\\.)*"|-?[0-9][0-9.]*|true|false|null|\[\])'
    return [(name, json.loads(value)) for name, value in re.findall(plain, excerpt)]


def is_shown(told: Any, real: Any) -> bool:
    """True when a value is the real one, numbers rounded to the digits that are told."""
    if isinstance(told, float) and isinstance(real, float):
        return round(real, len(str(told).partition(".")[2])) == told
    return type(told) is type(real) and bool(told == real)


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What each example prints when all are run in order against a real server."""
    if shutil.which("bash") is None or shutil.which("curl") is None or shutil.which("gzip") is None:
        if os.environ.get("CI"):
            pytest.fail("bash, curl and gzip are needed to run the examples")
        pytest.skip("bash, curl or gzip is not here to run the examples")
    folder = tmp_path_factory.mktemp("readme")
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    blocks = [body.replace("127.0.0.1:8750", f"127.0.0.1:{port}") for body, _ in examples()]
    script = SETTLE + "".join(f"{body}\nsettle; echo; echo '{MARK}'\n" for body in blocks)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    environment |= {"PYTHON": sys.executable, "PYTHONPATH": str(ROOT), "CUTLEDGER_DATA": str(folder / "data")}
    environment |= {"LC_ALL": "C.UTF-8", "no_proxy": "*"}
    command = [sys.executable, "-m", "service", "serve", "--port", str(port), "--quiet"]
    with (folder / "serve.log").open("wb") as log:
        server = subprocess.Popen(command, cwd=folder, env=environment, stdout=log, stderr=log)
    try:
        wait = f"for _ in $(seq 600); do curl -s 127.0.0.1:{port}/readyz >/dev/null && break; sleep 0.05; done\n"
        run = ["bash", "-euo", "pipefail", "-c", f"admin=\n{wait}{script}"]
        ran = subprocess.run(run, cwd=folder, env=environment, capture_output=True, text=True, timeout=600, check=False)
    finally:
        server.terminate()
        assert server.wait(30) == 0, (folder / "serve.log").read_text()
    assert ran.returncode == 0, (ran.stdout[-500:], ran.stderr, (folder / "serve.log").read_text())
    assert (folder / "week.csv").read_bytes().startswith(b"thickness_mm,machine,attempts,")
    return ran.stdout.split(f"\n{MARK}\n")[:-1]


@pytest.mark.parametrize("number", range(len(examples())))
def test_example_of_the_readme_answers_what_it_shows(outputs: list[str], number: int) -> None:
    commands, excerpt = examples()[number]
    # Beside answers there is what commands say.
    lines = re.sub(r"\}(?=\{)", "}\n", outputs[number]).splitlines()
    answers = [json.loads(line) for line in lines if line.startswith("{")]
    assert len(answers) == len(re.findall(r"(?<!\$\()curl (?!-sS -o )", commands))
    for answer in answers:
        assert "urn:cutledger:problem" not in json.dumps(answer), answer
    real = [pair for answer in answers for pair in pairs(answer)]
    for name, told in pairs_shown(excerpt):
        assert any(name == known and is_shown(told, value) for known, value in real), (name, told)


def test_only_the_mistyped_event_of_the_readme_is_refused(outputs: list[str]) -> None:
    items = [item for output in outputs for item in re.findall(r'"id":"([^"]+)","status":"invalid"', output)]
    assert items == ["b2-0004"]


def test_readme_shows_the_answer_of_most_examples() -> None:
    shown = [excerpt for _, excerpt in examples() if excerpt]
    assert len(shown) >= 10
    assert all(pairs_shown(excerpt) for excerpt in shown)
