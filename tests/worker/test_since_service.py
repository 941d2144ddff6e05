"""Use since a service: the fold over attempts beside a walk over them one by one."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from worker.reports.since_service import Attempts, since_service

#: (microseconds since the one before began, pierces, milliseconds), so that some begin at one instant.
GAPS = st.lists(st.tuples(st.integers(0, 3), st.integers(0, 20), st.integers(0, 9)), min_size=1, max_size=30)
TIMES = st.lists(st.integers(-5, 60), max_size=8, unique=True).map(sorted)


def told(gaps: list[tuple[int, int, int]]) -> Attempts:
    started = np.cumsum([gap for gap, _, _ in gaps])
    pierces, ms = (np.array([each[place] for each in gaps], dtype=np.int64) for place in (1, 2))
    nought = np.zeros(len(gaps), dtype=np.int64)
    return Attempts(started, pierces, nought, nought, ms, *[nought] * 7)


def walked(attempts: Attempts, times: list[int], before: tuple[int, int]) -> list[tuple[int, int, int]]:
    """(stretch, pierces, milliseconds) that each attempt finds, by the words of the rule."""
    found = []
    for place, began in enumerate(attempts.started_us.tolist()):
        earlier = [number for number, time in enumerate(times) if time <= began]
        if not earlier:
            found.append((-1, 0, 0))
            continue
        in_stretch = [other for other in range(place) if attempts.started_us[other] >= times[earlier[-1]]]
        carried = before if times[earlier[-1]] <= attempts.started_us[0] else (0, 0)
        pierces, ms = (
            int(sum(amounts[other] for other in in_stretch)) + more
            for amounts, more in zip((attempts.pierces, attempts.ms), carried, strict=True)
        )
        found.append((earlier[-1], pierces, ms))
    return found


@given(GAPS, TIMES, st.tuples(st.integers(0, 50), st.integers(0, 50)))
def test_use_is_what_the_attempts_before_did_since_the_last_service(
    gaps: list[tuple[int, int, int]], times: list[int], before: tuple[int, int]
) -> None:
    attempts = told(gaps)
    since = since_service(attempts, times, before=before)
    found = list(zip(since.stretch.tolist(), since.pierces.tolist(), since.ms.tolist(), strict=True))
    assert found == walked(attempts, times, before)
