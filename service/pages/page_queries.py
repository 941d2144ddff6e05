"""What the address of a page asks for: the filters of its form, and which page of a list."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from flask import request
from marshmallow import Schema, ValidationError, fields

from service.pages.blueprint import to
from service.schemas.queries import Query
from worker.reports.questions import QuestionUnanswerable, Wrong, given_often
from worker.sentences import joined

#: What is asked of a page that shows one thing: the site alone.
SITE_ONLY: Final = Query()


def asked(schema: Schema, **unless_said: str) -> dict[str, Any]:
    """The parameters of the running request as a schema reads them; what a form left empty was not asked for.

    unless_said: what is meant by a parameter that the address does not name at all. Raises QuestionUnanswerable.
    """
    given = dict(request.args.lists())
    if twice := [Wrong(name, given_often(len(values))) for name, values in given.items() if values[1:]]:
        raise QuestionUnanswerable(twice)
    sent = unless_said | {name: values[0] for name, values in given.items()}
    try:
        found: dict[str, Any] = schema.load(
            {name: [value] if _is_list(schema, name) else value for name, value in sent.items() if value.strip()}
        )
    except ValidationError as error:
        raise QuestionUnanswerable(
            [Wrong(str(name), joined(" ", _texts(said))) for name, said in _wrong(error)]
        ) from None
    return found


def pages_of(endpoint: str, site: str, following: str | None, **values: Any) -> dict[str, str | None]:
    """The addresses of the first page of a list, when another is shown, and of the next one, when there is one."""
    filters = {name: value for name, value in request.args.items() if name not in ("after", "site")} | values
    return {
        "first": to(endpoint, site, **filters) if request.args.get("after") else None,
        "next": to(endpoint, site, **filters, after=following) if following else None,
    }


def _is_list(schema: Schema, name: str) -> bool:
    return isinstance(schema.fields.get(name), fields.List)


def _wrong(error: ValidationError) -> Iterator[tuple[Any, Any]]:
    messages = error.messages
    yield from (messages if isinstance(messages, Mapping) else {"parameters": messages}).items()


def _texts(messages: Any) -> Iterator[str]:
    if isinstance(messages, str):
        yield messages
    else:
        for each in messages.values() if isinstance(messages, Mapping) else messages:
            yield from _texts(each)
