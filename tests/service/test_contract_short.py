"""A short run of what `make fuzz` does at length: requests made of the API document, answers held to it."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from threading import Thread

import pytest
from flask import Flask
from werkzeug.serving import WSGIRequestHandler, make_server

from service.app import create_app
from service.rates import Limits, Rates
from tests.builders import embedded
from tests.fuzz.contract import PHASES, run, schema_of, settings
from tests.service import described
from tests.service.serving import key_for
from worker.database import Database

#: After so long no further operation is begun: what is left out the next seed may reach, and `make fuzz` does.
SECONDS = 8.0
#: As ids they are refused or unknown, and no more: a NUL, no UTF-8, slashes, dots, turned text, nothing, far too long.
ODD_IDS = {
    "NUL": "%00", "no UTF-8": "%ff%fe", "slash": "a%2Fb", "parent": "..%2F..%2Fetc", "dots": "%2E%2E",
    "turned": "%E2%80%AEx", "surrogate": "%ED%A0%80", "blank": "%20", "percent": "%25", "line": "a%0Ab",
    "long": "x" * 3000,
}  # fmt: skip


class _Quiet(WSGIRequestHandler):
    def log_request(self, *_: object, **__: object) -> None:
        """No lines on standard error."""


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    opened = embedded(tmp_path_factory.mktemp("contract"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def app(database: Database) -> Flask:
    return create_app(database, nudge=lambda: None, rates=Rates(Limits(rate=0, failures=0)))


@pytest.fixture(scope="module")
def url(app: Flask) -> Iterator[str]:
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=_Quiet)
    thread = Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.filterwarnings("default")
def test_answers_are_as_the_document_tells(database: Database, url: str) -> None:
    key = key_for(database, "admin")
    asked = settings(key, examples=1, steps=2, phases=PHASES[:1] + PHASES[2:], seed=1)
    outcome = run(schema_of(described.made(), asked, url), until=time.monotonic() + SECONDS)
    assert outcome.failures == {}
    assert 500 not in outcome.statuses
    assert outcome.requests > 20


@pytest.mark.parametrize("odd", ODD_IDS)
def test_odd_ids_are_answered_as_the_document_tells(database: Database, app: Flask, odd: str) -> None:
    headers = {"Authorization": f"Bearer {key_for(database, 'admin')}"}
    client = app.test_client()
    for operation_id, (path, method, _) in described.operations().items():
        if "{" not in path:
            continue
        address = re.sub(r"{\w+}", ODD_IDS[odd], path)
        for asked in (method.upper(), "HEAD", "OPTIONS", "PATCH"):
            answer = client.open(address, method=asked, headers=headers)
            if asked == method.upper():
                assert answer.status_code in described.responses(operation_id), (operation_id, answer.text)
            assert answer.status_code < 500, (operation_id, asked)
            if answer.status_code == 405:
                assert method.upper() in answer.headers["Allow"]


@pytest.mark.filterwarnings("default")
def test_an_answer_that_the_document_does_not_tell_is_found(database: Database, url: str) -> None:
    document = described.made() | {"paths": {"/livez": described.made()["paths"]["/livez"]}}
    told = document["paths"]["/livez"]["get"]
    untold = {"get": told | {"responses": {"204": {"description": "planted: it answers 200"}}}}
    asked = settings(None, examples=1, steps=2, phases=("fuzzing",), seed=1)
    planted = document | {"paths": {"/livez": untold}}
    outcome = run(schema_of(planted, asked, url), until=time.monotonic() + SECONDS)
    assert [name for name in outcome.failures if "Undocumented status code" in name]
