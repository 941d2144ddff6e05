"""Jobs are read in lists of which no more attempts tell than fit into memory with ease."""

from __future__ import annotations

import pytest

from tests.builders import SITE, posted
from tests.service.conftest import cut
from worker import ledger
from worker.confirming import said
from worker.database import Database
from worker.tallies import bring_up_to_date


def test_all_jobs_come_once_in_order_and_no_list_is_too_long(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(said, "MOST_ATTEMPTS", 5)
    monkeypatch.setattr(said, "STATEMENT_VALUES", 3)
    attempts = {"J1": 2, "J2": 9, "J3": 1, "J4": 4, "J5": 1, "J6": 0, "J7": 0, "J8": 0, "J9": 0}
    told = [cut(f"{job}-{number}", job=job, good=1) for job, many in attempts.items() for number in range(max(1, many))]
    with database.write() as connection:
        ledger.append(connection, SITE, [posted(one) for one in told], received_us=1)
        bring_up_to_date(connection, SITE, now_us=2)
    with database.read() as connection:
        lists = list(said.jobs_together(connection, SITE))
    assert [job for some in lists for job in some] == sorted(attempts)
    for some in lists:
        assert len(some) == 1 or sum(max(1, attempts[job]) for job in some) <= 5
        assert len(some) <= 3
    assert ["J2"] in lists
