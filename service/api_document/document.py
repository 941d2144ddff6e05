"""The whole document: what the routes told, completed by what follows from keys, parameters and bodies."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from flask import Flask

from service import RELEASE
from service.api_document.event_shapes import event_examples
from service.api_document.example_values import example_of
from service.api_document.field_shapes import Shape
from service.api_document.links import link
from service.api_document.named_words import with_named_words, word_shapes
from service.api_document.operations import NOT_CHANGED, NOT_FOUND, PARAMETERS_WRONG
from service.api_document.references import header_ref, parameter_ref, response_ref
from service.api_document.refusals import REFUSALS, Refusal, headers
from service.api_document.reporting import give_report_examples
from service.api_document.shapes import OPENAPI, all_shapes, flowing
from service.asking import PERMISSIONS, PUBLIC, permission_of
from service.conditional import is_tagged
from service.sessions import COOKIE, HOURS, TOKEN_HEADER
from worker.keys import ROLES

KEY: Final = "key"
SESSION: Final = "session"
TOKEN: Final = "sessionToken"
#: Headers of every answer.
_ALWAYS: Final = ("X-Request-Id", "RateLimit-Policy", "RateLimit")
#: Answers that flask-smorest says of itself.
_NOT_OURS: Final = (response_ref("DEFAULT_ERROR"), response_ref("UNPROCESSABLE_ENTITY"))
INFORMATION: Final[Shape] = {
    "title": "Cutledger",
    "version": RELEASE,
    "summary": "Record and arithmetic for thermal cutting of thick plate.",
    "description": (
        "What happened on the shop floor is posted as events, through one door; first-pass yield, failed pierces and "
        "rework are read from it, right to the last part, however late, doubled or corrected the events came.\n\n"
        "**Figures are evidence, not permission: local codes, machine instructions and qualified people come first.**"
        "\n\n"
        "Every operation under `/v1` asks for a key as `Authorization: Bearer KEY`; `?site=` names the site, and may "
        "be left out when the key has one. Whatever is wrong with a request is answered as `application/problem+json` "
        "(RFC 9457). Every answer carries `X-Request-Id`. Whatever is asked, a request whose first line is too long is "
        "answered 414, one whose header is too large 431, one that comes too slowly 408. Instants have an offset, days "
        "are production days of the site, units end the names of numbers, shares are 0 to 1. A client leaves "
        "fields alone that it does not know: an answer may gain some."
    ),
    "license": {"name": "Apache License 2.0", "identifier": "Apache-2.0"},
}


def complete(app: Flask, told: Shape) -> Shape:
    """The document; `told` is what the blueprints' routes say of themselves."""
    shapes = all_shapes()
    give_report_examples(told["paths"]["/v1/reports/{name}"]["get"])
    for path, method, operation in operations_of(told):
        endpoint = _endpoint(app, path, method)
        operation.setdefault("operationId", app.view_functions[endpoint].__name__)
        if method == "get" and is_tagged(app.view_functions[endpoint]):
            _tell_etag(operation)
        if method != "get":
            operation["security"] = [{KEY: []}, {SESSION: [], TOKEN: []}]
        _complete(operation, permission_of(app, endpoint), shapes)
    link({operation["operationId"]: operation for _, _, operation in operations_of(told)})
    return {
        "openapi": OPENAPI,
        "info": INFORMATION,
        "servers": [{"url": "/", "description": "the host that serves this document"}],
        "security": [{KEY: []}, {SESSION: []}],
        "tags": told["tags"],
        "paths": with_named_words(told["paths"]),
        "components": _components(with_named_words(shapes) | word_shapes()),
    }


def operations_of(document: Shape) -> Iterator[tuple[str, str, Shape]]:
    """(path, method, operation) of each operation."""
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method in ("get", "post", "put", "delete"):
                yield path, method, operation


def _endpoint(app: Flask, path: str, method: str) -> str:
    return next(
        str(rule.endpoint)
        for rule in app.url_map.iter_rules()
        if path_of(rule.rule) == path and method.upper() in (rule.methods or ())
    )


def path_of(rule: str) -> str:
    """A rule of the application as the document writes it."""
    return re.sub(r"<(?:[^:<>]+:)?([^<>]+)>", r"{\1}", rule)


# --- operations -------------------------------------------------------------------------------------------------


def _tell_etag(operation: Shape) -> None:
    """What is read has an ETag, whatever its route says of it."""
    responses = operation["responses"]
    responses["200"]["headers"] = responses["200"].get("headers", {}) | {"ETag": header_ref("ETag")}
    responses.setdefault(str(NOT_CHANGED.status), NOT_CHANGED.response())


def _complete(operation: Shape, permission: str, shapes: dict[str, Shape]) -> None:
    if permission == PUBLIC:
        operation["security"] = []
    else:
        operation["x-roles"] = list(PERMISSIONS[permission])
    operation["description"] = _described(operation, permission)
    operation["responses"] = dict(sorted(_responses(operation, permission).items()))
    for response in operation["responses"].values():
        if "$ref" not in response:
            response["headers"] = response.get("headers", {}) | _always()
            _give_examples(response.get("content", {}), shapes)
    _give_examples(operation.get("requestBody", {}).get("content", {}), shapes)
    parameters = [*map(_told_parameter, operation.get("parameters", [])), *_parameters_that_follow(operation)]
    if parameters:
        operation["parameters"] = parameters


def _described(operation: Shape, permission: str) -> str:
    who = "Asks for no key." if permission == PUBLIC else f"Roles: {', '.join(PERMISSIONS[permission])}."
    return f"{flowing(operation['description'])}\n\n{who}"


def _responses(operation: Shape, permission: str) -> dict[str, Shape]:
    told: dict[str, Shape] = operation["responses"]
    responses = {status: answer for status, answer in told.items() if answer not in _NOT_OURS}
    asked = {parameter["name"] for parameter in operation.get("parameters", ()) if parameter["in"] == "query"}
    if asked:
        responses.setdefault("422", PARAMETERS_WRONG)
    if "site" in asked:
        responses.setdefault("404", NOT_FOUND)
    return {str(refusal.status): response_ref(refusal.name) for refusal in _of_key(permission)} | responses


def _of_key(permission: str) -> Iterator[Refusal]:
    """What asking for a key can end in, and for what a key is asked; who sends none is held to limits as well."""
    if permission == PUBLIC:
        yield from (refusal for refusal in REFUSALS if refusal.status == 429)
        return
    everyone = set(PERMISSIONS[permission]) == set(ROLES)
    for refusal in REFUSALS:
        if refusal.status in (401, 429, 500, 503) or (refusal.status == 403 and not everyone):
            yield refusal


def _always() -> dict[str, Shape]:
    return {name: header_ref(name) for name in _ALWAYS}


def _give_examples(content: dict[str, Shape], shapes: dict[str, Shape]) -> None:
    for told in content.values():
        if not told.keys() & {"example", "examples"} and told["schema"].get("format") != "binary":
            told["example"] = example_of(told["schema"], shapes)


def _told_parameter(parameter: Shape) -> Shape:
    """A parameter with its description where it belongs: that of a list may be that of its entries."""
    schema = _with_examples(parameter["schema"])
    if "items" in schema:
        schema["items"] = _with_examples(schema["items"])
        parameter = {"description": schema["items"].pop("description", ""), **parameter}
    return parameter | {"schema": schema}


def _with_examples(schema: Shape) -> Shape:
    """A schema that gives its example as OpenAPI 3.1 does."""
    told = {name: value for name, value in schema.items() if name != "example"}
    return told | {"examples": [schema["example"]]} if "example" in schema else told


def _parameters_that_follow(operation: Shape) -> Iterator[Shape]:
    if "304" in operation["responses"]:
        yield parameter_ref("IfNoneMatch")
    if "412" in operation["responses"]:
        yield parameter_ref("IfMatch")
    if "requestBody" in operation:
        yield parameter_ref("ContentEncoding")


# --- components -------------------------------------------------------------------------------------------------


def _components(shapes: dict[str, Shape]) -> Shape:
    responses = {refusal.name: refusal.response() for refusal in REFUSALS}
    for response in responses.values():
        response["headers"] |= _always()
    return {
        "schemas": shapes,
        "responses": responses,
        "headers": headers(),
        "parameters": _parameters(),
        "examples": event_examples(),
        "securitySchemes": {
            KEY: {
                "type": "http",
                "scheme": "bearer",
                "description": "A key: `cutledger key new` and `POST /v1/keys` make one. Its roles say what it may do, "
                "its sites for which it may.",
            },
            SESSION: {
                "type": "apiKey",
                "in": "cookie",
                "name": COOKIE,
                "description": "The session of a browser that signed in with a key on the page `/sign-in`: it may what "
                f"the key may, for {HOURS} hours at most. A key in the same request goes before it.",
            },
            TOKEN: {
                "type": "apiKey",
                "in": "header",
                "name": TOKEN_HEADER,
                "description": "The session's token, which its pages hold as `meta` of the name `csrf-token`: whatever "
                "changes something by the cookie needs it, and comes from a page of this host.",
            },
        },
    }


def _parameters() -> Shape:
    return {
        "IfNoneMatch": {
            "in": "header",
            "name": "If-None-Match",
            "required": False,
            "description": "ETag of the answer that is held already; 304 when nothing changed since",
            "schema": {"type": "string", "examples": ['"3f0c9a7e51d2"']},
        },
        "IfMatch": {
            "in": "header",
            "name": "If-Match",
            "required": False,
            "description": "ETag of what was read and is to be changed; 412 when it changed since",
            "schema": {"type": "string", "examples": ['"3f0c9a7e51d2"']},
        },
        "ContentEncoding": {
            "in": "header",
            "name": "Content-Encoding",
            "required": False,
            "description": "how the body is packed; the limits hold for what it unpacks to",
            "schema": {"type": "string", "enum": ["identity", "gzip", "x-gzip"]},
        },
    }
