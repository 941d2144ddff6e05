"""Who may ask what: every route has its mark, every role its rights, every key its sites."""

from __future__ import annotations

import hmac
import json
import re
import threading
import time
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner
from flask import Response
from sqlalchemy import delete, insert, select

from service import asking
from service.asking import PERMISSIONS, PUBLIC, permission_of
from service.beside import later
from service.cli import main
from service.formats import json_response
from service.server import PROCESSES
from tests.builders import NOW_US, event, installed
from tests.grown import fresh_postgres
from tests.service.conftest import Door, cut, opened, received, statements, void
from tests.service.serving import cut as cut_over_the_wire
from tests.service.serving import key_for, serving, wait_until
from worker.database import DatabaseUnavailable
from worker.keys import HOUR_US, ROLES, note_use, visible_id
from worker.tables import keys, metadata

PUBLIC_PATHS = {
    "/livez", "/readyz", "/openapi.json", "/docs/", "/docs/<path:path>", "/sign-in", "/language/<code>",
    "/static/<path:name>", "/terminal/shell", "/terminal/worker.js",
}  # fmt: skip


@pytest.fixture(autouse=True)
def _keys_are_read_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    # What was learned of a key counts for half a second, which no test needs to wait for.
    monkeypatch.setattr(asking, "REMEMBERED_SECONDS", -1.0)


def doors(service: Any) -> list[tuple[str, str, str]]:
    """(method, path with every part named x, permission) of each route."""
    return [
        (method, re.sub(r"<[^>]*>", "x", rule.rule), permission_of(service.app, rule.endpoint))
        for rule in service.app.url_map.iter_rules()
        for method in sorted(rule.methods - {"OPTIONS", "HEAD"})
    ]


# --- no route lacks a guard -------------------------------------------------------------------------------------


def test_every_route_names_its_permission_and_asks_for_a_key_but_the_public_ones(door: Door, service: Any) -> None:
    public = {
        rule.rule for rule in service.app.url_map.iter_rules() if permission_of(service.app, rule.endpoint) == PUBLIC
    }
    assert public == PUBLIC_PATHS
    found = doors(service)
    assert len(found) > 20
    for method, path, permission in found:
        assert permission == PUBLIC or permission in PERMISSIONS, path
        for key in (None, "cut_aaaaaaaa_no-such-key", "nonsense"):
            status = door.ask(method, path, key=key).status_code
            if permission == PUBLIC:
                assert status in (200, 403, 404), path
            else:
                assert status == 401, (method, path)


def test_head_and_options_tell_nothing_without_a_key(door: Door, service: Any) -> None:
    for method, path, permission in doors(service):
        if permission != PUBLIC and method == "GET":
            assert door.ask("HEAD", path, key=None).status_code == 401, path
            assert door.ask("OPTIONS", path, key=None).status_code == 401, path


def test_what_is_not_there_is_404_with_or_without_a_key(door: Door) -> None:
    for path in ("/v1", "/v1/nothing", "/v2/events", "/v1/events/"):
        for key in (None, "admin"):
            answer = door.ask("GET", path, key=key)
            assert (answer.status_code, answer.content_type) == (404, "application/problem+json"), path


def test_405_says_what_is_allowed(door: Door) -> None:
    answer = door.ask("PUT", "/v1/events")
    assert (answer.status_code, answer.content_type) == (405, "application/problem+json")
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD", "OPTIONS", "POST"}


def test_401_says_how_to_ask(door: Door) -> None:
    answer = door.get("/v1/jobs", key=None)
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert "Authorization: Bearer" in answer.get_json()["detail"]


# --- roles ------------------------------------------------------------------------------------------------------

WRITE, READ = {"terminal", "erp", "admin"}, {"reader", "engineer", "erp", "admin"}
STATE, ADMIN = READ | {"terminal"}, {"admin"}
PUSH = {"erp", "admin"}
#: What 8-http.md lets each role do.
RIGHTS: list[tuple[str, str, set[str]]] = [
    ("POST", "/v1/events", WRITE),
    ("GET", "/v1/events", READ),
    *(("GET", f"/v1/{kind}", STATE) for kind in ("jobs", "plates", "attempts")),
    *(("GET", f"/v1/{kind}/x", STATE) for kind in ("jobs", "plates", "attempts")),
    *(("GET", f"/v1/{kind}/x/events", READ) for kind in ("jobs", "plates", "attempts")),
    ("GET", "/v1/jobs/x/confirmations", READ),
    ("GET", "/v1/plates/x/precheck", STATE),
    ("GET", "/v1/reports", READ),
    ("GET", "/v1/reports/x", READ),
    ("GET", "/v1/plan", READ),
    ("POST", "/v1/plan", READ),
    ("GET", "/v1/findings", READ),
    ("GET", "/v1/findings/x", READ),
    ("POST", "/v1/findings/x/note", {"engineer", "admin"}),
    ("GET", "/v1/proofs", READ),
    ("GET", "/v1/proofs/x", READ),
    ("GET", "/v1/proofs/x/dossier", READ),
    ("POST", "/v1/proofs", {"engineer", "admin"}),
    ("GET", "/v1/holds", STATE),
    ("GET", "/v1/holds/x", READ),
    ("POST", "/v1/holds", {"terminal", "engineer", "erp", "admin"}),
    ("POST", "/v1/holds/x/lifting", {"engineer", "admin"}),
    ("GET", "/v1/releases", STATE),
    ("POST", "/v1/releases", {"engineer", "admin"}),
    ("POST", "/v1/releases/withdrawal", {"engineer", "admin"}),
    ("GET", "/v1/trace", READ),
    ("GET", "/v1/trace/since-check", READ),
    ("GET", "/v1/trials", READ),
    ("GET", "/v1/trials/x", READ),
    ("POST", "/v1/trials", {"engineer", "admin"}),
    ("POST", "/v1/trials/x/conclusion", {"engineer", "admin"}),
    *((method, "/v1/sites", ADMIN) for method in ("GET", "POST")),
    *((method, "/v1/sites/x", ADMIN) for method in ("GET", "PUT")),
    ("POST", "/v1/sites/x/people/unlinking", ADMIN),
    *((method, "/v1/keys", ADMIN) for method in ("GET", "POST")),
    ("DELETE", "/v1/keys/x", ADMIN),
    ("POST", "/v1/keys/x/rotation", ADMIN),
    ("GET", "/v1/administration", ADMIN),
    ("GET", "/findings/x", READ),
    ("GET", "/findings/x/note", READ),
    ("POST", "/findings/x/note", {"engineer", "admin"}),
    ("GET", "/holds/x", READ),
    *(("GET", f"/proofs/x/dossier{ending}", READ) for ending in ("", ".pdf")),
    ("POST", "/holds", {"terminal", "engineer", "erp", "admin"}),
    *(("GET", path, READ) for path in ("/holds/x/lifting", "/releases/withdrawal")),
    *(("POST", path, {"engineer", "admin"}) for path in ("/holds/x/lifting", "/releases", "/releases/withdrawal")),
    ("GET", "/trials/x", READ),
    ("POST", "/trials", {"engineer", "admin"}),
    ("GET", "/trials/x/conclusion", READ),
    ("POST", "/trials/x/conclusion", {"engineer", "admin"}),
    *(("GET", f"/{kind}/x", STATE) for kind in ("jobs", "plates", "attempts")),
    ("GET", "/plates/x/precheck", STATE),
    *(("GET", f"/site/{what}", ADMIN) for what in ("keys", "record", "settings/x")),
    *(("POST", f"/site/{what}", ADMIN) for what in ("keys", "settings/x")),
    *((method, f"/site/keys/x/{what}", ADMIN) for method in ("GET", "POST") for what in ("replacing", "revoking")),
    ("GET", "/", STATE),
    ("GET", "/key", STATE),
    ("POST", "/sign-out", STATE),
    *(("GET", f"/{page}", READ) for page in ("week", "limit", "change", "recipes", "findings", "holds", "releases")),
    *(("GET", f"/{page}", READ) for page in ("trace", "trace/since-check")),
    ("GET", "/trials", READ),
    *(("GET", f"/week.{ending}", READ) for ending in ("csv", "xlsx", "pdf")),
    *(("GET", f"/{page}", STATE) for page in ("jobs", "plates", "attempts")),
    *(("GET", path, WRITE) for path in ("/terminal", "/terminal/known", "/handover")),
    ("POST", "/handover", WRITE),
    ("GET", "/site", ADMIN),
    *((method, "/v1/webhooks", PUSH) for method in ("GET", "POST")),
    *((method, "/v1/webhooks/x", PUSH) for method in ("GET", "DELETE")),
    *(("POST", f"/v1/webhooks/x/{act}", PUSH) for act in ("pause", "resume", "rotation", "test", "resend")),
    ("GET", "/v1/webhooks/x/deliveries", PUSH),
    ("POST", "/v1/webhooks/x/deliveries/x/resend", PUSH),
    ("GET", "/metrics", ADMIN),
    *((method, "/v1/audit", ADMIN) for method in ("GET", "POST")),
]


def test_the_matrix_of_rights_holds_every_route(service: Any) -> None:
    asked = {(method, path) for method, path, permission in doors(service) if permission != PUBLIC}
    assert asked == {(method, path) for method, path, _ in RIGHTS}


@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_do_what_it_may_and_nothing_else(door: Door, role: str) -> None:
    for method, path, roles in RIGHTS:
        answer = door.ask(method, path, key=role)
        assert answer.status_code != 401, path
        assert (answer.status_code == 403) == (role not in roles), (method, path)
        if answer.status_code == 403:
            assert set(re.split(r"[ ,]+", answer.get_json()["detail"])) >= roles


def test_a_key_with_two_roles_may_do_what_either_may(door: Door) -> None:
    door.told(opened("J"), event("job.closed", "J", time="2026-03-05T10:00:00Z", reason="complete"))
    both = door.key("terminal", "reader")
    assert door.post(cut(), key=both).status_code == 202
    assert door.get("/v1/events", key=both).status_code == 200
    assert door.get("/v1/jobs/J", key=both).status_code == 200  # closed: no mere terminal sees it
    assert door.get("/v1/keys", key=both).status_code == 403


# --- what a terminal may ----------------------------------------------------------------------------------------


def test_a_key_bound_to_a_source_prefix_speaks_for_sources_that_begin_so(door: Door) -> None:
    for role in ("terminal", "erp", "admin"):
        bound = door.key(role, prefix="/terminals/bay-2")
        sources = ("/terminals/bay-2", "/terminals/bay-2/left", "/terminals/bay-20", "/terminals", "/")
        sent = [cut("A", source=source) for source in sources]
        answer = door.post(sent, key=bound)
        assert [item["status"] for item in answer.get_json()["items"]] == ["accepted"] * 2 + ["invalid"] * 3
        (error,) = answer.get_json()["items"][2]["errors"]
        assert error["pointer"] == "/2/source"
        assert "/terminals/bay-2" in error["detail"]


def test_a_terminal_voids_events_of_its_own_source_only(door: Door) -> None:
    mine, theirs = cut("A", source="/terminals/bay-2"), cut("B", source="/terminals/bay-1")
    door.told(mine, theirs)
    bound = door.key("terminal", prefix="/terminals/bay-2")
    source = "/terminals/bay-2"
    for key in (bound, "terminal"):
        answer = door.post(void(theirs, source=source), key=key)
        assert answer.status_code == 422
        assert answer.get_json()["errors"][0]["pointer"] == "/data/source"
    assert door.statuses(void(mine, source=source), key="terminal") == ["accepted"]
    assert door.statuses(void(mine, source=source), key=bound) == ["accepted"]
    # The office may void what anyone said
    assert door.statuses(void(theirs, source="/office"), key="erp") == ["accepted"]


def test_a_terminal_may_not_void_ahead_what_another_source_has_yet_to_say(door: Door) -> None:
    to_come = cut("A", source="/terminals/bay-1")
    assert door.post(void(to_come, source="/terminals/bay-2"), key="terminal").status_code == 422


def test_a_terminal_reads_open_jobs_alone(door: Door) -> None:
    closed = event("job.closed", "done", time="2026-03-05T10:00:00Z", reason="complete")
    door.told(opened("open"), opened("done"), closed, cut(job="named only"))
    assert [job["job"] for job in door.read("/v1/jobs", key="terminal")["items"]] == ["open"]
    assert [job["job"] for job in door.read("/v1/jobs")["items"]] == ["done", "open"]
    assert door.get("/v1/jobs", key="terminal", state="closed").status_code == 403
    assert door.get("/v1/jobs/open", key="terminal").status_code == 200
    hidden, unknown = (door.get(f"/v1/jobs/{name}", key="terminal") for name in ("done", "nowhere"))
    assert (hidden.status_code, unknown.status_code) == (404, 404)
    assert alike(hidden, unknown, done="nowhere")


def test_a_terminal_reads_plates(door: Door) -> None:
    door.told(received("P"))
    assert [plate["plate"] for plate in door.read("/v1/plates", key="terminal")["items"]] == ["P"]
    assert door.read("/v1/plates/P", key="terminal")["plate"] == "P"


def test_a_terminal_bound_to_a_prefix_reads_its_own_attempts_alone(door: Door) -> None:
    door.told(
        cut("mine", source="/terminals/bay-2"),
        cut("mine too", source="/terminals/bay-2/left"),
        cut("theirs", source="/terminals/bay-1"),
        event("attempt.inspected", "judged only", source="/terminals/bay-2", good=1),
    )
    bound = door.key("terminal", prefix="/terminals/bay-2")
    assert [one["attempt"] for one in door.read("/v1/attempts", key=bound)["items"]] == ["mine", "mine too"]
    assert door.get("/v1/attempts/mine", key=bound).status_code == 200
    hidden, unknown = (door.get(f"/v1/attempts/{name}", key=bound) for name in ("theirs", "nowhere"))
    assert (hidden.status_code, unknown.status_code) == (404, 404)
    assert alike(hidden, unknown, theirs="nowhere")


def test_a_terminal_bound_to_no_source_has_no_attempts_of_its_own(door: Door) -> None:
    door.told(cut("A"))
    assert door.read("/v1/attempts", key="terminal")["items"] == []
    assert door.get("/v1/attempts/A", key="terminal").status_code == 404


@pytest.mark.parametrize(
    ("prefix", "seen"),
    [
        ("/t_1", ["a"]),
        ("/t%251", ["c", "d"]),
        ("/t", ["e"]),
        ("/t/", ["e"]),
        ("/", ["a", "b", "c", "d", "e"]),
    ],
)
def test_a_prefix_names_a_source_and_what_lies_below_it_and_is_no_pattern(
    door: Door, prefix: str, seen: list[str]
) -> None:
    sources = {"a": "/t_1/x", "b": "/tx1/x", "c": "/t%251", "d": "/t%251/x", "e": "/t/x"}
    door.told(*(cut(name, source=source) for name, source in sources.items()))
    bound = door.key("terminal", prefix=prefix)
    assert [one["attempt"] for one in door.read("/v1/attempts", key=bound)["items"]] == seen
    taken = door.post([cut("z", source=source) for source in sources.values()], key=bound).get_json()["items"]
    assert [name for name, item in zip(sources, taken, strict=True) if item["status"] == "accepted"] == seen


@pytest.mark.parametrize("role", ["terminal", "erp"])
def test_what_the_service_says_in_a_keys_name_no_other_may_say_or_take_back(door: Door, role: str) -> None:
    answer = door.post(cut(source="/keys/k7m2q9xa"), key=role)
    assert (answer.status_code, answer.get_json()["errors"][0]["pointer"]) == (422, "/source")
    door.set("2026-03-02", zone="Europe/Berlin")
    (settled,) = door.read("/v1/events", type="cutledger.site.set")["items"]
    assert door.post(void(settled["event"]), key=role).status_code == 422
    assert door.post(void(settled["event"], source="/office")).status_code == 202


# --- when a key holds -------------------------------------------------------------------------------------------


def test_a_revoked_key_is_refused(door: Door) -> None:
    made = door.ask("POST", "/v1/keys", json={"name": "bay 2", "roles": ["terminal"]})
    assert made.status_code == 201
    text, key_id = made.get_json()["key"], made.get_json()["key_id"]
    assert door.post(cut(), key=text).status_code == 202
    assert door.ask("DELETE", f"/v1/keys/{key_id}").status_code == 204
    assert door.post(cut(), key=text).status_code == 401
    assert door.ask("DELETE", f"/v1/keys/{key_id}").status_code == 404
    (shown,) = [key for key in door.read("/v1/keys")["items"] if key["key_id"] == key_id]
    assert shown["revoked_at"] == "2027-01-15T08:00:00Z"


def test_a_key_holds_until_it_expires(door: Door) -> None:
    expires_us = NOW_US + 60_000_000
    text = door.key("reader", expires_us=expires_us)
    for now_us, status in ((expires_us - 1, 200), (expires_us, 401)):
        door.clock.now_us = now_us
        assert door.get("/v1/jobs", key=text).status_code == status


def test_a_key_that_differs_in_one_letter_is_refused(door: Door) -> None:
    text = door.keys["admin"]
    for wrong in (text[:-1], text + "x", text.swapcase(), text.replace("cut_", "cat_"), text[:13]):
        assert door.get("/v1/jobs", key=wrong).status_code == 401
    assert door.get("/v1/jobs", headers={"Authorization": f"bearer  {text} "}, key=None).status_code == 200


def test_a_revoked_key_is_refused_by_every_process_within_a_second(tmp_path: Path) -> None:
    with fresh_postgres("revoked", with_tables=True) as url:
        database = installed(url)
        admin, text = key_for(database, "admin"), key_for(database, "erp")
        key_id = visible_id(text)
        database.close()
        with serving(tmp_path, environment={"CUTLEDGER_DATABASE_URL": url}) as server:
            # Each is answered by a process of its own.
            few, many = cut_over_the_wire(1), [cut_over_the_wire(number) for number in range(60)]
            kinds: list[tuple[str, str, Any]] = [
                ("GET", "/v1/jobs", None), ("POST", "/v1/events", few), ("POST", "/v1/events", many),
            ]  # fmt: skip

            def answered(*statuses: int) -> set[int]:
                """The processes that ever answered this key so."""
                told = [
                    json.loads(line) for line in server.log.splitlines() if f'"{key_id}"' in line or 401 in statuses
                ]
                routes = {route for _, route, _ in kinds}
                return {line["pid"] for line in told if line.get("route") in routes and line["status"] in statuses}

            def asked(times: int) -> set[int]:
                return {
                    server.ask(method, path, key=text, body=body).status
                    for _ in range(times)
                    for method, path, body in kinds
                }

            wait_until(
                lambda: asked(1) == {200, 202} and len(answered(200, 202)) == PROCESSES,
                what="an answer of each process",
            )
            # All have it in mind from now on.
            asked(3)
            assert server.ask("DELETE", f"/v1/keys/{key_id}", key=admin).status == 204
            time.sleep(1.0)
            seen = set[int]()
            wait_until(
                lambda: seen.update(asked(1)) or len(answered(401)) == PROCESSES, what="a refusal of each process"
            )
            # 429 once it was refused often
            assert 401 in seen <= {401, 429}


def test_what_was_learned_of_a_key_counts_for_less_than_a_second(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert 0 < asking.REMEMBERED_SECONDS < 1


def test_a_wrong_secret_takes_the_same_work_as_an_unknown_id(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[tuple[int, int]] = []

    def compare_digest(one: bytes, other: bytes) -> bool:
        compared.append((len(one), len(other)))
        return hmac.compare_digest(one, other)

    monkeypatch.setattr("worker.keys.hmac", SimpleNamespace(compare_digest=compare_digest))
    text = door.keys["admin"]
    work = []
    for wrong in (text[:-1] + ("A" if text[-1] != "A" else "B"), "cut_aaaaaaaa" + text[12:]):
        compared.clear()
        with statements(door.database) as asked:
            assert door.get("/v1/jobs", key=wrong).status_code == 401
        work.append(([each.text for each in asked], list(compared)))
    assert work[0] == work[1]
    assert len(work[0][0]) > 1
    assert work[0][1] == [(32, 32)]


# --- a key that is replaced -------------------------------------------------------------------------------------


def rotated(door: Door, key_id: str, *, key: str = "admin", **asked: Any) -> Any:
    return door.ask("POST", f"/v1/keys/{key_id}/rotation", key=key, json=asked)


def listed(door: Door, key_id: str) -> dict[str, Any]:
    (found,) = [key for key in door.read("/v1/keys")["items"] if key["key_id"] == key_id]
    return dict(found)


def test_a_replaced_key_and_its_successor_hold_beside_each_other(door: Door) -> None:
    old = door.key("terminal", "reader", prefix="/terminals/bay-2")
    old_id = old.split("_")[1]
    answer = rotated(door, old_id, overlap_hours=2)
    assert answer.status_code == 201
    made = answer.get_json()
    new = made.pop("key")
    same = ("name", "roles", "sites", "source_prefix", "revoked_at")
    assert [made[name] for name in same] == [listed(door, old_id)[name] for name in same]
    assert (made["replaces"], made["expires_at"]) == (old_id, None)
    assert listed(door, made["key_id"]) == made
    assert listed(door, old_id)["expires_at"] == "2027-01-15T10:00:00Z"
    for later_us, seen in ((0, [200, 200]), (2 * 3_600_000_000 - 1, [200, 200]), (2 * 3_600_000_000, [401, 200])):
        door.clock.now_us = NOW_US + later_us
        assert [door.get("/v1/jobs", key=key).status_code for key in (old, new)] == seen


def test_by_default_both_hold_for_a_day(door: Door) -> None:
    key_id = door.key("reader").split("_")[1]
    assert rotated(door, key_id).status_code == 201
    assert listed(door, key_id)["expires_at"] == "2027-01-16T08:00:00Z"


def test_an_admin_may_replace_the_key_that_asks(door: Door) -> None:
    answer = rotated(door, door.keys["admin"].split("_")[1], overlap_hours=0)
    assert answer.status_code == 201
    assert door.get("/v1/keys").status_code == 401
    assert door.get("/v1/keys", key=answer.get_json()["key"]).status_code == 200


def test_a_successor_holds_as_long_as_the_key_that_it_replaces_did_which_ends_no_later(door: Door) -> None:
    hour_us = 3_600_000_000
    key_id = door.key("reader", expires_us=NOW_US + 10 * hour_us).split("_")[1]
    door.clock.now_us += 5 * hour_us
    assert rotated(door, key_id, overlap_hours=24).get_json()["expires_at"] == "2027-01-15T23:00:00Z"
    assert listed(door, key_id)["expires_at"] == "2027-01-15T18:00:00Z"


def test_a_key_that_has_ended_or_has_a_successor_is_not_replaced(door: Door) -> None:
    revoked, expired, replaced = (door.key("reader", expires_us=end).split("_")[1] for end in (None, NOW_US + 1, None))
    door.ask("DELETE", f"/v1/keys/{revoked}")
    door.clock.now_us += 1
    successor = rotated(door, replaced).get_json()["key_id"]
    for key_id, why in ((revoked, "was revoked"), (expired, "has expired"), (replaced, successor)):
        answer = rotated(door, key_id)
        assert (answer.status_code, answer.get_json()["type"]) == (409, "urn:cutledger:problem:conflict")
        assert why in answer.get_json()["detail"]
    # One whose secret was lost before anybody used it
    door.ask("DELETE", f"/v1/keys/{successor}")
    assert rotated(door, replaced).status_code == 201


@pytest.mark.parametrize("hours", [-1, 721, 1.5, "24", True])
def test_422_for_an_overlap_that_cannot_be(door: Door, hours: object) -> None:
    key_id = door.keys["reader"].split("_")[1]
    answer = rotated(door, key_id, overlap_hours=hours)
    assert (answer.status_code, answer.get_json()["errors"][0]["pointer"]) == (422, "/overlap_hours")
    assert listed(door, key_id)["expires_at"] is None


def test_a_key_of_a_site_that_the_asker_lacks_is_not_replaced(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    theirs = other.keys["reader"].split("_")[1]
    answers, asked = [], []
    for key_id in (theirs, "aaaaaaaa"):
        with statements(door.database) as seen:
            answers.append(rotated(door, key_id))
        asked.append([each.text for each in seen])
    assert [answer.status_code for answer in answers] == [404, 404]
    assert alike(*answers, **{theirs: "aaaaaaaa"})
    assert asked[0] == asked[1]
    # Its successor would be for that site too.
    both = door.key("reader", sites=(door.site, other.site)).split("_")[1]
    refused = rotated(door, both)
    assert refused.status_code == 409
    assert other.site not in refused.text
    assert listed(door, both)["expires_at"] is None


def test_a_key_is_replaced_with_the_defaults_where_no_body_is_sent(door: Door) -> None:
    key_id = door.keys["reader"].split("_")[1]
    packed = door.ask("POST", f"/v1/keys/{key_id}/rotation", headers={"Content-Encoding": "br"})
    assert packed.status_code == 415
    assert door.ask("POST", f"/v1/keys/{key_id}/rotation").status_code == 201
    assert listed(door, key_id)["expires_at"] == "2027-01-16T08:00:00Z"
    unread = door.ask("POST", f"/v1/keys/{door.keys['erp'].split('_')[1]}/rotation", data=b"{}", content_type="text/x")
    assert unread.status_code == 415


@pytest.mark.parametrize("days", [None, 90])
def test_a_key_whose_successor_was_lost_gets_another_that_holds_as_long(door: Door, days: int | None) -> None:
    expires_us = None if days is None else NOW_US + days * 24 * HOUR_US
    key_id = door.key("terminal", expires_us=expires_us).split("_")[1]
    door.clock.now_us += HOUR_US
    lost = rotated(door, key_id).get_json()
    assert door.ask("DELETE", f"/v1/keys/{lost['key_id']}").status_code == 204
    found = rotated(door, key_id).get_json()
    assert found["expires_at"] == lost["expires_at"] == (None if days is None else "2027-04-15T09:00:00Z")
    assert listed(door, key_id)["expires_at"] == "2027-01-16T09:00:00Z"
    # A later overlap does not outlast the first.
    door.ask("DELETE", f"/v1/keys/{found['key_id']}")
    assert rotated(door, key_id, overlap_hours=720).status_code == 201
    assert listed(door, key_id)["expires_at"] == "2027-01-16T09:00:00Z"


def test_the_command_replaces_a_key(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.commands.keeping_keys.opened", lambda _: nullcontext(door.database))
    key_id = door.key("reader").split("_")[1]
    ran = CliRunner().invoke(main, ["key", "rotate", key_id, "--overlap-hours", "1"])
    assert ran.exit_code == 0, ran.output
    assert door.get("/v1/jobs", key=ran.stdout.strip()).status_code == 200
    assert listed(door, key_id)["expires_at"] == "2027-01-15T09:00:00Z"
    for unfit, why in ((key_id, "was replaced by"), ("aaaaaaaa", "there is no key 'aaaaaaaa'")):
        ran = CliRunner().invoke(main, ["key", "rotate", unfit])
        assert ran.exit_code == 1
        assert why in ran.output


# --- when a key was last used -----------------------------------------------------------------------------------


def test_the_last_use_of_a_key_is_written_beside_the_answer_once_a_minute(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs: list[Any] = []
    monkeypatch.setattr(asking, "later", jobs.append)
    key_id = door.keys["reader"].split("_")[1]
    assert door.get("/v1/jobs", key="reader").status_code == 200
    jobs.pop()()
    assert listed(door, key_id)["last_used_at"] == "2027-01-15T08:00:00Z"
    assert door.get("/v1/jobs", key="reader").status_code == 200
    assert len(jobs) == 1  # that of the admin who listed them
    for later_us, seen in ((59_999_999, "2027-01-15T08:00:00Z"), (60_000_000, "2027-01-15T08:01:00Z")):
        with door.database.write() as connection:
            # As another process would
            note_use(connection, key_id, now_us=NOW_US + later_us)
        assert listed(door, key_id)["last_used_at"] == seen
    # A clock that was set back takes nothing back.
    with door.database.write() as connection:
        note_use(connection, key_id, now_us=NOW_US)
    assert listed(door, key_id)["last_used_at"] == "2027-01-15T08:01:00Z"


def test_an_answer_neither_waits_for_the_note_of_its_key_nor_fails_with_it(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def stuck(*_: Any, **__: Any) -> None:
        begun.set()
        go_on.wait(30)
        raise DatabaseUnavailable("away")

    monkeypatch.setattr(asking, "later", later)
    monkeypatch.setattr(asking, "note_use", stuck)
    try:
        # Another test's note may be on its way: what comes meanwhile is left out.
        wait_until(lambda: door.get("/v1/jobs", key="reader").status_code == 200 and begun.is_set(), what="the note")
    finally:
        go_on.set()


# --- sites ------------------------------------------------------------------------------------------------------


def alike(one: Any, other: Any, **renamed: str) -> bool:
    """True when two problems say the same but for their ids and these names."""
    bodies = [{name: value for name, value in each.get_json().items() if name != "instance"} for each in (one, other)]
    for name, other_name in renamed.items():
        bodies[0]["detail"] = bodies[0]["detail"].replace(name, other_name)
    same_headers = [
        # What is left of the asker's own quota tells of its own requests.
        {k: v for k, v in each.headers.items() if k not in ("X-Request-Id", "Content-Length", "RateLimit")}
        for each in (one, other)
    ]
    return bodies[0] == bodies[1] and same_headers[0] == same_headers[1]


def test_another_sites_id_answers_exactly_like_one_that_does_not_exist(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    other.told(cut("A"), opened("J"), received("P"))
    unknown = "x" * len(other.site)
    for method, path, roles in RIGHTS:
        if path.startswith("/v1/sites/") or path in ("/", "/key", "/sign-out"):
            continue
        key = "reader" if "reader" in roles else "admin"
        answers = [door.ask(method, path, key=key, query_string={"site": site}) for site in (other.site, unknown)]
        assert [answer.status_code for answer in answers] == [404, 404], (method, path)
        assert alike(*answers, **{other.site: unknown}), (method, path)
    for method in ("GET", "PUT"):
        answers = [
            door.ask(method, f"/v1/sites/{site}", json={"valid_from": "2026-03-02", "zone": "UTC"})
            for site in (other.site, unknown)
        ]
        assert [answer.status_code for answer in answers] == [404, 404]
        assert alike(*answers, **{other.site: unknown})


def test_another_sites_subjects_answer_exactly_like_ones_that_do_not_exist(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    other.told(cut("A"), opened("J"), received("P"))
    for kind, name in (("attempts", "A"), ("jobs", "J"), ("plates", "P")):
        for more in ("", "/events"):
            assert other.get(f"/v1/{kind}/{name}{more}").status_code == 200
            answers = [door.get(f"/v1/{kind}/{each}{more}") for each in (name, "0")]
            assert [answer.status_code for answer in answers] == [404, 404]
            assert alike(*answers, **{f"'{name}'": "'0'"})


def test_another_sites_id_takes_the_same_work_as_one_that_does_not_exist(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    other.told(cut("A"), opened("J"), received("P"))
    unknown = "x" * len(other.site)
    pairs = [
        (f"/v1/{kind}?site={site}", f"{kind} of a site")
        for kind in ("jobs", "events", "reports/yield")
        for site in (other.site, unknown)
    ]
    pairs += [(f"/v1/{kind}/{name}{more}", kind + more)
              for kind, its in (("attempts", "A"), ("jobs", "J"), ("plates", "P"))
              for more in ("", "/events") for name in (its, "0")]  # fmt: skip
    work: dict[str, list[list[str]]] = {}
    for path, about in pairs:
        door.get("/v1/sites")  # known by now, and its calendar too
        with statements(door.database) as asked:
            assert door.get(path).status_code == 404
        work.setdefault(about, []).append([each.text for each in asked])
    for about, (foreign, nowhere) in work.items():
        assert foreign == nowhere, about


def test_a_view_that_asks_for_no_site_answers_nothing(
    door: Door, service: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for rule in service.app.url_map.iter_rules():
        if rule.rule.startswith("/v1/") and "GET" in rule.methods:
            view = service.app.view_functions[rule.endpoint]

            def careless(**_: Any) -> Response:
                asking.only_site()  # which names none
                return json_response({"secret": "of any site"})

            careless.permission = view.permission  # type: ignore[attr-defined]
            monkeypatch.setitem(service.app.view_functions, rule.endpoint, careless)
            answer = door.get(re.sub(r"<[^>]*>", "x", rule.rule))
            assert (answer.status_code, answer.content_type) == (500, "application/problem+json"), rule.rule
            assert "secret" not in answer.text
    assert "without asking for the site" in caplog.text


def test_a_key_of_several_sites_names_the_one_it_asks_about(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    both = door.key("admin", sites=(door.site, other.site))
    door.told(cut("mine"))
    other.told(cut("theirs"))
    answer = door.get("/v1/attempts", key=both)
    assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, "site")
    for site, name in ((door.site, "mine"), (other.site, "theirs")):
        items = door.read("/v1/attempts", key=both, site=site)["items"]
        assert [item["attempt"] for item in items] == [name]
    assert door.get("/v1/attempts", key=both, site=[door.site, other.site]).status_code == 422


def test_a_key_of_one_site_may_name_it(door: Door) -> None:
    assert door.get("/v1/attempts", site=door.site).status_code == 200
    assert door.post(cut(), query_string={"site": door.site}).status_code == 202


# --- the door of keys -------------------------------------------------------------------------------------------


def test_a_key_is_shown_once_with_what_it_may(door: Door) -> None:
    asked = {
        "name": "terminal in bay 2", "roles": ["terminal", "reader", "terminal"], "source_prefix": "/terminals/bay-2",
        "expires_at": "2027-03-02T00:00:00Z",
    }  # fmt: skip
    answer = door.ask("POST", "/v1/keys", json=asked)
    assert answer.status_code == 201
    made = answer.get_json()
    text = made.pop("key")
    assert made == {
        "key_id": made["key_id"], "name": "terminal in bay 2", "roles": ["terminal", "reader"], "sites": [door.site],
        "source_prefix": "/terminals/bay-2", "created_at": "2027-01-15T08:00:00Z",
        "expires_at": "2027-03-02T00:00:00Z", "revoked_at": None, "replaces": None, "last_used_at": None,
    }  # fmt: skip
    listed = door.get("/v1/keys")
    assert made in listed.get_json()["items"]
    assert text.split("_", 2)[2] not in listed.text


def test_only_a_hash_of_a_key_is_kept(door: Door) -> None:
    secret = door.keys["admin"].split("_", 2)[2]
    with door.database.read() as connection:
        for table in metadata.sorted_tables:
            for row in connection.execute(select(table)):
                assert not any(secret in str(value) or secret.encode() == value for value in row)
    if door.database.is_sqlite:
        for file in door.database.path.parent.iterdir():
            assert secret.encode() not in file.read_bytes()


def test_keys_of_other_sites_are_neither_seen_nor_revoked(service: Any, clock: Any) -> None:
    door, other = (service.door(clock, made=ROLES) for _ in range(2))
    seen = {key["key_id"] for key in door.read("/v1/keys")["items"]}
    theirs = {key["key_id"] for key in other.read("/v1/keys")["items"]}
    assert len(seen) == len(ROLES)
    assert not seen & theirs
    hidden, unknown = (door.ask("DELETE", f"/v1/keys/{key_id}") for key_id in (min(theirs), "aaaaaaaa"))
    assert (hidden.status_code, unknown.status_code) == (404, 404)
    assert alike(hidden, unknown, **{min(theirs): "aaaaaaaa"})


def test_a_key_of_several_sites_is_seen_and_revoked_by_the_admin_of_any(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    both = door.key("reader", sites=(door.site, other.site))
    key_id = both.split("_")[1]
    assert listed(door, key_id)["sites"] == [door.site]
    assert listed(other, key_id)["sites"] == [other.site]
    assert other.ask("DELETE", f"/v1/keys/{key_id}").status_code == 204
    assert door.get("/v1/jobs", key=both, site=door.site).status_code == 401
    for each in (door, other):
        assert [one["subject"] for one in each.read("/v1/administration", act="key.revoked")["items"]] == [key_id]


def test_a_stolen_key_that_makes_itself_a_site_can_be_revoked_all_the_same(door: Door) -> None:
    stolen = door.key("admin")
    key_id = stolen.split("_")[1]
    assert door.ask("POST", "/v1/sites", key=stolen, json={"site": f"{door.site}-z"}).status_code == 201
    (told,) = door.read("/v1/administration", act="key.widened")["items"]
    assert (told["actor"], told["subject"]) == (key_id, key_id)
    assert listed(door, key_id)["sites"] == [door.site]
    assert door.ask("DELETE", f"/v1/keys/{key_id}").status_code == 204
    assert door.get("/v1/jobs", key=stolen, site=door.site).status_code == 401


def test_keys_come_in_pages_in_the_order_in_which_they_were_made(service: Any, clock: Any) -> None:
    door = service.door(clock, made=ROLES)
    whole = [key["key_id"] for key in door.read("/v1/keys")["items"]]
    seen: list[str] = []
    asked: dict[str, Any] = {"limit": 2}
    while True:
        answer = door.get("/v1/keys", **asked)
        page = answer.get_json()
        seen += [key["key_id"] for key in page["items"]]
        assert ("Link" in answer.headers) == (page["next"] is not None)
        if page["next"] is None:
            break
        asked["after"] = page["next"]
    assert seen == whole
    assert len(whole) == len(ROLES)
    for after in ("nonsense", door.read("/v1/jobs", limit=1)["next"] or "x"):
        assert door.get("/v1/keys", after=after).status_code == 422


def test_keys_of_other_sites_make_the_list_no_dearer(service: Any, clock: Any) -> None:
    door = service.door(clock, made=ROLES)
    many = [
        {"key_id": f"z{each:07d}", "name": "x", "secret_hash": b"x" * 32, "roles": "reader", "created_us": NOW_US}
        for each in range(2_000)
    ]
    with door.database.write() as connection:
        connection.execute(insert(keys), many)
    try:
        with statements(door.database) as asked:
            assert len(door.read("/v1/keys")["items"]) == len(ROLES)
        assert max(len(each.values) for each in asked) < 10
    finally:
        with door.database.write() as connection:
            connection.execute(delete(keys).where(keys.c.key_id.startswith("z0")))


def test_a_named_site_holds_at_the_doors_of_keys(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    both = door.key("admin", sites=(door.site, other.site))
    theirs = other.keys["reader"].split("_")[1]
    here = {"query_string": {"site": door.site}}
    asked = {"name": "x", "roles": ["reader"]}
    assert door.ask("POST", "/v1/keys", key=both, json=asked, **here).get_json()["sites"] == [door.site]
    refused = door.ask("POST", "/v1/keys", key=both, json=asked | {"sites": [other.site]}, **here)
    assert (refused.status_code, refused.get_json()["errors"][0]["pointer"]) == (422, "/sites/0")
    assert theirs not in {key["key_id"] for key in door.read("/v1/keys", key=both, site=door.site)["items"]}
    assert door.ask("DELETE", f"/v1/keys/{theirs}", key=both, **here).status_code == 404
    assert door.ask("POST", f"/v1/keys/{theirs}/rotation", key=both, **here).status_code == 404
    assert door.ask("GET", f"/v1/sites/{other.site}", key=both, **here).status_code == 404
    assert door.ask("POST", f"/v1/keys/{theirs}/rotation", key=both).status_code == 201


@pytest.mark.parametrize("key", ["cut_a\0b_x", "cut_A_x", "cut_%_x", "cut_" + "a" * 17 + "_x", "cut__x", "cut_ä_x"])
def test_what_has_not_the_form_of_a_key_is_never_looked_up(door: Door, key: str) -> None:
    assert visible_id(key) is None
    with statements(door.database) as asked:
        assert door.get("/v1/jobs", key=key.encode().decode("latin-1")).status_code == 401
    assert not [each for each in asked if "FROM keys" in each.text]


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"roles": ["reader"]}, "/name"),
        ({"name": "x"}, "/roles"),
        ({"name": "x", "roles": []}, "/roles"),
        ({"name": "x", "roles": ["boss"]}, "/roles/0"),
        ({"name": "x", "roles": ["reader"], "sites": []}, "/sites"),
        ({"name": "x", "roles": ["reader"], "sites": ["nowhere"]}, "/sites/0"),
        ({"name": "x", "roles": ["reader"], "expires_at": "2027-01-15T08:00:00Z"}, "/expires_at"),
        ({"name": "x", "roles": ["reader"], "expires_at": "2027-03-02"}, "/expires_at"),
        ({"name": "x", "roles": ["reader"], "source_prefix": "bay 2"}, "/source_prefix"),
        ({"name": "x", "roles": ["reader"], "role": "admin"}, "/role"),
    ],
)
def test_422_points_at_what_is_wrong_with_a_key_to_make(door: Door, asked: dict[str, Any], pointer: str) -> None:
    before = door.read("/v1/keys")
    answer = door.ask("POST", "/v1/keys", json=asked)
    assert (answer.status_code, answer.get_json()["errors"][0]["pointer"]) == (422, pointer)
    assert door.read("/v1/keys") == before


def test_a_key_is_not_made_for_a_site_that_the_asker_lacks(door: Door, service: Any) -> None:
    other = service.door(door.clock)
    answers = [
        door.ask("POST", "/v1/keys", json={"name": "x", "roles": ["reader"], "sites": [door.site, site]})
        for site in (other.site, "nowhere")
    ]
    assert [answer.status_code for answer in answers] == [422, 422]
    assert alike(*answers)


def test_expiry_is_an_instant_not_a_day_and_kept_exactly(door: Door) -> None:
    asked = {"name": "x", "roles": ["reader"], "expires_at": "2027-01-15T09:00:00.000001+01:00"}
    made = door.ask("POST", "/v1/keys", json=asked).get_json()
    assert datetime.fromisoformat(made["expires_at"]) == datetime(2027, 1, 15, 8, 0, 0, 1, tzinfo=UTC)
    assert door.get("/v1/jobs", key=made["key"]).status_code == 200
    door.clock.now_us += 1
    assert door.get("/v1/jobs", key=made["key"]).status_code == 401
