"""What every answer carries: of each route, of what is no route, of what fails, and on the wire."""

from __future__ import annotations

import re
import socket
from base64 import b64encode
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from flask import Flask, Response
from werkzeug.test import TestResponse

import service
from service.app import create_app
from service.asking import PUBLIC, needs
from service.headers import HEADERS
from tests.builders import embedded
from tests.service.conftest import Door
from tests.service.serving import serving
from tests.service.test_keys_and_roles import doors
from tests.service.test_sessions import Browser

#: Names and values after OWASP's cheat sheets on HTTP headers and REST security (from memory).
ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
SECRET = "Zx9PlantedSecretQq"


def check(answer: TestResponse | Response, about: object) -> None:
    headers = answer.headers
    assert {name: headers.get(name) for name in ALWAYS} == ALWAYS, about
    policy = headers["Content-Security-Policy"]
    for part in ("default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'"):
        assert part in policy, about
    assert not re.search(r"script-src[^;]*'unsafe|\*|https?:", policy), about
    assert headers["Referrer-Policy"] in ("no-referrer", "same-origin"), about
    assert "camera=()" in headers["Permissions-Policy"], about
    assert headers["Cache-Control"] in ("no-store", "private, no-cache", "no-cache"), about
    assert headers["X-Request-Id"], about
    assert not {"Server", "X-Powered-By", "Access-Control-Allow-Origin", "Strict-Transport-Security"} & set(
        headers.keys()
    ), about
    assert [len(headers.getlist(name)) for name in {*headers.keys()} - {"Set-Cookie"}] == [1] * len(
        {*headers.keys()} - {"Set-Cookie"}
    ), about


def test_every_answer_of_every_route_carries_them(door: Door, service: Any) -> None:
    asked = doors(service)
    assert len(asked) > 30
    for _, path, _ in asked:
        for method in ("GET", "HEAD", "OPTIONS", "POST", "PUT", "DELETE", "PATCH", "TRACE", "FROB"):
            for key in (None, "admin"):
                with door.ask(method, path, key=key) as answer:
                    check(answer, (method, path, key))
                    assert answer.status_code < 500, (method, path)


@pytest.mark.parametrize(
    "path",
    ["/nowhere", "/v1/jobs/none", "/v1/jobs?nonsense=1", "/v1/jobs?site=%00", "/docs", "/docs/index.html",
     "/docs/swagger-ui.css", "/static/pages.css", "/static/..%2fapp.py", "/openapi.json", "/sign-in"],
)  # fmt: skip
def test_what_is_refused_missing_or_a_file_carries_them(door: Door, path: str) -> None:
    with door.get(path) as answer:
        check(answer, path)


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PROPFIND", "FROB"])
def test_an_odd_method_is_refused(door: Door, method: str) -> None:
    answer = door.ask(method, "/v1/jobs", headers={"Cookie": SECRET})
    assert (answer.status_code, answer.content_type) == (405, "application/problem+json")
    assert SECRET not in answer.text


# --- what fails -------------------------------------------------------------------------------------------------


@pytest.fixture
def failing(tmp_path: Path) -> Iterator[Flask]:
    """An application one of whose routes fails, with a secret in what it says."""
    database = embedded(tmp_path)
    app = create_app(database, nudge=lambda: None)

    @app.route("/fails")
    @needs(PUBLIC)
    def fail() -> None:
        raise RuntimeError(SECRET)

    yield app
    database.close()


def test_a_failure_says_nothing_of_itself(failing: Flask) -> None:
    for accept, kind in (("*/*", "application/problem+json"), ("text/html", "text/html")):
        answer = failing.test_client().get("/fails", headers={"Accept": accept})
        assert (answer.status_code, answer.mimetype) == (500, kind)
        assert answer.headers["X-Request-Id"] in answer.text
        check(answer, "a failure")
        for told in (SECRET, "Traceback", "RuntimeError", ".py", "werkzeug", "flask"):
            assert told not in answer.text


# --- pages ------------------------------------------------------------------------------------------------------


def test_the_page_of_the_document_runs_its_own_script_alone(door: Door) -> None:
    answer = door.get("/docs/", key=None)
    (script,) = re.findall(r"<script>(.*?)</script>", answer.text, re.DOTALL)
    policy = answer.headers["Content-Security-Policy"]
    assert f"'sha256-{b64encode(sha256(script.encode()).digest()).decode()}'" in policy
    assert "script-src 'self' 'sha256-" in policy


def test_pages_hold_no_script_no_style_and_no_other_host(door: Door, service: Any) -> None:
    browser = Browser(service)
    pages = [browser.get("/sign-in")]
    assert browser.sign_in(door.keys["reader"]).status_code == 303
    pages += [browser.get("/key"), browser.get("/nowhere")]
    assert [page.status_code for page in pages] == [200, 200, 404]
    for page in pages:
        check(page, page.request.path)
        assert page.mimetype == "text/html"
        assert "script-src 'self';" in page.headers["Content-Security-Policy"]
        assert not re.search(r"<script>|<style|\son\w+=|\sstyle=|https?://", page.text), page.request.path


# --- on the wire ------------------------------------------------------------------------------------------------


def test_a_server_tells_no_version(tmp_path: Path) -> None:
    with serving(tmp_path) as server:
        answers = [server.ask(*asked) for asked in (("GET", "/livez"), ("GET", "/nowhere"), ("GET", "/v1/jobs"))]
        with socket.create_connection((server.host, server.port), timeout=30) as sock:
            sock.sendall(b"nonsense\r\n\r\n")
            refused = sock.recv(65_536).decode("latin1")
        assert server.end() == 0
    head = refused.partition("\r\n\r\n")[0].split("\r\n")[1:]
    check(Response(headers=[tuple(line.split(": ", 1)) for line in head]), "a request that cannot be read")
    for answer in answers:
        assert not re.search(r"\d", answer.headers.get("server", ""))
        assert "strict-transport-security" not in answer.headers
    assert not re.search(r"(?i)gunicorn/|python|cutledger/\d", refused)


def test_the_proxy_before_the_services_says_the_same() -> None:
    conf = (Path(service.__file__).parent / "proxy.conf").read_text()
    for name, value in HEADERS.items():
        (variable,) = re.findall(rf"^        add_header {name} (\$\w+) always;$", conf, re.MULTILINE)
        assert f'map $upstream_http_x_request_id {variable} {{ "" "{value}"; default ""; }}' in conf
    assert len(re.findall("add_header", conf)) == len(HEADERS) + 1, "a place with one of its own carries no others"
