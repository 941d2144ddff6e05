from __future__ import annotations

import copy
import json
import tracemalloc
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError, fields

from service.schemas.events import DATA_SCHEMAS, ENVELOPE
from service.schemas.examples import EXAMPLES
from service.schemas.strict import Record, Rows, StrictSchema
from tests.conftest import of_many
from tests.service.sent import MINIMAL, accepted, event, full, with_data
from worker.events import EVENT_TYPES, HOLD_FIELDS, PLACED

ALL_TYPES = sorted(EVENT_TYPES)


def all_fields(schema: StrictSchema) -> Iterator[tuple[str, fields.Field[Any]]]:
    for name, field in schema.fields.items():
        yield f"{type(schema).__name__}.{name}", field
        inner = field.inner if isinstance(field, Rows) else field
        if isinstance(inner, Record):
            nested = inner.schema
            assert isinstance(nested, StrictSchema)
            yield from all_fields(nested)


def test_every_event_type_has_a_schema_and_an_example() -> None:
    assert list(DATA_SCHEMAS) == list(EVENT_TYPES)
    assert set(EXAMPLES) == set(MINIMAL) == set(EVENT_TYPES)


@pytest.mark.parametrize("kind", ALL_TYPES)
def test_the_least_and_the_full_event_are_accepted(kind: str) -> None:
    assert accepted(event(kind)).type == kind
    judged = accepted(full(kind))
    assert (judged.type, judged.subject) == (kind, EXAMPLES[kind]["subject"])
    assert json.loads(judged.payload)["id"] == EXAMPLES[kind]["id"]


@pytest.mark.parametrize("kind", ALL_TYPES)
def test_the_full_example_gives_every_field_that_one_event_may_give(kind: str) -> None:
    missing = set(DATA_SCHEMAS[kind].fields) - set(EXAMPLES[kind]["data"])
    assert len(missing & {"thickness_mm", "thickness_in"}) <= 1
    assert missing <= ({"thickness_mm", "thickness_in"} if kind != PLACED else set(HOLD_FIELDS))


@pytest.mark.parametrize("kind", ALL_TYPES)
def test_every_required_field_is_asked_for_by_name_and_null_is_not_given(kind: str) -> None:
    for name in MINIMAL[kind]:
        if not DATA_SCHEMAS[kind].fields[name].required:
            continue
        for data in ({**MINIMAL[kind], name: None}, {k: v for k, v in MINIMAL[kind].items() if k != name}):
            with pytest.raises(ValidationError) as caught:
                DATA_SCHEMAS[kind].load(data)
            assert list(caught.value.messages) == [name]
            assert "is missing; give " in str(caught.value)


@pytest.mark.parametrize("kind", ALL_TYPES)
def test_null_is_not_given(kind: str) -> None:
    schema = DATA_SCHEMAS[kind]
    nulls = dict.fromkeys(schema.fields) | MINIMAL[kind]
    assert schema.load(nulls) == schema.read(nulls) == schema.load(MINIMAL[kind])


@pytest.mark.parametrize("schema", [ENVELOPE, *DATA_SCHEMAS.values()], ids=lambda schema: type(schema).__name__)
def test_every_field_says_what_it_is_and_shows_an_example_that_it_takes(schema: StrictSchema) -> None:
    for name, field in all_fields(schema):
        assert field.metadata["description"], name
        assert field.allow_none is not field.required, name
        for example in field.metadata.get("examples", []):
            field.deserialize(example)
        assert "examples" in field.metadata or isinstance(field, Record) or name == "EnvelopeSchema.data", name


def test_a_strict_schema_is_made_of_strict_fields_alone() -> None:
    class Loose(StrictSchema):
        name = fields.String()

    with pytest.raises(TypeError, match=r"Loose\.name"):
        Loose()


def test_of_many_unknown_fields_the_first_are_told() -> None:
    schema = DATA_SCHEMAS["cutledger.attempt.started"]
    with pytest.raises(ValidationError) as caught:
        schema.load({f"f{number}": 1 for number in range(100_000)})
    assert list(caught.value.messages) == [f"f{number}" for number in range(10)]


ODD_VALUES: list[Any] = [
    None, True, False, 0, 1, -1, 3, 2**53, Decimal("1.5"), Decimal("4.0"), Decimal("-0.0"), Decimal("1E+40"), "", " ",
    "1", "3/4", "1/0", "none", "B", "severed", "x" * 129, "\u202e", "2026-03-02", "2026-03-02T06:15:00Z", "06:00",
    [], [None], [1], ["a"], [{}], [{"term": "crack"}], [{"term": "crack", "parts": 0}], {}, {"name": None},
    {"name": "x", "odd": None}, {"power_w": "12 kW"}, {"currency": "eur"}, [{"name": "a", "start": "06:00"}] * 2,
]  # fmt: skip


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    kind = draw(st.sampled_from(ALL_TYPES))
    data: dict[str, Any] = copy.deepcopy(draw(st.sampled_from([EXAMPLES[kind]["data"], MINIMAL[kind]])))
    names = [*DATA_SCHEMAS[kind].fields, "odd", "_schema"]
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(names))
        data[name] = draw(st.sampled_from(ODD_VALUES))
        if draw(st.booleans()):
            data.pop(draw(st.sampled_from(sorted(data))))
    return kind, data


@settings(max_examples=of_many(1_500), deadline=None)
@given(damaged())
def test_the_quick_reading_and_marshmallow_judge_alike(case: tuple[str, dict[str, Any]]) -> None:
    kind, data = case
    schema = DATA_SCHEMAS[kind]
    try:
        loaded = schema.load(data)
    except ValidationError:
        with pytest.raises(ValidationError):
            schema.read(data)
    else:
        assert schema.read(data) == loaded


def test_the_quick_reading_of_the_envelope_judges_alike() -> None:
    changes: list[dict[str, Any]] = [
        {}, {"traceparent": "00-1"}, {"note": None}, {"count": 3}, {"odd_name": 1}, {"x": {}}, {"id": None},
    ]  # fmt: skip
    for change in changes:
        sent = event() | change
        try:
            loaded = ENVELOPE.load(sent)
        except ValidationError:
            with pytest.raises(ValidationError):
                ENVELOPE.read(sent)
        else:
            assert ENVELOPE.read(sent) == loaded


def test_a_long_list_is_refused_before_its_entries_are_read() -> None:
    sent = [{"term": "?"}] * 1_000_000
    tracemalloc.start()
    try:
        with pytest.raises(ValidationError, match="at most 100 entries; found a list of 1000000"):
            DATA_SCHEMAS["cutledger.attempt.finished"].load({"outcome": "severed", "defects": sent})
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()
    assert accepted(with_data("cutledger.attempt.finished", defects=[])).data["defects"] == []
