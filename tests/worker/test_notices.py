"""Notices: so many failures in succession, or among so few, ask for a look at once; an answer ends them."""

from __future__ import annotations

from random import Random

import pytest

from worker.notices import LOST_CUTS, PIERCES, Run, noticed
from worker.plausible_limits import Limits

LIMITS = Limits()


def runs(told: str) -> list[Run]:
    """A letter an attempt: g a good pierce, p a failed one, l a lost cut after a good pierce, T 20 good pierces."""
    made = {"g": (1, 0, False), "p": (1, 1, False), "l": (1, 0, True), "T": (20, 0, False)}
    return [Run(f"A{n:03}", n, *made[letter]) for n, letter in enumerate(told)]


@pytest.mark.parametrize(
    ("told", "codes"),
    [
        ("", []),
        ("gggggggggg", []),
        ("ggpp", []),
        ("ggppp", [PIERCES]),
        ("pgpgp", [PIERCES]),
        ("p" + "g" * 18 + "pp", []),
        ("p" + "g" * 17 + "pp", [PIERCES]),
        ("lll", [LOST_CUTS]),
        ("lglgl", [LOST_CUTS]),
        ("ll", []),
        ("pppT", []),
        ("pppgg", [PIERCES]),
        ("ppplll", [PIERCES, LOST_CUTS]),
    ],
)
def test_three_in_succession_or_three_in_twenty(told: str, codes: list[str]) -> None:
    assert [one.code for one in noticed("m", runs(told), LIMITS)] == codes


def test_a_series_that_goes_on_is_the_same_notice() -> None:
    notices = [next(noticed("m", runs("ppp" + "p" * more), LIMITS)) for more in range(3)]
    assert [one.last_attempt for one in notices] == ["A002", "A003", "A004"]
    assert len({one.id for one in notices}) == 1
    (later,) = noticed("m", runs("ppp"), LIMITS, looked_us=7)
    assert later.id != notices[0].id
    (first,) = noticed("m", runs("ppp"), LIMITS)
    (other,) = noticed("other", runs("ppp"), LIMITS)
    assert first.id != other.id
    assert first.id == next(iter(noticed("m", runs("ppp"), LIMITS))).id


def test_what_runs_in_control_is_seldom_noticed() -> None:
    """5,000 pierces of which 1 in 100 fails by chance: the rule is of a shop, and errs a little."""
    rng, alarms, since = Random(3), 0, 0
    pierces = [int(rng.random() < 0.01) for _ in range(5_000)]
    for end in range(1, len(pierces) + 1):
        newest = pierces[max(since, end - 40) : end]
        told = [Run(f"A{n}", n, 1, failed, False) for n, failed in enumerate(newest, since)]
        if list(noticed("m", told, LIMITS)):
            alarms, since = alarms + 1, end
    assert alarms <= 10
