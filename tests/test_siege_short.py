"""A short siege: slow clients of every kind are open, many times the threads, while others are answered."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.builders import installed
from tests.service.serving import key_for, serving, wait_until
from tests.siege.__main__ import Stage, faults_of, taken
from tests.siege.attacking import NOTHING, Slow, answer_to, deep, head
from tests.siege.others import User

SLOW = 45
REQUESTS = 12


def test_others_are_answered_while_slow_clients_hold_their_connections(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    database = installed(f"sqlite:///{tmp_path / 'data' / 'cutledger.sqlite3'}")
    with serving(tmp_path, "--quiet") as server:
        key = key_for(database, "erp")
        database.close()
        slow = Slow(server.port, key, SLOW)
        slow.settle()
        wait_until(lambda: taken(server.port) >= SLOW, what="all slow clients' connections are taken")
        users = [User(server.port, key, f"user-{at}", keeps=at == 0) for at in range(2)]
        for user in users:
            user.until(threading.Event(), requests=REQUESTS)
        assert [user.seen.failures for user in users] == [[], []]
        assert [len(user.seen.seconds) for user in users] == [REQUESTS, REQUESTS]
        assert slow.open == SLOW
        body = deep()
        assert answer_to(server.port, head(key, len(body)) + body) == "400"
        slow.close()
        assert server.end() == 0
    assert "Traceback" not in server.log


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({}, ""),
        ({"attack_answers": {"413": 3, "503": 1, "cut off": 2, "open at the end": 9}}, ""),
        ({"requests": 0}, "nobody was answered"),
        ({"failures": ["503"]}, "1 of others failed"),
        ({"same_processes": False}, "a process of the service died"),
        ({"attack_answers": {"502": 1}}, "the attacker was answered: 502"),
        ({"attack_answers": {NOTHING: 1}}, "closed without an answer"),
    ],
    ids=["none", "refused", "nobody", "others", "process", "5xx", "no answer"],
)
def test_a_siege_says_what_should_not_have_been(change: dict[str, Any], fault: str) -> None:
    calm = Stage("calm", 9, 1.0, 2.0, 3.0, [], {}, 90.0, 4, 4, same_processes=True)
    found = faults_of([replace(calm, **change)])
    assert [fault in each for each in found] == ([True] if fault else [])
