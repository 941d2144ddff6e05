"""Who may do what with whose: each operation of the API document x each caller x own and foreign.

Broken object level authorisation and broken function level authorisation: API1 and API5 of the OWASP API Security Top
10 (2023). What a caller may follows from RIGHTS, which is written by hand; what there is to call from the document.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote

import pytest
from werkzeug.test import TestResponse

from service import asking
from tests.builders import NOW_US
from tests.service import described
from tests.service.answer_cases import LEAST, add_webhook
from tests.service.conftest import Clock, Door, Service, cut, opened, received, statements
from tests.service.test_keys_and_roles import RIGHTS
from worker.keys import ROLES, new_key, revoke
from worker.reports.reading import instant
from worker.tables import metadata

ALLOWED = {(method, path): roles for method, path, roles in RIGHTS}
OPERATIONS = described.operations()
GUARDED = sorted(name for name, (_, _, told) in OPERATIONS.items() if told.get("security") != [])
#: The source that the terminals of these tests speak for, and whose attempts they see.
SOURCE = "/terminals/bay-1"
#: Headers that tell one answer from the next alike one.
PASSING = {"X-Request-Id", "RateLimit", "ETag"}

# --- things to ask for ------------------------------------------------------------------------------------------

#: Parameter of a path -> how one thing of that kind is made for a site; its id.
OBJECTS: dict[str, Callable[[Door], str]] = {}


def makes(name: str) -> Callable[[Callable[[Door], str]], Callable[[Door], str]]:
    """Name the parameter of a path that a maker of things is for."""

    def register(maker: Callable[[Door], str]) -> Callable[[Door], str]:
        OBJECTS[name] = maker
        return maker

    return register


def _said(kind: str, name: str) -> Callable[[Door], str]:
    """Jobs, plates and attempts are named by whoever says something of them: with the site in it, none is alike."""
    say: dict[str, Callable[..., Any]] = {"job": opened, "plate": received, "attempt": cut}

    def make(door: Door) -> str:
        subject = f"{name}-{door.site}"
        of = {"job": f"J-{door.site}", "plate": f"P-{door.site}"} if kind == "attempt" else {}
        door.told(say[kind](subject, **of))
        return subject

    return make


OBJECTS |= {kind: _said(kind, name) for kind, name in (("job", "J"), ("plate", "P"), ("attempt", "A"))}


@makes("finding_id")
def _finding(door: Door) -> str:
    for index in "ab":
        door.told(cut(f"{index}-{door.site}", source=SOURCE, machine=f"M-{door.site}", quantity=1, seconds=60))
    return str(door.findings(state="all")[0]["id"])


@makes("proof")
def _proof(door: Door) -> str:
    """One trial decides it, and did: a dossier is of what is proven."""
    plan = {"reliability": 0.5, "confidence": 0.5, "thickness_mm": 20, "machine": "laser-1", "material": "S355"}
    name = str(door.ask("POST", "/v1/proofs", json=plan).get_json()["id"])
    when = instant(door.clock.now_us).isoformat()
    door.told(cut(f"T-{door.site}", source=SOURCE, time=when, machine="laser-1", quantity=1, good=1))
    return name


@makes("hold")
def _hold(door: Door) -> str:
    held = {"plate": "P", "reason": "pitted"}
    return str(door.ask("POST", "/v1/holds", json=held).get_json()["id"])


#: The least that a trial can be planned with.
TRIAL = {
    "question": "?", "thickness_mm": 20, "machine": "laser-1", "material": "S355", "response": "first_pass",
    "factors": [{"name": "focus_mm", "levels": [-1, 1]}],
}  # fmt: skip


@makes("trial")
def _trial(door: Door) -> str:
    return str(door.ask("POST", "/v1/trials", json=TRIAL).get_json()["id"])


@makes("key_id")
def _key(door: Door) -> str:
    return door.key("reader").split("_")[1]


@makes("site")
def _site(door: Door) -> str:
    return door.site


@makes("webhook")
def _webhook(door: Door) -> str:
    return add_webhook(door.database, site=door.site)


@makes("number")
def _delivery(_: Door) -> str:
    return "1"


#: (site, parameter) -> id of what was made for it and is there still.
MADE: dict[tuple[str, str], str] = {}
#: A report is no thing of a site.
OBJECTS["name"] = lambda _: "yield"


# --- callers ----------------------------------------------------------------------------------------------------


def _revoked(door: Door) -> str:
    with door.database.write() as connection:
        text, key = new_key(connection, name="revoked", roles=["admin"], sites=[door.site], now_us=NOW_US)
        revoke(connection, key.key_id, now_us=NOW_US)
    return text


#: Caller -> its key for a site.
CALLERS: dict[str, Callable[[Door], str | None]] = {
    **{role: (lambda door, role=role: door.key(role, prefix=SOURCE if role == "terminal" else None)) for role in ROLES},
    "bound admin": lambda door: door.key("admin", prefix=SOURCE),
    "no key": lambda _: None,
    "expired key": lambda door: door.key("admin", expires_us=NOW_US),
    "revoked key": _revoked,
    "unknown key": lambda _: "cut_aaaaaaaa_no-such-key",
}
#: Callers who hold roles; of the others each is refused.
HOLD = {role: {role} for role in ROLES} | {"bound admin": {"admin"}}


#: (site, caller) -> its key.
KEYS: dict[tuple[str, str], str | None] = {}


def key_of(caller: str, door: Door, operation_id: str) -> str | None:
    """The key of a caller for a site; one of its own where the operation gives it another site."""
    if operation_id == "post_site":
        return CALLERS[caller](door)
    if (door.site, caller) not in KEYS:
        KEYS[door.site, caller] = CALLERS[caller](door)
    return KEYS[door.site, caller]


@pytest.fixture(autouse=True)
def _keys_are_read_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "REMEMBERED_SECONDS", -1.0)


@pytest.fixture(scope="module")
def shops(service: Service) -> Iterator[tuple[Door, Door]]:
    """Two sites, each with one thing of each kind."""
    MADE.clear()
    KEYS.clear()
    with pytest.MonkeyPatch.context() as patched:
        clock = Clock()
        patched.setattr("service.clock.time", clock)
        doors = service.door(clock), service.door(clock)
        for door in doors:
            for kind in ("job", "plate", "attempt"):
                OBJECTS[kind](door)
            # What LEAST asks about; so alike at both sites that the one must not be told for the other
            door.told(received("P-77"), cut("A-5001", machine="laser-2", plate="P-77"))
            door.set(webhook_hosts=["10.20.0.0/16"])
            assert door.ask("POST", "/v1/audit").status_code == 202
        yield doors
        for door in doors:
            audited(door)


# --- asking -----------------------------------------------------------------------------------------------------


def place(operation_id: str) -> tuple[str, str, list[str]]:
    """(method, path, names in it)."""
    path, method, _ = OPERATIONS[operation_id]
    return method.upper(), path, re.findall(r"{(\w+)}", path)


def things(operation_id: str, door: Door) -> dict[str, str]:
    """Id of one thing of a site for each parameter of a path."""
    _, _, names = place(operation_id)
    missing = [name for name in names if name not in OBJECTS]
    assert not missing, f"say in OBJECTS of {__name__} how a thing for {missing} is made: {operation_id} is about it"
    for name in names:
        if (door.site, name) not in MADE:
            MADE[door.site, name] = OBJECTS[name](door)
    return {name: MADE[door.site, name] for name in names}


def audited(door: Door) -> None:
    """Wait until no audit of a site runs, of which the first may not have begun yet."""
    deadline = time.monotonic() + 60
    while door.get("/v1/audit").get_json().get("running", True) and time.monotonic() < deadline:
        time.sleep(0.01)


def body_of(operation_id: str) -> dict[str, Any]:
    """A body that the document gives as an example, as what to send."""
    told = OPERATIONS[operation_id][2].get("requestBody")
    if told is None:
        return {}
    content = told["content"]["application/json"]
    shown = [described.resolved(each)["value"] for each in content.get("examples", {}).values()]
    return {"json": content.get("example", shown[0] if shown else None)}


def query_of(operation_id: str) -> str:
    # A second change of a secret within the overlap of the first is refused otherwise
    return LEAST.get(operation_id, "at_once=true" if operation_id == "post_webhook_rotation" else "")


def ask(
    door: Door, operation_id: str, key: str | None, places: dict[str, str], *, site: str | None = None
) -> TestResponse:
    method, path, _ = place(operation_id)
    if operation_id == "post_audit" and site in (None, door.site):
        audited(door)
    query = "&".join(part for part in (query_of(operation_id), f"site={site}" if site else "") if part)
    if operation_id in BEFORE:
        BEFORE[operation_id](door, site)
    address = path.format(**{name: quote(value, safe="") for name, value in places.items()})
    answer = door.ask(method, f"{address}?{query}", key=key, **BODIES.get(operation_id, body_of)(operation_id))
    if answer.status_code < 300 and (method == "DELETE" or (method == "POST" and "key_id" in places)):
        for kept in [each for each, name in MADE.items() if name in places.values()]:
            del MADE[kept]
    return answer


def _release(door: Door, site: str | None) -> None:
    place = {"machine": "laser-2", "material": "S355J2+N", "thickness_mm": 20, "gas": "oxygen"}
    told = place | {"recipe": {"name": "R", "revision": "A"}, "reason": "proven"}
    key = door.key("admin", sites=(site or door.site,))
    door.ask("POST", "/v1/releases", key=key, json=told)


#: What must be there before an operation can do anything.
BEFORE: dict[str, Callable[[Door, str | None], None]] = {"post_release_withdrawal": _release}
#: Bodies for which the example of the document will not do: it would be refused for what the site holds.
BODIES: dict[str, Callable[[str], dict[str, Any]]] = {
    "post_events": lambda _: {"json": cut(source=SOURCE)},
    "post_webhook": lambda _: {"json": {"name": "x", "url": "https://10.20.0.7/pushes", "topics": ["job.ended"]}},
    "post_key": lambda _: {"json": {"name": "x", "roles": ["reader"]}},
    "post_site": lambda _: {"json": {"site": f"made-{next(_numbers)}"}},
    "post_trial": lambda _: {"json": TRIAL},
    "post_proof": lambda _: {
        "json": {"reliability": 0.9, "confidence": 0.9, "thickness_mm": 20, "machine": "M", "material": "S355"}
    },
}
_numbers = iter(range(1, 10**6))


def told_successes(operation_id: str) -> set[int]:
    return {status for status in described.responses(operation_id) if status < 300}


def takes_site(operation_id: str) -> bool:
    return any(
        described.resolved(each)["name"] == "site" and described.resolved(each)["in"] == "query"
        for each in OPERATIONS[operation_id][2].get("parameters", [])
    )


def alike(foreign: TestResponse, unknown: TestResponse, names: dict[str, str]) -> bool:
    """True when two answers are the same to the byte, but for the name of the request and the ids asked for."""
    bodies = []
    for answer in (foreign, unknown):
        text = re.sub(r"urn:uuid:[0-9a-f-]{36}", "", answer.text)
        for one, other in names.items():
            text = text.replace(one, other)
        bodies.append(text)
    headers = [[(k, v) for k, v in answer.headers if k not in PASSING] for answer in (foreign, unknown)]
    return bodies[0] == bodies[1] and headers[0] == headers[1]


def unlike(name: str) -> str:
    """An id of the same length that nothing has."""
    return "".join("zq"[each == "z"] if each.isalnum() else each for each in name)


# --- the matrix -------------------------------------------------------------------------------------------------


def test_table_of_rights_holds_every_operation() -> None:
    told = {(method.upper(), re.sub(r"{\w+}", "x", path)) for path, method, _ in OPERATIONS.values()}
    guarded = {(method, re.sub(r"{\w+}", "x", path)) for method, path, _ in map(place, GUARDED)}
    assert guarded == {(method, path) for method, path in ALLOWED if path.startswith(("/v1/", "/metrics"))}
    assert guarded <= told


@pytest.mark.parametrize("operation_id", GUARDED)
def test_document_tells_the_roles_of_the_table(operation_id: str) -> None:
    method, path, _ = place(operation_id)
    told = OPERATIONS[operation_id][2]
    assert set(told["x-roles"]) == ALLOWED[method, re.sub(r"{\w+}", "x", path)]
    assert f"Roles: {', '.join(told['x-roles'])}." in told["description"]


@pytest.mark.parametrize("operation_id", GUARDED)
def test_each_caller_may_what_its_roles_allow(shops: tuple[Door, Door], clock: Clock, operation_id: str) -> None:
    own, _ = shops
    method, path, _ = place(operation_id)
    allowed = ALLOWED[method, re.sub(r"{\w+}", "x", path)]
    for caller in CALLERS:
        answer = ask(own, operation_id, key_of(caller, own, operation_id), things(operation_id, own))
        if caller not in HOLD:
            assert answer.status_code == 401, (caller, answer.text)
            assert answer.headers["WWW-Authenticate"].startswith("Bearer"), caller
        elif HOLD[caller] & allowed:
            assert answer.status_code in told_successes(operation_id), (caller, answer.text)
        else:
            assert (answer.status_code, answer.get_json()["type"]) == (403, "urn:cutledger:problem:not-allowed"), caller


@pytest.mark.parametrize("operation_id", GUARDED)
def test_foreign_is_answered_like_unknown(shops: tuple[Door, Door], clock: Clock, operation_id: str) -> None:
    own, other = shops
    method, path, names = place(operation_id)
    for role in sorted(ALLOWED[method, re.sub(r"{\w+}", "x", path)]):
        key = key_of(role, own, operation_id)
        if takes_site(operation_id):
            places = things(operation_id, own)
            foreign, unknown = (
                ask(own, operation_id, key, places, site=site) for site in (other.site, unlike(other.site))
            )
            assert (foreign.status_code, unknown.status_code) == (404, 404), (role, foreign.text, unknown.text)
            assert alike(foreign, unknown, {other.site: unlike(other.site)}), role
        for name in set(names) - {"name"}:
            others = things(operation_id, other)
            nobodys = others | {name: unlike(others[name])}
            foreign, unknown = (ask(own, operation_id, key, places) for places in (others, nobodys))
            assert (foreign.status_code, unknown.status_code) == (404, 404), (role, foreign.text, unknown.text)
            assert alike(foreign, unknown, {others[name]: nobodys[name]}), (role, foreign.text, unknown.text)


@pytest.mark.parametrize("operation_id", [each for each in GUARDED if takes_site(each)])
def test_a_key_of_two_sites_names_the_one_it_means(shops: tuple[Door, Door], clock: Clock, operation_id: str) -> None:
    own, other = shops
    for door in (own, other):
        key = own.key("admin", sites=(own.site, other.site))
        answer = ask(own, operation_id, key, things(operation_id, door), site=door.site)
        assert answer.status_code in told_successes(operation_id), answer.text
    answer = ask(own, operation_id, key, things(operation_id, other))
    if answer.status_code not in told_successes(operation_id):
        assert answer.status_code == 422, answer.text
        assert "site" in json.dumps(answer.get_json()["errors"])


# --- by which statements ----------------------------------------------------------------------------------------

#: Tables whose rows belong to a site, but for what is looked up to know the key that asks.
BOUND = sorted(table.name for table in metadata.sorted_tables if "site" in table.c and table.name != "key_sites")
#: These speak of more than one site: one makes a site; one writes the rows of all sites anew, so that no page of the
#: file keeps a copy of what is destroyed.
OF_MORE_SITES = {"post_site", "post_people_unlinking"}
#: Where the next position of the ledger is taken: a number, of which all sites have theirs.
COUNTERS = ("sqlite_sequence", "pg_get_serial_sequence")


def test_every_statement_of_a_request_is_bound_to_the_site_that_it_asks_for(shops: tuple[Door, Door]) -> None:
    own, foreign = shops
    both = own.key("admin", sites=(own.site, foreign.site))
    seen = {"read": 0, "written": 0}
    for operation_id in GUARDED:
        _, path, _ = place(operation_id)
        if not path.startswith("/v1/") or operation_id in OF_MORE_SITES:
            continue
        places = things(operation_id, own)
        for door in shops:
            audited(door)
        with statements(own.database) as asked:
            answer = ask(own, operation_id, both, places, site=own.site)
        assert answer.status_code < 500, (operation_id, answer.text)
        for one in asked:
            verb = one.text.split(maxsplit=1)[0].upper()
            if any(counter in one.text for counter in COUNTERS):
                continue
            if verb in ("SELECT", "WITH", "INSERT", "UPDATE", "DELETE") and any(
                re.search(rf"\b{table}\b", one.text) for table in BOUND
            ):
                seen["read" if verb in ("SELECT", "WITH") else "written"] += 1
                assert foreign.site not in one.values, (operation_id, one.text)
                assert own.site in one.values, (operation_id, one.text)
    assert seen["read"] > 100
    assert seen["written"] > 15
