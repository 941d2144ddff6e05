"""The API document as the tests hold values to it: validators, operations, examples."""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator
from referencing import Registry
from referencing.jsonschema import DRAFT202012

from service.api_document.document import operations_of
from service.openapi import document

_URI = "urn:cutledger:document"
_CLOSED_URI = "urn:cutledger:closed"


@cache
def made() -> dict[str, Any]:
    """The document of this code."""
    return document()


def operations() -> dict[str, tuple[str, str, dict[str, Any]]]:
    """operationId -> (path, method, operation)."""
    return {told["operationId"]: (path, method, told) for path, method, told in operations_of(made())}


def resolved(part: dict[str, Any]) -> dict[str, Any]:
    """A part of the document, or what it refers to."""
    if "$ref" not in part:
        return part
    found: Any = made()
    for token in part["$ref"].removeprefix("#/").split("/"):
        found = found[token.replace("~1", "/").replace("~0", "~")]
    return dict(found)


def responses(operation_id: str) -> dict[int, dict[str, Any]]:
    """Status -> answer of an operation."""
    told = operations()[operation_id][2]["responses"]
    return {int(status): resolved(response) for status, response in told.items()}


def faults(schema: dict[str, Any], value: Any) -> list[str]:
    """Why a value is none of a schema of the document, as a client reads it."""
    return _messages(_absolute(schema, _URI), value)


def faults_closed(schema: dict[str, Any], value: Any) -> list[str]:
    """The same, and every field that the schema does not name."""
    return _messages(_absolute(_closed(schema), _CLOSED_URI), value)


def of_shape(name: str) -> dict[str, Any]:
    """The schema of a component."""
    return {"$ref": f"#/components/schemas/{name}"}


def _messages(schema: dict[str, Any], value: Any) -> list[str]:
    validator = Draft202012Validator(schema, registry=_registry(), format_checker=Draft202012Validator.FORMAT_CHECKER)
    return [f"{error.json_path}: {error.message[:300]}" for error in validator.iter_errors(value)]


@cache
def _registry() -> Any:
    closed = deepcopy(made())
    closed["components"]["schemas"] = {
        name: _closed(each, used=False) for name, each in made()["components"]["schemas"].items()
    }
    contents = ((_URI, made()), (_CLOSED_URI, closed))
    return Registry().with_resources((uri, DRAFT202012.create_resource(each)) for uri, each in contents)


def _absolute(schema: Any, uri: str) -> Any:
    text = json.dumps(schema).replace('"$ref": "#/', f'"$ref": "{uri}#/')
    return json.loads(text)


def _closed(schema: Any, *, used: bool = True) -> Any:
    """A schema that refuses every field that it does not name, wherever an object is the value of something."""
    if not isinstance(schema, dict) or not schema:
        return schema
    told = dict(schema)
    for name in ("properties", "patternProperties"):
        if name in told:
            told[name] = {key: _closed(each) for key, each in told[name].items()}
    for name in ("items", "additionalProperties"):
        if name in told:
            told[name] = _closed(told[name])
    for name in ("allOf", "anyOf", "oneOf"):
        if name in told:
            told[name] = [_closed(each, used=False) for each in told[name]]
    return told | {"unevaluatedProperties": False} if used and "not" not in told else told


def examples() -> Iterator[tuple[str, dict[str, Any], Any]]:
    """(place, schema, value) of every example of a body or an answer, and of every shape."""
    for name, shape in made()["components"]["schemas"].items():
        for value in shape.get("examples", ()):
            yield name, shape, value
    for name, response in made()["components"]["responses"].items():
        yield from _of_content(name, response["content"])
    for operation_id, (_, _, told) in operations().items():
        yield from _of_content(operation_id, told.get("requestBody", {}).get("content", {}))
        for status, response in told["responses"].items():
            yield from _of_content(f"{operation_id} {status}", response.get("content", {}))


def _of_content(place: str, content: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any], Any]]:
    for media_type, told in content.items():
        shown = [resolved(each)["value"] for each in told.get("examples", {}).values()]
        for value in [told["example"]] if "example" in told else shown:
            yield f"{place} {media_type}", told["schema"], value
