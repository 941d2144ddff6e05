"""Measure 6: the week's page on a year of the demo's shop: asked for the first time and again, and its weight."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from flask.testing import FlaskClient
from rich.console import Console

from demo.shop import Shop, make_shop
from service.app import create_app
from service.clock import now_us
from service.rates import Limits, Rates
from service.settling import settle
from tests.bench.figures import MILLISECONDS, Figure, in_ms
from tests.bench.progress import bar
from tests.builders import SITE, embedded, told
from worker.batches import in_batches
from worker.database import Database
from worker.findings import look
from worker.keys import new_key
from worker.shopcalendar import iso_week

MEASURE: Final = "6 week page"
#: First paint: what the server takes for the page.
MOST_MS: Final = 200
MOST_KILOBYTES: Final = 300
WEEKS: Final = 52
#: Weeks that are asked for, the latest complete ones.
ASKED: Final = 12
_BATCH: Final = 5_000
_FORMATS: Final = ("csv", "xlsx", "pdf")


def measure(folder: Path, console: Console, *, seed: int) -> list[Figure]:
    """The page of each week and its downloads in one process, without the network: beside one report of that week."""
    last_day = datetime.now(UTC).date() - timedelta(days=1)
    until = datetime.combine(last_day, datetime.min.time(), UTC) + timedelta(hours=20)
    shop = make_shop(seed, last_day=last_day, until=until, weeks=WEEKS)
    database = embedded(folder)
    try:
        _load(database, shop, console)
        client = create_app(database, nudge=lambda: None, rates=Rates(Limits(failures=0))).test_client()
        return _figures(client, _key(database), _weeks(last_day))
    finally:
        database.close()


def _load(database: Database, shop: Shop, console: Console) -> None:
    with database.write() as connection:
        settle(connection, SITE, shop.settings, source="/keys/bench", now_us=now_us())
    with bar(console, f"{shop.posted:,} events of {WEEKS} weeks", total=len(shop.events)) as advance:
        for batch in in_batches(shop.events, _BATCH):
            told(database, *batch)
            advance(len(batch))
    look(database, SITE, now_us=now_us())


def _key(database: Database) -> str:
    with database.write() as connection:
        text, _ = new_key(connection, name="bench", roles=["reader"], sites=[SITE], now_us=now_us())
    return text


def _weeks(last_day: date) -> list[str]:
    monday = last_day - timedelta(days=last_day.weekday())
    return [iso_week(monday - timedelta(weeks=ago)) for ago in range(1, ASKED + 1)]


def _figures(client: FlaskClient, key: str, weeks: list[str]) -> list[Figure]:
    report = "report yield against the weeks before"

    def ask(path: str) -> tuple[float, int]:
        began = time.perf_counter()
        answer = client.get(path, headers={"Authorization": f"Bearer {key}", "Accept": "text/html"})
        seconds, size = time.perf_counter() - began, len(answer.data)
        assert answer.status_code == 200, path
        return in_ms(seconds), size

    # Of a process that has just begun: templates, statements and the words of the language are read first.
    begun, _ = ask("/week?week=" + weeks[-1])
    first, again, beside, weights = [], [], [], []
    for week in weeks[:-1]:
        beside.append(ask(f"/v1/reports/yield?week={week}&against=baseline&format=json")[0])
        milliseconds, weight = ask(f"/week?week={week}")
        first.append(milliseconds)
        weights.append(weight)
        again.append(ask(f"/week?week={week}")[0])
    files = {ending: [ask(f"/week.{ending}?week={week}")[0] for week in weeks[:3]] for ending in _FORMATS}
    styles = sum(ask(f"/static/{name}.css")[1] for name in ("pages", "week"))
    floor = median(beside)
    kilobytes = (max(weights) + styles) / 1_000
    return [
        Figure(MEASURE, "the first request of a process", begun, MILLISECONDS, report, floor),
        Figure(MEASURE, "a week asked for the first time, p50", median(first), MILLISECONDS, report, floor,
               below=MOST_MS),
        Figure(MEASURE, "a week asked for again, p50", median(again), MILLISECONDS, report, floor, below=MOST_MS),
        *(Figure(MEASURE, f"its {ending}, p50", median(found), MILLISECONDS, report, floor)
          for ending, found in files.items()),
        Figure(MEASURE, "weight of the heaviest page with its styles", kilobytes, "kB", below=MOST_KILOBYTES),
    ]  # fmt: skip
