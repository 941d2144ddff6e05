"""A way to get each answer that the API document tells, from an installation with something of everything in it."""

from __future__ import annotations

import gzip
import json
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from flask import Flask
from sqlalchemy import update
from werkzeug.test import TestResponse

from service.asking import PERMISSIONS, permission_of
from service.bodies import ARRAY, LINES, ONE_EVENT
from service.objects import BODY_LIMIT
from service.routes import events as door
from service.schemas.examples import EXAMPLES
from tests.service import described
from tests.service.sent import event
from worker import tables
from worker.database import Database
from worker.keys import ROLES, new_key
from worker.noticing.finding import finding_id
from worker.pushes import webhooks
from worker.reports.catalogue import REPORTS

#: An id that a path must encode.
ODD = "J/1 50%/ü"
NOW_US = time.time_ns() // 1_000


@dataclass(frozen=True)
class Shop:
    """An installation with something of everything in it, and keys of each kind."""

    app: Flask
    broken: Flask
    database: Database
    keys: dict[str, str]
    #: The same, where little may be asked.
    strict: Flask

    def ask(self, method: str, path: str, *, key: str | None = "admin", app: Flask | None = None, **sent: Any) -> Any:
        headers = {"Authorization": f"Bearer {self.keys[key]}"} if key else {}
        headers |= sent.pop("headers", {})
        return (app or self.app).test_client().open(path, method=method, headers=headers, **sent)

    def get(self, path: str, **sent: Any) -> TestResponse:
        answer: TestResponse = self.ask("GET", path, **sent)
        return answer

    def post(self, body: Any, *, media_type: str = ONE_EVENT, path: str = "/v1/events", **sent: Any) -> TestResponse:
        data = body if isinstance(body, bytes) else json.dumps(body).encode()
        answer: TestResponse = self.ask("POST", path, data=data, content_type=media_type, **sent)
        return answer


# --- cases ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """An answer to ask for: of which operation, with which status, and how."""

    operation_id: str
    status: int
    ask: Callable[[Shop], TestResponse]
    about: str = ""

    def __str__(self) -> str:
        return f"{self.operation_id}-{self.status}" + (f"-{self.about}" if self.about else "")


IN_PATHS = {
    "job": "J-1042", "plate": "P-77", "attempt": "A-5001", "name": "yield", "site": "main", "key_id": "none",
    "proof": "PR-4", "hold": "HD-3", "trial": "TR-2", "webhook": "wh_k7m2q9xa", "number": "1",
    "finding_id": finding_id(("runs_overlap", "attempt", "A-overlap", "")),
}  # fmt: skip


#: Paths of operations for which the usual thing of a kind will not do: a dossier is of what is proven.
OF_THEIR_OWN = {"get_proof_dossier": {"proof": "PR-proven"}}
#: What an operation must be asked at least.
LEAST = {
    "get_plan": "parts=2&material=S355J2%2BN&thickness_mm=20", "get_trace": "plate=P-77",
    "get_trace_since_check": "machine=laser-2",
}  # fmt: skip


def _place(operation_id: str, **changed: str) -> tuple[str, str]:
    path, method, _ = described.operations()[operation_id]
    return method.upper(), path.format(**(IN_PATHS | OF_THEIR_OWN.get(operation_id, {}) | changed))


def _read(operation_id: str, query: str = "", about: str = "", status: int = 200, **sent: Any) -> Case:
    places = {name: sent.pop(name) for name in IN_PATHS.keys() & sent.keys()}

    def ask(shop: Shop) -> TestResponse:
        method, path = _place(operation_id, **places)
        answer: TestResponse = shop.ask(method, f"{path}?{query}" if query else path, **sent)
        return answer

    return Case(operation_id, status, ask, about or query or str(places or ""))


READS = [
    _read("get_events"), _read("get_events", "limit=2"), _read("get_events", "type=cutledger.job.opened"),
    _read("get_jobs"), _read("get_jobs", "limit=1"), _read("get_jobs", key="terminal"), _read("get_job"),
    _read("get_job", job=quote(ODD, safe="")), _read("get_job", job="J-closed"), _read("get_job_events"),
    _read("get_job_confirmations"), _read("get_job_confirmations", "limit=1"),
    _read("get_job_confirmations", job="J-closed"),
    _read("get_plates"), _read("get_plates", "limit=1"), _read("get_plate"), _read("get_plate", plate="P-77-1"),
    _read("get_plate", plate="P-seen"), _read("get_plate_events"),
    _read("get_plate_precheck"), _read("get_plate_precheck", "job=J-1042&machine=laser-2&gas=oxygen"),
    _read("get_plate_precheck", "job=J-1042", key="terminal"), _read("get_plate_precheck", plate="P-seen"),
    _read("get_attempts"), _read("get_attempts", "limit=1"), _read("get_attempt"),
    _read("get_attempt", attempt="A-open"), _read("get_attempt", attempt="A-unfinished"),
    _read("get_attempt", attempt="A-overlap"), _read("get_attempt_events", attempt="A-void"),
    _read("get_findings"), _read("get_findings", "limit=1"), _read("get_findings", "state=all"),
    _read("get_finding"), _read("get_reports"),
    _read("get_plan", LEAST["get_plan"]), _read("get_plan", f"{LEAST['get_plan']}&format=csv"),
    _read("get_plan", "job=J-1042&last=100m"), _read("get_plan", "parts=2&material=none&thickness_mm=20"),
    _read("get_proofs"), _read("get_proofs", "limit=1"), _read("get_proofs", "state=passed"), _read("get_proof"),
    _read("get_proof", "after=1&limit=1"), _read("get_proof_dossier"),
    _read("get_holds"), _read("get_holds", "limit=1"), _read("get_holds", "state=open", key="terminal"),
    _read("get_hold"), _read("get_releases"), _read("get_releases", "state=released&machine=LASER-2", key="terminal"),
    *(
        _read("get_trace", query)
        for query in (
            LEAST["get_trace"], "job=J-1042&direction=back", "attempt=A-5001&format=csv", "plate=P-77-1",
            "machine=laser-2&from=2026-03-01&to=2026-03-31",
        )
    ),
    _read("get_trace_since_check", "machine=laser-2"),
    _read("get_trace_since_check", "machine=laser-2&by=check&until=2026-03-08T22:00:00Z&format=csv"),
    _read("get_trials"), _read("get_trials", "limit=1"), _read("get_trials", "state=running"), _read("get_trial"),
    _read("get_sites"), _read("get_site"), _read("get_site", site="empty", key="elsewhere"), _read("get_keys"),
    _read("get_keys", "limit=1"),
    _read("get_administration"), _read("get_administration", "limit=1&act=key.made&act=site.made"),
    _read("get_webhooks"), _read("get_webhooks", key="erp"), _read("get_webhook"),
    _read("get_webhook_deliveries"), _read("get_webhook_deliveries", "limit=1&state=waiting&state=dead"),
    _read("get_audit", "site=audited", key="elsewhere", about="none has ended"),
    _read("get_livez", key=None), _read("get_readyz", key=None), _read("get_metrics"), _read("get_document", key=None),
    _read("get_docs_page", key=None),
    *(
        _read("get_report", f"month=2026-03&{query}", name=name)
        for name in ("yield", "pierces", "rework", "losses")
        for query in ("", "by=", "by=thickness,machine,week", "by=plate,bevel", "format=csv", "site=main&purpose=all")
    ),
    _read("get_report", "month=2026-03&by=operation", name="rework"),
    *(_read("get_report", "published=2026-W10", name=name) for name, entry in REPORTS.items() if entry.weekly),
    *(_read("get_report", "month=2026-03&at=5", name=name) for name in REPORTS),
    _read("get_report", "site=empty", key="elsewhere"),
]  # fmt: skip


def _post_verdicts() -> Iterator[Case]:
    def posts(status: int, about: str, *bodies: Any, **sent: Any) -> Case:
        return Case("post_events", status, lambda shop: [shop.post(_named(body), **sent) for body in bodies][-1], about)

    same, other = event(id="n-1"), event(id="n-1", subject="A-2")
    wrong = event(id="n-2", time="2026-03-02T06:15:00")
    yield posts(202, "new", event(id=...))
    yield posts(202, "again", same, same)
    yield posts(202, "no events", [], media_type=ARRAY)
    yield posts(202, "lines", b"\n".join(json.dumps(event(id=f"l-{each}")).encode() for each in "ab"), media_type=LINES)
    packed = gzip.compress(json.dumps(event(id="g-1")).encode())
    yield posts(202, "gzip", packed, media_type="application/json", headers={"Content-Encoding": "gzip"})
    yield posts(207, "in part", [event(id="n-3"), wrong, 7], media_type=ARRAY)
    yield posts(409, "conflict", same, other)
    yield posts(422, "invalid", wrong)
    yield posts(422, "invalid and conflict", same, [other, wrong], media_type="application/json")
    yield posts(422, "no site", same, key="elsewhere")
    yield posts(404, "other site", same, path="/v1/events?site=nowhere")


def _named(body: Any) -> Any:
    return body | {"id": str(uuid.uuid4())} if isinstance(body, dict) and "id" not in body else body


def _administration() -> Iterator[Case]:
    def sends(operation_id: str, status: int, body: Any, about: str = "", key: str = "admin", **places: str) -> Case:
        def ask(shop: Shop) -> TestResponse:
            method, path = _place(operation_id, **places)
            answer: TestResponse = shop.ask(method, path, key=key, json=body)
            return answer

        return Case(operation_id, status, ask, about)

    yield sends("post_key", 201, {"name": "reader in the office", "roles": ["reader"]})
    yield sends("post_key", 201, {"name": "t", "roles": ["terminal"], "sites": ["main"], "source_prefix": "/t/",
                                  "expires_at": "2100-01-01T00:00:00Z"}, "all given")  # fmt: skip
    yield sends("post_key", 422, {"name": "t", "roles": ["read"]})
    yield sends("post_site", 201, {"site": "north", "zone": "Europe/Berlin"}, key="founder")
    yield sends("post_site", 422, {"site": "main"}, "taken")
    yield sends("put_site", 200, EXAMPLES["cutledger.site.set"]["data"])
    yield sends("put_site", 422, {"valid_from": "2026-03-02"}, "sets nothing")
    yield Case("put_site", 412, _changed_since)
    yield sends("put_site", 404, {"valid_from": "2026-03-02", "people": "drop"}, site="nowhere")
    yield sends("post_people_unlinking", 200, None, key="elsewhere", site="empty")
    yield sends("post_people_unlinking", 404, None, site="nowhere")
    yield sends("post_finding_note", 201, {"owner": "inspection", "due": "2026-03-13"}, key="engineer")
    yield sends("post_finding_note", 422, {})
    yield sends("post_finding_note", 404, {"owner": "inspection"}, finding_id="F-none")
    plan = {"reliability": 0.9, "confidence": 0.95, "thickness_in": "1 1/4", "machine": "laser-2", "material": "S"}
    yield sends("post_proof", 201, plan, key="engineer")
    yield sends("post_proof", 200, EXAMPLES["cutledger.proof.planned"]["data"] | {"id": "PR-4"}, "sent again")
    yield sends("post_proof", 409, plan | {"id": "PR-4"}, "planned otherwise")
    yield sends("post_proof", 422, plan | {"reliability": 0.9999}, "endless")
    yield sends("post_hold", 201, {"machine": "laser-9", "reason": "smoke", "may_lift": "admin"}, key="terminal")
    yield sends("post_hold", 201, {"plate": "P-77", "reason": "pitted", "id": "HD-again"})
    yield sends("post_hold", 200, {"plate": "P-77", "reason": "pitted", "id": "HD-again"}, "sent again")
    yield sends("post_hold", 409, {"plate": "P-78", "reason": "pitted", "id": "HD-again"}, "held otherwise")
    yield sends("post_hold", 422, {"plate": "P-77", "job": "J-1042", "reason": "both"}, "two at once")
    yield sends("post_hold_lifting", 201, {"reason": "cleaned"}, hold="HD-again", key="engineer")
    yield sends("post_hold_lifting", 200, {"reason": "cleaned"}, "sent again", hold="HD-again")
    yield sends("post_hold_lifting", 409, {"reason": "gone"}, hold="HD-again")
    yield sends("post_hold_lifting", 404, {"reason": "cleaned"}, hold="HD-none")
    yield sends("post_hold_lifting", 422, {}, hold="HD-again")
    settings = {
        name: value for name, value in EXAMPLES["cutledger.recipe.released"]["data"].items() if name != "evidence"
    }
    elsewhere = settings | {"machine": "laser-7"}
    yield sends("post_release", 201, elsewhere, key="engineer")
    yield sends("post_release", 200, elsewhere, "sent again")
    yield sends("post_release", 422, elsewhere | {"gas": "steam"})
    withdrawn = {name: value for name, value in elsewhere.items() if name != "recipe"}
    yield sends("post_release_withdrawal", 201, withdrawn)
    yield sends("post_release_withdrawal", 404, withdrawn, "nothing there")
    yield sends("post_release_withdrawal", 422, withdrawn | {"reason": ""})
    yield from _trials(sends)
    order = {"parts": 2, "material": "S355J2+N", "thickness_mm": 20}
    yield sends("post_plan", 200, {"parts": [order, {"job": "J-1042", "ref": "line 2"}], "assurance": 0.9}, key="erp")
    yield sends("post_plan", 422, {"parts": [order | {"parts": 0}]})
    yield from _webhooks(sends)
    for operation_id in ("get_plan", "post_plan"):
        yield _read(operation_id, headers={"Accept": "image/png"}, status=406)
    yield Case("post_key_rotation", 201, lambda shop: _of_new_key(shop, "POST", "/rotation", json={"overlap_hours": 2}))
    yield Case("post_key_rotation", 201, lambda shop: _of_new_key(shop, "POST", "/rotation"), "without a body")
    yield Case("post_key_rotation", 409, _rotated_twice)
    yield sends("post_key_rotation", 404, {})
    yield sends("post_key_rotation", 422, {"overlap_hours": -1})
    yield Case("delete_key", 204, lambda shop: _of_new_key(shop, "DELETE"))
    yield _read("delete_key", status=404)
    yield Case("post_audit", 202, _audit)
    yield Case("get_audit", 200, lambda shop: (_audit(shop), _ended(shop))[-1], "one has ended")
    yield _read("post_audit", "site=audited", key="elsewhere", status=409, about="one runs")
    yield _read("get_audit", "site=empty", key="elsewhere", status=404, about="never audited")
    yield _read("get_report", headers={"Accept": "image/png"}, status=406)
    yield _read("get_report", name="profit", status=404)
    yield _read("get_report", "published=2026-W11", status=404)
    yield _read("get_report", "by=colour&week=2026-W99&last=1d", status=422)
    yield Case("get_readyz", 503, lambda shop: shop.get("/readyz", key=None, app=shop.broken))


def _trials(sends: Callable[..., Case]) -> Iterator[Case]:
    plan = {
        "question": "which focus?", "machine": "laser-2", "material": "S", "thickness_mm": 20, "response": "pierces",
        "factors": [{"name": "focus_mm", "levels": [-2, 0, 2.5]}], "replicates": 2,
    }  # fmt: skip
    ended = EXAMPLES["cutledger.trial.concluded"]["data"]
    yield sends("post_trial", 201, plan, key="engineer")
    yield Case("post_trial", 200, lambda shop: [_planned(shop, plan | {"id": "TR-9"}) for _ in range(2)][-1], "again")
    yield sends("post_trial", 409, plan | {"id": "TR-2"}, "planned otherwise")
    yield sends("post_trial", 422, plan | {"blocks": 7}, "no sheet")
    yield Case("post_trial_conclusion", 201, lambda shop: _concluded(shop, plan, ended))
    yield sends("post_trial_conclusion", 200, ended, "again")
    yield sends("post_trial_conclusion", 409, ended | {"reason": "abandoned"}, "concluded otherwise")
    yield sends("post_trial_conclusion", 422, {"reason": "tired", "conclusion": "x"})
    yield sends("post_trial_conclusion", 404, ended, trial="TR-none")


def _planned(shop: Shop, plan: Any) -> TestResponse:
    answer: TestResponse = shop.ask("POST", "/v1/trials", json=plan)
    return answer


def _concluded(shop: Shop, plan: Any, ended: Any) -> TestResponse:
    path = f"/v1/trials/{_planned(shop, plan).get_json()['id']}/conclusion"
    answer: TestResponse = shop.ask("POST", path, json=ended)
    return answer


def _webhooks(sends: Callable[..., Case]) -> Iterator[Case]:
    made = {"name": "order system", "url": "https://10.20.0.7/pushes", "topics": ["job.ended", "week.published"]}
    yield sends("post_webhook", 201, made, key="erp")
    yield sends("post_webhook", 422, made | {"url": "http://127.0.0.1/"}, "refused")
    yield Case("post_webhook", 409, _one_webhook_too_many)
    acts = {
        "post_webhook_pause": 200, "post_webhook_resume": 200, "post_webhook_rotation": 200, "post_webhook_test": 202,
        "post_webhook_resend": 202, "post_webhook_delivery_resend": 202, "get_webhook": 200,
        "get_webhook_deliveries": 200, "delete_webhook": 204,
    }  # fmt: skip
    for operation_id, status in acts.items():
        if operation_id.startswith("post"):
            yield _read(operation_id, status=status)
        yield _read(operation_id, webhook="wh_none", status=404)
    yield _read("post_webhook_rotation", status=409, about="again")
    yield _read("post_webhook_rotation", "at_once=true")
    yield Case("post_webhook_test", 409, _one_test_too_many)
    yield _read("post_webhook_delivery_resend", number="1e3", status=404)
    yield _read("get_webhook_deliveries", "after=xyz", status=422)
    yield Case("delete_webhook", 204, _remove_webhook)


def add_webhook(database: Database, *, site: str = "main", name: str | None = None) -> str:
    """A webhook with a delivery that waits; returns its id, which is made unless one is given."""
    given = {"name": "order system", "url": "https://10.20.0.7/pushes", "topics": ["job.ended"]}
    with database.write() as connection:
        made, _ = webhooks.make(connection, site, **given, created_by="k7m2q9xa", now_us=NOW_US)
        if name is not None:
            connection.execute(
                update(tables.webhooks).where(tables.webhooks.c.webhook == made.webhook).values(webhook=name)
            )
        webhooks.test(connection, site, name or made.webhook, now_us=NOW_US)
    return name or made.webhook


def _one_webhook_too_many(shop: Shop) -> TestResponse:
    for _ in range(webhooks.MOST_WEBHOOKS - len(shop.get("/v1/webhooks?site=empty", key="elsewhere").json["items"])):
        add_webhook(shop.database, site="empty")
    body = {"name": "one more", "url": "https://8.8.8.8/pushes", "topics": ["job.ended"]}
    answer: TestResponse = shop.ask("POST", "/v1/webhooks?site=empty", key="elsewhere", json=body)
    return answer


def _one_test_too_many(shop: Shop) -> TestResponse:
    path = f"/v1/webhooks/{add_webhook(shop.database)}"
    assert shop.ask("POST", f"{path}/pause").status_code == 200
    answers = [shop.ask("POST", f"{path}/test") for _ in range(webhooks.MOST_TESTS)]
    answer: TestResponse = answers[-1]
    return answer


def _remove_webhook(shop: Shop) -> TestResponse:
    answer: TestResponse = shop.ask("DELETE", f"/v1/webhooks/{add_webhook(shop.database)}")
    return answer


def _changed_since(shop: Shop) -> TestResponse:
    body, stale = {"valid_from": "2026-03-02", "zone": "UTC"}, {"If-Match": '"0f"'}
    answer: TestResponse = shop.ask("PUT", "/v1/sites/main", json=body, headers=stale)
    return answer


def _of_new_key(shop: Shop, method: str, more: str = "", **sent: Any) -> TestResponse:
    with shop.database.write() as connection:
        _, key = new_key(connection, name="short-lived", roles=["reader"], sites=["main"], now_us=NOW_US)
    answer: TestResponse = shop.ask(method, f"/v1/keys/{key.key_id}{more}", **sent)
    return answer


def _rotated_twice(shop: Shop) -> TestResponse:
    replaces = _of_new_key(shop, "POST", "/rotation", json={}).get_json()["replaces"]
    answer: TestResponse = shop.ask("POST", f"/v1/keys/{replaces}/rotation", json={})
    return answer


def _audit(shop: Shop) -> TestResponse:
    answer: TestResponse = shop.ask("POST", "/v1/audit")
    _ended(shop)
    return answer


def _ended(shop: Shop) -> TestResponse:
    for _ in range(200):
        answer = shop.get("/v1/audit")
        if not answer.get_json()["running"]:
            return answer
        time.sleep(0.05)
    raise AssertionError("the audit did not end")


# --- cases that follow from the document ------------------------------------------------------------------------


def _following() -> Iterator[Case]:
    for operation_id, (_, _, told) in described.operations().items():
        names = {described.resolved(each)["name"] for each in told.get("parameters", ())}
        statuses = described.responses(operation_id).keys()
        if 401 in statuses:
            yield _read(operation_id, status=401, key=None)
            yield _read(operation_id, status=401, headers={"Authorization": "Bearer cut_x_y"}, about="unknown key")
            yield Case(operation_id, 503, _unavailable(operation_id))
        if 403 in statuses and set(told["x-roles"]) != set(ROLES):
            yield Case(operation_id, 403, _not_allowed(operation_id))
        if 429 in statuses:
            yield Case(operation_id, 429, _too_much(operation_id))
        if 500 in statuses:
            yield Case(operation_id, 500, _failing(operation_id))
        if 304 in statuses:
            yield Case(operation_id, 304, _unchanged(operation_id))
        if 404 in statuses and "site" in names:
            yield _read(operation_id, "site=nowhere", status=404, json={})
        if 422 in statuses and "requestBody" not in told:
            yield _read(operation_id, "nonsense=1", status=422)
        if "requestBody" in told:
            yield from _bad_bodies(operation_id)
    yield _read("get_jobs", "state=closed", key="terminal", status=403)
    yield _read("get_job", job="none", status=404)
    yield _read("get_job_confirmations", job="none", status=404)
    yield _read("get_job_confirmations", "after=1000000", status=422)
    yield _read("get_job_confirmations", "series=another", status=409)
    yield _read("get_finding", finding_id="F-none", status=404)
    yield _read("get_proof", proof="PR-none", status=404)
    yield _read("get_proof_dossier", proof="PR-none", status=404)
    yield _read("get_proof_dossier", proof="PR-4", status=409)
    yield _read("get_hold", hold="HD-none", status=404)
    yield _read("get_holds", "state=shut", status=422)
    yield _read("get_releases", "state=open", status=422)
    yield _read("get_proof", "limit=0&after=x", status=422)
    yield _read("get_trace", "plate=none", status=404)
    yield _read("get_trace", "plate=P-77&job=J-1042", status=422)
    yield _read("get_trace_since_check", "machine=none", status=404)
    yield _read("get_trial", trial="TR-none", status=404)
    yield _read("get_plate_events", plate="none", status=404)
    yield _read("get_site", site="nowhere", status=404)
    yield _read("get_events", "after=xyz", status=422)


def _bad_bodies(operation_id: str) -> Iterator[Case]:
    limit = door.BODY_LIMIT if operation_id == "post_events" else BODY_LIMIT
    yield _read(operation_id, status=400, data=b"{", content_type="application/json", about="no JSON")
    yield _read(operation_id, status=413, data=b" " * (limit + 1), content_type="application/json", about="large")
    yield _read(operation_id, status=415, data=b"<a/>", content_type="text/xml", about="other media type")
    yield _read(operation_id, status=415, data=b"{}", content_type="application/json",
                headers={"Content-Encoding": "br"}, about="other encoding")  # fmt: skip


def _endpoint(shop: Shop, operation_id: str) -> str:
    method, path = _place(operation_id)
    endpoint, _ = shop.app.url_map.bind("localhost").match(path, method=method)
    return str(endpoint)


def _not_allowed(operation_id: str) -> Callable[[Shop], TestResponse]:
    def ask(shop: Shop) -> TestResponse:
        allowed = PERMISSIONS[permission_of(shop.app, _endpoint(shop, operation_id))]
        method, path = _place(operation_id)
        answer: TestResponse = shop.ask(method, path, key=next(role for role in ROLES if role not in allowed))
        return answer

    return ask


def _unavailable(operation_id: str) -> Callable[[Shop], TestResponse]:
    def ask(shop: Shop) -> TestResponse:
        method, path = _place(operation_id)
        answer: TestResponse = shop.ask(method, path, app=shop.broken)
        return answer

    return ask


def _too_much(operation_id: str) -> Callable[[Shop], TestResponse]:
    def ask(shop: Shop) -> TestResponse:
        method, path = _place(operation_id)
        key = None if described.operations()[operation_id][2].get("security") == [] else "admin"
        # A window may end meanwhile.
        for _ in range(5):
            while shop.ask("GET", "/livez" if key is None else "/v1/jobs", key=key, app=shop.strict).status_code != 429:
                pass
            answer: TestResponse = shop.ask(method, path, key=key, app=shop.strict)
            if answer.status_code == 429:
                break
        return answer

    return ask


def _failing(operation_id: str) -> Callable[[Shop], TestResponse]:
    def ask(shop: Shop) -> TestResponse:
        endpoint, (method, path) = _endpoint(shop, operation_id), _place(operation_id)
        view: Any = shop.app.view_functions[endpoint]

        def fail(**_: Any) -> None:
            raise RuntimeError("a fault of ours")

        fail.permission = view.permission  # type: ignore[attr-defined]
        shop.app.view_functions[endpoint] = fail
        try:
            answer: TestResponse = shop.ask(method, path)
            return answer
        finally:
            shop.app.view_functions[endpoint] = view

    return ask


def _unchanged(operation_id: str) -> Callable[[Shop], TestResponse]:
    def ask(shop: Shop) -> TestResponse:
        _, path = _place(operation_id)
        path = f"{path}?{LEAST[operation_id]}" if operation_id in LEAST else path
        if operation_id == "get_audit":
            _audit(shop)
        etag = shop.get(path).headers["ETag"]
        return shop.get(path, headers={"If-None-Match": etag})

    return ask


CASES = [*READS, *_post_verdicts(), *_administration(), *_following()]
