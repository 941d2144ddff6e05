"""The answers other than the one asked for: RFC 9457 problems, each with its shape and an example."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from service.api_document.field_shapes import Shape
from service.api_document.references import header_ref, ref
from service.formats import FORMATS
from service.problems import MEDIA_TYPE, RETRY_SECONDS, TITLES
from service.schemas.answers import VERDICTS

PROBLEM: Final = "Problem"
EVENTS_REFUSED: Final = "EventsRefused"
_INSTANCE: Final = "urn:uuid:0197c1f2-5b7e-7c10-9a52-6d0e8f3b2a11"
_UNKNOWN_PARAMETER: Final = {"parameter": "thicknes_mm", "detail": "is no parameter here"}
_WRONG_FIELD: Final = {
    "pointer": "/roles/0",
    "detail": 'must be one of terminal, reader, engineer, erp, admin; found "read"; nearest: reader',
}


@dataclass(frozen=True)
class Refusal:
    """An answer that several operations give. `members`: beside those that every problem has."""

    name: str
    status: int
    slug: str
    means: str
    detail: str
    members: dict[str, Any] = field(default_factory=dict)
    headers: tuple[str, ...] = ()

    def response(self) -> Shape:
        """As an answer of the document."""
        return problem_response(self.means, example=self.example(), headers=self.headers)

    def example(self) -> Shape:
        """A problem of its kind."""
        return problem_example(self.status, self.slug, self.detail, **self.members)


def problem_response(means: str, *, example: Any, headers: tuple[str, ...] = (), shape: str = PROBLEM) -> Shape:
    """An answer that is a problem."""
    return {
        "description": means,
        "headers": {name: header_ref(name) for name in headers},
        "content": {MEDIA_TYPE: {"schema": ref(shape), "example": example}},
    }


def problem_example(status: int, slug: str, detail: str, **members: Any) -> Shape:
    """A problem as it leaves."""
    told = {"type": f"urn:cutledger:problem:{slug}", "title": TITLES[slug], "status": status, "detail": detail}
    return told | {"instance": _INSTANCE} | members


REFUSALS: Final = (
    Refusal("BodyUnreadable", 400, "unreadable-body", "The body as a whole cannot be read: it is no JSON, not in "
            "UTF-8, broken off or badly packed.", "the body is no JSON: line 1, column 2: a name in quotes is missing"),
    Refusal("KeyMissing", 401, "key-missing", "No key was sent, or it is not known, has expired or was revoked.",
            "this key is not known here, has expired or was revoked", headers=("WWW-Authenticate",)),
    Refusal("NotAllowed", 403, "not-allowed", "The key has none of the roles that may do this; or, as `not-from-here`, "
            "a change by a session's cookie came without its token, or from another site.",
            "this asks for a key with one of the roles admin"),
    Refusal("NotFound", 404, "not-found", "There is no such thing, or it belongs to a site that this key is not for: "
            "both answer alike.", "there is no site 'south'"),
    Refusal("NotServed", 406, "http", "None of the media types that Accept names is served.",
            f"this is served as {' or '.join(FORMATS.values())}"),
    Refusal("InTheWay", 409, "conflict", "It is in the way of what is there.", "an audit of site 'main' is running"),
    Refusal("Changed", 412, "changed", "It is not what If-Match names any more: it has changed since it was read.",
            "it is not what If-Match names any more; read it again, then send the change"),
    Refusal("BodyTooLarge", 413, "body-too-large", "The body, unpacked, is larger than is taken, or holds more events.",
            "the body has more than 1048576 bytes unpacked; send it in smaller parts", {"limit": 1_048_576}),
    Refusal("MediaTypeNotTaken", 415, "media-type", "The body's media type, charset or content encoding is not taken.",
            'media type "text/xml" is not taken'),
    Refusal("ParametersWrong", 422, "parameters", "A parameter is unknown, cannot be read or contradicts another; "
            "`errors` names each.", "thicknes_mm is no parameter here", {"errors": [_UNKNOWN_PARAMETER]}),
    Refusal("FieldsWrong", 422, "fields", "A field of the body is wrong; `errors` points to each.",
            f"{_WRONG_FIELD['pointer']} {_WRONG_FIELD['detail']}", {"errors": [_WRONG_FIELD]}),
    Refusal("TooMany", 429, "too-many", "This key, or this address, asked for too much, or sent too many wrong keys.",
            "this key asked for too much within 10 s; ask again in 4 s", headers=("Retry-After",)),
    Refusal("Fault", 500, "fault", "The service failed; nothing of the request was kept.",
            "it was logged under the instance named here; nothing of this request was kept"),
    Refusal("Unavailable", 503, "unavailable", "The service cannot take or answer this now; nothing was kept.",
            "nothing of this request was kept; send it again", headers=("Retry-After",)),
)  # fmt: skip

_TEXT: Final = {"type": "string"}
_COUNT: Final = {"type": "integer", "minimum": 0}


def refusal_shapes() -> dict[str, Shape]:
    """Components of the problems."""
    counts = {verdict: _COUNT | {"description": f"events that are {verdict}"} for verdict in VERDICTS}
    items = {"type": "array", "items": ref("Verdict"), "description": "each event's verdict, in the request's order"}
    problem = _problem()
    return {
        PROBLEM: problem,
        "Wrong": _wrong(),
        EVENTS_REFUSED: {
            "description": "No event of the request was taken; `items` says of each why.",
            "type": "object",
            "properties": {**problem["properties"], **counts, "items": items},
            "required": [*problem["required"], *counts, "items"],
        },
    }


def _problem() -> Shape:
    properties = {
        "type": _TEXT | {"format": "uri", "description": "kind of problem: what a program decides by"},
        "title": _TEXT | {"description": "the same in words, for each kind the same"},
        "status": {"type": "integer", "description": "status of the answer"},
        "detail": _TEXT | {"description": "what is wrong this time, and what would do"},
        "instance": {"type": ["string", "null"], "format": "uri", "description": "the request, as the log names it"},
    }
    optional = {
        "errors": {"type": "array", "items": ref("Wrong"), "description": "each thing that is wrong"},
        "limit": {"type": "integer", "description": "what was exceeded: bytes unpacked, or events"},
    }
    return {
        "description": "What is wrong with a request, by RFC 9457.",
        "type": "object",
        "properties": properties | optional,
        "required": list(properties),
    }


def _wrong() -> Shape:
    return {
        "description": "One thing that is wrong: with the body (`pointer`) or with a parameter.",
        "type": "object",
        "properties": {
            "pointer": _TEXT | {"description": "where in the body: RFC 6901, from its start; empty: the whole"},
            "parameter": _TEXT | {"description": "name of the parameter"},
            "detail": _TEXT | {"description": "what is wrong, what was found, what would do"},
        },
        "required": ["detail"],
        # One of the two: said so that generators of clients see one shape, no union.
        "minProperties": 2,
        "not": {"required": ["pointer", "parameter"]},
    }


def headers() -> dict[str, Shape]:
    """Components of the headers of answers."""
    return {
        "X-Request-Id": _header("names this request in the log; from traceparent where that is given", format="uuid"),
        "ETag": _header("changes when what is counted, the settings or the release change", example='"3f0c9a7e51d2"'),
        "Link": _header(
            'the next page, by RFC 8288; absent on the last one of a list', required=False,
            example='</v1/jobs?after=cDE6Si0xMDQy>; rel="next"',
        ),
        "RateLimit-Policy": _header(
            "what may be spent (q) within so many seconds (w): draft-ietf-httpapi-ratelimit-headers-09; absent where "
            "nothing is counted", required=False, example='"key";q=20000;w=10',
        ),
        "RateLimit": _header(
            "what is left (r), and for how many more seconds (t) the window goes on", required=False,
            example='"key";r=19990;t=7',
        ),
        "Location": _header("where it is read", example="/v1/audit"),
        "Retry-After": _header("seconds after which to try again", type="integer", example=RETRY_SECONDS),
        "WWW-Authenticate": _header("how to send a key", example='Bearer realm="cutledger"'),
        "X-As-Of": _header(
            "with text/csv and workbooks: up to where the ledger is counted, what as_of says in JSON", required=False,
            example="position=417; at=2026-03-08T22:00:00+00:00; waiting=0; set_aside=0",
        ),
        "X-Withheld": _header(
            "with text/csv and workbooks: groups of few people that the rows leave out, what notes say in JSON",
            required=False, example="4 groups of machine and shift; 2 groups of machine, shift, plate",
        ),
        "Content-Disposition": _header(
            "with text/csv and workbooks: a name for the file", required=False,
            example='attachment; filename="main-yield-2026-03-02-2026-03-08.csv"',
        ),
    }  # fmt: skip


def _header(description: str, *, required: bool = True, example: object = None, **schema: Any) -> Shape:
    shape: Shape = {"description": description, "required": required, "schema": {"type": "string", **schema}}
    return shape if example is None else shape | {"example": example}
