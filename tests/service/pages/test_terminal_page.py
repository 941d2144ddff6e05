"""The terminal's page and its worker: the same for all, kept as a whole, and new when anything of it is new."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

import service.pages.terminal as terminal
from service.pages.terminal_words import TEXTS
from tests.service.conftest import Door
from tests.service.test_sessions import Browser

SCRIPTS = Path(terminal.__file__).parent / "static" / "terminal"
#: Texts whose names scripts put together: all that begin so.
PUT_TOGETHER = ("mark_",)


def sources() -> dict[str, str]:
    """Each script by its path below /static/."""
    return {f"terminal/{path.relative_to(SCRIPTS).as_posix()}": path.read_text() for path in SCRIPTS.rglob("*.js")}


def worker(client: FlaskClient, **headers: str) -> str:
    answer = client.get("/terminal/worker.js", headers=headers)
    assert answer.status_code == 200
    return str(answer.text)


def release(script: str) -> str:
    return str(re.findall(r'^const RELEASE = "(\w+)";$', script, re.MULTILINE)[0])


def test_the_page_is_the_same_whoever_is_signed_in(door: Door, service: Any) -> None:
    pages = [service.app.test_client().get("/terminal/shell").text]
    for role in ("terminal", "admin"):
        browser = Browser(service)
        assert browser.sign_in(door.keys[role]).status_code == 303
        pages.append(browser.get(f"/terminal?site={door.site}").text)
    assert len(set(pages)) == 1, "no token, no key, no site: a device keeps it for all"
    assert "csrf-token" not in pages[0]


def test_the_worker_keeps_every_file_that_the_page_loads(service: Any) -> None:
    client = service.app.test_client()
    files = json.loads(re.findall(r"^const FILES = (\[.*\]);$", worker(client), re.MULTILINE)[0])
    loaded = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', client.get("/terminal/shell").text))
    assert loaded <= set(files)
    for path in files:
        with client.get(path) as answer:
            assert answer.status_code == 200, path
    imported = {
        ((SCRIPTS.parent / name).parent / target).resolve().relative_to(SCRIPTS.parent.resolve()).as_posix()
        for name, text in sources().items()
        for target in re.findall(r'^(?:import|\} from) .*?"(\.[^"]+)";$', text, re.MULTILINE)
    }
    assert len(imported) > 10
    assert {f"/static/{name}" for name in imported} <= set(files)


def test_the_worker_may_serve_the_page_above_it_and_is_asked_for_anew(service: Any) -> None:
    answer = service.app.test_client().get("/terminal/worker.js")
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Service-Worker-Allowed"] == "/terminal"
    assert answer.headers["Cache-Control"] == "no-cache"


def test_another_file_or_another_language_is_another_release(service: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client = service.app.test_client()
    first = release(worker(client))
    assert release(worker(client)) == first
    monkeypatch.setattr(terminal, "_files_hash", lambda: "of other files")
    assert release(worker(client)) != first
    monkeypatch.undo()
    german = client.get("/terminal/worker.js?language=de").text
    assert release(german) != first
    assert 'const SHELL = "/terminal/shell?language=de";' in german
    assert '<html lang="de">' in client.get("/terminal/shell?language=de").text
    assert release(client.get("/terminal/worker.js?language=xx").text) == first


def test_a_browser_without_modules_in_workers_gets_one_without(service: Any) -> None:
    client = service.app.test_client()
    assert worker(client).startswith("import ")
    plain = client.get("/terminal/worker.js?plain=1").text
    assert "import " not in plain
    assert release(plain) == release(worker(client))


def test_scripts_say_texts_that_there_are_and_all_of_them() -> None:
    code = "\n".join(sources().values())
    said = set(re.findall(r'say\(\s*"(\w+)"', code))
    assert said - TEXTS.keys() == set()
    named = set(re.findall(r'"(\w+)"', code))
    assert {name for name in TEXTS if name not in named and not name.startswith(PUT_TOGETHER)} == set()
