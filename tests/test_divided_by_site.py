"""An installation divided by site: each site, exported and imported elsewhere, answers there as it did at home."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import islice
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import quote

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Index, Table, UniqueConstraint, select

from demo.shop import make_shop
from service.acceptance import Judged, judge
from service.app import create_app
from service.commands.exporting import export
from service.commands.importing import import_
from service.sessions import COOKIE
from service.settling import note, people_of
from tests.builders import event
from tests.conftest import ENGINES, installation_on
from tests.event_sets import site_events
from tests.test_portable import ran
from tests.worker.state import state
from worker import answers as kept
from worker import ledger
from worker.database import Database
from worker.findings import look
from worker.folding import instant_us
from worker.installing import FIRST_SITE, add_site
from worker.keys import new_key
from worker.loop import count_owed, fold_again
from worker.portable_writing import count_events
from worker.publishing import publish_site
from worker.pushes import webhooks
from worker.reports.catalogue import REPORTS
from worker.tables import FOLD, LIVE, SHADOW, events, metadata, sites
from worker.tallies import audit

HOUR_US = 3_600_000_000
#: When each site is asked, which is after all that happened there: reports and findings depend on the running day.
ASKED = {
    "north": datetime(2026, 3, 29, 20, tzinfo=UTC),
    "south": datetime(2026, 3, 31, 15, tzinfo=UTC),
    "west": datetime(2026, 11, 4, 15, tzinfo=UTC),
}
SHOPS_END = ASKED["north"]
#: Numbers of shops of random events, which happen in the days before.
RANDOM_SHOPS = {"south": 37, "west": 53}
#: Two sites go to one installation, one to another.
TOGETHER, ALONE = ("north", "west"), ("south",)
PROOF = event(
    "proof.planned", "PR-1", time="2026-03-17T06:00:00Z", source="/keys/office", reliability=0.9, confidence=0.9,
    failures_allowed=1, thickness_mm=40, machine="laser-15kw", material="S355J2+N", least_plates=3,
)  # fmt: skip
#: Of the things in a list, which are all compared, one in so many is read by itself.
ONE_IN = 40


def us(moment: datetime) -> int:
    return int(moment.timestamp()) * 1_000_000


@cache
def events_of(site: str) -> list[dict[str, Any]]:
    """What each site says, in the order in which it arrives: an invented shop, and random events that meet."""
    if site in RANDOM_SHOPS:
        rng = Random(site)
        numbers = [rng.randrange(1, 2**16) for _ in range(600)]
        told = site_events(RANDOM_SHOPS[site], numbers, mismatched_voids=False)
        # Settings, and voids of them, are about the site that they are of.
        told = [each | {"subject": site} if each["subject"] == FIRST_SITE else each for each in told]
        rng.shuffle(told)
        return told
    shop = make_shop(3, last_day=SHOPS_END.date(), until=SHOPS_END, weeks=2)
    settings = event("site.set", site, time="2026-03-01T06:00:00Z", source="/keys/office", **shop.settings)
    return sorted([settings, PROOF, *shop.events], key=lambda each: instant_us(each["time"]))


def tell(database: Database, site: str, told: list[dict[str, Any]]) -> None:
    """Append events as the door would, each received a second after it happened."""
    with database.write() as connection:
        now_us = us(ASKED[site])
        people = people_of(connection, site, now_us=now_us)
        judged = [judge(each, now_us=now_us, people=people, pointer="") for each in told]
        fit = [each for each in judged if isinstance(each, Judged)]
        assert len(fit) == len(judged)
        # A void of a void is refused: there are some among the random ones.
        ledger.append(connection, site, fit, received_us=[each.time_us + 1_000_000 for each in fit])


def tell_by_turns(database: Database, share: slice) -> None:
    """A share of each site's events, some of one, then some of the next: their positions lie among each other's."""
    waiting = {site: iter(told[_part(share, len(told))]) for site, told in ((one, events_of(one)) for one in ASKED)}
    rng = Random(1)
    while waiting:
        for site in list(waiting):
            some = list(islice(waiting[site], rng.randint(50, 400)))
            if some:
                tell(database, site, some)
            else:
                del waiting[site]
        count_owed(database)


def _part(share: slice, whole: int) -> slice:
    return slice(*(None if bound is None else whole * bound // 100 for bound in (share.start, share.stop)))


# --- an installation, and those into which it is divided -----------------------------------------------------------


class Standing:
    """A clock that stands."""

    def __init__(self) -> None:
        self.now_us = 0

    def time_ns(self) -> int:
        return self.now_us * 1_000


@dataclass
class Installation:
    """One that is asked for the sites that it has."""

    database: Database
    client: FlaskClient
    key: str
    clock: Standing

    def ask(self, site: str, path: str, **query: Any) -> Any:
        self.clock.now_us = us(ASKED[site])
        headers = {"Authorization": f"Bearer {self.key}"}
        return self.client.get(path, headers=headers, query_string={"site": site, **query})

    def read(self, site: str, path: str, **query: Any) -> bytes:
        """An answer that must be 200, byte for byte."""
        answer = self.ask(site, path, **query)
        assert answer.status_code == 200, answer.text
        return bytes(answer.data)


@dataclass
class Divided:
    """The installation that had all sites, and where each of them is now."""

    home: Installation
    now_at: Mapping[str, Installation]
    #: What the commands said when each site was imported the first time, and once more at the end.
    said: Mapping[str, tuple[str, str]]


def serving(database: Database, clock: Standing) -> Installation:
    with database.write() as connection:
        names = [row.site for row in connection.execute(select(sites.c.site))]
        key, _ = new_key(connection, name="office", roles=["admin"], sites=names, now_us=us(SHOPS_END) - HOUR_US)
    return Installation(database, create_app(database, lambda: None).test_client(), key, clock)


@pytest.fixture(scope="module", params=ENGINES)
def divided(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Divided]:
    folder = tmp_path_factory.mktemp("divided")
    same, (other,) = request.param, [engine for engine in ENGINES if engine != request.param]
    clock = Standing()
    with (
        pytest.MonkeyPatch.context() as patch,
        installation_on(same, folder / "home", name="home") as home,
        installation_on(other, folder / "together", name="together") as together,
        installation_on(same, folder / "alone", name="alone") as alone,
    ):
        patch.setattr("service.clock.time", clock)
        # Each answer is of now, and nothing is written beside it.
        patch.setattr(kept, "KEPT_FROM_US", 10**12)
        patch.setattr("service.asking.later", lambda _: None)
        yield _divide(home, {**dict.fromkeys(TOGETHER, together), **dict.fromkeys(ALONE, alone)}, folder, clock)


def _divide(home: Database, goes_to: Mapping[str, Database], folder: Path, clock: Standing) -> Divided:
    """As the README says: export and import while the site goes on, then once more what came since."""
    with home.write() as connection:
        for site in ASKED:
            add_site(connection, site, now_us=us(SHOPS_END) - 60 * 24 * HOUR_US)
    tell_by_turns(home, slice(None, 80))
    clock.now_us = us(max(ASKED.values()))
    first = {site: _move(home, to, site, folder) for site, to in goes_to.items()}
    tell_by_turns(home, slice(80, None))
    _work_at(home)
    again = {site: _move(home, to, site, folder) for site, to in goes_to.items()}
    for site, to in goes_to.items():
        look(to, site, now_us=us(ASKED[site]))
    there = {id(to): serving(to, clock) for to in goes_to.values()}
    said = {site: (first[site], again[site]) for site in ASKED}
    return Divided(serving(home, clock), {site: there[id(to)] for site, to in goes_to.items()}, said)


def _move(home: Database, to: Database, site: str, folder: Path) -> str:
    file = folder / f"{site}.ndjson.gz"
    ran(export, home.url, "--site", site, "--with-secrets", file)
    return ran(import_, to.url, file)


def _work_at(home: Database) -> None:
    """What an installation does and has beside its ledger; a note on a finding is in the ledger."""
    for site, moment in ASKED.items():
        found = look(home, site, now_us=us(moment) - HOUR_US)
        with home.write() as connection:
            noted = {"owner": "tool shop", "note": "looked at it"}
            note(connection, site, found[0].id, noted, source="/keys/office", now_us=us(moment) - HOUR_US)
            webhooks.make(
                connection, site, name="board", url="https://192.0.2.7/hook", topics=["finding.opened"],
                created_by="", now_us=us(moment),
            )  # fmt: skip
    count_owed(home)
    assert list(publish_site(home, "north", now_us=us(SHOPS_END) + 48 * HOUR_US, most=1))


# --- the same answers ---------------------------------------------------------------------------------------------

#: What an answer tells of the installation, not of the site:
OF_THE_INSTALLATION = (
    # up to which position it has counted, and when it did: positions number all events of an installation;
    re.compile(rb'"as_of":\{[^{}]*\}'),
    # the position of an event;
    re.compile(rb'"position":\d+'),
    # when a look found something first, and when something else than before: each installation looks for itself;
    re.compile(rb'"(?:opened|updated)_at":"[^"]*"'),
    re.compile(rb'"change":"opened","at":"[^"]*"'),
    # and when it last did.
    re.compile(rb'"looked":\{[^{}]*\}'),
)


def of_the_site(answer: bytes) -> bytes:
    """An answer without what it tells of the installation."""
    for told in OF_THE_INSTALLATION:
        answer = told.sub(b"", answer)
    return answer


def same(before: bytes, after: bytes) -> bool:
    """True for answers that tell the same of the site; long ones are not shown side by side, which takes minutes."""
    return of_the_site(before) == of_the_site(after)


@pytest.mark.parametrize("site", ASKED)
@pytest.mark.parametrize("asked", [{}, {"from": "2026-01-01", "to": "2026-12-31"}], ids=["by itself", "of a year"])
def test_every_report_is_the_same_bytes(divided: Divided, site: str, asked: dict[str, str]) -> None:
    told = 0
    for name in REPORTS:
        path = f"/v1/reports/{name}"
        before, after = (each.read(site, path, **asked) for each in (divided.home, divided.now_at[site]))
        assert same(before, after), name
        told += b'"rows":[{' in before
    assert told > (len(REPORTS) // 2 if site == "north" else 0)


def pages(of: Installation, site: str, path: str, **query: Any) -> Iterator[Any]:
    """All pages of a list."""
    after: dict[str, str] = {}
    while True:
        answer = of.ask(site, path, limit=500, **query, **after)
        assert answer.status_code == 200, answer.text
        yield answer
        if answer.json["next"] is None:
            return
        after = {"after": answer.json["next"]}


@pytest.mark.parametrize("site", ASKED)
@pytest.mark.parametrize(
    ("things", "name", "below"),
    [
        ("jobs", "job", ("", "/events")),
        ("plates", "plate", ("", "/events", "/precheck")),
        ("attempts", "attempt", ("", "/events")),
        ("findings?state=all", "id", ("",)),
        ("proofs", "id", ("",)),
        ("trials", "id", ("",)),
    ],
)  # fmt: skip
def test_all_that_stands_is_the_same_bytes(
    divided: Divided, site: str, things: str, name: str, below: tuple[str, ...]
) -> None:
    here, there = divided.home, divided.now_at[site]
    path, _, state_ = things.partition("?state=")
    query = {"state": state_} if state_ else {}
    before = list(pages(here, site, f"/v1/{path}", **query))
    after = list(pages(there, site, f"/v1/{path}", **query))
    assert len(before) == len(after)
    assert all(same(first.data, second.data) for first, second in zip(before, after, strict=True))
    ids = [item[name] for page in before for item in page.json["items"]]
    assert ids or (site != "north" and things in ("proofs", "trials"))
    for each in ids[::ONE_IN]:
        for more in below:
            one = f"/v1/{path}/{quote(each, safe='')}{more}"
            first, second = here.ask(site, one), there.ask(site, one)
            assert first.status_code == second.status_code, one
            assert same(first.data, second.data), one


@pytest.mark.parametrize("site", ASKED)
def test_the_feed_the_settings_and_what_planning_is_told_are_the_same(divided: Divided, site: str) -> None:
    here, there = divided.home, divided.now_at[site]
    for path, query in (
        ("/v1/events", {"limit": 500}),
        (f"/v1/sites/{site}", {}),
        ("/v1/plan", {"parts": 12, "material": "S355J2+N", "thickness_mm": 20}),
    ):
        before, after = (each.read(site, path, **query) for each in (here, there))
        # Where the feed goes on is a position too, written as a cursor.
        before, after = (re.sub(rb'"next":"\w+"', b"", each) for each in (before, after))
        assert same(before, after), path


@pytest.mark.parametrize("site", ASKED)
def test_rows_are_the_same_and_an_audit_is_equal(divided: Divided, site: str) -> None:
    there = divided.now_at[site].database
    assert audit(there, site).equal
    states = []
    for each in (divided.home.database, there):
        with each.read() as connection:
            states.append(state(connection, site))
    assert [name for name in states[0] if states[0][name] != states[1][name]] == []
    assert states[0]["attempts"]


@pytest.mark.parametrize("site", ASKED)
def test_a_site_that_was_imported_is_counted_and_not_once_more(
    divided: Divided, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = divided.now_at[site].database
    with there.read() as connection:
        assert connection.execute(select(sites.c.fold).where(sites.c.site == site)).scalar_one() == FOLD
    monkeypatch.setattr("worker.loop.tallies.rebuild", pytest.fail)
    fold_again(there)
    assert count_owed(there) == 0


@pytest.mark.parametrize("site", ASKED)
def test_a_second_move_brings_only_what_came_since(divided: Divided, site: str) -> None:
    first, again = (
        tuple(int(found.replace(",", "")) for found in re.findall(r"([\d,]+) (?:events accepted|there before)", said))
        for said in divided.said[site]
    )
    with divided.home.database.read() as connection:
        whole = count_events(connection, [site])
    assert first[1] == 0 < first[0]
    assert again == (whole - first[0], first[0])
    assert again[0] > 0


def test_an_installation_has_nothing_of_a_site_that_went_elsewhere(divided: Divided) -> None:
    for each in divided.now_at.values():
        mine = {FIRST_SITE} | {site for site, there in divided.now_at.items() if there is each}
        with each.database.read() as connection:
            for table in metadata.tables.values():
                if "site" in table.c:
                    assert {row.site for row in connection.execute(select(table.c.site).distinct())} <= mine, table


# --- what is not moved --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("site", ASKED)
def test_keys_sessions_webhooks_the_record_and_published_weeks_stay_at_home(divided: Divided, site: str) -> None:
    here, there = divided.home, divided.now_at[site]
    stranger = Installation(there.database, there.client.application.test_client(), here.key, here.clock)
    assert stranger.ask(site, "/v1/jobs").status_code == 401
    browser, elsewhere = (each.client.application.test_client() for each in (here, there))
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', browser.get("/sign-in").text)
    assert browser.post("/sign-in", data=dict(hidden) | {"key": here.key}).status_code == 303
    session = browser.get_cookie(COOKIE)
    assert session is not None
    elsewhere.set_cookie(COOKIE, session.value)
    signed_in = [each.get(f"/v1/jobs?site={site}").status_code for each in (browser, elsewhere)]
    assert signed_in == [200, 401]
    assert here.ask(site, "/v1/webhooks").json["items"]
    assert there.ask(site, "/v1/webhooks").json["items"] == []
    acts = [
        {item["act"] for page in pages(each, site, "/v1/administration") for item in page.json["items"]}
        for each in (here, there)
    ]
    assert {"site.made", "data.exported"} <= acts[0]
    # Changes of settings are events: they are on the record of whoever takes them.
    assert acts[1] - {"site.set", "site.unset"} == {"data.imported", "key.made"}
    weeks = [each.ask(site, "/v1/reports").json["published_weeks"] for each in (here, there)]
    assert bool(weeks[0]) is (site == "north")
    assert weeks[1] == []


@pytest.mark.parametrize("site", ASKED)
def test_confirmations_add_up_to_the_same_under_a_series_of_their_own(divided: Divided, site: str) -> None:
    here, there = divided.home, divided.now_at[site]
    jobs = [item["job"] for page in pages(here, site, "/v1/jobs") for item in page.json["items"]]
    for job in jobs[::ONE_IN]:
        path = f"/v1/jobs/{quote(job, safe='')}/confirmations"
        before, after = (each.ask(site, path).json for each in (here, there))
        assert before["total"] == after["total"]
        assert before["series"] != after["series"]
        assert there.ask(site, path, after=0, series=before["series"]).status_code == 409


# --- the site comes first -----------------------------------------------------------------------------------------

#: Tables and keys that do not begin with the site, and why.
EXCEPTIONS = {
    "installation": "one row, about the installation itself",
    "keys": "a key may be for several sites of an installation; key_sites says for which",
    "key_sites": "begins with the key, which is what a request brings; by site there is an index",
    "ended_sessions": "sessions are of keys",
}
#: The ledger's primary key is the position, which numbers the events of all sites; no figure is made of it.
LEDGER = events.name


def keys_of(table: Table) -> Iterator[tuple[str, list[str]]]:
    """(name, columns) of each key and index of a table."""
    yield "primary key", [column.name for column in table.primary_key.columns]
    for one in (*table.indexes, *table.constraints):
        if isinstance(one, Index | UniqueConstraint):
            yield str(one.name), [column.name for column in one.columns]


@pytest.mark.parametrize("table", [*metadata.tables.values(), *SHADOW.all], ids=lambda table: table.name)
def test_each_key_and_index_of_a_table_begins_with_the_site(table: Table) -> None:
    others = {name: columns for name, columns in keys_of(table) if columns[0] != "site"}
    if table.name == LEDGER:
        assert others == {"primary key": ["position"]}
    elif table.name in EXCEPTIONS:
        assert "primary key" in others
    else:
        assert others == {}
    # A reference could lead from one site to another.
    assert not table.foreign_keys


def test_what_does_not_begin_with_the_site_is_neither_ledger_nor_derived() -> None:
    assert EXCEPTIONS.keys() <= metadata.tables.keys()
    assert not EXCEPTIONS.keys() & {LEDGER, *(table.name for table in LIVE.all)}
    assert dict(keys_of(metadata.tables["key_sites"]))["ix_key_sites_site_key_id"] == ["site", "key_id"]
