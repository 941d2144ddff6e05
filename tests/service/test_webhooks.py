"""Webhooks over HTTP: made, judged, paused, given new secrets; what is pushed of findings, proofs and weeks."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from standardwebhooks.webhooks import Webhook

from service.counter import Counter
from service.preparing import prepare
from service.routes import webhooks as routes
from tests.builders import event
from tests.receivers import HOST, OK, on_loopback, receiving, status
from tests.service.conftest import Clock, Door, alone, cut
from worker import revising
from worker.database import DatabaseUnavailable
from worker.delivering import send_next
from worker.findings import look
from worker.folding import instant_us
from worker.publishing import publish_site
from worker.pushes.deliveries import DELAYS
from worker.pushes.saying import TEST, TOPICS
from worker.pushes.signing import shown, signed_headers
from worker.pushes.webhooks import OVERLAP_US
from worker.reports.catalogue import REPORTS
from worker.revising import tell_revised
from worker.settings import LOOPBACK_VARIABLE, Installation
from worker.tables import metadata, pushes

README = Path(__file__).parents[2] / "README.md"
DAY_US = 24 * 3_600 * 1_000_000


@pytest.fixture(autouse=True)
def _every_name_is_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(routes, "resolved", on_loopback)
    monkeypatch.setenv(LOOPBACK_VARIABLE, "1")


def made(door: Door, *topics: str, url: str = f"http://{HOST}:8443/pushes", key: str = "erp") -> dict[str, Any]:
    """A webhook for these topics, all of them unless any is named, to a receiver that the site allows."""
    door.set(webhook_hosts=[HOST])
    body = {"name": "order system", "url": url, "topics": list(topics or TOPICS)}
    answer = door.ask("POST", "/v1/webhooks", key=key, json=body)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.get_json()
    assert answer.headers["Location"] == f"/v1/webhooks/{found['webhook']}"
    return found


def act(door: Door, webhook: str, what: str, *, expect: int, key: str = "erp") -> Any:
    answer = door.ask("POST", f"/v1/webhooks/{webhook}/{what}", key=key)
    assert answer.status_code == expect, answer.text
    return answer.get_json()


def send(door: Door, webhook: str) -> bool:
    return send_next(door.database, door.site, webhook, clock=lambda: door.clock.now_us, resolve=on_loopback, seconds=5)


def said(door: Door) -> list[tuple[str, dict[str, Any]]]:
    """(topic, data) of what there was to push at the site, in order."""
    p = pushes.c
    with door.database.read() as connection:
        found = connection.execute(select(p.topic, p.body).where(p.site == door.site).order_by(p.at_us, p.topic)).all()
    bodies = [(topic, json.loads(bytes(body))) for topic, body in found]
    assert all(body["type"] == topic and body["data"]["site"] == door.site for topic, body in bodies)
    return [(topic, body["data"]) for topic, body in bodies]


def acts(door: Door) -> list[tuple[str, str, dict[str, Any]]]:
    items = door.read("/v1/administration")["items"]
    return [
        (each["act"], each["subject"], each["details"]) for each in reversed(items) if each["act"].startswith("webhook")
    ]


# --- made, read, changed ----------------------------------------------------------------------------------------


def test_a_webhook_is_made_read_listed_and_removed(door: Door) -> None:
    first, second = made(door, "job.ended", "job.ended"), made(door, "week.published", key="admin")
    assert first["secret"].startswith("whsec_")
    assert first["topics"] == ["job.ended"]
    without = {name: value for name, value in first.items() if name != "secret"}
    assert door.read(f"/v1/webhooks/{first['webhook']}", key="erp") == without
    assert [each["webhook"] for each in door.read("/v1/webhooks")["items"]] == [first["webhook"], second["webhook"]]
    path = f"/v1/webhooks/{first['webhook']}"
    assert door.ask("DELETE", path, key="erp").status_code == 204
    assert (door.get(path).status_code, door.ask("DELETE", path).status_code) == (404, 404)
    assert [each["webhook"] for each in door.read("/v1/webhooks")["items"]] == [second["webhook"]]


@pytest.mark.parametrize(
    ("changed", "pointer", "detail"),
    [
        ({"url": "https://127.0.0.1/"}, "/url", "inside of a plant"),
        ({"url": "https://[::ffff:10.0.0.1]/"}, "/url", "inside of a plant"),
        ({"url": "https://elsewhere.test/"}, "/url", "inside of a plant"),
        ({"url": "http://elsewhere.test/"}, "/url", "must begin with https"),
        ({"url": "https://0x7f.1/"}, "/url", "odd spelling"),
        ({"url": "https://u:p@receiver.test/"}, "/url", "user or password"),
        ({"url": "file:///etc/hosts"}, "/url", "must be an address such as"),
        ({"url": 7}, "/url", "must be text"),
        ({"topics": []}, "/topics", "is empty"),
        ({"topics": ["job.end"]}, "/topics/0", "nearest: job.ended"),
        ({"topics": ["webhook.test"]}, "/topics/0", "must be one of"),
        ({"name": " "}, "/name", "is blank"),
        ({"secret": "whsec_a"}, "/secret", "is no field here"),
    ],
    ids=lambda each: str(each)[:40],
)
def test_what_cannot_be_a_webhook_is_refused_with_its_place(
    door: Door, changed: dict[str, Any], pointer: str, detail: str
) -> None:
    body = {"name": "n", "url": f"https://{HOST}/", "topics": ["job.ended"]} | changed
    answer = door.ask("POST", "/v1/webhooks", json=body)
    assert answer.status_code == 422, answer.text
    (error,) = answer.get_json()["errors"]
    assert (error["pointer"], detail in error["detail"]) == (pointer, True), error
    assert door.read("/v1/webhooks")["items"] == []


def test_a_site_allows_hosts_and_says_what_is_none(door: Door) -> None:
    for wrong in ("*", "http://erp", "10.20.0.1/16"):
        answer = door.ask("PUT", f"/v1/sites/{door.site}", json={"valid_from": "2026-01-01", "webhook_hosts": [wrong]})
        assert answer.status_code == 422, answer.text
        assert answer.get_json()["errors"][0]["pointer"] == "/webhook_hosts/0"
    body = {"name": "n", "url": "http://10.20.0.7/", "topics": ["job.ended"]}
    assert door.ask("POST", "/v1/webhooks", json=body).status_code == 422
    door.set(webhook_hosts=["10.20.0.0/16"])
    assert door.ask("POST", "/v1/webhooks", json=body).status_code == 201


def test_another_sites_webhook_is_like_one_that_is_not_there(door: Door, service: Any, clock: Clock) -> None:
    theirs = made(service.door(clock))["webhook"]
    own = made(door)["webhook"]
    paths = ["", "/pause", "/resume", "/rotation", "/test", "/resend", "/deliveries", "/deliveries/1/resend"]
    for path in paths:
        method = "GET" if path in ("", "/deliveries") else "POST"
        answers = [door.ask(method, f"/v1/webhooks/{each}{path}") for each in (theirs, "wh_aaaaaaaa")]
        assert [each.status_code for each in answers] == [404, 404], path
        first, second = (each.get_json() for each in answers)
        assert first["detail"].replace(theirs, "wh_aaaaaaaa") == second["detail"]
    assert door.ask("DELETE", f"/v1/webhooks/{theirs}").status_code == 404
    assert [each["webhook"] for each in door.read("/v1/webhooks")["items"]] == [own]


def test_no_secret_is_stored(door: Door) -> None:
    first = made(door)
    second = act(door, first["webhook"], "rotation", expect=200)
    kept: list[str] = []
    with door.database.read() as connection:
        for table in metadata.sorted_tables:
            kept += [repr(tuple(row)) for row in connection.execute(select(table))]
    for secret in (first["secret"], second["secret"]):
        assert not [row for row in kept if secret.removeprefix("whsec_") in row]
    assert "secret" not in door.read(f"/v1/webhooks/{first['webhook']}")


def test_all_that_is_done_is_on_record_without_secrets(door: Door) -> None:
    webhook = made(door, "job.ended")["webhook"]
    for what in ("pause", "pause", "resume", "resume", "rotation"):
        act(door, webhook, what, expect=200)
    act(door, webhook, "test", expect=202)
    assert door.ask("DELETE", f"/v1/webhooks/{webhook}", key="erp").status_code == 204
    details = {"name": "order system", "url": f"http://{HOST}:8443/pushes", "topics": ["job.ended"]}
    found = acts(door)
    assert found[0] == ("webhook.made", webhook, details)
    names = ["webhook.paused", "webhook.resumed", "webhook.rotated", "webhook.removed"]
    assert [act for act, subject, _ in found[1:] if subject == webhook] == names
    assert "whsec_" not in json.dumps(found)


# --- delivered --------------------------------------------------------------------------------------------------


def test_a_test_is_pushed_and_what_became_of_it_is_told(door: Door) -> None:
    with receiving(status(503), OK) as receiver:
        hook = made(door, "job.ended", url=receiver.url)
        path = f"/v1/webhooks/{hook['webhook']}/deliveries"
        assert act(door, hook["webhook"], "test", expect=202) == {"webhook": hook["webhook"], "number": 1}
        assert send(door, hook["webhook"])
        (told,) = door.read(path, key="erp")["items"]
        assert (told["state"], told["topic"], told["status"], told["reason"]) == (
            "waiting", "webhook.test", 503, "answered 503",
        )  # fmt: skip
        assert told["due_at"] > told["made_at"]
        door.clock.now_us += 6_000_000
        assert send(door, hook["webhook"])
        (told,) = door.read(path)["items"]
        assert (told["state"], told["due_at"], told["tries_made"]) == ("delivered", None, 2)
        assert [(each["number"], each["status"], each["reason"]) for each in told["tries"]] == [
            (1, 503, "answered 503"),
            (2, 204, None),
        ]
        assert {each.headers["webhook-id"] for each in receiver.pushed} == {told["id"]}


def test_during_a_rotation_both_secrets_hold(door: Door) -> None:
    hook = made(door, "job.ended")
    rotated = act(door, hook["webhook"], "rotation", expect=200)
    assert rotated["secret"] != hook["secret"]
    until = instant_us(rotated["old_secret_until"].replace("Z", "+00:00"))
    assert until == door.clock.now_us + OVERLAP_US


def test_a_second_rotation_waits_for_the_first_unless_it_is_at_once(door: Door) -> None:
    hook = made(door, "job.ended")["webhook"]
    act(door, hook, "rotation", expect=200)
    assert "at_once=true" in act(door, hook, "rotation", expect=409)["detail"]
    assert act(door, hook, "rotation?at_once=true", expect=200)["old_secret_until"] is None
    assert [details for name, _, details in acts(door) if name == "webhook.rotated"] == [
        {"at_once": False}, {"at_once": True},
    ]  # fmt: skip


def test_deliveries_come_in_pages_newest_first_and_by_state(door: Door) -> None:
    with receiving(OK, status(500), OK) as receiver:
        hook = made(door, "job.ended", url=receiver.url)["webhook"]
        for _ in range(5):
            act(door, hook, "test", expect=202)
        for _ in range(2):
            assert send(door, hook)
        path = f"/v1/webhooks/{hook}/deliveries"
        numbers: list[int] = []
        after: dict[str, str] = {}
        while True:
            answer = door.get(path, limit=2, **after)
            numbers += [each["number"] for each in answer.get_json()["items"]]
            if (following := answer.get_json()["next"]) is None:
                break
            assert f"after={following}" in answer.headers["Link"]
            after = {"after": following}
        assert numbers == [5, 4, 3, 2, 1]
        assert [each["number"] for each in door.read(path, state="delivered")["items"]] == [1]
        both = door.read(f"{path}?state=delivered&state=waiting")["items"]
        assert len(both) == 5
    for wrong in ("x", "ZDE6LTE", "ZDE6eA", "cDE6NQ", "ZDE6OTk5OTk5OTk5OTk5OTk5OTk5OTk"):
        assert door.get(path, after=wrong).status_code == 422, wrong
    assert door.get(path, state="lost").status_code == 422


def test_a_delivery_is_sent_again_when_asked_for(door: Door) -> None:
    with receiving(then=OK) as receiver:
        hook = made(door, "job.ended", url=receiver.url)["webhook"]
        act(door, hook, "test", expect=202)
        assert act(door, hook, "deliveries/1/resend", expect=202)["resent"] == 0
        assert send(door, hook)
        assert act(door, hook, "deliveries/1/resend", expect=202)["resent"] == 1
        assert send(door, hook)
        assert len({each.headers["webhook-id"] for each in receiver.pushed}) == 1
        assert len(receiver.pushed) == 2
        assert act(door, hook, "resend", expect=202)["resent"] == 0
    for number in ("2", "0", "-1", "1e0", "9" * 30, "%2F"):
        assert door.ask("POST", f"/v1/webhooks/{hook}/deliveries/{number}/resend").status_code == 404, number
    assert ("webhook.resent", hook, {"number": 1}) in acts(door)


def test_figures_tell_of_what_waits_and_is_dead_by_site_alone(door: Door) -> None:
    hook = made(door, "job.ended")["webhook"]
    act(door, hook, "test", expect=202)
    door.clock.now_us += 90_000_000
    text = door.get("/metrics").text
    assert f'cutledger_push_deliveries{{site="{door.site}",state="waiting"}} 1.0' in text
    assert f'cutledger_push_deliveries{{site="{door.site}",state="dead"}} 0.0' in text
    assert f'cutledger_push_oldest_waiting_seconds{{site="{door.site}"}} 90.0' in text
    assert hook not in text


# --- what is pushed ---------------------------------------------------------------------------------------------


def test_findings_are_pushed_when_they_open_and_close(door: Door) -> None:
    made(door, "finding.opened", "finding.closed")
    wrong = event("attempt.inspected", "A", good=5)
    door.told(cut("A", quantity=2), wrong)
    look(door.database, door.site, now_us=door.clock.now_us)
    look(door.database, door.site, now_us=door.clock.now_us + 1)
    opened = [(topic, data) for topic, data in said(door) if data["code"] == "more_inspected_than_cut"]
    assert [topic for topic, _ in opened] == ["finding.opened"]
    (_, data) = opened[0]
    assert door.read(data["path"])["id"] == data["finding"]
    assert (data["kind"], data["subject_kind"], data["subject"], data["times_opened"]) == (
        "contradiction", "attempt", "A", 1,
    )  # fmt: skip
    door.told(event("event.voided", "A") | {"data": {"source": wrong["source"], "id": wrong["id"], "reason": "typo"}})
    look(door.database, door.site, now_us=door.clock.now_us + 2)
    closed = [(topic, data) for topic, data in said(door) if data["finding"] == opened[0][1]["finding"]]
    assert [topic for topic, _ in closed] == ["finding.opened", "finding.closed"]


def test_a_decided_proof_is_pushed_and_again_when_it_is_decided_otherwise(door: Door) -> None:
    made(door, "proof.decided", "finding.opened")
    door.clock.now_us = instant_us("2026-03-04T06:00:00Z")
    plan = {
        "id": "PR-1",
        "reliability": 0.5,
        "confidence": 0.5,
        "thickness_mm": 20,
        "machine": "L1",
        "material": "S355",
    }
    assert door.ask("POST", "/v1/proofs", json=plan).status_code == 201
    door.count()
    first = cut("A1", plate="P1", machine="L1", quantity=1, good=1, time="2026-03-04T10:00:00Z")
    door.told(first)
    door.clock.now_us = instant_us("2026-03-04T12:00:00Z")
    for _ in range(2):
        door.clock.now_us += 1
        look(door.database, door.site, now_us=door.clock.now_us)
    decided = [data for topic, data in said(door) if topic == "proof.decided"]
    assert [(each["proof"], each["state"], each["path"]) for each in decided] == [("PR-1", "passed", "/v1/proofs/PR-1")]
    door.told(event("attempt.inspected", "A1", time="2026-03-04T13:00:00Z", scrap=1))
    door.clock.now_us += 3_600_000_000
    look(door.database, door.site, now_us=door.clock.now_us)
    decided = [data for topic, data in said(door) if topic == "proof.decided"]
    assert [each["state"] for each in decided] == ["passed", "failed"]
    assert not [data for topic, data in said(door) if topic == "finding.opened" and data["kind"] == "proof"]


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The reports that are compared, and none beside them: a week is published the sooner."""
    monkeypatch.setattr("worker.publishing.REPORTS", {name: REPORTS[name] for name in revising.COMPARED})
    revising._looked.clear()
    yield
    revising._looked.clear()


@pytest.mark.usefixtures("few")
def test_a_published_week_is_pushed_and_again_as_revised_once_for_each_state(door: Door) -> None:
    made(door, "week.published", "week.revised")
    door.told(cut("A1", quantity=4, good=3, scrap=1, plate="P1", machine="L1"))
    due = instant_us("2026-03-10T06:00:00Z")
    assert list(publish_site(door.database, door.site, now_us=due)) == ["2026-W10"]
    (topic, data) = said(door)[0]
    assert (topic, data["week"], data["figures"]["first_pass_yield"]) == ("week.published", "2026-W10", 0.75)
    assert door.read(data["path"])["published"]["week"] == "2026-W10"

    def revised(hours: float) -> list[tuple[str, str]]:
        with alone(door, "worker.revising"):
            return tell_revised(door.database, now_us=due + int(hours * 3_600_000_000))

    assert revised(1) == []
    late = cut("A2", quantity=1, good=1, plate="P2", machine="L1")
    door.told(late)
    # Not more often than each hour.
    assert revised(1.5) == []
    assert revised(2.1) == [(door.site, "2026-W10")]
    assert revised(3.2) == []
    (_, told) = said(door)[-1]
    assert (told["week"], told["revision"]) == ("2026-W10", 1)
    assert told["figures"]["first_pass_yield"] == {"then": 0.75, "now": 0.8}
    assert told["reports"][0]["report"] == "yield"
    assert len(door.read(told["reports"][0]["path"])["changes"]) == told["reports"][0]["changes"]
    # Undone it is a state again of which nobody was told.
    door.told(event("event.voided", "A2") | {"data": {"source": late["source"], "id": late["id"], "reason": "typo"}})
    assert revised(4.3) == [(door.site, "2026-W10")]
    (_, told) = said(door)[-1]
    assert (told["revision"], told["figures"], told["reports"]) == (2, {}, [])


@pytest.mark.usefixtures("few")
def test_a_revised_week_that_could_not_be_told_is_told_and_hourly_whoever_tells(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(door, "week.revised")
    door.told(cut("A1", quantity=4, good=3, scrap=1, plate="P1", machine="L1"))
    due = instant_us("2026-03-10T06:00:00Z")
    assert list(publish_site(door.database, door.site, now_us=due)) == ["2026-W10"]
    door.told(cut("A2", quantity=1, good=1, plate="P2", machine="L1"))

    def revised(hours: float) -> list[tuple[str, str]]:
        with alone(door, "worker.revising"):
            return tell_revised(door.database, now_us=due + int(hours * 3_600_000_000))

    with monkeypatch.context() as failing:
        failing.setattr(revising, "say", _unavailable)
        with pytest.raises(DatabaseUnavailable):
            revised(2)
    assert revised(2.1) == [(door.site, "2026-W10")]
    door.told(cut("A3", quantity=1, good=1, plate="P3", machine="L1"))
    # As another process, which does not know when this one looked.
    revising._looked.clear()
    assert revised(2.5) == []
    assert revised(3.6) == [(door.site, "2026-W10")]


def _unavailable(*_: Any) -> None:
    raise DatabaseUnavailable("it is away")


@pytest.mark.usefixtures("few")
def test_no_week_is_looked_at_again_for_nobody(door: Door) -> None:
    made(door, "week.published")
    door.told(cut("A1", quantity=4, good=3, plate="P1"))
    due = instant_us("2026-03-10T06:00:00Z")
    assert list(publish_site(door.database, door.site, now_us=due)) == ["2026-W10"]
    door.told(cut("A2", quantity=4, good=1, plate="P2"))
    with alone(door, "worker.revising"):
        assert tell_revised(door.database, now_us=due + DAY_US) == []


@pytest.mark.usefixtures("few")
def test_what_is_pushed_names_nobody(door: Door) -> None:
    hook = made(door)
    door.told(
        cut("A", quantity=2, operator="Ada Lovelace"),
        event("attempt.inspected", "A", good=5, inspector="Grace Hopper"),
    )
    look(door.database, door.site, now_us=door.clock.now_us)
    assert list(publish_site(door.database, door.site, now_us=instant_us("2026-03-10T06:00:00Z"))) == ["2026-W10"]
    assert {topic for topic, _ in said(door)} == {"finding.opened", "week.published"}
    people = door.read("/v1/attempts/A/events")["items"]
    pseudonyms = {each["event"]["data"].get(name) for each in people for name in ("operator", "inspector")} - {None}
    text = json.dumps(said(door))
    assert not [each for each in (*pseudonyms, "Lovelace", "Hopper") if each in text]
    assert hook["webhook"] not in text


def test_the_secret_of_the_answer_verifies_what_is_pushed(door: Door) -> None:
    with receiving() as receiver:
        hook = made(door, "job.ended", url=receiver.url)
        act(door, hook["webhook"], "test", expect=202)
        assert send(door, hook["webhook"])
        (pushed,) = receiver.pushed

        class Then(Webhook):  # type: ignore[misc]
            """The library, whose clock is that of the test."""

            def _Webhook__verify_timestamp(self, header: str) -> Any:  # noqa: N802
                return datetime.fromtimestamp(int(header), UTC)

        assert Then(hook["secret"]).verify(pushed.body, pushed.headers)["data"]["webhook"] == hook["webhook"]


# --- how a receiver verifies ------------------------------------------------------------------------------------


def readme_program() -> dict[str, Any]:
    """What the README's program for receivers defines."""
    blocks = re.findall(r"^```python\n(.*?)^```$", README.read_text(), re.MULTILINE | re.DOTALL)
    (program,) = [block for block in blocks if "def verified" in block]
    told: dict[str, Any] = {}
    exec(compile(program, "README.md", "exec"), told)  # noqa: S102
    return told


def test_the_readmes_receiver_accepts_a_push_and_nothing_else() -> None:
    verified = readme_program()["verified"]
    secrets, body = (b"n" * 32, b"o" * 32), b'{"type":"job.ended"}'
    now = int(time.time())
    headers = signed_headers(secrets, "msg_1", now, body)
    assert [verified(shown(secret), headers, body) for secret in (*secrets, b"x" * 32)] == [True, True, False]
    assert not verified(shown(secrets[0]), headers, body + b" ")
    assert not verified(shown(secrets[0]), headers | {"webhook-id": "msg_2"}, body)
    assert not verified(shown(secrets[0]), signed_headers(secrets, "msg_1", now - 301, body), body)


def test_the_readme_tells_each_topic_and_the_schedule() -> None:
    text = README.read_text()
    assert not [topic for topic in (*TOPICS, TEST) if f"`{topic}`" not in text]
    told = "5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h and 24 h"
    units = {"s": 1, "min": 60, "h": 3_600}
    assert told in text.replace("\n  ", " ")
    assert tuple(int(number) * units[unit] for number, unit in re.findall(r"(\d+) (\w+)", told)) == DELAYS


# --- who delivers -----------------------------------------------------------------------------------------------


def test_an_embedded_server_delivers_until_it_is_stopped(tmp_path: Path) -> None:
    installation = Installation(tmp_path, f"sqlite:///{tmp_path / 'test.sqlite3'}", None)
    prepare(installation)
    counter = Counter(installation)
    counter.start()
    try:
        assert "cutledger-deliverer" in {thread.name for thread in threading.enumerate()}
    finally:
        counter.stop()
    assert "cutledger-deliverer" not in {thread.name for thread in threading.enumerate()}
