"""What makes the API document good for a client: bounds, headers, problems, one shape under one name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from service.problems import MEDIA_TYPE
from tests.service import described

OPERATIONS = described.operations()


def parameters(operation_id: str) -> list[dict[str, Any]]:
    path, _, told = OPERATIONS[operation_id]
    of_path = described.made()["paths"][path].get("parameters", [])
    return [described.resolved(each) for each in [*told.get("parameters", []), *of_path]]


def shapes_within(part: Any, place: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """(place, schema) of each schema within a part of the document; examples are none."""
    if isinstance(part, dict):
        yield place, part
        for name, each in part.items():
            if name not in ("example", "examples", "value"):
                yield from shapes_within(each, f"{place}/{name}")
    elif isinstance(part, list):
        for index, each in enumerate(part):
            yield from shapes_within(each, f"{place}/{index}")


@pytest.mark.parametrize("operation_id", sorted(OPERATIONS))
def test_operation_names_itself_as_its_method_does(operation_id: str) -> None:
    _, method, told = OPERATIONS[operation_id]
    assert re.fullmatch(rf"{method}(_[a-z]+)+", operation_id)
    assert len(told["tags"]) == 1
    assert told["summary"].endswith(".")


@pytest.mark.parametrize("operation_id", sorted(OPERATIONS))
def test_errors_carry_what_a_client_needs(operation_id: str) -> None:
    for status, response in described.responses(operation_id).items():
        if status in (429, 503) and MEDIA_TYPE in response.get("content", {}):
            assert "Retry-After" in response["headers"], status
        if status == 401:
            assert "WWW-Authenticate" in response["headers"]
        if status == 304:
            assert "ETag" in response["headers"]


@pytest.mark.parametrize("operation_id", sorted(OPERATIONS))
def test_whoever_names_a_site_may_hear_that_there_is_none(operation_id: str) -> None:
    if "site" in {each["name"] for each in parameters(operation_id) if each["in"] == "query"}:
        assert {404, 422} <= described.responses(operation_id).keys()


@pytest.mark.parametrize("operation_id", sorted(OPERATIONS))
def test_numbers_that_are_asked_for_have_bounds(operation_id: str) -> None:
    for each in parameters(operation_id):
        if each["schema"].get("type") in ("integer", "number"):
            assert each["schema"].keys() & {"minimum", "exclusiveMinimum"}, each["name"]
            assert each["schema"].keys() & {"maximum", "exclusiveMaximum"}, each["name"]


def test_lists_that_are_sent_have_bounds() -> None:
    sent = [
        OPERATIONS[name][2]["requestBody"]["content"] for name in OPERATIONS if "requestBody" in OPERATIONS[name][2]
    ]
    todo, seen = list(sent), set()
    while todo:
        for place, shape in shapes_within(todo.pop()):
            if shape.get("type") == "array":
                assert "maxItems" in shape, place
            name = shape.get("$ref")
            if isinstance(name, str) and name not in seen:
                seen.add(name)
                todo.append(described.resolved(shape))
    assert len(seen) > 30


def test_no_list_of_words_is_given_with_null() -> None:
    components = described.made()["components"]["schemas"]
    for place, shape in shapes_within(components):
        if isinstance(shape.get("enum"), list):
            assert None not in shape["enum"], place


def test_links_lead_to_operations_and_parameters_that_there_are() -> None:
    found = 0
    for told in (told for _, _, told in OPERATIONS.values()):
        for response in told["responses"].values():
            for link in response.get("links", {}).values():
                found += 1
                names = {each["name"] for each in parameters(link["operationId"])}
                assert set(link.get("parameters", {})) <= names
    assert found > 15
