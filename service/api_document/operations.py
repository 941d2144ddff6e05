"""What a route says of its operation beside its docstring and query schema: answers, body, parameters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from marshmallow import Schema

from service.api_document.field_shapes import Shape
from service.api_document.references import header_ref, ref, response_ref
from service.api_document.refusals import REFUSALS
from service.formats import JSON
from service.schemas.queries import Query

_BY_STATUS: Final = {refusal.status: refusal.name for refusal in REFUSALS if refusal.status != 422}
PARAMETERS_WRONG: Final = response_ref("ParametersWrong")
NOT_FOUND: Final = response_ref("NotFound")
FIELDS_WRONG: Final = response_ref("FieldsWrong")
#: What reading a body can end in.
BODY_STATUSES: Final = (400, 413, 415)

WORKBOOK: Final[Shape] = {
    "type": "string",
    "format": "binary",
    "description": "A workbook by ECMA-376: the rows on its first sheet, the same columns in the same order, "
    "production days as days, text as text; on the second what was asked, up to what it counts, notes and cautions.",
}


@dataclass(frozen=True)
class Reply:
    """An answer as asked for. `shape` alone: JSON of that schema; `content`: media types with what they hold."""

    status: int
    means: str
    shape: type[Schema] | str | None = None
    content: Mapping[str, Any] = field(default_factory=dict)
    headers: tuple[str, ...] = ()
    examples: Mapping[str, Any] = field(default_factory=dict)

    def response(self) -> Shape:
        """As an answer of the document."""
        content = dict(self.content)
        if self.shape is not None:
            content[JSON] = {"schema": ref(self.shape)}
            if self.examples:
                content[JSON]["examples"] = {name: {"value": value} for name, value in self.examples.items()}
        told: Shape = {"description": self.means, "headers": {name: header_ref(name) for name in self.headers}}
        return told | {"content": content} if content else told


NOT_CHANGED: Final = Reply(304, "Nothing changed since the answer that If-None-Match names.", headers=("ETag",))


def operation(
    *answers: Reply,
    errors: Iterable[int] = (),
    refused: Mapping[int, Shape] | None = None,
    body: Shape | None = None,
    parameters: Iterable[Shape] = (),
) -> dict[str, Any]:
    """Arguments of `blueprint.doc`.

    errors: the problems that it may answer, beside those that follow from its key, parameters and body; refused:
    problems that only this operation answers, by status.
    """
    responses: dict[int, Shape] = {answer.status: answer.response() for answer in answers}
    responses |= {status: response_ref(_BY_STATUS[status]) for status in errors}
    if body is not None:
        responses |= {status: response_ref(_BY_STATUS[status]) for status in BODY_STATUSES} | {422: FIELDS_WRONG}
    told: dict[str, Any] = {"responses": responses | dict(refused or {})}
    if body is not None:
        told["requestBody"] = body
    if parameters := list(parameters):
        told["parameters"] = parameters
    return told


def json_body(
    schema: type[Schema], description: str, examples: Mapping[str, Any] | None = None, *, required: bool = True
) -> Shape:
    """A body that is one JSON object."""
    content: Shape = {"schema": ref(schema)}
    if examples:
        content["examples"] = {name: {"value": value} for name, value in examples.items()}
    return {"required": required, "description": description, "content": {JSON: content}}


def path_id(name: str, description: str, example: str) -> list[Shape]:
    """The parameter of a path that is an id of the ledger."""
    told = f"{description}; percent-encoded, a slash within it too (as %2F)"
    schema = {"type": "string", "minLength": 1, "examples": [example]}
    return [{"in": "path", "name": name, "required": True, "description": told, "schema": schema}]


def site_parameter() -> Shape:
    """The site of a request, for routes that read it without a query schema."""
    about = Query().fields["site"].metadata
    schema = {"type": "string", "minLength": 1, "examples": [about["example"]]}
    return {"in": "query", "name": "site", "required": False, "description": about["description"], "schema": schema}
