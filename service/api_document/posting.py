"""What the door for events takes and answers."""

from __future__ import annotations

from typing import Any, Final

from service.api_document.event_shapes import EVENT
from service.api_document.field_shapes import Shape
from service.api_document.operations import Reply, operation, site_parameter
from service.api_document.references import example_ref, ref
from service.api_document.refusals import EVENTS_REFUSED, PROBLEM, problem_example
from service.bodies import ARRAY, LINES, MOST_ITEMS, ONE_EVENT, ONE_OR_ARRAY
from service.problems import MEDIA_TYPE
from service.schemas.answers import VERDICTS, Verdicts
from service.schemas.examples import EXAMPLES

ACCEPTED, DUPLICATE, CONFLICT, INVALID = VERDICTS
_FINISHED: Final = EXAMPLES["cutledger.attempt.finished"]
_INSPECTED: Final = EXAMPLES["cutledger.attempt.inspected"]
_TWO: Final = [_FINISHED, _INSPECTED]
_OTHER_CONTENT: Final = (
    "this source and id already hold another content, which stays; to correct it, void that event and send "
    "the right one under a new id"
)
_WRONG_WORD: Final = 'must be one of severed, not_severed, pierce_failed, aborted; found "severd"; nearest: severed'


def _item(index: int, event: dict[str, Any], status: str, **members: Any) -> dict[str, Any]:
    return {"index": index, "id": event["id"], "status": status, **members}


def _verdicts(*items: dict[str, Any]) -> dict[str, Any]:
    counts = {verdict: sum(item["status"] == verdict for item in items) for verdict in VERDICTS}
    return {**counts, "items": list(items)}


def _refused(status: int, slug: str, item: dict[str, Any]) -> dict[str, Any]:
    (error,) = item["errors"]
    detail = f"{error['pointer']} {error['detail']}".strip()
    return problem_example(status, slug, detail, errors=[error], **_verdicts(item))


_TAKEN: Final = {
    "accepted": _verdicts(_item(0, _FINISHED, ACCEPTED, position=417)),
    "sent again": _verdicts(_item(0, _FINISHED, DUPLICATE, position=417)),
}
_INVALID_ITEM: Final = _item(0, _FINISHED, INVALID, errors=[{"pointer": "/data/outcome", "detail": _WRONG_WORD}])
_CONFLICT_ITEM: Final = _item(0, _FINISHED, CONFLICT, position=417, errors=[{"pointer": "", "detail": _OTHER_CONTENT}])
_IN_PART: Final = {
    "one of two": _verdicts(
        _item(0, _FINISHED, ACCEPTED, position=417),
        _item(
            1,
            _INSPECTED,
            INVALID,
            errors=[{"pointer": "/1/data/stage", "detail": "must be one of first, after_rework, downstream; found 1"}],
        ),
    )
}


def _body() -> Shape:
    """One media type: generators of clients cannot tell bodies apart of which one is a list. The others are told."""
    by_type = {kind.removeprefix("cutledger."): example_ref(kind) for kind in EXAMPLES}
    two = {"two events": {"value": _TWO}}
    return {
        "required": True,
        "description": f"One event or an array; at most {MOST_ITEMS:,} events and 16 MiB unpacked, in UTF-8. gzip is "
        f"taken. One event is also taken as `{ONE_EVENT}`, an array as `{ARRAY}`, and one event a line as `{LINES}`: "
        "there a bad line does not hold up the others.",
        "content": {ONE_OR_ARRAY: {"schema": {"anyOf": [ref(EVENT), ref("Events")]}, "examples": {**by_type, **two}}},
    }


def _refusal(means: str, schema: Shape, examples: dict[str, Any]) -> Shape:
    shown = {name: {"value": value} for name, value in examples.items()}
    return {"description": means, "content": {MEDIA_TYPE: {"schema": schema, "examples": shown}}}


_CONFLICT: Final = _refusal(
    "Every event of the request is refused: other content is held under its source and id, and stays.",
    ref(EVENTS_REFUSED),
    {"conflict": _refused(409, "events-conflict", _CONFLICT_ITEM)},
)
_NOT_TAKEN: Final = _refusal(
    "Every event of the request is refused, and some of them are not what the schema of their type asks for; or the "
    "site of the request is not clear.",
    {"anyOf": [ref(EVENTS_REFUSED), ref(PROBLEM)]},
    {
        "invalid": _refused(422, "events-refused", _INVALID_ITEM),
        "no site": problem_example(
            422,
            "parameters",
            "site is needed: this key has 2 sites; name one of them",
            errors=[{"parameter": "site", "detail": "is needed: this key has 2 sites; name one of them"}],
        ),
    },
)
POST_EVENTS: Final = operation(
    Reply(202, "Every event is in the ledger, durably: taken now, or already before.", Verdicts, examples=_TAKEN),
    Reply(207, "Some events are in the ledger, durably; the others are refused.", Verdicts, examples=_IN_PART),
    errors=(404,),
    body=_body(),
    refused={409: _CONFLICT, 422: _NOT_TAKEN},
    parameters=[site_parameter()],
)
