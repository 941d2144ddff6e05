"""Sessions of people: signing in and out, when a session ends, and what no other site may do with it."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from flask.testing import FlaskClient
from itsdangerous import URLSafeSerializer
from sqlalchemy import text
from werkzeug.test import TestResponse

from service.app import create_app
from service.rates import Limits, Rates
from service.sessions import COOKIE, FORM_COOKIE, HOURS, TOKEN_HEADER, local
from tests.builders import NOW_US, embedded
from tests.service.conftest import Door, cut
from tests.service.conftest import Service as Running
from tests.service.serving import key_for, wait_until
from worker.database import Database, DatabaseUnavailable
from worker.keys import ROLES, revoke
from worker.sessions import end_session, has_ended

HTML = {"Accept": "text/html,application/xhtml+xml"}
HOUR_US = 3_600_000_000
UNSAFE = ("post", "put", "patch", "delete")


class Browser:
    """Keeps cookies, and sends what the forms of pages hold."""

    def __init__(self, service: Any, **environment: Any) -> None:
        self.client: FlaskClient = service.app.test_client()
        self.environment = environment

    def open(self, method: str, path: str, *, headers: Any = HTML, **how: Any) -> TestResponse:
        return self.client.open(path, method=method, headers=headers, **self.environment, **how)

    def get(self, path: str, **how: Any) -> TestResponse:
        return self.open("GET", path, **how)

    def fill(self, path: str, **fields: str) -> TestResponse:
        """Send the form of a page."""
        page = self.get(path).text
        hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', page))
        sent = {name: unescape(value) for name, value in hidden.items()} | fields
        return self.open("POST", re.findall(r'action="([^"]+)"', page)[0], data=sent)

    def sign_in(self, key: str, *, page: str = "/sign-in", **fields: str) -> TestResponse:
        return self.fill(page, key=key, **fields)

    def token(self) -> str:
        return re.findall(r'<meta name="csrf-token" content="(\w+)">', self.get("/key").text)[0]

    def cookie(self, name: str = COOKIE) -> str | None:
        found = self.client.get_cookie(name)
        return None if found is None else found.value


def alert(answer: TestResponse) -> str:
    """What a page says is wrong."""
    (said,) = re.findall(r'role="alert">([^<]*)<', answer.text)
    return str(said)


@pytest.fixture
def browser(service: Any) -> Browser:
    return Browser(service)


@pytest.fixture
def signed_in(door: Door, browser: Browser) -> Browser:
    assert browser.sign_in(door.keys["admin"]).status_code == 303
    return browser


# --- signing in and out -----------------------------------------------------------------------------------------


def test_a_session_is_a_use_of_its_key(door: Door, browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs: list[Any] = []
    monkeypatch.setattr("service.asking.later", jobs.append)
    assert browser.sign_in(door.keys["reader"]).status_code == 303
    jobs.pop()()
    door.clock.now_us += 3_600_000_000
    monkeypatch.setattr("service.asking.USE_US", 0)
    assert browser.get("/v1/jobs").status_code == 200
    jobs.pop()()
    (shown,) = [key for key in door.read("/v1/keys")["items"] if key["name"] == "reader"]
    assert shown["last_used_at"] == "2027-01-15T09:00:00Z"


def test_a_key_with_a_nul_in_it_is_wrong_as_any_other(door: Door, browser: Browser) -> None:
    assert browser.sign_in("cut_a\0b_x").status_code == 401


@pytest.mark.parametrize("role", ROLES)
def test_whoever_has_a_key_signs_in_and_sees_who_they_are(door: Door, browser: Browser, role: str) -> None:
    answer = browser.get("/key")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in?next=%2Fkey")
    answer = browser.sign_in(door.keys[role], page=answer.headers["Location"])
    assert (answer.status_code, answer.headers["Location"]) == (303, "/key")
    first = browser.get("/")
    assert (first.status_code, first.headers["Location"]) == (303, "/terminal" if role == "terminal" else "/week")
    page = browser.get("/key")
    assert page.status_code == 200
    for told in (role, door.site, door.keys[role].split("_")[1]):
        assert told in page.text


def test_the_cookie_is_no_key_and_out_of_reach_of_scripts_and_other_sites(door: Door, browser: Browser) -> None:
    answer = browser.sign_in(door.keys["reader"])
    (said,) = [each for each in answer.headers.getlist("Set-Cookie") if each.startswith(COOKIE)]
    parts = set(said.split("; ")[1:])
    assert {"HttpOnly", "SameSite=Strict", "Path=/", f"Max-Age={HOURS * 3600}"} <= parts
    assert "Secure" not in parts
    assert door.keys["reader"].split("_", 2)[2] not in said
    assert answer.headers["Cache-Control"] == "no-store"


def test_over_https_the_cookies_stay_with_https(door: Door, service: Any) -> None:
    secure = Browser(service, base_url="https://cutting.example")
    answer = secure.sign_in(door.keys["reader"])
    assert answer.status_code == 303
    assert all("; Secure" in each for each in answer.headers.getlist("Set-Cookie"))
    assert "; Secure" in Browser(service, base_url="https://cutting.example").get("/sign-in").headers["Set-Cookie"]


def test_signing_out_ends_the_session(door: Door, signed_in: Browser) -> None:
    answer = signed_in.fill("/key")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
    assert signed_in.cookie() is None
    assert signed_in.get("/key").status_code == 303


def test_a_copied_cookie_is_worth_nothing_once_its_session_is_signed_out(
    door: Door, service: Any, signed_in: Browser
) -> None:
    thief = Browser(service)
    thief.client.set_cookie(COOKIE, str(signed_in.cookie()))
    assert thief.get("/key").status_code == 200
    signed_in.fill("/key")
    assert thief.get("/key").status_code == 303
    assert thief.get("/v1/jobs", headers={}).status_code == 401


def test_a_session_may_be_signed_out_twice_at_once(service: Any) -> None:
    database: Database = service.database

    def sign_out() -> None:
        with database.write() as connection:
            end_session(connection, "twice", until_us=NOW_US + HOUR_US, now_us=NOW_US)

    def second_waits() -> bool:
        with database.read() as connection:
            waits = "SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE '%ended_sessions%'"
            return connection.execute(text(waits)).first() is not None

    with ThreadPoolExecutor(1) as others:
        with database.write() as connection:
            end_session(connection, "twice", until_us=NOW_US + HOUR_US, now_us=NOW_US)
            second = others.submit(sign_out)
            if not database.is_sqlite:  # there it waits for the connection that writes
                wait_until(second_waits, what="the second to wait for the first")
        second.result()
    with database.read() as connection:
        assert has_ended(connection, "twice")


def test_signing_out_ends_the_session_whoever_else_asks(door: Door, service: Any, signed_in: Browser) -> None:
    copy = Browser(service)
    copy.client.set_cookie(COOKIE, str(signed_in.cookie()))
    headers = HTML | {"Authorization": f"Bearer {door.keys['reader']}"}
    assert signed_in.open("POST", "/sign-out", headers=headers).status_code == 303
    assert copy.get("/key").status_code == 303


def test_signing_in_anew_ends_the_session_before(door: Door, service: Any, signed_in: Browser) -> None:
    copy, second_tab = Browser(service), Browser(service)
    copy.client.set_cookie(COOKIE, str(signed_in.cookie()))
    form = re.findall(r'name="csrf_token" value="(\w+)"', second_tab.get("/sign-in").text)[0]
    signed_in.client.set_cookie(FORM_COOKIE, str(second_tab.cookie(FORM_COOKIE)))
    answer = signed_in.open("POST", "/sign-in", data={"csrf_token": form, "key": door.keys["reader"]})
    assert answer.status_code == 303
    assert copy.get("/key").status_code == 303
    assert "reader" in signed_in.get("/key").text


def test_each_signing_in_is_a_session_of_its_own(door: Door, service: Any, signed_in: Browser) -> None:
    other = Browser(service)
    other.client.set_cookie(COOKIE, str(signed_in.cookie()))  # whoever planted it is not in the session that follows
    signed_in.fill("/key")
    signed_in.sign_in(door.keys["reader"])
    assert signed_in.cookie() != other.cookie()
    assert other.get("/key").status_code == 303


def test_a_wrong_key_is_refused_like_at_the_doors(door: Door, browser: Browser) -> None:
    for key in ("", "nonsense", "cut_aaaaaaaa_nothing", door.keys["admin"][:-1], "ü\r\n", "x" * 9_000):
        answer = browser.sign_in(key)
        assert answer.status_code == 401, key
        assert 'role="alert"' in answer.text
        assert browser.cookie() is None
        assert key not in answer.text or not key


def test_wrong_keys_are_limited_like_at_the_doors(tmp_path: Path) -> None:
    database = embedded(tmp_path)
    key = key_for(database, "reader")
    app = create_app(database, nudge=lambda: None, rates=Rates(Limits(failures=3)))
    browser = Browser(Running(app, database))
    statuses = [browser.sign_in("cut_aaaaaaaa_wrong").status_code for _ in range(4)]
    assert statuses == [401, 401, 401, 429]
    answer = browser.sign_in("cut_aaaaaaaa_wrong")
    assert (answer.status_code, browser.cookie()) == (429, None)
    assert int(answer.headers["Retry-After"]) > 0
    assert "Too many wrong keys" in alert(answer)
    assert browser.sign_in(key).status_code == 303
    app.extensions["cutledger"].rates.close()
    database.close()


@pytest.mark.parametrize(
    ("key", "status", "said"),
    [
        ("", 401, "Type or paste your key."),
        (" \t", 401, "Type or paste your key."),
        ("nonsense", 401, "This key is not known here, has expired or was revoked."),
        ("x" * 17_000, 413, "This is too long for a key."),
    ],
    ids=["empty", "blank", "wrong", "too long"],
)
def test_the_form_says_in_words_for_people_what_is_wrong(
    door: Door, browser: Browser, key: str, status: int, said: str
) -> None:
    answer = browser.sign_in(key)
    assert (answer.status_code, answer.mimetype) == (status, "text/html")
    assert said in alert(answer)
    assert "Bearer" not in answer.text
    assert browser.sign_in(door.keys["reader"]).status_code == 303


def test_a_form_without_its_cookie_says_so_and_serves_when_it_is_sent_again(door: Door, browser: Browser) -> None:
    sent = {"csrf_token": re.findall(r'name="csrf_token" value="(\w+)"', browser.get("/sign-in").text)[0]}
    browser.client.delete_cookie(FORM_COOKIE)
    answer = browser.open("POST", "/sign-in", data=sent | {"key": door.keys["reader"]})
    assert answer.status_code == 403
    assert "send it again" in alert(answer)
    sent = {"csrf_token": re.findall(r'name="csrf_token" value="(\w+)"', answer.text)[0]}
    assert browser.open("POST", "/sign-in", data=sent | {"key": door.keys["reader"]}).status_code == 303


@pytest.mark.parametrize(
    ("method", "path", "status", "said"),
    [
        ("GET", "/nowhere", 404, "Look at the address"),
        ("GET", "/static/none.css", 404, "Look at the address"),
        ("GET", "/sign-out", 405, "does not take what the browser sent"),
        ("GET", "/?a=%00", 422, "A must not hold a NUL."),
    ],
)
def test_a_browser_is_shown_a_page_of_what_went_wrong(
    door: Door, signed_in: Browser, method: str, path: str, status: int, said: str
) -> None:
    answer = signed_in.open(method, path)
    assert (answer.status_code, answer.mimetype) == (status, "text/html")
    assert said in alert(answer)
    assert answer.headers["X-Request-Id"] in answer.text
    assert ("Allow" in answer.headers) == (status == 405)
    for headers in ({}, {"Accept": "*/*"}, {"Accept": "application/json, text/html;q=0.9"}):
        assert signed_in.open(method, path, headers=headers).mimetype == "application/problem+json"


def test_what_the_doors_say_is_no_page_for_anyone(door: Door, signed_in: Browser) -> None:
    assert signed_in.get("/v1/jobs/none").mimetype == "application/problem+json"
    assert door.client.get("/v1/jobs", headers=HTML).mimetype == "application/problem+json"


def test_a_page_that_the_database_cannot_answer_says_so(
    door: Door, signed_in: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unavailable(*_: Any) -> None:
        raise DatabaseUnavailable("x")

    monkeypatch.setattr("service.sessions.known_key", unavailable)
    for path in ("/key", "/sign-in"):
        answer = signed_in.get(path)
        assert (answer.status_code, answer.mimetype) == (503, "text/html")
        assert "Try again in some seconds" in alert(answer)
        assert answer.headers["Retry-After"]


@pytest.mark.parametrize(
    ("accepts", "status"),
    [
        # what browsers send, word for word
        ("text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,image/apng,*/*;q=0.8,"
         "application/signed-exchange;v=b3;q=0.7", 303),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", 303),
        ("text/html", 303),
        ("*/*", 401),
        ("", 401),
        ("application/json, text/html;q=0.5", 401),
        ("application/problem+json, text/html", 401),
    ],
)  # fmt: skip
def test_browsers_are_led_to_sign_in_and_programs_told(browser: Browser, accepts: str, status: int) -> None:
    answer = browser.get("/key", headers={"Accept": accepts})
    assert (answer.status_code, answer.mimetype == "application/problem+json") == (status, status == 401)


def test_a_page_beyond_the_rate_says_when_to_come_again(tmp_path: Path) -> None:
    database = embedded(tmp_path)
    app = create_app(database, nudge=lambda: None, rates=Rates(Limits(rate=1)))
    headers = HTML | {"Authorization": f"Bearer {key_for(database, 'reader')}"}
    answers = [app.test_client().get("/key", headers=headers) for _ in range(20)]
    assert (answers[-1].status_code, answers[-1].mimetype) == (429, "text/html")
    assert f"ask again in {answers[-1].headers['Retry-After']} s." in alert(answers[-1])
    app.extensions["cutledger"].rates.close()
    database.close()


def test_the_pages_escape_what_people_wrote(door: Door, browser: Browser) -> None:
    name = "<script>alert('x')</script>\"&"
    made = door.ask("POST", "/v1/keys", json={"name": name, "roles": ["reader"]}).get_json()
    browser.sign_in(made["key"])
    for page in (browser.get("/key").text, browser.get(f"/sign-in?next=/{quote(name)}").text):
        assert "<script>" not in page
    assert "&lt;script&gt;" in browser.get("/key").text


@pytest.mark.parametrize(
    "path",
    ["//evil.example", "///evil.example", "/\\evil.example", "\\\\evil.example", "https://evil.example/", "evil",
     "javascript:alert(1)", "/\t/evil.example", "/%0d%0aX: y", " //evil.example", "", "/ü", "/a\r\nb", "\x00/"],
)  # fmt: skip
def test_nobody_is_led_to_another_host(door: Door, browser: Browser, path: str) -> None:
    answer = browser.sign_in(door.keys["reader"], next=path)
    assert answer.status_code == 303
    assert answer.headers["Location"] == local(path) == "/"


def test_whoever_signs_in_goes_on_where_they_wanted_to(door: Door, browser: Browser) -> None:
    page = "/sign-in?next=" + quote("/week?site=main&week=2026-W10", safe="")
    assert browser.sign_in(door.keys["reader"], page=page).headers["Location"] == "/week?site=main&week=2026-W10"
    assert browser.get(page).headers["Location"] == "/week?site=main&week=2026-W10"


# --- when a session ends ----------------------------------------------------------------------------------------


def test_a_session_ends_after_its_hours_however_busy(door: Door, signed_in: Browser) -> None:
    begun = door.clock.now_us
    for hours in (6, 11, HOURS):
        door.clock.now_us = begun + hours * HOUR_US - 1
        assert signed_in.get("/key").status_code == 200
    door.clock.now_us += 1
    assert signed_in.get("/key").status_code == 303


def test_a_session_ends_with_its_key(door: Door, service: Any, browser: Browser) -> None:
    browser.sign_in(door.keys["reader"])
    with door.database.write() as connection:  # by another process, that tells this one nothing
        revoke(connection, door.keys["reader"].split("_")[1], now_us=door.clock.now_us)
    assert browser.get("/key").status_code == 303
    assert browser.get("/v1/jobs", headers={}).status_code == 401
    soon = door.key("reader", expires_us=door.clock.now_us + HOUR_US)
    assert browser.sign_in(soon).status_code == 303
    door.clock.now_us += HOUR_US
    assert browser.get("/key").status_code == 303


def test_a_cookie_that_the_service_did_not_sign_is_none(door: Door, service: Any, signed_in: Browser) -> None:
    sent = str(signed_in.cookie())
    key_id = door.keys["admin"].split("_")[1]
    forged = URLSafeSerializer("a guess", salt=COOKIE).dumps([key_id, "s", door.clock.now_us * 2])
    for value in ("", "x", forged, sent[:-2], sent + "x", sent.replace(".", ".."), ".", "ü", "." * 4_000):
        signed_in.client.set_cookie(COOKIE, value)
        assert signed_in.get("/key").status_code == 303, value
        assert signed_in.get("/v1/jobs", headers={}).status_code == 401, value


# --- what the session's pages ask of the doors ------------------------------------------------------------------


def test_the_session_reads_what_its_key_may(door: Door, browser: Browser) -> None:
    door.told(cut("A"))
    browser.sign_in(door.keys["reader"])
    assert browser.get("/v1/attempts", headers={}).get_json()["items"][0]["attempt"] == "A"
    assert browser.get("/v1/keys", headers={}).status_code == 403
    assert browser.open("HEAD", "/v1/attempts").status_code == 200


def test_a_change_needs_the_sessions_token(door: Door, service: Any, signed_in: Browser) -> None:
    other = Browser(service)
    other.sign_in(door.keys["admin"])
    wanted = {"name": "x", "roles": ["reader"]}
    before = len(door.read("/v1/keys")["items"])
    for token in (None, "", "x", other.token(), str(signed_in.cookie())):
        headers = {} if token is None else {TOKEN_HEADER: token}
        answer = signed_in.open("POST", "/v1/keys", json=wanted, headers=headers)
        assert (answer.status_code, answer.get_json()["type"]) == (403, "urn:cutledger:problem:not-from-here")
    for method, path in (("PUT", f"/v1/sites/{door.site}"), ("DELETE", "/v1/keys/x"), ("POST", "/v1/events")):
        assert signed_in.open(method, path, json={}, headers={}).status_code == 403, path
    assert len(door.read("/v1/keys")["items"]) == before
    made = signed_in.open("POST", "/v1/keys", json=wanted, headers={TOKEN_HEADER: signed_in.token()})
    assert made.status_code == 201


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 201),
        ({"Origin": "http://localhost"}, 201),
        ({"Origin": "https://localhost"}, 201),  # behind a proxy that ends TLS and does not say so
        ({"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}, 201),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "http://localhost.evil.example"}, 403),
        ({"Origin": "http://localhost:80"}, 201),
        ({"Origin": "https://localhost:443"}, 201),
        ({"Origin": "https://localhost", "Host": "localhost:443"}, 201),
        ({"Origin": "http://localhost:443"}, 403),
        ({"Origin": "http://localhost:8750"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"}, 403),
    ],
    ids=str,
)
def test_a_change_must_come_from_this_host(
    door: Door, signed_in: Browser, headers: dict[str, str], status: int
) -> None:
    headers = {TOKEN_HEADER: signed_in.token(), **headers}
    answer = signed_in.open("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]}, headers=headers)
    assert answer.status_code == status


def test_the_document_says_how_a_session_asks(door: Door, signed_in: Browser) -> None:
    told = door.read("/openapi.json")
    schemes = told["components"]["securitySchemes"]
    assert (schemes["session"]["in"], schemes["session"]["name"]) == ("cookie", COOKIE)
    assert (schemes["sessionToken"]["in"], schemes["sessionToken"]["name"]) == ("header", TOKEN_HEADER)
    assert told["security"] == [{"key": []}, {"session": []}]
    changing = [operation for path in told["paths"].values() for method, operation in path.items() if method in UNSAFE]
    assert len(changing) > 10
    for operation in changing:
        assert operation["security"] == [{"key": []}, {"session": [], "sessionToken": []}]
        assert "403" in operation["responses"]
    assert "not-from-here" in told["components"]["responses"]["NotAllowed"]["description"]


def test_a_key_goes_before_the_cookie_and_needs_no_token(door: Door, signed_in: Browser) -> None:
    headers = {"Authorization": f"Bearer {door.keys['erp']}"}
    answer = signed_in.open("POST", "/v1/events", json=cut("B"), headers=headers)
    assert answer.status_code == 202
    assert signed_in.get("/v1/keys", headers=headers).status_code == 403
    assert signed_in.get("/v1/keys", headers={"Authorization": "Bearer nonsense"}).status_code == 401


def test_only_a_key_goes_before_the_cookie(door: Door, signed_in: Browser) -> None:
    headers = {"Authorization": "Basic bWU6eA=="}  # what a proxy before the service asked for
    assert signed_in.get("/v1/jobs", headers=headers).status_code == 200
    refused = signed_in.open("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]}, headers=headers)
    assert refused.status_code == 403


# --- forms ------------------------------------------------------------------------------------------------------


def test_a_form_to_sign_in_that_another_site_sends_is_refused(door: Door, service: Any, browser: Browser) -> None:
    attacker = Browser(service)
    token = re.findall(r'name="csrf_token" value="(\w+)"', attacker.get("/sign-in").text)[0]
    browser.get("/sign-in")
    for fields, headers in (({}, HTML), ({"csrf_token": token}, HTML), ({"csrf_token": ""}, HTML)):
        answer = browser.open("POST", "/sign-in", data={"key": door.keys["admin"], **fields}, headers=headers)
        assert answer.status_code == 403
        assert browser.cookie() is None
    bare = Browser(service)  # without any cookie
    assert bare.open("POST", "/sign-in", data={"key": door.keys["admin"], "csrf_token": token}).status_code == 403


def test_a_form_to_sign_out_that_another_site_sends_is_refused(door: Door, signed_in: Browser) -> None:
    assert signed_in.open("POST", "/sign-out", data={}).status_code == 403
    assert signed_in.open("POST", "/sign-out", data={"csrf_token": "x"}).status_code == 403
    assert signed_in.get("/key").status_code == 200


def test_two_forms_open_at_once_both_serve(door: Door, browser: Browser) -> None:
    forms = [re.findall(r'name="csrf_token" value="(\w+)"', browser.get("/sign-in").text)[0] for _ in range(2)]
    for form in forms:
        answer = browser.open("POST", "/sign-in", data={"csrf_token": form, "key": door.keys["reader"]})
        assert answer.status_code == 303
    assert browser.get("/key").status_code == 200
