"""The same events in any order, any batches: every report answers the same bytes, site and `as_of` aside."""

from __future__ import annotations

import json
import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from demo.shop import make_shop
from tests.builders import append, count, event
from tests.demo.shop_floor import until_us
from tests.service.conftest import Door, Service
from worker.folding import instant_us
from worker.reports.catalogue import REPORTS

LAST_DAY = date(2026, 3, 29)
#: A proof of what the shop cuts most of.
PLAN = event(
    "proof.planned", "PR-1", time="2026-03-17T06:00:00Z", source="/keys/office", reliability=0.9, confidence=0.9,
    failures_allowed=1, thickness_mm=40, machine="laser-15kw", material="S355J2+N", least_plates=3,
)  # fmt: skip
#: Whatever the reports can be told: each word of each option once, and divisions that need the attempts.
QUESTIONS = [
    (name, {option.name: word})
    for name, entry in REPORTS.items()
    for option in entry.options
    for word in getattr(option, "words", ())
    if name != "losses"
] + [
    *((name, {}) for name in REPORTS),
    *(
        (name, {"by": "machine,week"})
        for name in ("yield", "pierces", "rework", "losses", "retries", "edges", "sizes", "times")
    ),
    *((name, {"by": "heat_number"}) for name in ("yield", "pierces", "rework", "losses", "times")),
    *(("losses", {"by": word}) for word in ("stage", "term", "location", "cause")),
    *(("losses", {"by": "machine,term", "rank_by": word}) for word in ("parts", "minutes", "cost")),
]  # fmt: skip


def plan(door: Door) -> None:
    """Received first in each of them: it counts from its receipt on, of which report coverage tells too."""
    append(door.database, [PLAN], site=door.site, received_us=instant_us(PLAN["time"]))


@pytest.fixture(scope="module")
def doors(service: Service) -> list[Door]:
    """Three sites with the same two weeks of the invented shop, told in other orders and batches."""
    until = datetime.combine(LAST_DAY, datetime.min.time(), UTC) + timedelta(hours=20)
    shop = make_shop(3, last_day=LAST_DAY, until=until, weeks=2)
    made: list[Door] = []
    for seed in range(3):
        door = service.door()
        door.clock.now_us = until_us(shop)
        rng = random.Random(seed)
        events: list[Any] = list(shop.events)
        events = rng.sample(events, len(events)) if seed else events
        plan(door)
        while events:
            some = rng.randint(1, 700) if seed else len(events)
            append(door.database, events[:some], site=door.site)
            events = events[some:]
            if rng.random() < 0.7:
                count(door.database, site=door.site)
        count(door.database, site=door.site)
        made.append(door)
    return made


@pytest.mark.parametrize(("name", "asked"), QUESTIONS, ids=[f"{name}-{json.dumps(asked)}" for name, asked in QUESTIONS])
def test_a_report_is_the_same_bytes_whatever_the_order(doors: list[Door], name: str, asked: dict[str, str]) -> None:
    answers: set[str] = set()
    for door in doors:
        answer = door.get(f"/v1/reports/{name}", **{"from": "2026-03-16", "to": "2026-03-29"}, **asked)
        assert answer.status_code == 200, answer.text
        told = answer.get_json()
        assert told["rows"]
        assert told.pop("site") == door.site
        assert told.pop("as_of")["waiting"] == 0
        answers.add(answer.text.replace(door.site, "").partition('"rows"')[2])
    assert len(answers) == 1
