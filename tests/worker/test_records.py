"""A stored event as the folds read it: numbers by value, however they were written."""

from __future__ import annotations

from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker import records
from worker.records import by_value, stored_data

WHOLE = st.integers(-(2**53), 2**53)
WRITTEN = st.one_of(
    WHOLE.map(str),
    st.decimals(-(10**9), 10**9, allow_nan=False, places=4).map(str),
    st.builds("{}.{}e{}".format, st.integers(-99, 99), st.integers(0, 999), st.integers(-40, 40)),
    st.sampled_from(["-0", "-0.0", "4.0", "4e0", "40e-1", "0.1", "1e22", "1E+3", "2.50"]),
)


def _json(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ",".join(f"{orjson.dumps(name).decode()}:{_json(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(_json, value)) + "]"
    # A text stands for a number that is written so.
    return value if isinstance(value, str) else orjson.dumps(value[0]).decode()


PLAIN = st.one_of(st.none(), st.booleans(), st.text(max_size=8).filter(lambda text: text.isprintable())).map(
    lambda one: (one,)
)
VALUES = st.recursive(
    st.one_of(WRITTEN, PLAIN),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text("abcé_", max_size=4), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.text("abcé_", max_size=4), VALUES, max_size=6))
def test_stored_data_is_read_by_value(data: dict[str, Any]) -> None:
    payload = f'{{"id":"1","data":{_json(data)},"time":"x"}}'.encode()
    expected = by_value(orjson.loads(payload)["data"])
    # As texts too: an int and the float that it equals are not the same here, nor are 0 and -0.
    assert repr(stored_data(payload)) == repr(expected)
    assert repr(stored_data(payload)) == repr(expected)


def test_numbers_that_are_remembered_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "_MOST_NUMBERS", 3)
    numbers = records._Numbers()
    for number in range(10):
        assert numbers[f"{number}.5"] == number + 0.5
        assert len(numbers) <= 3
