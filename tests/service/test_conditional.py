"""What is read has an ETag and is not sent twice; what was changed meanwhile is not changed again unseen."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from service.conditional import is_tagged
from tests.service.conftest import Door, cut, opened, received
from worker import audits

#: Routes whose answer speaks of this very moment, or holds a token.
NEVER_KEPT = {
    "/livez", "/readyz", "/metrics", "/key", "/sign-in", "/week", "/week.csv", "/week.xlsx", "/week.pdf",
    "/terminal/known", "/handover",
}  # fmt: skip


def paths(door: Door) -> list[str]:
    """A path for each kind of thing that can be read at a site with something in it."""
    (finding,) = door.findings()[:1]
    return [
        *(f"/v1/{kind}" for kind in ("events", "jobs", "plates", "attempts", "findings", "proofs", "reports", "sites")),
        *(f"/v1/{kind}" for kind in ("trials", "keys", "audit", "administration")),
        *(f"/v1/{path}{more}" for path in ("jobs/J", "plates/P", "attempts/A") for more in ("", "/events")),
        "/v1/plates/P/precheck", f"/v1/findings/{quote(finding['id'])}", f"/v1/sites/{door.site}",
        "/v1/reports/yield?month=2026-03", "/v1/plan?parts=2&material=S355&thickness_mm=20",
        "/v1/trace?plate=P", "/v1/trace?attempt=A&format=csv",
        "/openapi.json", "/docs/", "/docs/swagger-ui.css", "/static/pages.css",
    ]  # fmt: skip


@pytest.fixture
def filled(door: Door) -> Door:
    door.told(opened(), received(), cut(job="J", plate="P"), cut("A", time="2026-03-04T12:00:00Z", gas="air"))
    return door


def test_whatever_is_read_has_an_etag_and_is_sent_once(filled: Door) -> None:
    with filled.database.write() as connection:
        audits.begin(connection, filled.site, now_us=filled.clock.now_us)
    for path in paths(filled):
        with filled.get(path) as first:
            assert first.status_code == 200, path
            etag, body = first.headers["ETag"], first.data
        assert etag.startswith('"'), path
        assert "no-cache" in first.headers["Cache-Control"], path
        if path.startswith("/v1/"):
            assert first.headers["Vary"] == "Accept, Authorization, Cookie", path
        with filled.get(path, headers={"If-None-Match": '"other"'}) as other:
            assert (other.status_code, other.data, other.headers["ETag"]) == (200, body, etag), path
        with filled.get(path, headers={"If-None-Match": etag}) as again:
            assert (again.status_code, again.data, again.headers["ETag"]) == (304, b"", etag), path


def test_head_is_answered_like_get_without_the_body(filled: Door) -> None:
    for path in ("/v1/keys", "/v1/jobs", "/docs/swagger-ui.css"):
        with filled.get(path) as first, filled.ask("HEAD", path) as head:
            assert (head.status_code, head.data) == (200, b"")
            assert head.headers["ETag"] == first.headers["ETag"]
            assert head.headers["Content-Length"] == first.headers["Content-Length"]
        with filled.ask("HEAD", path, headers={"If-None-Match": first.headers["ETag"]}) as again:
            assert again.status_code == 304


@pytest.mark.parametrize("path", ["/v1/keys", "/v1/jobs"])  # hashed, and made of a revision
def test_if_none_match_is_read_as_rfc_9110_says(filled: Door, path: str) -> None:
    etag = filled.get(path).headers["ETag"]
    held = (etag, f"W/{etag}", f'"other", {etag}', "*", "", "nonsense", '"other"', etag.strip('"')[:-1])
    statuses = [filled.get(path, headers={"If-None-Match": each}).status_code for each in held]
    assert statuses == [304] * 4 + [200] * 4


def test_every_route_that_is_read_takes_part_but_those_that_speak_of_now(service: Any) -> None:
    views = service.app.view_functions
    untagged = {
        rule.rule
        for rule in service.app.url_map.iter_rules()
        if "GET" in rule.methods and not is_tagged(views[rule.endpoint]) and not rule.endpoint.startswith("pages.")
    }
    assert untagged == {path for path in NEVER_KEPT if path in ("/livez", "/readyz", "/metrics")}


def test_what_speaks_of_now_or_holds_a_token_is_kept_by_nobody(door: Door) -> None:
    for path in sorted(NEVER_KEPT):
        answer = door.get(path, headers={"If-None-Match": "*"})
        assert (answer.status_code, answer.headers["Cache-Control"]) == (200, "no-store"), path
        assert "ETag" not in answer.headers, path


def test_a_key_that_is_shown_and_whatever_is_refused_has_none(door: Door) -> None:
    answers = [
        door.ask("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]}, headers={"If-None-Match": "*"}),
        door.get("/v1/jobs/none", headers={"If-None-Match": "*"}),
        door.get("/v1/jobs", key=None, headers={"If-None-Match": "*"}),
    ]
    assert [answer.status_code for answer in answers] == [201, 404, 401]
    for answer in answers:
        assert "ETag" not in answer.headers
        assert answer.headers["Cache-Control"] == "no-store"


def test_an_etag_changes_with_what_it_is_of(filled: Door) -> None:
    asked = ("/v1/keys", "/v1/events", "/v1/attempts/A/events", "/v1/administration")
    before = {path: filled.get(path).headers["ETag"] for path in asked}
    filled.ask("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]})
    filled.told(cut("A", id="third", time="2026-03-04T13:00:00Z", gas="argon"))
    for path in asked:
        assert filled.get(path, headers={"If-None-Match": before[path]}).status_code == 200, path


def test_what_one_key_may_read_is_no_304_for_another(filled: Door) -> None:
    held = {"If-None-Match": filled.get("/v1/keys").headers["ETag"]}
    assert filled.get("/v1/keys", key="reader", headers=held).status_code == 403
    assert filled.get("/v1/keys", key=None, headers=held).status_code == 401


# --- changes ----------------------------------------------------------------------------------------------------


def change(door: Door, etag: str | None, **settings: Any) -> int:
    door.clock.now_us += 1
    headers = {} if etag is None else {"If-Match": etag}
    body = {"valid_from": "2026-03-02", **settings}
    return int(door.ask("PUT", f"/v1/sites/{door.site}", json=body, headers=headers).status_code)


def settings_etag(door: Door) -> str:
    return str(door.get(f"/v1/sites/{door.site}").headers["ETag"])


def test_settings_that_changed_since_they_were_read_are_not_changed_unseen(door: Door) -> None:
    read = settings_etag(door)
    assert change(door, read, zone="Europe/Berlin") == 200
    # Not counted yet, and seen all the same: of two who read the same, the second is refused.
    refused = door.ask(
        "PUT", f"/v1/sites/{door.site}", json={"valid_from": "2026-03-02", "zone": "UTC"}, headers={"If-Match": read}
    )
    assert (refused.status_code, refused.get_json()["type"]) == (412, "urn:cutledger:problem:changed")
    assert len(door.read("/v1/events", type="cutledger.site.set")["items"]) == 1
    door.count()
    assert change(door, read, zone="UTC") == 412
    assert change(door, settings_etag(door), zone="UTC") == 200


def test_if_match_is_compared_strongly_and_may_be_left_out(door: Door) -> None:
    read = settings_etag(door)
    for wrong in (f"W/{read}", '"other"', read.strip('"')[:-1], ""):
        assert change(door, wrong, zone="UTC") == 412, wrong
    assert change(door, f'"other", {read}', zone="UTC") == 200
    assert change(door, "*", zone="Europe/Berlin") == 200
    assert change(door, None, zone="UTC") == 200


def test_counting_other_events_is_no_change_of_the_settings(door: Door) -> None:
    read = settings_etag(door)
    door.told(cut())
    assert settings_etag(door) == read
    assert change(door, read, zone="UTC") == 200
