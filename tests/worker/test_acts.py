"""What people did about the figures is read off the ledger alone: in fold order, without what is voided."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

import pytest

from tests.builders import SITE, event, posted
from worker import ledger
from worker.acts import acts, checks
from worker.database import Database
from worker.events import HOLD, PLATE
from worker.tallies import bring_up_to_date

END = 2**62


def placed(hold: str, minute: int, **data: Any) -> dict[str, Any]:
    return event("hold.placed", hold, time=f"2026-03-02T08:{minute:02}:00+00:00", reason="pitted", **data)


def append(database: Database, told: Sequence[dict[str, Any]]) -> None:
    with database.write() as connection:
        ledger.append(connection, SITE, [posted(one) for one in told], received_us=1)


def read(database: Database, *, with_owed: bool = False) -> list[str]:
    with database.read() as connection:
        found = acts(connection, SITE, HOLD, upto=END, with_owed=with_owed)
        assert [act.event for act in found] == sorted(act.event for act in found)
        return [act.event.id for act in found]


def count(database: Database) -> None:
    with database.write() as connection:
        bring_up_to_date(connection, SITE, now_us=2)


def test_acts_are_the_same_in_whatever_order_they_came(database: Database) -> None:
    told = [placed(f"H{n % 3}", n, plate="P") | {"id": f"e{n}"} for n in range(9)]
    target = {"source": told[4]["source"], "id": "e4", "reason": "wrong"}
    told.append(event("event.voided", told[4]["subject"]) | {"id": "v", "data": target})
    Random(5).shuffle(told)
    append(database, told)
    assert read(database) == []
    owed = read(database, with_owed=True)
    count(database)
    assert read(database) == owed == [f"e{n}" for n in range(9) if n != 4]


def test_checks_are_those_since_an_instant(database: Database) -> None:
    some = {"checks": [{"what": "nozzle", "found": "replaced"}]}
    at = [f"2026-03-02T08:0{n}:00+00:00" for n in range(3)]
    told = [event("machine.checked", f"L{n % 2}", time=when, **some) | {"id": f"c{n}"} for n, when in enumerate(at)]
    append(database, told)
    count(database)
    with database.read() as connection:
        first = checks(connection, SITE, upto=END)
        assert [act.event.id for act in first] == ["c0", "c1", "c2"]
        later = checks(connection, SITE, upto=END, since_us=first[1].event.time_us)
        assert [act.event.id for act in later] == ["c1", "c2"]
        assert [act.event.id for act in checks(connection, SITE, upto=END, machine="L1")] == ["c1"]


def test_only_what_has_an_index_is_read(database: Database) -> None:
    with database.read() as connection, pytest.raises(ValueError, match=PLATE):
        acts(connection, SITE, PLATE, upto=END)
