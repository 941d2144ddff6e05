"""The record of administration: each act is on it, by whom and when, never a secret; nothing is taken out of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import nullcontext
from hashlib import sha256
from itertools import count as counting
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import Connection, delete, func, insert, literal, select, text, update
from sqlalchemy.exc import DBAPIError

from service.cli import main
from tests.builders import NOW_US, event
from tests.conftest import Sites
from tests.service.conftest import Clock, Door, Service, cut, void
from worker.administration import ACTS, COMMAND_LINE, Actor, entries, record
from worker.database import DatabaseUnavailable
from worker.keys import ROLES
from worker.tables import APPEND_ONLY, administration, events

ME = Actor("k7m2q9xa", "the office")


@pytest.fixture
def door(service: Service, clock: Clock) -> Door:
    """A site with a key for each role, whose making is on its record."""
    return service.door(clock, made=ROLES)


def acts(door: Door, **asked: Any) -> list[dict[str, Any]]:
    """What is on record of the site since its keys were made, the oldest first."""
    items: list[dict[str, Any]] = door.read("/v1/administration", limit=500, **asked)["items"]
    return [one for one in reversed(items) if one["number"] > 6]


@pytest.fixture
def run(door: Door, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Runs a command over the database of the door."""
    for module in ("exporting", "importing", "keeping_keys", "voiding"):
        monkeypatch.setattr(f"service.commands.{module}.opened", lambda _: nullcontext(door.database))

    def command(*words: str) -> str:
        ran = CliRunner().invoke(main, words)
        assert ran.exit_code == 0, ran.output
        return ran.stdout

    return command


def admin_of(door: Door) -> dict[str, str]:
    return {"actor": door.keys["admin"].split("_")[1], "actor_name": "admin"}


BY_COMMAND = {"actor": None, "actor_name": "command line"}


# --- what is on it ----------------------------------------------------------------------------------------------


def test_a_site_begins_with_its_making_and_its_keys(door: Door) -> None:
    items = door.read("/v1/administration")["items"]
    assert [one["act"] for one in reversed(items)] == ["site.made", *["key.made"] * 5]
    assert [one["number"] for one in items] == [6, 5, 4, 3, 2, 1]
    assert {one["actor_name"] for one in items} == {"command line"}


def test_keys_made_replaced_and_revoked_are_on_record(door: Door) -> None:
    asked = {"name": "bay 2", "roles": ["terminal"], "source_prefix": "/t/2", "expires_at": "2027-03-02T00:00:00Z"}
    made = door.ask("POST", "/v1/keys", json=asked).get_json()
    door.clock.now_us += 60_000_000
    new = door.ask("POST", f"/v1/keys/{made['key_id']}/rotation", json={"overlap_hours": 1}).get_json()
    door.ask("DELETE", f"/v1/keys/{made['key_id']}")
    assert acts(door) == [
        admin_of(door) | {"number": 7, "at": "2027-01-15T08:00:00Z", "act": "key.made", "subject": made["key_id"],
                          "details": asked},
        admin_of(door) | {"number": 8, "at": "2027-01-15T08:01:00Z", "act": "key.rotated", "subject": made["key_id"],
                          "details": {"replaced_by": new["key_id"], "ends_at": "2027-01-15T09:01:00Z"}},
        admin_of(door) | {"number": 9, "at": "2027-01-15T08:01:00Z", "act": "key.revoked", "subject": made["key_id"],
                          "details": {"name": "bay 2"}},
    ]  # fmt: skip
    answer = door.get("/v1/administration")
    for secret in (made["key"], new["key"], door.keys["admin"]):
        assert secret.split("_", 2)[2] not in answer.text


def test_what_is_refused_leaves_no_trace(door: Door) -> None:
    key_id = door.keys["reader"].split("_")[1]
    assert door.ask("DELETE", f"/v1/keys/{key_id}").status_code == 204
    before = acts(door)
    for method, path, body in (
        ("DELETE", f"/v1/keys/{key_id}", {}),
        ("POST", f"/v1/keys/{key_id}/rotation", {}),
        ("POST", "/v1/sites", {"site": door.site}),
        ("PUT", f"/v1/sites/{door.site}", {"valid_from": "2026-03-02", "zone": "nowhere"}),
        ("POST", "/v1/keys", {"name": "x", "roles": ["boss"]}),
    ):
        assert door.ask(method, path, json=body).status_code >= 400
    assert acts(door) == before


def test_a_key_of_two_sites_is_on_the_record_of_each_which_does_not_tell_of_the_other(door: Door, service: Any) -> None:
    other = service.door(door.clock, made=ROLES)
    both = door.key("admin", sites=(door.site, other.site))
    asked = {"name": "x", "roles": ["reader"], "sites": [other.site, door.site]}
    made = door.ask("POST", "/v1/keys", key=both, json=asked).get_json()
    for one, its_other in ((door, other), (other, door)):
        (found,) = [act for act in acts(one, act="key.made") if act["subject"] == made["key_id"]]
        assert found["actor"] == both.split("_")[1]
        assert its_other.site not in json.dumps(found)


def test_sites_made_settings_changed_and_audits_started_are_on_record(door: Door) -> None:
    site = f"{door.site}-new"
    assert door.ask("POST", "/v1/sites", json={"site": site, "zone": "Europe/Berlin"}).status_code == 201
    made = reversed(door.read("/v1/administration", site=site)["items"])
    assert [(one["act"], one["subject"], one["actor_name"]) for one in made] == [
        ("site.made", site, "admin"), ("site.set", site, "admin")
    ]  # fmt: skip
    body = {"valid_from": "2026-03-02", "people": "drop", "zone": "UTC", "rates": None}
    changed = door.ask("PUT", f"/v1/sites/{door.site}", json=body).get_json()
    door.client.post(f"/v1/audit?site={door.site}", headers={"Authorization": f"Bearer {door.keys['admin']}"})
    assert [(one["act"], one["subject"], one["details"]) for one in acts(door, site=door.site)] == [
        ("key.widened", admin_of(door)["actor"], {"name": "admin"}),
        ("site.set", door.site,
         {"settings": ["people", "zone"], "valid_from": "2026-03-02", "event": changed["event"]["id"]}),
        ("audit.started", "1", {}),
    ]  # fmt: skip


def test_settings_that_come_by_the_door_of_events_are_on_record_as_all_others(door: Door) -> None:
    said = event("site.set", door.site, zone="Asia/Tokyo", valid_from="2026-03-02")
    sent = [said, cut("A"), said | {"data": said["data"] | {"zone": "UTC"}}]
    assert door.statuses(*sent) == ["accepted", "accepted", "conflict"]
    door.told(said)
    assert acts(door) == [
        admin_of(door) | {"number": 7, "at": "2027-01-15T08:00:00Z", "act": "site.set", "subject": door.site,
                          "details": {"settings": ["zone"], "valid_from": "2026-03-02", "event": said["id"]}}
    ]  # fmt: skip


def test_a_void_of_settings_is_on_record_and_one_of_anything_else_is_not(door: Door) -> None:
    door.set("2026-03-02", zone="Europe/Berlin")
    (settled,) = door.read("/v1/events", type="cutledger.site.set")["items"]
    mistaken, lost = cut("A"), cut("B")
    door.told(mistaken)
    # One with the id of the settings, from elsewhere
    lost |= {"id": settled["event"]["id"]}
    voids = [void(each, source="/office") for each in (settled["event"], mistaken, lost)]
    assert door.statuses(*voids) == ["accepted"] * 3
    assert door.statuses(*voids) == ["duplicate"] * 3
    assert [(one["act"], one["subject"], one["details"]) for one in acts(door)[1:]] == [
        ("site.unset", door.site, {"event": settled["event"]["id"], "void": voids[0]["id"]})
    ]


def test_settings_in_a_file_of_events_are_on_record(door: Door, run: Any, tmp_path: Any) -> None:
    file = tmp_path / "events.ndjson"
    said = event("site.set", door.site, zone="Asia/Tokyo", valid_from="2026-03-02")
    file.write_text("\n".join(json.dumps(each) for each in (said, void(said))))
    for _ in range(2):
        run("import", "--site", door.site, "--no-count", str(file))
    assert [(one["act"], one["actor_name"]) for one in acts(door)] == [
        ("site.set", "command line"), ("site.unset", "command line"), ("events.imported", "command line")
    ]  # fmt: skip


def test_settings_in_an_exported_ledger_are_on_record_where_it_is_imported(door: Door, run: Any, tmp_path: Any) -> None:
    door.set("2026-03-02", zone="Europe/Berlin")
    file, twin = tmp_path / "ledger.ndjson", f"{door.site}-twin"
    run("export", "--site", door.site, str(file))
    head, *lines = file.read_bytes().replace(door.site.encode(), twin.encode()).splitlines(keepends=True)
    body = b"".join([head, *lines[:-1]])
    closing = {"end": json.loads(lines[-1])["end"] | {"sha256": sha256(body).hexdigest()}}
    file.write_bytes(body + json.dumps(closing).encode() + b"\n")
    run("import", "--no-count", str(file))
    with door.database.read() as connection:
        found, _ = entries(connection, twin)
    assert [(one.act, one.actor) for one in reversed(found)] == [
        ("site.set", COMMAND_LINE), ("data.imported", COMMAND_LINE)
    ]  # fmt: skip


def test_an_import_that_is_broken_off_is_on_record_with_what_it_took(
    door: Door, run: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.taking.AT_ONCE", 2)
    done = counting()

    def checkpoint() -> None:
        if next(done):
            raise RuntimeError("out of power")

    monkeypatch.setattr(door.database, "checkpoint", checkpoint)
    file = tmp_path / "events.ndjson"
    file.write_text("\n".join(json.dumps(cut(name)) for name in "ABCDEF"))
    ran = CliRunner().invoke(main, ["import", "--site", door.site, "--no-count", str(file)])
    assert str(ran.exception) == "out of power"
    assert [(one["act"], one["details"]) for one in acts(door)] == [("events.imported", {"events": 4})]


def test_secrets_that_are_about_to_leave_are_on_record_whatever_becomes_of_the_file(
    door: Door, run: Any, tmp_path: Any
) -> None:
    file = tmp_path / "no such folder" / "with.ndjson"
    assert CliRunner().invoke(main, ["export", "--site", door.site, "--with-secrets", str(file)]).exit_code == 1
    assert [one["act"] for one in acts(door)] == ["data.exported"]


def test_commands_are_on_record_in_nobodys_name(door: Door, run: Any, tmp_path: Any) -> None:
    key_id = run("key", "new", "--name", "x", "--role", "reader", "--site", door.site).split("_")[1]
    new_id = run("key", "rotate", key_id).split("_")[1]
    run("key", "revoke", new_id)
    door.told(cut("A", source="/t/1"), cut("B", source="/t/1"))
    between = ("--from", "2026-03-04", "--to", "2026-03-05")
    voiding = ("void", "--site", door.site, "--source", "/t/1", *between, "--no-count")
    run(*voiding, "--dry-run")
    run(*voiding)
    run(*voiding)
    run("export", "--site", door.site, str(tmp_path / "without.ndjson"))
    run("export", "--site", door.site, "--with-secrets", str(tmp_path / "with.ndjson"))
    line = tmp_path / "events.ndjson"
    line.write_text(json.dumps(event("attempt.finished", "C", outcome="severed", quantity=1)))
    for more in (["--dry-run"], [], []):
        run("import", "--site", door.site, "--no-count", str(line), *more)
    found = acts(door)
    assert all(one.items() >= BY_COMMAND.items() for one in found)
    assert [(one["act"], one["subject"]) for one in found] == [
        ("key.made", key_id), ("key.rotated", key_id), ("key.revoked", new_id), ("events.voided", "/t/1"),
        ("data.exported", str(tmp_path / "with.ndjson")), ("events.imported", str(line)),
    ]  # fmt: skip
    assert found[3]["details"]["events"] == 2
    assert found[5]["details"] == {"events": 1}


# --- how it is read ---------------------------------------------------------------------------------------------


def test_it_is_read_page_by_page_newest_first(door: Door) -> None:
    for _ in range(3):
        door.ask("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]})
    numbers, pages, after = [], 0, {}
    while pages == 0 or after:
        answer = door.get("/v1/administration", limit=4, **after)
        page = answer.get_json()
        numbers += [one["number"] for one in page["items"]]
        pages += 1
        after = {"after": page["next"]} if page["next"] else {}
        assert ("Link" in answer.headers) == bool(after)
    assert (numbers, pages) == ([9, 8, 7, 6, 5, 4, 3, 2, 1], 3)


def test_it_is_read_by_act(door: Door) -> None:
    door.set("2026-03-02", zone="UTC")
    assert [one["act"] for one in acts(door, act="site.set")] == ["site.set"]
    assert len(door.read("/v1/administration", act=["site.set", "key.made"])["items"]) == 6
    wrong = door.get("/v1/administration", act="key.lost")
    assert (wrong.status_code, wrong.get_json()["errors"][0]["parameter"]) == (422, "act")


@pytest.mark.parametrize(
    "cursor", ["x", "YTE6", "YTE6LTE", "YTE6MA", "YTE6OTk5OTk5OTk5OTk5", "ZjE6Nw", "%00", "YTE6Nw=="]
)
def test_422_for_a_cursor_that_was_not_given(door: Door, cursor: str) -> None:
    assert door.get(f"/v1/administration?after={cursor}").status_code == 422


def test_it_is_kept_by_site(door: Door, service: Any) -> None:
    other = service.door(door.clock, made=ROLES)
    other.ask("POST", "/v1/keys", json={"name": "theirs", "roles": ["reader"]})
    assert acts(door) == []
    assert door.get("/v1/administration", site=other.site).status_code == 404


# --- it is only ever added to -----------------------------------------------------------------------------------


@pytest.mark.parametrize("table", APPEND_ONLY, ids=lambda table: table.name)
def test_the_database_refuses_to_change_or_remove_what_is_on_record(sites: Sites, table: Any) -> None:
    site = sites.new()
    if table is not administration:
        row = {column.name: site if column.name == "site" else 1 if column.type.python_type is int else "x"
               for column in table.columns}  # fmt: skip
        with sites.database.write() as connection:
            connection.execute(table.insert(), row)
    mine = table.c.site == site
    acts = [update(table).where(mine).values(number=9), delete(table).where(mine)]
    if not sites.database.is_sqlite:
        acts.append(text(f"TRUNCATE {table.name}"))
    else:
        there = select(*(literal("forged") if column.name == "subject" else column for column in table.c)).where(mine)
        acts.append(insert(table).prefix_with("OR REPLACE").from_select(list(table.c), there))
    for act in acts:
        with pytest.raises(DBAPIError, match=f"{table.name} is only ever added to"), sites.database.write() as writing:
            writing.execute(act)
    with sites.database.read() as connection:
        assert connection.execute(select(table.c.number).where(mine)).scalars().all() == [1]


def change(sites: Sites, site: str, meanwhile: Callable[[Connection], Any]) -> None:
    """Record a change; `meanwhile` is done in its transaction before, and may give an error to end it with after."""
    with sites.database.write() as connection:
        error = meanwhile(connection)
        record(connection, site, actor=ME, act="site.set", subject=site, now_us=NOW_US)
        if isinstance(error, Exception):
            raise error


def test_an_act_and_its_record_stand_or_fall_together(sites: Sites) -> None:
    site = sites.new()
    with pytest.raises(RuntimeError, match="changed its mind"):
        change(sites, site, lambda _: RuntimeError("changed its mind"))
    with sites.database.write() as connection:
        assert record(connection, site, actor=ME, act="site.set", subject=site, now_us=NOW_US) == 2
        found, following = entries(connection, site)
    assert [(one.number, one.actor, one.act) for one in found] == [(2, ME, "site.set"), (1, COMMAND_LINE, "site.made")]
    assert following is None


def test_an_act_without_a_name_is_not_recorded(sites: Sites) -> None:
    with sites.database.write() as connection, pytest.raises(ValueError, match=r"key\.made"):
        record(connection, "main", actor=ME, act="key.lost", subject="x", now_us=NOW_US)


def test_the_names_of_acts_fit_their_column() -> None:
    assert max(map(len, ACTS)) <= administration.c.act.type.length


def test_two_who_record_at_once_are_numbered_one_after_the_other(sites: Sites) -> None:
    if sites.database.is_sqlite:
        pytest.skip("a file has one writer at a time")
    site = sites.new()
    with sites.database.write() as one:
        assert record(one, site, actor=ME, act="site.set", subject=site, now_us=NOW_US) == 2
        with pytest.raises(DatabaseUnavailable, match="lock timeout"):
            change(sites, site, lambda other: other.execute(text("SET LOCAL lock_timeout = 50")))
    with sites.database.write() as other:
        assert record(other, site, actor=ME, act="site.set", subject=site, now_us=NOW_US) == 3


def test_the_record_is_no_part_of_the_ledger(door: Door) -> None:
    door.ask("POST", "/v1/keys", json={"name": "x", "roles": ["reader"]})
    with door.database.read() as connection:
        count = select(func.count()).select_from(events).where(events.c.site == door.site)
        assert connection.execute(count).scalar_one() == 0
