"""The body of a request that is one JSON object."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import request
from marshmallow import ValidationError

from service.bodies import BodyUnreadable, MediaTypeUnknown, parse_items, read_body, read_encoding
from service.faults import Fault, first_faults, shown
from service.problems import Problem
from service.schemas.strict import StrictSchema, faults_of

BODY_LIMIT: Final = 1024 * 1024


def read_object(
    schema: StrictSchema, *, default: Mapping[str, Any] | None = None
) -> tuple[dict[str, Any], Mapping[str, Any]]:
    """(fields as loaded, object as sent) of the request's body; raises a Problem with a pointer to each fault.

    default: what a request without a body stands for; None: it must have one.
    """
    encoding = request.headers.get("Content-Encoding")
    if default is not None and not request.content_length and "Transfer-Encoding" not in request.headers:
        # Also of no body: whoever says how one is packed may have lost it on the way.
        read_encoding(encoding)
        return schema.load(dict(default)), default
    media_type = request.headers.get("Content-Type", "")
    if media_type.partition(";")[0].strip().lower() != "application/json":
        raise MediaTypeUnknown(media_type)
    body = read_body(request.stream, content_length=request.content_length, encoding=encoding, limit=BODY_LIMIT)
    batch = parse_items(body, media_type)
    if not batch.single:
        raise BodyUnreadable("the body must be one JSON object")
    item = batch.items[0]
    if item.faults:
        raise wrong_fields(item.faults)
    if not isinstance(item.value, dict):
        raise wrong_fields([Fault("", f"must be an object with fields; found {shown(item.value)}")])
    return loaded(schema, item.value), item.value


def loaded(schema: StrictSchema, value: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of an object as a schema loads them; raises a Problem with a pointer to each fault."""
    try:
        found: dict[str, Any] = schema.load(dict(value))
        return found
    except ValidationError as error:
        raise wrong_fields(first_faults(faults_of(error.messages, ""))) from None


def wrong_field(pointer: str, detail: str) -> Problem:
    """The answer to one field that cannot be taken."""
    return wrong_fields([Fault(pointer, detail)])


def wrong_fields(faults: list[Fault]) -> Problem:
    """The answer to fields that cannot be taken."""
    detail = "; ".join(f"{fault.pointer or 'the body'} {fault.detail}" for fault in faults[:3])
    return Problem(422, "fields", detail, [{"pointer": fault.pointer, "detail": fault.detail} for fault in faults])
