"""From which day on newer revisions take the place of all that was proven: held against every single day."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from worker.dossier.validity import first_of_all

DAYS = st.integers(0, 40)
SPANS = st.lists(st.tuples(DAYS, DAYS).map(lambda pair: (min(pair), max(pair))), max_size=4)


@given(st.lists(SPANS, min_size=1, max_size=4), DAYS)
def test_first_day_in_a_span_of_each_is_that_of_looking_at_every_day(
    spans: list[list[tuple[int, int]]], since: int
) -> None:
    def is_in_each(day: int) -> bool:
        return all(any(first <= day <= until for first, until in some) for some in spans)

    assert first_of_all(spans, since) == next((day for day in range(since, 41) if is_in_each(day)), None)
