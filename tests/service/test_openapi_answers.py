"""Every answer that the document tells is given, and is as the document tells it: each is asked for and held to it."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from werkzeug.test import TestResponse

from service.app import create_app
from service.bodies import ARRAY
from service.rates import Limits, Rates
from service.schemas.examples import EXAMPLES
from tests.builders import count, installed
from tests.service import described
from tests.service.answer_cases import CASES, IN_PATHS, NOW_US, ODD, Case, Shop, add_webhook
from tests.service.sent import ASSESSED, FINISHED, INSPECTED, JOB, RECEIVED, STARTED, event, with_data
from worker import audits
from worker.database import Database
from worker.folding import instant_us
from worker.keys import ROLES, new_key
from worker.publishing import publish_site

SITES = ("main", "empty", "audited")
#: Headers that an answer may carry only when the document names them.
TOLD_HEADERS = {
    "ETag", "Link", "Location", "Retry-After", "WWW-Authenticate", "X-As-Of", "X-Withheld", "Content-Disposition",
    "X-Request-Id", "RateLimit-Policy", "RateLimit",
}  # fmt: skip


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("answers")
    database = installed(f"sqlite:///{folder / 'test.sqlite3'}", sites=SITES)
    # A folder where the file should be cannot be opened.
    (folder / "in the way").mkdir()
    missing = Database(f"sqlite:///{folder / 'in the way'}")
    plain, broken, strict = (
        create_app(over, nudge=lambda: None, rates=Rates(limits))
        for over, limits in ((database, Limits(failures=0)), (missing, Limits(failures=0)), (database, Limits(rate=1)))
    )
    made = Shop(plain, broken, database, _keys(database), strict)
    _fill(made)
    yield made
    database.close()
    missing.close()


def _keys(database: Database) -> dict[str, str]:
    # The key that makes a site has two sites from then on: it is not the one that the others ask with.
    keys = {role: (role,) for role in ROLES} | {"elsewhere": ("admin",), "founder": ("admin",)}
    with database.write() as connection:
        made = {
            name: new_key(
                connection, name=name, roles=roles, sites=SITES if name == "elsewhere" else ("main",), now_us=NOW_US
            )[0]
            for name, roles in keys.items()
        }
        audits.begin(connection, "audited", now_us=NOW_US)
    return made


def _fill(shop: Shop) -> None:
    said = [each for kind, each in EXAMPLES.items() if kind not in ("cutledger.event.voided", "cutledger.job.closed")]
    said += [
        event(STARTED, {}, id="s-1", subject="A-open"),
        event(INSPECTED, {"good": 1}, id="i-1", subject="A-unfinished"),
        with_data(FINISHED, seconds=60, machine="laser-2", run="R-8") | {"id": "f-1", "subject": "A-overlap"},
        event(FINISHED, {"outcome": "severed", "good": 2, "quantity": 3}, id="f-2", subject="A-pending"),
        event(ASSESSED, {"hardened": True}, id="a-1", subject="P-seen"),
        event("cutledger.job.closed", {"reason": "cancelled"}, id="c-1", subject="J-closed"),
        event(id="v-1", subject="A-void"),
        event("cutledger.event.voided", {"source": "/terminals/bay-2", "id": "v-1", "reason": "t"}, id="v-2",
              subject="A-void"),
        event(JOB, {"part_number": "B", "quantity": 1, "material": "S", "thickness_in": "3/4", "order": None}, id="j-1",
              subject=ODD),
        event(RECEIVED, {"material": "S", "thickness_mm": 12.7, "parent": "P-77"}, id="p-1", subject="P-77-1"),
    ]  # fmt: skip
    answer = shop.post([*said, *_proven()], media_type=ARRAY)
    assert answer.status_code == 202, answer.text
    count(shop.database)
    add_webhook(shop.database, name=IN_PATHS["webhook"])
    # Something changes after the week is published.
    assert list(publish_site(shop.database, "main", now_us=instant_us("2026-03-10T06:00:00Z"))) == ["2026-W10"]
    late = event(INSPECTED, {"good": 2, "scrap": 1}, id="i-2", subject="A-pending", time="2026-03-10T09:00:00Z")
    assert shop.post(late).status_code == 202
    count(shop.database)


def _proven() -> Iterator[dict[str, Any]]:
    """A proof that one trial decides, and the trial, which starts after the plan is in the ledger: inspected, held."""
    after = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    recipe = {"name": "S355 oxygen 28", "revision": "A", "feed_mm_min": 900, "focus_mm": -2.5}
    cut = {"machine": "laser-2", "material": "S355J2+N", "thickness_mm": 28, "gas": "oxygen"}
    plan = {"reliability": 0.5, "confidence": 0.5, **cut, "recipe": {"name": "S355 oxygen 28"}}
    tried = {"outcome": "severed", "quantity": 1, "plate": "P-28", "recipe": recipe, **cut}
    yield event("cutledger.proof.planned", plan, id="d-1", subject="PR-proven")
    yield event(FINISHED, tried, id="d-2", subject="A-proven", time=after)
    measured = {"good": 1, "u_mm": [0.3, 0.4], "rz5_um": [60], "dross_mm": 0.2}
    yield event(INSPECTED, measured, id="d-3", subject="A-proven", time=after)
    yield event("cutledger.recipe.released", {**cut, "recipe": recipe, "reason": "t"}, id="d-4", subject="R")
    yield event("cutledger.hold.placed", {"machine": "laser-2", "reason": "smoke"}, id="d-5", subject="HD-proven")
    yield event("cutledger.machine.serviced", {"what": "lens"}, id="d-6", subject="laser-2", time=after)


def test_every_answer_of_the_document_is_asked_for() -> None:
    told = {(each, status) for each in described.operations() for status in described.responses(each)}
    assert {(case.operation_id, case.status) for case in CASES} == told


@pytest.mark.parametrize("case", CASES, ids=str)
def test_answer_is_as_the_document_tells(shop: Shop, case: Case, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL)
    answer = case.ask(shop)
    assert answer.status_code == case.status, answer.text[:2000]
    told = described.responses(case.operation_id)[case.status]
    _check_body(answer, told.get("content", {}))
    _check_headers(answer, told["headers"])


def _check_body(answer: TestResponse, content: dict[str, Any]) -> None:
    if not content:
        assert answer.data == b""
        return
    told = content[answer.mimetype]
    value = answer.get_json() if answer.mimetype.endswith("json") else answer.text
    assert described.faults_closed(told["schema"], value) == []


def _check_headers(answer: TestResponse, headers: dict[str, Any]) -> None:
    assert TOLD_HEADERS & set(answer.headers.keys()) <= headers.keys()
    for name, reference in headers.items():
        told = described.resolved(reference)
        if told["required"] or name in answer.headers:
            value: Any = answer.headers[name]
            value = int(value) if told["schema"]["type"] == "integer" else value
            assert described.faults(told["schema"], value) == []


def test_shop_holds_something_of_each_kind(shop: Shop) -> None:
    """Else the answers above would prove little."""
    findings = shop.get("/v1/findings").get_json()["items"]
    assert {each["kind"] for each in findings} == {"contradiction", "new_name", "left_open"}
    for path, states in (
        ("attempts", {"open", "finished", "unfinished"}),
        ("plates", {"closed", "open", "unknown"}),
        ("jobs", {"closed", "open"}),
    ):
        assert {each["state"] for each in shop.get(f"/v1/{path}").get_json()["items"]} == states


def test_an_untold_field_would_be_found(shop: Shop) -> None:
    page = shop.get("/v1/attempts").get_json()
    page["items"][0]["parts"]["lost"] = 1
    schema = described.of_shape("AttemptPage")
    assert described.faults(schema, page) == []
    assert "'lost' was unexpected" in str(described.faults_closed(schema, page))


def test_document_is_served_as_it_is_committed(shop: Shop) -> None:
    assert shop.get("/openapi.json", key=None).get_json() == described.made()


def test_docs_page_asks_no_other_host(shop: Shop) -> None:
    answer = shop.get("/docs/", key=None)
    assert "://" not in answer.text
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    # Not "//" alone, which the hash of a script may hold.
    assert "://" not in policy
    for part in re.findall(r'(?:src|href)="([^"]+)"', answer.text):
        with shop.get(part, key=None) as found:
            assert found.status_code == 200


def test_docs_leads_to_its_page(shop: Shop) -> None:
    answer = shop.get("/docs", key=None)
    assert answer.status_code == 308
    assert answer.headers["Location"].endswith("/docs/")
